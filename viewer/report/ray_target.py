"""Surfaces as a target for rays: what each ray meets first, how far away, and which way the surface faces.

The rays are cast on the CPU by the embree library, so a picture needs no graphics card and no screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from segmentation.vocabulary import Floats, Ints

Piece = tuple[int, Floats, Ints]
"""A number of one's own, (n, 3) vertices in mm, (m, 3) faces."""


@dataclass(frozen=True, eq=False)
class Hits:
    """What rays met: their places in the list of rays, and there the point, unit normal, distance, piece, and
    the corners (n, 3) of the triangle, counted through all pieces, with the weight of each."""

    rays: npt.NDArray[np.int64]
    points_mm: Floats
    normals: Floats
    distance_mm: Floats
    pieces: npt.NDArray[np.int64]
    corners: npt.NDArray[np.int64]
    weights: Floats


class RayTarget:
    """Pieces of surface, built once and hit by many rays."""

    def __init__(self, pieces: Sequence[Piece]) -> None:
        starts = np.cumsum([0] + [len(vertices_mm) for _, vertices_mm, _ in pieces])
        self._vertices_mm = np.concatenate([np.zeros((0, 3)), *(vertices_mm for _, vertices_mm, _ in pieces)])
        faces = [
            np.asarray(faces, np.int64) + start for (_, _, faces), start in zip(pieces, starts, strict=False)
        ]
        self._faces = np.concatenate([np.zeros((0, 3), np.int64), *faces])
        self._pieces = np.repeat([number for number, _, _ in pieces], [len(f) for f in faces]).astype(
            np.int64
        )
        self._normals = vertex_normals(self._vertices_mm, self._faces)
        self._scene = EmbreeScene()
        if len(self._faces):
            self._mesh = TriangleMesh(self._scene, self._vertices_mm[self._faces].astype(np.float32))

    def __len__(self) -> int:
        return len(self._faces)

    @property
    def vertex_normals(self) -> Floats:
        """(n, 3) unit normals at the vertices, in the order of the pieces."""
        return self._normals

    def first_hits(self, origins_mm: Floats, direction: Floats) -> Hits:
        """First hits of rays from (n, 3) origins along one direction (3,) or each along its own (n, 3)."""
        if not len(self._faces) or not len(origins_mm):
            none = np.zeros(0, np.int64)
            flat = np.zeros((0, 3))
            return Hits(none, flat, flat, np.zeros(0), none, flat.astype(np.int64), flat)
        direction = np.broadcast_to(direction, origins_mm.shape)
        directions = np.ascontiguousarray(direction, np.float32)
        found = self._scene.run(origins_mm.astype(np.float32), directions, output=True)
        rays = np.flatnonzero(found["primID"] >= 0)
        faces = self._faces[found["primID"][rays]]
        u, v = found["u"][rays, None].astype(float), found["v"][rays, None].astype(float)
        weights = np.hstack([1 - u - v, u, v])
        normals = np.einsum("nc,ncx->nx", weights, self._normals[faces])
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
        distance_mm = found["tfar"][rays].astype(float)
        points_mm = origins_mm[rays] + distance_mm[:, None] * direction[rays]
        pieces = self._pieces[found["primID"][rays]]
        return Hits(rays, points_mm, normals, distance_mm, pieces, faces, weights)


def vertex_normals(vertices_mm: Floats, faces: npt.NDArray[np.integer]) -> Floats:
    """(n, 3) unit normals at the vertices, each triangle weighted by its area."""
    a, b, c = (vertices_mm[faces[:, corner]] for corner in range(3))
    weighted = np.cross(b - a, c - a)
    normals = np.zeros_like(vertices_mm)
    for corner in range(3):
        for axis in range(3):
            normals[:, axis] += np.bincount(faces[:, corner], weighted[:, axis], minlength=len(vertices_mm))
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12))
