"""Compiled loops over draws: one moved screw after another, measured in fields of signed distance around it.

A field keeps at each node the signed distance to a surface and its gradient, in the planned screw's frame. A
value between nodes is Σ weight · (distance + ½ gradient · way): exact for planes and for what curves
quadratically. tests/test_doubt.py holds the loop against the exact measurement.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit, prange

from segmentation.vocabulary import Floats

RIM_ANGLES_COUNT, RING_ANGLES_COUNT = 12, 8
"""Directions around the axis at which a moved screw's rim and its ring are looked at. Our choice: the rim is
then 2 % of the radius off at worst, and the planned screw's own error is taken off."""

CHANGE_RATIO = 1.25
"""A moved surface's distance changes by at most this for each millimetre walked. Our choice: 1, and what the
surface's own error changes in a millimetre."""

PER_FRAGMENT = 5
"""Numbers of each fragment: axis path, engagement, threads, mean HU, force."""

ENTRY, LENGTH, AFTER, LEADING, TRAILING, BODY, FIRST_FRAGMENT = 0, 1, 2, 3, 5, 7, 9
"""Where numbers stand in a row: entry, bone length, tip beyond exit; outer and joint clearance of leading
end, trailing end and body; then the fragments."""


class Fields(NamedTuple):
    """Fields (…, nx, ny, nz, 4) on nodes ``step_mm`` apart from ``origin_mm``: one per fragment, the outer
    surface, the same without the portal's wide surroundings, and the joint (of no nodes where there is none).
    """

    fragments: npt.NDArray[np.float32]
    outer: npt.NDArray[np.float32]
    beyond: npt.NDArray[np.float32]
    joint: npt.NDArray[np.float32]
    origin_mm: Floats
    step_mm: float


class Errors(NamedTuple):
    """Deviations by knot of depth, from ``first_mm`` on every ``knot_mm``: of each fragment's surface
    (fragments, knots), of the outer surface (knots,) and of the joint."""

    fragments_mm: Floats
    outer_mm: Floats
    joint_mm: float
    first_mm: float
    knot_mm: float


class Scan(NamedTuple):
    """HU, and for each fragment (fragments, 3, 4) what takes the screw's frame to voxels. Values outside
    ``low_hu`` … ``high_hu`` are unknown. ``shear_mpa`` is the law, ``shear_step_mg_cm3``
    apart."""

    hu: npt.NDArray[np.float32]
    to_ijk: Floats
    low_hu: float
    high_hu: float
    shear_mpa: Floats
    shear_step_mg_cm3: float


class Body(NamedTuple):
    """The screw: ``zones`` (z, 4) full thread from, to and whole from, to; ``radii_mm`` (z, circles) of the
    ring; ``per_mm`` (z, 2) force per shear and turns per length; ``stations_mm`` (s, 3) height, radius and
    part (0 leading end, 1 the rest, 2 the trailing rim); seat, portal's radius and end of the gliding hole
    (−inf: none), and the depths between which bone is looked for."""

    zones: Floats
    radii_mm: Floats
    per_mm: Floats
    stations_mm: Floats
    seat_mm: float
    portal_mm: float
    gliding_mm: float
    tip_mm: float
    low_mm: float
    high_mm: float
    march_mm: float


@njit(cache=True, error_model="numpy")
def _value(field, origin, step, x, y, z):  # type: ignore[no-untyped-def]
    """The field's value at a place."""
    fx, fy, fz = (x - origin[0]) / step, (y - origin[1]) / step, (z - origin[2]) / step
    i = min(max(int(np.floor(fx)), 0), field.shape[0] - 2)
    j = min(max(int(np.floor(fy)), 0), field.shape[1] - 2)
    k = min(max(int(np.floor(fz)), 0), field.shape[2] - 2)
    tx, ty, tz = fx - i, fy - j, fz - k
    half = 0.5 * step
    total = 0.0
    for a in range(2):
        wx = tx if a else 1 - tx
        dx = (tx - a) * half
        for b in range(2):
            wy = wx * (ty if b else 1 - ty)
            dy = (ty - b) * half
            for c in range(2):
                weight = wy * (tz if c else 1 - tz)
                f = field[i + a, j + b, k + c, 0] + field[i + a, j + b, k + c, 1] * dx
                f += field[i + a, j + b, k + c, 2] * dy + field[i + a, j + b, k + c, 3] * (tz - c) * half
                total += weight * f
    return total


