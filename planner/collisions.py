"""How close two screws of a plan come: the smallest distance between their solids.

Both axes are walked in steps; at each pair of stations the distance of the axis points less both radii bounds
the gap from below, closely where the screws cross or lie side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from planner.path import Path
from segmentation.vocabulary import Floats

STEP_MM = 0.25
"""Distance of stations along each axis. Our choice: a gap is then found to about 0.01 mm."""


def gap_between_mm(first: Path, second: Path) -> float:
    """Smallest distance between the solids of two screws; negative where they collide."""
    points, radii = _stations(first)
    other_points, other_radii = _stations(second)
    apart = np.linalg.norm(points[:, None, :] - other_points[None, :, :], axis=2)
    return float((apart - radii[:, None] - other_radii[None, :]).min())


def nearest_other(paths: Sequence[Path], index: int) -> tuple[float, str] | None:
    """The smallest gap from one screw to any other of the plan and that screw's name; None if it is alone."""
    gaps = [
        (gap_between_mm(paths[index], other), other.placed.name)
        for number, other in enumerate(paths)
        if number != index
    ]
    return min(gaps) if gaps else None


def _stations(path: Path) -> tuple[Floats, Floats]:
    """Points on the axis (n, 3) and the solid's radius at each."""
    outline = path.solid.outline_mm
    along = np.union1d(np.arange(outline[0, 0], outline[-1, 0], STEP_MM), outline[:, 0])
    radii = np.zeros(len(along))
    for (from_mm, from_radius), (to_mm, to_radius) in pairwise(outline):
        on = (along >= from_mm) & (along <= to_mm)
        share = (along[on] - from_mm) / max(to_mm - from_mm, 1e-12)
        radii[on] = np.maximum(radii[on], from_radius + share * (to_radius - from_radius))
    depth = path.placed.seat_depth_mm + along
    return path.entry_mm + depth[:, None] * path.direction, radii
