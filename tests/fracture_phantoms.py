"""Broken bones and a ball in its socket as a CT would show them, with the truth of their formulas.

Shapes are formulas in the bone's own frame, laid obliquely over the voxel grid; each voxel is the mean of 3³
places in it, blurred by a Gaussian, with white noise. Cortex 1200 HU, cancellous 270 HU with a texture of
40 HU, soft tissue and gap 45 HU: the phantom of the study the bars come from.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from phantoms import FWHM_PER_SIGMA, rotation
from scipy import ndimage

from segmentation.vocabulary import CTVolume, Floats, Grid

CORTEX_HU, SPONGY_HU, TEXTURE_HU, SOFT_HU = 1200.0, 270.0, 40.0, 45.0
SUB = 3
A = {"voxel_mm": (0.4, 0.4, 0.4), "fwhm_mm": 0.8, "noise_hu": 30.0}
B = {"voxel_mm": (0.4, 0.4, 0.4), "fwhm_mm": 1.0, "noise_hu": 40.0}
C = {"voxel_mm": (0.5, 0.5, 1.0), "fwhm_mm": 0.8, "noise_hu": 30.0}

Field = Callable[[Floats], Floats]


@dataclass(frozen=True, eq=False)
class Broken:
    """The scan, labels that touch in the gap, and the truth: normal and middle in patient mm."""

    ct: CTVolume
    labels: npt.NDArray[np.uint8]
    normal: Floats
    middle_mm: Floats
    gap_mm: float
    fwhm_mm: float


def scanned(
    half_mm: tuple[float, float, float],
    own_hu: Field,
    depth_mm: Field,
    *,
    voxel_mm: tuple[float, float, float],
    fwhm_mm: float,
    noise_hu: float,
    turn: Floats,
    seed: int,
) -> tuple[CTVolume, Floats]:
    """The scan of ``own_hu`` (points in the bone's frame → HU), and the voxel centres in that frame.

    ``depth_mm`` is below −(a voxel's diagonal) where all is soft tissue: there nothing is asked.
    """
    rng = np.random.default_rng(seed)
    voxel = np.asarray(voxel_mm)
    reach = np.abs(turn) @ np.asarray(half_mm)
    count = np.ceil(2 * reach / voxel).astype(int) + 1
    affine = np.diag([*voxel, 1.0])
    affine[:3, 3] = -(count - 1) / 2 * voxel + rng.uniform(-0.5, 0.5, 3) * voxel
    grid = Grid((int(count[0]), int(count[1]), int(count[2])), affine)
    ijk = np.stack(np.indices(grid.shape), axis=-1).reshape(-1, 3)
    centres = grid.ijk_to_mm(ijk) @ turn
    near = np.flatnonzero(depth_mm(centres) > -np.linalg.norm(voxel))
    hu = np.full(len(centres), SOFT_HU * SUB**3)
    hu[near] = 0
    steps = (np.arange(SUB) - (SUB - 1) / 2) / SUB
    for shift in np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3):
        hu[near] += own_hu(centres[near] + (shift * voxel) @ turn)
    texture = ndimage.gaussian_filter(rng.normal(size=grid.shape), 0.7 / FWHM_PER_SIGMA / voxel)
    values = (hu / SUB**3).reshape(grid.shape)
    spongy = np.clip(1 - np.abs(values - SPONGY_HU) / 60, 0, 1)
    values += TEXTURE_HU * texture / texture.std() * spongy
    values = ndimage.gaussian_filter(values, fwhm_mm / FWHM_PER_SIGMA / voxel)
    values += rng.normal(0, noise_hu, values.shape)
    hu = np.asfortranarray(values.round().astype(np.int16))
    return CTVolume(grid, hu, "phantom"), centres.reshape(*grid.shape, 3)


def broken(
    *,
    gap_mm: float,
    wave_mm: float = 0.0,
    period_mm: float = 12.0,
    oblique_degree: float = 20.0,
    shape: str = "tube",
    marrow_hu: float = SPONGY_HU,
    fill_hu: float = SOFT_HU,
    radius_mm: float = 9.0,
    half_length_mm: float = 11.0,
    cut_error_mm: float = 0.15,
    fragment_turn_degree: float = 0.0,
    voxel_mm: tuple[float, float, float] = (0.4, 0.4, 0.4),
    fwhm_mm: float = 0.8,
    noise_hu: float = 30.0,
    seed: int = 0,
) -> Broken:
    """A rod of bone broken across, at ``oblique_degree`` from square; ``gap_mm`` is measured square to the
    faces, which wave by ``wave_mm`` either way. ``fragment_turn_degree`` opens the gap like a wedge.

    The labels touch in the middle of the gap and wander about it by ``cut_error_mm`` (RMS), as a separation's
    do.
    """
    turn = rotation(100 + seed)
    lean = np.radians(oblique_degree)
    normal = np.array([np.sin(lean), 0.0, np.cos(lean)])
    u = np.array([np.cos(lean), 0.0, -np.sin(lean)])
    k = 2 * np.pi / period_mm
    wedge = np.tan(np.radians(fragment_turn_degree))

    def middle(p: Floats) -> tuple[Floats, Floats]:
        """Signed distance from the middle of the gap, square to it, and the gap there."""
        a, b = p @ u, p[..., 1]
        height = wave_mm * np.sin(k * a + 0.7) * np.cos(k * b * 0.8)
        slope_a = wave_mm * k * np.cos(k * a + 0.7) * np.cos(k * b * 0.8)
        slope_b = -wave_mm * k * 0.8 * np.sin(k * a + 0.7) * np.sin(k * b * 0.8)
        return (p @ normal - height) / np.sqrt(1 + slope_a**2 + slope_b**2), gap_mm + wedge * b

    def outline(p: Floats) -> Floats:
        """Depth below the outer surface, positive inside."""
        if shape == "block":
            across = np.minimum(radius_mm - np.abs(p[..., 0]), 0.8 * radius_mm - np.abs(p[..., 1]))
        else:
            across = radius_mm - np.hypot(p[..., 0], p[..., 1])
        return np.minimum(across, half_length_mm - np.abs(p[..., 2]))

    def hu(p: Floats) -> Floats:
        depth = outline(p)
        away, gap = middle(p)
        bone = np.where(depth > 1.0, marrow_hu, CORTEX_HU)
        value = np.where(np.abs(away) < gap / 2, fill_hu, bone)
        return np.where(depth > 0, value, SOFT_HU)

    half = (radius_mm + 4, radius_mm + 4, half_length_mm + 1)
    ct, own = scanned(
        half, hu, outline, voxel_mm=voxel_mm, fwhm_mm=fwhm_mm, noise_hu=noise_hu, turn=turn, seed=seed
    )
    rng = np.random.default_rng(1000 + seed)
    wander = ndimage.gaussian_filter(rng.normal(size=ct.grid.shape), 1.0 / np.asarray(voxel_mm))
    wander *= cut_error_mm / max(float(wander.std()), 1e-9)
    side = middle(own)[0] + wander > 0
    labels = np.where(outline(own) > 0, np.where(side, 2, 1), 0).astype(np.uint8)

    # The mean plane of the middle surface over the bone's section, by least squares (closed definition).
    a, b = np.meshgrid(np.arange(-25, 25, 0.1), np.arange(-25, 25, 0.1), indexing="ij")
    height = wave_mm * np.sin(k * a + 0.7) * np.cos(k * b * 0.8)
    points = a[..., None] * u + np.array([0, 1.0, 0]) * b[..., None] + height[..., None] * normal
    inside = outline(points) > 0
    tilt_a, tilt_b, offset = np.linalg.lstsq(
        np.stack([a[inside], b[inside], np.ones(inside.sum())], axis=1), height[inside], rcond=None
    )[0]
    plane_normal = normal - tilt_a * u - tilt_b * np.array([0, 1.0, 0])
    plane_normal /= np.linalg.norm(plane_normal)
    return Broken(ct, labels, turn @ plane_normal, turn @ (offset * normal), gap_mm, fwhm_mm)


@dataclass(frozen=True, eq=False)
class BallInSocket:
    """The scan, labels of the two bones, and the truth: the joint's opening, its middle and its axis.

    The ball's joint is the cap within ``half_angle_degree`` of the axis; the socket's the bowl facing it.
    """

    ct: CTVolume
    labels: npt.NDArray[np.uint8]
    centre_mm: Floats
    axis: Floats
    ball_mm: float
    gap_mm: float
    half_angle_degree: float

    def cap_mm2(self, radius_mm: float) -> float:
        """Area of a spherical cap (closed form: 2π R² (1 − cos))."""
        return float(2 * np.pi * radius_mm**2 * (1 - np.cos(np.radians(self.half_angle_degree))))


def ball_in_socket(
    *,
    gap_mm: float,
    half_angle_degree: float = 60.0,
    ball_mm: float = 9.0,
    voxel_mm: tuple[float, float, float] = (0.4, 0.4, 0.4),
    fwhm_mm: float = 0.8,
    noise_hu: float = 30.0,
    seed: int = 0,
) -> BallInSocket:
    """A ball on a neck, and a block hollowed to a bowl of the same centre: label 1 the ball, 2 the socket."""
    turn = rotation(200 + seed)
    bowl_mm, edge = ball_mm + gap_mm, np.radians(half_angle_degree)
    outer_mm = bowl_mm + 5.0

    def ball(p: Floats) -> Floats:
        neck = np.minimum(5.0 - np.hypot(p[..., 0], p[..., 1]), np.minimum(-p[..., 2], p[..., 2] + 15.0))
        return np.maximum(ball_mm - np.linalg.norm(p, axis=-1), neck)

    def socket(p: Floats) -> Floats:
        r = np.linalg.norm(p, axis=-1)
        # Distance within the cone of the opening; its flat rim runs along the radius.
        angle = np.arctan2(np.hypot(p[..., 0], p[..., 1]), p[..., 2])
        rim = r * np.sin(np.clip(edge - angle, -np.pi / 2, np.pi / 2))
        return np.minimum(np.minimum(r - bowl_mm, outer_mm - r), rim)

    def depth(p: Floats) -> Floats:
        return np.maximum(ball(p), socket(p))

    def hu(p: Floats) -> Floats:
        below = depth(p)
        return np.where(below > 0, np.where(below > 1.0, SPONGY_HU, CORTEX_HU), SOFT_HU)

    half = (outer_mm + 1, outer_mm + 1, 16.0)
    half = (half[0], half[1], max(outer_mm + 1, 16.0))
    ct, own = scanned(
        half, hu, depth, voxel_mm=voxel_mm, fwhm_mm=fwhm_mm, noise_hu=noise_hu, turn=turn, seed=seed
    )
    labels = np.where(ball(own) > 0, 1, np.where(socket(own) > 0, 2, 0)).astype(np.uint8)
    return BallInSocket(ct, labels, np.zeros(3), turn[:, 2], ball_mm, gap_mm, half_angle_degree)
