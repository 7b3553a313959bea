"""Flat cuts through a CT and through bone surfaces.

A CT section is read trilinearly in float HU on a square grid in the plane (no resampled volume, no squeezed
side) and shown in a fixed window. An outline is where the plane meets the triangles of a surface: exact for
the mesh. Places outside the scan stay transparent, so that "no scan" never looks like air.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from PIL import Image

from planner.grey_kernels import linear_at
from planner.triangle_tree import TriangleTree, met_by_plane
from segmentation.vocabulary import NO_DATA_BELOW_HU, Bone, Floats, Host
from viewer.report.outline_kernels import chains, crossed_edges, heights
from viewer.report.view_frame import PosedFragment

WINDOWS_HU = {"bone": (-450.0, 1300.0), "foam": (-1000.0, 0.0)}
"""Black and white of a CT section by host. Our choice: soft tissue stays dark grey, a dense cortex just
turns white; foams are lighter than water."""

AT_EDGE_RATIO, SAME_CROSSING_MM = 1e-9, 1e-6
"""A line so near to a triangle's edge, as a share of it, meets it, and crossings the same way so near to each
other are one. Our choice: rounding."""

STEP_MM = 0.1
"""Grid of a CT section. Our choice: a quarter of a fine voxel, so that the picture shows no steps of its
own."""


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane with its own right and up, unit vectors (3,); (0, 0) in the plane is ``origin_mm``."""

    origin_mm: Floats
    right: Floats
    up: Floats

    @cached_property
    def normal(self) -> Floats:
        """Unit vector to the reader."""
        (a, b, c), (x, y, z) = self.right.tolist(), self.up.tolist()
        return np.array([b * z - c * y, c * x - a * z, a * y - b * x])

    def flat_mm(self, points_mm: npt.ArrayLike) -> Floats:
        """(n, 3) points → (n, 2) [right, up] of their feet in the plane."""
        return np.asarray((np.asarray(points_mm) - self.origin_mm) @ np.column_stack([self.right, self.up]))


@dataclass(frozen=True)
class Window:
    """The part of a plane that is drawn, in mm right and up of its origin."""

    left_mm: float
    right_mm: float
    bottom_mm: float
    top_mm: float


def section_hu(
    bone: Bone,
    plane: Plane,
    window: Window,
    posed: Sequence[PosedFragment] = (),
    *,
    step_mm: float = STEP_MM,
) -> Floats:
    """(rows, columns) HU, row 0 at the top; NaN outside the scan and where nothing was recorded.

    With moved fragments each is read at its own pose, over black: soft tissue does not move with them.
    """
    across_mm = np.arange(window.left_mm + step_mm / 2, window.right_mm, step_mm)
    down_mm = np.arange(window.top_mm - step_mm / 2, window.bottom_mm, -step_mm)
    X, Y = np.meshgrid(across_mm, down_mm)
    points_mm = plane.origin_mm + X[..., None] * plane.right + Y[..., None] * plane.up
    flat_mm = points_mm.reshape(-1, 3)
    if any(fragment.moved for fragment in posed):
        hu = np.full(len(flat_mm), WINDOWS_HU[bone.host][0])
        for fragment in posed:
            scan_mm = flat_mm @ fragment.to_scan[:3, :3].T + fragment.to_scan[:3, 3]
            own = labels_at(bone, scan_mm) == fragment.number
            hu[own] = hu_at(bone, scan_mm[own])
    else:
        hu = hu_at(bone, flat_mm)
    return np.asarray(hu.reshape(X.shape))


def hu_at(bone: Bone, points_mm: Floats) -> Floats:
    """(n,) trilinear HU at (n, 3) points as scanned; NaN outside the scan and in padding."""
    hu: Floats = linear_at(bone.ct.hu, bone.ct.grid.mm_to_ijk(points_mm))
    hu[hu < NO_DATA_BELOW_HU] = np.nan
    return hu


def labels_at(bone: Bone, points_mm: Floats) -> npt.NDArray[np.uint8]:
    """(n,) fragment number of the voxel that holds each (n, 3) point as scanned; 0 outside."""
    ijk = np.rint(bone.ct.grid.mm_to_ijk(points_mm)).astype(int)
    inside = np.all((ijk >= 0) & (ijk < np.array(bone.labels.shape)), axis=1)
    labels = np.zeros(len(ijk), np.uint8)
    labels[inside] = bone.labels[tuple(ijk[inside].T)]
    return labels


def picture_uri(hu: Floats, host: Host, *, quick: bool = False) -> str:
    """A CT section as a grey PNG in a data URI, transparent where HU is NaN; ``quick`` spares time, not
    bytes."""
    low, high = WINDOWS_HU[host]
    known = np.isfinite(hu)
    grey = np.rint(np.clip((np.where(known, hu, low) - low) / (high - low), 0, 1) * 255)
    layers = np.stack([grey, known * 255.0], axis=-1).astype(np.uint8)
    return png_uri(layers, quick=quick)


