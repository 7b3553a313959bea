"""Around what is good already: lines that just miss a limit are moved to where less is missing, and the best
by each criterion by ever smaller steps to where they are better."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.search_choice import Criterion
from planner.search_lines import Approach, neighbours
from planner.search_measure import Measure, Misses, Rows, Tally, joined_misses, thinned, together
from segmentation.vocabulary import Floats

SEEDS_COUNT = 6
"""Lines refined for each criterion."""


HOLD_ALONE = Criterion("hold_alone_n", "hold whatever the clearance", "N", more=True)
"""Refined too: ranks are worth up to 2 % more where there is room, and so may pass by the best hold."""


ROUNDS_COUNT = 14
"""Rounds of refinement; where nothing better lies around, steps are halved: from half the grid's spacing down
to a thousandth of it."""


MENDING_COUNT = 4
"""Rounds in which lines that just miss are moved."""


NEXT_LENGTHS_COUNT = 2
"""So many lengths shorter and longer are tried when a line is moved. Our choice."""


PIVOT_MM = 12.0
"""A line that just misses is turned about a place so deep. Our choice: about the middle of a small bone."""


def refined(
    measure: Measure,
    rows: Rows,
    criteria: Sequence[Criterion],
    tally: Tally,
    step_mm: float,
    turn_degree: float,
    approach: Approach | None,
) -> Rows:
    """``rows`` and what ever smaller steps around the best by each criterion find."""
    seeds = [(one, _seeds(measure, rows, one)) for one in (*criteria, HOLD_ALONE)]
    of = [criterion for criterion, chosen in seeds for _ in chosen]
    best = rows.taken([row for _, chosen in seeds for row in chosen])
    scale = np.full(len(best), 0.5)
    lots = [rows]
    for _ in range(ROUNDS_COUNT):
        origins, ways = neighbours(
            best.entry_mm,
            best.direction,
            step_mm=scale * step_mm,
            turn_degree=scale * turn_degree,
            pivot_mm=best.bone_length_mm / 2,
        )
        seed = np.repeat(np.arange(len(best)), len(origins) // len(best))
        if approach is not None:
            within = approach.holds(ways)
            origins, ways, seed = origins[within], ways[within], seed[within]
        looked = Tally()
        found = measure(origins, ways, looked, only=next_variants(measure, best.variant)[seed], every=True)
        tally.add(looked)
        best, moved = _better(measure, best, found, seed[found.line], of)
        lots.append(best)
        scale = np.where(moved, scale, scale / 2)
    return together(lots)


def with_every_length(measure: Measure, rows: Rows, tally: Tally) -> Rows:
    """The best screw of every length on the lines of the best rows: a shorter one holds better where a longer
    one's thread lies deeper, in weaker bone or across the fracture."""
    best = thinned(rows)
    looked = Tally()
    _, first = np.unique(np.concatenate([best.entry_mm, best.direction], axis=1), axis=0, return_index=True)
    lines = best.taken(np.sort(first))
    found = measure.every_length()(lines.entry_mm, lines.direction, looked, every=True)
    tally.add(looked)
    return found


