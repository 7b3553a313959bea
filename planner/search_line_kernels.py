"""The search's compiled main loop: for each line every screw and length, held against every limit in turn."""

from __future__ import annotations

import numpy as np
from numba import njit, prange

from planner.search_kernels import (
    BETWEEN,
    BODY,
    BODY_MM,
    BRIDGING,
    BRIDGING_MM,
    BURIED,
    CLEARANCE,
    CROSSED_MM,
    ENTRY,
    FAR_MM,
    FRACTURE,
    GOVERNS,
    HOLD,
    HU,
    JOINT,
    JOINT_MM,
    LEADING,
    LEADING_MM,
    LENGTH,
    LIMITS_COUNT,
    OTHERS,
    OUTER,
    RANK,
    ROOM,
    ROOM_TURNS,
    SEAT,
    SEAT_MAX_MM,
    SEAT_STEP_MM,
    SMALL,
    STEP_MM,
    THREADS,
    THREADS_LEAST,
    UNKNOWN,
    VALUES,
    VARIANT,
    WAY,
    _blocked,
    _clearances,
    _distances,
    _entry,
    _frame,
    _inside,
    _least_on_circle,
    _matter,
    _on,
    _part_inside,
    _segments_apart,
    _summed,
)
from planner.search_ring_kernels import _comes_into, _ring, _room_turns

ROOM_WORTH_FRACTION, ROOM_COUNTS_MM = 0.004, 5.0
"""What a millimetre of clearance is worth of a hold, and up to where. Our choice: so little that it decides
between equals only (2 % at most)."""

ROOM_TOLD_COUNT = 1.5
"""Turns above the limit to which a fragment's room is told. Our choice: the refinement asks no further."""

REACHES_MM = 0.04
"""A thread that ends so near to a fragment may come into it when it is measured. Our choice: what a field is
off by."""

GRAZED_FACTOR = 2.0
"""A fragment so many margins of safety beside the axis may be met by it: a field blunts a fragment's edge.
Our choice."""

(
    L_JOINT,
    L_LEADING,
    L_BODY,
    L_BURIED,
    L_THROUGH,
    L_THREADS,
    L_BETWEEN,
    L_CROSS,
    L_BY_HU,
    L_WAY,
    L_LONGEST,
    L_LENGTHS,
    L_SAFE,
    L_SMALL,
) = range(14)
"""Places of the limits in the row that the loop takes."""


@njit(cache=True, error_model="numpy", parallel=True)
def measure_lines(origins, directions, only, seats, space, table, kept, tau, limits, prune):  # type: ignore[no-untyped-def]
    """Screws on lines (n, 3), (n, 3), held against every limit: of a line the variants ``only`` (n, 2), first
    and last, or all where the first is −1; of each family the L_LENGTHS longest that have room.

    ``seats`` (n,) are seat depths, NaN where a screw may choose its own: buried as little as may be, or the
    head on the bone.

    ``space``: lattice of distances, of matter, mm → lattice (3, 4), the way's lattice, mm → way.
    ``kept`` (m, 7): two ends and radius of what must stay clear. Returns of each line
    and screw the feasible candidate that ranks best and the longest (n, s, 2, VALUES; −1 where none), how
    many candidates each limit excluded first, and all (n, LIMITS_COUNT + 1), and the one nearest to feasible
    (n, 4): limit it broke, how far beyond, variant, seat depth.
    """
    lines, screws = len(origins), len(table[1])
    told = np.full((lines, screws, 2, VALUES), -1.0)
    counts = np.zeros((lines, LIMITS_COUNT + 1), np.int32)
    misses = np.full((lines, 4), -1.0)
    for n in prange(lines):
        _measure(
            origins[n],
            directions[n],
            only[n],
            seats[n],
            space,
            table,
            kept,
            tau,
            limits,
            prune,
            told[n],
            counts[n],
            misses[n],
        )
    return told, counts, misses


@njit(cache=True, error_model="numpy")
def _missed(counts, misses, limit, beyond, variant, seat, count):  # type: ignore[no-untyped-def]
    """Count candidates that a limit excludes, and keep the one that came farthest by the least."""
    counts[limit] += count
    if limit > misses[0] or (limit == misses[0] and beyond < misses[1]):
        misses[0], misses[1], misses[2], misses[3] = limit, beyond, variant, seat


