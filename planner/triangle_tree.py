"""A tree of boxes over triangles: a question to a surface looks into those boxes only that can matter.

The tree is full and kept in one array: the halves of box ``n`` are boxes ``2 n + 1`` and ``2 n + 2``, its
last row are the leaves. Triangles lie along a curve that fills space, so that those of one leaf are near each
other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from segmentation.vocabulary import Floats, Ints

LEAF_COUNT = 8
"""Triangles in a leaf, at most. Our choice, by trial on a shaft of 600,000 triangles."""

WAITING_COUNT = 64
"""Boxes that can wait to be looked into: more than a tree of any size has rows."""

BITS_COUNT = 16
"""Steps of the curve along each axis, as a power of two."""


@dataclass(frozen=True, eq=False)
class TriangleTree:
    """``order`` (m,) are the triangles along the curve: leaf ``l`` of ``leaves`` holds those from
    ``l * m // leaves`` on. ``boxes`` (n, 6) are the lowest and the highest corner of each box, mm."""

    order: Ints
    boxes: Floats


def tree_of(vertices_mm: Floats, faces: Ints) -> TriangleTree:
    """The tree of triangles ``faces`` (m, 3) of ``vertices_mm`` (v, 3)."""
    count = len(faces)
    leaves = 1
    while leaves * LEAF_COUNT < count:
        leaves *= 2
    boxes = np.empty((2 * leaves - 1, 6))
    boxes[:, :3], boxes[:, 3:] = np.inf, -np.inf
    if not count:
        return TriangleTree(np.empty(0, np.int32), boxes)
    corners = vertices_mm[faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    order = np.argsort(_along_curve(low + high), kind="stable").astype(np.int32)
    starts = np.arange(leaves) * count // leaves
    boxes[leaves - 1 :, :3] = np.minimum.reduceat(low[order], starts)
    boxes[leaves - 1 :, 3:] = np.maximum.reduceat(high[order], starts)
    first = leaves - 1
    while first:
        halves = boxes[first : 2 * first + 1].reshape(-1, 2, 6)
        first //= 2
        boxes[first : first + len(halves), :3] = halves[:, :, :3].min(axis=1)
        boxes[first : first + len(halves), 3:] = halves[:, :, 3:].max(axis=1)
    return TriangleTree(order, boxes)


def _along_curve(places: Floats) -> npt.NDArray[np.uint64]:
    """(m,) how far along a curve through space each of ``places`` (m, 3) lies: Morton's, by turns a bit of
    each coordinate (from memory)."""
    low = places.min(axis=0)
    longest = float((places.max(axis=0) - low).max()) or 1.0
    steps = ((places - low) / longest * (2**BITS_COUNT - 1)).astype(np.uint64)
    along = np.zeros(len(places), np.uint64)
    for bit in range(BITS_COUNT):
        for axis in range(3):
            along |= (steps[:, axis] >> np.uint64(bit) & np.uint64(1)) << np.uint64(3 * bit + axis)
    return along


@njit(cache=True, error_model="numpy")
def away2_from(x, y, z, boxes, n):  # type: ignore[no-untyped-def]
    """Square of how far a place lies outside box ``n``."""
    dx = max(boxes[n, 0] - x, x - boxes[n, 3], 0.0)
    dy = max(boxes[n, 1] - y, y - boxes[n, 4], 0.0)
    dz = max(boxes[n, 2] - z, z - boxes[n, 5], 0.0)
    return dx * dx + dy * dy + dz * dz


@njit(cache=True, error_model="numpy", nogil=True)
def met_by_plane(origin, normal, order, boxes):  # type: ignore[no-untyped-def]
    """(n,) triangles whose box a plane meets, in their own order: few beside those it crosses."""
    found, count = np.empty(64, order.dtype), 0
    waiting, left = np.zeros(WAITING_COUNT, np.int64), 1
    leaves = (len(boxes) + 1) // 2
    while left:
        left -= 1
        n = waiting[left]
        above, thick = 0.0, 0.0
        for axis in range(3):
            above += ((boxes[n, axis] + boxes[n, axis + 3]) / 2 - origin[axis]) * normal[axis]
            thick += (boxes[n, axis + 3] - boxes[n, axis]) / 2 * abs(normal[axis])
        # A hair more than it is: heights of corners are summed in another order.
        if abs(above) > thick + 1e-9:
            continue
        if n < leaves - 1:
            waiting[left], waiting[left + 1] = 2 * n + 2, 2 * n + 1
            left += 2
            continue
        leaf = n - leaves + 1
        start, stop = leaf * len(order) // leaves, (leaf + 1) * len(order) // leaves
        if count + stop - start > len(found):
            more = np.empty(2 * len(found), order.dtype)
            more[:count] = found[:count]
            found = more
        found[count : count + stop - start] = order[start:stop]
        count += stop - start
    return np.sort(found[:count])
