"""Bone as a landscape: how deep each place lies in it, and where a narrow dark valley crosses it.

A joint space or a fracture gap is a valley: at each bone voxel the grey value is compared with the largest on
either side along the direction of the strongest bend, V = min(one side, other side) − here (HU). An edge of
bone against its marrow is none, for it is bright on one side only. What is not crossed by a valley deeper than
a limit has a depth, its distance in mm to the nearest valley or border. Scales and limits come from a study on
phantoms with 1 mm cortices and gaps of 0.3 to 2 mm (tests/apart_phantoms.py are of the same kind).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.components import Box, grown
from segmentation.envelope import Mask
from segmentation.errors import InputError
from segmentation.valley_kernels import deepen, neighbours_of
from segmentation.vocabulary import CTVolume, Floats, Grid

Volume = npt.NDArray[np.float32]
Numbers = npt.NDArray[np.int32]

SEEN_FROM_HU = 150.0
"""Bone is looked at from this grey value up, however high the level of its surface: its inside counts too.
From the study: soft tissue with its noise stays below."""

SCALES_MM = (0.3, 0.6)
"""Smoothing before the bend is taken; the deeper valley counts. From the study: 0.6 alone lost gaps of 0.5 mm
between cortices of 1 mm."""

PRE_SMOOTHING_MM, MASK_SMOOTHING_MM, DEPTH_SMOOTHING_MM = 0.2, 0.35, 0.4
"""Of the grey values that are read, of those that say what is bone, and of the depth. From the study."""

REACH_MM, STRIDE_MM, DISC_MM = 1.5, 0.33, 0.7
"""How far to each side grey values are read, how densely, and in what disc. From the study: a reach near half
the thickness of a thin bone makes its own spongy layer look like a gap."""

LIMIT_HU = 50.0
"""A valley deeper than this parts. From the study."""

FINE_VOXEL_MM = 0.5
"""Voxels whose smallest edge is larger stretch the scales, the reach and the limit in proportion. Our choice,
after the study's settings for voxels of 1 mm."""

CLOSING_MM = 1.5
"""Gaps up to twice this lie within what is looked at. From the study."""

SOFT_VALLEY_HU = 400.0
"""The valley given to soft tissue that comes in from outside: it parts whatever its width. From the study."""

COARSE_VOXEL_MM = 2.0
"""With slices so far apart, marrow is filled slice by slice as well: thin cortices leak between slices. From
the study's real series."""

FEWEST_VOXELS_COUNT = 8
"""Fewer are no bone to part. Our choice."""

Cancelled = Callable[[], bool]
Progress = Callable[[str], None]


class Stopped(Exception):
    """The person stopped the work; nothing was changed."""


def check_not_stopped(cancelled: Cancelled | None) -> None:
    """Raise Stopped when ``cancelled`` says so."""
    if cancelled is not None and cancelled():
        raise Stopped("stopped")


