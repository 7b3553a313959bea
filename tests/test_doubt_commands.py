"""``measure --site --doubt`` and ``compare`` on a case: what is written, said and refused."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from tiny_scan import ball_hu, write_nifti, write_plan

from planner.assessment_file import assessment_schema
from planner.site_file import FOLDER, site_schema
from segmentation.case import write_poses
from viewer.command_line import run
from viewer.drawn_words import limit_words, share_words

DRAWS = ["--draws", "100"]


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case with a plan."""
    folder = tmp_path_factory.mktemp("made")
    write_nifti(folder / "ct.nii.gz", ball_hu())
    words = ["segment", str(folder / "ct.nii.gz"), "--out", str(folder / "case")]
    assert run([*words, "--threshold", "250", "--calibration", "0.77,-3"]) == 0
    write_plan(folder / "case" / "plan.json")
    return folder / "case"


def test_measure_tells_site_and_doubt_in_words_and_in_the_file(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["measure", str(case), "--site", "scaphoid", "--doubt", "guided", *DRAWS]) == 0
    said = capsys.readouterr().out
    assert "length rule of scaphoid, measured along the planned axis" in said
    assert "placed guided, 100 draws" in said
    document = json.loads((case / "assessment.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, assessment_schema())
    screw = document["screws"][0]
    assert screw["doubt"]["seed"] == 1
    assert screw["site_length"]["site"] == "scaphoid"


def test_the_same_seed_gives_the_same_bytes(case: Path, tmp_path: Path) -> None:
    written = []
    for seed, name in (("4", "a"), ("4", "b"), ("5", "c")):
        words = ["measure", str(case), "--plan", str(case / "plan.json"), "--doubt", "freehand", *DRAWS]
        assert run([*words, "--seed", seed, "--json", str(tmp_path / name)]) == 0
        written.append((tmp_path / name).read_bytes())
    assert written[0] == written[1] != written[2]


def test_compare_writes_a_table_and_a_document_and_nothing_into_the_case(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(path.name for path in case.iterdir())
    files = ["--json", str(tmp_path / "c.json"), "--csv", str(tmp_path / "c.csv")]
    wishes = ["--length", "16", "--length", "18", "--doubt", "guided", "--what-if", "pitch=1 density=0.8"]
    assert run(["compare", str(case), *wishes, *DRAWS, *files]) == 0
    assert sorted(path.name for path in case.iterdir()) == before
    document = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader(io.StringIO((tmp_path / "c.csv").read_text(encoding="utf-8"))))
    assert (document["format"], document["version"]) == ("pilothole-compare", 1)
    assert [row["variant"] for row in document["rows"]] == [row["variant"] for row in rows]
    assert document["what_if"]["changed"] == {"pitch": 1.0, "density": 0.8}
    assert document["what_if"]["moves"]
    said = capsys.readouterr().out
    assert "what if pitch = 1, density = 0.8:" in said
    assert "kept: body clearance" in said
    assert "not a medical device" in said


def test_report_tells_the_numbers_of_measure_and_what_is_asked_beside_them(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # So few entries that the map costs next to nothing here.
    monkeypatch.setattr("planner.entry_map.ENTRIES_COUNT", 20)
    monkeypatch.setattr("planner.entry_map.ENTRY_MOST_MM", 20.0)
    wishes = ["--site", "scaphoid", "--doubt", "guided", "--seed", "4", "--torque", "0.4", *DRAWS]
    assert run(["measure", str(case), *wishes, "--json", str(tmp_path / "a.json")]) == 0
    measured = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    page = tmp_path / "r.html"
    beside = [
        "--compare",
        "--length",
        "16",
        "--length",
        "18",
        "--forgiveness",
        "--entry-map",
        "--out",
        str(page),
    ]
    assert run(["report", str(case), *wishes, *beside]) == 0
    html = page.read_text(encoding="utf-8")
    doubt = measured["screws"][0]["doubt"]
    assert f"in {share_words(doubt['breach_fraction'])} of 100 draws" in html
    for one in doubt["limits"]:
        assert limit_words(one["limit"], one["asked"]) in html
        assert f">{share_words(one['holds_fraction'])}<" in html
    assert "the same 100 draws for each (seed 4)" in html
    assert "<br>16 mm</th>" in html
    assert "How forgiving <span>" in html
    assert "entries about" in html
    assert "what each entry could reach" in html
    pressing = measured["screws"][0]["torque"]["compression_at_given_n"]
    assert f"{pressing['estimate']:.0f}\u00a0N" in html
    assert "compression at 0.4 N·m" in html
    capsys.readouterr()


def test_report_of_another_plan_is_a_file_of_its_own_and_stands_as_asked(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    moved = Path(shutil.copytree(case, tmp_path / "case"))
    pose = np.eye(4)
    pose[0, 3] = 1.0
    write_poses(moved, {1: pose})
    document = json.loads((case / "plan.json").read_text(encoding="utf-8"))
    document["screws"][0]["name"] = "another"
    other = tmp_path / "other.json"
    other.write_text(json.dumps(document), encoding="utf-8")
    before = {path.name: path.read_bytes() for path in moved.iterdir()}
    words = ["report", str(moved), "--plan", str(other)]
    assert run(words) == 2
    assert "name its file with --out" in capsys.readouterr().err
    page = tmp_path / "other.html"
    assert run([*words, "--as-scanned", "--out", str(page)]) == 0
    html = page.read_text(encoding="utf-8")
    assert "another" in html
    assert "Fragments stand as scanned, not as reduced" in html
    assert {path.name: path.read_bytes() for path in moved.iterdir()} == before


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["measure", "--site", "knee"], "there is no site 'knee'"),
        (["measure", "--doubt", "guided", "--draws", "3"], "draws must be 100 to"),
        (["measure", "--doubt", "drunk"], "drunk"),
        (["report", "--site", "knee"], "there is no site 'knee'"),
        (["report", "--doubt", "guided", "--draws", "3"], "draws must be 100 to"),
        (["report", "--load", "9"], "--load must be a force in N and a lever in mm"),
        (["report", "--length", "16"], "give --compare with them"),
        (["report", "--compare", "--path", "S9"], "the plan has no screw 'S9'"),
        (["compare", "--technique", "glue"], "there is no technique 'glue'"),
        (["compare", "--what-if", "colour=1"], "--what-if cannot change 'colour'"),
        (["compare", "--path", "S9"], "the plan has no screw 'S9'"),
        (["compare", "--length", "500"], "not one variant can be measured"),
    ],
)
def test_bad_wishes_get_one_sentence(
    case: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([words[0], str(case), *words[1:]]) == 2
    told = capsys.readouterr().err
    assert says in told
    assert told.count("\n") == 1


def test_compare_has_help_with_examples(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "--help"]) == 0
    assert "Examples:" in capsys.readouterr().out


def test_the_sites_that_come_along_keep_the_published_schema() -> None:
    for path in FOLDER.glob("*.json"):
        jsonschema.validate(json.loads(path.read_text(encoding="utf-8")), site_schema())
