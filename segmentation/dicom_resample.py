"""Puts slices that lie askew or unevenly onto one straight, even grid, once and without leaving their planes.

A tilted gantry shifts each slice within its own plane; moving it back needs no values from its neighbours.
Only where the slices are unevenly spaced are values taken between two of them, linearly. Within the plane
cubic convolution is used: exact for quadratic grey profiles, 4 samples wide, so that an edge keeps its place
and nearly its sharpness. Overshoot is cut to the range of the slice, and a voxel that would take from where
there is no data has none.
Source: Keys 1981, cubic convolution interpolation, equation 15 with a = -1/2.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.reading import NO_DATA_HU
from segmentation.vocabulary import NO_DATA_BELOW_HU, Floats

FILL_HU = -1000
"""Stands in for missing values under the filter's outer taps: what surrounds padding is air."""

Image = npt.NDArray[np.float32]

ON_PLANE_FRACTION = 1e-6
"""A plane this close to a slice, in gaps, is that slice. Our choice: rounding of positions."""


def shifted(hu: npt.NDArray[Any], shift_columns_rows: Floats, shape: tuple[int, int]) -> Image:
    """``hu`` (rows, columns) moved by a shift ≥ 0 in voxels into an image of ``shape``; no data around."""
    valid = hu >= NO_DATA_BELOW_HU
    moved = np.full(shape, NO_DATA_HU, np.float32)
    if not valid.any():
        return moved
    values = np.where(valid, hu, FILL_HU).astype(np.float32)
    low, high = float(values[valid].min()), float(values[valid].max())
    begin = np.ceil(shift_columns_rows - ON_PLANE_FRACTION).astype(int)
    fraction = np.maximum(begin - shift_columns_rows, 0)
    values, valid = _moved(values, valid, float(fraction[0]))
    values, valid = _moved(values.T, valid.T, float(fraction[1]))
    values, valid = np.clip(values, low, high).T, valid.T
    rows, columns = values.shape
    target = moved[begin[1] : begin[1] + rows, begin[0] : begin[0] + columns]
    target[valid] = values[valid]
    return moved


def _moved(
    values: Image, valid: npt.NDArray[np.bool_], t_fraction: float
) -> tuple[Image, npt.NDArray[np.bool_]]:
    """Values at ``t_fraction`` past each sample along the last axis, one fewer; the same where it is 0."""
    if t_fraction < ON_PLANE_FRACTION:
        return values, valid
    t, n = t_fraction, values.shape[1] - 1
    weights = (
        (-(t**3) + 2 * t**2 - t) / 2,
        (3 * t**3 - 5 * t**2 + 2) / 2,
        (-3 * t**3 + 4 * t**2 + t) / 2,
        (t**3 - t**2) / 2,
    )
    padded = np.pad(values, ((0, 0), (1, 1)), mode="edge")
    total = np.zeros((len(values), n), np.float32)
    for offset, weight in enumerate(weights):
        total += np.float32(weight) * padded[:, offset : offset + n]
    return total, valid[:, :-1] & valid[:, 1:]


def planes(images: Iterator[tuple[float, Image]], depths_mm: Floats) -> Iterator[Image]:
    """Images at ``depths_mm`` (ascending, within the range) from images at (depth, image), linear between."""
    lower_mm, lower = next(images)
    upper_mm, upper = lower_mm, lower
    for depth_mm in depths_mm:
        while upper_mm < depth_mm and (following := next(images, None)) is not None:
            lower_mm, lower = upper_mm, upper
            upper_mm, upper = following
        share = (depth_mm - lower_mm) / (upper_mm - lower_mm) if upper_mm > lower_mm else 0.0
        if share < ON_PLANE_FRACTION:
            yield lower
        elif share > 1 - ON_PLANE_FRACTION:
            yield upper
        else:
            between = lower + np.float32(share) * (upper - lower)
            known = (lower >= NO_DATA_BELOW_HU) & (upper >= NO_DATA_BELOW_HU)
            yield np.where(known, between, np.float32(NO_DATA_HU))
