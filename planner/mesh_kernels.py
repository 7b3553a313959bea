"""Compiled loops over triangles: the nearest point of a mesh, and which projected triangles hold a line's
foot.

Triangles are kept in a tree of boxes (``triangle_tree.py``); a point looks into the nearer box first, and
into none that can hold nothing nearer. Exact to the triangles. The tests hold these loops against trimesh.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

from planner.triangle_tree import WAITING_COUNT, away2_from

TIE_MM = 1e-7
"""Triangles closer to each other's distance than this are tied: the closest point lies on a shared edge."""


@njit(cache=True, error_model="numpy", forceinline=True)
def _edge(corner, first, second, rising, x, y):  # type: ignore[no-untyped-def]
    """Twice the signed area of an edge and a place; the same number from both sides but for the sign.

    ``rising`` tells whether the first corner has the lower vertex number.
    """
    low, high = (first, second) if rising else (second, first)
    area = (corner[high, 0] - corner[low, 0]) * (y - corner[low, 1]) - (corner[high, 1] - corner[low, 1]) * (
        x - corner[low, 0]
    )
    return area if rising else -area


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def nearest_one(x, y, z, mesh, hole, rim_is_free, hint, limit):  # type: ignore[no-untyped-def]
    """Signed distance of one place to ``mesh``, the nearest point that counts, and its triangle (−1: none).

    ``hint`` is a triangle that may be near, or −1: what lies farther than it need not be looked at, nor what
    lies farther than ``limit``; infinite where nothing nearer is there.

    Triangles that are passed through, and what lies in the hole (centre, radius; negative: none), do not
    count for the distance; all of them tell the side. Behind the nearest of all, or nearest to one that is
    passed through, is inside.
    """
    vertices, faces, normals, on_rim, passed, order, boxes = mesh
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
    leaves = (len(boxes) + 1) // 2
    waiting, away2 = np.empty(WAITING_COUNT, np.int64), np.empty(WAITING_COUNT)
    waiting[0], away2[0], left = 0, away2_from(x, y, z, boxes, 0), 1
    while left:
        left -= 1
        n, far2 = waiting[left], away2[left]
        while n < leaves - 1 and far2 <= (bound + TIE_MM) ** 2:
            near, far = 2 * n + 1, 2 * n + 2
            near2, far2 = away2_from(x, y, z, boxes, near), away2_from(x, y, z, boxes, far)
            if far2 < near2:
                near, far, near2, far2 = far, near, far2, near2
            waiting[left], away2[left] = far, far2
            left += 1
            n, far2 = near, near2
        if far2 > (bound + TIE_MM) ** 2:
            continue
        leaf = n - leaves + 1
        for at in range(leaf * len(order) // leaves, (leaf + 1) * len(order) // leaves):
            t = order[at]
            a = faces[t, 0]
            # The triangle's plane is no farther than the triangle.
            over = (
                normals[t, 0] * (x - vertices[a, 0])
                + normals[t, 1] * (y - vertices[a, 1])
                + normals[t, 2] * (z - vertices[a, 2])
            )
            if abs(over) > bound + TIE_MM:
                continue
            wa, wb, wc, px, py, pz = on_triangle(x, y, z, vertices, a, faces[t, 1], faces[t, 2])
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
                        or (on_rim[t, 3] and wa >= 1.0 - 1e-9)
                        or (on_rim[t, 4] and wb >= 1.0 - 1e-9)
                        or (on_rim[t, 5] and wc >= 1.0 - 1e-9)
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
    distance, closest, hint = np.empty(len(points)), np.empty((len(points), 3)), np.int64(-1)
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
        i, j, hint = row // nj, row % nj, np.int64(-1)
        for k in range(nk):
            if not wanted[i, j, k]:
                continue
            x = origin[0] + i * steps[0, 0] + j * steps[0, 1] + k * steps[0, 2]
            y = origin[1] + i * steps[1, 0] + j * steps[1, 1] + k * steps[1, 2]
            z = origin[2] + i * steps[2, 0] + j * steps[2, 1] + k * steps[2, 2]
            distance, _, _, _, hint = nearest_one(x, y, z, mesh, hole, rim_is_free, hint, limit)
            found[i, j, k] = distance
    return found


@njit(cache=True, error_model="numpy", forceinline=True)
def _square(place, low, edge):  # type: ignore[no-untyped-def]
    return int(np.floor((place - low) / edge))


@njit(cache=True, error_model="numpy")
def _squares(feet):  # type: ignore[no-untyped-def]
    """Which of ``feet`` (n, 2) lie in which of about as many squares: lowest corner (2,) and edges (2,), how
    many there are each way, where each begins, and the feet in their order."""
    count = max(1, int(np.sqrt(len(feet))))
    low, cell = np.zeros(2), np.ones(2)
    for axis in range(2):
        low[axis] = feet[:, axis].min()
        # A hair more, so that the last lies in the last.
        cell[axis] = max((feet[:, axis].max() - low[axis]) / count * (1 + 1e-9), 1e-9)
    square = np.empty(len(feet), np.int64)
    starts = np.zeros(count * count + 1, np.int64)
    for n in range(len(feet)):
        a = min(_square(feet[n, 0], low[0], cell[0]), count - 1)
        b = min(_square(feet[n, 1], low[1], cell[1]), count - 1)
        square[n] = a * count + b
        starts[square[n] + 1] += 1
    starts = np.cumsum(starts)
    filled, in_cell = starts[:-1].copy(), np.empty(len(feet), np.int64)
    for n in range(len(feet)):
        in_cell[filled[square[n]]] = n
        filled[square[n]] += 1
    return low, cell, count, starts, in_cell


@njit(cache=True, error_model="numpy")
def feet_inside(origin, frame, feet, reach, mesh):  # type: ignore[no-untyped-def]
    """Which projected triangles hold which feet: line, depth and side of every crossing.

    Lines run along the third row of ``frame`` through ``feet`` (n, 2), places along its first two rows from
    ``origin``, none farther than ``reach`` from it. Side is 1 where the line goes in, −1 where it comes out.
    Every edge is measured from its lower to its higher vertex number, so that the two triangles that share it
    get the very same number and a line passes through exactly one of them.
    """
    vertices, faces, _, _, _, order, boxes = mesh
    lines, depths, sides = [], [], []
    low, cell, across_count, starts, in_cell = _squares(feet)
    corner = np.empty((3, 3))
    leaves = (len(boxes) + 1) // 2
    waiting, left = np.zeros(WAITING_COUNT, np.int64), 1
    while left:
        left -= 1
        q = waiting[left]
        # The box's middle across the lines, and how far it reaches from there.
        outside = False
        for r in range(2):
            middle, half = 0.0, 0.0
            for axis in range(3):
                middle += ((boxes[q, axis] + boxes[q, axis + 3]) / 2 - origin[axis]) * frame[r, axis]
                half += (boxes[q, axis + 3] - boxes[q, axis]) / 2 * abs(frame[r, axis])
            outside = outside or abs(middle) > half + reach + TIE_MM
        if outside:
            continue
        if q < leaves - 1:
            waiting[left], waiting[left + 1] = 2 * q + 2, 2 * q + 1
            left += 2
            continue
        leaf = q - leaves + 1
        for at in range(leaf * len(order) // leaves, (leaf + 1) * len(order) // leaves):
            t = order[at]
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
            leftmost = min(corner[0, 0], corner[1, 0], corner[2, 0]) - TIE_MM
            rightmost = max(corner[0, 0], corner[1, 0], corner[2, 0]) + TIE_MM
            b0, b1 = _square(lowest, low[1], cell[1]), _square(highest, low[1], cell[1])
            for a in range(
                max(0, _square(leftmost, low[0], cell[0])),
                min(across_count - 1, _square(rightmost, low[0], cell[0])) + 1,
            ):
                # The squares above each other lie one after the other.
                start = starts[a * across_count + min(max(0, b0), across_count)]
                stop = starts[a * across_count + min(max(-1, b1), across_count - 1) + 1]
                for place in range(start, stop):
                    n = in_cell[place]
                    if not (lowest <= feet[n, 1] <= highest and leftmost <= feet[n, 0] <= rightmost):
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
