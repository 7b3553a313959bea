"""How forgiving a screw is: how far entry and direction may be off before a limit breaks, and how often a
shaky hand breaks one.

The axis is moved parallel to itself, or turned about its entry point, in DIRECTIONS_COUNT directions by small
steps; the first step at which a limit breaks counts, so nothing that breaks and mends again is passed over.
Measured by the search's loop: within 0.2 mm and 0.5° of ``assess`` (tests/test_forgiveness.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.placement import Placed, Placement, placement_draws
from planner.search_measure import Measure, Tally
from planner.vocabulary import PlacedScrew
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

DIRECTIONS_COUNT = 16
"""Directions around the axis. Our choice: between two of them lie 22.5°."""

STEP_MM, MOST_MM = 0.1, 4.0
"""Steps aside, and how far is looked. Our choice: half the bar, and beyond every guide."""

STEP_DEGREE, MOST_DEGREE = 0.25, 15.0
"""Turns likewise."""


@dataclass(frozen=True, eq=False)
class Forgiveness:
    """How far a screw's entry (mm) and direction (degrees) may be off in the worst direction, and in each
    (DIRECTIONS_COUNT,), counted from ``u`` (3,) towards ``v`` (3,); MOST_MM, MOST_DEGREE where none broke.

    ``breaks`` (entry, direction) are the limits that broke first, by their place in ``search_kernels``; −1
    none.
    """

    entry_mm: float
    direction_degree: float
    entry_each_mm: Floats
    direction_each_degree: Floats
    u: Floats
    v: Floats
    breaks: tuple[int, int]


def forgiveness(measure: Measure, placed: PlacedScrew) -> Forgiveness:
    """How forgiving a screw of ``measure``'s table is, its seat depth as placed.

    0 where it breaks a limit as it stands. Make ``measure`` with ``safe=False``.
    """
    way = placed.target_mm - placed.entry_mm
    way = way / np.linalg.norm(way)
    u, v = _across(way)
    turns = 2 * np.pi * np.arange(DIRECTIONS_COUNT) / DIRECTIONS_COUNT
    around = np.cos(turns)[:, None] * u + np.sin(turns)[:, None] * v
    aside_mm = np.arange(0, MOST_MM + STEP_MM / 2, STEP_MM)
    turned_degree = np.arange(0, MOST_DEGREE + STEP_DEGREE / 2, STEP_DEGREE)
    origins = placed.entry_mm + aside_mm[None, :, None] * around[:, None]
    ways = way + np.tan(np.radians(turned_degree))[None, :, None] * around[:, None]
    ways /= np.linalg.norm(ways, axis=2, keepdims=True)
    entry, broke_entry = _first_broken(
        measure, placed, origins, np.broadcast_to(way, origins.shape), aside_mm
    )
    direction, broke_direction = _first_broken(
        measure, placed, np.broadcast_to(placed.entry_mm, ways.shape), ways, turned_degree
    )
    return Forgiveness(
        float(entry.min()), float(direction.min()), entry, direction, u, v, (broke_entry, broke_direction)
    )


def limits_hold_fraction(
    measure: Measure, placed: PlacedScrew, placement: Placement, *, draws_count: int, rng: np.random.Generator
) -> tuple[float, int]:
    """Share of ``draws_count`` placements by a hand or guide as ``placement`` that keep every limit, and
    which limit most of the others break, by its place in ``search_kernels`` (−1: none, or no bone is met).

    Entry, direction and depth are off. Make ``measure`` with ``safe=False``.
    """
    way = placed.target_mm - placed.entry_mm
    way = way / np.linalg.norm(way)
    kept, limit = kept_as_placed(
        measure,
        placed.entry_mm[None],
        way[None],
        np.array([variant_of(measure, placed)]),
        np.array([placed.seat_depth_mm]),
        placement_draws(placement, draws_count, rng),
    )
    broken = np.bincount(limit[limit >= 0])
    return float(kept.mean()), int(broken.argmax()) if len(broken) else -1


def kept_as_placed(
    measure: Measure,
    entry_mm: Floats,
    direction: Floats,
    variant: npt.NDArray[np.intp],
    seat_mm: Floats,
    drawn: Placed,
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.intp]]:
    """(n, draws) whether each of n screws keeps every limit when it is placed as drawn, and which limit it
    breaks (−1: none, no bone). The same draws for every screw."""
    count, draws = len(entry_mm), len(drawn.depth_mm)
    across = np.stack([np.stack(_across(way)) for way in direction])
    origins = entry_mm[:, None] + np.einsum("dk,nkx->ndx", drawn.shift_mm, across)
    ways = direction[:, None] + np.einsum("dk,nkx->ndx", np.tan(drawn.tilt_radian), across)
    ways /= np.linalg.norm(ways, axis=2, keepdims=True)
    seats_mm = (seat_mm[:, None] + drawn.depth_mm).ravel()
    kept, limit = _kept(
        measure, np.repeat(variant, draws), origins.reshape(-1, 3), ways.reshape(-1, 3), seats_mm
    )
    return kept.reshape(count, draws), limit.reshape(count, draws)


def _first_broken(
    measure: Measure, placed: PlacedScrew, origins: Floats, ways: Floats, steps: Floats
) -> tuple[Floats, int]:
    """For each direction the last step before a limit breaks, 0 where it is broken at once; and which limit
    breaks in the worst."""
    variant = np.full(origins.shape[0] * origins.shape[1], variant_of(measure, placed))
    seats_mm = placed.seat_depth_mm
    kept, limit = _kept(measure, variant, origins.reshape(-1, 3), ways.reshape(-1, 3), seats_mm)
    kept, limit = kept.reshape(len(origins), -1), limit.reshape(len(origins), -1)
    broken = ~kept
    first = np.where(broken.any(axis=1), broken.argmax(axis=1), len(steps))
    reach = steps[np.maximum(first - 1, 0)]
    worst = int(np.argmin(first))
    return reach, int(limit[worst, first[worst]]) if first[worst] < len(steps) else -1


def _kept(
    measure: Measure, variant: npt.NDArray[np.intp], origins: Floats, ways: Floats, seats_mm: Floats | float
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.intp]]:
    """(n,) which lines keep every limit with their screw, and which limit each breaks (−1: none, no bone)."""
    tally = Tally()
    only = np.stack([variant, variant], axis=1)
    rows = measure(origins, ways, tally, only=only, seat_mm=seats_mm, every=True)
    kept, limit = np.zeros(len(origins), np.bool_), np.full(len(origins), -1)
    kept[rows.line] = True
    if tally.misses is not None:
        limit[tally.misses.line] = tally.misses.limit
    return kept, limit


def variant_of(measure: Measure, placed: PlacedScrew) -> int:
    """Which family and length of ``measure``'s table a screw is. Raises InputError for one that it lacks."""
    table = measure.table
    for variant, (screw, length_mm) in enumerate(zip(table.screw_of, table.lengths_mm, strict=True)):
        if table.screws[screw].name == placed.screw.name and length_mm == placed.length_mm:
            return variant
    raise InputError(
        f"screw {placed.screw.name!r} of {placed.length_mm:g} mm is not among those looked at; give its "
        "family and a stocked length"
    )


def _across(way: Floats) -> tuple[Floats, Floats]:
    u = np.cross(np.eye(3)[int(np.argmin(np.abs(way)))], way)
    u /= np.linalg.norm(u)
    return u, np.cross(way, u)
