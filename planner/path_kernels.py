"""Compiled loops along a path: how much of each line lies in each cell of depth, and how a patch of a surface
looks.

The tests hold them against the same sums written out in NumPy.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def lengths_in_cells(line, start, stop, edges, count):  # type: ignore[no-untyped-def]
    """(count, cells) how much of the stretches from ``start`` to ``stop`` (n,) on each ``line`` (n,) lies
    between two ``edges``, which rise."""
    cells = np.zeros((count, len(edges) - 1))
    for n in range(len(line)):
        c = max(np.searchsorted(edges, start[n], "right") - 1, 0)
        while c < cells.shape[1] and edges[c] < stop[n]:
            inside = min(stop[n], edges[c + 1]) - max(start[n], edges[c])
            if inside > 0:
                cells[line[n], c] += inside
            c += 1
    return cells


@njit(cache=True, nogil=True, error_model="numpy")
def patches(near, vertices, faces, normals, position_sd):  # type: ignore[no-untyped-def]
    """Unit normal (n, 3) and mean deviation (n,) of patches of triangles ``near`` (n, k), nearest first.

    A triangle that looks away from the first is left out: the far side of a thin plate is near too. Normals
    are weighted by area. ``position_sd`` has a deviation for each vertex, or none at all; then NaN.
    """
    normal = np.zeros((len(near), 3))
    sd = np.full(len(near), np.nan)
    for n in range(len(near)):
        first = normals[near[n, 0]]
        told, count = 0.0, 0
        for k in range(near.shape[1]):
            a, b, c = faces[near[n, k]]
            ux, uy, uz = (
                vertices[b, 0] - vertices[a, 0],
                vertices[b, 1] - vertices[a, 1],
                vertices[b, 2] - vertices[a, 2],
            )
            vx, vy, vz = (
                vertices[c, 0] - vertices[a, 0],
                vertices[c, 1] - vertices[a, 1],
                vertices[c, 2] - vertices[a, 2],
            )
            x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
            same_side = x * first[0] + y * first[1] + z * first[2] > 0
            if same_side:
                normal[n, 0] += x
                normal[n, 1] += y
                normal[n, 2] += z
            if len(position_sd) and (same_side or k == 0):
                told += (position_sd[a] + position_sd[b] + position_sd[c]) / 3
                count += 1
        length = np.sqrt(normal[n, 0] ** 2 + normal[n, 1] ** 2 + normal[n, 2] ** 2)
        if length > 0:
            normal[n] /= length
        if count:
            sd[n] = told / count
    return normal, sd


@njit(cache=True, nogil=True, error_model="numpy")
def first_hit(origin, direction, length, vertices, faces):  # type: ignore[no-untyped-def]
    """Smallest depth from 0 to ``length`` at which a line meets a triangle; infinite where it meets none.

    Möller and Trumbore 1997, J Graphics Tools 2(1):21 (from memory).
    """
    best = np.inf
    dx, dy, dz = direction
    for t in range(len(faces)):
        a, b, c = faces[t]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        ux, uy, uz = vertices[b, 0] - ax, vertices[b, 1] - ay, vertices[b, 2] - az
        vx, vy, vz = vertices[c, 0] - ax, vertices[c, 1] - ay, vertices[c, 2] - az
        px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
        volume = ux * px + uy * py + uz * pz
        sx, sy, sz = origin[0] - ax, origin[1] - ay, origin[2] - az
        first = (sx * px + sy * py + sz * pz) / volume
        if not 0 <= first <= 1:
            continue
        qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
        second = (dx * qx + dy * qy + dz * qz) / volume
        if not (second >= 0 and first + second <= 1):
            continue
        depth = (vx * qx + vy * qy + vz * qz) / volume
        if 0 <= depth <= length and depth < best:
            best = depth
    return best
