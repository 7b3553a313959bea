"""How dense the bone is along the screw: on the axis, in the thread ring, in the sleeve, and layer by layer.

Grey values are interpolated linearly between voxel centres. What lies outside the scan or was marked "no
data" is unknown, never zero: a mean over anything unknown is None with its reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.grey_kernels import linear_at
from planner.near_metal import STREAK_ERROR_HU, in_streaks
from planner.path import ANGLES_COUNT, RING_COUNT, STEP_MM, Path
from planner.posed import back_of, carried, moves
from planner.prepared import PreparedBone
from planner.vocabulary import Layer, LayerName, PathProfile, Profile1D
from segmentation.vocabulary import METAL_ABOVE_HU, NO_DATA_BELOW_HU, Calibration, CTVolume, Floats, Removed

CORTEX_AT_MOST_MM = 6.0
"""A cortex is sought no deeper than this (until it is measured by itself; design decision)."""

CORTEX_ENDS_AT_FRACTION = 0.5
"""A cortex ends where the ring first falls below this share of its local peak (design decision)."""


@dataclass(frozen=True, eq=False)
class Sampled:
    """HU in the cells of a path: ``axis`` (cells,), ``ring`` (RING_COUNT, cells), ``fringe`` and ``sleeve``
    (lines, cells); NaN unknown. ``ring_in_streaks`` (RING_COUNT, cells) tells which of the ring lie in
    metal's streaks."""

    axis: Floats
    ring: Floats
    fringe: Floats
    sleeve: Floats
    ring_in_streaks: npt.NDArray[np.bool_]


def hu_at(ct: CTVolume, points_mm: Floats, *, has_no_data: bool = True) -> Floats:
    """HU at points (…, 3), linear between voxel centres; NaN outside the scan and beside a voxel without
    data."""
    ijk = ct.grid.mm_to_ijk(points_mm.reshape(-1, 3))
    values: Floats = linear_at(ct.hu, ijk)
    if has_no_data:
        values[_beside_no_data(ct, ijk.T)] = np.nan
    return values.reshape(points_mm.shape[:-1])


def sample_each(
    prepared: PreparedBone, path: Path, *, has_no_data: bool, metal: Sequence[Removed] = ()
) -> tuple[Sampled, dict[int, Sampled]]:
    """HU along ``path``, each place as its own fragment was scanned, and the same all in one fragment's pose.

    Outside the bone the nearest fragment's surroundings stand.
    """
    ct = prepared.bone.ct
    if not prepared.reduced:
        one = sample(ct, path, has_no_data=has_no_data, metal=metal)
        return one, dict.fromkeys(path.axis, one)
    each = {
        number: sample(ct, path, has_no_data=has_no_data, metal=metal, pose=prepared.poses[number])
        for number in path.axis
    }
    owner = path.nearest_fragment(path.depth_mm)
    of_ring = np.broadcast_to(owner, (RING_COUNT, len(owner))).copy()
    for number in path.axis:
        of_ring[path.ring_in_cells_mm(number) > STEP_MM / 2] = number
    # A line of the fringe or sleeve has the outer circle's at about its angle.
    sleeve_count = len(next(iter(each.values())).sleeve)
    result = Sampled(
        _chosen({number: one.axis for number, one in each.items()}, owner),
        _chosen({number: one.ring for number, one in each.items()}, of_ring),
        _chosen({number: one.fringe for number, one in each.items()}, of_ring[-sleeve_count:]),
        _chosen({number: one.sleeve for number, one in each.items()}, of_ring[-sleeve_count:]),
        _chosen({number: one.ring_in_streaks.astype(float) for number, one in each.items()}, of_ring) > 0,
    )
    return result, each


def _chosen(of: dict[int, Floats], owner: npt.NDArray[np.intp]) -> Floats:
    result = np.full(owner.shape, np.nan)
    for number, values in of.items():
        result[owner == number] = values[owner == number]
    return result


def sample(
    ct: CTVolume,
    path: Path,
    *,
    has_no_data: bool,
    metal: Sequence[Removed] = (),
    pose: Floats | None = None,
) -> Sampled:
    """HU on the axis, in the ring and in the sleeve of ``path``, in the middle of each cell.

    Where there is ``metal``, what is as bright as metal is unknown: it is no bone. ``pose`` (4, 4) took what
    was scanned to where the path is.
    """
    offsets = np.concatenate(
        [
            np.zeros((len(path.zone_of_cell), 1, 2)),
            path.ring_offsets_mm[path.zone_of_cell],
            path.fringe_offsets_mm[path.zone_of_cell],
            path.sleeve_offsets_mm[path.zone_of_cell],
        ],
        axis=1,
    )
    across = offsets @ np.stack([path.u, path.v])
    points = path.entry_mm + path.depth_mm[:, None, None] * path.direction + across
    if pose is not None and moves(pose):
        points = carried(back_of(pose), points)
    hu = hu_at(ct, points, has_no_data=has_no_data).T
    if metal:
        hu[hu >= METAL_ABOVE_HU] = np.nan
    ring = slice(1, 1 + RING_COUNT)
    streaks = in_streaks(ct.grid, metal, np.swapaxes(points[:, ring], 0, 1))
    fringe = slice(1 + RING_COUNT, 1 + RING_COUNT + ANGLES_COUNT)
    return Sampled(hu[0], hu[ring], hu[fringe], hu[fringe.stop :], streaks)


