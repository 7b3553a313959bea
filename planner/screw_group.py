"""Several screws together: how far apart, how parallel, what triangle they span, and who bears what.

Screws side by side across one fracture share a load as springs do: each by its bending stiffness E·I where
the fracture is. When one lets go, the others share what it bore the same way. A moment about the group, and
the bone's own give, are not in it: they load the outermost screw more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from segmentation.errors import InputError
from segmentation.vocabulary import Floats

PARALLEL_DEGREE = 5.0
"""Screws within this angle are called parallel. Our choice: a drill guided by hand errs as much."""


def angle_between_degree(first: Floats, second: Floats) -> float:
    """Angle of two axes (3,), which are lines: 0 … 90."""
    cosine = abs(float(first @ second)) / float(np.linalg.norm(first) * np.linalg.norm(second))
    return float(np.degrees(np.arccos(min(1.0, cosine))))


def spread_mm(points_mm: Floats) -> float:
    """Largest distance of any two of (n, 3) points; 0 for fewer than two."""
    pairs = combinations(np.asarray(points_mm, float), 2)
    return max((float(np.linalg.norm(a - b)) for a, b in pairs), default=0.0)


def triangle_area_mm2(points_mm: Floats) -> float:
    """Largest triangle that three of (n, 3) points span; 0 for fewer than three."""
    areas = (
        float(np.linalg.norm(np.cross(b - a, c - a))) / 2
        for a, b, c in combinations(np.asarray(points_mm, float), 3)
    )
    return max(areas, default=0.0)


def axes_apart_mm(first: tuple[Floats, Floats], second: tuple[Floats, Floats]) -> float:
    """Smallest distance of two stretches, each from point (3,) to point (3,).

    Closest points of two segments: Ericson 2004, Real-Time Collision Detection §5.1.9 (from memory).
    """
    (p, to_p), (q, to_q) = first, second
    d, e, r = to_p - p, to_q - q, p - q
    a, b, c, f = float(d @ d), float(d @ e), float(d @ r), float(e @ r)
    ee = float(e @ e)
    square = a * ee - b * b
    s = float(np.clip((b * f - c * ee) / square, 0, 1)) if square > 1e-12 * a * ee else 0.0
    t = float(np.clip((b * s + f) / ee, 0, 1))
    s = float(np.clip((b * t - c) / a, 0, 1))
    return float(np.linalg.norm(p + s * d - q - t * e))


def shares_fraction(stiffness: Mapping[str, float]) -> dict[str, float]:
    """Each screw's share of a load, by stiffness in any one unit. Raises InputError where none is stiff."""
    total = sum(stiffness.values())
    if not (total > 0 and all(value >= 0 for value in stiffness.values())):
        raise InputError("shares need stiffnesses above 0: leave out screws that do not bridge the fracture")
    return {name: value / total for name, value in stiffness.items()}


def shares_without(stiffness: Mapping[str, float], lost: Sequence[str]) -> dict[str, float]:
    """Shares of the screws that remain when those named let go; none when none remains."""
    rest = {name: value for name, value in stiffness.items() if name not in lost}
    return shares_fraction(rest) if rest else {}