@njit(cache=True, error_model="numpy")
def _foot(field, origin, step, x, y, z, away):  # type: ignore[no-untyped-def]
    """The surface's place nearest to one at the distance ``away``, by the nodes' gradients."""
    fx, fy, fz = (x - origin[0]) / step, (y - origin[1]) / step, (z - origin[2]) / step
    i = min(max(int(np.floor(fx)), 0), field.shape[0] - 2)
    j = min(max(int(np.floor(fy)), 0), field.shape[1] - 2)
    k = min(max(int(np.floor(fz)), 0), field.shape[2] - 2)
    tx, ty, tz = fx - i, fy - j, fz - k
    gx = gy = gz = 0.0
    for a in range(2):
        for b in range(2):
            for c in range(2):
                weight = (tx if a else 1 - tx) * (ty if b else 1 - ty) * (tz if c else 1 - tz)
                node = field[i + a, j + b, k + c]
                gx += weight * node[1]
                gy += weight * node[2]
                gz += weight * node[3]
    length = max(np.sqrt(gx * gx + gy * gy + gz * gz), 1e-9)
    return x - away * gx / length, y - away * gy / length, z - away * gz / length


@njit(cache=True, error_model="numpy")
def _hu(scan, fragment, x, y, z):  # type: ignore[no-untyped-def]
    """HU at a place, linear between voxels; NaN where unknown."""
    m = scan.to_ijk[fragment]
    fi = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
    fj = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
    fk = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
    hu = scan.hu
    if fi < 0 or fj < 0 or fk < 0 or fi > hu.shape[0] - 1 or fj > hu.shape[1] - 1 or fk > hu.shape[2] - 1:
        return np.nan
    i, j, k = min(int(fi), hu.shape[0] - 2), min(int(fj), hu.shape[1] - 2), min(int(fk), hu.shape[2] - 2)
    ti, tj, tk = fi - i, fj - j, fk - k
    total = 0.0
    for a in range(2):
        for b in range(2):
            for c in range(2):
                one = float(hu[i + a, j + b, k + c])
                if one < scan.low_hu:
                    return np.nan
                total += one * (ti if a else 1 - ti) * (tj if b else 1 - tj) * (tk if c else 1 - tk)
    return total if total < scan.high_hu else np.nan


@njit(cache=True, error_model="numpy", forceinline=True)
def _inside(first, second, from_, step):  # type: ignore[no-untyped-def]
    """Where a line that has these values at both ends of a step is above 0: from and to."""
    if first > 0 and second > 0:
        return from_, from_ + step
    if first <= 0 and second <= 0:
        return from_, from_
    cut = from_ + step * first / (first - second)
    return (from_, cut) if first > 0 else (cut, from_ + step)


@njit(cache=True, error_model="numpy", forceinline=True)
def _at_knot(values, errors, depth):  # type: ignore[no-untyped-def]
    """A value drawn at knots, at a depth."""
    place = (depth - errors.first_mm) / errors.knot_mm
    k = min(max(int(np.floor(place)), 0), len(values) - 2)
    share = min(max(place - k, 0.0), 1.0)
    return values[k] * (1 - share) + values[k + 1] * share


@njit(cache=True, error_model="numpy", parallel=True, nogil=True)
def measured(shift, tilt, deeper, surface, joint, line, fields, errors, scan, body):  # type: ignore[no-untyped-def]
    """(n, FIRST_FRAGMENT + PER_FRAGMENT · fragments) numbers of n moved screws; NaN where unknown, a whole
    row where the axis misses the bone.

    ``surface`` (n, knots) and ``joint`` (n,) are in deviations, ``line`` (n, 2) slope and intercept.
    """
    out = np.full((len(deeper), FIRST_FRAGMENT + PER_FRAGMENT * len(fields.fragments)), np.nan)
    for n in prange(len(deeper)):
        _one(out[n], np.int64(n), shift, tilt, deeper, surface, joint, line, fields, errors, scan, body)
    return out


