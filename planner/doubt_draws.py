"""All that is drawn for a screw, each source of doubt from a stream of its own.

Streams depend on the seed alone, never on the screw: two screws that are compared meet the same hand, the
same surface and the same laws, so that what differs is the screws. A source can be left out without moving
the others.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from planner.doubt_vocabulary import DoubtSource
from planner.placement import Placed, Placement, placement_draws
from segmentation.vocabulary import Floats

SOURCES: tuple[DoubtSource, ...] = ("placement", "surface", "calibration", "law", "geometry", "friction")

KNOT_MM = 5.0
"""The surface's error is drawn at depths so far apart, straight lines between. Our choice: half of what it is
correlated over."""

CORRELATED_MM = 10.0
"""The surface's error changes over about this length along the screw and is one around it. Reference:
fully correlated over about 10 mm; taken as exp(−(distance / 10 mm)² / 2)."""

KNOTS_COUNT = 64
"""Depths at which an error is drawn, whatever the screw's length, so that all screws share it."""

FACTORS_COUNT = 24
"""Factors of a hold for which a number is drawn; more than any hold has."""


@dataclass(frozen=True, eq=False)
class Draws:
    """n draws: ``placed``; standard normal errors ``surface`` (n, knots) along the screw and ``joint`` (n,);
    ``line`` (n, 3) of slope, intercept and relative part of the calibration; ``law`` (n, 3) of shear law, ash
    ratio and form; ``factors`` (n, FACTORS_COUNT); ``diameters`` and ``tears`` (n,) of the screw;
    ``friction`` (n, 2) in the thread and in driving it in; ``normal`` (n, 2) of a fracture's plane."""

    placed: Placed
    surface: Floats
    joint: Floats
    line: Floats
    law: Floats
    factors: Floats
    diameters: Floats
    tears: Floats
    friction: Floats
    normal: Floats

    @property
    def count(self) -> int:
        """How many draws."""
        return len(self.joint)


def draws_of(
    placement: Placement,
    count: int,
    seed: int,
    *,
    only: Collection[DoubtSource] = SOURCES,
    line_correlation_ratio: float = 0.0,
) -> Draws:
    """``count`` draws from ``seed``; of the sources not among ``only`` every error is 0.

    The first draws are the same whatever ``count`` and ``only`` are. ``line_correlation_ratio`` is that of a
    calibration's slope and intercept.
    """

    def normal(source: DoubtSource, part: int, *shape: int) -> Floats:
        values = np.random.default_rng([seed, SOURCES.index(source), part]).standard_normal((count, *shape))
        return values if source in only else np.zeros_like(values)

    placed = placement_draws(placement, count, np.random.default_rng([seed, 0, 0]))
    if "placement" not in only:
        placed = Placed(np.zeros((count, 2)), np.zeros((count, 2)), np.zeros(count))
    line = normal("calibration", 0, 3)
    mixed = line_correlation_ratio * line[:, 0] + np.sqrt(1 - line_correlation_ratio**2) * line[:, 1]
    return Draws(
        placed=placed,
        surface=normal("surface", 0, KNOTS_COUNT) @ _correlating().T,
        joint=normal("surface", 1),
        line=np.stack([line[:, 0], mixed, line[:, 2]], axis=1),
        law=normal("law", 0, 3),
        factors=normal("law", 1, FACTORS_COUNT),
        diameters=normal("geometry", 0),
        tears=normal("geometry", 1),
        friction=normal("friction", 0, 2),
        normal=normal("surface", 2, 2),
    )


def _correlating() -> Floats:
    """(knots, knots) lower triangle that turns independent normals into correlated ones."""
    depth_mm = np.arange(KNOTS_COUNT) * KNOT_MM
    away = (depth_mm[:, None] - depth_mm[None, :]) / CORRELATED_MM
    return np.asarray(np.linalg.cholesky(np.exp(-(away**2) / 2) + 1e-9 * np.eye(KNOTS_COUNT)))
