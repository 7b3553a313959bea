"""Compiled loops over triangles: the nearest point of a mesh, and which projected triangles hold a line's
foot.

Triangles are kept in a grid of cubes; a point looks through shells of cubes around its own until nothing
nearer can follow. Exact to the triangles. The tests hold these loops against trimesh.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

TIE_MM = 1e-7
"""Triangles closer to each other's distance than this are tied: the closest point lies on a shared edge."""


@njit(cache=True, error_model="numpy", inline="always")
def _edge(corner, first, second, rising, x, y):  # type: ignore[no-untyped-def]
    """Twice the signed area of an edge and a place; the same number from both sides but for the sign.

    ``rising`` tells whether the first corner has the lower vertex number.
    """
    low, high = (first, second) if rising else (second, first)
    area = (corner[high, 0] - corner[low, 0]) * (y - corner[low, 1]) - (corner[high, 1] - corner[low, 1]) * (
        x - corner[low, 0]
    )
    return area if rising else -area


@njit(cache=True, error_model="numpy", inline="always")
def on_triangle(x, y, z, vertices, a, b, c):  # type: ignore[no-untyped-def]
    """Barycentric weights and place of the point of a triangle nearest to (x, y, z).

    By the regions of the triangle's plane (Ericson, Real-Time Collision Detection, 2005, §5.1.5: from
    memory).
    """
    ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
    ux, uy, uz = vertices[b, 0] - ax, vertices[b, 1] - ay, vertices[b, 2] - az
    vx, vy, vz = vertices[c, 0] - ax, vertices[c, 1] - ay, vertices[c, 2] - az
    px, py, pz = x - ax, y - ay, z - az
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    d1, d2 = ux * px + uy * py + uz * pz, vx * px + vy * py + vz * pz
    d3, d4, d5, d6 = d1 - uu, d2 - uv, d1 - uv, d2 - vv
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    if d1 <= 0 and d2 <= 0:
        wb, wc = 0.0, 0.0
    elif d3 >= 0 and d4 <= d3:
        wb, wc = 1.0, 0.0
    elif d6 >= 0 and d5 <= d6:
        wb, wc = 0.0, 1.0
    elif vc <= 0 and d1 >= 0 and d3 <= 0 and uu > 0:
        wb, wc = d1 / uu, 0.0
    elif vb <= 0 and d2 >= 0 and d6 <= 0 and vv > 0:
        wb, wc = 0.0, d2 / vv
    elif va <= 0 and d4 - d3 >= 0 and d5 - d6 >= 0 and d4 - d3 + d5 - d6 > 0:
        wc = (d4 - d3) / (d4 - d3 + d5 - d6)
        wb = 1.0 - wc
    elif va + vb + vc > 0:
        wb, wc = vb / (va + vb + vc), vc / (va + vb + vc)
    else:  # no area: its first corner stands for it
        wb, wc = 0.0, 0.0
    return 1.0 - wb - wc, wb, wc, ax + wb * ux + wc * vx, ay + wb * uy + wc * vy, az + wb * uz + wc * vz


@njit(cache=True, error_model="numpy", inline="always")
def away_from(place, low, edge):  # type: ignore[no-untyped-def]
    """How far a place lies outside the stretch of length ``edge`` that begins at ``low``."""
    return max(low - place, place - low - edge, 0.0)


