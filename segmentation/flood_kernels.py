"""Compiled loops over bone voxels and their neighbours: floods, climbs, borders, and what lies nearest.

A bone is a list of voxels with the numbers of their six neighbours (``valley_kernels.neighbours_of``); each
property is one value a voxel. The flood is that of the watershed by flooding (Meyer 1994, from memory), with
heights in whole steps so that a queue per step serves.
"""

from __future__ import annotations

import numpy as np
from numba import njit

EDGE_SLOTS_COUNT = 6


@njit(cache=True)
def flood(neighbours, height, heights_count, labels, allowed):  # type: ignore[no-untyped-def]
    """Spread the labels over ``allowed`` voxels from low to high, in place; 0 is not yet labelled.

    ``height`` (n,) are whole steps from 0 to ``heights_count`` - 1. First come, first served at each step.
    """
    n = len(labels)
    following = np.full(n, np.int32(-1))
    first, last = np.full(heights_count, np.int32(-1)), np.full(heights_count, np.int32(-1))
    for m in range(n):
        if labels[m] == 0:
            continue
        at_edge = False
        for slot in range(EDGE_SLOTS_COUNT):
            o = neighbours[m, slot]
            at_edge |= o >= 0 and labels[o] == 0 and allowed[o]
        if at_edge:
            h = height[m]
            if first[h] < 0:
                first[h] = m
            else:
                following[last[h]] = m
            last[h] = m
    for level in range(heights_count):
        while first[level] >= 0:
            m = first[level]
            first[level] = following[m]
            for slot in range(EDGE_SLOTS_COUNT):
                o = neighbours[m, slot]
                if o < 0 or labels[o] != 0 or not allowed[o]:
                    continue
                labels[o] = labels[m]
                h = max(height[o], level)
                following[o] = -1
                if first[h] < 0:
                    first[h] = o
                else:
                    following[last[h]] = o
                last[h] = o


@njit(cache=True)
def climb(index, depth, i, j, k, path):  # type: ignore[no-untyped-def]
    """Voxels from (i, j, k) up to the nearest local maximum of ``depth`` (26 neighbours); their count.

    ``index`` numbers the voxels of the volume, -1 outside; the way is written to ``path``.
    """
    nx, ny, nz = index.shape
    count = 0
    m = index[i, j, k]
    while count < len(path):
        path[count] = m
        count += 1
        best, bi, bj, bk = depth[m], i, j, k
        for di in range(-1, 2):
            for dj in range(-1, 2):
                for dk in range(-1, 2):
                    a, b, c = i + di, j + dj, k + dk
                    if a < 0 or b < 0 or c < 0 or a >= nx or b >= ny or c >= nz:
                        continue
                    o = index[a, b, c]
                    if o >= 0 and depth[o] > best:
                        best, bi, bj, bk = depth[o], a, b, c
        if bi == i and bj == j and bk == k:
            return count
        i, j, k = bi, bj, bk
        m = index[i, j, k]
    return count


@njit(cache=True)
def summits(index, at, depth, least):  # type: ignore[no-untyped-def]
    """Number each local maximum of ``depth`` (26 neighbours) from ``least`` up; (n,), 0 elsewhere."""
    nx, ny, nz = index.shape
    found = np.zeros(len(at), np.int32)
    count = 0
    for m in range(len(at)):
        if depth[m] < least:
            continue
        i, rest = divmod(at[m], ny * nz)
        j, k = divmod(rest, nz)
        highest = True
        for di in range(-1, 2):
            for dj in range(-1, 2):
                for dk in range(-1, 2):
                    a, b, c = i + di, j + dj, k + dk
                    if a < 0 or b < 0 or c < 0 or a >= nx or b >= ny or c >= nz:
                        continue
                    o = index[a, b, c]
                    # Of a plateau the first voxel stands for all.
                    if o >= 0 and (depth[o] > depth[m] or (depth[o] == depth[m] and o < m)):
                        highest = False
        if highest:
            count += 1
            found[m] = count
    return found


