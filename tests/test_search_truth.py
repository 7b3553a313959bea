"""Phantoms whose best screw is known in closed form: found within 0.3 mm and 1°."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from phantoms import rotation
from search_phantoms import block, bone_of

from planner.assess import ready
from planner.catalogue import built_in_screws
from planner.limits import Limits
from planner.search import Wish, search
from planner.search_lines import Approach
from planner.search_measure import SAFE_MM, SAFE_RATIO
from planner.search_space import search_space
from segmentation.vocabulary import Surface

HEADLESS = built_in_screws()["headless-two-pitch-3.0-3.9"]
CORTICAL = built_in_screws()["iso5835-ha-2.7"]
TURN = rotation(7)


def found_in(bone, screw, length_mm, **wish):
    made = ready(bone)
    space = search_space(made.prepared, "bone")
    return search(made, space, Wish((replace(screw, stocked_lengths_mm=(length_mm,)),), count=6, **wish))


def way(placed):
    return (placed.target_mm - placed.entry_mm) / np.linalg.norm(placed.target_mm - placed.entry_mm)


def degree(one, other):
    return np.degrees(np.arccos(np.clip(one @ other, -1, 1)))


def test_an_ellipsoid_is_screwed_along_its_long_axis():
    """Any screw that fits holds alike in even bone; the one along the axis has most room around it."""

    def inside(x, y, z):
        return 7.5 - np.sqrt((x / 2) ** 2 + y**2 + z**2)

    bone = bone_of([inside], lambda x, *_: 500 + 0 * x, (15.0, 7.5, 7.5), turn=TURN)
    found = found_in(bone, HEADLESS, 24.0)
    best = max(found.candidates, key=lambda one: one.criteria["least_clearance_mm"])
    axis = TURN[:, 0]
    end = 15 * axis * np.sign(best.placed.entry_mm @ axis)
    assert np.linalg.norm(best.placed.entry_mm - end) < 0.3
    assert degree(way(best.placed), -end / 15) < 1
    # The same comes first: holds are equal, and then room decides.
    assert found.candidates[0] is best or (
        np.linalg.norm(found.candidates[0].placed.entry_mm - end) < 0.3
        or np.linalg.norm(found.candidates[0].placed.entry_mm + end) < 0.3
    )


def test_a_screw_finds_a_dense_seam():
    """A slab with a seam of dense bone at y = 2: the axis lies in it."""

    def hu(x, y, z):
        return 200 + 600 * np.exp(-(((y - 2) / 3) ** 2)) + 0 * z

    bone = bone_of([block((-9, -9, -12), (9, 9, 12))], hu, (9.0, 9.0, 12.0), turn=TURN)
    found = found_in(bone, CORTICAL, 22.0, approach=Approach(-TURN[:, 2], 15.0))
    best = found.candidates[0].placed
    assert abs((TURN.T @ best.entry_mm)[1] - 2) < 0.3
    assert abs(90 - degree(way(best), TURN[:, 1])) < 1


@pytest.fixture(scope="module")
def two_densities():
    """Two blocks, the upper dense, the lower half as dense, the fracture tilted by 20° in z over x."""
    normal = np.array([np.sin(np.radians(20)), 0, np.cos(np.radians(20))])

    def part(sign):
        def inside(x, y, z):
            away = sign * (normal[0] * x + normal[2] * z) - 0.3
            return np.minimum(block((-11, -11, -14), (11, 11, 14))(x, y, z), away)

        return inside

    def hu(x, y, z):
        return np.where(normal[0] * x + normal[2] * z > 0, 600.0, 300.0) + 0 * y

    return bone_of(
        [part(1), part(-1)], hu, (11.0, 11.0, 14.0), turn=TURN, fracture=(np.zeros(3), normal)
    ), normal


@pytest.fixture(scope="module")
def found_in_two(two_densities):
    """What a search from everywhere finds in them."""
    return found_in(two_densities[0], CORTICAL, 24.0)


def test_of_two_fragments_the_denser_is_held(two_densities, found_in_two):
    """A headed screw holds the near fragment by its head: it enters the weaker and bites in the denser."""
    _, normal = two_densities
    found = found_in_two
    best = found.candidates[0]
    assert best.criteria["governed_by"] == 1
    assert (TURN.T @ best.placed.entry_mm) @ normal < -0.3


def test_square_to_the_fracture_is_found_to_a_degree(two_densities, found_in_two):
    _, normal = two_densities
    found = found_in_two
    square = min(found.candidates, key=lambda one: one.criteria["fracture_angle_degree"])
    assert square.criteria["fracture_angle_degree"] < 1
    assert degree(way(square.placed), TURN @ normal * np.sign(way(square.placed) @ TURN @ normal)) < 1


def test_a_lag_screw_has_a_gliding_hole_and_may_be_threaded_all_along(two_densities, monkeypatch):
    """A thread too long for the far fragment bites on both sides, so a position screw is refused; by a
    gliding hole it presses. Without a fracture to cross nothing is drilled wider."""
    monkeypatch.setattr("planner.search.CLOSER_FACTOR", 0.9)
    bone, normal = two_densities
    cone = Approach(TURN @ normal, 3.0)
    partial = built_in_screws()["cannulated-4.0-partial"]
    long = replace(partial, threads=(replace(partial.threads[0], length_mm=18.0),))
    position, lag = (found_in(bone, long, 24.0, approach=cone, lag=lag) for lag in (False, True))
    assert position.candidates == ()
    assert position.excluded["one thread on both sides of the fracture"] > 0
    best = lag.candidates[0]
    assert best.placed.technique == "lag"
    assert best.result.lag.by == "technique"
    assert best.result.threads_bridging_mm == 0
    whole = bone_of([block((-9, -9, -14), (9, 9, 14))], lambda x, *_: 500 + 0 * x, (9.0, 9.0, 14.0))
    assert found_in(whole, CORTICAL, 22.0, lag=True).candidates[0].placed.technique == "position"


def test_no_screw_is_too_oblique_to_the_fracture_unless_asked(two_densities, monkeypatch):
    """Entered 45° off square: nothing without ``any_angle``, and every candidate is accounted for."""
    monkeypatch.setattr("planner.search.CLOSER_FACTOR", 0.9)
    bone, normal = two_densities
    across = np.cross(normal, [0, 1.0, 0])
    cone = Approach(TURN @ (normal + across), 5.0)
    kept, free = (
        found_in(bone, CORTICAL, 20.0, approach=cone, any_angle=any_angle) for any_angle in (False, True)
    )
    assert kept.candidates == ()
    words = "more than 30° off square to the fracture"
    assert kept.excluded[words] > 0
    assert words not in free.excluded
    assert 30 < free.candidates[0].criteria["fracture_angle_degree"] < 60
    for found in (kept, free):
        assert sum(found.excluded.values()) == pytest.approx(1 - found.feasible_count / found.evaluated_count)
    assert kept.feasible_count == 0
    assert words.removeprefix("more than ")[:3] in kept.notes[-1]
    assert any("presses less" in note for note in free.notes)


def test_a_forbidden_zone_is_kept_clear_of_and_no_more():
    """Bone denser and denser towards a joint: the best lies at the limit's own distance from it."""

    def hu(x, y, z):
        return 400 + 25 * y + 0 * x * z

    corners = np.array([[-10.0, 9, -14], [10, 9, -14], [10, 9, 14], [-10, 9, 14]])
    joint = Surface(corners, np.array([[0, 2, 1], [0, 3, 2]]))
    bone = bone_of([block((-9, -9, -12), (9, 9, 12))], hu, (9.0, 9.0, 12.0), turn=TURN, joint=joint)
    found = found_in(bone, CORTICAL, 22.0, approach=Approach(-TURN[:, 2], 12.0))
    best = found.candidates[0].placed
    head_mm = CORTICAL.head.diameter_mm / 2
    assert (
        abs(
            (TURN.T @ best.entry_mm)[1]
            - (9 - Limits().joint_clearance_mm - SAFE_MM - 0.8 * SAFE_RATIO - head_mm)
        )
        < 0.3
    )
    assert found.candidates[0].criteria["joint_clearance_mm"] >= Limits().joint_clearance_mm


