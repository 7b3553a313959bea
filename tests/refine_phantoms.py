"""Bones whose true edge and cortex are known, as a scanner would show them.

Independent of the fit: a shape is filled on a grid finer than the voxels, blurred by a Gaussian and averaged
over each voxel's box; the layered block is a closed form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from phantoms import FWHM_PER_SIGMA, as_ct, grid_around, points_of, step
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.spatial.transform import Rotation

from segmentation.vocabulary import CTVolume, Floats, Grid

Field = Callable[[Floats], Floats]
"""Places (..., 3) → one number each, or one place."""

FINE_COUNT = 3
"""Fine cells along a voxel's edge."""

MARGIN_MM = 4.0


@dataclass(frozen=True)
class Phantom:
    """A scan and its truth. ``inside_mm`` is the signed depth below the true outer edge, in patient mm."""

    ct: CTVolume
    inside_mm: Field
    thickness_mm: Field
    cortex_hu: Field


def filled(
    grid: Grid,
    foot: Field,
    radius_mm: float,
    thickness_mm: Field,
    cortex_hu: Field,
    *,
    inner_hu: Field | float = 150.0,
    outer_hu: Field | float = 20.0,
    fwhm_mm: float = 0.8,
    fwhm_z_mm: float | None = None,
    turn: Floats | None = None,
    ringing: float = 0.0,
    noise_hu: float = 20.0,
    seed: int = 0,
    dtype: type = np.int16,
) -> Phantom:
    """A shell over a core, ``radius_mm`` about its axis or centre.

    ``foot`` gives a place's nearest on the axis; the cortex's numbers are taken where the place's ray meets
    the outer edge, so that a thickness is the way along the normal. ``turn`` (3, 3) takes the shape's own
    frame to the patient's.

    ``ringing`` k sharpens: (1 + k) · blur by fwhm − k · blur by twice that, as a sharp kernel does.
    """
    turn = np.eye(3) if turn is None else turn
    shape = np.array(grid.shape)
    fine_mm = grid.spacing_mm / FINE_COUNT
    steps = [(np.arange(n * FINE_COUNT) - (FINE_COUNT - 1) / 2) / FINE_COUNT for n in shape]
    axes = [grid.affine[a, 3] + steps[a] * grid.spacing_mm[a] for a in range(3)]
    hu = np.empty(shape * FINE_COUNT, np.float32)
    for i, x in enumerate(axes[0]):  # in layers, for the memory
        own = np.stack(np.meshgrid([x], axes[1], axes[2], indexing="ij"), axis=-1)[0] @ turn
        depth, above = _depth_and_edge(own, foot, radius_mm)
        thickness = thickness_mm(above)
        width = fine_mm.mean()
        out, inn = (np.clip(d / width + 0.5, 0, 1) for d in (depth, depth - thickness))
        outer = outer_hu(own) if callable(outer_hu) else outer_hu
        inner = inner_hu(own) if callable(inner_hu) else inner_hu
        hu[i] = outer * (1 - out) + cortex_hu(above) * (out - inn) + inner * inn
    sigma = np.array([fwhm_mm, fwhm_mm, fwhm_z_mm or fwhm_mm]) / FWHM_PER_SIGMA / fine_mm
    blurred = gaussian_filter(hu, sigma, mode="nearest", truncate=4)
    if ringing:
        blurred = (1 + ringing) * blurred - ringing * gaussian_filter(
            hu, 2 * sigma, mode="nearest", truncate=4
        )
    voxels = blurred.reshape(*np.stack([shape, [FINE_COUNT] * 3], axis=1).ravel()).mean(axis=(1, 3, 5))
    noisy = voxels + np.random.default_rng(seed).normal(0, noise_hu, voxels.shape)
    values = noisy.round().astype(np.int16) if dtype is np.int16 else noisy.astype(np.float32)
    return Phantom(
        CTVolume(grid, np.asfortranarray(values), "phantom"),
        lambda p: _depth_and_edge(p @ turn, foot, radius_mm)[0],
        lambda p: thickness_mm(_depth_and_edge(p @ turn, foot, radius_mm)[1]),
        lambda p: cortex_hu(_depth_and_edge(p @ turn, foot, radius_mm)[1]),
    )


def _depth_and_edge(own: Floats, foot: Field, radius_mm: float) -> tuple[Floats, Floats]:
    """Depth below the outer edge, and the nearest place on it."""
    centre = foot(own)
    away = own - centre
    distance = np.linalg.norm(away, axis=-1, keepdims=True)
    return radius_mm - distance[..., 0], centre + away * (radius_mm / np.maximum(distance, 1e-9))


