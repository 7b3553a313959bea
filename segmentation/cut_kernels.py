"""The cheapest surface between two bones: a minimum cut of the voxels between them, compiled.

A voxel is joined to its six neighbours with a capacity; the two sides are fixed. The cut of least capacity is
found as the largest flow (Ford and Fulkerson 1956), by two search trees grown from both sides and kept
between augmentations (Boykov and Kolmogorov 2004, from memory). Capacities are whole numbers, so nothing is
rounded. Held against scipy's maximum flow in tests/test_apart.py.
"""

from __future__ import annotations

import numpy as np
from numba import njit

FREE, SOURCE, SINK = 0, 1, 2
TERMINAL, ORPHAN, NONE = 6, 7, -1
FAR_COUNT = 1 << 30
SLOTS_COUNT = 6


@njit(cache=True)
def _root_distance(o, neighbours, parent, stamp, ways, now):  # type: ignore[no-untyped-def]
    """Steps from ``o`` to its tree's terminal, FAR_COUNT where it hangs from an orphan."""
    steps = 0
    j = o
    while True:
        if stamp[j] == now:
            steps += ways[j]
            break
        up = parent[j]
        steps += 1
        if up == TERMINAL:
            stamp[j] = now
            ways[j] = 1
            break
        if up in (ORPHAN, NONE):
            return FAR_COUNT
        j = neighbours[j, up]
    left = steps
    j = o
    while stamp[j] != now:
        stamp[j] = now
        ways[j] = left
        left -= 1
        j = neighbours[j, parent[j]]
    return steps


@njit(cache=True)
def linked(neighbours, band, local, labels, first, second, core, sure, weight, per_face):  # type: ignore[no-untyped-def]
    """The voxels of a ``band`` of two labels as ``source_side`` takes them.

    ``local`` (n,) numbers the band's voxels, -1 elsewhere. A face's capacity is the mean ``weight`` of its
    two voxels times ``per_face`` (6,), a whole number. A voxel of the ``core``, or beside one label only
    beyond the band, is held by ``sure`` capacity.
    """
    inner = np.full((len(band), SLOTS_COUNT), np.int32(NONE))
    capacity = np.zeros((len(band), SLOTS_COUNT), np.int64)
    held = np.zeros(len(band), np.int64)
    for row in range(len(band)):
        m = band[row]
        at_first, at_second = False, False
        for slot in range(SLOTS_COUNT):
            o = neighbours[m, slot]
            if o < 0:
                continue
            if local[o] >= 0:
                inner[row, slot] = local[o]
                capacity[row, slot] = round((weight[m] + weight[o]) / 2 * per_face[slot])
            else:
                at_first |= labels[o] == first
                at_second |= labels[o] == second
        if core[m]:
            held[row] = sure if labels[m] == first else -sure
        elif at_first != at_second:
            held[row] = sure if at_first else -sure
    return inner, capacity, held


