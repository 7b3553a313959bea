"""``pilothole search``: text, JSON and a plan that ``measure`` reads; its cache and its refusals."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tiny_scan import ball_hu, write_nifti, write_plan

from planner.search_space import bone_to_search
from segmentation.case import FIELDS
from segmentation.errors import InputError
from viewer.command_line import run

SCREW = ["--screw", "iso5835-ha-2.7", "--approach", "1,0,0,5"]


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case with a ball of bone."""
    folder = tmp_path_factory.mktemp("searched")
    write_nifti(folder / "ct.nii.gz", ball_hu())
    options = ["--threshold", "250", "--calibration", "0.77,-3"]
    assert run(["segment", str(folder / "ct.nii.gz"), "--out", str(folder / "case"), *options]) == 0
    return folder / "case"


def test_the_document_is_as_published_and_its_plan_measures_the_same(case, tmp_path, capsys):
    out, plan = tmp_path / "found.json", tmp_path / "plan.json"
    assert run(["search", str(case), *SCREW, "--count", "3", "--json", str(out), "--plan", str(plan)]) == 0
    assert "not a medical device" in " ".join(capsys.readouterr().out.split())
    found = json.loads(out.read_text())
    assert (found["format"], found["version"]) == ("pilothole-search", 1)
    assert 0 < found["feasible_count"] < found["evaluated_count"]
    assert found["search_s"] > 0
    assert 1 <= len(found["candidates"]) <= 3
    for one in found["candidates"]:
        assert {"screw", "length_mm", "entry_mm", "target_mm", "seat_depth_mm", "criteria", "reason"} <= set(
            one
        )
        assert one["reason"].endswith(".")
    holds = [one["criteria"]["governing_hold_n"] for one in found["candidates"]]
    assert holds[0] >= max(holds) * 0.99
    assert sum(found["excluded_fraction"].values()) == pytest.approx(
        1 - found["feasible_count"] / found["evaluated_count"]
    )
    assert run(["measure", str(case), "--plan", str(plan), "--json", str(tmp_path / "measured.json")]) == 0
    measured = json.loads((tmp_path / "measured.json").read_text())["screws"][0]
    best = found["candidates"][0]
    assert measured["pullout_n"]["estimate"] == best["criteria"]["governing_hold_n"]
    assert measured["bone_length_mm"] == best["criteria"]["bone_length_mm"]
    assert measured["clearance_mm"]["body"]["outer"] == best["criteria"]["body_clearance_mm"]
    assert best["criteria"]["length_mm"] == measured["length_mm"]


def test_the_cache_is_used_and_made_anew_when_the_case_changes(case, capsys):
    command = ["search", str(case), *SCREW, "--json", "-"]

    def answer():
        assert run(command) == 0
        found = json.loads(capsys.readouterr().out)
        return {key: value for key, value in found.items() if key != "search_s"}

    first = answer()
    cache = case / FIELDS
    before = cache.stat().st_mtime_ns
    assert answer() == first
    assert cache.stat().st_mtime_ns == before
    # What belongs to another case is made anew, and nothing depends on it.
    with np.load(cache) as file:
        other = {name: file[name] for name in file.files}
    np.savez(cache, **{**other, "digest": np.array("0" * 64), "outer": other["outer"] * 0})
    assert answer() == first
    assert cache.stat().st_mtime_ns != before


