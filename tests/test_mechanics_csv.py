"""Mechanics in screws.csv and a comparison's table: every number of assessment.json, under its path."""

from __future__ import annotations

import csv
import io
from functools import cache
from typing import Any

import numpy as np
import pytest
from told_columns import mechanics_told, same
from two_slabs import two_slabs

from planner.asked import Asked
from planner.assess import ReadyBone, assess_screws, ready
from planner.assessment_file import assessment_document
from planner.catalogue import built_in_screws
from planner.compare import Wanted, compare
from planner.compare_file import compare_csv
from planner.demands import Demands
from planner.doubt_vocabulary import AskedDoubt
from planner.mechanics_csv import mechanics_columns
from planner.screws_csv import csv_text
from planner.vocabulary import Assessment, PlacedScrew, Plan


def through(name: str, screw: str, length_mm: float, x_mm: float, **how: Any) -> PlacedScrew:
    ends = (np.array([x_mm, -0.3, -13.0]), np.array([x_mm, -0.3, 13.0]))
    return PlacedScrew(name, built_in_screws()[screw], length_mm, *ends, **how)


@cache
def bone() -> ReadyBone:
    return ready(two_slabs())


@cache
def plan() -> Plan:
    headless = next(one.name for one in built_in_screws().values() if one.headless and len(one.threads) == 2)
    locking = next(one.name for one in built_in_screws().values() if one.head and one.head.shape == "locking")
    return Plan(
        (
            through("lag", "iso5835-ha-3.5", 22.0, -4.0, technique="lag", seat_depth_mm=1.0),
            through("headless", headless, 22.0, 4.0, technique="position", seat_depth_mm=0.5),
            through("plate", locking, 22.0, 0.0, technique="locking", seat_depth_mm=-1.0),
        )
    )


@cache
def assessment() -> Assessment:
    return assess_screws(bone(), plan(), demands=Demands(100.0, 10.0, 40.0, 0.3, 12))


def test_every_number_of_the_document_is_in_the_table() -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text(assessment()))))
    seen: set[str] = set()
    for screw in assessment_document(assessment())["screws"]:
        for row in (row for row in rows if row["name"] == screw["name"]):
            for column, value in mechanics_told(screw):
                seen.add(column)
                assert same(row[column], value), (column, row[column], value)
            factors = {one["name"].split()[0]: one for one in screw["pull_out"]["factors"]}
            assert row["pull_out_pilot_low_factor"] == str(factors["pilot"]["low"])
            assert row["pull_out_tapping_factor"] == ""
            assert row["pull_out_not_modelled"].split("; ") == [
                one["name"] for one in screw["pull_out"]["factors"] if one["factor"] is None
            ]
            assert row["governed_by"] == str(screw["pullout_n"]["governed_by"])
    bare = {name for name in mechanics_columns() if not name.startswith(("governed_by", "tip_apex"))}
    factors = {name for name in bare if name.endswith("_factor") and name.startswith("pull_out")}
    assert bare - factors - {"pull_out_not_modelled"} <= seen
    assert seen <= set(rows[0])


def test_what_a_screw_has_not_is_empty() -> None:
    lag, headless, plate = (
        next(row for row in csv.DictReader(io.StringIO(csv_text(assessment()))) if row["name"] == name)
        for name in ("lag", "headless", "plate")
    )
    assert (lag["two_pitch_travel_mm"], lag["two_pitch_closes"], lag["tip_apex_distance_mm"]) == ("", "", "")
    assert headless["two_pitch_closes"] in ("yes", "no")
    assert (headless["angular_stability_yield_ratio"], plate["lag_by"]) == ("", "")
    assert float(plate["angular_stability_yield_ratio"]) > 1


def test_the_columns_that_were_there_keep_their_names_and_order() -> None:
    """Reference: the header before the mechanics came, and the first of them."""
    header = csv_text(assessment()).splitlines()[0].split(",")
    first = header.index(mechanics_columns()[0])
    assert header[:6] == ["name", "screw", "technique", "length_mm", "stocked_length_mm", "seat_depth_mm"]
    assert header[first - 4 : first] == [
        "pull_out_force_n",
        "pull_out_force_low_n",
        "pull_out_force_high_n",
        "pull_out_limited_by",
    ]
    assert first == 69
    assert (header[69], header[98], header[99]) == (
        "strength_bending_yield_moment_n_m",
        "two_pitch_force_retained_high_n",
        "strength_weakest_stretch",
    )
    assert header[116:119] == ["two_pitch_closes", "two_pitch_ends_buried", "governed_by"]
    assert header[first:] == mechanics_columns()
    assert len(set(header)) == len(header)


def test_a_comparison_has_the_mechanics_that_it_does_not_draw() -> None:
    wanted = Wanted(lengths_mm=(20.0, 2.0), path="headless")
    asked = Asked(doubt=AskedDoubt("guided", 100, 3))
    comparison = compare(bone(), plan(), built_in_screws(), wanted, asked)
    table = compare_csv(comparison)
    header = table.splitlines()[0].split(",")
    good, bad = csv.DictReader(io.StringIO(table))
    assert len(set(header)) == len(header)
    assert header.index("cautions") < header.index("two_pitch_turns_both_count")
    assert header[-1] == "gap_closes_fraction"
    two_pitch = comparison.rows[0].result.two_pitch
    assert float(good["two_pitch_travel_estimate_mm"]) == pytest.approx(two_pitch.travel_mm, abs=1e-6)
    assert float(good["two_pitch_turns_both_count"]) == pytest.approx(two_pitch.turns_both_count, abs=1e-6)
    assert float(good["two_pitch_force_now_low_n"]) == pytest.approx(two_pitch.force_now_n.low, abs=1e-6)
    assert float(good["strength_weakest_area_mm2"]) > 0
    # Drawn numbers keep the columns of the draws, and no others.
    assert good["torque_stripping_estimate_n_m"]
    assert not {"torque_stripping_n_m", "two_pitch_travel_mm"} & set(header)
    doubt = comparison.rows[0].result.doubt
    assert float(good["gap_closes_fraction"]) == doubt.gap_closes_fraction > 0
    assert bad["fault"]
    assert (
        bad["two_pitch_turns_both_count"]
        == bad["gap_closes_fraction"]
        == bad["strength_weakest_area_mm2"]
        == ""
    )
