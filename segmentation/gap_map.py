"""Where a fracture gap's middle lies and how wide it is, from the bone that is missing along profiles.

Profiles run along the surface's local normals; neighbours are pooled. Between the flanks, the bone on both
sides, grey values fall short by an area (HU · mm) that the scanner's blur does not change:

    gap = ∫ (flank − HU) dt / (flank − fill)

so a gap narrower than the blur is measured, where the distance between thresholded faces reads nothing. The
middle is that area's centroid. The fill is what lies in the gap: measured in its middle where the gap is
wider than 1.5 times the blur, else assumed. Taking 85 for 45 HU adds 20 % to a gap in cancellous bone (from a
study on phantoms). Expected error of the median: 0.1 mm (tests/test_fracture_surface.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.special import erf

from segmentation.height_field import HeightField, Mask, fitted_plane, smoothed
from segmentation.vocabulary import CTVolume, Floats

FILL_HU = 45.0
"""What is taken to lie in a gap too narrow to show it. Common practice: soft tissue and clotted blood 30 to
70 HU."""

FILL_SEEN_FWHM_RATIO = 1.5
"""A gap this much wider than the blur shows its fill in the middle. From a study on phantoms."""

FILL_PLACES_COUNT = 30
"""So many cells must show the fill. Our choice."""

NEAR_FLANK_HU = 60.0
"""With less between flank and fill no gap can be told from bone. From a study on phantoms."""

POSITION_POOL_MM, GAP_POOL_MM = 0.5, 0.9
"""Deviations of the Gaussians over which profiles are pooled for place and gap: about discs of 0.8 and 1.5 mm
radius. From a study on phantoms."""

STEP_MM, REACH_MM = 0.15, 4.5
"""Profiles are sampled so densely and so far either way. Our choice."""

WINGS_FWHM_RATIO, FLANK_MM = 1.1, 1.5
"""The missing area is taken to so many blurs beyond the gap's edge, and the flank from there so much farther.
Our choice: a Gaussian edge is over at 0.9 of its width."""

SEEN_DEVIATIONS_COUNT = 3.0
"""A gap is seen where its area exceeds its own noise so many times. Common practice."""

GRAIN_MM = 0.7
"""Length over which a profile's scatter is alike. From memory: trabecular spacing 0.5 to 1 mm."""

FARTHEST_SHIFT_MM = 0.6
"""A centroid moves the surface no more than this in one pass. Our choice."""

PASSES_COUNT = 2
"""Passes of the centroid. From a study on phantoms: a third changes nothing."""

MIDDLE_MM = 0.2
"""Half length over which the gap's middle is averaged for its fill. Our choice."""

SMOOTHING_MM = 0.8
"""Deviation of the Gaussian that carries heights over places that show no gap. Our choice."""


@dataclass(frozen=True, eq=False)
class GapMap:
    """The surface in the middle of the gap, and per cell (rows, columns) the gap's width.

    ``seen`` tells where grey values show a gap at all; ``gap_mm`` is NaN where it cannot be measured.
    ``position_sd_mm`` is the deviation of the surface's place, NaN where it was not seen.
    ``fill_measured`` tells whether ``fill_hu`` was measured or assumed.
    """

    field: HeightField
    gap_mm: Floats
    seen: Mask
    position_sd_mm: Floats
    fill_hu: float
    fill_measured: bool


@dataclass(frozen=True, eq=False)
class _Missing:
    """Per cell: missing area (HU · mm), its noise, its centroid with a deviation, the mean of both flanks,
    and how far they differ or scatter, of their contrast to the fill."""

    area: Floats
    centroid_mm: Floats
    centroid_sd_mm: Floats
    noise: Floats
    flank_hu: Floats
    unlike_fraction: Floats


def gap_map(ct: CTVolume, field: HeightField, fwhm_mm: float) -> GapMap:
    """``field`` moved into the middle of the gap it lies near, and the gap measured.

    ``fwhm_mm`` is the scanner's blur along the plane's normal, half-maximum width.
    """
    gap = np.full(field.facing.shape, fwhm_mm)
    seen = np.zeros_like(field.facing)
    sigma_mm = _profile_sigma_mm(ct, fwhm_mm)
    for _ in range(PASSES_COUNT):
        along = _directions(ct, field)
        missing = _missing(_pooled(ct, field, along, POSITION_POOL_MM), _lean(field, along), gap, fwhm_mm)
        seen = _seen(missing, _complete(ct, field, along, gap, fwhm_mm))
        field = _moved(field, missing, seen)
        gap = _gap_mm(missing, seen, FILL_HU, fwhm_mm)
    along = _directions(ct, field)
    profiles = _pooled(ct, field, along, GAP_POOL_MM)
    missing = _missing(profiles, _lean(field, along), gap, fwhm_mm)
    complete = _complete(ct, field, along, gap, fwhm_mm)
    seen = _seen(missing, complete)
    fill = _fill_hu(profiles, missing, seen, fwhm_mm, sigma_mm)
    fill_hu = FILL_HU if fill is None else fill
    measurable = complete & (missing.flank_hu - fill_hu >= NEAR_FLANK_HU)
    width = np.where(measurable, np.maximum(_width_mm(missing, fill_hu), 0), np.nan)
    position_sd = np.where(seen, missing.centroid_sd_mm, np.nan)
    return GapMap(field, width, seen, position_sd, fill_hu, fill is not None)


