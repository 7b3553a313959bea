"""Compiled loop over places: grey values along a direction, each the mean over a small disc across it.

The tests hold it against scipy's interpolation.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy", forceinline=True)
def _linear(hu, x, y, z):  # type: ignore[no-untyped-def]
    """The value at a place of the grid, linear between voxel centres; beyond the border that on it."""
    x = min(max(x, 0.0), hu.shape[0] - 1.000001)
    y = min(max(y, 0.0), hu.shape[1] - 1.000001)
    z = min(max(z, 0.0), hu.shape[2] - 1.000001)
    i, j, k = int(x), int(y), int(z)
    a, b, c = x - i, y - j, z - k
    near = (hu[i, j, k] * (1 - b) + hu[i, j + 1, k] * b) * (1 - c) + (
        hu[i, j, k + 1] * (1 - b) + hu[i, j + 1, k + 1] * b
    ) * c
    far = (hu[i + 1, j, k] * (1 - b) + hu[i + 1, j + 1, k] * b) * (1 - c) + (
        hu[i + 1, j, k + 1] * (1 - b) + hu[i + 1, j + 1, k + 1] * b
    ) * c
    return near * (1 - a) + far * a


@njit(cache=True, error_model="numpy")
def disc_profiles(hu, to_ijk, points, normals, u, v, disc, depth):  # type: ignore[no-untyped-def]
    """(n, depths) means over places ``disc`` (m, 2) along u and v, at depths along the normals.

    ``to_ijk`` (4, 4) takes mm to voxel indices; directions are unit vectors in mm.
    """
    result = np.empty((len(points), len(depth)))
    x, w = np.empty(3), np.empty(3)
    for n in range(len(points)):
        for d in range(len(depth)):
            total = 0.0
            for m in range(len(disc)):
                for a in range(3):
                    w[a] = (
                        points[n, a] + depth[d] * normals[n, a] + disc[m, 0] * u[n, a] + disc[m, 1] * v[n, a]
                    )
                for a in range(3):
                    x[a] = to_ijk[a, 0] * w[0] + to_ijk[a, 1] * w[1] + to_ijk[a, 2] * w[2] + to_ijk[a, 3]
                total += _linear(hu, x[0], x[1], x[2])
            result[n, d] = total / len(disc)
    return result


@njit(cache=True, error_model="numpy")
def gradients(hu, to_ijk, points, step):  # type: ignore[no-untyped-def]
    """(n, 3) change of the grey value per mm at places in mm, over ``step`` mm to both sides."""
    result = np.empty((len(points), 3))
    x = np.empty((2, 3))
    for n in range(len(points)):
        for axis in range(3):
            for side in range(2):
                for a in range(3):
                    x[side, a] = to_ijk[a, 3]
                    for b in range(3):
                        away = (2 * side - 1) * step if b == axis else 0.0
                        x[side, a] += to_ijk[a, b] * (points[n, b] + away)
            rise = _linear(hu, x[1, 0], x[1, 1], x[1, 2]) - _linear(hu, x[0, 0], x[0, 1], x[0, 2])
            result[n, axis] = rise / (2 * step)
    return result