def test_the_same_input_gives_the_same_answer(two_densities):
    bone, _ = two_densities
    one, other = (found_in(bone, CORTICAL, 24.0, approach=Approach(TURN[:, 2], 6.0)) for _ in range(2))
    assert [c.placed.entry_mm.tolist() for c in one.candidates] == [
        c.placed.entry_mm.tolist() for c in other.candidates
    ]
    assert [c.reason for c in one.candidates] == [c.reason for c in other.candidates]
    assert one.evaluated_count == other.evaluated_count


def test_where_nothing_fits_it_says_why_after_it_looked_closer():
    bone = bone_of([block((-3, -3, -6), (3, 3, 6))], lambda x, *_: 500 + 0 * x, (3.0, 3.0, 6.0))
    found = found_in(bone, HEADLESS, 20.0)
    assert found.candidates == ()
    assert sum(found.excluded.values()) == pytest.approx(1)
    assert found.nearest is not None
    assert [finding for finding in found.nearest.findings if finding.severity != "note"]


def test_without_calibration_it_ranks_by_hu_and_says_so():
    def hu(x, y, z):
        return 200 + 600 * np.exp(-(((y - 2) / 3) ** 2)) + 0 * z

    bone = bone_of([block((-9, -9, -12), (9, 9, 12))], hu, (9.0, 9.0, 12.0), turn=TURN, calibrated=False)
    found = found_in(bone, CORTICAL, 22.0, approach=Approach(-TURN[:, 2], 15.0))
    assert found.criteria[0].key == "ring_mean_hu"
    assert found.candidates[0].criteria["governing_hold_n"] is None
    assert abs((TURN.T @ found.candidates[0].placed.entry_mm)[1] - 2) < 0.3
    assert "mean HU" in found.notes[0]