def test_what_is_no_cache_is_made_anew(case, capsys):
    (case / FIELDS).write_bytes(b"no cache")
    assert run(["search", str(case), *SCREW, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["candidates"]
    with np.load(case / FIELDS) as file:
        assert "outer" in file.files


def test_a_screw_that_stays_is_kept_clear_of(case, tmp_path):
    kept, out, both = tmp_path / "kept.json", tmp_path / "found.json", tmp_path / "both.json"
    write_plan(kept)
    command = ["search", str(case), *SCREW, "--keep", str(kept), "--json", str(out), "--plan", str(both)]
    assert run(command) == 0
    found = json.loads(out.read_text())
    assert found["candidates"]
    assert [one["name"] for one in json.loads(both.read_text())["screws"]] == ["S1", "S2"]
    assert run(["measure", str(case), "--plan", str(both), "--json", str(tmp_path / "m.json")]) == 0
    for screw in json.loads((tmp_path / "m.json").read_text())["screws"]:
        assert not {"screws-close", "screws-collide"} & {finding["code"] for finding in screw["findings"]}


def test_two_together_are_told_and_planned_as_measured(case, tmp_path, capsys):
    out, plan = tmp_path / "found.json", tmp_path / "plan.json"
    command = ["search", str(case), *SCREW, "--count", "2", "--together", "2", "--parallel", "8"]
    assert run([*command, "--json", str(out), "--plan", str(plan)]) == 0
    assert "the weakest screw holds" in capsys.readouterr().out
    found = json.loads(out.read_text())
    assert (found["version"], found["sets_ranked_by"]) == (1, "weakest_hold_n")
    assert found["candidates"]
    assert found["sets_judged_count"] > 100
    best = found["sets"][0]
    assert best["criteria"]["spread_mm"] is None
    assert {"criteria.spread_mm", "drilling_order"} <= set(best["reasons"])
    assert run(["measure", str(case), "--plan", str(plan), "--json", str(tmp_path / "m.json")]) == 0
    measured = json.loads((tmp_path / "m.json").read_text())
    holds = [screw["pullout_n"]["estimate"] for screw in measured["screws"]]
    assert holds == [screw["criteria"]["governing_hold_n"] for screw in best["screws"]]
    assert min(holds) == best["criteria"]["weakest_hold_n"]
    pair = measured["several_screws"]["pairs"][0]
    assert pair["gap_mm"] == best["criteria"]["least_gap_mm"] >= 1
    assert pair["angle_degree"] == best["criteria"]["largest_angle_degree"] <= 8
    assert [screw["name"] for screw in best["screws"]] == [screw["name"] for screw in measured["screws"]]


def test_where_nothing_fits_it_says_what_excludes_and_writes_no_plan(case, tmp_path, capsys, monkeypatch):
    # How much closer it looks before it says so is not what is held here.
    monkeypatch.setattr("planner.search.CLOSER_FACTOR", 0.9)
    plan = tmp_path / "plan.json"
    assert run(["search", str(case), "--screw", "cannulated-7.0-32", "--plan", str(plan)]) == 0
    told = capsys.readouterr()
    assert "Nothing keeps every limit" in told.out
    assert "Nearest: cannulated-7.0-32" in told.out
    assert "was not written" in told.err
    assert not plan.exists()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--site", "moon"], "moon"),
        (["--screw", "iso5835-ha-9"], "unknown screw 'iso5835-ha-9'"),
        (["--count", "0"], "--count must be 1 to 50"),
        (["--bone", "femur"], "there is no bone 'femur'"),
        (["--approach", "0,0,0,20"], "--approach must be a direction and an angle"),
        (["--from", "7"], "7"),
        (["--keep", "nowhere.json"], "nowhere.json"),
        (["--together", "4"], "--together must be 2 or 3"),
        (["--parallel", "5"], "add --together"),
        (["--together", "2", "--parallel", "0"], "--parallel must be above 0"),
    ],
)
def test_bad_input_gets_a_sentence(case, options, sentence, capsys):
    assert run(["search", str(case), *options]) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert told.count("\n") == 1


def test_no_case_is_told(tmp_path, capsys):
    assert run(["search", str(tmp_path / "none")]) == 2
    assert "does not exist" in capsys.readouterr().err


def test_the_bone_is_the_plan_s_or_a_named_one_and_never_a_guess() -> None:
    """Of several bones: as asked, as planned, as a person named it; of unnamed ones none is chosen."""

    def bones(*names: str) -> Any:
        fragments = [
            SimpleNamespace(bone=name, volume_mm3=float(10 * n)) for n, name in enumerate(names, start=1)
        ]
        return SimpleNamespace(bone=SimpleNamespace(fragments=fragments))

    several = bones("bone 1", "bone 1", "scaphoid", "lunate", "lunate")
    assert bone_to_search(several) == "lunate"
    assert bone_to_search(several, planned="scaphoid") == "scaphoid"
    assert bone_to_search(several, "bone 1", "scaphoid") == "bone 1"
    assert bone_to_search(bones("bone 1", "bone 1")) == "bone 1"
    with pytest.raises(InputError, match="which bone\\? There are bone 1, bone 2"):
        bone_to_search(bones("bone 1", "bone 1", "bone 2"))
