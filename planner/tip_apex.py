"""Tip–apex distance of a screw in a ball-shaped head: the sum of what two projections show.

On the frontal and on the lateral picture the distance from tip to apex is measured, magnification taken out,
and both are added (Baumgaertner et al. 1995 J Bone Joint Surg Am 77:1058, read): it is not the straight
distance in space. Above 25 mm lag screws cut out of femoral heads (0 of 120 at or below, same).
"""

from __future__ import annotations

import numpy as np

from segmentation.errors import InputError
from segmentation.vocabulary import Floats

TIP_APEX_LIMIT_MM = 25.0
"""Up to this no head was cut through. Published: Baumgaertner et al. 1995; femoral heads only."""

FRONTAL = (0.0, 1.0, 0.0)
"""Direction of view of a frontal picture in RAS+ (definition)."""

LATERAL = (1.0, 0.0, 0.0)
"""Direction of view of a lateral picture in RAS+ (definition); a true lateral of the hip looks along the
body's side only if the neck is not turned."""

BALL_ERROR_MM = 1.0
"""A joint surface that misses its ball by more (root mean square) has no apex. Our choice."""


def tip_apex_distance_mm(
    tip_mm: Floats,
    apex_mm: Floats,
    frontal: tuple[float, ...] = FRONTAL,
    lateral: tuple[float, ...] = LATERAL,
) -> float:
    """Sum of both projected distances from tip (3,) to apex (3,), viewed along two directions.

    Raises InputError for a direction without length.
    """
    return projected_mm(tip_mm, apex_mm, frontal) + projected_mm(tip_mm, apex_mm, lateral)


def projected_mm(tip_mm: Floats, apex_mm: Floats, view: tuple[float, ...]) -> float:
    """Distance of two points on a picture taken along ``view``, without magnification."""
    length = float(np.linalg.norm(view))
    if not length > 0:
        raise InputError(f"a direction of view must have a length (got {view}): give where the picture looks")
    along = np.asarray(view, float) / length
    away = np.asarray(apex_mm, float) - np.asarray(tip_mm, float)
    return float(np.linalg.norm(away - (away @ along) * along))


def ball_of(points_mm: Floats) -> tuple[Floats, float, float]:
    """Centre (3,), radius and root-mean-square miss of the ball through (n, 3) points, by linear least
    squares: |p|² = 2 p·c + (r² − |c|²)."""
    middle = points_mm.mean(axis=0)
    p = points_mm - middle
    unknowns, *_ = np.linalg.lstsq(np.column_stack([2 * p, np.ones(len(p))]), (p**2).sum(axis=1), rcond=None)
    centre = unknowns[:3]
    radius = float(np.sqrt(max(unknowns[3] + centre @ centre, 0.0)))
    miss = np.linalg.norm(p - centre, axis=1) - radius
    return np.asarray(middle + centre), radius, float(np.sqrt(np.mean(miss**2)))


def within_limit(distance_mm: float) -> bool:
    """Whether a tip–apex distance keeps the published limit of femoral heads."""
    return distance_mm <= TIP_APEX_LIMIT_MM
