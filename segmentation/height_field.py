"""Where two fragments face each other: their mean plane, and the surface halfway as heights over it.

Distances to both fragments' voxels give the halfway surface; where they oppose each other the fragments face,
beside the bone they do not. Rays along the mean normal then meet it once each: a height for every cell of a
square grid on the plane. From labels alone a height is good to about a third of a voxel; grey values make it
better (``gap_map.py``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.vocabulary import Floats, Grid

FACING_MM = 3.0
"""Fragments face each other across no more than this (the design's 3 mm that makes two pieces one bone)."""

CELL_MM = 0.5
"""Edge of a cell of the grid of heights. Our choice: about a fine voxel."""

OPPOSED_FRACTION = 0.8
"""The directions away from both fragments oppose each other by so much where they face. Our choice: 1 between
parallel faces, 0.7 at a right angle beside the bone."""

FEWEST_POINTS_COUNT = 40
"""Fewer halfway voxels are no fracture: two corners that meet. Our choice: about 10 mm² of fine voxels."""

PLANE_PASSES_COUNT, OUTLIER_DEVIATIONS_COUNT = 4, 3.0
"""The plane is fitted so often, without points off it by so many deviations. Our choice."""

RAY_STEP_MM, DEEPEST_MM = 0.1, 8.0
"""Rays are looked along in such steps, and at most so far from the plane. Our choice: waves of bone are
flatter."""

SMOOTHING_MM = 0.6
"""Deviation of the Gaussian that smooths heights taken from labels. Our choice."""

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class HeightField:
    """Heights (rows, columns) over a plane with axes ``u``, ``v`` and ``normal`` through ``origin_mm``.

    ``facing`` tells which cells lie between both fragments; elsewhere a height is NaN. The normal points from
    the first fragment into the second. ``to_first_mm`` and ``to_second_mm`` are signed distances to the
    fragments, negative inside, and ``depth_mm`` the distance below the outer surface of both and the gap
    together, on a crop of the scan that begins at ``offset_ijk``.
    """

    origin_mm: Floats
    u: Floats
    v: Floats
    normal: Floats
    rows_mm: Floats
    columns_mm: Floats
    height_mm: Floats
    facing: Mask
    to_first_mm: Floats
    to_second_mm: Floats
    depth_mm: Floats
    offset_ijk: npt.NDArray[np.int_]

    @property
    def points_mm(self) -> Floats:
        """(rows, columns, 3) places of the surface in patient mm."""
        return np.asarray(
            self.origin_mm
            + self.rows_mm[:, None, None] * self.u
            + self.columns_mm[None, :, None] * self.v
            + self.height_mm[..., None] * self.normal
        )

    def with_heights(self, height_mm: Floats) -> HeightField:
        """The same cells at other heights; NaN stays where nothing faces."""
        return replace(self, height_mm=np.where(self.facing, height_mm, np.nan))

    @property
    def local_normals(self) -> Floats:
        """(rows, columns, 3) unit normals of the surface, from the first fragment into the second."""
        slope_u, slope_v = (self._slope(axis) for axis in (0, 1))
        normal = self.normal - slope_u[..., None] * self.u - slope_v[..., None] * self.v
        return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True))

    def _slope(self, axis: int) -> Floats:
        slope = np.gradient(filled(self.height_mm, self.facing), CELL_MM, axis=axis)
        return np.where(self.facing, slope, 0.0)

    @property
    def cell_mm2(self) -> Floats:
        """(rows, columns) area of the surface in each facing cell, 0 elsewhere."""
        lean = np.einsum("ijk,k->ij", self.local_normals, self.normal)
        return np.where(self.facing, CELL_MM**2 / np.maximum(lean, 1 / 2), 0.0)


def smoothed(values: Floats, weight: Floats, sigma_mm: float) -> Floats:
    """``values`` (rows, columns, …) averaged with a Gaussian of ``sigma_mm``, each with its ``weight``.

    NaN where no weight is near.
    """
    sigma = sigma_mm / CELL_MM
    extra = (1,) * (values.ndim - 2)
    share = weight.reshape(*weight.shape, *extra)
    sigmas = (sigma, sigma, *(0.0,) * len(extra))
    top = ndimage.gaussian_filter(np.where(share > 0, values, 0.0) * share, sigmas, mode="constant")
    bottom = ndimage.gaussian_filter(weight.astype(float), sigma, mode="constant").reshape(share.shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(bottom > LEAST_WEIGHT_FACTOR, top / bottom, np.nan))


