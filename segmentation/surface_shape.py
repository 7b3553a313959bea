"""What a surface is like at each vertex: its outward direction, its bend, and whether a move folds it.

Triangles that follow noisy voxels are rough; directions and the places to look from are those of a smoothed
copy (Taubin, "A signal
processing approach to fair surface design", SIGGRAPH 1995: from memory); what is fitted there is not smoothed
again.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from segmentation.shape_kernels import bending_sums, curvatures
from segmentation.vocabulary import Floats, Ints

TAUBIN_COUNT, TAUBIN_SHRINK_FACTOR, TAUBIN_GROW_FACTOR = 10, 0.5, -0.53
"""Steps and factors of the smoothing. Published (see above); the number of steps is our choice: the tilt that
noise leaves is then about 5° (see tests/test_refine.py)."""

NORMALS_AVERAGED_COUNT = 3
"""Averages of the directions over the ring. Our choice, for the same reason."""

BENDS_AVERAGED_COUNT = 2
"""Averages of the bend's sums over the ring: about 30 vertices then count. Our choice."""


@dataclass(frozen=True, eq=False)
class Rings:
    """Who is whose neighbour in a mesh of ``count`` vertices with ``faces`` (m, 3)."""

    faces: Ints
    count: int

    @cached_property
    def matrix(self) -> Any:
        """(n, n) sparse: 1 where two vertices share an edge."""
        a = self.faces[:, [0, 1, 2, 1, 2, 0]].ravel()
        b = self.faces[:, [1, 2, 0, 0, 1, 2]].ravel()
        matrix = sparse.csr_matrix((np.ones(len(a)), (a, b)), shape=(self.count, self.count))
        matrix.data[:] = 1
        return matrix

    @cached_property
    def mean(self) -> Any:
        """(n, n) sparse: the mean over the ring."""
        degree = np.maximum(np.asarray(self.matrix.sum(axis=1)).ravel(), 1)
        return sparse.diags(1 / degree) @ self.matrix

    @property
    def lists(self) -> tuple[Ints, Ints]:
        """Where each vertex's neighbours begin (n + 1,), and the neighbours."""
        return self.matrix.indptr, self.matrix.indices


@dataclass(frozen=True, eq=False)
class Shape:
    """Smoothed ``points_mm`` (n, 3), unit outward ``normals`` (n, 3), and ``bends`` (n, 3, 3): the change of
    the normal per mm of way."""

    points_mm: Floats
    normals: Floats
    bends: Floats

    def of(self, rows: npt.NDArray[np.int64]) -> Shape:
        """The same for some vertices."""
        return Shape(self.points_mm[rows], self.normals[rows], self.bends[rows])


def shape_of(vertices_mm: Floats, rings: Rings, outward: int) -> Shape:
    """Directions and bend at each vertex.

    ``outward`` is −1 where the frame is mirrored (triangles then run clockwise from outside), else 1.
    """
    smooth, normals = smooth_directions(vertices_mm, rings, outward)
    ways, turns = bending_sums(smooth, normals, *rings.lists)
    for _ in range(BENDS_AVERAGED_COUNT):
        ways = _averaged(ways, rings)
        turns = _averaged(turns, rings)
    return Shape(smooth, normals, curvatures(normals, ways, turns))


def smooth_directions(vertices_mm: Floats, rings: Rings, outward: int = 1) -> tuple[Floats, Floats]:
    """Places of a smoothed copy (n, 3) and its unit outward directions (n, 3), as in ``shape_of``."""
    smooth = vertices_mm
    for _ in range(TAUBIN_COUNT):
        for factor in (TAUBIN_SHRINK_FACTOR, TAUBIN_GROW_FACTOR):
            smooth = smooth + factor * (rings.mean @ smooth - smooth)
    normals = _unit(_vertex_normals(smooth, rings.faces) * outward)
    for _ in range(NORMALS_AVERAGED_COUNT):
        normals = _unit(normals + rings.mean @ normals)
    return smooth, normals


def _averaged(tensors: Floats, rings: Rings) -> Floats:
    flat = tensors.reshape(len(tensors), -1)
    return np.asarray(flat + rings.mean @ flat).reshape(tensors.shape)


def face_normals(vertices_mm: Floats, faces: Ints) -> Floats:
    """(m, 3) normals as long as twice each triangle's area."""
    a, b, c = (vertices_mm[faces[:, corner]] for corner in range(3))
    return np.asarray(np.cross(b - a, c - a))


def folded_faces(before_mm: Floats, after_mm: Floats, normals: Floats, faces: Ints) -> npt.NDArray[np.bool_]:
    """Which triangles (m,) came to face against their vertices' directions by the move."""
    direction = normals[faces].sum(axis=1)
    was = np.einsum("ij,ij->i", face_normals(before_mm, faces), direction)
    now = np.einsum("ij,ij->i", face_normals(after_mm, faces), direction)
    return np.asarray((was > 0) & (now < 0))


def _vertex_normals(vertices_mm: Floats, faces: Ints) -> Floats:
    normals = np.zeros_like(vertices_mm)
    of_faces = face_normals(vertices_mm, faces)
    for axis in range(3):
        for corner in range(3):
            normals[:, axis] += np.bincount(faces[:, corner], of_faces[:, axis], minlength=len(normals))
    return normals


def _unit(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1))
