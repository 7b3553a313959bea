"""The screw that forgives most: from screws that keep every limit, by ever smaller steps, to one that keeps
them most often when it is placed by an unsure hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.forgiveness import kept_as_placed, variant_of
from planner.placement import Placement, placement_draws
from planner.search_lines import Approach, neighbours
from planner.search_measure import Measure, Rows, Tally
from planner.vocabulary import PlacedScrew
from segmentation.vocabulary import Floats

ROUNDS_COUNT, TRIED_COUNT, DRAWS_COUNT = 10, 24, 250
"""Rounds, screws tried in each, and placements drawn of each. Our choice: two seconds on one core."""

STEP_MM, TURN_DEGREE, DEEPER_MM = 1.0, 4.0, 0.5
"""The first steps: aside, turned, deeper. Our choice."""

SEEN_FRACTION, SMALLER_COUNT = 0.05, 4
"""Where fewer placements keep every limit than this, errors half as large are looked at, and again: in what
always fails no step is better than another."""


def most_forgiving(
    as_asked: Measure,
    held: Measure,
    starts: Sequence[PlacedScrew],
    placement: Placement,
    approach: Approach | None,
) -> Rows:
    """The screw that keeps every limit most often as placed, as one row; no row where no start keeps them.

    ``as_asked`` measures with the limits as asked (``safe=False``), ``held`` with those of the search, which
    the screw keeps as planned.
    """
    random = np.random.default_rng(0)
    best = _rows_of(held, starts)
    if not len(best):
        return best
    smaller = 1.0
    for _ in range(SMALLER_COUNT):
        shares = _shares(as_asked, best, _smaller(placement, smaller))
        if shares.max() >= SEEN_FRACTION:
            break
        smaller /= 2
    own = _smaller(placement, smaller)
    at = int(np.argmax(shares))
    best, share = best.taken([at]), float(shares[at])
    scale = 1.0
    for _ in range(ROUNDS_COUNT):
        steps = random.normal(size=(1, TRIED_COUNT, 4))
        origins, ways = neighbours(
            best.entry_mm,
            best.direction,
            step_mm=np.array([scale * STEP_MM]),
            turn_degree=np.array([scale * TURN_DEGREE]),
            pivot_mm=best.bone_length_mm / 2,
            steps=steps,
        )
        seats = best.seat_mm[0] + scale * DEEPER_MM * random.normal(size=TRIED_COUNT)
        headless = bool(held.table.headless[int(best.screw[0])])
        seats = np.maximum(seats, 0.0) if headless else np.full(TRIED_COUNT, best.seat_mm[0])
        first, end = held.table.first[int(best.screw[0])], held.table.first[int(best.screw[0]) + 1]
        longer = np.clip(best.variant[0] + random.integers(-1, 2, TRIED_COUNT), first, end - 1)
        found = held(
            origins, ways, Tally(), only=np.stack([longer, longer], axis=1), seat_mm=seats, every=True
        )
        if approach is not None:
            found = found.taken(approach.holds(found.direction))
        shares = _shares(as_asked, found, own)
        if len(found) and shares.max() > share:
            at = int(np.argmax(shares))
            best, share = found.taken([at]), float(shares[at])
        else:
            scale /= 2
    return best


def _shares(measure: Measure, rows: Rows, placement: Placement) -> Floats:
    drawn = placement_draws(placement, DRAWS_COUNT, np.random.default_rng(1))
    if not len(rows):
        return np.zeros(0)
    kept, _ = kept_as_placed(measure, rows.entry_mm, rows.direction, rows.variant, rows.seat_mm, drawn)
    return np.asarray(kept.mean(axis=1))


def _rows_of(held: Measure, starts: Sequence[PlacedScrew]) -> Rows:
    entry = np.array([one.entry_mm for one in starts]).reshape(-1, 3)
    way = np.array([one.target_mm - one.entry_mm for one in starts]).reshape(-1, 3)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    variant: npt.NDArray[np.intp] = np.array([variant_of(held, one) for one in starts], np.intp)
    seats = np.array([one.seat_depth_mm for one in starts], float)
    return held(entry, way, Tally(), only=np.stack([variant, variant], axis=1), seat_mm=seats, every=True)


def _smaller(placement: Placement, by_factor: float) -> Placement:
    return replace(
        placement,
        entry_sd_mm=by_factor * placement.entry_sd_mm,
        angle_sd_degree=by_factor * placement.angle_sd_degree,
        depth_sd_mm=by_factor * placement.depth_sd_mm,
    )
