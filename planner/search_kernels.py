"""Compiled loops of the search: one line through the bone after another, every screw and length on it.

A line is walked once on the axis; a screw that its limits already exclude there is measured no further. What
is left is asked for on circles around the axis (clearance) and in the thread ring (engagement, strength),
where cumulative sums serve all lengths. Nothing is stored but one line's profiles; lines know nothing of each
other, so the numbers are the same on any number of cores. ``tests/search_twin.py`` is the same in NumPy.
"""

from __future__ import annotations

import numpy as np
from numba import njit

STEP_MM = 0.25
"""Length of a cell of depth, as ``path.STEP_MM``."""

REACH_MM = 3.0
"""A line's entry is sought this far before and behind the point it is given by. Our choice."""

SEAT_STEP_MM, SEAT_MAX_MM = 0.25, 6.0
"""A headless screw is buried in steps, at most so deep. Our choice: deeper, another line is better."""

CIRCLE_COUNT = 16
"""Directions around the axis in which clearance is asked. Our choice: a polygon within 2 % of the radius."""

FAR_SLACK_MM = 0.3
"""A circle is not walked where the axis says that it lies farther than the least found by more than this: far
above what interpolation adds to a distance."""

ENOUGH_MM = 5.0
"""Clearance is not measured beyond this. Our choice: no limit asks for more, and more is not worth more."""

BRIDGING_MM = 0.02
"""Less thread on both sides of a fracture is none: rounding."""

CROSSED_MM = 0.1
"""A fragment on less of the axis is not counted as crossed: within the field's error."""

FAR_MM = 10.0
"""Where the lattice ends nothing is near (``distance_field.FAR_MM``)."""

(
    FRACTURE,
    BURIED,
    ROOM,
    WAY,
    JOINT,
    OTHERS,
    LEADING,
    BODY,
    BETWEEN,
    SMALL,
    THREADS,
    BRIDGING,
    UNKNOWN,
    LIMITS_COUNT,
) = range(14)
"""What a candidate is held against, in this order."""

(
    VARIANT,
    SEAT,
    RANK,
    CLEARANCE,
    HOLD,
    HU,
    THREADS_LEAST,
    GOVERNS,
    ENTRY,
    LENGTH,
    BODY_MM,
    JOINT_MM,
    LEADING_MM,
    ROOM_TURNS,
    VALUES,
) = range(15)
"""Columns of what is told of a feasible candidate."""

_ANGLE = 2 * np.pi * np.arange(CIRCLE_COUNT) / CIRCLE_COUNT
CIRCLE_COS, CIRCLE_SIN = np.cos(_ANGLE), np.sin(_ANGLE)


@njit(cache=True, error_model="numpy")
def _corner(x, n):  # type: ignore[no-untyped-def]
    """Lower lattice index and share of the next along one axis of n points; −1 outside."""
    if not (x >= 0.0 and x <= n - 1.0):
        return -1, 0.0
    i = min(int(x), n - 2)
    return i, x - i


@njit(cache=True, error_model="numpy")
def _distances(field, x, y, z):  # type: ignore[no-untyped-def]
    """Outer, joint and others' distance at a lattice place; outside the lattice nothing is near."""
    i, f = _corner(x, field.shape[0])
    j, g = _corner(y, field.shape[1])
    k, h = _corner(z, field.shape[2])
    if i < 0 or j < 0 or k < 0:
        return -FAR_MM, FAR_MM, FAR_MM
    a = b = c = 0.0
    for corner in range(8):
        p, q, r = corner >> 2, (corner >> 1) & 1, corner & 1
        w = (f if p else 1.0 - f) * (g if q else 1.0 - g) * (h if r else 1.0 - h)
        a += w * field[i + p, j + q, k + r, 0]
        b += w * field[i + p, j + q, k + r, 1]
        c += w * field[i + p, j + q, k + r, 2]
    return a, b, c


@njit(cache=True, error_model="numpy")
def _matter(field, x, y, z, told):  # type: ignore[no-untyped-def]
    """Depth inside each fragment, and HU, at a lattice place, into ``told``; outside it is no bone."""
    i, f = _corner(x, field.shape[0])
    j, g = _corner(y, field.shape[1])
    k, h = _corner(z, field.shape[2])
    last = field.shape[3] - 1
    if i < 0 or j < 0 or k < 0:
        for channel in range(last):
            told[channel] = -FAR_MM
        told[last] = np.nan
        return
    for channel in range(last + 1):
        told[channel] = 0.0
    for p in range(2):
        u = f if p else 1.0 - f
        for q in range(2):
            v = u * (g if q else 1.0 - g)
            for channel in range(last + 1):
                low, high = field[i + p, j + q, k, channel], field[i + p, j + q, k + 1, channel]
                told[channel] += v * (low + h * (high - low))


