"""Compiled loops that look for narrow dark sheets in bone, as a joint space or a fracture leaves them.

At a voxel the direction n of the strongest upward bend of the smoothed grey values is taken; the grey value
is read along ±n, each reading the mean of a small disc across n. The depth of the valley is
min(largest reading on the one side, largest on the other) − reading at the voxel. A plain NumPy twin stands
in tests/test_apart.py.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

DISC_COUNT = 8
"""Readings around the centre of a disc (prototype study on phantoms)."""

_COS = np.array([math.cos(2 * math.pi * n / DISC_COUNT) for n in range(DISC_COUNT)])
_SIN = np.array([math.sin(2 * math.pi * n / DISC_COUNT) for n in range(DISC_COUNT)])


@njit(cache=True, error_model="numpy", forceinline=True)
def _read(f, x, y, z):  # type: ignore[no-untyped-def]
    """``f`` interpolated linearly at a voxel position, held at the borders."""
    a, b, c = f.shape
    x = min(max(x, 0.0), a - 1.001)
    y = min(max(y, 0.0), b - 1.001)
    z = min(max(z, 0.0), c - 1.001)
    i, j, k = int(x), int(y), int(z)
    u, v, w = x - i, y - j, z - k
    low = (f[i, j, k] * (1 - w) + f[i, j, k + 1] * w) * (1 - v) + (
        f[i, j + 1, k] * (1 - w) + f[i, j + 1, k + 1] * w
    ) * v
    high = (f[i + 1, j, k] * (1 - w) + f[i + 1, j, k + 1] * w) * (1 - v) + (
        f[i + 1, j + 1, k] * (1 - w) + f[i + 1, j + 1, k + 1] * w
    ) * v
    return low * (1 - u) + high * u


@njit(cache=True, error_model="numpy")
def bend_direction(f, i, j, k, step, n):  # type: ignore[no-untyped-def]
    """Direction of the largest second derivative of ``f`` into ``n`` (3,); returns that derivative, per mm².

    Derivatives are central differences; the eigenvalue is that of a symmetric 3×3 matrix in closed form.
    """
    dx, dy, dz = step
    f0 = 2 * f[i, j, k]
    xx = (f[i + 1, j, k] - f0 + f[i - 1, j, k]) / (dx * dx)
    yy = (f[i, j + 1, k] - f0 + f[i, j - 1, k]) / (dy * dy)
    zz = (f[i, j, k + 1] - f0 + f[i, j, k - 1]) / (dz * dz)
    xy = (f[i + 1, j + 1, k] - f[i + 1, j - 1, k] - f[i - 1, j + 1, k] + f[i - 1, j - 1, k]) / (4 * dx * dy)
    xz = (f[i + 1, j, k + 1] - f[i + 1, j, k - 1] - f[i - 1, j, k + 1] + f[i - 1, j, k - 1]) / (4 * dx * dz)
    yz = (f[i, j + 1, k + 1] - f[i, j + 1, k - 1] - f[i, j - 1, k + 1] + f[i, j - 1, k - 1]) / (4 * dy * dz)
    mean = (xx + yy + zz) / 3
    a, b, c = xx - mean, yy - mean, zz - mean
    size = math.sqrt((a * a + b * b + c * c + 2 * (xy * xy + xz * xz + yz * yz)) / 6)
    if size <= 0:
        return 0.0
    determinant = a * (b * c - yz * yz) - xy * (xy * c - yz * xz) + xz * (xy * yz - b * xz)
    ratio = min(max(determinant / (2 * size * size * size), -1.0), 1.0)
    largest = mean + 2 * size * math.cos(math.acos(ratio) / 3)
    a, b, c = xx - largest, yy - largest, zz - largest
    # The eigenvector is across two rows of the matrix less its eigenvalue: the longest of three products.
    best = 0.0
    for pair in range(3):
        if pair == 0:
            p, q, r = xy * yz - xz * b, xz * xy - a * yz, a * b - xy * xy
        elif pair == 1:
            p, q, r = xy * c - xz * yz, xz * xz - a * c, a * yz - xy * xz
        else:
            p, q, r = b * c - yz * yz, yz * xz - xy * c, xy * yz - b * xz
        length = math.sqrt(p * p + q * q + r * r)
        if length > best:
            best = length
            n[0], n[1], n[2] = p / length, q / length, r / length
    return largest if best > 0 else 0.0


@njit(cache=True, error_model="numpy")
def _disc(f, x, y, z, p, q):  # type: ignore[no-untyped-def]
    """Mean of ``f`` at a place and around it; ``p``, ``q`` (3,) span the disc, in voxels."""
    total = _read(f, x, y, z)
    for m in range(DISC_COUNT):
        c, s = _COS[m], _SIN[m]
        total += _read(f, x + c * p[0] + s * q[0], y + c * p[1] + s * q[1], z + c * p[2] + s * q[2])
    return total / (DISC_COUNT + 1)


@njit(cache=True, error_model="numpy")
def _depth_along(grey, x, y, z, n, step, reach, stride, radius, slack):  # type: ignore[no-untyped-def]
    """Depth of the valley at a voxel position along the direction ``n`` (3,), its bottom within ``slack`` mm.

    ``step`` are the voxel's edges in mm; ``reach``, ``stride`` and ``radius`` of the disc in mm.
    """
    p, q, d = np.empty(3), np.empty(3), np.empty(3)
    # Two directions across n: the axis least along it, turned square.
    least = 0
    for axis in range(1, 3):
        if abs(n[axis]) < abs(n[least]):
            least = axis
    for axis in range(3):
        p[axis] = -n[axis] * n[least]
    p[least] += 1.0
    length = math.sqrt(p[0] * p[0] + p[1] * p[1] + p[2] * p[2])
    for axis in range(3):
        p[axis] *= 1 / length
    q[0], q[1], q[2] = n[1] * p[2] - n[2] * p[1], n[2] * p[0] - n[0] * p[2], n[0] * p[1] - n[1] * p[0]
    for axis in range(3):
        d[axis] = n[axis] / step[axis]
        p[axis] *= radius / step[axis]
        q[axis] *= radius / step[axis]
    here = _disc(grey, x, y, z, p, q)
    ahead, behind = -np.inf, -np.inf
    for t in range(1, int(reach / stride + 1e-6) + 1):
        away = t * stride
        after = _disc(grey, x + away * d[0], y + away * d[1], z + away * d[2], p, q)
        before = _disc(grey, x - away * d[0], y - away * d[1], z - away * d[2], p, q)
        if away <= slack:
            here = min(here, after, before)
        ahead, behind = max(ahead, after), max(behind, before)
    return min(ahead, behind) - here


@njit(cache=True, error_model="numpy", parallel=True)
def deepen(grey, smooth, at, step, reach, stride, radius, depth):  # type: ignore[no-untyped-def]
    """Raise ``depth`` (n,) to the valley's depth at voxels ``at`` (flat indices), by one scale's ``smooth``.

    ``step`` are the voxel's edges in mm; ``reach``, ``stride`` and ``radius`` of the disc in mm.
    """
    _, ny, nz = grey.shape
    for m in prange(len(at)):
        i, rest = divmod(at[m], ny * nz)
        j, k = divmod(rest, nz)
        if i < 1 or j < 1 or k < 1 or i > grey.shape[0] - 2 or j > ny - 2 or k > nz - 2:
            continue
        n = np.empty(3)
        if bend_direction(smooth, i, j, k, step, n) <= 0:
            continue
        found = _depth_along(grey, float(i), float(j), float(k), n, step, reach, stride, radius, 0.0)
        depth[m] = max(depth[m], np.float32(found))


@njit(cache=True, error_model="numpy", parallel=True)
def depth_across(grey, index, at, labels, faces, step, around, reach, stride, radius, slack):  # type: ignore[no-untyped-def]
    """(m,) depth of the valley at ``faces`` (m, 3) of ``border_pairs``, read across the border of their
    labels.

    Across is the way from the middle of the one label to the middle of the other within ``around`` mm.
    """
    nx, ny, nz = index.shape
    depth = np.zeros(len(faces), np.float32)
    span = np.empty(3, np.int64)
    for axis in range(3):
        span[axis] = int(around / step[axis] + 1)
    for m in prange(len(faces)):
        one, other = labels[faces[m, 0]], labels[faces[m, 1]]
        place = np.empty(3)
        i, rest = divmod(at[faces[m, 0]], ny * nz)
        j, k = divmod(rest, nz)
        place[0], place[1], place[2] = i, j, k
        place[faces[m, 2]] += 0.5
        n = np.zeros(3)
        for a in range(max(0, i - span[0]), min(nx, i + span[0] + 2)):
            for b in range(max(0, j - span[1]), min(ny, j + span[1] + 2)):
                for c in range(max(0, k - span[2]), min(nz, k + span[2] + 2)):
                    o = index[a, b, c]
                    if o < 0 or (labels[o] != one and labels[o] != other):
                        continue
                    x = (a - place[0]) * step[0]
                    y = (b - place[1]) * step[1]
                    z = (c - place[2]) * step[2]
                    if x * x + y * y + z * z > around * around:
                        continue
                    side = 1.0 if labels[o] == other else -1.0
                    n[0] += side * x
                    n[1] += side * y
                    n[2] += side * z
        length = math.sqrt(n[0] * n[0] + n[1] * n[1] + n[2] * n[2])
        if length > 0:
            for axis in range(3):
                n[axis] /= length
            found = _depth_along(grey, place[0], place[1], place[2], n, step, reach, stride, radius, slack)
            depth[m] = np.float32(found)
    return depth


@njit(cache=True)
def neighbours_of(index, at):  # type: ignore[no-untyped-def]
    """(n, 6) number of each voxel's neighbour across a face, -1 where there is none.

    ``index`` holds each voxel's number, -1 outside. Slots 2a and 2a + 1 are before and after along axis a,
    so that slot ^ 1 leads back.
    """
    nx, ny, nz = index.shape
    found = np.full((len(at), 6), np.int32(-1))
    for m in range(len(at)):
        i, rest = divmod(at[m], ny * nz)
        j, k = divmod(rest, nz)
        if i > 0:
            found[m, 0] = index[i - 1, j, k]
        if i < nx - 1:
            found[m, 1] = index[i + 1, j, k]
        if j > 0:
            found[m, 2] = index[i, j - 1, k]
        if j < ny - 1:
            found[m, 3] = index[i, j + 1, k]
        if k > 0:
            found[m, 4] = index[i, j, k - 1]
        if k < nz - 1:
            found[m, 5] = index[i, j, k + 1]
    return found
