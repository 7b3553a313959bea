"""The thread ring on a line of the search: what bites where, how much thread has room in a fragment, and
whether a thread comes into one."""

from __future__ import annotations

import numpy as np
from numba import njit

from planner.path import BEFORE_ENTRY_MM, BEYOND_EXIT_MM
from planner.search_kernels import STEP_MM, _matter, _on, _part_inside

LANES_COUNT = 16
"""Lines of the thread ring: eight directions on each of two circles. Our choice."""

_LANE = 2 * np.pi * (np.arange(LANES_COUNT) % 8 + 0.5 * (np.arange(LANES_COUNT) // 8)) / 8
LANE_COS, LANE_SIN = np.cos(_LANE), np.sin(_LANE)
LANE_CIRCLE = np.arange(LANES_COUNT) // 8

SKIPPED_MM = 0.75
"""A fragment's depth is exact so near to it, and a walk skips no more (``search_space.INSIDE_NEAR_MM`` is
above)."""

TAU_LOW_HU, TAU_COUNT = -1024, 6144
"""The table of shear strength begins here and holds so many steps of one HU."""


@njit(cache=True, error_model="numpy")
def _ring(matter, line, tau, radii, low, high, sums):  # type: ignore[no-untyped-def]
    """Cumulative sums along the ring of one thread zone, per fragment: thread length, strength times length,
    HU times length, unknown length, each a mean over the ring's lines, into ``sums`` (fragments, 4,
    cells + 1) between two depths."""
    start, along, across, beside = line
    fragments, last = sums.shape[0], sums.shape[2] - 1
    begin = min(max(int(low / STEP_MM) - 1, 0), last)
    end = min(int(high / STEP_MM) + 2, last)
    before = np.empty((LANES_COUNT, fragments + 1))
    tau_before = np.empty(LANES_COUNT)
    after = np.empty(fragments + 1)
    share = STEP_MM / LANES_COUNT
    for n in range(begin, end + 1):
        x, y, z = _on(start, along, n * STEP_MM)
        if n > begin:
            for fragment in range(fragments):
                for kind in range(4):
                    sums[fragment, kind, n] = sums[fragment, kind, n - 1]
        for lane in range(LANES_COUNT):
            radius = radii[LANE_CIRCLE[lane]]
            a, b = radius * LANE_COS[lane], radius * LANE_SIN[lane]
            _matter(
                matter,
                x + a * across[0] + b * beside[0],
                y + a * across[1] + b * beside[1],
                z + a * across[2] + b * beside[2],
                after,
            )
            hu = after[fragments]
            strength = np.nan
            if hu == hu:
                at = min(max(hu - TAU_LOW_HU, 0.0), TAU_COUNT - 1.001)
                step = int(at)
                strength = tau[step] + (at - step) * (tau[step + 1] - tau[step])
            for fragment in range(fragments):
                if n > begin:
                    part = share * _part_inside(before[lane, fragment], after[fragment])
                    if part > 0.0:
                        # A cell that the surface cuts has the values of its inner end.
                        mean_hu, mean_tau = hu, strength
                        if after[fragment] >= 0.0 and before[lane, fragment] >= 0.0:
                            mean_hu = (hu + before[lane, fragments]) / 2
                            mean_tau = (strength + tau_before[lane]) / 2
                        elif after[fragment] < before[lane, fragment]:
                            mean_hu, mean_tau = before[lane, fragments], tau_before[lane]
                        sums[fragment, 0, n] += part
                        if mean_tau == mean_tau:
                            sums[fragment, 1, n] += part * mean_tau
                            sums[fragment, 2, n] += part * mean_hu
                        else:
                            sums[fragment, 3, n] += part
                before[lane, fragment] = after[fragment]
            before[lane, fragments] = hu
            tau_before[lane] = strength
    for n in range(end + 1, last + 1):
        for fragment in range(fragments):
            for kind in range(4):
                sums[fragment, kind, n] = sums[fragment, kind, end]


@njit(cache=True, error_model="numpy")
def _room_turns(matter, line, zones, variant, seat, leave, fragment, enough):  # type: ignore[no-untyped-def]
    """Turns of full thread that have room in a fragment, over the whole path, by the pitch of the thread that
    comes nearest to each cell; no more than ``enough`` are counted."""
    before, after = np.empty(matter.shape[3]), np.empty(matter.shape[3])
    turns = 0.0
    for lane in range(LANES_COUNT):
        last, a, b = -1, 0.0, 0.0
        for n in range(-int(BEFORE_ENTRY_MM / STEP_MM), int((leave + BEYOND_EXIT_MM) / STEP_MM) + 1):
            middle = (n + 0.5) * STEP_MM - seat
            to_first = max(variant[2] - middle, middle - variant[3], 0.0)
            to_second = max(variant[4] - middle, middle - variant[5], 0.0)
            zone = 1 if zones[1, 4] > 0 and to_second < to_first else 0
            if zone != last:
                a = zones[zone, LANE_CIRCLE[lane]] * LANE_COS[lane]
                b = zones[zone, LANE_CIRCLE[lane]] * LANE_SIN[lane]
                _beside(matter, line, n * STEP_MM, a, b, before)
                last = zone
            _beside(matter, line, (n + 1) * STEP_MM, a, b, after)
            turns += _part_inside(before[fragment], after[fragment]) * STEP_MM / LANES_COUNT / zones[zone, 2]
            before[fragment] = after[fragment]
        if turns >= enough:
            break
    return turns


@njit(cache=True, error_model="numpy")
def _beside(matter, line, depth, a, b, told):  # type: ignore[no-untyped-def]
    """``_matter`` at a depth, so far across and beside the axis."""
    start, along, across, beside = line
    x, y, z = _on(start, along, depth)
    _matter(
        matter,
        x + a * across[0] + b * beside[0],
        y + a * across[1] + b * beside[1],
        z + a * across[2] + b * beside[2],
        told,
    )


@njit(cache=True, error_model="numpy")
def _comes_into(matter, line, radius, low, high, fragment):  # type: ignore[no-untyped-def]
    """Length between two depths over which some line at a radius lies in a fragment: the most of LANES_COUNT.

    ``assess`` has more lines than the ring here, so what it just meets is met here at the widest only.
    """
    told = np.empty(matter.shape[3])
    most = 0.0
    for lane in range(LANES_COUNT):
        angle = 2 * np.pi * lane / LANES_COUNT
        a, b = radius * np.cos(angle), radius * np.sin(angle)
        _beside(matter, line, low, a, b, told)
        depth, before, length = low, told[fragment], 0.0
        while depth < high:
            # Nothing of the fragment lies nearer than it is away.
            step = min(max(STEP_MM, min(-before, SKIPPED_MM)), high - depth)
            depth += step
            _beside(matter, line, depth, a, b, told)
            length += step * _part_inside(before, told[fragment])
            before = told[fragment]
        most = max(most, length)
    return most
