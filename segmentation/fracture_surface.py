"""The fracture between each two fragments: the surface halfway, its mean plane, its waviness and its gap.

Labels tell which fragments face each other (``height_field.py``), grey values where the gap's middle lies and
how wide it is (``gap_map.py``). Measured on tubes broken at 20 and 40° (scan of 0.4 mm, blur 0.8 mm, noise
30 HU, gaps 0.5 to 2 mm): mean plane within 0.5° and 0.05 mm, median gap within 0.15 mm
(tests/test_fracture_surface.py), where the distance between thresholded faces reads 0 for a gap of 0.5 mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.gap_map import GapMap, gap_map
from segmentation.height_field import CELL_MM, HeightField, fitted_plane, height_field
from segmentation.how_found import PointSpread
from segmentation.vocabulary import CTVolume, Floats, FractureSurface, Fragment, Ints, Surface

USUAL_FWHM_MM = 0.8
"""The blur where it was not measured, without the voxel's own. Common practice: standard kernels show 0.6 to
1.3 mm."""

FWHM_PER_SIGMA_RATIO = float(2 * np.sqrt(2 * np.log(2)))
"""Full width at half maximum of a Gaussian over its deviation (closed form)."""

RIM_MM = 3.0
"""So near the border a gap is less certain. From a study on phantoms: off by 0.3 to 0.4 mm there."""

INNER_FRACTION = 0.2
"""With less of the surface measured away from the rim, the rim counts too. Our choice: thin bones are all
rim."""

CONTACT_BELOW_MM = 0.3
"""A gap below this is contact. Our choice: five times the scatter of a cell's gap on phantoms."""

LABEL_SD_MM = 0.25
"""Deviation of the surface where no gap is seen and labels alone place it. Published by the study on
phantoms: cuts are 0.1 to 0.25 mm off (RMS)."""

ALIKE_MM2 = 6.0
"""Errors of places within such an area are alike. Derived: 4π times the pooling's variance, twice."""

SYSTEMATIC_DEGREE = 0.3
"""What remains of a plane's error when noise is gone: walls that grade into each other. Measured on oblique
tubes (tests/test_fracture_surface.py)."""

NINETY_PERCENT_FACTOR = 1.645
"""From the middle to the 95th percentile of a Gaussian, in deviations (closed form)."""

NOT_MEASURABLE = "gap not measurable: what lies in it is as dense as the bone beside it, or too little faces"


def fracture_surfaces(
    ct: CTVolume,
    labels: npt.NDArray[Any],
    fragments: Sequence[Fragment],
    spread: PointSpread | None = None,
) -> tuple[FractureSurface, ...]:
    """The fracture surface of each two facing fragments of the same bone, in the order of their numbers.

    ``labels`` (i, j, k) hold n where fragment n is. Without ``spread`` the scanner's blur is taken as usual.
    """
    found = []
    for first, second in combinations(fragments, 2):
        if first.bone == second.bone:
            surface = fracture_between(ct, labels, (first.number, second.number), spread)
            if surface is not None:
                found.append(surface)
    return tuple(found)


def fracture_between(
    ct: CTVolume, labels: npt.NDArray[Any], between: tuple[int, int], spread: PointSpread | None = None
) -> FractureSurface | None:
    """The surface halfway between two labels; None where they do not face each other within 3 mm."""
    field = height_field(labels, *between, ct.grid)
    if field is None:
        return None
    return _told(gap_map(ct, field, _fwhm_mm(ct, field.normal, spread)), between)


def _fwhm_mm(ct: CTVolume, normal: Floats, spread: PointSpread | None) -> float:
    """The blur along a direction, the voxel's own extent included."""
    spacing = ct.grid.spacing_mm
    if spread is None:
        # A box of width w has the variance w²/12 (closed form).
        return float(np.sqrt(USUAL_FWHM_MM**2 + FWHM_PER_SIGMA_RATIO**2 * np.mean(spacing**2) / 12))
    axis = ct.grid.affine[:3, ct.grid.slice_axis] / spacing[ct.grid.slice_axis]
    share = float(normal @ axis) ** 2
    variance = (1 - share) * spread.sigma_xy_mm**2 + share * spread.sigma_z_mm**2
    return float(FWHM_PER_SIGMA_RATIO * np.sqrt(variance))


