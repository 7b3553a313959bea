"""plan.json is read strictly, every fault is named with its place, and what is written reads back."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from tiny_scan import PLAN

from planner.catalogue import built_in_screws
from planner.plan_file import plan_document, plan_of, plan_schema, read_plan
from segmentation.errors import InputError
from segmentation.files import canonical_json

SCREWS = built_in_screws()

STEADY = settings(deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
"""The same examples each time, on a busy machine too."""


CONTRACT = """{"format": "pilothole-plan", "version": 1, "frame": "RAS-mm", "pose": "reduced",
 "screws": [{"name": "S1", "screw": "iso5835-ha-3.5", "length_mm": 24.0,
   "entry_mm": [12.1, -3.0, 40.2], "target_mm": [30.0, -1.5, 52.7],
   "technique": "lag", "seat_depth_mm": 0.0}]}"""
"""The example of the project's design document."""


def test_the_example_of_the_contract_is_read(tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(CONTRACT)
    plan = read_plan(tmp_path / "plan.json", SCREWS)
    (placed,) = plan.screws
    assert (placed.name, placed.screw, placed.length_mm) == ("S1", SCREWS["iso5835-ha-3.5"], 24.0)
    assert (placed.technique, placed.seat_depth_mm, plan.pose) == ("lag", 0.0, "reduced")
    np.testing.assert_array_equal(placed.entry_mm, [12.1, -3.0, 40.2])
    np.testing.assert_array_equal(placed.target_mm, [30.0, -1.5, 52.7])
    assert plan_document(plan) == json.loads(CONTRACT)


def test_what_may_be_left_out_has_the_value_of_the_contract() -> None:
    plan = plan_of(PLAN, SCREWS)
    assert (plan.pose, plan.screws[0].technique, plan.screws[0].seat_depth_mm) == ("reduced", "position", 0.0)


coordinates = st.lists(st.floats(-900, 900).map(lambda x: x + 0.0), min_size=3, max_size=3)


@STEADY
@given(coordinates, coordinates, st.floats(10, 110), st.floats(-5, 20), st.sampled_from(["position", "lag"]))
def test_a_plan_written_and_read_is_the_same(
    entry_mm: list[float], target_mm: list[float], length_mm: float, seat_mm: float, technique: str
) -> None:
    document = copy.deepcopy(PLAN)
    document["screws"][0].update(
        entry_mm=entry_mm,
        target_mm=target_mm,
        length_mm=length_mm,
        seat_depth_mm=seat_mm,
        technique=technique,
    )
    assume(math.dist(entry_mm, target_mm) >= 1)
    written = plan_document(plan_of(document, SCREWS))
    assert plan_document(plan_of(json.loads(canonical_json(written)), SCREWS)) == written
    assert written["screws"][0] == document["screws"][0]


def first(**values: Any) -> Callable[[dict[str, Any]], None]:
    return lambda plan: plan["screws"][0].update(values)


def whole(**values: Any) -> Callable[[dict[str, Any]], None]:
    return lambda plan: plan.update(values)


FAULTS: dict[str, tuple[Callable[[dict[str, Any]], Any], str]] = {
    "format": (whole(format="plan"), "format must be 'pilothole-plan'"),
    "version": (whole(version=2), r"version must be 1 \(got 2\)"),
    "version true": (whole(version=True), "version must be 1"),
    "frame": (whole(frame="LPS-mm"), "frame must be 'RAS-mm'"),
    "pose": (whole(pose="lying"), "pose must be 'reduced' or 'as-scanned'"),
    "key missing": (lambda plan: plan.pop("frame"), "the key 'frame' is missing"),
    "key misspelt": (first(lenght_mm=3.0), r"'S1': unknown key 'lenght_mm' \(did you mean 'length_mm'\?\)"),
    "key far off": (first(colour="red"), "unknown key 'colour' \\(known: 'name', 'screw'"),
    "top key misspelt": (whole(screw=[]), r"unknown key 'screw' \(did you mean 'screws'\?\)"),
    "no screw": (whole(screws=[]), "screws must hold at least 1 values"),
    "screws an object": (whole(screws={}), r"screws must be a list in \[ \]"),
    "screw a text": (whole(screws=["S1"]), r"screw 1: must be an object in \{ \}"),
    "unknown screw": (first(screw="iso5835-ha-35"), "unknown screw.*did you mean 'iso5835-ha-3.5'"),
    "unknown technique": (first(technique="lagg"), "technique must be 'position', 'lag' or 'locking'"),
    "nan": (first(length_mm=math.nan), "length_mm must be a finite number"),
    "infinite": (first(entry_mm=[0.0, math.inf, 0.0]), r"entry_mm\[1\] must be a finite number"),
    "negative": (first(length_mm=-3.0), "length_mm must be at least 1"),
    "huge": (first(length_mm=1e9), "length_mm must be at most 200"),
    "too short for its tip": (first(length_mm=2.0), "length_mm 2 does not suit it"),
    "entry is target": (first(target_mm=[-10.0, 0.0, 0.0]), "at least 1 mm apart"),
    "two coordinates": (first(entry_mm=[1.0, 2.0]), r"entry_mm must hold at least 3 values \(got 2\)"),
    "four coordinates": (first(entry_mm=[1.0, 2.0, 3.0, 4.0]), "entry_mm must hold at most 3 values"),
    "text for a number": (first(length_mm="24"), r"length_mm must be a number \(got '24'\)"),
    "true for a number": (first(length_mm=True), "length_mm must be a number"),
    "null": (first(length_mm=None), "length_mm must be a number"),
    "far away": (first(entry_mm=[1e7, 0.0, 0.0]), r"entry_mm\[0\] must be at most 10000"),
    "name empty": (first(name=""), "name must have 1 to 64 printable characters"),
    "name long": (first(name="x" * 65), "name must have 1 to 64"),
    "name a path": (first(name="../../S1"), "name must not contain /"),
    "name of lines": (first(name="a\nb"), "printable"),
    "name half a letter": (first(name="\ud800"), "printable"),
    "name a number": (first(name=1), "name must be text"),
    "name twice": (lambda plan: plan["screws"].append(plan["screws"][0]), "'S1' is used more than once"),
    "lag without a head": (
        first(screw="headless-two-pitch-3.0-3.9", technique="lag", length_mm=20.0),
        "technique 'lag' needs a head",
    ),
    "locking without a locking head": (first(technique="locking"), "technique 'locking' needs a screw with"),
    "seat": (first(seat_depth_mm=-100.0), "seat_depth_mm must be at least -30"),
}


@pytest.mark.parametrize("what", FAULTS)
def test_a_fault_is_refused_and_named(what: str) -> None:
    change, message = FAULTS[what]
    plan = copy.deepcopy(PLAN)
    change(plan)
    with pytest.raises(InputError, match=message) as error:
        plan_of(plan, SCREWS, "'plan.json'")
    assert str(error.value).isprintable()
    assert str(error.value).startswith("'plan.json': ")


@pytest.mark.parametrize("document", [[], "text", 3, None, [PLAN]])
def test_what_is_no_object_is_refused(document: Any) -> None:
    with pytest.raises(InputError, match="must be an object"):
        plan_of(document, SCREWS)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
plan_keys = st.sampled_from(["format", "version", "frame", "pose", "screws", "length", ""])
screw_keys = st.sampled_from([*PLAN["screws"][0], "seat_depth_mm", "depth"])


@STEADY
@given(
    st.dictionaries(plan_keys, json_values, max_size=2), st.dictionaries(screw_keys, json_values, max_size=3)
)
def test_whatever_a_file_holds_it_is_read_or_refused_in_one_line(
    top: dict[str, Any], inner: dict[str, Any]
) -> None:
    plan = {**copy.deepcopy(PLAN), **top}
    if plan["screws"] == PLAN["screws"]:
        plan["screws"][0].update(inner)
    told = None
    try:
        written = plan_document(plan_of(plan, SCREWS))
    except InputError as error:
        told = str(error)
    if told is None:
        jsonschema.validate(written, plan_schema())
    else:
        assert told.isprintable()
        assert len(told) < 3000


def test_all_faults_are_told_together() -> None:
    plan = copy.deepcopy(PLAN)
    plan["screws"].append({**PLAN["screws"][0], "name": "S2", "length_mm": -1.0, "technik": "lag"})
    plan["screws"][0]["entry_mm"] = [0.0]
    plan["version"] = 9
    with pytest.raises(InputError) as error:
        plan_of(plan, SCREWS)
    for told in ("'S2': length_mm", "'technik'", "'S1': entry_mm", "version"):
        assert told in str(error.value)


def test_a_misspelt_key_is_not_told_as_missing_too() -> None:
    plan = copy.deepcopy(PLAN)
    plan["screws"][0]["lenght_mm"] = plan["screws"][0].pop("length_mm")
    with pytest.raises(InputError) as error:
        plan_of(plan, SCREWS)
    assert "missing" not in str(error.value)


def test_many_faults_stay_readable() -> None:
    plan = copy.deepcopy(PLAN)
    plan["screws"] = [{**PLAN["screws"][0], "name": f"S{i}", "length_mm": -1.0} for i in range(50)]
    with pytest.raises(InputError, match="and 42 more"):
        plan_of(plan, SCREWS)


def test_the_published_schema_takes_and_refuses_alike() -> None:
    """Judge: jsonschema. What JSON Schema cannot tell is listed."""
    schema = plan_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    judge = jsonschema.Draft202012Validator(schema)
    judge.validate(json.loads(CONTRACT))
    judge.validate(PLAN)
    beyond = {
        "unknown screw",
        "nan",
        "entry is target",
        "name twice",
        "name of lines",
        "name half a letter",
        "lag without a head",
        "locking without a locking head",
        "too short for its tip",
    }
    for what, (change, _) in FAULTS.items():
        plan = copy.deepcopy(PLAN)
        change(plan)
        if what != "infinite":
            assert judge.is_valid(plan) == (what in beyond), what
