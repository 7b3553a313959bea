"""The words of a screw's doubt: what is drawn, and what the draws tell; also parts of assessment.json."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

DoubtSource = Literal["placement", "surface", "calibration", "law", "geometry", "friction"]
PlacementName = Literal["freehand", "guided", "plate-guided"]

DRAWS_COUNT = 2000
"""Draws for each screw. Our choice: the 5th percentile is then known to about 3 % of the spread."""


@dataclass(frozen=True)
class AskedDoubt:
    """Which placement is drawn, how often, and from which seed."""

    placement: PlacementName
    draws_count: int = DRAWS_COUNT
    seed: int = 1


@dataclass(frozen=True)
class DrawnNumber:
    """A number of the assessment over the draws: 5th and 95th percentile about its estimate.

    ``number`` is its name in assessment.json and ``fragment`` the fragment's number, where it is of one.
    ``most_from`` is the source that alone spreads it most, ``most_from_fraction`` that source's share of the
    squared spreads of all sources alone.
    """

    number: str
    fragment: int | None
    estimate: float
    low: float
    high: float
    most_from: DoubtSource | None
    most_from_fraction: float | None


@dataclass(frozen=True)
class DrawnLimit:
    """How often a limit holds: the limit's name and value, and the share of draws that keep it."""

    limit: str
    asked: float
    holds_fraction: float


@dataclass(frozen=True)
class Doubt:
    """What a seeded set of draws tells of one screw.

    ``breach_fraction`` is the share of draws in which a part planned inside the bone leaves it or crosses the
    joint's surface, ``missed_fraction`` of those whose axis misses the bone or leaves what was looked at.
    ``gap_closes_fraction`` is the share in which a two-pitch screw closes the fracture's gap, None for
    another screw or where its gap was not drawn.
    ``says`` names the source of doubt that matters most, in one line.
    """

    placement: PlacementName
    draws_count: int
    seed: int
    numbers: tuple[DrawnNumber, ...]
    limits: tuple[DrawnLimit, ...]
    breach_fraction: float
    missed_fraction: float
    says: str
    gap_closes_fraction: float | None = None
