"""A scan as the profile loops take it, and the noise of its grey values.

Places are turned into the grid's own frame, index · spacing in mm, where the blur lies along the axes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.errors import InputError
from segmentation.profile_kernels import collect_profiles
from segmentation.vocabulary import NO_DATA_BELOW_HU, CTVolume, Floats

Profiles = tuple[Floats, Floats, Floats]
"""Depths in mm, grey values in HU and voxel counts, each (n, bins); 0 voxels where a bin is empty."""

RADIUS_MM, RADIUS_PER_EDGE_RATIO = 0.9, 0.6
"""Radius of the cylinder whose voxels make a profile, and along each axis at least so many times the voxel's
edge, that no profile falls between slices. Our choice: 0.8 to 1.0 mm are alike on phantoms."""

SKEW_FRACTION = 1e-3
"""Axes farther than this from square are refused: the blur would not lie along them."""

ODD_EDGE_RATIO = 1.01
"""Voxel edges within this ratio are the same length; the odd one of three is along the slice axis."""

MUSCLE_HU, SOFT_HU, NOT_AIR_HU = (20.0, 90.0), (-150.0, 150.0), (-900.0, 3000.0)
"""Where noise is looked for, in this order. Muscle's values: common practice."""

NOISE_PLACES = {MUSCLE_HU: "muscle", SOFT_HU: "soft tissue", NOT_AIR_HU: "all but air"}
"""What a person calls them."""

NOISE_SLICES_COUNT, NOISE_VALUES_COUNT, NOISE_MARGIN_MM = 16, 2000, 20.0
"""Slices looked at, values needed, and how far around the bone. Our choice."""

LEAST_NOISE_HU = 3.0
"""No scan is taken to be quieter: below it the model's own error counts. Our choice."""

DEVIATION_PER_MEDIAN_RATIO = 1.4826
"""Standard deviation over median absolute deviation of a Gaussian (closed form)."""


@dataclass(frozen=True, eq=False)
class Scan:
    """A volume as it lies in memory, the steps between its elements, and its frame.

    ``turn`` (3, 3) takes directions of the grid's frame to the patient's; ``slice_axis`` is the grid axis
    across the slices.
    """

    flat: npt.NDArray[Any]
    strides: npt.NDArray[np.int64]
    shape: npt.NDArray[np.int64]
    spacing_mm: Floats
    turn: Floats
    origin_mm: Floats
    slice_axis: int

    def to_own_mm(self, points_mm: Floats) -> Floats:
        """Patient mm → the grid's frame."""
        return np.asarray((points_mm - self.origin_mm) @ self.turn)

    def to_patient_mm(self, points_mm: Floats) -> Floats:
        """The grid's frame → patient mm."""
        return np.asarray(points_mm @ self.turn.T + self.origin_mm)

    @property
    def outward(self) -> int:
        """−1 where the grid's frame is mirrored, so that triangles run the other way round."""
        return 1 if np.linalg.det(self.turn) > 0 else -1

    def at_border(self, points_mm: Floats) -> npt.NDArray[np.bool_]:
        """(n,) which points of the grid's frame lie within half a voxel of the scan's border."""
        ijk = points_mm / self.spacing_mm
        return np.asarray(((ijk < 1 / 2) | (ijk > self.shape - 1 - 1 / 2)).any(axis=1))

    @property
    def radii_mm(self) -> Floats:
        """(3,) half axes of the cylinder that profiles are made of: wider along thick slices."""
        return np.maximum(RADIUS_MM, RADIUS_PER_EDGE_RATIO * self.spacing_mm)

    def across_slices_fraction(self, normals: Floats) -> Floats:
        """(n,) the share nz² of directions (n, 3) that lies along the slice axis."""
        return np.asarray(normals[:, self.slice_axis] ** 2)

    def sigma_mm(self, normals: Floats, sigma_xy_mm: float, sigma_z_mm: float) -> Floats:
        """(n,) the blur along directions (n, 3)."""
        share = self.across_slices_fraction(normals)
        return np.asarray(np.sqrt((1 - share) * sigma_xy_mm**2 + share * sigma_z_mm**2))

    def profiles(self, points_mm: Floats, normals: Floats, bends: Floats) -> Profiles:
        """Grey values by depth below points of the grid's frame."""
        return collect_profiles(  # type: ignore[no-any-return]
            self.flat,
            self.strides,
            self.shape,
            self.spacing_mm,
            np.ascontiguousarray(points_mm),
            np.ascontiguousarray(normals),
            np.ascontiguousarray(bends),
            self.radii_mm,
            float(NO_DATA_BELOW_HU),
        )