@njit(cache=True, error_model="numpy")
def _measure(origin, direction, only, given, space, table, kept, tau, limits, prune, told, counts, misses):  # type: ignore[no-untyped-def]
    distances, matter, to_lattice, way, to_way = space
    fragments = matter.shape[3] - 1
    turn = np.ascontiguousarray(to_lattice[:, :3])
    start, along = turn @ origin + to_lattice[:, 3], turn @ direction
    moved = _entry(matter, start, along)
    if moved != moved:
        return
    start = start + moved * along
    entry = origin + moved * direction
    across, beside = _frame(direction)
    line = (start, along, turn @ across, turn @ beside)

    first, headless, fully, screw_mm, zone_mm, variant_mm = table[:6]
    axis_path, deepest, crossed, near, leave = _walk(matter, start, along, fragments)
    begin, end = (0, first[-1]) if only[0] < 0 else (only[0], only[1] + 1)
    if limits[L_CROSS] > 0 and crossed < 2:
        counts[LIMITS_COUNT] += end - begin
        _missed(counts, misses, np.int64(FRACTURE), 0.0, begin, 0.0, end - begin)
        return
    count = int(leave / STEP_MM) + 14
    axis = np.empty((3, count))
    for n in range(count):
        axis[0, n], axis[1, n], axis[2, n] = _distances(distances, *_on(start, along, n * STEP_MM))
    blocked = -1.0
    for s in range(len(headless)):
        low, high = max(begin, first[s]), min(end, first[s + 1])
        if low >= high:
            continue
        seat = given if given == given else 0.0
        if headless[s]:
            seat, short = _buried_seat(distances, line, screw_mm[s, 2], limits[L_BURIED], given)
            if seat < 0.0:
                counts[LIMITS_COUNT] += high - low
                _missed(counts, misses, np.int64(BURIED), short, low, 0.0, high - low)
                continue
        need = limits[L_LEADING] if headless[s] else -limits[L_THROUGH]
        while high > low and leave - seat - variant_mm[high - 1, 0] < need:
            high -= 1
            counts[LIMITS_COUNT] += 1
            _missed(counts, misses, np.int64(ROOM), need - leave + seat + variant_mm[high, 0], high, seat, 1)
        # Through the far cortex or not, threads and tip must fit between seat and exit.
        if high > low and leave - seat < screw_mm[s, 5]:
            counts[LIMITS_COUNT] += high - low
            _missed(counts, misses, np.int64(ROOM), screw_mm[s, 5] - leave + seat, low, seat, high - low)
            continue
        low = max(low, high - int(limits[L_LENGTHS]))
        counts[LIMITS_COUNT] += high - low
        ringed = False
        sums = np.zeros((2, 1, 4, 1))
        for v in range(low, high):
            tip = seat + variant_mm[v, 0]
            room = leave - tip
            if room > 0.0 and _inside(matter, *_on(start, along, tip)) < 0.0:
                _missed(counts, misses, np.int64(ROOM), 0.0, v, seat, 1)
                continue
            if blocked < 0.0:
                blocked = _blocked(way, to_way, entry, direction, limits[L_WAY], limits[L_LONGEST])
            if variant_mm[v, 0] - screw_mm[s, 3] > blocked:
                _missed(
                    counts, misses, np.int64(WAY), variant_mm[v, 0] - screw_mm[s, 3] - blocked, v, seat, 1
                )
                continue
            asked_leading = limits[L_LEADING]
            if not headless[s]:
                asked_leading = 0.0 if room >= limits[L_THROUGH] else -np.inf
            asked = (limits[L_JOINT], 0.0, asked_leading, limits[L_BODY])
            joint, others, leading, body = _clearances(distances, line, axis, table, v, seat, asked, prune)
            if joint < asked[0]:
                _missed(counts, misses, np.int64(JOINT), asked[0] - joint, v, seat, 1)
                continue
            if others < 0.0:
                _missed(counts, misses, np.int64(OTHERS), -others, v, seat, 1)
                continue
            if leading < asked[2]:
                _missed(counts, misses, np.int64(LEADING), asked[2] - leading, v, seat, 1)
                continue
            if body < asked[3]:
                _missed(counts, misses, np.int64(BODY), asked[3] - body, v, seat, 1)
                continue
            apart = _apart_from(kept, entry, direction, seat, tip, screw_mm[s])
            if apart < limits[L_BETWEEN]:
                _missed(counts, misses, np.int64(BETWEEN), limits[L_BETWEEN] - apart, v, seat, 1)
                continue
            if not ringed:
                sums = np.zeros((2, fragments, 4, count + 1))
                for zone in range(2):
                    if zone_mm[s, zone, 4] > 0:
                        # Longer screws of the family come later; a thread at the tip then lies deeper.
                        from_mm = seat + variant_mm[v, 2 + 2 * zone]
                        to_mm = seat + variant_mm[high - 1, 3 + 2 * zone]
                        _ring(matter, line, tau, zone_mm[s, zone], from_mm, to_mm, sums[zone])
                ringed = True
            turns = _least_room(matter, line, deepest, leave, zone_mm[s], variant_mm[v], seat, limits)
            if turns < limits[L_SMALL]:
                _missed(counts, misses, np.int64(SMALL), limits[L_SMALL] - turns, v, seat, 1)
                continue
            _bite(
                (matter, line),
                sums,
                axis_path,
                crossed,
                near,
                leave,
                (headless[s], fully[s], zone_mm[s], variant_mm[v]),
                limits,
                (
                    v,
                    seat,
                    moved,
                    min(body, joint, leading if headless[s] or room > limits[L_THROUGH] else body),
                ),
                (body, joint, leading, turns),
                told[s],
                counts,
                misses,
            )


