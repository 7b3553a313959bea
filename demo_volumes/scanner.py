"""A CT scanner as a formula: it blurs the patient, samples on voxels and adds noise.

``HU(voxel) = (patient * Gaussian)(voxel centre) + noise``, the Gaussian of the stated full width at half
maximum in plane and along z. The patient is sampled two or more times finer than the voxels. At that step an
edge cannot be sampled as a jump without aliasing, so each edge is taken already blurred by a narrow Gaussian,
exactly, from its distance; only the rest of the Gaussian is applied afterwards (variances add). A straight
edge therefore comes out as the error function to
0.3 % of its step (tests/test_demo_volumes.py).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d
from scipy.special import ndtr

from demo_volumes.pieces import scanned_bones
from demo_volumes.scene import DemoBone, Scene
from demo_volumes.shapes import Array, gradient
from segmentation.vocabulary import Grid

FWHM_TO_SD_RATIO = 1 / (2 * math.sqrt(2 * math.log(2)))
"""Standard deviation of a Gaussian over its full width at half maximum. Closed form."""

EDGE_SD_FRACTION = 0.62
"""Standard deviation of the edge taken from its distance, in fine steps. Our choice: smooth enough
to sample."""

EDGE_SHARE_FRACTION = 0.8
"""At most this share of the scanner's blur goes into the edge itself. Our choice: it leaves something to
apply."""

BLUR_REACH_COUNT = 4.0
"""The Gaussian is cut at this many standard deviations (6e-5 of its mass lies beyond)."""

SLAB_SLICES_COUNT = 6
"""Fine slices worked on at a time. Our choice: a slab then fits in the processor's cache."""

LOWEST_HU = -1024
"""Scanners store nothing below this (common practice)."""

FINEST_COUNT = 5
"""At most so many fine steps per voxel. Our choice: more would only be asked for by a blur far below the
voxel."""


def centred_grid(size_mm: tuple[float, float, float], voxel_mm: tuple[float, float, float]) -> Grid:
    """Axis-aligned grid that covers ``size_mm`` with its middle at the origin."""
    shape = [max(2, round(size / voxel)) for size, voxel in zip(size_mm, voxel_mm, strict=True)]
    affine = np.diag([*voxel_mm, 1.0])
    affine[:3, 3] = [-(n - 1) / 2 * voxel for n, voxel in zip(shape, voxel_mm, strict=True)]
    return Grid((shape[0], shape[1], shape[2]), affine)


def scan(
    scene: Scene,
    placement: npt.NDArray[np.float64],
    grid: Grid,
    fwhm_mm: tuple[float, float, float],
    noise_hu: float,
    rng: np.random.Generator,
) -> npt.NDArray[np.int16]:
    """The scene as int16 HU on ``grid``; noise is white, of standard deviation ``noise_hu``.

    Fortran-ordered, as every scan that is read.
    """
    sd = np.array(fwhm_mm) * FWHM_TO_SD_RATIO
    spacing = grid.spacing_mm
    finer = np.clip(np.ceil(spacing / (1.25 * sd)), 2, FINEST_COUNT).astype(int)
    step = spacing / finer
    edge_sd_mm = float(min(EDGE_SD_FRACTION * step.max(), EDGE_SHARE_FRACTION * sd.min()))
    rest = np.sqrt(sd**2 - edge_sd_mm**2) / step
    reach = np.ceil(BLUR_REACH_COUNT * rest).astype(int)
    axes = [
        grid.affine[a, 3] + step[a] * np.arange(-reach[a], (grid.shape[a] - 1) * finer[a] + 1 + reach[a])
        for a in range(3)
    ]
    bones = scanned_bones(scene)
    volume = np.empty([len(axis) for axis in axes], np.float32)
    for start in range(0, len(axes[0]), SLAB_SLICES_COUNT):
        stop = min(start + SLAB_SLICES_COUNT, len(axes[0]))
        volume[start:stop] = _patient_hu(
            scene, bones, placement, axes[0][start:stop], axes[1], axes[2], edge_sd_mm
        )
    for axis in range(3):
        volume = _blurred(volume, axis, float(rest[axis]), int(reach[axis]), int(finer[axis]))
    if noise_hu > 0:
        volume += rng.standard_normal(volume.shape, dtype=np.float32) * np.float32(noise_hu)
    np.rint(volume, out=volume)
    return np.asarray(np.clip(volume, LOWEST_HU, np.iinfo(np.int16).max).astype(np.int16, order="F"))


