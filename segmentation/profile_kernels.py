"""Compiled loops that gather grey values by their depth below a surface, and find the edge at half height.

Voxels within a cylinder along the normal are sorted by depth below a patch as curved as the bone is there;
nothing is interpolated, which would add blur. Places are in the grid's own frame: index · spacing, in mm.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

LOW_MM, HIGH_MM, BIN_MM = -3.5, 6.5, 0.2
"""Depths looked at, outside to inside, and the bins they are sorted into. Our choice: a mesh within 1 mm, a
blur of 1.5 mm and a cortex of 4 mm fit in; finer bins change nothing."""

BINS_COUNT = 50
"""(HIGH_MM − LOW_MM) / BIN_MM."""

REACH_MM = 1.3
"""Of several edges the one that is steep and near is taken: a Gaussian of this width about the mesh. Our
choice, tuned on phantoms."""

FARTHEST_MM = 2.6
"""No edge farther from the mesh than this is taken. Our choice: twice REACH_MM."""

NEEDED_OUTSIDE_MM = -1.0
"""A profile must begin outside the mesh; where the scan ends it does not. Our
choice: the mesh is 1 mm off at most."""

FAINTEST_HU = 60.0
"""An edge of less contrast is none. Our choice."""

START_COUNT = 10
"""Numbers that describe a start: found, half height outside and inside, level outside, peak, level inside,
first and last depth to fit, gap to the neighbour, and the neighbour's level as seen."""


@njit(cache=True, error_model="numpy")
def _collect(flat, strides, shape, spacing, point, normal, bend, radii, no_data, depth, mean, count):  # type: ignore[no-untyped-def]
    """Fill one profile: mean depth, mean grey value and number of voxels per bin."""
    d = 0
    for axis in range(1, 3):
        if abs(normal[axis]) > abs(normal[d]):
            d = axis
    e, f = (d + 1) % 3, (d + 2) % 3
    radius = max(radii[0], radii[1], radii[2])
    across = np.sqrt(max(0.0, 1 - normal[d] * normal[d]))
    one, other = point[d] - LOW_MM * normal[d], point[d] - HIGH_MM * normal[d]
    first = max(0, int(np.ceil((min(one, other) - radius * across) / spacing[d])))
    last = min(shape[d] - 1, int(np.floor((max(one, other) + radius * across) / spacing[d])))
    lean_e, lean_f = normal[e] / normal[d], normal[f] / normal[d]
    wide_e, wide_f = radius * np.sqrt(1 + lean_e * lean_e), radius * np.sqrt(1 + lean_f * lean_f)
    for i in range(first, last + 1):
        x = i * spacing[d] - point[d]
        middle_e, middle_f = point[e] + x * lean_e, point[f] + x * lean_f
        first_e = max(0, int(np.ceil((middle_e - wide_e) / spacing[e])))
        last_e = min(shape[e] - 1, int(np.floor((middle_e + wide_e) / spacing[e])))
        first_f = max(0, int(np.ceil((middle_f - wide_f) / spacing[f])))
        last_f = min(shape[f] - 1, int(np.floor((middle_f + wide_f) / spacing[f])))
        for j in range(first_e, last_e + 1):
            y = j * spacing[e] - point[e]
            for k in range(first_f, last_f + 1):
                z = k * spacing[f] - point[f]
                up = x * normal[d] + y * normal[e] + z * normal[f]
                beside = ((x - up * normal[d]) / radii[d]) ** 2 + ((y - up * normal[e]) / radii[e]) ** 2
                if beside + ((z - up * normal[f]) / radii[f]) ** 2 > 1:
                    continue
                fall = (
                    bend[d, d] * x * x
                    + bend[e, e] * y * y
                    + bend[f, f] * z * z
                    + 2 * (bend[d, e] * x * y + bend[e, f] * y * z + bend[d, f] * x * z)
                )
                s = -up - fall / 2
                if s <= LOW_MM or s >= HIGH_MM:
                    continue
                value = flat[i * strides[d] + j * strides[e] + k * strides[f]]
                if value < no_data:
                    continue
                at = min(int((s - LOW_MM) / BIN_MM), BINS_COUNT - 1)
                depth[at] += s
                mean[at] += value
                count[at] += 1
    for at in range(BINS_COUNT):
        if count[at] > 0:
            depth[at] /= count[at]
            mean[at] /= count[at]


@njit(cache=True, error_model="numpy", parallel=True)
def collect_profiles(flat, strides, shape, spacing, points, normals, bends, radii, no_data):  # type: ignore[no-untyped-def]
    """Profiles below ``points`` (n, 3): depths, grey values and voxel counts, each (n, BINS_COUNT).

    ``flat`` is the volume as it lies in memory, ``strides`` its steps in elements. ``normals`` (n, 3) are
    unit and outward, ``bends`` (n, 3, 3) the curvature: change of the normal per mm along the surface.
    ``radii`` (3,) are the half axes, along the grid's, of what counts as beside a point.
    """
    depth = np.zeros((len(points), BINS_COUNT))
    mean = np.zeros((len(points), BINS_COUNT))
    count = np.zeros((len(points), BINS_COUNT))
    for v in prange(len(points)):
        _collect(
            flat,
            strides,
            shape,
            spacing,
            points[v],
            normals[v],
            bends[v],
            radii,
            no_data,
            depth[v],
            mean[v],
            count[v],
        )
    return depth, mean, count