@njit(cache=True, error_model="numpy")
def _one(row, n, shift, tilt, deeper, surface, joint, line, fields, errors, scan, body):  # type: ignore[no-untyped-def]
    """The numbers of one moved screw, into its row."""
    fragments, zones = len(fields.fragments), len(body.zones)
    count = int(np.ceil((body.high_mm - body.low_mm) / body.march_mm)) + 1
    step = body.march_mm
    on_axis = np.empty((fragments, count))
    moved_out = np.empty((fragments, count))
    rotation = np.empty((3, 3))
    circles = body.radii_mm.shape[1]
    lines = circles * RING_ANGLES_COUNT
    turns = np.empty((circles, RING_ANGLES_COUNT, 2))
    for circle in range(circles):
        for angle in range(RING_ANGLES_COUNT):
            turn = 2 * np.pi * (angle + 0.5 * circle) / RING_ANGLES_COUNT
            turns[circle, angle, 0], turns[circle, angle, 1] = np.cos(turn), np.sin(turn)
    _turned(tilt[n, 0], tilt[n, 1], rotation)
    ux, uy, uz = rotation[0, 0], rotation[1, 0], rotation[2, 0]
    vx, vy, vz = rotation[0, 1], rotation[1, 1], rotation[2, 1]
    dx, dy, dz = rotation[0, 2], rotation[1, 2], rotation[2, 2]
    sx, sy = shift[n, 0], shift[n, 1]
    for f in range(fragments):
        bound, sign = 0.0, 1.0
        for k in range(count):
            depth = body.low_mm + k * step
            moved_out[f, k] = _at_knot(errors.fragments_mm[f], errors, depth) * _at_knot(
                surface[n], errors, depth
            )
            # Far from the surface a step changes the distance by no more than its length and a little.
            bound -= CHANGE_RATIO * step
            if bound > 2 * step:
                on_axis[f, k] = sign * bound
                continue
            on_axis[f, k] = moved_out[f, k] + _value(
                fields.fragments[f], fields.origin_mm, fields.step_mm,
                sx + depth * dx, sy + depth * dy, depth * dz,
            )  # fmt: skip
            bound, sign = abs(on_axis[f, k]), 1.0 if on_axis[f, k] > 0 else -1.0
    entry, leaves = np.inf, -np.inf
    for f in range(fragments):
        for k in range(count - 1):
            first, second = on_axis[f, k], on_axis[f, k + 1]
            if (first > 0) != (second > 0):
                cut = body.low_mm + step * (k + first / (first - second))
                if second > 0 and abs(cut) < abs(entry):
                    entry = cut
                elif first > 0:
                    leaves = max(leaves, cut)
        if on_axis[f, count - 1] > 0:
            leaves = body.high_mm
    if not (entry < np.inf and leaves > entry):
        return
    seat = body.seat_mm + deeper[n]
    row[ENTRY], row[LENGTH], row[AFTER] = entry, leaves - entry, seat + body.tip_mm - (leaves - entry)
    first_cell = max(int(np.floor((entry - body.low_mm) / step)), 0)
    last_cell = min(int(np.ceil((leaves - body.low_mm) / step)), count - 1)
    for f in range(fragments):
        path = engaged = threads = force = weighted = weight = 0.0
        for k in range(first_cell, last_cell):
            z = body.low_mm + k * step
            low, high = _inside(on_axis[f, k], on_axis[f, k + 1], z, step)
            own_axis = max(0.0, min(high, leaves) - max(low, entry))
            path += own_axis
            zone, nearest = 0, np.inf
            middle = z + step / 2 - entry - seat
            for q in range(zones):
                away = max(body.zones[q, 2] - middle, middle - body.zones[q, 3], 0.0)
                if away < nearest:
                    zone, nearest = q, away
            thread_low = max(seat + body.zones[zone, 0], body.gliding_mm) + entry
            thread_high = seat + body.zones[zone, 1] + entry
            widest = body.radii_mm[zone, body.radii_mm.shape[1] - 1]
            if max(on_axis[f, k], on_axis[f, k + 1]) < -widest - step:
                continue
            whole = min(on_axis[f, k], on_axis[f, k + 1]) > widest + step
            # Where no thread bites only the mean is asked: half the lines will do, and deep inside half the
            # cells.
            stride = 1 if z < thread_high and z + step > thread_low else 2
            if stride == 2 and whole and k % 2:
                continue
            stands_for = (4 if whole else 2) if stride == 2 else 1
            for circle in range(body.radii_mm.shape[1]):
                radius = body.radii_mm[zone, circle]
                for angle in range(circle % stride, RING_ANGLES_COUNT, stride):
                    a, b = radius * turns[circle, angle, 0], radius * turns[circle, angle, 1]
                    ox, oy, oz = sx + a * ux + b * vx, sy + a * uy + b * vy, a * uz + b * vz
                    if whole:
                        low, high = z, z + step
                    else:
                        one = moved_out[f, k] + _value(
                            fields.fragments[f], fields.origin_mm, fields.step_mm,
                            ox + z * dx, oy + z * dy, oz + z * dz,
                        )  # fmt: skip
                        other = moved_out[f, k + 1] + _value(
                            fields.fragments[f], fields.origin_mm, fields.step_mm,
                            ox + (z + step) * dx, oy + (z + step) * dy, oz + (z + step) * dz,
                        )  # fmt: skip
                        low, high = _inside(one, other, z, step)
                    if high <= low:
                        continue
                    bites = max(0.0, min(high, thread_high) - max(low, thread_low))
                    # Where the thread bites, its own middle is asked, as its strength counts.
                    if bites <= 0 and own_axis <= 0:
                        continue
                    at = (low + high) / 2
                    hu = _hu(scan, f, ox + at * dx, oy + at * dy, oz + at * dz)
                    weighted += hu * (high - low) * own_axis * stands_for
                    weight += (high - low) * own_axis * stands_for
                    if bites > 0:
                        density = max(0.0, line[n, 0] * hu + line[n, 1]) / scan.shear_step_mg_cm3
                        engaged += bites / lines
                        threads += bites / lines * body.per_mm[zone, 1]
                        if np.isnan(hu):
                            force = np.nan
                        else:
                            place = min(int(density), len(scan.shear_mpa) - 2)
                            share = min(density - place, 1.0)
                            mpa = scan.shear_mpa[place] * (1 - share) + scan.shear_mpa[place + 1] * share
                            force += mpa * bites / lines * body.per_mm[zone, 0]
        at = FIRST_FRAGMENT + PER_FRAGMENT * f
        row[at], row[at + 1], row[at + 2], row[at + 4] = path, engaged, threads, force
        row[at + 3] = weighted / weight if weight > 0 else np.nan
    _clearances(row, n, entry, seat, sx, sy, rotation, surface, joint, fields, errors, body)