def _blurred(
    volume: npt.NDArray[np.float32], axis: int, sd_count: float, reach: int, finer: int
) -> npt.NDArray[np.float32]:
    """The volume blurred along one axis by ``sd_count`` samples, kept only at that axis's voxel centres."""
    offsets = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (offsets / sd_count) ** 2)
    smooth = correlate1d(volume, kernel / kernel.sum(), axis=axis, mode="nearest")
    keep = [slice(None)] * 3
    keep[axis] = slice(reach, volume.shape[axis] - reach, finer)
    return np.ascontiguousarray(smooth[tuple(keep)])


def _patient_hu(
    scene: Scene,
    bones: tuple[DemoBone, ...],
    placement: npt.NDArray[np.float64],
    xs: npt.NDArray[np.float64],
    ys: npt.NDArray[np.float64],
    zs: npt.NDArray[np.float64],
    edge_sd_mm: float,
) -> npt.NDArray[np.float32]:
    """The patient on a block of fine samples, edges already blurred by ``edge_sd_mm``."""
    inverse = placement.T.astype(np.float32)
    gx, gy, gz = (v.astype(np.float32) for v in (xs[:, None, None], ys[None, :, None], zs[None, None, :]))
    x, y, z = ((row[0] * gx + row[1] * gy + row[2] * gz).ravel() for row in inverse)
    hu = scene.background_hu(x, y, z).astype(np.float32)
    for bone in bones:
        near = _in_box(x, y, z, bone)
        if near.size:
            _put_bone(bone, hu, near, x[near], y[near], z[near], edge_sd_mm)
    return hu.reshape(len(xs), len(ys), len(zs))


def _in_box(x: Array, y: Array, z: Array, bone: DemoBone) -> npt.NDArray[np.intp]:
    """Indices of the points in the bone's box."""
    inside = np.ones(x.shape, bool)
    for p, low, high in zip((x, y, z), bone.low_mm, bone.high_mm, strict=True):
        inside &= (p > low) & (p < high)
    return np.flatnonzero(inside)


def _put_bone(
    bone: DemoBone, hu: Array, index: npt.NDArray[np.intp], x: Array, y: Array, z: Array, edge_sd_mm: float
) -> None:
    """Write one bone into ``hu`` at ``index``, its edges blurred by ``edge_sd_mm``."""
    band = BLUR_REACH_COUNT * edge_sd_mm
    level = bone.outside(x, y, z)
    kept = np.flatnonzero(level < band)
    if not kept.size:
        return
    index, x, y, z, level = index[kept], x[kept], y[kept], z[kept], level[kept]
    edge = np.flatnonzero(level > -band)
    # Only at the surface must the field be a true distance: elsewhere the edge is saturated anyway.
    slope = np.sqrt(sum(g * g for g in gradient(bone.outside, x[edge], y[edge], z[edge])))
    share = np.ones_like(level)
    share[edge] = ndtr(-level[edge] / np.maximum(slope, 0.2) / edge_sd_mm)
    inside = _opened(bone, bone.wall_hu(x, y, z, np.maximum(-level, 0)), x, y, z, edge_sd_mm)
    hu[index] += share * (inside - hu[index])


def _opened(bone: DemoBone, inside: Array, x: Array, y: Array, z: Array, edge_sd_mm: float) -> Array:
    """HU inside a bone with its fractures open, each within the fragment it parts."""
    shares: list[Array | float] = [1.0]
    for division in bone.divisions:
        fracture, parted = division.fracture, shares[division.fragment]
        side, half = fracture.side(x, y, z), fracture.gap_mm / 2
        not_near, far = ndtr((side + half) / edge_sd_mm), ndtr((side - half) / edge_sd_mm)
        inside = inside + (fracture.filling_hu - inside) * (parted * (not_near - far))
        shares.append(parted * far)
        shares[division.fragment] = parted * (1 - not_near)
    return inside