@njit(cache=True, error_model="numpy")
def packed(depth, mean, count, s, y, w):  # type: ignore[no-untyped-def]
    """Copy the bins that hold voxels into ``s``, ``y``, ``w``; returns how many."""
    m = 0
    for at in range(BINS_COUNT):
        if count[at] > 0:
            s[m], y[m], w[m] = depth[at], mean[at], count[at]
            m += 1
    return m


@njit(cache=True, error_model="numpy")
def half_maximum(s, y, w, m, noise, sigma, start):  # type: ignore[no-untyped-def]
    """Where the nearest steep rise is at half its height, and the layers' levels; into ``start``.

    The peak is the first maximum met walking in, never the highest of the window; the outside ends where
    another bone begins. ``start[0]`` stays 0 where there is no edge.
    """
    start[:] = 0.0
    if m < 8 or s[0] > NEEDED_OUTSIDE_MM:  # fewer bins hold no step; without an outside there is no edge
        return
    z = np.empty(m)
    z[0], z[m - 1] = y[0], y[m - 1]
    voxels = 0.0
    for i in range(m):
        voxels += w[i]
        if 0 < i < m - 1:
            z[i] = (y[i - 1] + 2 * y[i] + y[i + 1]) / 4
    bin_noise = noise * np.sqrt(0.375 * m / voxels)  # of the smoothed profile: 1/16 + 1/4 + 1/16
    edge, steepest = -1, 0.0
    for i in range(1, m - 1):
        if abs(s[i]) < FARTHEST_MM:
            rise = (z[i + 1] - z[i - 1]) / (s[i + 1] - s[i - 1])
            rise *= np.exp(-s[i] * s[i] / (2 * REACH_MM * REACH_MM))
            if rise > steepest:
                edge, steepest = i, rise
    if edge < 0:
        return
    # Outward to the lowest, until something rises again.
    low, lowest, first = z[edge], edge, edge
    for i in range(edge, -1, -1):
        if z[i] < low:
            low, lowest = z[i], i
        elif z[i] > low + max(3 * bin_noise, 30.0):
            break
        if s[i] < s[edge] - 3 * sigma - 1:
            break
        first = i
    # Inward to the first peak.
    high, peak = z[edge], edge
    for i in range(edge, m):
        if z[i] > high:
            high, peak = z[i], i
        elif z[i] < high - max(3 * bin_noise, 20 + 0.06 * (high - low)):
            break
    total, seen = 0.0, 0
    for i in range(first, edge + 1):
        if z[i] <= low + max(2 * bin_noise, 0.08 * (high - low)):
            total, seen = total + y[i], seen + 1
    outside = total / max(seen, 1)
    if seen == 0 or high - outside < max(4 * bin_noise, FAINTEST_HU):
        return
    half, place = (outside + high) / 2, np.nan
    for i in range(peak, 0, -1):
        if z[i - 1] < half <= z[i]:
            place = s[i] - (s[i] - s[i - 1]) * (z[i] - half) / (z[i] - z[i - 1])
            break
    if not abs(place) < FARTHEST_MM or s[0] > place - 1.5 * sigma:
        return
    # A neighbour: beyond the outer valley the profile rises again.
    cut_low, gap, beyond = s[0] - BIN_MM, np.nan, low
    for i in range(lowest, -1, -1):
        if z[i] > beyond:
            beyond = z[i]
        elif z[i] < beyond - max(3 * bin_noise, 20 + 0.06 * (beyond - low)):
            break
    neighbour = beyond
    if beyond > low + max(4 * bin_noise, 0.12 * (high - low)):
        cut_low = s[lowest]
        for i in range(lowest, -1, -1):
            if z[i] >= (low + beyond) / 2:
                gap = place - s[i]
                break
    # Inward from the peak to the valley.
    valley, deepest, last = high, peak, peak
    for i in range(peak, m):
        if z[i] < valley:
            valley, deepest = z[i], i
        elif z[i] > valley + max(3 * bin_noise, 20 + 0.10 * (high - valley)):
            break
        last = i
    total, seen = 0.0, 0
    for i in range(peak, last + 1):
        if z[i] <= valley + max(2 * bin_noise, 0.08 * (high - valley)):
            total, seen = total + y[i], seen + 1
    inside, place_in = total / max(seen, 1), np.nan
    if high - inside > max(4 * bin_noise, FAINTEST_HU):
        half = (inside + high) / 2
        for i in range(peak, deepest):
            if z[i] >= half > z[i + 1]:
                place_in = s[i] + (s[i + 1] - s[i]) * (z[i] - half) / (z[i] - z[i + 1])
                break
    # The opposite wall: beyond the inner valley the profile rises again.
    cut_high, beyond = s[m - 1] + BIN_MM, valley
    for i in range(deepest, m):
        beyond = max(beyond, z[i])
    if beyond > valley + max(4 * bin_noise, 0.15 * (high - valley)) and place_in == place_in:
        cut_high = s[deepest]
    start[0], start[1], start[2], start[3], start[4] = 1.0, place, place_in, outside, high
    start[5], start[6], start[7], start[8], start[9] = inside, cut_low, cut_high, gap, neighbour
