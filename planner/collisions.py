"""How close two screws of a plan come: the smallest distance between their solids.

The distance of two points of the axes less both radii bounds the gap from below. Where that bound is small,
points on the surface of each screw are asked for their signed distance to the other solid of revolution, an
exact distance to its outline in the plane of depth and radius. Error: under 0.03 mm, from the points'
spacing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise

import numpy as np

from planner.path import Path
from segmentation.vocabulary import Floats

STEP_MM = 0.5
"""Distance of stations along each outline. Our choice: crossing screws are then found to about 0.02 mm."""

ANGLES_COUNT = 24
"""Directions around each screw. Our choice: a circle's polygon then lies within 0.9 % of its radius."""

EXACT_BELOW_MM = 1.5
"""Screws whose bound is larger are told by the bound. Our choice: above every limit between screws."""


def gap_between_mm(first: Path, second: Path) -> float:
    """Smallest distance between the solids of two screws; negative where they collide.

    Above EXACT_BELOW_MM it is a lower bound.
    """
    points, radii = _stations(first)
    other_points, other_radii = _stations(second)
    apart = np.linalg.norm(points[:, None, :] - other_points[None, :, :], axis=2)
    bound = float((apart - radii[:, None] - other_radii[None, :]).min())
    if bound > EXACT_BELOW_MM:
        return bound
    return min(_least_mm(first, second), _least_mm(second, first))


def gaps_between_mm(paths: Sequence[Path]) -> dict[tuple[int, int], float]:
    """``gap_between_mm`` of every two screws of a plan, by their places in it, the lower first."""
    return {
        (one, other): gap_between_mm(paths[one], paths[other])
        for one, other in combinations(range(len(paths)), 2)
    }


def gaps_to_others(
    paths: Sequence[Path], index: int, gaps_mm: Mapping[tuple[int, int], float]
) -> tuple[tuple[float, str], ...]:
    """The gap from one screw to each other of the plan, and that screw's name, the smallest first."""
    gaps = [
        (gap_mm, paths[one + other - index].placed.name)
        for (one, other), gap_mm in gaps_mm.items()
        if index in (one, other)
    ]
    return tuple(sorted(gaps))


def _closed_outline(path: Path) -> Floats:
    """(n, 2) [z, radius] with both ends led to the axis."""
    outline = path.solid.outline_mm
    return np.concatenate([[[outline[0, 0], 0.0]], outline, [[outline[-1, 0], 0.0]]])


def _stations(path: Path) -> tuple[Floats, Floats]:
    """Points on the axis (n, 3) and the solid's radius at each: the outline walked in steps."""
    walked = []
    for start, stop in pairwise(_closed_outline(path)):
        steps = max(1, int(np.ceil(np.linalg.norm(stop - start) / STEP_MM)))
        walked.append(start + np.linspace(0, 1, steps + 1)[:, None] * (stop - start))
    along, radii = np.concatenate(walked).T
    depth = path.placed.seat_depth_mm + along
    return path.entry_mm + depth[:, None] * path.direction, radii


def _least_mm(walked: Path, other: Path) -> float:
    """Smallest signed distance of points on one screw's surface to the other screw's solid."""
    on_axis, radii = _stations(walked)
    turns = 2 * np.pi * np.arange(ANGLES_COUNT) / ANGLES_COUNT
    around = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ np.stack([walked.u, walked.v])
    points = (on_axis[:, None, :] + radii[:, None, None] * around).reshape(-1, 3)
    away = points - other.entry_mm
    depth = away @ other.direction
    place = np.stack(
        [depth - other.placed.seat_depth_mm, np.linalg.norm(away - depth[:, None] * other.direction, axis=1)],
        axis=1,
    )
    nearest = np.full(len(place), np.inf)
    inside = np.zeros(len(place), bool)
    for start, stop in pairwise(_closed_outline(other)):
        edge = stop - start
        length2 = float(edge @ edge)
        share = np.clip((place - start) @ edge / length2, 0, 1) if length2 > 0 else np.zeros(len(place))
        nearest = np.minimum(nearest, np.linalg.norm(place - start - share[:, None] * edge, axis=1))
        if edge[0] > 0:
            radius = start[1] + (place[:, 0] - start[0]) / edge[0] * edge[1]
            inside |= (place[:, 0] >= start[0]) & (place[:, 0] <= stop[0]) & (place[:, 1] < radius)
    return float(np.where(inside, -nearest, nearest).min())
