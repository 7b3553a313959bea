"""A screw's shadow under parallel rays: exact for its solid of revolution.

Between two heights of its outline the solid is a cone's slice, the convex hull of two discs; its shadow is
the convex hull of the two ellipses that the discs throw. The screw's shadow is all of these together.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.spatial import ConvexHull

from planner.projection import View
from segmentation.vocabulary import Floats
from viewer.report.view_frame import squared_up

ANGLES_COUNT = 48
"""Points of a disc's rim. Our choice: the chord misses the arc by 0.2 % of the radius."""


def silhouette_mm(outline_mm: Floats, datum_mm: Floats, along: Floats, view: View) -> list[Floats]:
    """Convex polygons (k, 2), right and up in ``view``, that together are the shadow of a solid.

    ``outline_mm`` (n, 2) is [height, radius] along the unit vector ``along`` (3,) from ``datum_mm`` (3,).
    """
    angles = np.arange(ANGLES_COUNT) * 2 * np.pi / ANGLES_COUNT
    up = squared_up(along)
    spokes = np.cos(angles)[:, None] * up + np.sin(angles)[:, None] * np.cross(along, up)
    rims = [view.flat_mm(datum_mm + z_mm * along + radius_mm * spokes) for z_mm, radius_mm in outline_mm]
    return [_hull(np.concatenate(pair)) for pair in pairwise(rims)]


def _hull(points_mm: Floats) -> Floats:
    """(k, 2) the convex hull of points in a plane; two points where they lie on one line."""
    spread = points_mm - points_mm.mean(axis=0)
    _, sizes, ways = np.linalg.svd(spread, full_matrices=False)
    if sizes[1] <= 1e-9 * max(sizes[0], 1.0):
        at = spread @ ways[0]
        return np.asarray(points_mm[[int(at.argmin()), int(at.argmax())]])
    return np.asarray(points_mm[ConvexHull(points_mm).vertices])