@njit(cache=True, error_model="numpy")
def _inside(field, x, y, z):  # type: ignore[no-untyped-def]
    """Depth inside whichever fragment it is deepest in."""
    i, f = _corner(x, field.shape[0])
    j, g = _corner(y, field.shape[1])
    k, h = _corner(z, field.shape[2])
    if i < 0 or j < 0 or k < 0:
        return -FAR_MM
    deepest = -FAR_MM / 2
    for channel in range(field.shape[3] - 1):
        a = 0.0
        for p in range(2):
            for q in range(2):
                v = (f if p else 1.0 - f) * (g if q else 1.0 - g)
                a += v * (
                    field[i + p, j + q, k, channel] * (1.0 - h) + field[i + p, j + q, k + 1, channel] * h
                )
        deepest = max(deepest, a)
    return deepest


@njit(cache=True, error_model="numpy")
def _part_inside(before, after):  # type: ignore[no-untyped-def]
    """Share of a cell inside, by its two ends' depths."""
    if before >= 0.0:
        return 1.0 if after >= 0.0 else before / (before - after)
    return after / (after - before) if after > 0.0 else 0.0


@njit(cache=True, error_model="numpy")
def _summed(sums, depth):  # type: ignore[no-untyped-def]
    """A cumulative sum over cells of STEP_MM at a depth, linear within a cell."""
    at = min(max(depth / STEP_MM, 0.0), len(sums) - 1.0)
    low = min(int(at), len(sums) - 2)
    return sums[low] + (at - low) * (sums[low + 1] - sums[low])


@njit(cache=True, error_model="numpy")
def _at(profile, depth):  # type: ignore[no-untyped-def]
    """A profile in steps of STEP_MM at a depth; its last value beyond."""
    at = min(max(depth / STEP_MM, 0.0), len(profile) - 1.0)
    low = min(int(at), len(profile) - 2)
    return profile[low] + (at - low) * (profile[low + 1] - profile[low])


@njit(cache=True, error_model="numpy")
def _frame(direction):  # type: ignore[no-untyped-def]
    """Two directions across one, as ``mesh.bundle_along`` takes them."""
    least = 0
    for axis in range(1, 3):
        if abs(direction[axis]) < abs(direction[least]):
            least = axis
    helper = np.zeros(3)
    helper[least] = 1.0
    u = np.cross(helper, direction)
    u /= np.sqrt((u * u).sum())
    return u, np.cross(direction, u)


@njit(cache=True, error_model="numpy")
def _entry(matter, start, along):  # type: ignore[no-untyped-def]
    """Depth, from the given place, of the crossing into the bone nearest to it; NaN where there is none.

    ``start`` is a lattice place and ``along`` the lattice's step for a millimetre.
    """
    found = np.nan
    count = int(2 * REACH_MM / STEP_MM)
    before = _inside(matter, *_on(start, along, -REACH_MM))
    for n in range(1, count + 1):
        depth = -REACH_MM + n * STEP_MM
        after = _inside(matter, *_on(start, along, depth))
        if before < 0.0 <= after:
            crossing = depth - STEP_MM * after / (after - before)
            if not abs(crossing) >= abs(found):
                found = crossing
        before = after
    return found


@njit(cache=True, error_model="numpy")
def _on(start, along, depth):  # type: ignore[no-untyped-def]
    return start[0] + depth * along[0], start[1] + depth * along[1], start[2] + depth * along[2]


@njit(cache=True, error_model="numpy")
def _blocked(field, to_way, entry, direction, limit, longest):  # type: ignore[no-untyped-def]
    """How far behind the entry more than the limit's way of bone lies in the way; infinite where never."""
    turn = np.ascontiguousarray(to_way[:, :3])
    start, along = turn @ entry + to_way[:, 3], turn @ direction
    walked = 0.0
    before = 1.0
    first = True
    for n in range(2, int(longest / 0.5) + 1):
        x, y, z = _on(start, along, -0.5 * n)
        i, f = _corner(x, field.shape[0])
        j, g = _corner(y, field.shape[1])
        k, h = _corner(z, field.shape[2])
        if i < 0 or j < 0 or k < 0:
            return np.inf
        depth = 0.0
        for corner in range(8):
            p, q, r = corner >> 2, (corner >> 1) & 1, corner & 1
            w = (f if p else 1.0 - f) * (g if q else 1.0 - g) * (h if r else 1.0 - h)
            depth += w * field[i + p, j + q, k + r]
        if not first:
            walked += 0.5 * _part_inside(before, depth)
        first = False
        before = depth
        if walked > limit:
            return 0.5 * n
    return np.inf


@njit(cache=True, error_model="numpy")
def _one_distance(field, x, y, z, channel):  # type: ignore[no-untyped-def]
    """One of ``_distances``."""
    i, f = _corner(x, field.shape[0])
    j, g = _corner(y, field.shape[1])
    k, h = _corner(z, field.shape[2])
    if i < 0 or j < 0 or k < 0:
        return -FAR_MM if channel == OUTER else FAR_MM
    a = 0.0
    for p in range(2):
        u = f if p else 1.0 - f
        for q in range(2):
            low, high = field[i + p, j + q, k, channel], field[i + p, j + q, k + 1, channel]
            a += u * (g if q else 1.0 - g) * (low + h * (high - low))
    return a


