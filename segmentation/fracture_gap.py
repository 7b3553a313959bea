"""Where a fracture gap runs on through the marrow, where no edge shows it.

The gap is seen in the cortex only: two broken rims facing each other. Rim points are taken sub-voxel from the
grey values; at each, half of the distance to the other rim is the signed distance from the middle of the gap.
A smooth function through these values (a biharmonic spline with a linear part: a plane stays a plane exactly)
and a linear one through the gap's width carry the gap across the cavity. Measured on blurred tubes, square or
at 45°, gaps of 0.8 to 2 mm: axis paths within 0.1 mm (tests/test_envelope.py). How a fracture bends between
its rims more than they show cannot be known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import RBFInterpolator
from scipy.spatial import cKDTree

from segmentation.vocabulary import Floats

RIM_POINTS_COUNT = 150
"""Most points of each rim that the surface is fitted to. Our choice: about 0.5 mm apart around a shaft's
cortex."""

FEWEST_RIM_POINTS_COUNT = 12
"""Fewer tell no direction. Our choice."""

MUTUAL_MM = 0.1
"""A point faces the other rim when its partner has no nearer partner than by this: points on the surface
beside the rim have, and so do its rounded edges. Our choice: rims are known so well."""

SMOOTHING_FACTOR = 2.0
"""How little the surface follows single points (see scipy's RBFInterpolator). Our choice: rims are known to a
tenth of a voxel."""

COARSE_MM = 2.0
"""The smooth functions are evaluated so far apart and interpolated linearly between. Our choice."""

WIDTH_PERCENTILES = (5, 95)
"""The gap is nowhere taken for narrower or wider than these of its seen widths. Our choice: no
extrapolation."""

FLATTEST_MM = 1e-3
"""Rim points thinner than this in some direction tell no normal. Our choice."""


@dataclass(frozen=True, eq=False)
class Gap:
    """Two float32 volumes of the crop: distance from the middle of the gap, positive on the first piece's
    side, and the gap's width."""

    from_middle_mm: npt.NDArray[np.float32]
    width_mm: npt.NDArray[np.float32]


def gap_between(
    above_hu: npt.NDArray[np.float32],
    first: npt.NDArray[np.bool_],
    second: npt.NDArray[np.bool_],
    widest_mm: float,
    spacing_mm: Floats,
) -> Gap | None:
    """The gap between two pieces of one crop; None where they do not face each other within ``widest_mm``.

    ``above_hu`` is the grey value less the level.
    """
    rims = [_rim_points_mm(above_hu, piece, spacing_mm) for piece in (first, second)]
    if min(len(rim) for rim in rims) == 0:
        return None
    trees = [cKDTree(rim) for rim in rims]
    points, signed, widths = [], [], []
    for own, other, side in ((0, 1, 0.5), (1, 0, -0.5)):
        across, partner = trees[other].query(rims[own], distance_upper_bound=widest_mm)
        near = np.flatnonzero(np.isfinite(across))
        back, _ = trees[own].query(rims[other][partner[near]])
        near = near[across[near] <= back + MUTUAL_MM]
        if len(near) < FEWEST_RIM_POINTS_COUNT:
            return None
        near = near[np.linspace(0, len(near) - 1, min(len(near), RIM_POINTS_COUNT)).astype(int)]
        points.append(rims[own][near])
        signed.append(side * across[near])
        widths.append(across[near])
    at = np.concatenate(points)
    if np.linalg.svd(at - at.mean(axis=0), compute_uv=False)[-1] < FLATTEST_MM * np.sqrt(len(at)):
        return None
    smooth = RBFInterpolator(
        at, np.concatenate(signed), kernel="linear", degree=1, smoothing=SMOOTHING_FACTOR
    )
    linear, *_ = np.linalg.lstsq(np.c_[np.ones(len(at)), at], np.concatenate(widths))
    width = linear[0] + sum(
        (slope * step * np.arange(size)).reshape([-1 if a == axis else 1 for a in range(3)])
        for axis, (slope, step, size) in enumerate(zip(linear[1:], spacing_mm, above_hu.shape, strict=True))
    )
    low, high = np.percentile(np.concatenate(widths), WIDTH_PERCENTILES)
    return Gap(_on_grid(smooth, above_hu.shape, spacing_mm), np.clip(width, low, high).astype(np.float32))


def _rim_points_mm(
    above_hu: npt.NDArray[np.float32], piece: npt.NDArray[np.bool_], spacing_mm: Floats
) -> Floats:
    """(n, 3) places, in mm from the crop's corner, where grid lines leave the piece through its level."""
    found = []
    for axis in range(3):
        near, far = _neighbours(piece, axis)
        low, high = _neighbours(above_hu, axis)
        at = np.argwhere((near != far) & ((low >= 0) != (high >= 0)))
        start, stop = low[tuple(at.T)].astype(float), high[tuple(at.T)].astype(float)
        place = at.astype(float)
        place[:, axis] += start / (start - stop)
        found.append(place * spacing_mm)
    return np.concatenate(found)


def _neighbours(values: npt.NDArray, axis: int) -> tuple[npt.NDArray, npt.NDArray]:  # type: ignore[type-arg]
    """Each voxel but the last along an axis, and the one after it."""
    before, after = [slice(None)] * 3, [slice(None)] * 3
    before[axis], after[axis] = slice(None, -1), slice(1, None)
    return values[tuple(before)], values[tuple(after)]


def _on_grid(smooth: RBFInterpolator, shape: tuple[int, ...], spacing_mm: Floats) -> npt.NDArray[np.float32]:
    """A smooth function on the crop's voxels, through a coarse grid."""
    counts = [
        max(2, int(np.ceil((size - 1) * step / COARSE_MM)) + 1)
        for size, step in zip(shape, spacing_mm, strict=True)
    ]
    ticks = [
        np.linspace(0, max(size - 1, 1) * step, count)
        for size, step, count in zip(shape, spacing_mm, counts, strict=True)
    ]
    corners = np.stack(np.meshgrid(*ticks, indexing="ij"), axis=-1).reshape(-1, 3)
    volume = np.asarray(smooth(corners).reshape(counts), np.float32)
    for axis, (size, count) in enumerate(zip(shape, counts, strict=True)):
        volume = _stretched(volume, axis, size, count)
    return volume


def _stretched(coarse: npt.NDArray[np.float32], axis: int, size: int, count: int) -> npt.NDArray[np.float32]:
    """``coarse`` interpolated linearly along one axis from ``count`` to ``size`` places, ends on ends."""
    place = np.linspace(0, count - 1, size)
    below = np.minimum(place.astype(int), count - 2)
    share = (place - below).astype(np.float32).reshape([-1 if a == axis else 1 for a in range(coarse.ndim)])
    low, high = np.take(coarse, below, axis=axis), np.take(coarse, below + 1, axis=axis)
    return np.asarray(low + share * (high - low))
