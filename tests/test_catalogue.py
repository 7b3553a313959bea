"""The built-in families against their standard, and a user's file against everything that may be wrong with
it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from planner.catalogue import (
    LARGEST_FILE_BYTES_COUNT,
    built_in_screws,
    catalogue_document,
    catalogue_schema,
    read_catalogue,
    stocked_length_mm,
)
from segmentation.errors import InputError

SCREWS = built_in_screws()

ISO_5835 = {
    # ISO 5835:1991 / ASTM F543 annex A5: major, core, pitch, head diameter (from memory; 3.5 and 6.5 cores
    # read elsewhere)
    "iso5835-ha-1.5": (1.5, 1.1, 0.50, 3.0),
    "iso5835-ha-2.0": (2.0, 1.3, 0.60, 4.0),
    "iso5835-ha-2.7": (2.7, 1.9, 1.00, 5.0),
    "iso5835-ha-3.5": (3.5, 2.4, 1.25, 6.0),
    "iso5835-ha-4.0": (4.0, 2.9, 1.50, 6.0),
    "iso5835-ha-4.5": (4.5, 3.0, 1.75, 8.0),
    "iso5835-ha-5.0": (5.0, 3.5, 1.75, 8.0),
    "iso5835-hb-4.0": (4.0, 1.9, 1.75, 6.0),
    "iso5835-hb-6.5": (6.5, 3.0, 2.75, 8.0),
    "iso5835-hb-4.0-partial": (4.0, 1.9, 1.75, 6.0),
    "iso5835-hb-6.5-16": (6.5, 3.0, 2.75, 8.0),
    "iso5835-hb-6.5-32": (6.5, 3.0, 2.75, 8.0),
}


@pytest.mark.parametrize("name", ISO_5835)
def test_standard_families_have_the_standard_dimensions(name: str):
    screw = SCREWS[name]
    thread = screw.threads[0]
    assert screw.head is not None
    assert (thread.major_mm, thread.core_mm, thread.pitch_mm, screw.head.diameter_mm) == ISO_5835[name]
    assert (thread.profile, screw.length_datum) == ("asymmetrical", "under_head")


def test_every_standard_family_is_in_the_table_above():
    assert {name for name in SCREWS if name.startswith("iso5835")} == set(ISO_5835)


@pytest.mark.parametrize(
    ("name", "pilot_mm", "gliding_mm"),
    [
        # Common practice; the 3.5, and the 6.5's 3.2 and 4.5, were read.
        ("iso5835-ha-1.5", 1.1, 1.5),
        ("iso5835-ha-2.0", 1.5, 2.0),
        ("iso5835-ha-2.7", 2.0, 2.7),
        ("iso5835-ha-3.5", 2.5, 3.5),
        ("iso5835-ha-4.5", 3.2, 4.5),
        ("iso5835-hb-4.0", 2.5, 4.0),
        ("iso5835-hb-6.5-16", 3.2, 4.5),
        ("iso5835-hb-6.5-32", 3.2, 4.5),
    ],
)
def test_drills(name: str, pilot_mm: float, gliding_mm: float):
    assert (SCREWS[name].pilot_mm, SCREWS[name].gliding_mm) == (pilot_mm, gliding_mm)


def test_headless_screws_go_over_their_guide_wire():
    """Headless 2.2-3.0 mm screws go over 0.8-1.1 mm wires (common practice): a cannula no narrower, no wider
    by much."""
    assert 0.8 < SCREWS["headless-two-pitch-2.2-2.8"].cannula_mm <= 1.2
    assert 0.8 < SCREWS["headless-two-pitch-3.0-3.9"].cannula_mm <= 1.2
    assert sum(screw.headless for screw in SCREWS.values()) == 3


def test_nearest_stocked_length():
    screw = SCREWS["iso5835-hb-6.5-16"]
    assert stocked_length_mm(screw, 42.4) == 40
    assert stocked_length_mm(screw, 42.6) == 45
    assert stocked_length_mm(screw, 42.5) == 40, "of two equally near, the shorter"
    assert stocked_length_mm(screw, 1) == 30
    assert stocked_length_mm(screw, 999) == 120


def write(folder: Path, document: Any) -> Path:
    path = folder / "screws.json"
    path.write_text(document if isinstance(document, str) else json.dumps(document))
    return path


def own(name: str = "iso5835-ha-3.5") -> dict[str, Any]:
    """A catalogue document with one sound screw of another name."""
    return json.loads(json.dumps(catalogue_document([replace(SCREWS[name], name="mine")])))


def test_every_built_in_screw_survives_being_written_and_read(tmp_path: Path):
    renamed = [replace(screw, name=f"my {screw.name}") for screw in SCREWS.values()]
    document = json.loads(json.dumps(catalogue_document(renamed)))
    jsonschema.validate(document, catalogue_schema())
    assert read_catalogue(write(tmp_path, document)) == {screw.name: screw for screw in renamed}


def test_optional_keys_may_be_left_out(tmp_path: Path):
    document = own()
    for key in ("tip_taper_mm", "cannula_mm", "material", "pilot_mm", "gliding_mm"):
        del document["screws"][0][key]
    del document["screws"][0]["threads"][0]["runout_mm"]
    assert read_catalogue(write(tmp_path, document))["mine"].pilot_mm is None


def test_the_documented_example_can_be_read(tmp_path: Path):
    page = (Path(__file__).parent.parent / "viewer" / "docs" / "screws.md").read_text(encoding="utf-8")
    example = page.split("```json\n")[1].split("```")[0]
    assert list(read_catalogue(write(tmp_path, example))) == ["bench cortical 3.5"]


FAULTS = {
    "core above major": ("threads.0.core_mm", 3.6, "core_mm must be below major_mm (got 3.6, 3.5)"),
    "core equal to major": ("threads.0.core_mm", 3.5, "core_mm must be below major_mm"),
    "no pitch": ("threads.0.pitch_mm", 0, "greater than 0 (got 0)"),
    "pitch of a corkscrew": ("threads.0.pitch_mm", 9, "pitch_mm must be at most major_mm"),
    "negative major": ("threads.0.major_mm", -3.5, "greater than 0 (got -3.5)"),
    "text for a number": ("threads.0.major_mm", "3.5", "valid number (got '3.5')"),
    "truth for a number": ("shaft_mm", True, "valid number (got True)"),
    "a number for text": ("name", 7, "valid string (got 7)"),
    "overflowing number": ("shaft_mm", 10**400, "screws[0].shaft_mm"),
    "cannula as wide as the core": ("cannula_mm", 2.4, "cannula_mm must be below core_mm (got 2.4, 2.4)"),
    "negative cannula": ("cannula_mm", -1, "greater than or equal to 0"),
    "head narrower than the thread": (
        "head.diameter_mm",
        3,
        "the head must be wider than what lies under it, 3.5",
    ),
    "unknown head": ("head.shape", "round", "'hemisphere', 'countersunk' or 'locking'"),
    "headed measured from the trailing end": ("length_datum", "trailing_end", "length_datum must be"),
    "headless measured from under the head": (
        "head",
        None,
        "length_datum must be trailing_end without a head",
    ),
    "falling lengths": ("stocked_lengths_mm", [20, 18], "stocked_lengths_mm must rise"),
    "a length twice": ("stocked_lengths_mm", [20, 20], "stocked_lengths_mm must rise"),
    "no length": ("stocked_lengths_mm", [], "at least 1 item"),
    "huge length": ("stocked_lengths_mm", [20, 201], "less than or equal to 200 (got 201)"),
    "a length the threads do not fit": ("stocked_lengths_mm", [4, 20], "at least 4.75 (got 4)"),
    "thread all taper": ("threads.0.length_mm", 4, "length_mm must exceed run-out and taper, 4.75 (got 4)"),
    "pilot as wide as the thread": ("pilot_mm", 3.5, "pilot_mm must be below major_mm"),
    "gliding hole below the shaft": ("gliding_mm", 2, "gliding_mm must let the shaft pass"),
    "empty name": ("name", "", "at least 1 character"),
    "name too long": ("name", "n" * 65, "at most 64 characters"),
    "name with a line break": ("name", "a\nb", "name must be printable"),
    "name with half a character": ("name", "a\ud800", "screws[0].name: input should be a valid string"),
    "name in spaces": ("name", " a ", "name must be printable, without a space at its ends"),
    "built-in name": ("name", "iso5835-ha-3.5", "is a built-in name"),
    "unknown key": ("length", 20, "extra inputs are not permitted (got 20)"),
    "unknown material": ("material", "gold", "'stainless steel' or 'titanium alloy'"),
    "no thread": ("threads", [], "at least 1 item"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_named(tmp_path: Path, fault: str):
    where, value, rule = FAULTS[fault]
    document = own()
    target: Any = document["screws"][0]
    *path, last = where.split(".")
    for step in path:
        target = target[int(step) if step.isdigit() else step]
    target[last] = value
    with pytest.raises(InputError) as told:
        read_catalogue(write(tmp_path, document))
    sentence = str(told.value)
    assert rule in sentence
    assert "screws.json" in sentence
    assert "\n" not in sentence
    assert len(sentence) < 700


def test_two_threads_at_one_end_and_a_full_one_beside_another_are_refused(tmp_path: Path):
    document = own("iso5835-hb-4.0-partial")
    document["screws"][0]["threads"] *= 2
    with pytest.raises(InputError, match="tied to different ends"):
        read_catalogue(write(tmp_path, document))
    document["screws"][0]["threads"][0] = {
        **document["screws"][0]["threads"][0],
        "at": "trailing_end",
        "length_mm": None,
    }
    with pytest.raises(InputError, match="must be the only one"):
        read_catalogue(write(tmp_path, document))


def test_all_faults_come_together_but_not_without_end(tmp_path: Path):
    document = own()
    document["screws"][0].update({"pilot_mm": 3.6, "cannula_mm": 2.5, "stocked_lengths_mm": [30, 20]})
    with pytest.raises(InputError) as told:
        read_catalogue(write(tmp_path, document))
    assert all(key in str(told.value) for key in ("pilot_mm", "cannula_mm", "stocked_lengths_mm"))
    document["screws"] = [{**document["screws"][0], "name": f"s{n}"} for n in range(200)]
    with pytest.raises(InputError, match=r"and \d+ more$"):
        read_catalogue(write(tmp_path, document))


def test_a_name_used_twice_is_refused(tmp_path: Path):
    document = own()
    document["screws"] *= 2
    with pytest.raises(InputError, match="the name 'mine' is used 2 times"):
        read_catalogue(write(tmp_path, document))


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", "not valid JSON"),
        ("{", "not valid JSON"),
        ("[" * 50_000, "nests brackets too deep"),
        ("[" * 50_000 + "]" * 50_000, "nests brackets too deep"),
        ('{"a":' * 50_000 + "1" + "}" * 50_000, "nests brackets too deep"),
        ("[" * 900 + "]" * 900, "cannot be used"),
        ("NaN", "numbers must be finite, got NaN"),
        ("1" * 6000, "not valid JSON"),
        ("[]", "the file: input should be a valid dictionary"),
        ('{"format": "pilothole-screws", "version": 2, "screws": []}', "version: input should be 1 (got 2)"),
        ('{"format": "other", "version": 1, "screws": []}', "format: input should be 'pilothole-screws'"),
        ('{"version": 1, "version": 1}', "the key 'version' stands twice"),
        ("{}", "format: field required; version: field required; screws: field required"),
        (" " * (LARGEST_FILE_BYTES_COUNT + 1), "must not exceed 1000000 bytes"),
    ],
    ids=range(14),
)
def test_files_that_are_no_catalogue(tmp_path: Path, text: str, rule: str):
    with pytest.raises(InputError) as told:
        read_catalogue(write(tmp_path, text))
    assert rule in str(told.value)
    assert len(str(told.value)) < 1500


def test_a_huge_number_is_refused_and_not_turned_infinite(tmp_path: Path):
    text = json.dumps(own()).replace('"shaft_mm": 2.4', '"shaft_mm": 1e999')
    with pytest.raises(InputError, match="shaft_mm"):
        read_catalogue(write(tmp_path, text))


def test_missing_file_folder_and_wrong_encoding(tmp_path: Path):
    with pytest.raises(InputError, match="cannot be read"):
        read_catalogue(tmp_path / "none.json")
    with pytest.raises(InputError, match="cannot be read"):
        read_catalogue(tmp_path)
    (tmp_path / "latin.json").write_bytes(b'{"a": "\xe9"}')
    with pytest.raises(InputError, match="not UTF-8"):
        read_catalogue(tmp_path / "latin.json")
