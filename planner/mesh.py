"""Where lines cross a surface, and how far points are from it: exact to the triangles.

Lines of one bundle are parallel to a screw's axis, so crossing is a question in the plane across it: which
projected triangles hold the line's foot point. Distance is to the closest point of the triangles around the
nearest vertices; its sign is that of the closest triangle, of several that tie the one seen most squarely
(Bærentzen and Aanæs, IEEE TVCG 11(3) 2005: from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from segmentation.vocabulary import Floats, Ints, Surface

OFF_LATTICE_MM = (3.1e-7, 1.7e-7)
"""Lines are moved by this much across their direction, so that none runs exactly along an edge of a
grid-aligned mesh."""

LEAF_COUNT = 32
"""Points in a leaf of the search tree. Measured: twice as fast as the library's 16 for points far from the
surface."""

NEAREST_VERTICES_COUNT = 2
"""The triangles around so many nearest vertices are measured. Our choice: against trimesh the largest error
is below 0.01 mm."""

TIE_MM = 1e-7
"""Distances closer than this are a tie: the closest point lies on a shared edge or vertex."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A surface made ready for questions: triangles, unit normals, and which triangles meet at each vertex.

    ``around`` (n, most) lists the triangles at each vertex, padded by repeating the first. ``on_rim`` (m, 3)
    tells which edges of each triangle (opposite to its corner) belong to no other triangle.
    """

    vertices_mm: Floats
    faces: Ints
    normals: Floats
    around: Ints
    on_rim: npt.NDArray[np.bool_]
    tree: Any
    in_tree: npt.NDArray[np.intp]
    longest_edge_mm: float


@dataclass(frozen=True, eq=False)
class Bundle:
    """Lines parallel to ``direction``; line n passes through ``origin_mm + offsets_mm[n] @ (u, v)``."""

    origin_mm: Floats
    direction: Floats
    u: Floats
    v: Floats
    offsets_mm: Floats


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
        overlap = np.minimum(self.to_mm[:, None], edges_mm[None, 1:]) - np.maximum(
            self.from_mm[:, None], edges_mm[None, :-1]
        )
        cells = np.zeros((line_count, len(edges_mm) - 1))
        np.add.at(cells, self.line, np.maximum(overlap, 0))
        return cells


def mesh_of(surface: Surface, chosen: npt.NDArray[np.bool_] | None = None) -> Mesh:
    """``surface``, or only its ``chosen`` triangles, made ready."""
    faces = surface.faces if chosen is None else surface.faces[chosen]
    used, inverse = np.unique(faces, return_inverse=True)
    vertices, faces = surface.vertices_mm[used], inverse.reshape(-1, 3).astype(np.int32)
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    normals = np.cross(b - a, c - a)
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    edges = np.concatenate([b - a, c - b, a - c])
    longest = float(np.sqrt(np.einsum("ij,ij->i", edges, edges).max())) if len(faces) else 0.0
    return Mesh(
        vertices_mm=vertices,
        faces=faces,
        normals=normals,
        around=_triangles_around(faces, len(vertices)),
        on_rim=_rim(faces),
        tree=cKDTree(vertices, leafsize=LEAF_COUNT),
        in_tree=np.arange(len(vertices)),
        longest_edge_mm=longest,
    )


def bundle_along(origin_mm: Floats, direction: Floats, offsets_mm: Floats) -> Bundle:
    """A bundle along ``direction`` with offsets (n, 2) in a right-handed frame (u, v, direction)."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    u = np.cross(helper, direction)
    u /= np.linalg.norm(u)
    return Bundle(origin_mm, direction, u, np.cross(direction, u), offsets_mm)


def stretches_inside(mesh: Mesh, bundle: Bundle) -> Stretches:
    """Where each line of ``bundle`` is inside the closed surface ``mesh``."""
    frame = np.stack([bundle.u, bundle.v, bundle.direction], axis=1)
    local = (mesh.vertices_mm - bundle.origin_mm) @ frame
    local[:, :2] -= OFF_LATTICE_MM
    reach = float(np.sqrt((bundle.offsets_mm**2).sum(axis=1).max())) + mesh.longest_edge_mm
    near = np.flatnonzero(local[:, 0] ** 2 + local[:, 1] ** 2 <= reach**2)
    nothing = np.empty(0)
    if not len(near):
        return Stretches(np.empty(0, np.intp), nothing, nothing)
    faces = mesh.faces[np.unique(mesh.around[near])]
    triangle, line, weights = _feet_inside(local, faces, bundle.offsets_mm)
    depth = np.einsum("ij,ij->i", weights, local[faces[triangle], 2])
    corners = local[faces[triangle], :2]
    side = _cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    step = np.where(side < 0, 1, -1)
    order = np.lexsort((-step, depth, line))
    line, depth, step = line[order], depth[order], step[order]
    # A closed surface is left as often as it is entered, so one running sum serves all lines.
    inside = np.cumsum(step)
    starts = (inside == 1) & (step == 1)
    stops = (inside == 0) & (step == -1)
    return Stretches(line[starts], depth[starts], depth[stops])


def without_ball(mesh: Mesh, centre_mm: Floats, radius_mm: float) -> Mesh | None:
    """``mesh`` with only the triangles that meet at vertices outside a ball to be found; None if none are."""
    vertices = np.flatnonzero(np.linalg.norm(mesh.vertices_mm - centre_mm, axis=1) > radius_mm)
    if not len(vertices):
        return None
    tree = cKDTree(mesh.vertices_mm[vertices], leafsize=LEAF_COUNT, balanced_tree=False, compact_nodes=False)
    return replace(mesh, tree=tree, in_tree=vertices)


