"""Compiled loops for where a plane meets the triangles of a surface, in the order a pen would draw it."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def heights(vertices, origin, normal):  # type: ignore[no-untyped-def]
    """(v,) how far each of ``vertices`` (v, 3) lies above a plane."""
    found = np.empty(len(vertices))
    for v in range(len(vertices)):
        found[v] = (
            (vertices[v, 0] - origin[0]) * normal[0]
            + (vertices[v, 1] - origin[1]) * normal[1]
            + (vertices[v, 2] - origin[2]) * normal[2]
        )
    return found


@njit(cache=True, error_model="numpy", forceinline=True)
def _above(vertices, v, origin, normal):  # type: ignore[no-untyped-def]
    return (
        (vertices[v, 0] - origin[0]) * normal[0]
        + (vertices[v, 1] - origin[1]) * normal[1]
        + (vertices[v, 2] - origin[2]) * normal[2]
    ) >= 0


@njit(cache=True, nogil=True, error_model="numpy")
def crossed_edges(vertices, origin, normal, faces):  # type: ignore[no-untyped-def]
    """(n, 2) vertices of each edge that a plane crosses, the lower number first, in the order met; and (m, 2)
    which two of them each crossed triangle joins.

    What lies in the plane is above it. Every edge of a closed surface is met twice.
    """
    count = 0
    for t in range(len(faces)):
        a = _above(vertices, faces[t, 0], origin, normal)
        b = _above(vertices, faces[t, 1], origin, normal)
        count += a != b or b != _above(vertices, faces[t, 2], origin, normal)
    edges, joins = np.empty((2 * count, 2), np.int64), np.empty((count, 2), np.int64)
    # Where an edge was met before, by its two numbers: a table with open addresses.
    size = 16
    while size < 4 * count:
        size *= 2
    table = np.full(size, -1, np.int64)
    met, joined = 0, 0
    for t in range(len(faces)):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        a, b = _above(vertices, i, origin, normal), _above(vertices, j, origin, normal)
        c = _above(vertices, k, origin, normal)
        if a == b and b == c:
            continue
        for side in range(2):
            # Two of the three edges are crossed, in the order of the corners.
            if side == 0:
                first, second = (i, j) if a != b else (k, j)
            else:
                first, second = (k, i) if c != a else (j, k)
            low, high = min(first, second), max(first, second)
            at = ((low * 73856093) ^ (high * 19349663)) & (size - 1)
            while table[at] >= 0 and (edges[table[at], 0] != low or edges[table[at], 1] != high):
                at = (at + 1) & (size - 1)
            if table[at] < 0:
                table[at] = met
                edges[met, 0], edges[met, 1] = low, high
                met += 1
            joins[joined, side] = table[at]
        joined += 1
    return edges[:met], joins


@njit(cache=True, nogil=True, error_model="numpy")
def chains(joins, count):  # type: ignore[no-untyped-def]
    """Edges in the order a pen would visit them, open lines from their ends first: (n,) edges, and (c + 1,)
    where in them each chain begins.

    ``joins`` (m, 2) are pairs of the ``count`` edges, each to be drawn once; of several the last comes first.
    """
    degree = np.zeros(count + 1, np.int64)
    for m in range(len(joins)):
        degree[joins[m, 0]] += 1
        degree[joins[m, 1]] += 1
    starts = np.zeros(count + 1, np.int64)
    for edge in range(count):
        starts[edge + 1] = starts[edge] + degree[edge]
    of_edge, filled = np.empty(2 * len(joins), np.int64), starts[:-1].copy()
    for m in range(len(joins)):
        for side in range(2):
            edge = joins[m, side]
            of_edge[filled[edge]] = m
            filled[edge] += 1
    drawn = np.zeros(len(joins), np.bool_)
    visited, begins = np.empty(len(joins) + count, np.int64), np.zeros(count + len(joins) + 1, np.int64)
    written, chain = 0, 0
    for open_ends in (True, False):
        for start in range(count):
            if (degree[start] == 1) != open_ends:
                continue
            while True:
                edge, begun = start, False
                while True:
                    following, way = -1, -1
                    for place in range(starts[edge + 1] - 1, starts[edge] - 1, -1):
                        if not drawn[of_edge[place]]:
                            way = of_edge[place]
                            following = joins[way, 0] + joins[way, 1] - edge
                            break
                    if way < 0:
                        break
                    if not begun:
                        visited[written] = edge
                        written += 1
                        begun = True
                    drawn[way] = True
                    visited[written] = following
                    written += 1
                    edge = following
                if not begun:
                    break
                chain += 1
                begins[chain] = written
    return visited[:written], begins[: chain + 1]