@njit(cache=True, error_model="numpy")
def _walk(matter, start, along, fragments):  # type: ignore[no-untyped-def]
    """The axis to the lattice's end: length per fragment, greatest depth in each (negative: how far beside),
    how many are crossed, the first, the exit's depth."""
    path, deepest = np.zeros(fragments), np.full(fragments, -FAR_MM)
    near, leave, n = -1, 0.0, 0
    before, after = np.empty(fragments + 1), np.empty(fragments + 1)
    _matter(matter, *_on(start, along, 0.0), before)
    while True:
        n += 1
        x, y, z = _on(start, along, n * STEP_MM)
        _matter(matter, x, y, z, after)
        if after[0] == -FAR_MM:
            break
        for fragment in range(fragments):
            part = _part_inside(before[fragment], after[fragment])
            deepest[fragment] = max(deepest[fragment], after[fragment])
            if part > 0.0:
                path[fragment] += part * STEP_MM
                if near < 0 and path[fragment] >= CROSSED_MM:
                    near = fragment
                if after[fragment] < 0.0:
                    leave = max(leave, (n - 1 + part) * STEP_MM)
            before[fragment] = after[fragment]
    crossed = 0
    for fragment in range(fragments):
        crossed += path[fragment] >= CROSSED_MM
    return path, deepest, crossed, near, leave


@njit(cache=True, error_model="numpy")
def _buried_seat(distances, line, radius, limit, given):  # type: ignore[no-untyped-def]
    """The least seat depth at which a trailing rim is buried by the limit, or the given one (else NaN) if it
    is; −1 if none, and what lacks."""
    start, along = line[0], line[1]
    short = np.inf
    tried = 1 if given == given else int(SEAT_MAX_MM / SEAT_STEP_MM) + 1
    for n in range(tried):
        depth = given if given == given else n * SEAT_STEP_MM
        on_axis = _distances(distances, *_on(start, along, depth))[0]
        if on_axis < limit:
            short = min(short, limit - on_axis)
            continue
        least = _least_on_circle(distances, line, depth, radius, OUTER)
        if least >= limit:
            return depth, 0.0
        short = min(short, limit - least)
    return -1.0, short


@njit(cache=True, error_model="numpy")
def _apart_from(kept, entry, direction, seat, tip, of_screw):  # type: ignore[no-untyped-def]
    """Least gap to what must stay clear, from below: shaft and head as rods of their largest radius."""
    least = np.inf
    for m in range(len(kept)):
        a, b = kept[m, 0:3], kept[m, 3:6]
        shaft = _segments_apart(entry + seat * direction, entry + tip * direction, a, b)
        least = min(least, shaft - of_screw[0] - kept[m, 6])
        if of_screw[3] < 0.0:
            top = entry + (seat + of_screw[3]) * direction
            head = _segments_apart(top, entry + seat * direction, a, b)
            least = min(least, head - of_screw[4] - kept[m, 6])
    return least


