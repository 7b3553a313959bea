"""Slabs, balls and tubes as a CT would show them, from closed forms: the truth the measuring is tested
against.

A straight edge blurred by a Gaussian is an error function; a blurred ball has the closed form of
``blurred_ball`` (convolution of a ball with a Gaussian, from memory, checked against a numerical convolution
in test_phantoms.py).
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import erf

from planner.catalogue import built_in_screws
from planner.vocabulary import PlacedScrew
from segmentation.vocabulary import Calibration, CTVolume, Floats, Grid

SOFT_HU = 40.0
FWHM_PER_SIGMA = 2 * np.sqrt(2 * np.log(2))
CALIBRATION = Calibration("given", 0.77, 0.0, 0.05, "test")


def grid_around(half_mm: Floats | tuple[float, float, float], voxel_mm: tuple[float, float, float]) -> Grid:
    """A grid of ± half_mm about the origin."""
    voxel = np.asarray(voxel_mm)
    count = np.ceil(2 * np.asarray(half_mm) / voxel).astype(int) + 1
    affine = np.diag([*voxel, 1.0])
    affine[:3, 3] = -(count - 1) / 2 * voxel
    return Grid((int(count[0]), int(count[1]), int(count[2])), affine)


def points_of(grid: Grid) -> Floats:
    """(i, j, k, 3) voxel centres in mm."""
    return grid.ijk_to_mm(np.stack(np.indices(grid.shape), axis=-1).reshape(-1, 3)).reshape(*grid.shape, 3)


def step(inside_mm: Floats, fwhm_mm: float) -> Floats:
    """A blurred straight edge, 1 inside."""
    return (1 + erf(inside_mm * FWHM_PER_SIGMA / fwhm_mm / np.sqrt(2))) / 2


def blurred_ball(distance_mm: Floats, radius_mm: float, fwhm_mm: float) -> Floats:
    """A ball of 1 convolved with a Gaussian, at distances from its centre."""
    s = fwhm_mm / FWHM_PER_SIGMA
    r = np.maximum(distance_mm, 1e-6)
    a, b = (radius_mm - r) / (s * np.sqrt(2)), (radius_mm + r) / (s * np.sqrt(2))
    return (erf(a) + erf(b)) / 2 - s / (r * np.sqrt(2 * np.pi)) * (np.exp(-(a**2)) - np.exp(-(b**2)))


def as_ct(grid: Grid, hu: Floats, *, noise_hu: float = 0.0, seed: int = 0, whole: bool = True) -> CTVolume:
    """The values as a CT, with white noise; ``whole`` rounds to int16 as scanners do.

    Fortran-ordered, as every scan that is read.
    """
    noisy = hu + np.random.default_rng(seed).normal(0, noise_hu, hu.shape) if noise_hu else hu
    values = noisy.round().astype(np.int16) if whole else noisy.astype(np.float32)
    return CTVolume(grid, np.asfortranarray(values), "phantom")


def rotation(seed: int, *, between_degree: tuple[float, float] = (20, 70)) -> Floats:
    """A rotation by a random angle about a random axis."""
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    return Rotation.from_rotvec(
        axis / np.linalg.norm(axis) * np.deg2rad(rng.uniform(*between_degree))
    ).as_matrix()


def slabs(
    *,
    thicknesses_mm: tuple[float, ...] = (10.0, 14.0),
    hu: tuple[float, ...] = (400.0, 400.0),
    gap_mm: float = 1.2,
    half_width_mm: float = 14.0,
    voxel_mm: tuple[float, float, float] = (0.4, 0.4, 0.5),
    fwhm_mm: float = 0.6,
    turn: Floats | None = None,
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> tuple[Grid, Floats]:
    """Slabs stacked along the turned z axis, the first's top at −gap/2; grid and noiseless HU.

    ``turn`` (3, 3) takes the slabs' own coordinates to the patient's.
    """
    turn = np.eye(3) if turn is None else turn
    total = sum(thicknesses_mm) + gap_mm * (len(thicknesses_mm) - 1)
    # The smallest box round the turned block, so that nothing is cut off.
    half = np.abs(turn) @ np.array([half_width_mm, half_width_mm, total / 2]) + 3
    grid = grid_around(half, voxel_mm)
    own = (points_of(grid) - np.asarray(shift_mm)) @ turn
    across = step(half_width_mm - np.abs(own[..., 0]), fwhm_mm) * step(
        half_width_mm - np.abs(own[..., 1]), fwhm_mm
    )
    values = np.full(grid.shape, SOFT_HU)
    bottom = -total / 2
    for thickness, level in zip(thicknesses_mm, hu, strict=True):
        z = own[..., 2] - bottom
        values += (level - SOFT_HU) * across * step(z, fwhm_mm) * step(thickness - z, fwhm_mm)
        bottom += thickness + gap_mm
    return grid, values


def placed(
    entry_mm: Floats,
    target_mm: Floats,
    screw: str = "iso5835-ha-3.5",
    length_mm: float = 30.0,
    **options: object,
) -> PlacedScrew:
    """A screw of the built-in catalogue."""
    return PlacedScrew("S1", built_in_screws()[screw], length_mm, entry_mm, target_mm, **options)  # type: ignore[arg-type]