@njit(cache=True, error_model="numpy")
def nearest_one(x, y, z, mesh, hole, rim_is_free, hint, limit):  # type: ignore[no-untyped-def]
    """Signed distance of one place to ``mesh``, the nearest point that counts, and its triangle (−1: none).

    ``hint`` is a triangle that may be near, or −1: what lies farther than it need not be looked at, nor what
    lies farther than ``limit``; infinite where nothing nearer is there.

    Triangles that are passed through, and what lies in the hole (centre, radius; negative: none), do not
    count for the distance; all of them tell the side. Behind the nearest of all, or nearest to one that is
    passed through, is inside.
    """
    vertices, faces, normals, middles, reach, on_rim, passed, low, cube, shape, starts, inside = mesh
    ci = int(np.floor((x - low[0]) / cube))
    cj = int(np.floor((y - low[1]) / cube))
    ck = int(np.floor((z - low[2]) / cube))
    # Shells before the first that meets the grid are empty, shells after the last too.
    first = max(0, -ci, -cj, -ck, ci - shape[0] + 1, cj - shape[1] + 1, ck - shape[2] + 1)
    last = max(ci, cj, ck, shape[0] - 1 - ci, shape[1] - 1 - cj, shape[2] - 1 - ck)
    best, of_all, height, found = np.inf, np.inf, 0.0, -1
    # Nothing farther than this matters.
    bound = limit
    if hint >= 0:
        _, _, _, px, py, pz = on_triangle(x, y, z, vertices, faces[hint, 0], faces[hint, 1], faces[hint, 2])
        hx, hy, hz = px - hole[0], py - hole[1], pz - hole[2]
        if hole[3] < 0 or hx * hx + hy * hy + hz * hz > hole[3] * hole[3]:
            bound = min(limit, np.sqrt((x - px) ** 2 + (y - py) ** 2 + (z - pz) ** 2) + 2 * TIE_MM)
    qx, qy, qz = np.inf, np.inf, np.inf
    through, free = False, False
    for shell in range(first, last + 1):
        if bound <= (shell - 1) * cube:
            break
        for i in range(max(0, ci - shell), min(shape[0], ci + shell + 1)):
            for j in range(max(0, cj - shell), min(shape[1], cj + shell + 1)):
                edge = abs(i - ci) == shell or abs(j - cj) == shell
                step = 1 if edge or shell == 0 else 2 * shell
                for k in range(ck - shell, ck + shell + 1, step):
                    if k < 0 or k >= shape[2]:
                        continue
                    q = (i * shape[1] + j) * shape[2] + k
                    if starts[q] == starts[q + 1] or (
                        away_from(x, low[0] + i * cube, cube) ** 2
                        + away_from(y, low[1] + j * cube, cube) ** 2
                        + away_from(z, low[2] + k * cube, cube) ** 2
                        > bound * bound
                    ):
                        continue
                    for at in range(starts[q], starts[q + 1]):
                        t = inside[at]
                        mx, my, mz = x - middles[t, 0], y - middles[t, 1], z - middles[t, 2]
                        if mx * mx + my * my + mz * mz > (bound + reach + TIE_MM) ** 2:
                            continue
                        # The triangle's plane is no farther than the triangle.
                        over = normals[t, 0] * mx + normals[t, 1] * my + normals[t, 2] * mz
                        if abs(over) > bound + TIE_MM:
                            continue
                        wa, wb, wc, px, py, pz = on_triangle(
                            x, y, z, vertices, faces[t, 0], faces[t, 1], faces[t, 2]
                        )
                        dx, dy, dz = x - px, y - py, z - pz
                        d = np.sqrt(dx * dx + dy * dy + dz * dz)
                        if d > bound + TIE_MM:
                            continue
                        if d <= of_all + TIE_MM:
                            up = normals[t, 0] * dx + normals[t, 1] * dy + normals[t, 2] * dz
                            # Of triangles that tie, the one seen most squarely tells the side.
                            if d < of_all - TIE_MM or abs(up) > abs(height):
                                height, through = up, passed[t]
                                free = rim_is_free and (
                                    (on_rim[t, 0] and wa <= 1e-9)
                                    or (on_rim[t, 1] and wb <= 1e-9)
                                    or (on_rim[t, 2] and wc <= 1e-9)
                                )
                            of_all = min(of_all, d)
                        if d < best and not passed[t]:
                            hx, hy, hz = px - hole[0], py - hole[1], pz - hole[2]
                            if hole[3] < 0 or hx * hx + hy * hy + hz * hz > hole[3] * hole[3]:
                                best, qx, qy, qz, found = d, px, py, pz, t
                                bound = min(bound, best)
    if height > 0 and not through and not free:
        return -best, qx, qy, qz, found
    return best, qx, qy, qz, found


@njit(cache=True, error_model="numpy")
def nearest(points, mesh, hole, rim_is_free):  # type: ignore[no-untyped-def]
    """``nearest_one`` for each of ``points`` (n, 3): signed distances (n,) and nearest points (n, 3)."""
    distance, closest, hint = np.empty(len(points)), np.empty((len(points), 3)), -1
    for n in range(len(points)):
        distance[n], closest[n, 0], closest[n, 1], closest[n, 2], hint = nearest_one(
            points[n, 0], points[n, 1], points[n, 2], mesh, hole, rim_is_free, hint, np.inf
        )
    return distance, closest


