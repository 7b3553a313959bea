"""Bone as a landscape: how deep each place lies in it, and where a narrow dark valley crosses it.

A joint space or a fracture gap is a valley: at each bone voxel the grey value is compared with the largest on
either side along the direction of the strongest bend, V = min(one side, other side) − here (HU). An edge of
bone against its marrow is none, for it is bright on one side only. What is not crossed by a valley deeper
than a limit has a depth, its distance in mm to the nearest valley or border. Scales and limits come from a
study on phantoms with 1 mm cortices and gaps of 0.3 to 2 mm (tests/apart_phantoms.py are of the same kind).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.components import Box, grown
from segmentation.envelope import Mask
from segmentation.errors import InputError
from segmentation.progress import Cancelled, Progress, check_not_stopped
from segmentation.valley_kernels import deepen, depth_across, neighbours_of
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

LIMIT_HU, TEXTURE_RATIO = 50.0, 3.3
"""A valley deeper than this parts (from the study), and deeper than so many times the middle one inside the
bone: the valleys of its texture. On phantoms with a texture of 40 HU both are the same; on demo bones with
coarse trabeculae one texture valley in a hundred is deeper."""

INSIDE_MM = 2.0
"""Texture is looked at so deep in the bone. Our choice: beyond the blur of a cortex."""

NORMAL_MM, SLACK_RATIO = 1.5, 0.85
"""Which way is across a border is taken from so far around; its valley's bottom may lie so many of the
largest voxel edges from it. Our choice: a gap's walls are even over 1.5 mm; a border runs from voxel to
voxel."""

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

LOOK_COUNT, DEEP_RATIO, VALLEY_WIDTH_MM = 16, 3.0, 0.8
"""Of so many voxels one is looked at; a valley so many times deeper than the limit counts, and is about so
wide. Our choice: bone without a gap has next to none of these."""

RIM_MM = 1.0
"""So near its border a bone is not looked at: the gap to its neighbour is no gap in it. Our choice."""

FEWEST_VOXELS_COUNT = 8
"""Fewer are no bone to part. Our choice."""


@dataclass(frozen=True, eq=False)
class Terrain:
    """The bone voxels of a crop of the scan, n of them, and what was found at each; see the module.

    ``grey`` of the crop's shape are the values that are read, HU. ``index`` int32 of the same shape numbers
    the bone voxels, -1 elsewhere; ``at`` (n,) are their flat places in it;
    ``neighbours`` (n, 6) as ``neighbours_of``. ``valley_hu`` (n,) is V; ``soft`` (n,) is soft tissue between
    bones. ``limit_hu`` is the limit of V that suits these voxels. Depths are kept once they are known, and
    ``cuts`` are what apart_cut keeps of the cheapest cuts it found, for the next question.
    """

    grid: Grid
    box: Box
    grey: Volume
    index: Numbers
    at: npt.NDArray[np.int64]
    neighbours: Numbers
    valley_hu: Volume
    soft: Mask
    limit_hu: float
    _depths: dict[float, Volume] = field(default_factory=dict)
    cuts: dict[bytes, npt.NDArray[np.uint8]] = field(default_factory=dict)

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

    def across_hu(self, labels: Numbers, faces: Numbers) -> Volume:
        """(m,) depth of the valley at ``faces`` (m, 3) of ``border_pairs``, read across the border."""
        stretch = _stretch_ratio(self.spacing_mm)
        return np.asarray(
            depth_across(
                self.grey,
                self.index,
                self.at,
                labels,
                faces,
                self.spacing_mm,
                NORMAL_MM * stretch,
                REACH_MM * stretch,
                STRIDE_MM * stretch,
                DISC_MM * stretch,
                SLACK_RATIO * float(self.spacing_mm.max()),
            )
        )

    def numbers_at(self, points_mm: npt.ArrayLike, within_mm: float) -> npt.NDArray[np.int64]:
        """(m,) number of the bone voxel nearest to each point (m, 3), -1 where none is so near."""
        places = self.grid.mm_to_ijk(np.reshape(points_mm, (-1, 3))) - [side.start for side in self.box]
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
    bone, and StoppedError.
    """
    ground = _ground(ct, level_hu, box, within, progress, cancelled)
    return ground.terrain(ct.grid, progress, cancelled)


