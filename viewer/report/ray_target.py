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
    """What rays met: their places in the list of rays, and there the point, unit normal, distance and
    piece."""

    rays: npt.NDArray[np.int64]
    points_mm: Floats
    normals: Floats
    distance_mm: Floats
    pieces: npt.NDArray[np.int64]


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

    def first_hits(self, origins_mm: Floats, direction: Floats) -> Hits:
        """First hits of parallel rays from (n, 3) origins."""
        if not len(self._faces) or not len(origins_mm):
            none = np.zeros(0, np.int64)
            return Hits(none, np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), none)
        directions = np.tile(direction.astype(np.float32), (len(origins_mm), 1))
        found = self._scene.run(origins_mm.astype(np.float32), directions, output=True)
        rays = np.flatnonzero(found["primID"] >= 0)
        faces = self._faces[found["primID"][rays]]
        u, v = found["u"][rays, None].astype(float), found["v"][rays, None].astype(float)
        normals = (
            self._normals[faces[:, 0]] * (1 - u - v)
            + self._normals[faces[:, 1]] * u
            + self._normals[faces[:, 2]] * v
        )
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
        distance_mm = found["tfar"][rays].astype(float)
        points_mm = origins_mm[rays] + distance_mm[:, None] * direction
        return Hits(rays, points_mm, normals, distance_mm, self._pieces[found["primID"][rays]])


def vertex_normals(vertices_mm: Floats, faces: npt.NDArray[np.integer]) -> Floats:
    """(n, 3) unit normals at the vertices, each triangle weighted by its area."""
    a, b, c = (vertices_mm[faces[:, corner]] for corner in range(3))
    weighted = np.cross(b - a, c - a)
    normals = np.zeros_like(vertices_mm)
    for corner in range(3):
        for axis in range(3):
            normals[:, axis] += np.bincount(faces[:, corner], weighted[:, axis], minlength=len(vertices_mm))
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12))
