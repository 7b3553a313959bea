"""The forms bones are made of: rounded solids given by formulas, joined and carved smoothly.

A *field* is a function of x, y, z (arrays of one shape, mm) that is negative inside a solid, zero on its
surface and positive outside, growing about 1 per mm near the surface. Blending makes it a little less than a
true distance, so wherever a distance matters it is found on the zero set itself (see ``surface_points.py``).
Blends follow the quadratic smooth minimum (common practice in implicit modelling): where both solids are
within ``blend_mm`` of each other, up to ``blend_mm / 4`` is added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating]
Field = Callable[[Array, Array, Array], Array]
Triple = tuple[float, float, float]

CENTRE_GUARD_COUNT = 1e-6
"""Keeps the ellipsoid's formula from 0/0 at its very centre. Our choice: far below any size used."""

GRADIENT_STEP_MM = 0.02
"""Step of the central differences. Our choice: exact to 1e-4 at bone's curvatures, far above float32
noise."""


CACHED_COUNT = 16384
"""So many points are worked on at a time. Our choice: they stay in the processor's cache."""


def ball(x: Array, y: Array, z: Array, centre_mm: Triple, radius_mm: float) -> Array:
    """Distance to a ball; exact."""
    return np.asarray(
        np.sqrt((x - centre_mm[0]) ** 2 + (y - centre_mm[1]) ** 2 + (z - centre_mm[2]) ** 2) - radius_mm
    )


def ellipsoid(x: Array, y: Array, z: Array, centre_mm: Triple, radii_mm: Triple) -> Array:
    """Field of an ellipsoid with axes along x, y, z: the zero set is exact, the slope there is 1.

    With q = (p - c) / r: ``|q| (|q| - 1) / |q / r|`` (first order in the distance; common practice).
    """
    scaled = [(p - c) / r for p, c, r in zip((x, y, z), centre_mm, radii_mm, strict=True)]
    level = np.sqrt(sum(q * q for q in scaled))
    slope = np.sqrt(sum((q / r) ** 2 for q, r in zip(scaled, radii_mm, strict=True)))
    return np.asarray(level * (level - 1) / np.maximum(slope, CENTRE_GUARD_COUNT))


def rod(
    x: Array, y: Array, z: Array, start_mm: Triple, end_mm: Triple, radii_mm: tuple[float, float]
) -> Array:
    """Field of a round rod from start to end whose radius goes evenly from the first to the second."""
    along = np.subtract(end_mm, start_mm)
    offset = [p - float(s) for p, s in zip((x, y, z), start_mm, strict=True)]
    dot = sum(o * float(a) for o, a in zip(offset, along, strict=True))
    share = np.minimum(np.maximum(dot / float(along @ along), 0), 1)
    square = sum((o - share * float(a)) ** 2 for o, a in zip(offset, along, strict=True))
    return np.asarray(np.sqrt(square) - (radii_mm[0] + share * (radii_mm[1] - radii_mm[0])))


def box(
    x: Array, y: Array, z: Array, centre_mm: Triple, half_mm: Triple, *, rounding_mm: float = 0.0
) -> Array:
    """Distance to a box with edges along x, y, z and corners rounded; exact."""
    beyond = [
        np.abs(p - c) - (h - rounding_mm) for p, c, h in zip((x, y, z), centre_mm, half_mm, strict=True)
    ]
    outside = np.sqrt(sum(np.maximum(b, 0) ** 2 for b in beyond))
    inside = np.minimum(np.maximum(np.maximum(beyond[0], beyond[1]), beyond[2]), 0)
    return np.asarray(outside + inside - rounding_mm)


def smooth_union(a: Array, b: Array, blend_mm: float) -> Array:
    """Both solids, the crease between them filled over ``blend_mm``."""
    overlap = np.maximum(blend_mm - np.abs(a - b), 0) / blend_mm
    return np.asarray(np.minimum(a, b) - overlap * overlap * (blend_mm / 4))


def smooth_intersection(a: Array, b: Array, blend_mm: float) -> Array:
    """What both solids share, the edge between them rounded over ``blend_mm``."""
    return -smooth_union(-a, -b, blend_mm)


