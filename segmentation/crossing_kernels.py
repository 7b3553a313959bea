"""Compiled search for triangles of one surface that pass through each other."""

from __future__ import annotations

import numpy as np
from numba import njit, prange

FINEST_COUNT = 96
"""Cells along the longest side of the box, at most: their list must stay small."""


@njit(cache=True, error_model="numpy", inline="always")
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


@njit(cache=True, error_model="numpy")
def _cells(points, faces):  # type: ignore[no-untyped-def]
    """Boxes of triangles, and the triangles sorted into cubes by their box's low corner."""
    low, high = np.empty((len(faces), 3)), np.empty((len(faces), 3))
    largest = 0.0
    for t in range(len(faces)):
        for x in range(3):
            a, b, c = points[faces[t, 0], x], points[faces[t, 1], x], points[faces[t, 2], x]
            low[t, x], high[t, x] = min(a, b, c), max(a, b, c)
            largest = max(largest, high[t, x] - low[t, x])
    corner, size = np.empty(3), 0.0
    for x in range(3):
        corner[x] = low[:, x].min()
        size = max(size, high[:, x].max() - corner[x])
    edge = max(largest, size / FINEST_COUNT, 1e-9)
    shape = np.empty(3, np.int64)
    for x in range(3):
        shape[x] = int((low[:, x].max() - corner[x]) / edge) + 1
    home = np.empty(len(faces), np.int64)
    starts = np.zeros(shape[0] * shape[1] * shape[2] + 1, np.int64)
    for t in range(len(faces)):
        i, j, k = (
            int((low[t, 0] - corner[0]) / edge),
            int((low[t, 1] - corner[1]) / edge),
            int((low[t, 2] - corner[2]) / edge),
        )
        home[t] = (i * shape[1] + j) * shape[2] + k
        starts[home[t] + 1] += 1
    starts = np.cumsum(starts)
    return low, high, shape, home, starts, np.argsort(home, kind="mergesort")


@njit(cache=True, error_model="numpy", parallel=True)
def crossing_faces(points, faces):  # type: ignore[no-untyped-def]
    """Which of ``faces`` (m, 3) pass through another they share no vertex with: (m,) bool."""
    low, high, shape, home, starts, order = _cells(points, faces)
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