@njit(cache=True)
def spread_nearest(neighbours, at, shape, step, source, allowed, reach, nearest):  # type: ignore[no-untyped-def]
    """The nearest of the ``source`` voxels to each voxel within ``reach`` mm, passing through ``allowed``.

    ``nearest`` (n,) gets the source's number, -1 where none is; returns the way in mm. The place of the
    source is handed on from neighbour to neighbour, so that the way is straight, not along the grid.
    """
    n = len(at)
    _, ny, nz = shape
    way = np.full(n, np.float32(np.inf))
    nearest[:] = -1
    queue = np.empty(n, np.int32)
    waiting = np.zeros(n, np.bool_)
    begin, held = 0, 0
    for m in range(n):
        if source[m]:
            way[m], nearest[m] = 0.0, m
            queue[held] = m
            waiting[m] = True
            held += 1
    while held:
        m = queue[begin]
        begin = (begin + 1) % n
        held -= 1
        waiting[m] = False
        s = at[nearest[m]]
        si, rest = divmod(s, ny * nz)
        sj, sk = divmod(rest, nz)
        for slot in range(EDGE_SLOTS_COUNT):
            o = neighbours[m, slot]
            if o < 0 or not allowed[o]:
                continue
            i, rest = divmod(at[o], ny * nz)
            j, k = divmod(rest, nz)
            x, y, z = (i - si) * step[0], (j - sj) * step[1], (k - sk) * step[2]
            new = np.float32(np.sqrt(x * x + y * y + z * z))
            if new < way[o] and new <= reach:
                way[o], nearest[o] = new, nearest[m]
                if not waiting[o]:
                    waiting[o] = True
                    queue[(begin + held) % n] = o
                    held += 1
    return way


@njit(cache=True)
def border_pairs(neighbours, labels):  # type: ignore[no-untyped-def]
    """Faces between labels (m, 3): the voxel before, the voxel after, and the axis across."""
    count = 0
    for m in range(len(labels)):
        for axis in range(3):
            o = neighbours[m, 2 * axis + 1]
            if o >= 0 and labels[m] != labels[o] and labels[m] != 0 and labels[o] != 0:
                count += 1
    found = np.empty((count, 3), np.int32)
    count = 0
    for m in range(len(labels)):
        for axis in range(3):
            o = neighbours[m, 2 * axis + 1]
            if o >= 0 and labels[m] != labels[o] and labels[m] != 0 and labels[o] != 0:
                found[count, 0], found[count, 1], found[count, 2] = m, o, axis
                count += 1
    return found


@njit(cache=True)
def band_about(neighbours, at, shape, step, starts, labels, first, second, reach, way, nearest, waiting):  # type: ignore[no-untyped-def]
    """Voxels of two labels within ``reach`` mm of the ``starts``, in no order.

    As ``spread_nearest``, but only what is reached is touched: ``way`` (all inf), ``nearest`` and ``waiting``
    (all False) are (n,) workspaces and left as they were.
    """
    _, ny, nz = shape
    queue = [np.int32(0)]
    queue.clear()
    band = [np.int32(0)]
    band.clear()
    for m in starts:
        if (labels[m] == first or labels[m] == second) and way[m] > 0:
            way[m], nearest[m] = 0.0, m
            waiting[m] = True
            queue.append(m)
            band.append(m)
    begin = 0
    while begin < len(queue):
        m = queue[begin]
        begin += 1
        waiting[m] = False
        s = at[nearest[m]]
        si, rest = divmod(s, ny * nz)
        sj, sk = divmod(rest, nz)
        for slot in range(EDGE_SLOTS_COUNT):
            o = neighbours[m, slot]
            if o < 0 or (labels[o] != first and labels[o] != second):
                continue
            i, rest = divmod(at[o], ny * nz)
            j, k = divmod(rest, nz)
            x, y, z = (i - si) * step[0], (j - sj) * step[1], (k - sk) * step[2]
            new = np.float32(np.sqrt(x * x + y * y + z * z))
            if new < way[o] and new <= reach:
                if way[o] == np.inf:
                    band.append(o)
                way[o], nearest[o] = new, nearest[m]
                if not waiting[o]:
                    waiting[o] = True
                    queue.append(o)
    found = np.array(band)
    way[found] = np.inf
    return found
