"""The entry map against closed forms: a slab with a dense seam and a joint along one side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from phantoms import rotation
from search_phantoms import block, bone_of

from planner.assess import ready
from planner.catalogue import built_in_screws
from planner.entry_map import BARE, NEAR_JOINT, NOTHING, REACHED, best_of_entries, entry_map, over_surface
from planner.limits import Limits
from planner.search_line_kernels import ROOM_COUNTS_MM, ROOM_WORTH_FRACTION
from planner.search_lines import Approach, Entries
from planner.search_measure import measure_of
from planner.search_screws import screw_table
from planner.search_space import search_space
from planner.vocabulary import PlacedScrew, Plan
from segmentation.errors import InputError
from segmentation.vocabulary import Surface

TURN = rotation(7)
SCREW = replace(built_in_screws()["iso5835-ha-2.7"], stocked_lengths_mm=(14.0, 18.0, 22.0))
RADIUS_MM = 2.7 / 2
SEAM_MM, SPACING_MM, TURN_DEGREE = -2.0, 2.0, 12.0
DOWN = Approach(-TURN[:, 2], 20.0)
LIMITS = Limits()
PLAIN = {"spacing_mm": SPACING_MM, "turn_degree": TURN_DEGREE, "approach": DOWN, "finest_degree": np.inf}


def seamed(*, calibrated=True):
    """A block whose bone is dense in a seam across y, with a joint along the side y = 9."""

    def hu(x, y, z):
        return 200 + 600 * np.exp(-(((y - SEAM_MM) / 3) ** 2)) + 0 * z

    corners = np.array([[-10.0, 9, -15], [10, 9, -15], [10, 9, 15], [-10, 9, 15]])
    joint = Surface(corners, np.array([[0, 2, 1], [0, 3, 2]]))
    inside = block((-9, -9, -14), (9, 9, 14))
    return ready(bone_of([inside], hu, (9.0, 9.0, 14.0), turn=TURN, joint=joint, calibrated=calibrated))


def mapped(bone, space, **asked):
    return entry_map(
        bone,
        space,
        [SCREW],
        **{**PLAIN, **asked},
    )


@pytest.fixture(scope="module")
def slab():
    bone = seamed()
    space = search_space(bone.prepared, "bone")
    return bone, space, mapped(bone, space)


def test_the_best_entry_lies_in_the_dense_seam(slab):
    _, _, told = slab
    own = told.at.points_mm @ TURN
    best = own[told.top]
    assert best[2] > 13.5
    assert abs(best[1] - SEAM_MM) < SPACING_MM
    # Hold falls with the distance from the seam, on a line across it far from every side.
    across = (own[:, 2] > 13.5) & (np.abs(own[:, 0]) < 4) & (np.abs(own[:, 1]) < 5)
    away_mm, value = np.abs(own[across, 1] - SEAM_MM), told.best.value[across]
    assert len(value) > 8
    assert value[away_mm < 1.5].min() > value[away_mm > 4].max()


def test_a_screw_fits_where_there_is_room_and_nowhere_else(slab):
    """Downwards within 20° only the top leads in, and the sides leave what the body's limit leaves."""
    _, _, told = slab
    own = told.at.points_mm @ TURN
    top = own[:, 2] > 13.5
    room = (np.abs(own[:, :2]) < 9 - RADIUS_MM - LIMITS.body_clearance_mm - 0.6).all(axis=1)
    fits = top & room & (own[:, 1] < 9 - LIMITS.joint_clearance_mm - SCREW.head.diameter_mm / 2 - 0.6)
    assert fits.sum() > 20
    assert told.reached[fits].all()
    assert not told.reached[own[:, 2] < -13.5].any()
    assert not told.reached[np.abs(own[:, 2]) < 9].any()


def test_entries_nearer_to_the_joint_than_the_limit_are_not_looked_at(slab):
    _, _, told = slab
    own = told.at.points_mm @ TURN
    beside_mm = 9 - own[:, 1]
    assert told.near_joint[beside_mm < LIMITS.joint_clearance_mm - 0.2].all()
    assert not told.near_joint[beside_mm > LIMITS.joint_clearance_mm + 0.2].any()
    assert np.isnan(told.best.value[told.near_joint]).all()
    assert np.isnan(told.best.length_mm[told.near_joint]).all()
    assert (told.best.screw[told.near_joint] == -1).all()
    assert 10 < told.near_joint.sum() < len(told.near_joint) / 2


