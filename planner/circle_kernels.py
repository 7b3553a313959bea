"""Compiled loops for the smallest distance between circles around an axis and a mesh: the same as asking for
every place on every circle, which the tests do, but most are passed over.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from planner.mesh_kernels import TIE_MM, nearest_one, on_triangle

STRIDE = 5
"""Every so many stations the distance is measured on the axis first; it bounds those between."""

SKIP = 2
"""A place on a circle is looked around so far that, if nothing is there, so many others are passed over."""

IN_FRONT, MAY_BE_BEHIND = 1, 2
"""What is known of the side of a cube, 0 being nothing yet."""

SIDES_BEYOND_COUNT, SIDES_PER_CUBE_COUNT = 14, 3
"""So many of a mesh's cubes beyond its own are told apart by side, each parted so often along its edges. Our
choice: 20 mm, and half a millimetre in a fine scan."""


@njit(cache=True, error_model="numpy", nogil=True)
def smallest_around_axis(origin, frame, depth, radius, angles_count, mesh, hole, rim_is_free, sides):  # type: ignore[no-untyped-def]
    """Smallest signed distance of circles around an axis to ``mesh``, the place on them (3,) and the
    surface's place (3,) nearest to it, NaN where there is none.

    With ``rim_is_free`` the surface is open: ``sides`` keeps what is known of the side of each cube.

    The axis begins at ``origin``; the rows of ``frame`` are two directions across it and its own. Circles of
    ``radius`` (n,) stand at ``depth`` (n,) and are looked at in ``angles_count`` directions. A signed
    distance changes by no more than the way walked, so what cannot hold the smallest is passed over; only
    past the rim of an open surface the side changes at once, and where that may be every place is looked at.
    """
    count = len(depth)
    order = np.argsort(depth)
    axis = np.full(count, np.inf)
    least = np.full(count, -np.inf)
    hint = -1
    on_circle, on_surface = np.full(3, np.nan), np.full(3, np.nan)
    for place in range(0, count + STRIDE - 1, STRIDE):
        n = order[min(place, count - 1)]
        axis[n], hint = _on_axis(origin, frame, depth[n], mesh, hole, rim_is_free, hint, np.inf)
        for other in range(max(0, place - STRIDE), min(count, place + STRIDE)):
            m = order[other]
            bound = abs(axis[n]) if rim_is_free else axis[n]
            least[m] = max(least[m], bound - abs(depth[m] - depth[n]))
    best = np.inf
    if rim_is_free:
        best, hint = _least_behind(
            origin, frame, depth, radius, angles_count, mesh, sides, hint, on_circle, on_surface
        )
    for n in np.argsort(least - radius):
        if least[n] - radius[n] >= best:
            break
        # Where the bound says "inside", only a surface near enough to matter need be found.
        if axis[n] == np.inf:
            limit = best + radius[n] if least[n] > 0 else np.inf
            axis[n], hint = _on_axis(origin, frame, depth[n], mesh, hole, rim_is_free, hint, limit)
        if axis[n] - radius[n] >= best:
            continue
        chord = 2 * radius[n] * np.sin(np.pi / angles_count)
        limit = best + SKIP * chord if axis[n] > radius[n] else np.inf
        at = 0
        while at < angles_count:
            turn = 2 * np.pi * at / angles_count
            a, b = radius[n] * np.cos(turn), radius[n] * np.sin(turn)
            x = origin[0] + depth[n] * frame[2, 0] + a * frame[0, 0] + b * frame[1, 0]
            y = origin[1] + depth[n] * frame[2, 1] + a * frame[0, 1] + b * frame[1, 1]
            z = origin[2] + depth[n] * frame[2, 2] + a * frame[0, 2] + b * frame[1, 2]
            found, px, py, pz, hint = nearest_one(x, y, z, mesh, hole, rim_is_free, hint, limit)
            found = min(found, limit)
            if found < best:
                best = found
                on_circle[0], on_circle[1], on_circle[2] = x, y, z
                on_surface[0], on_surface[1], on_surface[2] = px, py, pz
            if chord * angles_count <= found - best:
                break
            at += 1 + int((found - best) / chord)
    return best, on_circle, on_surface


@njit(cache=True, error_model="numpy")
def _on_axis(origin, frame, depth, mesh, hole, rim_is_free, hint, limit):  # type: ignore[no-untyped-def]
    distance, _, _, _, hint = nearest_one(
        origin[0] + depth * frame[2, 0],
        origin[1] + depth * frame[2, 1],
        origin[2] + depth * frame[2, 2],
        mesh,
        hole,
        rim_is_free,
        hint,
        limit,
    )
    return distance, hint


@njit(cache=True, error_model="numpy", nogil=True)
def _least_behind(origin, frame, depth, radius, angles_count, mesh, sides, hint, on_circle, on_surface):  # type: ignore[no-untyped-def]
    """The smallest signed distance to an open surface of those places that may be behind it, infinite where
    none may, and a triangle near the last."""
    low, cube = mesh[7], mesh[8]
    first, edge = low - SIDES_BEYOND_COUNT * cube, cube / SIDES_PER_CUBE_COUNT
    everywhere = np.array([0.0, 0.0, 0.0, -1.0])
    best = np.inf
    for n in range(len(depth)):
        for at in range(angles_count):
            turn = 2 * np.pi * at / angles_count
            a, b = radius[n] * np.cos(turn), radius[n] * np.sin(turn)
            x = origin[0] + depth[n] * frame[2, 0] + a * frame[0, 0] + b * frame[1, 0]
            y = origin[1] + depth[n] * frame[2, 1] + a * frame[0, 1] + b * frame[1, 1]
            z = origin[2] + depth[n] * frame[2, 2] + a * frame[0, 2] + b * frame[1, 2]
            i, j, k = int((x - first[0]) / edge), int((y - first[1]) / edge), int((z - first[2]) / edge)
            within = x >= first[0] and y >= first[1] and z >= first[2]
            if within and i < sides.shape[0] and j < sides.shape[1] and k < sides.shape[2]:
                if sides[i, j, k] == 0:
                    front = _all_in_front(
                        first[0] + (i + 0.5) * edge,
                        first[1] + (j + 0.5) * edge,
                        first[2] + (k + 0.5) * edge,
                        edge * np.sqrt(3.0) / 2,
                        mesh,
                    )
                    sides[i, j, k] = IN_FRONT if front else MAY_BE_BEHIND
                if sides[i, j, k] == IN_FRONT:
                    continue
            found, px, py, pz, hint = nearest_one(x, y, z, mesh, everywhere, True, hint, np.inf)
            if found < best:
                best = found
                on_circle[0], on_circle[1], on_circle[2] = x, y, z
                on_surface[0], on_surface[1], on_surface[2] = px, py, pz
    return best, hint


@njit(cache=True, error_model="numpy", nogil=True)
def _all_in_front(x, y, z, around, mesh):  # type: ignore[no-untyped-def]
    """Whether all of a ball surely lies in front of an open surface, the side that is inside: in front of
    each triangle that may be the nearest of one of its places. False: it may not."""
    vertices, faces, normals, middles, reach, _, _, low, cube, shape, starts, inside = mesh
    distance, _, _, _, _ = nearest_one(x, y, z, mesh, np.array([0.0, 0.0, 0.0, -1.0]), True, -1, np.inf)
    far = abs(distance) + 2 * around + TIE_MM
    if not np.isfinite(far):
        return True
    i0, i1 = _cubes(x, far, low[0], cube, shape[0])
    j0, j1 = _cubes(y, far, low[1], cube, shape[1])
    k0, k1 = _cubes(z, far, low[2], cube, shape[2])
    for i in range(i0, i1):
        for j in range(j0, j1):
            for k in range(k0, k1):
                q = (i * shape[1] + j) * shape[2] + k
                for place in range(starts[q], starts[q + 1]):
                    t = inside[place]
                    mx, my, mz = x - middles[t, 0], y - middles[t, 1], z - middles[t, 2]
                    if normals[t, 0] * mx + normals[t, 1] * my + normals[t, 2] * mz < -around - TIE_MM:
                        continue
                    if mx * mx + my * my + mz * mz > (far + reach) ** 2:
                        continue
                    _, _, _, px, py, pz = on_triangle(
                        x, y, z, vertices, faces[t, 0], faces[t, 1], faces[t, 2]
                    )
                    if (x - px) ** 2 + (y - py) ** 2 + (z - pz) ** 2 <= far * far:
                        return False
    return True


@njit(cache=True, error_model="numpy", inline="always")
def _cubes(place, around, low, cube, count):  # type: ignore[no-untyped-def]
    """The first cube along one axis that lies within ``around`` of a place, and the first after them."""
    first = max(0, int(np.floor((place - around - low) / cube)))
    return first, min(count, int(np.floor((place + around - low) / cube)) + 1)
