"""Around what is good already: lines that just miss a limit are moved to where less is missing, and the best
by each criterion, by ever smaller steps and along each other, to where they are better."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.search_along_limits import along_limits
from planner.search_choice import Criterion
from planner.search_lines import Approach, neighbours
from planner.search_measure import Measure, Misses, Rows, Tally, joined_misses, thinned, together
from segmentation.vocabulary import Floats

SEEDS_COUNT, FEW_SEEDS_COUNT = 6, 3
"""Lines refined for the first criterion, and for each of the others."""


HOLD_ALONE = Criterion("hold_alone_n", "hold whatever the clearance", "N", more=True)
"""Refined too: ranks are worth up to 2 % more where there is room, and so may pass by the best hold."""


ROUNDS_COUNT = 12
"""Rounds of refinement at most."""


POOL_COUNT, DRAWN_COUNT = 10, 16
"""Of every line that is refined so many of the best around it are kept, and so many new ones drawn as they
lie to each other, and as many in every way. Our choice."""


FINEST = 1 / 128
"""Where nothing better lies around, steps are halved: from half the grid's spacing down to this share of it,
about 0.01 mm."""


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
    asked = dict.fromkeys((*criteria, HOLD_ALONE), FEW_SEEDS_COUNT) | {criteria[0]: SEEDS_COUNT}
    seeds = [(one, _seeds(measure, rows, one, count)) for one, count in asked.items()]
    of = [criterion for criterion, chosen in seeds for _ in chosen]
    best = rows.taken([row for _, chosen in seeds for row in chosen])
    pool, owner = best, np.arange(len(best))
    scale = np.full(len(best), 0.5)
    lots = [rows]
    for number in range(ROUNDS_COUNT):
        going = np.flatnonzero(scale >= FINEST)
        if not len(going):
            break
        random = np.random.default_rng(number)
        origins, ways, seed = _around(best, pool, owner, going, scale * step_mm, scale * turn_degree, random)
        if approach is not None:
            within = approach.holds(ways)
            origins, ways, seed = origins[within], ways[within], seed[within]
        looked = Tally()
        found = measure(origins, ways, looked, only=next_variants(measure, best.variant)[seed], every=True)
        tally.add(looked)
        pool, owner = _pooled(measure, together([pool, found]), np.concatenate([owner, seed[found.line]]), of)
        first = np.unique(owner, return_index=True)[1]
        moved = pool.rank[first] != best.rank
        best = pool.taken(first)
        lots.append(best)
        scale = np.where(moved, scale, scale / 2)
    by_hold = best.taken([number for number, one in enumerate(of) if one in (criteria[0], HOLD_ALONE)])
    lots.append(along_limits(measure, by_hold, tally, step_mm, turn_degree, approach))
    return together(lots)


def _around(
    best: Rows,
    pool: Rows,
    owner: npt.NDArray[np.intp],
    going: npt.NDArray[np.intp],
    step_mm: Floats,
    turn_degree: Floats,
    random: np.random.Generator,
) -> tuple[Floats, Floats, npt.NDArray[np.intp]]:
    """Lines (n, 3), (n, 3) around the best, and around which (n,): steps in every way, and steps as two of
    its pool lie to each other, which lead along a limit where no step in a way of its own does.

    Storn and Price, Differential evolution, 1997: from memory.
    """
    near = best.taken(going)
    drawn = random.normal(size=(len(going), DRAWN_COUNT, 4))
    drawn *= math.sqrt(2) / np.linalg.norm(drawn, axis=2, keepdims=True)
    origins, ways = neighbours(
        near.entry_mm,
        near.direction,
        step_mm=step_mm[going],
        turn_degree=turn_degree[going],
        pivot_mm=near.bone_length_mm / 2,
        steps=drawn,
    )
    lots = [(origins, ways, np.repeat(going, DRAWN_COUNT))]
    for seed in going:
        own = np.flatnonzero(owner == seed)
        one, other = own[random.integers(len(own), size=(2, DRAWN_COUNT))]
        share = random.uniform(0.3, 1.5, size=(DRAWN_COUNT, 1))
        apart = (one != other)[:, None]
        entry = best.entry_mm[seed] + share * (pool.entry_mm[one] - pool.entry_mm[other])
        way = best.direction[seed] + share * (pool.direction[one] - pool.direction[other])
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        lots.append((entry[apart[:, 0]], way[apart[:, 0]], np.full(int(apart.sum()), seed)))
    return tuple(np.concatenate([lot[n] for lot in lots]) for n in range(3))  # type: ignore[return-value]


def _pooled(
    measure: Measure, rows: Rows, owner: npt.NDArray[np.intp], of: Sequence[Criterion]
) -> tuple[Rows, npt.NDArray[np.intp]]:
    """Of each seed the POOL_COUNT best rows by its criterion, the best first, and whose they are."""
    picked: list[npt.NDArray[np.intp]] = []
    for number, criterion in enumerate(of):
        own = np.flatnonzero(owner == number)
        own = own[np.argsort(-worth(measure, rows.taken(own), criterion), kind="stable")]
        # A line's best and longest screw are one line.
        lines = np.unique(rows.entry_mm[own], axis=0, return_index=True)[1]
        picked.append(own[np.sort(lines)[:POOL_COUNT]])
    return rows.taken(np.concatenate(picked)), np.repeat(np.arange(len(of)), list(map(len, picked)))


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


def _seeds(measure: Measure, rows: Rows, criterion: Criterion, count: int) -> list[int]:
    """The best rows by a criterion that lie apart, at least one of each screw while there is room."""
    order = np.argsort(-worth(measure, rows, criterion), kind="stable")
    chosen: list[int] = []
    screws: set[int] = set()
    for new_screw in (True, False):
        for row in order:
            if len(chosen) >= count:
                break
            if new_screw and (int(rows.screw[row]) in screws or len(screws) >= count // 2):
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