@njit(cache=True)
def source_side(neighbours, capacity, terminal):  # type: ignore[no-untyped-def]
    """Which voxels (n,) lie on the source's side of the least cut, and the flow.

    ``neighbours`` (n, 6) with slot ^ 1 leading back, -1 for none; ``capacity`` (n, 6) int64 is used up;
    ``terminal`` (n,) int64 is the capacity from the source (> 0) or to the sink (< 0), used up too.
    """
    n = len(terminal)
    tree = np.zeros(n, np.int8)
    parent = np.full(n, np.int8(NONE))
    stamp, ways = np.zeros(n, np.int64), np.zeros(n, np.int64)
    queue, waiting = np.empty(n + 1, np.int32), np.zeros(n, np.bool_)
    orphans = np.empty(n + 1, np.int32)
    begin, held, now, flow = 0, 0, 0, 0
    for m in range(n):
        if terminal[m] != 0:
            tree[m] = SOURCE if terminal[m] > 0 else SINK
            parent[m] = TERMINAL
            ways[m] = 1
            queue[held] = m
            waiting[m] = True
            held += 1
    current = -1
    while True:
        if current < 0 or tree[current] == FREE:
            current = -1
            while held:
                m = queue[begin]
                begin = (begin + 1) % (n + 1)
                held -= 1
                waiting[m] = False
                if tree[m] != FREE:
                    current = m
                    break
            if current < 0:
                break
        m = current
        own = tree[m]
        meet, meet_slot = -1, -1
        for slot in range(SLOTS_COUNT):
            o = neighbours[m, slot]
            if o < 0:
                continue
            room = capacity[m, slot] if own == SOURCE else capacity[o, slot ^ 1]
            if room <= 0:
                continue
            if tree[o] == FREE:
                tree[o], parent[o] = own, slot ^ 1
                stamp[o], ways[o] = stamp[m], ways[m] + 1
                if not waiting[o]:
                    waiting[o] = True
                    queue[(begin + held) % (n + 1)] = o
                    held += 1
            elif tree[o] != own:
                meet, meet_slot = (m, slot) if own == SOURCE else (o, slot ^ 1)
                break
            elif stamp[o] <= stamp[m] and ways[o] > ways[m]:
                parent[o] = slot ^ 1
                stamp[o], ways[o] = stamp[m], ways[m] + 1
        now += 1
        if meet < 0:
            current = -1
            continue
        # The path's bottleneck, then the flow along it.
        other = neighbours[meet, meet_slot]
        least = capacity[meet, meet_slot]
        j = meet
        while parent[j] != TERMINAL:
            up = neighbours[j, parent[j]]
            least = min(least, capacity[up, parent[j] ^ 1])
            j = up
        least = min(least, terminal[j])
        j = other
        while parent[j] != TERMINAL:
            least = min(least, capacity[j, parent[j]])
            j = neighbours[j, parent[j]]
        least = min(least, -terminal[j])
        flow += least
        capacity[meet, meet_slot] -= least
        capacity[other, meet_slot ^ 1] += least
        lost = 0
        j = meet
        while parent[j] != TERMINAL:
            slot = parent[j]
            up = neighbours[j, slot]
            capacity[up, slot ^ 1] -= least
            capacity[j, slot] += least
            if capacity[up, slot ^ 1] == 0:
                parent[j] = ORPHAN
                orphans[lost] = j
                lost += 1
            j = up
        terminal[j] -= least
        if terminal[j] == 0:
            parent[j] = ORPHAN
            orphans[lost] = j
            lost += 1
        j = other
        while parent[j] != TERMINAL:
            slot = parent[j]
            up = neighbours[j, slot]
            capacity[j, slot] -= least
            capacity[up, slot ^ 1] += least
            if capacity[j, slot] == 0:
                parent[j] = ORPHAN
                orphans[lost] = j
                lost += 1
            j = up
        terminal[j] += least
        if terminal[j] == 0:
            parent[j] = ORPHAN
            orphans[lost] = j
            lost += 1
        # Orphans find a new parent or fall out of their tree.
        while lost:
            lost -= 1
            i = orphans[lost]
            own = tree[i]
            best, nearest = NONE, FAR_COUNT
            for slot in range(SLOTS_COUNT):
                o = neighbours[i, slot]
                if o < 0 or tree[o] != own or parent[o] == NONE:
                    continue
                room = capacity[o, slot ^ 1] if own == SOURCE else capacity[i, slot]
                if room <= 0:
                    continue
                steps = _root_distance(o, neighbours, parent, stamp, ways, now)
                if steps < nearest:
                    best, nearest = slot, steps
            if best != NONE:
                parent[i] = best
                stamp[i], ways[i] = now, nearest + 1
                continue
            tree[i], parent[i] = FREE, NONE
            for slot in range(SLOTS_COUNT):
                o = neighbours[i, slot]
                if o < 0 or tree[o] != own:
                    continue
                room = capacity[o, slot ^ 1] if own == SOURCE else capacity[i, slot]
                if room > 0 and not waiting[o]:
                    waiting[o] = True
                    queue[(begin + held) % (n + 1)] = o
                    held += 1
                if parent[o] == (slot ^ 1):
                    parent[o] = ORPHAN
                    orphans[lost] = o
                    lost += 1
    return tree == SOURCE, flow