@njit(cache=True, error_model="numpy")
def _least_room(matter, line, deepest, leave, zones, variant, seat, limits):  # type: ignore[no-untyped-def]
    """Turns of thread that have room in the fragment on the axis that has the least, also in one that is only
    grazed, or held by the head; not told where far above the limit."""
    least = limits[L_SMALL] + ROOM_TOLD_COUNT
    for fragment in range(len(deepest)):
        if deepest[fragment] > -GRAZED_FACTOR * limits[L_SAFE]:
            turns = _room_turns(matter, line, zones, variant, seat, leave, fragment, least)
            least = min(least, turns)
    return least


@njit(cache=True, error_model="numpy")
def _bite(where, sums, axis_path, crossed, near, leave, screw, limits, place, clear, told, counts, misses):  # type: ignore[no-untyped-def]
    """Threads, hold and mean HU of one candidate; kept where it is the best or the longest of its screw."""
    matter, line = where
    headless, fully, zones, variant = screw
    v, seat, moved, clearance = place
    fragments = len(axis_path)
    least_threads, hold, least_hu, governs = np.inf, np.inf, np.inf, -1
    for fragment in range(fragments):
        if axis_path[fragment] < CROSSED_MM:
            continue
        # Under its head a screw holds by the head, if it reaches beyond.
        if not headless and fragment == near and crossed > 1:
            continue
        turns, force, engaged, unknown, hu = 0.0, 0.0, 0.0, 0.0, 0.0
        for zone in range(2):
            if zones[zone, 4] == 0.0:
                continue
            low, high = seat + variant[2 + 2 * zone], seat + variant[3 + 2 * zone]
            own = sums[zone, fragment]
            length = _summed(own[0], high) - _summed(own[0], low)
            engaged += length
            turns += length / zones[zone, 2]
            force += zones[zone, 3] * (_summed(own[1], high) - _summed(own[1], low))
            hu += _summed(own[2], high) - _summed(own[2], low)
            unknown += _summed(own[3], high) - _summed(own[3], low)
        if unknown > 0.0:
            _missed(counts, misses, np.int64(UNKNOWN), unknown, v, seat, 1)
            return
        least_threads = min(least_threads, turns)
        mean_hu = hu / engaged if engaged > 0.0 else -np.inf
        lower = mean_hu < least_hu if limits[L_BY_HU] > 0 else force < hold
        if lower:
            governs = fragment
        hold, least_hu = min(hold, force), min(least_hu, mean_hu)
    if least_threads < limits[L_THREADS]:
        _missed(counts, misses, np.int64(THREADS), limits[L_THREADS] - least_threads, v, seat, 1)
        return
    if not fully and crossed > 1:
        bridging = 0.0
        for zone in range(2):
            if zones[zone, 4] == 0.0:
                continue
            # A thread that ends at the fracture may reach across it when it is measured.
            low = seat + variant[2 + 2 * zone] - REACHES_MM
            high = seat + variant[3 + 2 * zone] + REACHES_MM
            beyond = 0.0
            for fragment in range(fragments):
                if fragment != near and axis_path[fragment] >= CROSSED_MM:
                    beyond += _summed(sums[zone, fragment, 0], high) - _summed(sums[zone, fragment, 0], low)
            if beyond > BRIDGING_MM:
                here = _comes_into(matter, line, zones[zone, 5], low, high, near)
                bridging += min(here, beyond)
        if bridging > 0.0:
            _missed(counts, misses, np.int64(BRIDGING), bridging, v, seat, 1)
            return
    rank = least_hu if limits[L_BY_HU] > 0 else hold
    rank *= 1.0 + ROOM_WORTH_FRACTION * min(clearance, ROOM_COUNTS_MM)
    for slot in range(2):
        row = told[slot]
        longer = slot == 1 and (row[VARIANT] < v)
        if row[VARIANT] < 0 or longer or (slot == 0 and rank > row[RANK]):
            row[VARIANT], row[SEAT], row[RANK], row[CLEARANCE] = v, seat, rank, clearance
            row[HOLD], row[HU], row[THREADS_LEAST], row[GOVERNS] = hold, least_hu, least_threads, governs
            row[ENTRY], row[LENGTH] = moved, leave
            row[BODY_MM], row[JOINT_MM], row[LEADING_MM], row[ROOM_TURNS] = clear