def scan_of(ct: CTVolume) -> Scan:
    """``ct`` for the loops, without a copy where it lies in one piece. InputError where its axes are skew."""
    spacing = ct.grid.spacing_mm
    turn = ct.grid.affine[:3, :3] / spacing
    skew = float(np.abs(turn.T @ turn - np.eye(3)).max())
    if skew > SKEW_FRACTION:
        raise InputError(
            "the voxel axes must be square to each other to measure the surface "
            f"(they are off by {skew:.3f}): "
            "resample the scan to a straight grid, or give a threshold"
        )
    if ct.hu.flags.f_contiguous:
        flat, step = ct.hu.ravel(order="F"), np.cumprod([1, *ct.hu.shape[:2]])
    else:
        flat, step = ct.hu.ravel(order="C"), np.cumprod([1, *ct.hu.shape[:0:-1]])[::-1]
    flat.setflags(write=False)
    return Scan(
        flat=flat,
        strides=np.array(step, np.int64),
        shape=np.array(ct.grid.shape, np.int64),
        spacing_mm=spacing,
        turn=np.ascontiguousarray(turn),
        origin_mm=ct.grid.affine[:3, 3],
        slice_axis=_slice_axis(spacing),
    )


def _slice_axis(spacing_mm: Floats) -> int:
    """The axis whose voxel edge is the odd one out; the last where there is none."""
    for axis in range(3):
        one, other = np.delete(spacing_mm, axis)
        alike = max(one, other) <= ODD_EDGE_RATIO * min(one, other)
        if alike and max(spacing_mm[axis], one) > ODD_EDGE_RATIO * min(spacing_mm[axis], one):
            return axis
    return 2


def noise_hu(ct: CTVolume, points_mm: Floats) -> float:
    """Standard deviation of the noise around ``points_mm`` (patient mm)."""
    return noise_and_where(ct, points_mm)[0]


def noise_and_where(ct: CTVolume, points_mm: Floats) -> tuple[float, str]:
    """Standard deviation of the noise around ``points_mm`` (patient mm), from second differences in muscle,
    and where there was enough to measure it.

    1.4826 · median |second difference| / √6, in the slice plane; tissue's slow changes drop out.
    """
    axis = _slice_axis(ct.grid.spacing_mm)
    ijk = ct.grid.mm_to_ijk(points_mm)
    margin = NOISE_MARGIN_MM / ct.grid.spacing_mm
    low = np.maximum(np.floor(ijk.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(ijk.max(axis=0) + margin) + 1, ct.grid.shape).astype(int)
    levels, changes = [], []
    at = np.unique(np.linspace(low[axis], max(high[axis] - 1, low[axis]), NOISE_SLICES_COUNT).astype(int))
    box = [slice(int(a), int(b)) for a, b in zip(low, high, strict=True)]
    for index in at:
        box[axis] = slice(int(index), int(index) + 1)
        plane = np.squeeze(ct.hu[tuple(box)], axis).astype(np.float32)
        if min(plane.shape) < 3:
            continue
        level = ndimage.uniform_filter(plane, 3)[1:-1, 1:-1]
        middle = 2 * plane[1:-1, 1:-1]
        for change in (
            plane[2:, 1:-1] + plane[:-2, 1:-1] - middle,
            plane[1:-1, 2:] + plane[1:-1, :-2] - middle,
        ):
            levels.append(level.ravel())
            changes.append(np.abs(change).ravel())
    level, change = np.concatenate(levels), np.concatenate(changes)
    where = "all grey values"
    for (least, most), name in NOISE_PLACES.items():
        here = change[(level >= least) & (level <= most)]
        if len(here) >= NOISE_VALUES_COUNT:
            change, where = here, name
            break
    found = DEVIATION_PER_MEDIAN_RATIO * float(np.median(change)) / np.sqrt(6)
    return max(LEAST_NOISE_HU, float(found)), where
