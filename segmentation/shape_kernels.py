"""Compiled loops over a mesh's neighbourhoods: curvature, and a level smoothed along it."""

from __future__ import annotations

import numpy as np
from numba import njit, prange

SHARPEST_PER_MM = 0.5
"""No curvature is taken to be stronger. Our choice: a radius of 2 mm, below which no patch is a patch."""


@njit(cache=True, error_model="numpy", parallel=True)
def bending_sums(points, normals, starts, ring):  # type: ignore[no-untyped-def]
    """Sums of t·tᵀ and dn·tᵀ over each vertex's second ring: (n, 3, 3) twice.

    ``starts`` (n + 1,) and ``ring`` list the neighbours of each vertex. dn is the change of the normal and t
    the way along the surface. Neighbours that face another way are left out.
    """
    ways, turns = np.zeros((len(points), 3, 3)), np.zeros((len(points), 3, 3))
    for v in prange(len(points)):
        t, dn = np.empty(3), np.empty(3)
        for a in range(starts[v], starts[v + 1]):
            near = ring[a]
            for b in range(starts[near], starts[near + 1]):
                other = ring[b]
                facing, up = 0.0, 0.0
                for c in range(3):
                    facing += normals[v, c] * normals[other, c]
                    up += normals[v, c] * (points[other, c] - points[v, c])
                if other == v or facing < 0.3:  # more than 70° apart: another side of a thin bone
                    continue
                for c in range(3):
                    t[c] = points[other, c] - points[v, c] - up * normals[v, c]
                    dn[c] = normals[other, c] - facing * normals[v, c]
                for c in range(3):
                    for e in range(3):
                        ways[v, c, e] += t[c] * t[e]
                        turns[v, c, e] += dn[c] * t[e]
    return ways, turns


@njit(cache=True, error_model="numpy")
def curvatures(normals, ways, turns):  # type: ignore[no-untyped-def]
    """Curvature (n, 3, 3) with dn = K·t in the least-squares sense, symmetric, tangent and limited."""
    K = np.zeros((len(normals), 3, 3))
    for v in range(len(normals)):
        n = normals[v]
        d = 0
        for axis in range(1, 3):
            if abs(n[axis]) < abs(n[d]):
                d = axis
        e, f = np.zeros(3), np.empty(3)
        for c in range(3):
            e[c] = -n[d] * n[c]
        e[d] += 1
        size = np.sqrt(e[0] * e[0] + e[1] * e[1] + e[2] * e[2])
        for c in range(3):
            e[c] /= size
        f[0] = n[1] * e[2] - n[2] * e[1]
        f[1] = n[2] * e[0] - n[0] * e[2]
        f[2] = n[0] * e[1] - n[1] * e[0]
        wa, wb, wc, ta, tb, tc, td = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for c in range(3):
            for g in range(3):
                w, u = ways[v, c, g], turns[v, c, g]
                wa += e[c] * w * e[g]
                wb += e[c] * w * f[g]
                wc += f[c] * w * f[g]
                ta += e[c] * u * e[g]
                tb += e[c] * u * f[g]
                tc += f[c] * u * e[g]
                td += f[c] * u * f[g]
        spread = wa * wc - wb * wb
        if spread <= 1e-9 * (wa + wc) ** 2:
            continue
        kaa = (ta * wc - tb * wb) / spread
        kab = ((tb * wa - ta * wb) + (tc * wc - td * wb)) / (2 * spread)
        kbb = (td * wa - tc * wb) / spread
        middle = (kaa + kbb) / 2
        half = np.sqrt(((kaa - kbb) / 2) ** 2 + kab * kab)
        first = min(max(middle + half, -SHARPEST_PER_MM), SHARPEST_PER_MM)
        second = min(max(middle - half, -SHARPEST_PER_MM), SHARPEST_PER_MM)
        turn = np.arctan2(2 * kab, kaa - kbb) / 2
        for c in range(3):
            for g in range(3):
                p = np.cos(turn) * e[c] + np.sin(turn) * f[c]
                q = np.cos(turn) * e[g] + np.sin(turn) * f[g]
                r = -np.sin(turn) * e[c] + np.cos(turn) * f[c]
                s = -np.sin(turn) * e[g] + np.cos(turn) * f[g]
                K[v, c, g] = first * p * q + second * r * s
    return K


@njit(cache=True, error_model="numpy", parallel=True)
def smooth_levels(points, own, cell_of, cells, cell_starts, middles, sums, width, reach):  # type: ignore[no-untyped-def]
    """Weighted mean and spread of a level around each vertex, and the weights' sum; the vertex left out.

    Values were summed over small cells: ``middles`` (m, 3), ``sums`` (m, 3) of w, w·h and w·h²; ``own``
    (n, 3) is what each vertex put in. ``cells`` lists, from ``cell_starts``, those near each cell.
    """
    mean, spread = np.full(len(points), np.nan), np.full(len(points), np.nan)
    total = np.zeros(len(points))
    for v in prange(len(points)):
        a, b, c = 0.0, 0.0, 0.0
        home = cell_of[v]
        for at in range(cell_starts[home], cell_starts[home + 1]):
            near = cells[at]
            squared = 0.0
            for axis in range(3):
                squared += (points[v, axis] - middles[near, axis]) ** 2
            if squared > reach * reach:
                continue
            weight = np.exp(-squared / (2 * width * width))
            mine = weight if near == home else 0.0
            a += weight * sums[near, 0] - mine * own[v, 0]
            b += weight * sums[near, 1] - mine * own[v, 1]
            c += weight * sums[near, 2] - mine * own[v, 2]
        if a > 0:
            mean[v], total[v] = b / a, a
            spread[v] = np.sqrt(max(c / a - (b / a) ** 2, 0.0))
    return mean, spread, total