def _told(measured: GapMap, between: tuple[int, int]) -> FractureSurface:
    """The surface and its figures."""
    field = measured.field
    at = field.facing
    cells = field.cell_mm2[at]
    point, normal, residual, uncertainty = _mean_plane(field, measured.position_sd_mm)
    at_rim = (ndimage.distance_transform_edt(np.pad(at, 1))[1:-1, 1:-1] * CELL_MM <= RIM_MM)[at]
    # As exact as the file keeps it, so that a case read back is the same.
    gap = measured.gap_mm[at].astype(np.float32).astype(np.float64)
    known = np.isfinite(gap)
    inner = known & ~at_rim
    counted = inner if cells[inner].sum() >= INNER_FRACTION * cells.sum() else known
    told: dict[str, Any] = {
        "contact_area_mm2": None,
        "gap_median_mm": None,
        "gap_p95_mm": None,
        "gap_largest_mm": None,
        "gap_reason": NOT_MEASURABLE,
    }
    if counted.any():
        widths, areas = gap[counted], cells[counted]
        told = {
            "contact_area_mm2": float(areas[widths < CONTACT_BELOW_MM].sum()),
            "gap_median_mm": _weighted_percentile(widths, areas, 1 / 2),
            "gap_p95_mm": _weighted_percentile(widths, areas, HIGH_FRACTION),
            "gap_largest_mm": float(widths.max()),
            "gap_reason": None,
        }
    vertices, faces = _triangles(field)
    return FractureSurface(
        between=between,
        surface=Surface(vertices, faces),
        gap_mm=gap,
        at_rim=at_rim,
        seen=measured.seen[at],
        point_mm=point,
        normal=normal,
        normal_uncertainty_degree=uncertainty,
        waviness_rms_mm=float(np.sqrt(np.average(residual**2, weights=cells))),
        waviness_p95_mm=_weighted_percentile(np.abs(residual), cells, HIGH_FRACTION),
        area_mm2=float(cells.sum()),
        measured_area_mm2=float(cells[counted].sum()),
        contact_below_mm=CONTACT_BELOW_MM,
        fill_hu=measured.fill_hu,
        fill_measured=measured.fill_measured,
        **told,
    )


HIGH_FRACTION = 0.95
"""The high percentile of a map (the project's own word for high)."""


def _mean_plane(field: HeightField, position_sd_mm: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Middle, normal, distances of the cells from the plane, and the normal's uncertainty in degrees."""
    at = field.facing
    plan = np.stack(np.meshgrid(field.rows_mm, field.columns_mm, indexing="ij"), axis=-1)[at]
    heights = field.height_mm[at]
    even = np.ones(len(plan))
    slope_u, slope_v, offset = fitted_plane(plan, heights, even)
    normal = field.normal - slope_u * field.u - slope_v * field.v
    length = float(np.linalg.norm(normal))
    middle = plan.mean(axis=0)
    height = slope_u * middle[0] + slope_v * middle[1] + offset
    point = field.origin_mm + middle[0] * field.u + middle[1] * field.v + height * field.normal
    residual = (heights - plan @ np.array([slope_u, slope_v]) - offset) / length
    # Least squares: slopes = (P'P)⁻¹ P' heights, P about its middle; errors alike over ALIKE_MM2.
    about = plan - middle
    inverse = np.linalg.pinv(about.T @ about)
    sd = np.nan_to_num(position_sd_mm[at], nan=LABEL_SD_MM)
    spread = inverse @ (about.T * sd**2) @ about @ inverse * (ALIKE_MM2 / CELL_MM**2)
    worst = float(np.sqrt(np.linalg.eigvalsh(spread).max()))
    uncertainty = NINETY_PERCENT_FACTOR * np.hypot(np.degrees(np.arctan(worst)), SYSTEMATIC_DEGREE)
    return point, normal / length, residual, float(uncertainty)


def _triangles(field: HeightField) -> tuple[Floats, Ints]:
    """The cells' middles as vertices, and triangles between neighbours, facing along the normal."""
    number = np.full(field.facing.shape, -1, np.int32)
    number[field.facing] = np.arange(field.facing.sum())
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    corners = [np.stack(three, axis=-1).reshape(-1, 3) for three in ((a, b, c), (a, c, d))]
    # Where one corner of a square is missing, the other three still make a triangle.
    odd = [(a, b, d, c), (b, c, d, a)]
    for one, two, three, missing in odd:
        corners.append(np.where((missing < 0)[..., None], np.stack((one, two, three), -1), -1).reshape(-1, 3))
    faces = np.concatenate(corners)
    return field.points_mm[field.facing], np.asarray(faces[(faces >= 0).all(axis=1)], np.int32)


def _weighted_percentile(values: Floats, weights: Floats, share_fraction: float) -> float:
    order = np.argsort(values)
    summed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(summed, share_fraction * summed[-1])])
