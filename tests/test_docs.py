"""The documentation says what the program does: its tables, keys and links are held against the program."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from typing import Any

import pytest
from house import ROOT, tracked_files

from planner.assessment_file import assessment_schema
from planner.doubt_draws import SOURCES
from planner.findings import CAUTIONS, CODES
from planner.limits import LIMIT_SOURCES, Limits
from planner.placement import PLACEMENTS
from planner.plan_file import plan_schema
from planner.screws_csv import csv_text
from planner.site_file import read_site, site_names
from planner.what_if import CHANGES
from segmentation.bone_file import bone_schema

DOCS = ROOT / "viewer/docs"
PAGES = [ROOT / name for name in tracked_files() if name.endswith(".md")]


def _rows(page: str, heading: str) -> list[list[str]]:
    """The cells of the first table below a heading, without its head."""
    section = (DOCS / page).read_text(encoding="utf-8").split(f"\n## {heading}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def test_the_table_of_findings_is_the_programs():
    told = {code.strip("`"): (severity, meaning) for code, severity, meaning in _rows("findings.md", "Codes")}
    assert told == CODES
    assert len(told) > 20


def test_the_table_of_limits_is_the_programs():
    told = {name.strip("`"): float(value) for name, value, _ in _rows("findings.md", "Limits")}
    assert told == vars(Limits())


def test_the_limits_are_told_with_the_sources_of_the_code():
    written = " ".join(inspect.getsource(Limits).split())
    for _, _, source in _rows("findings.md", "Limits"):
        assert source in written


def test_the_short_sources_of_limits_are_those_of_the_code():
    told = {name.strip("`"): source for name, _, source in _rows("findings.md", "Limits")}
    assert {row for row in LIMIT_SOURCES if LIMIT_SOURCES[row] not in told[row]} == set()


def test_the_tables_of_the_sites_are_the_files():
    sites = {name: read_site(name).document for name in site_names()}
    told = {
        (site.strip("`"), limit.strip("`")): (float(value), mark, source)
        for site, limit, value, mark, source in _rows("sites.md", "Limits of each site")
    }
    assert told == {
        (name, limit): (one.value, one.mark, one.source)
        for name, site in sites.items()
        for limit, one in site.limits.items()
    }
    rules = {site.strip("`"): (says, mark) for site, says, mark, _ in _rows("sites.md", "Length rules")}
    assert rules == {
        name: (rule.says, rule.mark)
        if (rule := site.length_rule)
        else (f"None: {site.length_rule_reason}.", "")
        for name, site in sites.items()
    }


def test_the_table_of_placements_is_the_programs():
    told = {
        way.strip("`"): (*map(float, sizes), source)
        for way, *sizes, source in _rows("uncertainty.md", "Placement")
    }
    assert told == {
        name: (way.entry_sd_mm, way.angle_sd_degree, way.depth_sd_mm, way.source)
        for name, way in PLACEMENTS.items()
    }


def test_the_sources_of_doubt_are_the_programs():
    assert [row[0].strip("`") for row in _rows("uncertainty.md", "What is drawn")] == list(SOURCES)


def test_the_words_of_what_if_are_the_programs():
    assert [word.strip("`") for word, _ in _rows("compare.md", "What if")] == list(CHANGES)


def _keys(schema: Any) -> set[str]:
    """Names of all properties anywhere in a JSON Schema."""
    if isinstance(schema, dict):
        own = set(schema["properties"]) if isinstance(schema.get("properties"), dict) else set()
        return own.union(*map(_keys, schema.values()))
    if isinstance(schema, list):
        return set().union(*map(_keys, schema))
    return set()


@pytest.mark.parametrize("schema", [plan_schema, bone_schema, assessment_schema])
def test_every_key_of_a_file_is_explained(schema):
    page = (DOCS / "files.md").read_text(encoding="utf-8")
    # Parts of a part that the page tells in words: calibration, scan, removed pieces.
    in_words = {
        *("slope_mg_cm3_per_hu", "intercept_mg_cm3", "standard_error_fraction", "source", "kind"),
        *("slope_standard_error_mg_cm3_per_hu", "intercept_standard_error_mg_cm3"),
        *("slope_intercept_correlation_ratio", "box_ijk"),
        *(
            "digest",
            "shape",
            "affine",
            "tube_voltage_kv",
            "what",
            "centre_mm",
            "inputs",
            "pilothole",
            "made_with",
        ),
        *("frame", "version", "format"),
    }
    unexplained = {key for key in _keys(schema()) - in_words if f"`{key}`" not in page}
    assert unexplained == set()


def test_every_number_of_a_screw_is_defined():
    page = (DOCS / "definitions.md").read_text(encoding="utf-8")
    screw = assessment_schema()["$defs"]["ScrewPart"]["properties"]
    fragment = assessment_schema()["$defs"]["FragmentPart"]["properties"]
    numbers = {*screw, *fragment} - {
        *(
            "name",
            "screw",
            "technique",
            "fragment",
            "fragment_name",
            "fragments",
            "drilling",
            "findings",
            "reasons",
        )
    }
    assert {name for name in numbers if f"`{name}`" not in page} == set()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        if target.startswith("https://"):
            continue
        name, _, anchor = target.partition("#")
        linked = page.parent / name if name else page
        assert linked.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", linked.read_text(encoding="utf-8"), re.MULTILINE)
            anchors = {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
            assert anchor in anchors, target


@pytest.mark.parametrize("name", ["README.md", "viewer/docs/definitions.md", "viewer/docs/limits.md"])
def test_cautions_stand_where_numbers_are_told(name):
    text = " ".join((ROOT / name).read_text(encoding="utf-8").split())
    assert "not a medical device" in text


def test_the_readme_has_every_caution():
    text = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    for caution in CAUTIONS:
        for sentence in re.split(r"[;.] ?", caution):
            assert sentence.lower() in text.lower(), sentence


def test_the_files_page_tells_of_every_column_with_its_unit():
    """A column is a key of assessment.json, or one of its parts written out."""
    page = (DOCS / "files.md").read_text(encoding="utf-8")
    columns = csv_text(_no_screws()).splitlines()[0].split(",")
    parts = re.compile(r"(entry|exit|tip)_[xyz]_mm|(leading|trailing)_end_\w+_mm|body_\w+_mm|pullout_\w+_n")
    told = set(_mechanics_told(page.split("## screws.csv")[1].split("\n## ")[0]))
    told |= {
        c for c in columns if parts.fullmatch(c) or f"`{re.sub('_(low|high)_factor$', '_factor', c)}`" in page
    }
    assert [c for c in columns if c not in told] == ["governs"]
    assert not set(_mechanics_told(page.split("## screws.csv")[1])) - set(columns)


def _mechanics_told(section: str) -> Iterator[str]:
    """The columns that the table of parts and their values tells."""
    for part, values in re.findall(r"^\| (the screw|`.+`) \| (`.+) \|$", section, re.MULTILINE):
        for name in re.findall(r"`([^`]+)`", part) or [""]:
            for value, star in re.findall(r"`(\w+)`(\*?)", values):
                whole = f"{name}.{value}".strip(".").replace(".", "_")
                yield whole
                if star:
                    words, unit = re.fullmatch(
                        r"(.+?)_(n_per_mm|mm|n_m|n|mpa|degree|fraction|ratio|factor)", whole
                    ).groups()
                    yield from (f"{words}_{end}_{unit}" for end in ("low", "high"))


def _no_screws() -> Any:
    from planner.vocabulary import Assessment

    return Assessment((), {}, {}, CAUTIONS)