def smooth_difference(a: Array, b: Array, blend_mm: float) -> Array:
    """The first solid without the second, the edge rounded over ``blend_mm``."""
    return -smooth_union(-a, b, blend_mm)


def smooth_step(values: Array, start: float, end: float) -> Array:
    """0 at ``start``, 1 at ``end`` (which may be smaller), 3t² - 2t³ between."""
    t = np.minimum(np.maximum((values - start) / (end - start), 0), 1)
    return np.asarray(t * t * (3 - 2 * t))


def values_at(field: Field, points_mm: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The field at points of any shape (..., 3), CACHED_COUNT at a time."""
    points = points_mm.reshape(-1, 3)
    values = np.empty(len(points))
    for start in range(0, len(points), CACHED_COUNT):
        part = slice(start, start + CACHED_COUNT)
        values[part] = field(*np.ascontiguousarray(points[part].T))
    return values.reshape(points_mm.shape[:-1])


def gradient(field: Field, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
    """Slope of a field along x, y and z by central differences."""
    h = GRADIENT_STEP_MM
    return (
        (field(x + h, y, z) - field(x - h, y, z)) / (2 * h),
        (field(x, y + h, z) - field(x, y - h, z)) / (2 * h),
        (field(x, y, z + h) - field(x, y, z - h)) / (2 * h),
    )


@dataclass(frozen=True, eq=False)
class Waves:
    """A random smooth field of mean 0 and variance 1: a sum of plane waves. ``wave_vectors`` (n, 3),
    ``phases`` (n,)."""

    wave_vectors: npt.NDArray[np.float64]
    phases: npt.NDArray[np.float64]

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Value at each point."""
        total = np.zeros_like(x)
        for start in range(0, len(x), CACHED_COUNT):
            part = slice(start, start + CACHED_COUNT)
            px, py, pz, sum_ = x[part], y[part], z[part], total[part]
            for (kx, ky, kz), phase in zip(self.wave_vectors.tolist(), self.phases.tolist(), strict=True):
                angle = kz * pz
                angle += phase
                angle += ky * py
                angle += kx * px
                sum_ += np.sin(angle, out=angle)
        return np.asarray(total * float(np.sqrt(2 / len(self.phases))))


def random_waves(rng: np.random.Generator, count: int, wavelengths_mm: tuple[float, float]) -> Waves:
    """``count`` plane waves of random direction and phase with wavelengths between the two given."""
    directions = rng.normal(size=(count, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    wavelengths = rng.uniform(*wavelengths_mm, size=count)
    return Waves(2 * np.pi * directions / wavelengths[:, None], rng.uniform(0, 2 * np.pi, count))


@dataclass(frozen=True, eq=False)
class Frame:
    """A place and three directions: ``origin_mm`` (3,), rows of ``axes`` (3, 3) orthonormal."""

    origin_mm: npt.NDArray[np.float64]
    axes: npt.NDArray[np.float64]

    def local(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """Coordinates of points along the three axes, from the origin."""
        dx, dy, dz = (p - float(o) for p, o in zip((x, y, z), self.origin_mm, strict=True))
        first, second, third = (float(a[0]) * dx + float(a[1]) * dy + float(a[2]) * dz for a in self.axes)
        return first, second, third

    def point_mm(self, first_mm: float, second_mm: float, third_mm: float) -> npt.NDArray[np.float64]:
        """(3,) the point at these coordinates of the frame."""
        return np.asarray(self.origin_mm + np.array([first_mm, second_mm, third_mm]) @ self.axes)

    def triple_mm(self, first_mm: float, second_mm: float, third_mm: float) -> Triple:
        """The same point as three floats."""
        x, y, z = self.point_mm(first_mm, second_mm, third_mm).tolist()
        return x, y, z


def frame_along(origin_mm: Triple, first: Triple, towards: Triple) -> Frame:
    """Frame whose first axis is ``first`` and whose second is ``towards`` made square to it."""
    a = np.asarray(first, float) / np.linalg.norm(first)
    b = np.asarray(towards, float) - (np.asarray(towards, float) @ a) * a
    b /= np.linalg.norm(b)
    return Frame(np.asarray(origin_mm, float), np.stack([a, b, np.cross(a, b)]))