def test_value_and_length_are_those_of_the_best_length_looked_at_alone(slab):
    """The plain twin: each length by itself, no other beside it. Bar: what the search gives for room, 2 %."""
    bone, space, told = slab
    some = np.flatnonzero(told.reached)[::7]
    at = Entries(told.at.points_mm[some], told.at.inward[some])
    alone = []
    for length_mm in SCREW.stocked_lengths_mm:
        table = screw_table([replace(SCREW, stocked_lengths_mm=(length_mm,))])
        measure = measure_of(bone.prepared, space, table, LIMITS, np.zeros((0, 7)), across_fracture=False)
        alone.append(
            best_of_entries(
                measure, at, spacing_degree=TURN_DEGREE, approach=DOWN, finest_degree=np.inf
            ).value
        )
    most = np.nanmax(alone, axis=0)
    given = 1 + ROOM_WORTH_FRACTION * ROOM_COUNTS_MM
    assert (told.best.value[some] <= most + 1e-9).all()
    assert (told.best.value[some] * given >= most - 1e-9).all()
    place = [SCREW.stocked_lengths_mm.index(length) for length in told.best.length_mm[some]]
    with_it = np.array(alone)[place, np.arange(len(some))]
    assert (with_it >= told.best.value[some] - 1e-9).all()
    assert (with_it <= told.best.value[some] * given + 1e-9).all()


def test_a_stricter_limit_and_a_screw_that_stays_leave_less(slab):
    bone, space, told = slab
    strict = mapped(bone, space, limits=replace(LIMITS, body_clearance_mm=4.0))
    assert 0 < strict.reached.sum() < told.reached.sum()
    assert not strict.reached[~told.reached].any()
    x, y = 3.0, SEAM_MM
    stays = PlacedScrew("S1", SCREW, 22.0, TURN @ [x, y, 14.0], TURN @ [x, y, -8.0])
    beside = mapped(bone, space, kept=Plan((stays,)))
    own = told.at.points_mm @ TURN
    on_it = (own[:, 2] > 13.5) & (np.hypot(own[:, 0] - x, own[:, 1] - y) < 2 * RADIUS_MM - 0.5)
    assert told.reached[on_it].all()
    assert on_it.sum() > 2
    assert not beside.reached[on_it].any()
    assert beside.reached.any()
    assert beside.excluded["too near a screw that stays"] > 0


def test_without_calibrated_density_it_tells_grey_values():
    bone = seamed(calibrated=False)
    told = mapped(bone, search_space(bone.prepared, "bone"), spacing_mm=4.0)
    assert not told.in_n
    assert 200 < np.nanmax(told.best.value) < 800


def test_it_says_where_nothing_is_reached_and_what_is_wrong(slab):
    bone, space, _ = slab
    none = mapped(bone, space, spacing_mm=6.0, limits=replace(LIMITS, body_clearance_mm=9.0))
    assert none.top is None
    assert not none.reached.any()
    assert sum(none.excluded.values()) == pytest.approx(1)
    with pytest.raises(InputError, match="at least one screw"):
        entry_map(bone, space, [])


def test_turns_find_what_the_grid_of_directions_missed_and_lose_nothing(slab):
    bone, space, _ = slab
    coarse, fine = (
        mapped(bone, space, spacing_mm=4.5, turn_degree=24.0, finest_degree=finest)
        for finest in (np.inf, 3.0)
    )
    gained = fine.best.value - coarse.best.value
    assert (gained[coarse.reached] >= 0).all()
    assert (gained[coarse.reached] > 1).any()
    assert fine.reached[coarse.reached].all()


def test_a_map_is_laid_over_the_surface_it_was_made_on(slab):
    """A known ramp comes back within a spacing, and nothing on a face that looks another way."""
    _, _, told = slab
    slope = 10.0
    known = told.best.value * 0 + 100 + slope * (told.at.points_mm @ TURN)[:, 0]
    ramp = replace(told, best=replace(told.best, value=known))
    values, kinds = over_surface(ramp, 1, told.at.points_mm, -told.at.inward)
    assert (kinds == np.where(told.near_joint, NEAR_JOINT, np.where(told.reached, REACHED, NOTHING))).all()
    assert (np.isfinite(values) == told.reached).all()
    off = np.abs(values - known)[told.reached]
    assert off.max() < slope * SPACING_MM
    assert off.mean() < slope * SPACING_MM / 4
    turned, bare = over_surface(told, 1, told.at.points_mm, told.at.inward)
    assert (bare == BARE).all()
    assert np.isnan(turned).all()
    _, other = over_surface(told, 2, told.at.points_mm, -told.at.inward)
    assert (other == BARE).all()