def survey_if_parted(
    ct: CTVolume,
    level_hu: float | Volume,
    least_mm2: float,
    *,
    box: Box,
    within: Mask,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Terrain | None:
    """As ``survey``; None where a look at some voxels shows less than ``least_mm2`` of deep valleys."""
    ground = _ground(ct, level_hu, box, within, progress, cancelled)
    looked = np.ascontiguousarray(ground.at[ground.inside_mm() > RIM_MM][::LOOK_COUNT])
    valley = np.zeros(len(looked), np.float32)
    ground.deepened(looked, valley, SCALES_MM[1])
    deep = float((valley > DEEP_RATIO * LIMIT_HU * ground.stretch_ratio).sum()) * LOOK_COUNT
    if deep * float(np.prod(ct.grid.spacing_mm)) < least_mm2 * VALLEY_WIDTH_MM:
        return None
    return ground.terrain(ct.grid, progress, cancelled)


@dataclass(frozen=True, eq=False)
class _Ground:
    """What is bone in a crop, before its valleys are known."""

    box: Box
    spacing_mm: Floats
    hu: Volume
    bright: Mask
    mask: Mask
    at: npt.NDArray[np.int64]

    @cached_property
    def grey(self) -> Volume:
        """The values that are read."""
        return _smoothed(self.hu, PRE_SMOOTHING_MM * self.stretch_ratio, self.spacing_mm)

    @property
    def stretch_ratio(self) -> float:
        """How much larger than fine the voxels are."""
        return _stretch_ratio(self.spacing_mm)

    def inside_mm(self) -> Volume:
        """(n,) distance to the border."""
        anisotropy = tuple(float(step) for step in self.spacing_mm)
        away = edt.edt(self.mask, anisotropy=anisotropy, parallel=2)
        return np.asarray(away.reshape(-1)[self.at])

    def limit_hu(self, valley_hu: Volume, soft: Mask) -> float:
        """The limit of V that suits the voxels and the bone's texture."""
        texture = valley_hu[(self.inside_mm() > INSIDE_MM) & ~soft & (valley_hu > 0)]
        usual_hu = float(np.median(texture)) if len(texture) else 0.0
        return max(LIMIT_HU * self.stretch_ratio, TEXTURE_RATIO * usual_hu)

    def deepened(self, at: npt.NDArray[np.int64], valley_hu: Volume, scale_mm: float) -> None:
        """Raise ``valley_hu`` to the depth of valleys at voxels ``at``, by one scale."""
        stretch = self.stretch_ratio
        deepen(
            self.grey,
            _smoothed(self.hu, scale_mm * stretch, self.spacing_mm),
            at,
            self.spacing_mm,
            REACH_MM * stretch,
            STRIDE_MM * stretch,
            DISC_MM * stretch,
            valley_hu,
        )

    def terrain(self, grid: Grid, progress: Progress | None, cancelled: Cancelled | None) -> Terrain:
        """All of it looked at."""
        if progress is not None:
            progress("looking for gaps in the bone")
        valley = np.zeros(len(self.at), np.float32)
        for scale_mm in SCALES_MM:
            self.deepened(self.at, valley, scale_mm)
            check_not_stopped(cancelled)
        soft = _soft_from_outside(self.bright, self.mask).reshape(-1)[self.at]
        limit_hu = self.limit_hu(valley, soft)
        valley[soft] = np.maximum(valley[soft], SOFT_VALLEY_HU)
        index = np.full(self.mask.shape, -1, np.int32)
        index.reshape(-1)[self.at] = np.arange(len(self.at), dtype=np.int32)
        neighbours = neighbours_of(index, self.at)
        return Terrain(grid, self.box, self.grey, index, self.at, neighbours, valley, soft, limit_hu)


def _ground(
    ct: CTVolume,
    level_hu: float | Volume,
    box: Box | None,
    within: Mask | None,
    progress: Progress | None,
    cancelled: Cancelled | None,
) -> _Ground:
    if progress is not None:
        progress("looking for what is bone")
    spacing = ct.grid.spacing_mm
    box = box or _bone_box(ct, level_hu, within)
    hu = np.ascontiguousarray(ct.hu[box], np.float32)
    from_hu = np.minimum(level_hu if np.isscalar(level_hu) else np.asarray(level_hu)[box], SEEN_FROM_HU)
    bright = np.asarray(_smoothed(hu, MASK_SMOOTHING_MM, spacing) > from_hu)
    if within is not None:
        bright &= within[box]
    mask = _closed_and_filled(bright, ct.grid)
    check_not_stopped(cancelled)
    at = np.flatnonzero(mask)
    if len(at) < FEWEST_VOXELS_COUNT:
        raise InputError("nothing is bone where bones were to be told apart; lower the level")
    return _Ground(box, spacing, hu, bright, mask, at)


def _stretch_ratio(spacing_mm: Floats) -> float:
    return max(1.0, float(spacing_mm.min()) / FINE_VOXEL_MM)


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
    """``bright`` with gaps closed and hollows filled; one cut open by the crop's border is filled too."""
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
            touched[np.unique(numbered[(slice(None),) * axis + (number,)])] = True
    touched[0] = False
    return np.asarray(touched[numbered])


def _soft_from_outside(bright: Mask, mask: Mask) -> Mask:
    """Soft voxels of the mask that hang together with what is outside it."""
    numbered, count = cc3d.connected_components(~bright, connectivity=6, return_N=True)
    outside = np.zeros(count + 1, np.bool_)
    outside[np.unique(numbered[~mask])] = True
    outside[0] = False
    return np.asarray(outside[numbered] & mask)