def _ticks() -> Floats:
    half = round(REACH_MM / STEP_MM)
    return np.asarray(np.arange(-half, half + 1) * STEP_MM, float)


def _directions(ct: CTVolume, field: HeightField) -> Floats:
    """(facing cells, 3) where profiles run: along the local normal, but near the outer surface along the
    wall, so that they stay in the same kind of bone."""
    normals = field.local_normals[field.facing]
    spacing = ct.grid.spacing_mm
    soft = ndimage.gaussian_filter(field.depth_mm, WALL_SMOOTHING_MM / spacing)
    slopes = np.stack(np.gradient(soft, *spacing), axis=-1) @ np.linalg.inv(ct.grid.affine[:3, :3] / spacing)
    ijk = (ct.grid.mm_to_ijk(field.points_mm[field.facing]) - field.offset_ijk).T
    depth, *inward = (
        ndimage.map_coordinates(values, ijk, order=1, mode="nearest")
        for values in (field.depth_mm, *np.moveaxis(slopes, -1, 0))
    )
    wall = np.stack(inward, axis=1)
    wall /= np.maximum(np.linalg.norm(wall, axis=1, keepdims=True), 1 / 2)
    share = np.clip((WALL_DEPTH_MM + 1 - depth), 0, 1)
    along = normals - (share * np.einsum("ij,ij->i", normals, wall))[:, None] * wall
    # Where the wall runs along the normal itself nothing is left to follow.
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), np.finfo(float).tiny)
    steep = np.einsum("ij,ij->i", along, normals) < STEEPEST_FRACTION
    return np.where(steep[:, None], normals, along)


WALL_DEPTH_MM, WALL_SMOOTHING_MM = 3.0, 1.0
"""So near the outer surface profiles follow it; its direction is taken from distances smoothed so much. Our
choice: within a cortex and what grades into it."""

STEEPEST_FRACTION = 0.5
"""A wall that meets the fracture at less than 30° is not followed. Our choice."""


def _pooled(ct: CTVolume, field: HeightField, along: Floats, pool_mm: float) -> Floats:
    """(rows, columns, ticks) HU along the profiles, averaged over neighbours; NaN where unknown."""
    points = field.points_mm[field.facing]
    places = points[:, None, :] + _ticks()[:, None] * along[:, None, :]
    ijk = ct.grid.mm_to_ijk(places.reshape(-1, 3))
    low = np.floor(ijk.min(axis=0)).astype(int)
    high = np.ceil(ijk.max(axis=0)).astype(int) + 1
    low, high = np.maximum(low, 0), np.minimum(high, ct.grid.shape)
    crop = ct.hu[tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))]
    hu = ndimage.map_coordinates(crop, (ijk - low).T, output=float, order=1, mode="nearest")
    profiles = np.zeros((*field.facing.shape, len(_ticks())))
    profiles[field.facing] = hu.reshape(len(points), -1)
    return smoothed(profiles, field.facing.astype(float), pool_mm)


def _lean(field: HeightField, along: Floats) -> Floats:
    """(rows, columns) cosine between profiles and local normals; 1 where nothing faces."""
    lean = np.ones(field.facing.shape)
    lean[field.facing] = np.einsum("ij,ij->i", along, field.local_normals[field.facing])
    return lean