LEAST_WEIGHT_FACTOR = 1e-6
"""Less weight within reach of a place is none. Our choice: four deviations away."""


def filled(values: Floats, known: Mask) -> Floats:
    """``values`` with each unknown cell taken from the nearest known one."""
    if known.all() or not known.any():
        return values
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(nearest)])


def fitted_plane(points: Floats, heights: Floats, weight: Floats) -> Floats:
    """(3,) slopes and offset of heights (n,) over points (n, 2), by weighted least squares."""
    root = np.sqrt(weight)
    terms = np.column_stack([points, np.ones(len(points))])
    found, *_ = np.linalg.lstsq(terms * root[:, None], heights * root, rcond=None)
    return np.asarray(found)


def height_field(labels: npt.NDArray[Any], first: int, second: int, grid: Grid) -> HeightField | None:
    """The surface halfway between two labels of ``labels`` on ``grid``; None where they do not face."""
    box = _shared_box(labels, first, second, grid)
    if box is None:
        return None
    crop = labels[box]
    if not (crop == first).any() or not (crop == second).any():
        # Their boxes come near each other and they do not.
        return None
    offset = np.array([part.start for part in box])
    to_first, to_second = (_signed_distance_mm(crop == number, grid.spacing_mm) for number in (first, second))
    away = (to_first - to_second) / 2
    apart = to_first + to_second
    edges = grid.affine[:3, :3] / grid.spacing_mm
    # Along the grid's own axes in mm, then in the patient's frame.
    slopes = np.stack([*np.gradient(away, *grid.spacing_mm)], axis=-1) @ np.linalg.inv(edges)
    opposed = np.linalg.norm(slopes, axis=-1) > OPPOSED_FRACTION
    halfway = (np.abs(away) <= grid.spacing_mm.max()) & (apart <= FACING_MM)
    if halfway.sum() < FEWEST_POINTS_COUNT:
        return None
    halfway &= opposed
    if halfway.sum() < FEWEST_POINTS_COUNT:
        return None
    directions = slopes[halfway]
    points = grid.ijk_to_mm(np.argwhere(halfway) + offset) - away[halfway][:, None] * directions
    plane = _plane_of(points, directions.mean(axis=0))
    if plane is None:
        return None
    together = (to_first <= 0) | (to_second <= 0) | ((apart <= FACING_MM) & opposed)
    depth = -_signed_distance_mm(together, grid.spacing_mm)
    return _heights_on(plane, points, (to_first, to_second, depth), offset, grid)


def _shared_box(
    labels: npt.NDArray[Any], first: int, second: int, grid: Grid
) -> tuple[slice, slice, slice] | None:
    """The part of the volume within reach of both labels."""
    found = ndimage.find_objects(labels)
    if max(first, second) > len(found) or found[first - 1] is None or found[second - 1] is None:
        return None
    near = np.ceil(FACING_MM / grid.spacing_mm).astype(int) + 2
    spans = []
    for one, other, more, size in zip(found[first - 1], found[second - 1], near, labels.shape, strict=True):
        start, stop = max(one.start, other.start) - int(more), min(one.stop, other.stop) + int(more)
        start, stop = max(start, 0), min(stop, size)
        if stop <= start:
            return None
        spans.append(slice(start, stop))
    return spans[0], spans[1], spans[2]


def _signed_distance_mm(inside: Mask, spacing_mm: Floats) -> Floats:
    """Distance to the border of ``inside``, negative inside."""
    steps = tuple(float(step) for step in spacing_mm)
    outer, inner = edt.edt(~inside, anisotropy=steps), edt.edt(inside, anisotropy=steps)
    half = float(spacing_mm.mean()) / 2
    return np.asarray(np.where(inside, half - inner, outer - half), float)