def profile(path: Path, sampled: Sampled, calibration: Calibration | None) -> PathProfile:
    """The means against depth, and which fragment the axis is in (0 = none)."""
    fragment = np.zeros(len(path.zone_of_cell), np.int32)
    middle = path.depth_mm
    for number, stretches in path.axis.items():
        for start, stop in stretches.of_line(0):
            fragment[(middle >= start) & (middle <= stop)] = number

    def against_depth(hu: Floats) -> Profile1D:
        return Profile1D(hu, None if calibration is None else calibration.density_mg_cm3(hu))

    return PathProfile(
        middle,
        fragment,
        against_depth(sampled.axis),
        against_depth(sampled.ring.mean(axis=0)),
        against_depth(sampled.sleeve.mean(axis=0)),
    )


def mean_hu_in(path: Path, sampled: Sampled, fragment: int) -> float | None:
    """Mean HU of the ring's parts inside ``fragment``, along its axis path; None if any of it is unknown."""
    weights = path.ring_in_cells_mm(fragment) * path.axis_in_cells_mm(fragment)[None, :]
    return _weighted_mean(sampled.ring, weights)


def doubt_mg_cm3(calibration: Calibration, density_mg_cm3: Floats, streaks_fraction: Floats) -> Floats:
    """Standard error of densities of any shape, this share of whose samples lies in metal's streaks.

    Streaks shift a whole thread one way: their error does not average out.
    """
    streak_mg_cm3 = streaks_fraction * STREAK_ERROR_HU * calibration.slope_mg_cm3_per_hu
    return np.hypot(calibration.standard_error_mg_cm3(density_mg_cm3), streak_mg_cm3)


def mean_doubt_mg_cm3(
    path: Path, sampled: Sampled, fragment: int, calibration: Calibration, density_mg_cm3: float
) -> float:
    """Standard error of ``density_mg_cm3``, the mean along a fragment's axis path."""
    weights = path.ring_in_cells_mm(fragment) * path.axis_in_cells_mm(fragment)[None, :]
    share = (sampled.ring_in_streaks * weights).sum() / weights.sum()
    return float(doubt_mg_cm3(calibration, np.asarray(density_mg_cm3), np.asarray(share)))


def layers(
    path: Path,
    sampled: Sampled,
    calibration: Calibration | None,
    measured_mm: tuple[float | None, float | None] = (None, None),
) -> tuple[Layer, ...]:
    """Near cortex, cancellous and far cortex between entry and exit.

    The cortices' lengths on the axis are ``measured_mm`` (near, far) where given, else by the fall of the
    ring's HU.
    """
    inside = (path.depth_mm >= 0) & (path.depth_mm <= path.length_mm)
    ring = sampled.ring.mean(axis=0)[inside]
    depth = path.depth_mm[inside]
    half = path.length_mm / 2
    near_mm, far_mm = measured_mm
    near = min(_first_fall_mm(depth, ring) if near_mm is None else near_mm, half)
    fall = _first_fall_mm(path.length_mm - depth[::-1], ring[::-1]) if far_mm is None else far_mm
    far = path.length_mm - min(fall, half)
    borders = (0.0, near, far, path.length_mm)
    names: tuple[LayerName, ...] = ("near cortex", "cancellous", "far cortex")
    result = []
    for name, low, high in zip(names, borders[:-1], borders[1:], strict=True):
        overlap = np.minimum(path.edges_mm[1:], high) - np.maximum(path.edges_mm[:-1], low)
        hu = _weighted_mean(sampled.ring, np.broadcast_to(np.maximum(overlap, 0), sampled.ring.shape))
        density = None if hu is None or calibration is None else float(calibration.density_mg_cm3(hu))
        result.append(Layer(name, low, high, hu, density))
    return tuple(result)


def _first_fall_mm(depth_mm: Floats, hu: Floats) -> float:
    """Depth at which ``hu`` first falls below half of the highest value before it, CORTEX_AT_MOST_MM at
    most."""
    known = np.where(np.isnan(hu), -np.inf, hu)
    peak = np.maximum.accumulate(known)
    fallen = np.flatnonzero((known < CORTEX_ENDS_AT_FRACTION * peak) & (peak > 0))
    if not len(fallen) or fallen[0] == 0:
        return CORTEX_AT_MOST_MM
    after = int(fallen[0])
    level = CORTEX_ENDS_AT_FRACTION * peak[after]
    share = (known[after - 1] - level) / (known[after - 1] - known[after])
    place = depth_mm[after - 1] + np.clip(share, 0, 1) * (depth_mm[after] - depth_mm[after - 1])
    return float(min(place, CORTEX_AT_MOST_MM))


def _weighted_mean(values: Floats, weights: Floats) -> float | None:
    used = weights > 0
    if not used.any() or np.isnan(values[used]).any():
        return None
    return float((values[used] * weights[used]).sum() / weights[used].sum())


def _beside_no_data(ct: CTVolume, ijk: Floats) -> npt.NDArray[np.bool_]:
    """(n,) whether any of the eight voxels around a place holds no data."""
    base = np.floor(ijk).astype(np.intp)
    top = np.asarray(ct.grid.shape)[:, None] - 1
    beside = np.zeros(ijk.shape[1], bool)
    for corner in np.ndindex(2, 2, 2):
        i, j, k = np.clip(base + np.asarray(corner)[:, None], 0, top)
        beside |= ct.hu[i, j, k] < NO_DATA_BELOW_HU
    return beside