def _missing(profiles: Floats, lean: Floats, gap_mm: Floats, fwhm_mm: float) -> _Missing:
    """What is missing between the flanks of each profile, measured square to the surface."""
    ticks = _ticks()
    half = np.minimum(gap_mm / 2 / lean + WINGS_FWHM_RATIO * fwhm_mm, REACH_MM - FLANK_MM)[..., None]
    levels, scatter = [], []
    for side in (-1, 1):
        wing = (side * ticks >= half) & (side * ticks <= half + FLANK_MM)
        count = np.maximum(wing.sum(axis=-1), 1)
        level = (profiles * wing).sum(axis=-1) / count
        levels.append(level)
        scatter.append((((profiles - level[..., None]) * wing) ** 2).sum(axis=-1) / count)
    # Grey values take the step between unlike flanks where the gap is.
    flank = np.where(ticks < 0, levels[0][..., None], levels[1][..., None])
    flank[..., len(ticks) // 2] = (levels[0] + levels[1]) / 2
    within = np.clip((half - np.abs(ticks)) / STEP_MM + 1 / 2, 0, 1)
    short = (flank - profiles) * within * STEP_MM
    area = short.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        # The centroid from a narrower window: bone's own changes beside the gap would pull at it.
        near = short * np.clip(
            (half - CENTROID_LESS_FWHM_RATIO * fwhm_mm - np.abs(ticks)) / STEP_MM + 1 / 2, 0, 1
        )
        centroid = (near * ticks).sum(axis=-1) / near.sum(axis=-1)
    scatter_hu = np.sqrt((scatter[0] + scatter[1]) / 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        contrast = (levels[0] + levels[1]) / 2 - FILL_HU
        unlike = np.maximum(np.abs(levels[0] - levels[1]), scatter_hu) / contrast
    # Independent grains within the window, and the flanks' own mean, known from as many.
    noise = scatter_hu * np.sqrt(2 * half[..., 0] * GRAIN_MM) * np.sqrt(1 + half[..., 0] / FLANK_MM)
    inner = half[..., 0] - CENTROID_LESS_FWHM_RATIO * fwhm_mm
    with np.errstate(invalid="ignore", divide="ignore"):
        # Deviation of the first moment of independent grains over ± inner (derived).
        centroid_sd = scatter_hu * np.sqrt(GRAIN_MM * 2 * inner**3 / 3) / area
    return _Missing(
        area * lean,
        centroid * lean,
        centroid_sd * lean,
        noise * lean,
        (levels[0] + levels[1]) / 2,
        np.abs(unlike),
    )


def _complete(ct: CTVolume, field: HeightField, along: Floats, gap_mm: Floats, fwhm_mm: float) -> Mask:
    """Where profiles run in bone to the end of both flanks, clear of its outer surface."""
    half = gap_mm / 2 / _lean(field, along) + WINGS_FWHM_RATIO * fwhm_mm
    half = np.minimum(half, REACH_MM - FLANK_MM)[field.facing]
    points = field.points_mm[field.facing]
    fine = np.ones(len(points), bool)
    for side, to_mm in ((-1, field.to_first_mm), (1, field.to_second_mm)):
        for beyond_mm in (0.0, FLANK_MM):
            places = points + side * (half + beyond_mm)[:, None] * along
            ijk = ct.grid.mm_to_ijk(places) - field.offset_ijk
            depth = -ndimage.map_coordinates(to_mm, ijk.T, order=1, mode="constant", cval=REACH_MM)
            fine &= depth > CLEAR_FWHM_RATIO * fwhm_mm
    result = np.zeros_like(field.facing)
    result[field.facing] = fine
    return result


CLEAR_FWHM_RATIO = 0.5
"""Flanks are taken so many blurs below the outer surface. Our choice: there a Gaussian edge has reached 88
%."""


def _seen(missing: _Missing, complete: Mask) -> Mask:
    """Where the missing area stands out of its noise."""
    with np.errstate(invalid="ignore"):
        return np.asarray(complete & (missing.area > SEEN_DEVIATIONS_COUNT * missing.noise))


def _moved(field: HeightField, missing: _Missing, seen: Mask) -> HeightField:
    """``field`` at the centroids where both flanks are alike; elsewhere it keeps its shape and follows
    them."""
    with np.errstate(invalid="ignore"):
        sure = seen & (missing.unlike_fraction < UNLIKE_FRACTION)
        sure &= np.abs(missing.centroid_mm) < FARTHEST_SHIFT_MM
    if sure.sum() < FEWEST_CELLS_COUNT:
        return field
    lean = np.einsum("ijk,k->ij", field.local_normals, field.normal)
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = missing.centroid_mm / np.maximum(lean, 1 / 2)
        weight = np.where(sure, np.minimum(missing.area / missing.noise, SUREST_RATIO) ** 2, 0.0)
    plan = np.stack(np.meshgrid(field.rows_mm, field.columns_mm, indexing="ij"), axis=-1)
    overall = _trend_mm(plan, shift, weight)
    rest = np.where(sure, shift - overall, 0.0)
    near = np.nan_to_num(smoothed(rest, weight + 1e-9, SMOOTHING_MM))
    # Where nothing sure is near, only the trend moves it.
    share = smoothed(sure.astype(float), field.facing.astype(float), SMOOTHING_MM)
    return field.with_heights(field.height_mm + overall + near * np.nan_to_num(np.clip(2 * share, 0, 1)))


def _trend_mm(plan: Floats, shift_mm: Floats, weight: Floats) -> Floats:
    """The plane through the shifts, without those far off it."""
    sure = weight > 0
    kept = weight.copy()
    overall = np.zeros_like(shift_mm)
    for _ in range(TREND_PASSES_COUNT):
        slope_u, slope_v, offset = fitted_plane(plan[sure], shift_mm[sure], kept[sure])
        overall = plan[..., 0] * slope_u + plan[..., 1] * slope_v + offset
        off = np.abs(shift_mm - overall)
        typical = max(float(np.median(off[sure])), STEP_MM / 2)
        kept = weight * np.clip(1 - (off / (OUTLIER_MEDIANS_COUNT * typical)) ** 2, 0, None) ** 2
        kept[~sure] = 0
    return overall


TREND_PASSES_COUNT, OUTLIER_MEDIANS_COUNT = 5, 6.0
"""The trend is fitted so often, with Tukey's weights that end at so many median distances (common practice:
about 4.7 deviations)."""

UNLIKE_FRACTION = 0.2
"""Flanks that differ by more, cortex and spongy bone, pull the centroid to one side. Our choice, on
phantoms."""

FEWEST_CELLS_COUNT = 20
"""Fewer sure cells, about 5 mm², move nothing. Our choice."""

CENTROID_LESS_FWHM_RATIO = 0.3
"""The centroid's window is so many blurs narrower either way than the area's. Our choice."""

SUREST_RATIO = 3.0
"""A centroid counts no more than with so many times its noise. Our choice: cortex must not drown the rest."""


def _width_mm(missing: _Missing, fill_hu: float) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(missing.area / (missing.flank_hu - fill_hu))


def _gap_mm(missing: _Missing, seen: Mask, fill_hu: float, fwhm_mm: float) -> Floats:
    """A smooth first width for the windows, never negative or wild."""
    width = np.where(seen & (missing.flank_hu - fill_hu > NEAR_FLANK_HU), _width_mm(missing, fill_hu), 0.0)
    width = np.clip(width, 0, 2 * (REACH_MM - FLANK_MM - WINGS_FWHM_RATIO * fwhm_mm))
    return np.nan_to_num(smoothed(width, seen.astype(float), 2 * GAP_POOL_MM), nan=fwhm_mm)


def _profile_sigma_mm(ct: CTVolume, fwhm_mm: float) -> float:
    """The blur of a profile: the scanner's and that of reading between voxels (variance edge²/6, derived)."""
    sigma = fwhm_mm / (2 * np.sqrt(2 * np.log(2)))
    return float(np.sqrt(sigma**2 + np.mean(ct.grid.spacing_mm**2) / 6))


def _fill_hu(
    profiles: Floats, missing: _Missing, seen: Mask, fwhm_mm: float, sigma_mm: float
) -> float | None:
    """The grey value in the middle of the gap with the blur of its edges taken off; None where too narrow."""
    with np.errstate(invalid="ignore"):
        able = seen & (missing.flank_hu - FILL_HU > NEAR_FLANK_HU)
    if able.sum() < FILL_PLACES_COUNT:
        return None
    # Judged together: single cells would be chosen for their noise.
    usual_mm = float(np.median(_width_mm(missing, FILL_HU)[able]))
    if usual_mm <= FILL_SEEN_FWHM_RATIO * fwhm_mm:
        return None
    ticks = _ticks()[np.abs(_ticks()) <= MIDDLE_MM]
    seen_hu = profiles[..., np.abs(_ticks()) <= MIDDLE_MM].mean(axis=-1)[able]
    flank, area = missing.flank_hu[able], missing.area[able]
    fill: npt.NDArray[np.float64] = np.full(len(flank), FILL_HU)
    for _ in range(FILL_PASSES_COUNT):
        half = (area / np.maximum(flank - fill, NEAR_FLANK_HU))[:, None] / 2
        clear = (
            erf((half - ticks) / (np.sqrt(2) * sigma_mm)) + erf((half + ticks) / (np.sqrt(2) * sigma_mm))
        ) / 2
        clear = np.maximum(clear.mean(axis=1), 1 / 2)
        fill = (seen_hu - flank * (1 - clear)) / clear
    return float(np.median(fill))


FILL_PASSES_COUNT = 5
"""Width and fill are found in turns so often. Our choice: they settle in three."""
