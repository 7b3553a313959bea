"""Forgiveness against closed forms, and against ``assess`` asked again and again."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from phantoms import rotation
from search_phantoms import block, bone_of

from planner.assess import ready
from planner.catalogue import built_in_screws
from planner.forgiveness import MOST_MM, forgiveness, limits_hold_fraction
from planner.limits import Limits
from planner.placement import Placement
from planner.search_finalists import measured
from planner.search_kernels import BODY, ROOM
from planner.search_measure import measure_of
from planner.search_screws import screw_table
from planner.search_space import search_space
from planner.vocabulary import PlacedScrew
from segmentation.errors import InputError

TURN = rotation(7)
SCREW = replace(built_in_screws()["iso5835-ha-2.7"], stocked_lengths_mm=(22.0,))
RADIUS_MM = 2.7 / 2
ROOM_MM = 2.0


@pytest.fixture(scope="module")
def made():
    """A screw down a block, ROOM_MM more than the limit from its side, and the loop."""
    bone = ready(
        bone_of([block((-9, -9, -14), (9, 9, 14))], lambda x, *_: 500 + 0 * x, (9.0, 9.0, 14.0), turn=TURN)
    )
    space = search_space(bone.prepared, "bone")
    measure = measure_of(
        bone.prepared,
        space,
        screw_table([SCREW]),
        Limits(),
        np.zeros((0, 7)),
        across_fracture=False,
        safe=False,
    )
    y = 9 - RADIUS_MM - Limits().body_clearance_mm - ROOM_MM
    placed = PlacedScrew("S1", SCREW, 22.0, TURN @ [0.0, y, 14.0], TURN @ [0.0, y, -8.0])
    return bone, measure, placed


def test_aside_it_may_go_until_the_limit(made):
    """Bar: 0.2 mm."""
    _, measure, placed = made
    told = forgiveness(measure, placed)
    assert told.entry_mm == pytest.approx(ROOM_MM, abs=0.2)
    assert told.breaks[0] == BODY
    # Away from the side there is room.
    towards = (
        np.cos(2 * np.pi * np.arange(16) / 16)[:, None] * told.u
        + np.sin(2 * np.pi * np.arange(16) / 16)[:, None] * told.v
    )
    assert told.entry_each_mm[np.argmin(towards @ TURN[:, 1])] == pytest.approx(MOST_MM)


def test_a_turn_may_go_until_assess_says_no(made):
    """Bar: 0.5°."""
    bone, measure, placed = made
    told = forgiveness(measure, placed)
    way = (placed.target_mm - placed.entry_mm) / 22
    last = 0.0
    for turn_degree in np.arange(4.0, 9.0, 0.1):
        turned = way + np.tan(np.radians(turn_degree)) * TURN[:, 1]
        moved = replace(placed, target_mm=placed.entry_mm + 22 * turned / np.linalg.norm(turned))
        if measured(bone, moved, None, Limits()) is None:
            break
        last = turn_degree
    assert 4.5 < last < 8.5
    assert told.direction_degree == pytest.approx(last, abs=0.5)


def test_how_often_a_shaky_hand_breaks_a_limit(made):
    """Bar: 0.02; only one side is near, so the share is a normal distribution's."""
    _, measure, placed = made
    rng = np.random.default_rng(5)
    share, broken = limits_hold_fraction(
        measure, placed, Placement(1.5, 0.0, 0.0, "phantom"), draws_count=4000, rng=rng
    )
    assert share == pytest.approx(NormalDist(0, 1.5).cdf(ROOM_MM), abs=0.02)
    assert broken == BODY


def test_a_shaky_hand_drills_too_deep_too(made):
    """Bar: 0.02; along the axis only depth matters: the tip has 6 mm to the far side and may come through it
    by so much."""
    _, measure, placed = made
    rng = np.random.default_rng(5)
    share, broken = limits_hold_fraction(
        measure, placed, Placement(0.0, 0.0, 6.0, "phantom"), draws_count=4000, rng=rng
    )
    assert share == pytest.approx(NormalDist(0, 6).cdf(6 + Limits().tip_through_far_cortex_mm), abs=0.02)
    assert broken == ROOM


def test_a_screw_that_breaks_a_limit_forgives_nothing(made):
    _, measure, placed = made
    beyond = TURN @ [0.0, ROOM_MM + 0.4, 0.0]
    told = forgiveness(
        measure, replace(placed, entry_mm=placed.entry_mm + beyond, target_mm=placed.target_mm + beyond)
    )
    assert told.entry_mm == told.direction_degree == 0
    with pytest.raises(InputError, match="not among those looked at"):
        forgiveness(measure, replace(placed, length_mm=24.0))
