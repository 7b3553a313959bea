"""The gap that two pitches close, over the draws: against moved screws measured to the end, and by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from phantoms import placed
from two_slabs import ENTRY_MM, TARGET_MM, TILTED_MM, two_slabs

from planner.assess import ReadyBone, assess_screws, ready
from planner.doubt import _rows, doubt_of
from planner.doubt_draws import Draws, draws_of
from planner.doubt_gap import gap_closes_fraction, gap_values
from planner.doubt_grid import Surroundings, surroundings
from planner.doubt_numbers import Key, Values, numbers_of
from planner.doubt_vocabulary import AskedDoubt, DoubtSource
from planner.limits import Limits
from planner.path import Path, trace
from planner.placement import PLACEMENTS
from planner.vocabulary import PlacedScrew, Plan, ScrewResult
from segmentation.vocabulary import Floats
from viewer.mechanics_summary import mechanics_lines

SCREW = "headless-two-pitch-3.0-3.9"
ALONG, ACROSS, TRAVEL = (f"two_pitch.{name}" for name in ("gap_along_axis_mm", "gap_mm", "travel_mm"))


@cache
def slabs() -> ReadyBone:
    return ready(two_slabs())


def through(target_mm: Floats = TILTED_MM, length_mm: float = 22.0) -> PlacedScrew:
    return placed(ENTRY_MM, target_mm, SCREW, length_mm, seat_depth_mm=1.0)


def measured(screw: PlacedScrew) -> ScrewResult:
    return assess_screws(slabs(), Plan((screw,))).screws[0]


def over_the_draws(
    *only: DoubtSource, screw: PlacedScrew, count: int = 400
) -> tuple[Path, ScrewResult, Draws, Surroundings, dict[Key, Values]]:
    bone, path, result = slabs(), trace(slabs().prepared, screw), measured(screw)
    own, way = bone.prepared.bone, PLACEMENTS["guided"]
    draws = draws_of(way, count, 2, only=only)
    around = surroundings(bone.prepared, path, draws.placed, way, has_no_data=False)
    planned = _rows(own, around, draws_of(way, 1, 1, only=()))[0]
    rows = _rows(own, around, draws)
    found = numbers_of(own, path, result, around.fragments, planned, rows, draws)
    gap = gap_values(own, path, result, found, planned, rows, draws, around.fragments, around.errors)
    return path, result, draws, around, gap


def moved(path: Path, draws: Draws, n: int) -> PlacedScrew:
    """The screw where one draw puts it."""
    angle = np.linalg.norm(draws.placed.tilt_radian[n])
    across = np.stack([path.u, path.v])
    towards = draws.placed.tilt_radian[n] / angle @ across
    direction = np.cos(angle) * path.direction + np.sin(angle) * towards
    entry = path.entry_mm + draws.placed.shift_mm[n] @ across
    seat_mm = path.placed.seat_depth_mm + draws.placed.depth_mm[n]
    return replace(
        path.placed, entry_mm=entry, target_mm=entry + 20 * direction, seat_depth_mm=float(seat_mm)
    )


@pytest.mark.parametrize("target_mm", [TARGET_MM, TILTED_MM])
def test_nothing_drawn_is_the_planned_screw(target_mm: Floats) -> None:
    _, result, _, _, gap = over_the_draws(screw=through(target_mm), count=3)
    assert result.two_pitch is not None
    for name, values in gap.items():
        assert values.drawn == pytest.approx(values.estimate, abs=1e-6), name
    assert gap[TRAVEL, None].estimate == result.two_pitch.travel_mm > 0.3


def test_a_moved_screw_closes_what_it_closes_when_it_is_measured_there() -> None:
    """The whole measurement anew where ten hands put the screw."""
    path, _, draws, _, gap = over_the_draws("placement", screw=through())
    moves = 0.0
    for n in range(10):
        there = measured(moved(path, draws, n)).two_pitch
        assert there is not None
        assert gap[TRAVEL, None].drawn[n] == pytest.approx(there.travel_mm, abs=0.05)
        assert gap[ALONG, None].drawn[n] == pytest.approx(there.gap_along_axis_mm, abs=0.05)
        moves = max(moves, abs(there.travel_mm - gap[TRAVEL, None].estimate))
    assert moves > 0.2


def test_faces_drawn_farther_out_narrow_the_gap() -> None:
    """Square through: a gap of two faces, each out by its own deviation; by hand from the same draws."""
    _, result, draws, around, gap = over_the_draws("surface", screw=through(TARGET_MM))
    errors, middle_mm = around.errors, result.fractures[0].depth_mm
    place = (middle_mm - errors.first_mm) / errors.knot_mm
    knot, share = int(place), place - int(place)
    drawn = draws.surface[:, knot] * (1 - share) + draws.surface[:, knot + 1] * share
    sd_mm = [float(one[knot] * (1 - share) + one[knot + 1] * share) for one in errors.fragments_mm]
    by_hand = np.maximum(gap[ACROSS, None].estimate - sum(sd_mm) * drawn, 0.0)
    assert gap[ACROSS, None].drawn == pytest.approx(by_hand, abs=1e-6)
    assert np.ptp(by_hand) > 0.5


def test_law_and_friction_close_no_gap() -> None:
    *_, gap = over_the_draws("law", "friction", "geometry", "calibration", screw=through(), count=50)
    for values in gap.values():
        assert np.ptp(values.drawn) == pytest.approx(0.0, abs=1e-9)


def test_the_share_that_closes_and_what_is_not_told() -> None:
    gap = {
        (TRAVEL, None): Values(1.0, np.array([1.0, 0.5, 0.0, np.nan])),
        (ALONG, None): Values(1.0, np.array([0.8, 0.6, 0.0, np.nan])),
    }
    assert gap_closes_fraction(gap) == 0.25
    assert gap_closes_fraction({}) is None
    headed = placed(ENTRY_MM, TILTED_MM, "iso5835-ha-3.5", 22.0)
    assert over_the_draws(screw=headed, count=2)[-1] == {}


def test_the_doubt_tells_the_gap_its_limit_and_how_often_it_closes() -> None:
    """A longer screw's leading thread is farther from the fracture: it closes more, in more of the draws."""
    told = []
    for length_mm in (20.0, 24.0):
        screw = through(length_mm=length_mm)
        asked = AskedDoubt("guided", 400, 3)
        path = trace(slabs().prepared, screw)
        doubt = doubt_of(slabs(), path, measured(screw), asked, Limits(two_pitch_gap_mm=1.5))
        (limit,) = (one for one in doubt.limits if one.limit == "two_pitch_gap_mm")
        assert limit.asked == 1.5
        assert 0 < limit.holds_fraction < 1
        assert {ALONG, ACROSS, TRAVEL} <= {one.number for one in doubt.numbers}
        assert doubt.gap_closes_fraction is not None
        said = f"close the gap in {doubt.gap_closes_fraction:.0%} of the draws"
        assert said in "\n".join(mechanics_lines(replace(measured(screw), doubt=doubt)))
        told.append(doubt.gap_closes_fraction)
    assert told[0] < told[1]
