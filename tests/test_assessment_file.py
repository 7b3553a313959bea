"""assessment.json and screws.csv hold what was measured, under the keys of the contract."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from typing import Any

import jsonschema
import numpy as np
import pytest

from planner.assessment_file import assessment_document, assessment_schema
from planner.catalogue import built_in_screws
from planner.screws_csv import csv_text
from planner.vocabulary import (
    Assessment,
    Clearance,
    ClearanceIntervals,
    CortexEnd,
    Finding,
    FragmentResult,
    Interval,
    Layer,
    PathProfile,
    PlacedScrew,
    Profile1D,
    PulloutErrors,
    ScrewIntervals,
    ScrewResult,
    ThreadHold,
)
from segmentation.files import canonical_json

UNKNOWN = float("nan")


def profile(first_hu: float, *, calibrated: bool = True) -> Profile1D:
    hu = np.array([first_hu, UNKNOWN, 300.0])
    return Profile1D(hu, hu * 0.77 if calibrated else None)


def result(*, calibrated: bool = True) -> ScrewResult:
    density = 231.0 if calibrated else None
    pullout = Interval(410.123456789, 210.0, 790.0) if calibrated else None
    screw = built_in_screws()["iso5835-ha-3.5"]
    return ScrewResult(
        placed=PlacedScrew("S1", screw, 24.0, np.zeros(3), np.array([0.0, 0.0, 30.0]), "lag", 0.5),
        stocked_length_mm=24.0,
        bone_name="tibia",
        bone_length_mm=27.3,
        entry_mm=np.array([1.0, 2.0, 1 / 3]),
        exit_mm=np.array([1.0, 2.0, 27.6]),
        direction=np.array([0.0, 0.0, 1.0]),
        tip_mm=np.array([1.0, 2.0, 24.8]),
        tip_depth_mm=24.5,
        gliding_hole_to_mm=9.1,
        angles_degree={"sagittal": 12.0, "coronal": 3.0, "axial": 77.5},
        fragments=(
            FragmentResult(
                *(1, "tibia", 15.0, 12.0, 9.6, 300.0, density, pullout),
                threads=(ThreadHold(1, 3.5, 2.4, 1.25, 12.0, 3.1 if calibrated else None),),
                pullout_errors=PulloutErrors(0.25, 0.16, 0.03, 0.07, 0.03, 0.05) if calibrated else None,
            ),
            FragmentResult(2, "=malleolus", 11.0, 0.0, 0.0, None, None, None),
        ),
        layers=(Layer("near cortex", 0.0, 2.0, 800.0, None), Layer("cancellous", 2.0, 25.0, 250.0, density)),
        leading_end=Clearance(2.8, 5.0),
        trailing_end=Clearance(None, None),
        body=Clearance(3.25, None),
        profile=PathProfile(
            np.array([-0.25, 0.0, 0.25]),
            np.array([0, 2, 2]),
            profile(-0.0, calibrated=calibrated),
            profile(100.0, calibrated=calibrated),
            profile(120.0, calibrated=calibrated),
        ),
        pullout_n=pullout,
        governed_by=1 if calibrated else None,
        threads_bridging_mm=0.0,
        intervals=ScrewIntervals(
            bone_length_mm=Interval(27.3, 26.9, 27.7),
            body=ClearanceIntervals(Interval(3.25, 2.6, 3.9), None),
        ),
        near_cortex=CortexEnd(1.4, None, 900.0, None),
        far_cortex=CortexEnd(None, 0.9, 420.0, None),
        findings=(Finding("tip-near", "warn", "The tip is near.", 2.8, 3.0, "our choice"),),
        reasons={"clearance_mm.trailing_end.outer": "a headed screw has none"},
    )


def assessment(**changes: Any) -> Assessment:
    return Assessment(
        (result(**changes),),
        {"host": "bone", "calibration": None},
        {"pilothole": "0.1.0", "settings": {"x_mm": 1 / 3}},
        ("For planning discussion, research and teaching; not a medical device.",),
    )


CONTRACT = {
    "": "format version made_with cautions bone screws several_screws",
    "screws.0": (
        "name screw technique length_mm stocked_length_mm seat_depth_mm bone_length_mm entry_mm exit_mm "
        "tip_mm "
        "tip_depth_mm fragments layers clearance_mm profile pullout_n drilling findings reasons"
        " angles_degree gliding_hole_to_mm threads_bridging_mm intervals near_cortex far_cortex fractures"
        " pull_out angular_stability strength torque lag two_pitch resorbable tip_apex site_length doubt"
    ),
    "screws.0.fragments.0": (
        "fragment fragment_name axis_path_mm thread_engagement_mm threads_engaged mean_density_mg_cm3 "
        "mean_hu pullout_n intervals threads pullout_errors"
    ),
    "screws.0.fragments.0.pullout_n": "estimate low high",
    "screws.0.fragments.0.threads.0": "zone major_mm core_mm pitch_mm engagement_mm mean_shear_mpa",
    "screws.0.fragments.0.pullout_errors": (
        "shear_law_fraction density_fraction diameters_fraction form_fraction engaged_length_fraction "
        "ash_fraction"
    ),
    "screws.0.intervals": "bone_length_mm gliding_hole_to_mm clearance_mm",
    "screws.0.intervals.bone_length_mm": "low high",
    "screws.0.intervals.clearance_mm": "leading_end trailing_end body",
    "screws.0.intervals.clearance_mm.body": "outer joint",
    "screws.0.fragments.0.intervals": "axis_path_mm thread_engagement_mm mean_density_mg_cm3",
    "screws.0.near_cortex": "on_axis_mm on_axis_below_mm mass_hu_mm mass_mg_cm2",
    "screws.0.layers.0": "layer from_mm to_mm mean_hu mean_density_mg_cm3 thickness_known",
    "screws.0.clearance_mm": "leading_end trailing_end body",
    "screws.0.clearance_mm.body": "outer joint",
    "screws.0.profile": "depth_mm fragment axis ring sleeve",
    "screws.0.profile.ring": "hu density_mg_cm3",
    "screws.0.pullout_n": "estimate low high governed_by",
    "screws.0.findings.0": "code severity message value limit source",
}
"""Source: the project's design, "Files a user meets", the three keys added there beside angles, and what was
added since: intervals, cortices, fractures, what a pull-out is made of, and mechanics."""


def at(document: Any, place: str) -> Any:
    for step in place.split(".") if place else ():
        document = document[int(step)] if step.isdigit() else document[step]
    return document


@pytest.mark.parametrize("place", CONTRACT)
def test_the_keys_are_those_of_the_contract(place: str) -> None:
    assert set(at(assessment_document(assessment()), place)) == set(CONTRACT[place].split())


@pytest.mark.parametrize("calibrated", [True, False])
def test_the_published_schema_takes_it(calibrated: bool) -> None:
    """Judge: jsonschema, on the bytes as they are written."""
    schema = assessment_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    document = json.loads(canonical_json(assessment_document(assessment(calibrated=calibrated))))
    jsonschema.validate(document, schema)
    del document["screws"][0]["clearance_mm"]["body"]["joint"]
    with pytest.raises(jsonschema.ValidationError, match="joint"):
        jsonschema.validate(document, schema)


def test_values_come_out_as_they_went_in() -> None:
    (screw,) = assessment_document(assessment())["screws"]
    assert (screw["name"], screw["screw"], screw["technique"]) == ("S1", "iso5835-ha-3.5", "lag")
    assert screw["pullout_n"] == {"estimate": 410.123457, "low": 210.0, "high": 790.0, "governed_by": 1}
    assert screw["entry_mm"] == [1.0, 2.0, 0.333333]
    assert screw["fragments"][0]["threads_engaged"] == 9.6
    assert screw["clearance_mm"]["leading_end"] == {"outer": 2.8, "joint": 5.0}
    assert screw["clearance_mm"]["trailing_end"] == {"outer": None, "joint": None}
    assert screw["drilling"] == []
    assert screw["findings"][0]["limit"] == 3.0


def test_what_is_unknown_is_null_and_never_nan_or_zero() -> None:
    (screw,) = assessment_document(assessment())["screws"]
    assert screw["profile"]["ring"]["hu"] == [100.0, None, 300.0]
    assert screw["profile"]["ring"]["density_mg_cm3"] == [77.0, None, 231.0]
    (screw,) = assessment_document(assessment(calibrated=False))["screws"]
    assert screw["profile"]["ring"]["density_mg_cm3"] is None
    assert screw["pullout_n"] is None
    assert screw["fragments"][0]["mean_density_mg_cm3"] is None
    assert b"NaN" not in canonical_json(assessment_document(assessment(calibrated=False)))


def test_a_nan_outside_a_profile_is_a_fault_of_ours() -> None:
    broken = replace(result(), bone_length_mm=UNKNOWN)
    with pytest.raises(ValueError, match="must be None with a reason"):
        assessment_document(replace(assessment(), screws=(broken,)))


def test_a_profile_of_another_kind_than_float_is_written_too() -> None:
    """The fragment lane holds numbers of fragments: whole numbers in the file."""
    (screw,) = assessment_document(assessment())["screws"]
    assert screw["profile"]["fragment"] == [0, 2, 2]
    assert all(isinstance(number, int) for number in screw["profile"]["fragment"])


def test_the_table_has_a_row_per_screw_and_fragment_and_units_in_its_header() -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text(assessment()))))
    assert [row["fragment"] for row in rows] == ["1", "2"]
    assert rows[0]["pullout_low_n"] == "210.0"
    assert (rows[0]["governs"], rows[1]["governs"]) == ("yes", "no")
    assert (rows[1]["mean_hu"], rows[1]["pullout_estimate_n"], rows[1]["thread_engagement_mm"]) == (
        "",
        "",
        "0.0",
    )
    assert rows[0]["findings"] == "warn:tip-near"
    assert "not a medical device" in rows[0]["cautions"]
    words = "name screw technique findings fragment fragment_name threads_engaged governs cautions"
    words += " pull_out_limited_by governed_by pull_out_not_modelled strength_material strength_pilot_fit"
    words += " strength_weakest_stretch strength_at_fracture_stretch strength_fatigue_against"
    words += " angular_stability_locked_yields angular_stability_unlocked_yields"
    words += (
        " torque_insertion_against_limit lag_by lag_sliding lag_faults two_pitch_closes two_pitch_gap_loss"
    )
    words += " two_pitch_ends_buried tip_apex_within_head_limit"
    units = "mm mm2 mm3 mm4 hu n n_m n_per_mm mpa cm3 cm2 degree fraction ratio factor count"
    for column in set(rows[0]) - set(words.split()):
        assert column.endswith(tuple(f"_{unit}" for unit in units.split())), column


def test_a_name_is_no_formula_to_a_spreadsheet() -> None:
    """Common practice: an apostrophe before a cell that begins with =, +, - or @."""
    rows = list(csv.DictReader(io.StringIO(csv_text(assessment()))))
    assert rows[1]["fragment_name"] == "'=malleolus"


def test_same_bytes_twice() -> None:
    first, second = (canonical_json(assessment_document(assessment())) for _ in range(2))
    assert first == second
    assert csv_text(assessment()) == csv_text(assessment())