def near_misses_mended(
    measure: Measure, tally: Tally, step_mm: float, turn_degree: float, approach: Approach | None
) -> Rows:
    """What is feasible around the lines that just miss, MISSES_COUNT of each family: each is moved to where
    less is missing."""
    missed = tally.misses
    lots = [measure(np.zeros((0, 3)), np.zeros((0, 3)), Tally())]
    scale = 0.5
    for _ in range(MENDING_COUNT):
        if missed is None or not len(missed.limit):
            break
        pivot = np.full(len(missed.limit), PIVOT_MM)
        origins, ways = neighbours(
            missed.entry_mm,
            missed.direction,
            step_mm=np.full(len(pivot), scale * step_mm),
            turn_degree=np.full(len(pivot), scale * turn_degree),
            pivot_mm=pivot,
        )
        seed = np.repeat(np.arange(len(missed.limit)), len(origins) // len(missed.limit))
        if approach is not None:
            within = approach.holds(ways)
            origins, ways, seed = origins[within], ways[within], seed[within]
        looked = Tally()
        found = measure(origins, ways, looked, only=next_variants(measure, missed.variant)[seed], every=True)
        tally.add(looked)
        lots.append(found)
        missed = _less_missed(missed, looked, seed, set(seed[found.line].tolist()))
        scale /= 2
    if missed is not None and len(missed.limit):
        tally.misses = missed
    return together(lots)


def worth(measure: Measure, rows: Rows, criterion: Criterion) -> Floats:
    """(n,) what rows are worth by a criterion, more is better; clearance decides between equals."""
    tie = 1e-3 * np.minimum(rows.clearance_mm, 5.0)
    if criterion.key in ("governing_hold_n", "ring_mean_hu"):
        return rows.rank
    if criterion is HOLD_ALONE:
        return rows.hold_n if rows.hold_n.any() else rows.hu
    if criterion.key == "least_clearance_mm":
        return rows.clearance_mm
    if criterion.key == "fracture_angle_degree":
        return np.asarray(-np.where(np.isnan(rows.angle_degree), 90.0, rows.angle_degree) + 10 * tie)
    if criterion.key == "off_centre_mm":
        return np.asarray(-rows.off_centre_mm + tie)
    return np.asarray(measure.length_mm(rows) + 100 * tie)


def next_variants(measure: Measure, variant: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """(n, 2) the first and last variant worth trying near variants (n,): their family's next lengths."""
    table = measure.table
    first, end = table.first[table.screw_of[variant]], table.first[table.screw_of[variant] + 1]
    low = np.maximum(variant - NEXT_LENGTHS_COUNT, first)
    return np.stack([low, np.minimum(variant + NEXT_LENGTHS_COUNT, end - 1)], axis=1)


def _less_missed(missed: Misses, around: Tally, seed: npt.NDArray[np.intp], done: set[int]) -> Misses | None:
    """Of each miss that has not been mended the better of itself and what lies around it."""
    if around.misses is None:
        return None
    both = joined_misses([missed, around.misses])
    owner = np.concatenate([np.arange(len(missed.limit)), seed[around.misses.line]])
    first: dict[int, int] = {}
    for place in both.order:
        first.setdefault(int(owner[place]), int(place))
    return both.taken([first[number] for number in range(len(missed.limit)) if number not in done])


def _better(
    measure: Measure, best: Rows, found: Rows, seed: npt.NDArray[np.intp], of: Sequence[Criterion]
) -> tuple[Rows, npt.NDArray[np.bool_]]:
    """Of each seed and what was found around it (by number, ``seed``) the best by the seed's criterion, and
    which are not the seed itself."""
    both = together([best, found])
    owner = np.concatenate([np.arange(len(best)), seed])
    picked = []
    for number, criterion in enumerate(of):
        own = np.flatnonzero(owner == number)
        picked.append(own[np.argmax(worth(measure, both.taken(own), criterion))])
    return both.taken(picked), np.array(picked) >= len(best)


def _seeds(measure: Measure, rows: Rows, criterion: Criterion) -> list[int]:
    """The best rows by a criterion that lie apart, at least one of each screw while there is room."""
    order = np.argsort(-worth(measure, rows, criterion), kind="stable")
    chosen: list[int] = []
    screws: set[int] = set()
    for new_screw in (True, False):
        for row in order:
            if len(chosen) >= SEEDS_COUNT:
                break
            if new_screw and (int(rows.screw[row]) in screws or len(screws) >= SEEDS_COUNT // 2):
                continue
            away = np.linalg.norm(rows.entry_mm[chosen] - rows.entry_mm[row], axis=1)
            turned = rows.direction[chosen] @ rows.direction[row]
            same = (
                (away < 2.0)
                & (turned > math.cos(math.radians(10.0)))
                & (rows.screw[chosen] == rows.screw[row])
            )
            if not same.any():
                chosen.append(int(row))
                screws.add(int(rows.screw[row]))
    return chosen
