"""Where lines cross a surface, and how far points are from it: exact to the triangles.

Lines of one bundle are parallel to a screw's axis, so crossing is a question in the plane across it: which
projected triangles hold the line's foot point. The sign of a distance is that of the closest triangle, of
several that tie the one seen most squarely (Bærentzen and Aanæs, IEEE TVCG 11(3) 2005: from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.circle_kernels import sides_shape, smallest_around_axis
from planner.mesh_kernels import feet_inside, nearest
from planner.path_kernels import lengths_in_cells
from planner.triangle_tree import TriangleTree, tree_of
from segmentation.vocabulary import Floats, Ints, Surface

OFF_LATTICE_MM = (3.1e-7, 1.7e-7)
"""Lines are moved by this much across their direction, so that none runs exactly along an edge of a
grid-aligned mesh."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A surface made ready for questions: triangles, unit normals, centroids, and a tree.

    ``passed`` (m,) are triangles that tell the side of a point but not its distance: fracture faces a screw
    goes through. ``on_rim`` (m, 6) tells which edges of each triangle (opposite to its corner) belong to no
    other triangle, and which of its corners such edges end at, its own or another's. Of an open surface
    ``sides`` keeps what was found of the side of places in and around it, from ``low_mm`` less its margin
    (``circle_kernels.py``).
    """

    vertices_mm: Floats
    faces: Ints
    normals: Floats
    middles_mm: Floats
    on_rim: npt.NDArray[np.bool_]
    passed: npt.NDArray[np.bool_]
    tree: TriangleTree
    low_mm: Floats
    high_mm: Floats
    sides: npt.NDArray[np.uint8]

    @property
    def for_kernels(self) -> tuple[Any, ...]:
        """The arrays in the order the compiled loops take them."""
        return (
            self.vertices_mm,
            self.faces,
            self.normals,
            self.on_rim,
            self.passed,
            self.tree.order,
            self.tree.boxes,
        )


@dataclass(frozen=True, eq=False)
class Bundle:
    """Lines parallel to ``direction``; line n passes through ``origin_mm + offsets_mm[n] @ (u, v)``."""

    origin_mm: Floats
    direction: Floats
    u: Floats
    v: Floats
    offsets_mm: Floats


@dataclass(frozen=True, eq=False)
class Ball:
    """A ball; what of a surface lies in it can be left out of a question."""

    centre_mm: Floats
    radius_mm: float

    @property
    def for_kernels(self) -> Floats:
        """(4,) centre and radius."""
        return np.append(self.centre_mm, self.radius_mm)


@dataclass(frozen=True, eq=False)
class Nearest:
    """A smallest signed distance, the place on the screw and the place on the surface (3,) it lies between.

    Infinite, with places NaN, where there is nothing to be near to.
    """

    distance_mm: float
    on_screw_mm: Floats
    on_surface_mm: Floats


NO_BALL = Ball(np.zeros(3), -1.0)


@dataclass(frozen=True, eq=False)
class Stretches:
    """Where lines are inside a closed surface: line number, and depth from and to along the direction."""

    line: npt.NDArray[np.intp]
    from_mm: Floats
    to_mm: Floats

    def of_line(self, line: int) -> Floats:
        """(n, 2) from and to on one line, in order of depth."""
        own = self.line == line
        return np.stack([self.from_mm[own], self.to_mm[own]], axis=1)

    def within(self, low_mm: float, high_mm: float) -> Stretches:
        """The same stretches, cut to a range of depth."""
        start, stop = np.maximum(self.from_mm, low_mm), np.minimum(self.to_mm, high_mm)
        left = stop > start
        return Stretches(self.line[left], start[left], stop[left])

    def of_lines(self, low: int, high: int) -> Stretches:
        """The stretches of lines low … high − 1, renumbered from 0."""
        own = (self.line >= low) & (self.line < high)
        return Stretches(self.line[own] - low, self.from_mm[own], self.to_mm[own])

    def lengths_in_cells_mm(self, line_count: int, edges_mm: Floats) -> Floats:
        """(line_count, cells) length of each line inside, cell by cell of depth."""
        return np.asarray(lengths_in_cells(self.line, self.from_mm, self.to_mm, edges_mm, line_count))


def mesh_of(surface: Surface, passed: npt.NDArray[np.bool_] | None = None) -> Mesh:
    """``surface`` made ready; triangles ``passed`` (m,) tell the side of a point but not its distance."""
    vertices, faces = surface.vertices_mm, surface.faces
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    normals = np.cross(b - a, c - a)
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    tree = tree_of(vertices, faces)
    low, high = (tree.boxes[0, :3], tree.boxes[0, 3:]) if len(faces) else (np.zeros(3), np.zeros(3))
    on_rim = _rim(faces)
    is_open = bool(on_rim.any())
    return Mesh(
        vertices_mm=vertices,
        faces=faces,
        normals=normals,
        middles_mm=(a + b + c) / 3,
        on_rim=on_rim,
        passed=np.zeros(len(faces), bool) if passed is None else passed,
        tree=tree,
        low_mm=low,
        high_mm=high,
        sides=np.zeros(sides_shape(low, high) if is_open else (0, 0, 0), np.uint8),
    )


def joined(meshes: Sequence[Mesh], passed: npt.NDArray[np.bool_]) -> Mesh:
    """Several surfaces as one mesh, with the triangles ``passed`` of all of them in order."""
    shifts = np.cumsum([0, *(len(mesh.vertices_mm) for mesh in meshes)])
    vertices = np.concatenate([mesh.vertices_mm for mesh in meshes])
    faces = np.concatenate([mesh.faces + shift for mesh, shift in zip(meshes, shifts[:-1], strict=True)])
    return mesh_of(Surface(vertices, faces), passed)


def bundle_along(origin_mm: Floats, direction: Floats, offsets_mm: Floats) -> Bundle:
    """A bundle along ``direction`` with offsets (n, 2) in a right-handed frame (u, v, direction)."""
    x, y, z = direction.tolist()
    # Square to the axis of the scan that the direction is farthest from, and to the direction.
    square = ((0.0, -z, y), (z, 0.0, -x), (-y, x, 0.0))[int(np.argmin(np.abs(direction)))]
    length = math.hypot(*square)
    a, b, c = (part / length for part in square)
    v = np.array([y * c - z * b, z * a - x * c, x * b - y * a])
    return Bundle(origin_mm, direction, np.array([a, b, c]), v, offsets_mm)


def stretches_inside(mesh: Mesh, bundle: Bundle) -> Stretches:
    """Where each line of ``bundle`` is inside the closed surface ``mesh``."""
    frame = np.stack([bundle.u, bundle.v, bundle.direction])
    feet = bundle.offsets_mm + OFF_LATTICE_MM
    reach = float(np.sqrt((feet**2).sum(axis=1).max()))
    line, depth, side = feet_inside(np.array(bundle.origin_mm), frame, feet, reach, mesh.for_kernels)
    order = np.lexsort((-side, depth, line))
    line, depth, side = line[order], depth[order], side[order]
    # A closed surface is left as often as it is entered, so one running sum serves all lines.
    inside = np.cumsum(side)
    starts = (inside == 1) & (side == 1)
    stops = (inside == 0) & (side == -1)
    return Stretches(line[starts], depth[starts], depth[stops])


def signed_distance_mm(
    mesh: Mesh, points_mm: Floats, *, without: Ball = NO_BALL, rim_is_free: bool = False
) -> tuple[Floats, Floats]:
    """Signed distance (n,) from points (n, 3) to a surface, positive inside, and the closest points (n, 3).

    Triangles ``passed`` and what lies in the ball ``without`` do not count; infinite where nothing else is
    there. ``rim_is_free``: beside the rim of an open surface there is no through, the distance is then
    positive.
    """
    points = np.ascontiguousarray(points_mm, np.float64)
    distance, closest = nearest(points, mesh.for_kernels, without.for_kernels, rim_is_free)
    return distance, closest


def smallest_distance_mm(
    mesh: Mesh,
    bundle: Bundle,
    depth_mm: Floats,
    radius_mm: Floats,
    *,
    angles_count: int,
    without: Ball = NO_BALL,
    rim_is_free: bool = False,
) -> Nearest:
    """Smallest signed distance from circles around a bundle's axis, at depths (n,) with radii (n,), to a
    surface.

    Infinite without circles or surface. Otherwise as ``signed_distance_mm``.
    """
    frame = np.stack([bundle.u, bundle.v, bundle.direction])
    if not len(depth_mm):
        return Nearest(float("inf"), np.full(3, np.nan), np.full(3, np.nan))
    distance, on_circle, on_surface = smallest_around_axis(
        np.array(bundle.origin_mm),
        frame,
        depth_mm,
        radius_mm,
        angles_count,
        mesh.for_kernels,
        without.for_kernels,
        rim_is_free,
        mesh.low_mm,
        mesh.sides,
    )
    return Nearest(float(distance), on_circle, on_surface)


def _rim(faces: Ints) -> npt.NDArray[np.bool_]:
    """(m, 6) whether the edge opposite to each corner belongs to one triangle alone, and whether each corner
    is an end of such an edge."""
    pairs = np.stack([faces[:, [1, 2]], faces[:, [2, 0]], faces[:, [0, 1]]], axis=1).reshape(-1, 2)
    pairs = np.sort(pairs, axis=1).astype(np.int64)
    most = int(faces.max(initial=0)) + 1
    _, inverse, counts = np.unique(pairs[:, 0] * most + pairs[:, 1], return_inverse=True, return_counts=True)
    alone = counts[inverse.reshape(-1)] == 1
    ends = np.zeros(most, bool)
    ends[pairs[alone]] = True
    return np.concatenate([alone.reshape(-1, 3), ends[faces]], axis=1)
