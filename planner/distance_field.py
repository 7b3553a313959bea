"""How far every place around a bone is from a surface, on a lattice: positive inside, negative outside.

Within NEAR_MM of the surface each lattice point has its exact distance to the triangles, so what is
interpolated between is sub-voxel (RMS under 0.03 mm on curved surfaces with voxels of 0.5 mm:
tests/test_distance_field.py). Beyond, every COARSE_STEP-th point has it and the rest lies between, too low by
up to half their distance on the middle lines, where distances have a kink; beyond FAR_MM only that it is
farther is known. A field serves to choose among many trajectories quickly; what is reported is measured on
the triangles.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from planner.mesh import NO_BALL, Mesh
from planner.mesh_kernels import nearest_on_lattice
from segmentation.vocabulary import Floats, Grid

NEAR_MM = 3.0
"""Exact within this of the surface. Our choice: above every clearance limit of practice at small joints."""

FAR_MM = 10.0
"""Farther than this is told as this. Our choice: no limit asks for more."""

COARSE_STEP = 3
"""Every so many points along each axis are measured first."""

BAND_SLACK_MM = 0.5
"""The exact band reaches this far beyond NEAR_MM, as what chooses it is interpolated. Our choice."""

Field = npt.NDArray[np.float32]


def grid_around(grid: Grid, low_mm: Floats, high_mm: Floats, margin_mm: float) -> Grid:
    """The part of an endless ``grid`` that holds a box (3,), (3,) of mm with a margin; voxels keep their
    places."""
    corners = np.stack(np.meshgrid(*np.stack([low_mm - margin_mm, high_mm + margin_mm], axis=1)), axis=-1)
    ijk = grid.mm_to_ijk(corners.reshape(-1, 3))
    first, last = np.floor(ijk.min(axis=0)), np.ceil(ijk.max(axis=0))
    affine = grid.affine.copy()
    affine[:3, 3] = grid.ijk_to_mm(first[None])[0]
    i, j, k = (last - first).astype(int) + 1
    return Grid((int(i), int(j), int(k)), affine)


def distance_field(
    mesh: Mesh, grid: Grid, *, near_mm: float = NEAR_MM, far_mm: float = FAR_MM, is_open: bool = False
) -> Field:
    """Signed distance in mm to ``mesh`` at every point of ``grid``, clipped to ± ``far_mm``.

    ``is_open``: the surface has a rim, beside which there is no through; far from it is positive. A closed
    surface must lie inside the grid.
    """
    wanted = np.zeros(grid.shape, bool)
    marks = [np.unique(np.append(np.arange(0, n, COARSE_STEP), n - 1)) for n in grid.shape]
    wanted[np.ix_(*marks)] = True
    # A side is carried on from the point before: no step may lead across the surface out of reach.
    reach_mm = max(far_mm, COARSE_STEP * float(grid.spacing_mm.max()))
    coarse = _measured(mesh, grid, wanted, reach_mm, is_open)[np.ix_(*marks)]
    _settle_far(coarse, far_mm, is_open)
    coarse = np.clip(coarse, -far_mm, far_mm)
    places = [
        np.interp(np.arange(n), mark, np.arange(len(mark))) for n, mark in zip(grid.shape, marks, strict=True)
    ]
    field = coarse
    for axis, place in enumerate(places):
        field = _interpolated(field, place, axis)
    band = np.abs(field) <= near_mm + BAND_SLACK_MM
    exact = _measured(mesh, grid, band, near_mm + 2 * BAND_SLACK_MM, is_open)
    known = np.isfinite(exact)
    field[known] = exact[known]
    return np.asarray(field, np.float32)


def trilinear(field: Field, grid: Grid, points_mm: Floats) -> Floats:
    """(n,) values of a field at points (n, 3), linear between lattice points; NaN outside the lattice."""
    ijk = grid.mm_to_ijk(points_mm).T
    return np.asarray(
        ndimage.map_coordinates(field, ijk, order=1, output=float, mode="constant", cval=np.nan)
    )


def _measured(mesh: Mesh, grid: Grid, wanted: npt.NDArray[np.bool_], limit_mm: float, is_open: bool) -> Field:
    found: Field = nearest_on_lattice(
        np.ascontiguousarray(grid.affine[:3, 3]),
        np.ascontiguousarray(grid.affine[:3, :3]),
        wanted,
        mesh.for_kernels,
        NO_BALL.for_kernels,
        is_open,
        limit_mm,
    )
    return found


def _settle_far(field: Field, far_mm: float, is_open: bool) -> None:
    """Give what is too far to be measured the side of what lies before it in its row; rows begin outside."""
    far = ~np.isfinite(field)
    if is_open:
        field[far] = far_mm
        return
    side = np.where(far, 0, np.sign(field)).astype(np.int8)
    side[:, :, 0] = np.where(far[:, :, 0], -1, side[:, :, 0])
    rank = np.where(side != 0, np.arange(field.shape[2]), 0)
    before = np.maximum.accumulate(rank, axis=2)
    carried = np.take_along_axis(side, before, axis=2)
    field[far] = far_mm * carried[far]


def _interpolated(field: Field, place: Floats, axis: int) -> Field:
    low = (
        np.minimum(np.floor(place).astype(int), field.shape[axis] - 2)
        if field.shape[axis] > 1
        else place.astype(int)
    )
    high = np.minimum(low + 1, field.shape[axis] - 1)
    shape = [1, 1, 1]
    shape[axis] = len(place)
    share = (place - low).astype(np.float32).reshape(shape)
    before, after = np.take(field, low, axis), np.take(field, high, axis)
    return np.asarray(before + share * (after - before), np.float32)