@njit(cache=True, error_model="numpy")
def _least_on_circle(distances, line, depth, radius, channel):  # type: ignore[no-untyped-def]
    """Least distance of one kind on a circle around the axis."""
    start, along, across, beside = line
    x, y, z = _on(start, along, depth)
    least = np.inf
    for n in range(CIRCLE_COUNT):
        a, b = radius * CIRCLE_COS[n], radius * CIRCLE_SIN[n]
        found = _one_distance(
            distances,
            x + a * across[0] + b * beside[0],
            y + a * across[1] + b * beside[1],
            z + a * across[2] + b * beside[2],
            channel,
        )
        least = min(least, found)
    return least


OUTER, TO_JOINT, TO_OTHERS = 0, 1, 2
"""Channels of the lattice of distances."""


@njit(cache=True, error_model="numpy")
def _clearances(distances, line, axis, table, v, seat, limits, prune):  # type: ignore[no-untyped-def]
    """Least distance of a screw to the joint, to other bones, of leading end and body to the outer surface.

    ``axis`` holds the same on the axis, whose places belong to the screw too. With ``prune`` nothing more is
    measured once a limit is broken.
    """
    screw_mm, variant_mm, station_first, station_mm = table[3], table[5], table[6], table[7]
    s = table[8][v]
    portal, leading_from = screw_mm[s, 1], seat + variant_mm[v, 1]
    kinds = (TO_JOINT, TO_OTHERS, OUTER, OUTER)
    first, count = station_first[v], station_first[v + 1] - station_first[v]
    least = np.full(4, ENOUGH_MM)
    # The axis alone costs next to nothing and excludes most; it tells too where a circle comes nearest.
    from_axis = np.full((count, 4), np.inf)
    nearest = np.full(4, -1)
    nearest_mm = np.full(4, ENOUGH_MM + FAR_SLACK_MM)
    for m in range(count):
        depth, radius = seat + station_mm[first + m, 0], station_mm[first + m, 1]
        for part in range(4):
            if _counts(part, depth, portal, leading_from):
                on_axis = _on_axis(distances, line, axis, depth, kinds[part])
                least[part] = min(least[part], on_axis)
                from_axis[m, part] = on_axis - radius
                if on_axis - radius < nearest_mm[part]:
                    nearest[part], nearest_mm[part] = m, on_axis - radius
    for part in range(4):
        if prune and least[part] < limits[part]:
            return least
    for part in range(4):
        m = nearest[part]
        if m >= 0:
            depth, radius = seat + station_mm[first + m, 0], station_mm[first + m, 1]
            least[part] = min(least[part], _least_on_circle(distances, line, depth, radius, kinds[part]))
            if prune and least[part] < limits[part]:
                return least
    for part in range(4):
        for m in range(count):
            if from_axis[m, part] - FAR_SLACK_MM < least[part] and m != nearest[part]:
                depth, radius = seat + station_mm[first + m, 0], station_mm[first + m, 1]
                least[part] = min(least[part], _least_on_circle(distances, line, depth, radius, kinds[part]))
                if prune and least[part] < limits[part]:
                    return least
    return least


@njit(cache=True, error_model="numpy")
def _counts(part, depth, portal, leading_from):  # type: ignore[no-untyped-def]
    """Whether a station counts for joint (0), other bones (1), leading end (2) or body (3)."""
    if part == 0:
        return True
    if part == 1:
        return depth >= 0.0
    if part == 2:
        return depth >= max(leading_from, 0.0) - 1e-9
    return depth >= max(portal, 0.0) and depth <= leading_from + 1e-9


@njit(cache=True, error_model="numpy")
def _on_axis(distances, line, axis, depth, channel):  # type: ignore[no-untyped-def]
    """A distance on the axis: from its profile in the bone, asked for before the entry."""
    if depth >= 0.0:
        return _at(axis[channel], depth)
    x, y, z = _on(line[0], line[1], depth)
    return _one_distance(distances, x, y, z, channel)


@njit(cache=True, error_model="numpy")
def _segments_apart(a, b, c, d):  # type: ignore[no-untyped-def]
    """Least distance of two stretches a–b and c–d.

    Ericson, Real-Time Collision Detection, 2005, §5.1.9: from memory.
    """
    u, v, w = b - a, d - c, a - c
    uu, vv, uv = (u * u).sum(), (v * v).sum(), (u * v).sum()
    uw, vw = (u * w).sum(), (v * w).sum()
    across = uu * vv - uv * uv
    s = min(max((uv * vw - uw * vv) / across, 0.0), 1.0) if across > 1e-12 else 0.0
    t = (uv * s + vw) / vv
    if t < 0.0:
        t, s = 0.0, min(max(-uw / uu, 0.0), 1.0)
    elif t > 1.0:
        t, s = 1.0, min(max((uv - uw) / uu, 0.0), 1.0)
    apart = w + s * u - t * v
    return np.sqrt((apart * apart).sum())