@njit(cache=True, error_model="numpy", parallel=True, nogil=True)
def nearest_on_lattice(origin, steps, wanted, mesh, hole, rim_is_free, limit):  # type: ignore[no-untyped-def]
    """Signed distances, as ``nearest``, of the ``wanted`` (i, j, k) places of a lattice; NaN of the others.

    Place (0, 0, 0) lies at ``origin``, the columns of ``steps`` lead to the next along i, j and k. Infinite
    where nothing lies nearer than ``limit``. The same on any number of cores: rows know nothing of each
    other.
    """
    ni, nj, nk = wanted.shape
    found = np.full((ni, nj, nk), np.nan, np.float32)
    for row in prange(ni * nj):
        i, j, hint = row // nj, row % nj, -1
        for k in range(nk):
            if not wanted[i, j, k]:
                continue
            x = origin[0] + i * steps[0, 0] + j * steps[0, 1] + k * steps[0, 2]
            y = origin[1] + i * steps[1, 0] + j * steps[1, 1] + k * steps[1, 2]
            z = origin[2] + i * steps[2, 0] + j * steps[2, 1] + k * steps[2, 2]
            distance, _, _, _, hint = nearest_one(x, y, z, mesh, hole, rim_is_free, hint, limit)
            found[i, j, k] = distance
    return found


@njit(cache=True, error_model="numpy")
def feet_inside(origin, frame, feet, reach, mesh):  # type: ignore[no-untyped-def]
    """Which projected triangles hold which feet: line, depth and side of every crossing.

    Lines run along the third row of ``frame`` through ``feet`` (n, 2), places along its first two rows from
    ``origin``, none farther than ``reach`` from it. Side is 1 where the line goes in, −1 where it comes out.
    Every edge is measured from its lower to its higher vertex number, so that the two triangles that share it
    get the very same number and a line passes through exactly one of them.
    """
    vertices, faces, _, _, _, _, _, low, cube, shape, starts, inside = mesh
    lines, depths, sides = [], [], []
    # In order of their first coordinate, so that a triangle looks only at the feet below and above it.
    order = np.argsort(feet[:, 0])
    first = feet[order, 0]
    seen = np.zeros(len(faces), np.bool_)
    corner = np.empty((3, 3))
    around = cube * np.sqrt(3.0) / 2 + reach
    for q in range(len(starts) - 1):
        if starts[q] == starts[q + 1]:
            continue
        # The cube's middle, across the lines.
        mx = low[0] + (q // (shape[1] * shape[2]) + 0.5) * cube - origin[0]
        my = low[1] + ((q // shape[2]) % shape[1] + 0.5) * cube - origin[1]
        mz = low[2] + (q % shape[2] + 0.5) * cube - origin[2]
        across = mx * frame[0, 0] + my * frame[0, 1] + mz * frame[0, 2]
        beside = mx * frame[1, 0] + my * frame[1, 1] + mz * frame[1, 2]
        if across * across + beside * beside > around * around:
            continue
        for at in range(starts[q], starts[q + 1]):
            t = inside[at]
            if seen[t]:
                continue
            seen[t] = True
            for c in range(3):
                v = faces[t, c]
                x, y, z = vertices[v, 0] - origin[0], vertices[v, 1] - origin[1], vertices[v, 2] - origin[2]
                for r in range(3):
                    corner[c, r] = x * frame[r, 0] + y * frame[r, 1] + z * frame[r, 2]
            if (
                min(corner[0, 0], corner[1, 0], corner[2, 0]) > reach
                or max(corner[0, 0], corner[1, 0], corner[2, 0]) < -reach
                or min(corner[0, 1], corner[1, 1], corner[2, 1]) > reach
                or max(corner[0, 1], corner[1, 1], corner[2, 1]) < -reach
            ):
                continue
            lowest = min(corner[0, 1], corner[1, 1], corner[2, 1]) - TIE_MM
            highest = max(corner[0, 1], corner[1, 1], corner[2, 1]) + TIE_MM
            start = np.searchsorted(first, min(corner[0, 0], corner[1, 0], corner[2, 0]) - TIE_MM)
            stop = np.searchsorted(first, max(corner[0, 0], corner[1, 0], corner[2, 0]) + TIE_MM)
            for place in range(start, stop):
                n = order[place]
                if not lowest <= feet[n, 1] <= highest:
                    continue
                ea = _edge(corner, 1, 2, faces[t, 1] < faces[t, 2], feet[n, 0], feet[n, 1])
                eb = _edge(corner, 2, 0, faces[t, 2] < faces[t, 0], feet[n, 0], feet[n, 1])
                ec = _edge(corner, 0, 1, faces[t, 0] < faces[t, 1], feet[n, 0], feet[n, 1])
                if (ea > 0 and eb > 0 and ec > 0) or (ea < 0 and eb < 0 and ec < 0):
                    total = ea + eb + ec
                    lines.append(n)
                    depths.append((ea * corner[0, 2] + eb * corner[1, 2] + ec * corner[2, 2]) / total)
                    sides.append(1 if total < 0 else -1)
    return np.array(lines, np.int64), np.array(depths, np.float64), np.array(sides, np.int64)