def signed_distance_mm(mesh: Mesh, points_mm: Floats) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Signed distance (n,) from points (n, 3), positive inside; closest points (n, 3); whether on an open
    rim."""
    count = min(NEAREST_VERTICES_COUNT, len(mesh.in_tree))
    _, index = mesh.tree.query(points_mm, k=count)
    nearest = mesh.in_tree[index]
    candidates = mesh.around[np.reshape(nearest, (len(points_mm), count))].reshape(len(points_mm), -1)
    corners = mesh.vertices_mm[mesh.faces[candidates]]
    closest, weights = _closest_on_triangles(points_mm[:, None, :], corners)
    away = points_mm[:, None, :] - closest
    distance = np.sqrt(np.einsum("pci,pci->pc", away, away))
    best = distance.min(axis=1)
    height = np.einsum("pci,pci->pc", mesh.normals[candidates], away)
    tied = distance <= best[:, None] + TIE_MM
    squarest = np.argmax(np.where(tied, np.abs(height), -1), axis=1)
    rows = np.arange(len(points_mm))
    on_edge = (weights[rows, squarest] <= 1e-9) & mesh.on_rim[candidates[rows, squarest]]
    sign = np.where(height[rows, squarest] > 0, -1.0, 1.0)
    return sign * best, closest[rows, squarest], on_edge.any(axis=1)


def _triangles_around(faces: Ints, vertex_count: int) -> Ints:
    """(vertex_count, most) triangles at each vertex, padded by repeating one of them."""
    flat = faces.reshape(-1)
    order = np.argsort(flat, kind="stable")
    triangles = (order // 3).astype(np.int32)
    counts = np.bincount(flat, minlength=vertex_count)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    most = int(counts.max()) if len(counts) else 0
    columns = np.minimum(np.arange(most)[None, :], counts[:, None] - 1)
    return np.asarray(triangles[starts[:, None] + columns], np.int32)


def _rim(faces: Ints) -> npt.NDArray[np.bool_]:
    """(m, 3) whether the edge opposite to each corner belongs to this triangle alone."""
    edges = np.sort(np.stack([faces[:, [1, 2]], faces[:, [2, 0]], faces[:, [0, 1]]], axis=1), axis=2).reshape(
        -1, 2
    )
    _, inverse, counts = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    return np.asarray((counts[inverse.reshape(-1)] == 1).reshape(-1, 3))


def _cross(first: Floats, second: Floats) -> Floats:
    """The third component of the cross product of plane vectors (…, 2)."""
    return np.asarray(first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0])


def _feet_inside(
    local: Floats, faces: Ints, feet: Floats
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Floats]:
    """Which projected triangles hold which feet: triangle and line numbers (h,), barycentric weights (h, 3).

    Every edge is measured from its lower to its higher vertex number, so that the two triangles that share it
    get the very same number and a line passes through exactly one of them.
    """
    areas = []
    for first, second in ((1, 2), (2, 0), (0, 1)):
        low = np.minimum(faces[:, first], faces[:, second])
        high = np.maximum(faces[:, first], faces[:, second])
        edge = local[high, :2] - local[low, :2]
        constant = _cross(edge, -local[low, :2])
        value = constant[:, None] + edge[:, :1] * feet[None, :, 1] - edge[:, 1:] * feet[None, :, 0]
        areas.append(np.where((faces[:, first] < faces[:, second])[:, None], value, -value))
    inside = (areas[0] > 0) & (areas[1] > 0) & (areas[2] > 0)
    inside |= (areas[0] < 0) & (areas[1] < 0) & (areas[2] < 0)
    triangle, line = np.nonzero(inside)
    weights = np.stack([area[triangle, line] for area in areas], axis=1)
    return triangle, line, weights / weights.sum(axis=1, keepdims=True)


def _closest_on_triangles(points: Floats, corners: Floats) -> tuple[Floats, Floats]:
    """Closest points (p, c, 3) on triangles (p, c, 3, 3) to points (p, 1, 3), and their barycentric weights.

    By the regions of the triangle's plane (Ericson, Real-Time Collision Detection, 2005, section 5.1.5: from
    memory).
    """
    a, b, c = corners[..., 0, :], corners[..., 1, :], corners[..., 2, :]
    ab, ac, ap = b - a, c - a, points - a
    ab2, ac2, abac = _dot(ab, ab), _dot(ac, ac), _dot(ab, ac)
    d1, d2 = _dot(ab, ap), _dot(ac, ap)
    d3, d4, d5, d6 = d1 - ab2, d2 - abac, d1 - abac, d2 - ac2
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    with np.errstate(divide="ignore", invalid="ignore"):
        total = va + vb + vc
        v, w = vb / total, vc / total
        along_bc = (d4 - d3) / (d4 - d3 + d5 - d6)
        regions = [
            (d1 <= 0) & (d2 <= 0),
            (d3 >= 0) & (d4 <= d3),
            (d6 >= 0) & (d5 <= d6),
            (vc <= 0) & (d1 >= 0) & (d3 <= 0),
            (vb <= 0) & (d2 >= 0) & (d6 <= 0),
            (va <= 0) & (d4 - d3 >= 0) & (d5 - d6 >= 0),
        ]
        none, whole = np.zeros_like(d1), np.ones_like(d1)
        v = np.select(regions, [none, whole, none, d1 / ab2, none, 1 - along_bc], v)
        w = np.select(regions, [none, none, whole, none, d2 / ac2, along_bc], w)
    # A triangle without area has no plane: its first corner stands for it.
    v, w = np.nan_to_num(v), np.nan_to_num(w)
    closest = a + v[..., None] * ab + w[..., None] * ac
    return closest, np.stack([1 - v - w, v, w], axis=-1)


def _dot(first: Floats, second: Floats) -> Floats:
    return np.asarray(np.einsum("...i,...i->...", first, second))