@njit(cache=True, error_model="numpy")
def _turned(across, beside, rotation):  # type: ignore[no-untyped-def]
    """The rotation that tilts the axis by a vector of angles and turns nothing around it."""
    angle = np.sqrt(across * across + beside * beside)
    c, s = np.cos(angle), np.sin(angle)
    eu, ev = (across / angle, beside / angle) if angle > 1e-12 else (1.0, 0.0)
    rotation[0, 0], rotation[0, 1], rotation[0, 2] = 1 - (1 - c) * eu * eu, -(1 - c) * eu * ev, s * eu
    rotation[1, 0], rotation[1, 1], rotation[1, 2] = -(1 - c) * eu * ev, 1 - (1 - c) * ev * ev, s * ev
    rotation[2, 0], rotation[2, 1], rotation[2, 2] = -s * eu, -s * ev, c


@njit(cache=True, error_model="numpy")
def _clearances(row, n, entry, seat, sx, sy, rotation, surface, joint, fields, errors, body):  # type: ignore[no-untyped-def]
    """The six clearances of one moved screw, into its row; NaN where a part has none."""
    ux, uy, uz = rotation[0, 0], rotation[1, 0], rotation[2, 0]
    vx, vy, vz = rotation[0, 1], rotation[1, 1], rotation[2, 1]
    dx, dy, dz = rotation[0, 2], rotation[1, 2], rotation[2, 2]
    ex, ey, ez = sx + entry * dx, sy + entry * dy, entry * dz
    origin, step = fields.origin_mm, fields.step_mm
    best = np.full(6, np.inf)
    turns = np.empty((RIM_ANGLES_COUNT, 2))
    for angle in range(RIM_ANGLES_COUNT):
        turn = 2 * np.pi * angle / RIM_ANGLES_COUNT
        turns[angle, 0], turns[angle, 1] = np.cos(turn), np.sin(turn)
    has_joint = fields.joint.shape[0] > 0
    for s in range(len(body.stations_mm)):
        radius, part = body.stations_mm[s, 1], int(body.stations_mm[s, 2])
        from_entry = seat + body.stations_mm[s, 0]
        depth = entry + from_entry
        which = 0 if part == 0 else 1
        if part == 1 and from_entry >= body.portal_mm:
            which = 2
        x, y, z = sx + depth * dx, sy + depth * dy, depth * dz
        error = _at_knot(errors.outer_mm, errors, depth) * _at_knot(surface[n], errors, depth)
        for of_joint in range(2):
            if of_joint == 1 and (not has_joint or part == 2):
                continue
            # Of the rest before the body only the trailing rim is held against the outer surface.
            if of_joint == 0 and which == 1 and part != 2:
                continue
            field = fields.joint if of_joint == 1 else fields.outer
            more = errors.joint_mm * joint[n] if of_joint == 1 else error
            slot = 2 * which + of_joint
            middle = _value(field, origin, step, x, y, z) + more
            if middle - radius >= best[slot]:
                continue
            for angle in range(RIM_ANGLES_COUNT):
                a, b = radius * turns[angle, 0], radius * turns[angle, 1]
                px, py, pz = x + a * ux + b * vx, y + a * uy + b * vy, z + a * uz + b * vz
                found = _value(field, origin, step, px, py, pz)
                if of_joint == 0 and which == 2:
                    qx, qy, qz = _foot(field, origin, step, px, py, pz, found)
                    from_portal = np.sqrt((qx - ex) ** 2 + (qy - ey) ** 2 + (qz - ez) ** 2)
                    if from_portal < body.portal_mm:
                        # The portal's rim on the surface's plane, or another wall that is nearer.
                        side = 1.0 if found > 0 else -1.0
                        to_rim = np.sqrt(found * found + (body.portal_mm - from_portal) ** 2)
                        wall = abs(_value(fields.beyond, origin, step, px, py, pz))
                        found = side * min(to_rim, max(wall, abs(found)))
                best[slot] = min(best[slot], found + more)
    for which in range(3):
        for of_joint in range(2):
            if best[2 * which + of_joint] < np.inf:
                row[LEADING + 2 * which + of_joint] = best[2 * which + of_joint]


@njit(cache=True, error_model="numpy")
def filled(coarse, origin, step, asked, far, field):  # type: ignore[no-untyped-def]
    """Fills the asked nodes of ``field`` (nx, ny, nz, 4) that lie farther than ``far`` from the surface by
    the coarse field on every second node; returns which are left."""
    left = np.zeros(asked.shape, np.bool_)
    half = step / 2
    for i in range(asked.shape[0]):
        for j in range(asked.shape[1]):
            for k in range(asked.shape[2]):
                if not asked[i, j, k]:
                    continue
                x, y, z = origin[0] + i * half, origin[1] + j * half, origin[2] + k * half
                away = _value(coarse, origin, step, x, y, z)
                if abs(away) < far:
                    left[i, j, k] = True
                    continue
                qx, qy, qz = _foot(coarse, origin, step, x, y, z, away)
                field[i, j, k, 0] = away
                field[i, j, k, 1] = (x - qx) / away
                field[i, j, k, 2] = (y - qy) / away
                field[i, j, k, 3] = (z - qz) / away
    return left
