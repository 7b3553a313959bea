"""Compiled loops for the smallest distance between circles around an axis and a mesh: the same as asking for
every place on every circle, which the tests do, but most are passed over.

Where a screw comes out of the bone beside the hole a place may be missed that is out by a few hundredths of a
millimetre more (0.03 mm in 2 of 150 screws thrown at a demo bone).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from planner.mesh_kernels import TIE_MM, nearest_one, on_triangle
from planner.triangle_tree import WAITING_COUNT, away2_from
from segmentation.vocabulary import Floats

SKIP = 2
"""A place on a circle is looked around so far that, if nothing is there, so many others are passed over."""

IN_FRONT, MAY_BE_BEHIND = 1, 2
"""What is known of the side of a cube, 0 being nothing yet."""

WALK_MM = 1.0
"""What is known to be inside is followed in steps no shorter than this. Our choice."""

SIDES_BEYOND_MM, SIDE_EDGE_MM = 20.0, 0.5
"""So far beyond an open surface places are told apart by side, in cubes of this edge. Our choice."""


def sides_shape(low_mm: Floats, high_mm: Floats) -> tuple[int, int, int]:
    """How many cubes there are for an open surface between two corners (3,)."""
    i, j, k = np.ceil((high_mm - low_mm + 2 * SIDES_BEYOND_MM) / SIDE_EDGE_MM).astype(int).tolist()
    return i, j, k


@njit(cache=True, error_model="numpy", nogil=True)
def smallest_around_axis(origin, frame, depth, radius, angles_count, mesh, hole, rim_is_free, low, sides):  # type: ignore[no-untyped-def]
    """Smallest signed distance of circles around an axis to ``mesh``, the place on them (3,) and the
    surface's place (3,) nearest to it, NaN where there is none.

    With ``rim_is_free`` the surface is open: ``sides`` keeps what is known of the side of each cube around
    it, ``low`` being its lowest corner.

    The axis begins at ``origin``; the rows of ``frame`` are two directions across it and its own. Circles of
    ``radius`` (n,) stand at ``depth`` (n,) and are looked at in ``angles_count`` directions. A signed
    distance changes by no more than the way walked, so what cannot hold the smallest is passed over; only
    past the rim of an open surface the side changes at once, and where that may be every place is looked at.
    """
    count = len(depth)
    axis, least = np.full(count, np.nan), np.full(count, -np.inf)
    done = np.zeros(count, np.bool_)
    # The smallest is no more than this: no place on a circle is farther than its middle and a radius.
    best, at_most, hint = np.inf, np.inf, np.int64(-1)
    on_circle, on_surface = np.full(3, np.nan), np.full(3, np.nan)
    if rim_is_free:
        best, hint = _least_behind(
            origin, frame, depth, radius, angles_count, mesh, low, sides, hint, on_circle, on_surface
        )
    # Out through the hole the side changes too, and no distance is 0 there.
    out = np.zeros(count, np.bool_)
    if hole[3] >= 0:
        out, whole = _may_come_out(origin, frame, depth, radius, mesh)
        for beside in np.flatnonzero(out):
            axis[beside] = least[beside] = whole[beside]
            middle = origin + depth[beside] * frame[2]
            if _hole_may_be_nearest(hole, middle, radius[beside], whole[beside]):
                least[beside] = -np.inf
    while True:
        n = -1
        for m in range(count):
            if not done[m] and (n < 0 or least[m] - radius[m] <= least[n] - radius[n]):
                n = m
        if n < 0 or least[n] - radius[n] >= best:
            break
        if np.isnan(axis[n]):
            if least[n] <= 0 and not rim_is_free and min(best, at_most) + radius[n] > WALK_MM:
                n = _beside_known(n, depth, axis, least)
            # Where the bound says "inside", only a surface near enough to matter need be found.
            limit = max(min(best, at_most) + radius[n], 0.0) if least[n] > 0 else np.inf
            axis[n], hint = _on_axis(origin, frame, depth[n], mesh, hole, rim_is_free, hint, limit)
            # Past the rim of an open surface the side changes at once; how far away it is does not.
            bound = min(abs(axis[n]) if rim_is_free else axis[n], limit)
            at_most = min(at_most, abs(axis[n]) + radius[n])
            for m in range(count):
                if not out[m]:
                    least[m] = max(least[m], bound - abs(depth[m] - depth[n]))
            continue
        done[n] = True
        if axis[n] - radius[n] >= best and not out[n]:
            continue
        chord = 0.0 if out[n] else 2 * radius[n] * np.sin(np.pi / angles_count)
        limit = best + SKIP * chord if axis[n] > radius[n] and not out[n] else np.inf
        best, hint = _least_on_circle(
            origin,
            frame,
            depth[n],
            radius[n],
            angles_count,
            mesh,
            hole,
            rim_is_free,
            best,
            limit,
            chord,
            hint,
            on_circle,
            on_surface,
        )
    return best, on_circle, on_surface


@njit(cache=True, error_model="numpy", nogil=True)
def _beside_known(n, depth, axis, least):  # type: ignore[no-untyped-def]
    """The circle nearest to circle ``n`` whose middle is known to be inside but not how far, or ``n``: from
    there only what is near need be looked for, and that tells the side of the next."""
    beside = n
    for m in range(len(depth)):
        nearer = beside == n or abs(depth[m] - depth[n]) < abs(depth[beside] - depth[n])
        if np.isnan(axis[m]) and least[m] > 0 and nearer:
            beside = m
    return beside


@njit(cache=True, error_model="numpy", nogil=True)
def _least_on_circle(  # type: ignore[no-untyped-def]
    origin,
    frame,
    depth,
    radius,
    angles_count,
    mesh,
    hole,
    rim_is_free,
    best,
    limit,
    chord,
    hint,
    on_circle,
    on_surface,
):
    """The smallest of ``best`` and the signed distances of a circle's places, and a triangle near the last.

    Places ``chord`` apart are passed over where the distance cannot fall below ``best`` between; none are
    where it is 0. What is not nearer than ``limit`` is not looked for.
    """
    at = 0
    while at < angles_count:
        turn = 2 * np.pi * at / angles_count
        a, b = radius * np.cos(turn), radius * np.sin(turn)
        x = origin[0] + depth * frame[2, 0] + a * frame[0, 0] + b * frame[1, 0]
        y = origin[1] + depth * frame[2, 1] + a * frame[0, 1] + b * frame[1, 1]
        z = origin[2] + depth * frame[2, 2] + a * frame[0, 2] + b * frame[1, 2]
        found, px, py, pz, hint = nearest_one(x, y, z, mesh, hole, rim_is_free, hint, limit)
        found = min(found, limit)
        if found < best:
            best = found
            on_circle[0], on_circle[1], on_circle[2] = x, y, z
            on_surface[0], on_surface[1], on_surface[2] = px, py, pz
        at += 1
        if chord > 0:
            if chord * angles_count <= found - best:
                break
            at += int((found - best) / chord)
    return best, hint


@njit(cache=True, error_model="numpy", nogil=True)
def _may_come_out(origin, frame, depth, radius, mesh):  # type: ignore[no-untyped-def]
    """(n,) which circles may have a place outside a closed surface, and the signed distances of their middles
    where they may."""
    count, hint = len(depth), np.int64(-1)
    everywhere = np.array([0.0, 0.0, 0.0, -1.0])
    known, least, whole = np.zeros(count, np.bool_), np.full(count, -np.inf), np.full(count, np.inf)
    while True:
        n = -1
        for m in range(count):
            near = least[m] - radius[m]
            if not known[m] and near <= 0 and (n < 0 or near <= least[n] - radius[n]):
                n = m
        if n < 0:
            return whole <= radius, whole
        known[n] = True
        limit = 2 * radius[n] if least[n] > 0 else np.inf
        whole[n], hint = _on_axis(origin, frame, depth[n], mesh, everywhere, np.bool_(False), hint, limit)
        for m in range(count):
            least[m] = max(least[m], min(whole[n], limit) - abs(depth[m] - depth[n]))


@njit(cache=True, error_model="numpy", nogil=True)
def _hole_may_be_nearest(hole, middle, radius, distance):  # type: ignore[no-untyped-def]
    """Whether a place of a circle may have nothing nearer than the hole: no place is nearer to that than its
    middle less the radius, nor farther from the surface than its middle and the radius."""
    away = np.sqrt(((middle - hole[:3]) ** 2).sum()) - hole[3]
    return away - radius <= abs(distance) + radius


@njit(cache=True, error_model="numpy", nogil=True)
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
def _least_behind(origin, frame, depth, radius, angles_count, mesh, low, sides, hint, on_circle, on_surface):  # type: ignore[no-untyped-def]
    """The smallest signed distance to an open surface of those places that may be behind it, infinite where
    none may, and a triangle near the last."""
    first, edge = low - SIDES_BEYOND_MM, SIDE_EDGE_MM
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
            found, px, py, pz, hint = nearest_one(x, y, z, mesh, everywhere, np.bool_(True), hint, np.inf)
            if found < best:
                best = found
                on_circle[0], on_circle[1], on_circle[2] = x, y, z
                on_surface[0], on_surface[1], on_surface[2] = px, py, pz
    return best, hint


@njit(cache=True, error_model="numpy", nogil=True)
def _all_in_front(x, y, z, around, mesh):  # type: ignore[no-untyped-def]
    """Whether all of a ball surely lies in front of an open surface, the side that is inside: in front of
    each triangle that may be the nearest of one of its places. False: it may not."""
    vertices, faces, normals, _, _, order, boxes = mesh
    everywhere = np.array([0.0, 0.0, 0.0, -1.0])
    distance, _, _, _, _ = nearest_one(x, y, z, mesh, everywhere, np.bool_(True), np.int64(-1), np.inf)
    far = abs(distance) + 2 * around + TIE_MM
    if not np.isfinite(far):
        return True
    leaves = (len(boxes) + 1) // 2
    waiting, left = np.zeros(WAITING_COUNT, np.int64), 1
    while left:
        left -= 1
        n = waiting[left]
        if away2_from(x, y, z, boxes, n) > far * far:
            continue
        if n < leaves - 1:
            waiting[left], waiting[left + 1] = 2 * n + 2, 2 * n + 1
            left += 2
            continue
        leaf = n - leaves + 1
        for at in range(leaf * len(order) // leaves, (leaf + 1) * len(order) // leaves):
            t = order[at]
            a = faces[t, 0]
            over = (
                normals[t, 0] * (x - vertices[a, 0])
                + normals[t, 1] * (y - vertices[a, 1])
                + normals[t, 2] * (z - vertices[a, 2])
            )
            if over < -around - TIE_MM:
                continue
            _, _, _, px, py, pz = on_triangle(x, y, z, vertices, a, faces[t, 1], faces[t, 2])
            if (x - px) ** 2 + (y - py) ** 2 + (z - pz) ** 2 <= far * far:
                return False
    return True
