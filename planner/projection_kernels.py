"""The compiled loop of ``projection``: attenuation summed along stretches of many parallel rays."""

from __future__ import annotations

import numpy as np
from numba import njit

AIR_HU = -1000.0
"""No attenuation at all (definition of the Hounsfield unit, but for air's own thousandth)."""


@njit(cache=True, error_model="numpy")
def add_along(  # type: ignore[no-untyped-def]
    total, line, from_mm, to_mm, origin_ijk, directions_ijk, offsets_mm, hu, around_hu, step_mm
):
    """Add to ``total`` (lines,), for each stretch (line, from, to), ∫ (HU − around) / 1000 ds along it.

    Ray n runs from ``origin_ijk + offsets_mm[n] @ directions_ijk[:2]`` along ``directions_ijk[2]``, in voxels
    per mm. Grey values are trilinear, read in the middles of equal steps of at most ``step_mm``, those of the
    outermost voxels beyond the grid.
    """
    far = np.array(hu.shape) - 1
    along = directions_ijk[2]
    for n in range(len(line)):
        x, y = offsets_mm[line[n], 0], offsets_mm[line[n], 1]
        foot = origin_ijk + x * directions_ijk[0] + y * directions_ijk[1]
        count = max(1, int(np.ceil((to_mm[n] - from_mm[n]) / step_mm)))
        length = (to_mm[n] - from_mm[n]) / count
        found = 0.0
        for place in range(count):
            depth = from_mm[n] + (place + 0.5) * length
            i, j, k = foot[0] + depth * along[0], foot[1] + depth * along[1], foot[2] + depth * along[2]
            found += max(_trilinear(hu, far, i, j, k), AIR_HU) - around_hu
        total[line[n]] += found * length / 1000.0


@njit(cache=True, error_model="numpy", forceinline=True)
def _trilinear(hu, far, i, j, k):  # type: ignore[no-untyped-def]
    """The grey value at a place in voxels, that of the nearest voxel where it lies outside the grid."""
    i, j, k = min(max(i, 0.0), far[0]), min(max(j, 0.0), far[1]), min(max(k, 0.0), far[2])
    a, b, c = int(i), int(j), int(k)
    p, q, r = min(a + 1, far[0]), min(b + 1, far[1]), min(c + 1, far[2])
    u, v, w = i - a, j - b, k - c
    low = (1 - v) * ((1 - w) * hu[a, b, c] + w * hu[a, b, r]) + v * ((1 - w) * hu[a, q, c] + w * hu[a, q, r])
    high = (1 - v) * ((1 - w) * hu[p, b, c] + w * hu[p, b, r]) + v * ((1 - w) * hu[p, q, c] + w * hu[p, q, r])
    return (1 - u) * low + u * high