@dataclass(frozen=True, eq=False)
class Terrain:
    """The bone voxels of a crop of the scan, n of them, and what was found at each; see the module.

    ``index`` int32 of the crop's shape numbers them, -1 elsewhere; ``at`` (n,) are their flat places in it;
    ``neighbours`` (n, 6) as ``neighbours_of``. ``valley_hu`` (n,) is V; ``soft`` (n,) is soft tissue between
    bones. ``limit_hu`` is the limit of V that suits these voxels. Depths are kept once they are known.
    """

    grid: Grid
    box: Box
    index: Numbers
    at: npt.NDArray[np.int64]
    neighbours: Numbers
    valley_hu: Volume
    soft: Mask
    limit_hu: float
    _depths: dict[float, Volume] = field(default_factory=dict)

    @property
    def spacing_mm(self) -> Floats:
        """(3,) the voxel's edges."""
        return self.grid.spacing_mm

    @property
    def face_mm2(self) -> Floats:
        """(3,) area of a voxel's face across each axis."""
        return np.asarray(np.prod(self.spacing_mm) / self.spacing_mm)

    def depth_mm(self, limit_hu: float | None = None) -> Volume:
        """(n,) distance to the nearest border or valley deeper than the limit, smoothed."""
        limit = self.limit_hu if limit_hu is None else limit_hu
        if limit not in self._depths:
            whole = np.zeros(self.index.shape, np.bool_)
            whole.reshape(-1)[self.at] = self.valley_hu < limit
            away = edt.edt(whole, anisotropy=tuple(float(s) for s in self.spacing_mm), parallel=2)
            smooth = _smoothed(away, DEPTH_SMOOTHING_MM, self.spacing_mm)
            self._depths[limit] = smooth.reshape(-1)[self.at]
        return self._depths[limit]

    def numbers_at(self, points_mm: npt.ArrayLike, within_mm: float) -> npt.NDArray[np.int64]:
        """(m,) number of the bone voxel nearest to each point (m, 3), -1 where none is within ``within_mm``."""
        places = self.grid.mm_to_ijk(np.atleast_2d(points_mm)) - [side.start for side in self.box]
        found = np.full(len(places), -1, np.int64)
        reach = np.ceil(within_mm / self.spacing_mm).astype(int)
        for row, place in enumerate(places):
            near = np.round(place).astype(int)
            low = np.maximum(near - reach, 0)
            high = np.minimum(near + reach + 1, self.index.shape)
            if (low >= high).any():
                continue
            around = self.index[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
            held = np.argwhere(around >= 0)
            if not len(held):
                continue
            away = np.linalg.norm((held + low - place) * self.spacing_mm, axis=1)
            if away.min() <= max(within_mm, float(self.spacing_mm.max())):
                found[row] = around[tuple(held[np.argmin(away)])]
        return found

    def places_mm(self, numbers: npt.ArrayLike) -> Floats:
        """(m, 3) patient mm of voxels."""
        ijk = np.stack(np.unravel_index(self.at[np.asarray(numbers)], self.index.shape), axis=-1)
        return self.grid.ijk_to_mm(ijk + [side.start for side in self.box])

    def volume_of(self, values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        """``values`` (n,) on the crop, 0 elsewhere."""
        volume = np.zeros(self.index.shape, values.dtype)
        volume.reshape(-1)[self.at] = values
        return volume


def survey(
    ct: CTVolume,
    level_hu: float | Volume,
    *,
    box: Box | None = None,
    within: Mask | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Terrain:
    """The terrain of the bone in ``box`` of the scan (default: all at or above the level, with a margin).

    ``level_hu`` is the level of the bone's surface, one or one for each voxel; ``within`` (the scan's shape)
    confines the search. 6 to 10 s for 200³ voxels of 0.4 mm on two cores. Raises InputError where nothing is
    bone, and Stopped.
    """
    tell = progress or (lambda _step: None)
    spacing = ct.grid.spacing_mm
    stretch = max(1.0, float(spacing.min()) / FINE_VOXEL_MM)
    box = box or _bone_box(ct, level_hu, within)
    hu = np.ascontiguousarray(ct.hu[box], np.float32)
    from_hu = np.minimum(level_hu if np.isscalar(level_hu) else np.asarray(level_hu)[box], SEEN_FROM_HU)
    tell("looking for what is bone")
    bright = _smoothed(hu, MASK_SMOOTHING_MM, spacing) > from_hu
    if within is not None:
        bright &= within[box]
    mask = _closed_and_filled(bright, ct.grid)
    check_not_stopped(cancelled)
    at = np.flatnonzero(mask)
    if len(at) < FEWEST_VOXELS_COUNT:
        raise InputError("nothing is bone where bones were to be told apart; lower the level")
    index = np.full(mask.shape, -1, np.int32)
    index.reshape(-1)[at] = np.arange(len(at), dtype=np.int32)
    tell("looking for valleys")
    valley = np.zeros(len(at), np.float32)
    grey = _smoothed(hu, PRE_SMOOTHING_MM * stretch, spacing)
    for scale_mm in SCALES_MM:
        smooth = _smoothed(hu, scale_mm * stretch, spacing)
        deepen(
            grey,
            smooth,
            at,
            spacing,
            REACH_MM * stretch,
            STRIDE_MM * stretch,
            DISC_MM * stretch,
            valley,
        )
        check_not_stopped(cancelled)
    soft = _soft_from_outside(bright, mask).reshape(-1)[at]
    valley[soft] = np.maximum(valley[soft], SOFT_VALLEY_HU)
    tell("measuring depths")
    return Terrain(ct.grid, box, index, at, neighbours_of(index, at), valley, soft, LIMIT_HU * stretch)


def _smoothed(values: Volume, scale_mm: float, spacing_mm: Floats) -> Volume:
    return np.asarray(ndimage.gaussian_filter(values, scale_mm / spacing_mm, mode="nearest", truncate=3.0))


def _bone_box(ct: CTVolume, level_hu: float | Volume, within: Mask | None) -> Box:
    """All that is bright enough, and a margin for the closing."""
    bright = ct.hu >= level_hu
    if within is not None:
        bright &= within
    margin = int(np.ceil(2 * CLOSING_MM / ct.grid.spacing_mm.min()))
    found = ndimage.find_objects(bright.astype(np.uint8))
    if not found or found[0] is None:
        raise InputError("nothing is bone where bones were to be told apart; lower the level")
    return grown(found[0], margin, ct.hu.shape)


def _closed_and_filled(bright: Mask, grid: Grid) -> Mask:
    """``bright`` with gaps closed and hollows filled; a hollow cut open by the crop's border is filled too."""
    anisotropy = tuple(float(step) for step in grid.spacing_mm)
    grown_out = edt.edt(~bright, anisotropy=anisotropy, parallel=2) <= CLOSING_MM
    mask = bright | (edt.edt(grown_out, anisotropy=anisotropy, parallel=2) > CLOSING_MM)
    if grid.spacing_mm.max() >= COARSE_VOXEL_MM:
        axis = grid.slice_axis
        for number in range(mask.shape[axis]):
            at = tuple(number if a == axis else slice(None) for a in range(3))
            mask[at] = ndimage.binary_fill_holes(mask[at])
    for axis in range(3):
        for number in (0, mask.shape[axis] - 1):
            at = tuple(number if a == axis else slice(None) for a in range(3))
            mask[at] = ndimage.binary_fill_holes(mask[at])
    return np.asarray(~_reached_from_border(~mask))


def _reached_from_border(free: Mask) -> Mask:
    """What of ``free`` hangs together with the crop's border."""
    numbered, count = cc3d.connected_components(free, connectivity=6, return_N=True)
    touched = np.zeros(count + 1, np.bool_)
    for axis in range(3):
        for number in (0, -1):
            touched[np.unique(np.take(numbered, number, axis=axis))] = True
    touched[0] = False
    return np.asarray(touched[numbered])


def _soft_from_outside(bright: Mask, mask: Mask) -> Mask:
    """Soft voxels of the mask that hang together with what is outside it."""
    numbered, count = cc3d.connected_components(~bright, connectivity=6, return_N=True)
    outside = np.zeros(count + 1, np.bool_)
    outside[np.unique(numbered[~mask])] = True
    outside[0] = False
    return np.asarray(outside[numbered] & mask)