def waving(low: float, high: float, length_mm: float, direction: tuple[float, float, float]) -> Field:
    """A number that waves between ``low`` and ``high`` with this wavelength along a direction."""
    along = np.asarray(direction) / np.linalg.norm(direction)

    def value(p: Floats) -> Floats:
        return (low + high) / 2 + (high - low) / 2 * np.sin(2 * np.pi * (p @ along) / length_mm)

    return value


def constant(level: float) -> Field:
    return lambda p: np.full(p.shape[:-1], level)


def texture(sd_hu: float, grain_mm: float, *, base_hu: float = 150.0, half_mm: float = 16.0) -> Field:
    """Cancellous bone: smooth noise of this deviation and grain (full width at half maximum)."""
    cell = grain_mm / 2
    size = int(2 * half_mm / cell) + 1
    white = np.random.default_rng(5).normal(size=(size, size, size))
    grains = gaussian_filter(white, grain_mm / FWHM_PER_SIGMA / cell)
    grains *= sd_hu / grains.std()

    def value(p: Floats) -> Floats:
        places = np.moveaxis(p + half_mm, -1, 0) / cell
        return base_hu + map_coordinates(grains, places, order=1, mode="nearest")

    return value


def ball(
    radius_mm: float,
    thickness_mm: Field,
    cortex_hu: Field,
    *,
    voxel_mm: tuple[float, float, float] = (0.5, 0.5, 0.5),
    margin_mm: float = MARGIN_MM,
    **options: object,
) -> Phantom:
    """A ball with a shell."""
    grid = grid_around((radius_mm + margin_mm,) * 3, voxel_mm)
    return filled(grid, np.zeros_like, radius_mm, thickness_mm, cortex_hu, **options)  # type: ignore[arg-type]


def tube(
    radius_mm: float,
    half_length_mm: float,
    thickness_mm: Field,
    cortex_hu: Field,
    *,
    voxel_mm: tuple[float, float, float] = (0.5, 0.5, 0.5),
    turn_degree: float = 25.0,
    cut_mm: float | None = None,
    **options: object,
) -> Phantom:
    """A round bone with closed, rounded ends (half balls), leaning by ``turn_degree``.

    ``cut_mm``: the scan ends so far above and below the middle.
    """
    turn = Rotation.from_rotvec(np.radians(turn_degree) * np.array([0.8, 0.6, 0.0])).as_matrix()
    reach = np.abs(turn[:, 2]) * half_length_mm + radius_mm + MARGIN_MM

    if cut_mm is not None:
        reach[2] = cut_mm

    def foot(p: Floats) -> Floats:
        return np.clip(p, [0, 0, -half_length_mm], [0, 0, half_length_mm])

    grid = grid_around(tuple(reach), voxel_mm)
    return filled(grid, foot, radius_mm, thickness_mm, cortex_hu, turn=turn, **options)  # type: ignore[arg-type]


BLOCK_LAYERS_MM = (1.5, 8.0, 1.2, 8.0, 1.5)
BLOCK_HU = (1400.0, 250.0, 40.0, 350.0, 1200.0)
BLOCK_SOFT_HU = 40.0
"""Two pieces of bone, each with a cortex on its far side and none on the face towards the gap."""


def layered_block(
    turn: Floats,
    *,
    half_width_mm: float = 9.0,
    voxel_mm: tuple[float, float, float] = (0.4, 0.4, 0.5),
    fwhm_mm: float = 0.7,
    noise_hu: float = 12.0,
    seed: int = 0,
) -> CTVolume:
    """The block standing along its own z axis about the origin, turned: blurred edges are error functions."""
    total = sum(BLOCK_LAYERS_MM)
    half = np.abs(turn) @ np.array([half_width_mm, half_width_mm, total / 2]) + MARGIN_MM
    grid = grid_around(tuple(half), voxel_mm)
    own = points_of(grid) @ turn
    across = step(half_width_mm - np.abs(own[..., 0]), fwhm_mm) * step(
        half_width_mm - np.abs(own[..., 1]), fwhm_mm
    )
    column, before, at = np.zeros(grid.shape), BLOCK_SOFT_HU, -total / 2
    for layer, level in zip((*BLOCK_LAYERS_MM, 0.0), (*BLOCK_HU, BLOCK_SOFT_HU), strict=True):
        column += (level - before) * step(own[..., 2] - at, fwhm_mm)
        before, at = level, at + layer
    return as_ct(grid, BLOCK_SOFT_HU + across * column, noise_hu=noise_hu, seed=seed)