def _plane_of(points_mm: Floats, direction: Floats) -> tuple[Floats, Floats] | None:
    """Middle and normal of points, by least squares without outliers; the normal near ``direction``."""
    length = np.linalg.norm(direction)
    if length < OPPOSED_FRACTION / 2:
        # The faces look every way: no plane stands for them.
        return None
    normal, middle = direction / length, points_mm.mean(axis=0)
    for _ in range(PLANE_PASSES_COUNT):
        u, v = axes_across(normal)
        local = points_mm - middle
        plan, height = np.stack([local @ u, local @ v], axis=1), local @ normal
        deviation = OUTLIER_DEVIATIONS_COUNT * max(float(np.sqrt(np.mean(height**2))), CELL_MM)
        kept = (np.abs(height) < deviation).astype(float)
        slope_u, slope_v, offset = fitted_plane(plan, height, kept)
        middle = middle + offset * normal
        normal = normal - slope_u * u - slope_v * v
        normal = normal / np.linalg.norm(normal)
    return middle, normal


def axes_across(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit directions square to ``normal`` and to each other."""
    start = np.zeros(3)
    start[int(np.argmin(np.abs(normal)))] = 1
    u = np.cross(normal, start)
    u /= np.linalg.norm(u)
    return u, np.cross(normal, u)


def _heights_on(
    plane: tuple[Floats, Floats],
    points_mm: Floats,
    distances_mm: tuple[Floats, Floats, Floats],
    offset_ijk: npt.NDArray[np.int_],
    grid: Grid,
) -> HeightField | None:
    """Where rays along the plane's normal pass from the first fragment's side to the second's."""
    middle, normal = plane
    u, v = axes_across(normal)
    local = points_mm - middle
    rows, columns = (_ticks(local @ axis) for axis in (u, v))
    deepest = min(float(np.abs(local @ normal).max()) + FACING_MM, DEEPEST_MM)
    steps = np.arange(-deepest, deepest + RAY_STEP_MM, RAY_STEP_MM)
    base = middle + rows[:, None, None] * u + columns[None, :, None] * v
    places = base[..., None, :] + steps[:, None] * normal
    ijk = grid.mm_to_ijk(places.reshape(-1, 3)) - offset_ijk
    first, second = (
        ndimage.map_coordinates(
            values, ijk.T, order=1, mode="constant", cval=float(FACING_MM + deepest)
        ).reshape(places.shape[:-1])
        for values in distances_mm[:2]
    )
    away, apart = (first - second) / 2, first + second
    crossing = (away[..., :-1] < 0) & (away[..., 1:] >= 0) & (apart[..., :-1] <= FACING_MM)
    crossing &= _met_within(first < 0, steps, ahead=False) & _met_within(second < 0, steps, ahead=True)
    facing = crossing.any(axis=-1)
    # Of several crossings the one nearest the plane.
    index = np.argmin(np.where(crossing, np.abs(steps[:-1]), np.inf), axis=-1)[..., None]
    low, high = (np.take_along_axis(away, index + more, axis=-1)[..., 0] for more in (0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        height = steps[index[..., 0]] + RAY_STEP_MM * low / (low - high)
    facing = _largest_patch(facing)
    if facing.sum() * CELL_MM**2 < FEWEST_MM2:
        return None
    field = HeightField(
        middle,
        u,
        v,
        normal,
        rows,
        columns,
        np.where(facing, height, np.nan),
        facing,
        *distances_mm,
        offset_ijk,
    )
    return field.with_heights(smoothed(height, facing.astype(float), SMOOTHING_MM))


FEWEST_MM2 = 10.0
"""A smaller meeting of two fragments is not measured. Our choice: a 3.5 mm screw's section."""


def _ticks(along_mm: Floats) -> Floats:
    low, high = float(along_mm.min()) - 1, float(along_mm.max()) + 1
    return np.asarray(np.arange(low, high + CELL_MM, CELL_MM))


def _met_within(inside: Mask, steps_mm: Floats, *, ahead: bool) -> Mask:
    """For each step but the last, whether ``inside`` holds within FACING_MM before or after it."""
    reach = round(FACING_MM / RAY_STEP_MM)
    kernel = np.zeros(2 * reach + 1, bool)
    kernel[: reach + 1] = ahead
    kernel[reach:] |= not ahead
    met = ndimage.binary_dilation(inside, structure=kernel.reshape(1, 1, -1))
    return np.asarray(met[..., : len(steps_mm) - 1])


def _largest_patch(facing: Mask) -> Mask:
    """Small holes closed, and only the largest connected patch kept."""
    patches, count = ndimage.label(facing)
    if count > 1:
        sizes = np.bincount(patches.ravel())[1:]
        facing = patches == 1 + int(np.argmax(sizes))
    return np.asarray(facing)