def png_uri(layers: npt.NDArray[np.uint8], *, quick: bool = False) -> str:
    """A picture (rows, columns, 2 or 4) as a data URI; the same picture is always the same bytes."""
    file = io.BytesIO()
    Image.fromarray(layers).save(file, "PNG", compress_level=1 if quick else 6)
    return "data:image/png;base64," + base64.b64encode(file.getvalue()).decode()


def outlines_mm(
    plane: Plane, vertices_mm: Floats, faces: npt.NDArray[np.int32], tree: TriangleTree | None = None
) -> list[Floats]:
    """Where a plane meets a surface: polylines (n, 2) [right, up]; a closed one ends where it began.

    With the surface's ``tree`` only triangles near the plane are looked at.
    """
    if tree is not None:
        faces = faces[met_by_plane(np.array(plane.origin_mm), plane.normal, tree.order, tree.boxes)]
    return [points_mm for points_mm, _ in outlines_and_ends(plane, vertices_mm, faces)]


def outlines_and_ends(
    plane: Plane, vertices_mm: Floats, faces: npt.NDArray[np.int32]
) -> list[tuple[Floats, npt.NDArray[np.int64]]]:
    """The same, and for each point the two vertices (n, 2) between which it lies."""
    origin_mm = np.array(plane.origin_mm)
    faces = np.require(faces, requirements=["C", "W"])
    edges, joins = crossed_edges(vertices_mm, origin_mm, plane.normal, faces)
    if not len(joins):
        return []
    first, second = vertices_mm[edges[:, 0]], vertices_mm[edges[:, 1]]
    low, high = (heights(ends, origin_mm, plane.normal) for ends in (first, second))
    share = (low / (low - high))[:, None]
    points = plane.flat_mm(first * (1 - share) + second * share)
    visited, begins = chains(joins, len(edges))
    return [
        (points[chain], edges[chain])
        for start, stop in pairwise(begins.tolist())
        for chain in [visited[start:stop]]
    ]


def pieces_within(loop: Floats, half_mm: float) -> list[Floats]:
    """What of a polyline (n, 2) a square of ``half_mm`` about the origin shows, with one point more at each
    end."""
    inside = np.asarray((np.abs(loop) <= half_mm).all(axis=1))
    # A long step may cross a corner of the square between two points outside it.
    inside[:-1] |= (np.abs(loop[:-1] + loop[1:]) / 2 <= half_mm).all(axis=1)
    shown = inside.copy()
    shown[1:] |= inside[:-1]
    shown[:-1] |= inside[1:]
    if shown.all():
        return [loop]
    ends = np.flatnonzero(np.diff(shown, prepend=False, append=False))
    return [loop[start:stop] for start, stop in ends.reshape(-1, 2)]


def encloses(loops: Sequence[Floats], x_mm: float, y_mm: float) -> bool:
    """Whether (x, y) lies inside closed outlines, by counting crossings of a ray to the right."""
    crossings = 0
    for loop in loops:
        x, y = loop.T
        rises = (y[:-1] > y_mm) != (y[1:] > y_mm)
        with np.errstate(divide="ignore", invalid="ignore"):
            where_mm = x[:-1] + (y_mm - y[:-1]) / (y[1:] - y[:-1]) * (x[1:] - x[:-1])
        crossings += int(np.count_nonzero(rises & (where_mm > x_mm)))
    return crossings % 2 == 1


def nearest_on(loops: Sequence[Floats]) -> Floats | None:
    """(2,) point of the outlines nearest to the plane's origin, or None without outlines."""
    best: Floats | None = None
    for loop in loops:
        start, step = loop[:-1], np.diff(loop, axis=0)
        length2 = np.maximum((step**2).sum(1), np.finfo(float).tiny)
        share = np.clip(-(start * step).sum(1) / length2, 0, 1)
        feet = start + share[:, None] * step
        foot = feet[np.argmin((feet**2).sum(1))]
        if best is None or (foot**2).sum() < (best**2).sum():
            best = foot
    return best


def crossing_depths_mm(
    origin_mm: Floats, along: Floats, vertices_mm: Floats, faces: npt.NDArray[np.int32]
) -> Floats:
    """Depths at which a line crosses a surface, ascending (Möller and Trumbore 1997, J Graphics Tools
    2:21). A line through an edge or a corner of the mesh crosses once there."""
    corner, first, second = (vertices_mm[faces[:, place]] for place in range(3))
    edge1, edge2 = first - corner, second - corner
    across = np.cross(along, edge2)
    determinant = (edge1 * across).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = 1 / determinant
        away = origin_mm - corner
        u = (away * across).sum(1) * inverse
        turned = np.cross(away, edge1)
        v = (turned @ along) * inverse
        depth_mm = (edge2 * turned).sum(1) * inverse
        hit = (np.minimum(np.minimum(u, v), 1 - u - v) >= -AT_EDGE_RATIO) & np.isfinite(depth_mm)
    order = np.argsort(depth_mm[hit])
    depth_mm, inward = depth_mm[hit][order], determinant[hit][order] > 0
    again = (np.diff(depth_mm, prepend=-np.inf) < SAME_CROSSING_MM) & (inward == np.roll(inward, 1))
    return np.asarray(depth_mm[~again])
