"""Compiled loops over voxels: which stand out as bone from what is around them, and where an edge's half is.

``ways`` (m, 3) hold one of each pair of opposite directions in voxels. Threads share out slices (the last
axis) and write only in their own.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

NO_LEVEL_HU = np.float32(-1e6)
"""Marks a voxel away from any edge. Lower than any grey value."""


@njit(cache=True, error_model="numpy", parallel=True)
def stands_out(hu, ways, foot_counts, gap_counts, soft_hu, low_hu, surely_hu, out):  # type: ignore[no-untyped-def]
    """Sets ``out`` (i, j, k) bool: at or above ``low_hu``, and not undone by something twice as bright.

    Twice as bright, above ``soft_hu``, undoes a voxel that is then the blurred foot of an edge (brighter on
    one side, below ``low_hu`` on the other, within ``foot_counts`` (m,) steps) or a dark gap (brighter on
    both, within ``gap_counts``). From ``surely_hu`` nothing is asked.
    """
    ni, nj, nk = hu.shape
    for slice_k in prange(nk):
        k = np.int64(slice_k)  # a parallel loop's own index is unsigned
        for j in range(nj):
            for i in range(ni):
                value = hu[i, j, k]
                bone = value >= low_hu
                if bone and value < surely_hu:
                    twice = 2 * value - soft_hu
                    for w in range(len(ways)):
                        ahead, behind, foot = False, False, False
                        dark_ahead, dark_behind = False, False
                        for s in range(1, gap_counts[w] + 1):
                            di, dj, dk = s * ways[w, 0], s * ways[w, 1], s * ways[w, 2]
                            if 0 <= i + di < ni and 0 <= j + dj < nj and 0 <= k + dk < nk:
                                seen = hu[i + di, j + dj, k + dk]
                                ahead |= seen > twice
                                dark_ahead |= seen < low_hu
                            if 0 <= i - di < ni and 0 <= j - dj < nj and 0 <= k - dk < nk:
                                seen = hu[i - di, j - dj, k - dk]
                                behind |= seen > twice
                                dark_behind |= seen < low_hu
                            if s <= foot_counts[w]:
                                foot = (ahead and dark_behind) or (behind and dark_ahead)
                        if foot or (ahead and behind):
                            bone = False
                            break
                out[i, j, k] = bone


@njit(cache=True, error_model="numpy", parallel=True)
def edge_levels(hu, inside, in_counts, out_counts, level_hu):  # type: ignore[no-untyped-def]
    """Sets ``level_hu`` (i, j, k) float32 on both sides of each edge of ``inside``: half-way between the
    first peak inwards and the first trough outwards, the mean over the voxel's edges; NO_LEVEL_HU
    elsewhere.
    """
    ni, nj, nk = hu.shape
    for slice_k in prange(nk):
        k = np.int64(slice_k)  # a parallel loop's own index is unsigned
        for j in range(nj):
            for i in range(ni):
                own = inside[i, j, k]
                total, n = 0.0, 0
                for axis in range(3):
                    for sign in range(-1, 2, 2):
                        di, dj, dk = sign * (axis == 0), sign * (axis == 1), sign * (axis == 2)
                        a, b, c = i + di, j + dj, k + dk
                        if not (0 <= a < ni and 0 <= b < nj and 0 <= c < nk) or inside[a, b, c] == own:
                            continue
                        if own:
                            peak = _run(hu, i, j, k, -di, -dj, -dk, in_counts[axis], 1)
                            trough = _run(hu, a, b, c, di, dj, dk, out_counts[axis], -1)
                        else:
                            peak = _run(hu, a, b, c, di, dj, dk, in_counts[axis], 1)
                            trough = _run(hu, i, j, k, -di, -dj, -dk, out_counts[axis], -1)
                        total += 0.5 * (peak + trough)
                        n += 1
                level_hu[i, j, k] = total / n if n else NO_LEVEL_HU


@njit(cache=True, error_model="numpy")
def _run(hu, i, j, k, di, dj, dk, count, up):  # type: ignore[no-untyped-def]
    """The value at the end of a climb (``up`` 1) or descent (-1) of at most ``count`` steps."""
    reached = hu[i, j, k]
    for s in range(1, count + 1):
        a, b, c = i + s * di, j + s * dj, k + s * dk
        if not (0 <= a < hu.shape[0] and 0 <= b < hu.shape[1] and 0 <= c < hu.shape[2]):
            break
        if up * (hu[a, b, c] - reached) < 0:
            break
        reached = hu[a, b, c]
    return reached


@njit(cache=True, error_model="numpy", parallel=True)
def signed_excess(hu, piece, inside, level_hu, reach, low_hu, field_hu):  # type: ignore[no-untyped-def]
    """Sets ``field_hu`` (i, j, k) float32: how far the grey value is from the level, positive ``inside``.

    At an edge of the ``piece`` the level is the mean of ``level_hu`` within ``reach`` (3,) voxels, and a
    value on the wrong side of it is put just on its own; elsewhere only the sign matters.
    """
    ni, nj, nk = hu.shape
    for slice_k in prange(nk):
        k = np.int64(slice_k)  # a parallel loop's own index is unsigned
        for j in range(nj):
            for i in range(ni):
                value = np.float32(hu[i, j, k])
                if level_hu[i, j, k] == NO_LEVEL_HU or inside[i, j, k] != piece[i, j, k]:
                    away = max(abs(value - low_hu), np.float32(1))
                    field_hu[i, j, k] = away if inside[i, j, k] else -away
                    continue
                total, n = 0.0, 0
                for c in range(max(0, k - reach[2]), min(nk, k + reach[2] + 1)):
                    for b in range(max(0, j - reach[1]), min(nj, j + reach[1] + 1)):
                        for a in range(max(0, i - reach[0]), min(ni, i + reach[0] + 1)):
                            if level_hu[a, b, c] != NO_LEVEL_HU:
                                total += level_hu[a, b, c]
                                n += 1
                excess = value - np.float32(total / n)
                if inside[i, j, k]:
                    field_hu[i, j, k] = max(excess, np.float32(1))
                else:
                    field_hu[i, j, k] = min(excess, np.float32(-1))


@njit(cache=True, error_model="numpy", parallel=True)
def dark_between(hu, labels, ways, counts, soft_hu, bright_hu, most_hu, share, out):  # type: ignore[no-untyped-def]
    """Sets ``out`` (i, j, k) uint8 to n where both sides of a voxel, within ``counts`` (m,) steps, belong
    to piece n and are at least ``bright_hu``, and the voxel is under ``share`` of them, above ``soft_hu``,
    and under ``most_hu``; else 0.
    """
    ni, nj, nk = hu.shape
    for slice_k in prange(nk):
        k = np.int64(slice_k)
        for j in range(nj):
            for i in range(ni):
                out[i, j, k] = 0
                value = hu[i, j, k]
                if value >= most_hu:
                    continue
                beside = labels[i, j, k] > 0
                beside |= i > 0 and labels[i - 1, j, k] > 0
                beside |= i + 1 < ni and labels[i + 1, j, k] > 0
                beside |= j > 0 and labels[i, j - 1, k] > 0
                beside |= j + 1 < nj and labels[i, j + 1, k] > 0
                beside |= k > 0 and labels[i, j, k - 1] > 0
                beside |= k + 1 < nk and labels[i, j, k + 1] > 0
                if not beside:
                    continue
                # What must be seen on both sides.
                wanted = max(bright_hu, soft_hu + (value - soft_hu) / share)
                for w in range(len(ways)):
                    ahead, behind = 0, 0
                    for s in range(1, counts[w] + 1):
                        di, dj, dk = s * ways[w, 0], s * ways[w, 1], s * ways[w, 2]
                        within = 0 <= i + di < ni and 0 <= j + dj < nj and 0 <= k + dk < nk
                        if within and ahead == 0 and hu[i + di, j + dj, k + dk] > wanted:
                            ahead = labels[i + di, j + dj, k + dk]
                        within = 0 <= i - di < ni and 0 <= j - dj < nj and 0 <= k - dk < nk
                        if within and behind == 0 and hu[i - di, j - dj, k - dk] > wanted:
                            behind = labels[i - di, j - dj, k - dk]
                    if ahead > 0 and ahead == behind:
                        out[i, j, k] = ahead
                        break
