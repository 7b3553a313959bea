"""Compiled search for triangles of one surface that pass through each other."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from segmentation.vocabulary import Floats, Ints

FINEST_COUNT = 96
"""Cells along the longest side of the box, at most: their list must stay small."""


@njit(cache=True, error_model="numpy", forceinline=True)
def _volume(points, a, b, c, d):  # type: ignore[no-untyped-def]
    """Six times the signed volume of four vertices."""
    ux, uy, uz = (
        points[b, 0] - points[a, 0],
        points[b, 1] - points[a, 1],
        points[b, 2] - points[a, 2],
    )
    vx, vy, vz = (
        points[c, 0] - points[a, 0],
        points[c, 1] - points[a, 1],
        points[c, 2] - points[a, 2],
    )
    wx, wy, wz = (
        points[d, 0] - points[a, 0],
        points[d, 1] - points[a, 1],
        points[d, 2] - points[a, 2],
    )
    return (uy * vz - uz * vy) * wx + (uz * vx - ux * vz) * wy + (ux * vy - uy * vx) * wz


@njit(cache=True, error_model="numpy")
def _edge_through(points, p, q, a, b, c):  # type: ignore[no-untyped-def]
    """Whether the edge from p to q passes through the triangle a, b, c."""
    if _volume(points, a, b, c, p) * _volume(points, a, b, c, q) >= 0:
        return False
    one, two, three = (
        _volume(points, p, q, a, b),
        _volume(points, p, q, b, c),
        _volume(points, p, q, c, a),
    )
    return (one > 0 and two > 0 and three > 0) or (one < 0 and two < 0 and three < 0)


def crossing_faces(points_mm: Floats, faces: Ints) -> npt.NDArray[np.bool_]:
    """(m,) which of ``faces`` (m, 3), triangles of ``points_mm`` (n, 3), pass through another they share no
    vertex with."""
    return np.asarray(_crossing(points_mm, faces, *_cells(points_mm, faces)))


def _cells(points_mm: Floats, faces: Ints) -> tuple[npt.NDArray[Any], ...]:
    """Boxes of triangles, and the triangles sorted into cubes by their box's low corner."""
    corners = points_mm[faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    corner = low.min(axis=0)
    edge = max((high - low).max(), (high.max(axis=0) - corner).max() / FINEST_COUNT, 1e-9)
    at = ((low - corner) / edge).astype(np.int64)
    shape = at.max(axis=0) + 1
    home = (at[:, 0] * shape[1] + at[:, 1]) * shape[2] + at[:, 2]
    starts = np.concatenate([[0], np.cumsum(np.bincount(home, minlength=int(shape.prod())))])
    return low, high, shape, home, starts, np.argsort(home, kind="stable")


@njit(cache=True, error_model="numpy", parallel=True)
def _crossing(points, faces, low, high, shape, home, starts, order):  # type: ignore[no-untyped-def]
    """The same from what ``_cells`` tells."""
    crossing = np.zeros(len(faces), np.bool_)
    for t in prange(len(faces)):
        i, j, k = home[t] // (shape[1] * shape[2]), home[t] // shape[2] % shape[1], home[t] % shape[2]
        for ii in range(max(0, i - 1), min(shape[0], i + 2)):
            for jj in range(max(0, j - 1), min(shape[1], j + 2)):
                for kk in range(max(0, k - 1), min(shape[2], k + 2)):
                    cell = (ii * shape[1] + jj) * shape[2] + kk
                    for at in range(starts[cell], starts[cell + 1]):
                        u = order[at]
                        apart = False
                        for x in range(3):
                            if low[u, x] > high[t, x] or high[u, x] < low[t, x]:
                                apart = True
                            for y in range(3):
                                if faces[t, x] == faces[u, y]:
                                    apart = True
                        if apart:
                            continue
                        for x in range(3):
                            y = (x + 1) % 3
                            if _edge_through(
                                points, faces[t, x], faces[t, y], faces[u, 0], faces[u, 1], faces[u, 2]
                            ) or _edge_through(
                                points, faces[u, x], faces[u, y], faces[t, 0], faces[t, 1], faces[t, 2]
                            ):
                                crossing[t] = True
    return crossing
