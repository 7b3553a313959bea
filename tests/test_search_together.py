"""Several screws at once: the same best sets as brute force, better than one after the other."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from types import SimpleNamespace

import numba
import numpy as np
import pytest
from search_phantoms import block, bone_of

from planner.assess import assess_screws, ready
from planner.catalogue import built_in_screws
from planner.limits import Limits
from planner.screw_group import angle_between_degree, axes_apart_mm, spread_mm, triangle_area_mm2
from planner.search import Wish, search
from planner.search_lines import Approach, entries, lines_from
from planner.search_measure import Tally, measure_of
from planner.search_screws import screw_table
from planner.search_set_finalists import drilling_order, kept_beside
from planner.search_sets import Together, all_sets, beside, gaps_mm, judged, pool_of, used_set_criteria
from planner.search_space import search_space
from planner.vocabulary import Plan

SCREW = replace(built_in_screws()["iso5835-ha-2.7"], stocked_lengths_mm=(24.0,))
DOWN = Approach(np.array([0.0, 0, -1]), 6.0)
APART_MM = SCREW.head.diameter_mm + Limits().between_screws_mm


def _half(sign):
    def inside(x, y, z):
        return np.minimum(block((-10, -10, -14), (10, 10, 14))(x, y, z), sign * z - 0.3)

    return inside


@pytest.fixture(scope="module")
def column():
    """A block in two halves with a column of dense bone along z: who stands on it leaves no room beside."""
    bone = ready(
        bone_of(
            [_half(1), _half(-1)],
            lambda x, y, z: 200 + 600 * np.exp(-(x**2 + y**2) / 4.0**2) + 0 * z,
            (10.0, 10.0, 14.0),
            fracture=(np.zeros(3), (0, 0, 1.0)),
        )
    )
    return bone, search_space(bone.prepared, "bone")


@pytest.fixture(scope="module")
def pair(column):
    return search(*column, Wish((SCREW,), 4, approach=DOWN, together_count=2))


@pytest.fixture(scope="module")
def pool(column):
    """Thirty lines on the block."""
    bone, space = column
    measure = measure_of(
        bone.prepared, space, screw_table([SCREW]), Limits(), np.zeros((0, 7)), across_fracture=True
    )
    lines = lines_from(entries(bone.prepared, space, spacing_mm=3.0), spacing_degree=12.0)
    return measure, pool_of(measure, measure(*lines, Tally()), 30)


@pytest.mark.parametrize(("count", "parallel_degree"), [(2, None), (2, 20.0), (3, None), (3, 45.0)])
def test_the_best_sets_are_those_of_brute_force(column, pool, count, parallel_degree):
    """Every set of a small pool judged one by one, by the functions that ``assess`` uses."""
    measure, rows = pool
    nobody = kept_beside(*column, None)
    criteria = used_set_criteria(count, calibrated=True, has_fracture=True)
    asked = Together(count, Limits().between_screws_mm, parallel_degree, criteria, nobody)
    fast = judged(measure, rows, asked, all_sets(len(rows), count))
    seen = beside(measure, rows)
    table = measure.table

    def rods(row):
        entry, way = rows.entry_mm[row], rows.direction[row]
        tip = entry + (rows.seat_mm[row] + table.variant_mm[rows.variant[row], 0]) * way
        top = entry - SCREW.head.height_mm * way
        return [(entry, tip, table.screw_mm[0, 0]), (top, entry, SCREW.head.diameter_mm / 2)]

    apart = {
        (i, j): min(axes_apart_mm(a[:2], b[:2]) - a[2] - b[2] for a in rods(i) for b in rods(j))
        for i, j in combinations(range(len(rows)), 2)
    }
    size = spread_mm if count == 2 else triangle_area_mm2
    best = {}
    kept_count = 0
    for members in combinations(range(len(rows)), count):
        own = list(members)
        gap = min(apart[pair] for pair in combinations(own, 2))
        angle = max(
            angle_between_degree(rows.direction[i], rows.direction[j]) for i, j in combinations(own, 2)
        )
        if gap < 1.0 or (parallel_degree is not None and angle > parallel_degree):
            continue
        kept_count += 1
        hold = rows.hold_n[own]
        values = (
            hold.min() + 1e-3 * hold.mean(),
            size(seen.crossing_mm[own, 0]),
            gap,
            -angle,
            rows.clearance_mm[own].min(),
        )
        for column_number, value in enumerate(values):
            if column_number not in best or value > best[column_number][0] + 1e-9:
                best[column_number] = (value, members)
    assert 20 < kept_count < 4060
    for column_number, (value, members) in best.items():
        found = int(np.argmax(fast.values[:, column_number]))
        assert fast.values[found, column_number] == pytest.approx(value, rel=1e-9, abs=1e-5)
        # Where several are as good, any of them: lines of the grid are parallel, clearance counts up to 5 mm.
        if (np.abs(fast.values[:, column_number] - value) < 1e-5).sum() == 1:
            assert tuple(fast.members[found]) == members


def test_an_axis_crosses_the_fracture_where_its_plane_is(pool):
    """The plane z = 0, on paper; stations lie 0.25 mm apart."""
    measure, rows = pool
    crossing = beside(measure, rows).crossing_mm[:, 0]
    on_paper = rows.entry_mm - (rows.entry_mm[:, 2] / rows.direction[:, 2])[:, None] * rows.direction
    assert np.linalg.norm(crossing - on_paper, axis=1).max() < 0.2


def test_two_together_are_better_than_one_after_the_other(column, pair):
    """The first of a greedy choice takes the middle of the column; two share it, each half as far out."""
    one = search(*column, Wish((SCREW,), 1, approach=DOWN))
    first = one.candidates[0].result.placed
    assert np.linalg.norm(first.entry_mm[:2]) < 0.7
    other = search(*column, Wish((SCREW,), 1, approach=DOWN, kept=Plan((first,))))
    greedy_n = min(c.candidates[0].criteria["governing_hold_n"] for c in (one, other))
    best = pair.sets[0]
    assert best.criteria["weakest_hold_n"] > 1.3 * greedy_n
    assert best.criteria["weakest_hold_n"] == pytest.approx(best.criteria["hold_sum_n"] / 2, rel=0.03)
    entries_mm = np.array([result.entry_mm for result in best.results])
    assert np.linalg.norm(entries_mm[0] - entries_mm[1]) == pytest.approx(APART_MM, abs=0.4)


def test_what_is_told_is_what_assess_measures_of_all_in_one_plan(column, pair):
    assert len(pair.sets) > 1
    for one in pair.sets:
        assessed = assess_screws(column[0], Plan(tuple(r.placed for r in one.results)))
        several = assessed.several_screws
        assert one.criteria["weakest_hold_n"] == min(s.pullout_n.estimate for s in assessed.screws)
        assert one.criteria["spread_mm"] == several.fractures[0].spread_mm
        assert one.criteria["least_gap_mm"] == several.pairs[0].gap_mm >= 1.0
        assert one.criteria["largest_angle_degree"] == several.largest_angle_degree
        assert one.reason.endswith(".")
    values = [[one.criteria[c.key] * (1 if c.more else -1) for c in pair.set_criteria] for one in pair.sets]
    for own in values:
        assert not any(np.all(np.array(other) >= own) and other != own for other in values)


def test_three_beside_one_that_stays_keep_clear_and_parallel(column, pair):
    """What stays is in the same plan; its gaps and angles count, its hold does not."""
    stays = replace(pair.sets[0].results[0].placed, name="old")
    wish = Wish((SCREW,), 2, approach=DOWN, kept=Plan((stays,)), together_count=2, parallel_degree=4.0)
    found = search(*column, wish)
    assert found.set_criteria[1].key == "triangle_area_mm2"
    for one in found.sets:
        assert "old" not in {r.placed.name for r in one.results}
        plan = Plan((*(r.placed for r in one.results), stays))
        several = assess_screws(column[0], plan).several_screws
        assert min(p.gap_mm for p in several.pairs) == one.criteria["least_gap_mm"] >= 1.0
        assert several.largest_angle_degree <= 4.0 + 0.01
        assert one.criteria["triangle_area_mm2"] == several.fractures[0].triangle_area_mm2 > 0
    assert found.sets


def test_one_core_and_two_give_the_same(column, pair):
    threads = numba.get_num_threads()
    numba.set_num_threads(1 if threads > 1 else min(2, numba.config.NUMBA_NUM_THREADS))
    try:
        again = search(*column, Wish((SCREW,), 4, approach=DOWN, together_count=2))
    finally:
        numba.set_num_threads(threads)
    assert [one.criteria for one in again.sets] == [one.criteria for one in pair.sets]
    assert [one.reason for one in again.sets] == [one.reason for one in pair.sets]


def test_where_no_two_fit_it_says_so(column):
    found = search(
        *column,
        Wish((SCREW,), 2, approach=DOWN, together_count=2),
        limits=Limits(between_screws_mm=40.0),
    )
    assert found.candidates
    assert found.sets == ()
    assert "far enough apart" in found.notes[-1]


def test_gaps_are_those_of_single_stretches():
    """Twenty random rods, some of them parallel, against ``axes_apart_mm``."""
    rng = np.random.default_rng(4)
    rods = rng.normal(0, 5, (20, 2, 7))
    rods[..., 6] = np.abs(rods[..., 6]) / 5
    rods[10:, :, 3:6] = rods[10:, :, :3] + [1.0, 2.0, 3.0]
    fast = gaps_mm(rods[:10], rods[5:])
    for i, j in np.ndindex(fast.shape):
        slow = min(
            axes_apart_mm((a[:3], a[3:6]), (b[:3], b[3:6])) - a[6] - b[6]
            for a in rods[i]
            for b in rods[5 + j]
        )
        assert fast[i, j] == pytest.approx(slow, abs=1e-9)


def test_screws_that_press_go_in_first():
    def result(name, two_pitch):
        return SimpleNamespace(placed=SimpleNamespace(name=name), two_pitch=two_pitch)

    assert drilling_order([result("S1", None), result("S2", object())]) == (("S2",), ("S1",))
    assert drilling_order([result("S1", None), result("S2", None)]) is None
