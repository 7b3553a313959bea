"""The line from HU to density by rods of known density that lie in the scan.

The mean HU of each rod's core is fitted by HU = c + d · density (least squares: the densities are known, the
HU scatter), and turned round: density = (HU − c) / d. The scatter about the line gives slope, intercept and
their covariance (first-order propagation), widened by Student's t so that the 90 % interval of few rods
covers. What rods beside the patient cannot show (another place in the beam, another depth of tissue) is the
relative part of the error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, t

from segmentation.calibration import (
    LARGEST_INTERCEPT_MG_CM3,
    LARGEST_SLOPE_MG_CM3_PER_HU,
    SMALLEST_SLOPE_MG_CM3_PER_HU,
)
from segmentation.errors import InputError
from segmentation.rods_file import FEWEST_RODS_COUNT, Rod
from segmentation.vocabulary import NO_DATA_BELOW_HU, Calibration, CTVolume, Floats, HADensity

CORE_FRACTION = 0.6
"""Of a rod's radius so much is read. Our choice: 1.6 mm from the wall of a rod of 8 mm, blur does not reach
it."""

RODS_STANDARD_ERROR_FRACTION = 0.04
"""Bone against rods of the same scan. Common practice: 3 to 5 % with a phantom in the field."""

NINETIETH_FRACTION = 0.95
"""Upper end of a 90 % interval (the intervals of every force are 5th to 95th percentile)."""

FEWEST_VOXELS_COUNT = 30
"""A rod's mean rests on so many voxels at least. Our choice."""

UNEVEN_HU = 15.0
"""Two halves of a rod's core may differ by so much and their own noise. Our choice: 1 % of a cortex."""

UNEVEN_STANDARD_ERRORS_COUNT = 5.0
"""Noise of a half's mean that is let through. Our choice: its voxels are not independent."""

OFF_LINE_FRACTION = 0.05
"""Root mean square of the rods about their line, relative to the range of their densities, that is let
through. Our choice: a phantom's rods lie within 1 %, two swapped densities do not."""

MG_PER_G_FACTOR = 1000.0
"""mg in a g (definition)."""


@dataclass(frozen=True, eq=False)
class Line:
    """density = slope · HU + intercept, with the standard errors of both and their correlation."""

    slope_mg_cm3_per_hu: float
    intercept_mg_cm3: float
    slope_standard_error_mg_cm3_per_hu: float
    intercept_standard_error_mg_cm3: float
    correlation_ratio: float
    scatter_mg_cm3: float


def calibrate_by_rods(
    ct: CTVolume, rods: Sequence[Rod], density: HADensity, *, told: str, further_error_fraction: float = 0.0
) -> Calibration:
    """The line by ``rods`` whose HA-equivalent densities (n,) in g/cm³ are ``density``.

    ``told`` says in a few words what the rods are; ``further_error_fraction`` is the relative standard error
    of ``density`` itself. Raises InputError where a rod is not of one grey value or the rods lie on no line.
    """
    density_mg_cm3 = np.asarray(density) * MG_PER_G_FACTOR
    hu = np.array([rod_hu(ct, rod) for rod in rods])
    line = fitted_line(hu, density_mg_cm3)
    _check_line(line, hu, density_mg_cm3)
    pairs = ", ".join(f"{d:.0f} at {h:.0f} HU" for d, h in zip(density_mg_cm3, hu, strict=True))
    return Calibration(
        "rods-in-the-scan",
        line.slope_mg_cm3_per_hu,
        line.intercept_mg_cm3,
        math.hypot(RODS_STANDARD_ERROR_FRACTION, further_error_fraction),
        f"{told}: {pairs} (mg HA/cm³), scatter about the line {line.scatter_mg_cm3:.1f} mg/cm³",
        line.slope_standard_error_mg_cm3_per_hu,
        line.intercept_standard_error_mg_cm3,
        line.correlation_ratio,
    )


def fitted_line(hu: Floats, density_mg_cm3: Floats) -> Line:
    """The line through (n,) HU of rods of (n,) known densities, at least three of them."""
    count = len(hu)
    if count < FEWEST_RODS_COUNT:
        raise InputError(
            f"a line with its error needs {FEWEST_RODS_COUNT} rods or more (got {count}); give more"
        )
    design = np.column_stack([np.ones(count), density_mg_cm3])
    (c, d), *_ = np.linalg.lstsq(design, hu, rcond=None)
    if not d > 0:
        raise InputError(
            "the rods' HU do not rise with their densities; check the order of the densities and the places"
        )
    free = count - design.shape[1]
    scatter_hu = float(np.sqrt(np.sum((hu - design @ (c, d)) ** 2) / free))
    widened_hu = scatter_hu * float(t.ppf(NINETIETH_FRACTION, free) / norm.ppf(NINETIETH_FRACTION))
    of_fit = np.linalg.inv(design.T @ design) * widened_hu**2
    # slope = 1/d and intercept = −c/d, so their changes with (c, d) are:
    turned = np.array([[0, -1 / d**2], [-1 / d, c / d**2]])
    covariance = turned @ of_fit @ turned.T
    slope_error, intercept_error = np.sqrt(np.diag(covariance))
    both = slope_error * intercept_error
    return Line(
        float(1 / d),
        float(-c / d),
        float(slope_error),
        float(intercept_error),
        float(np.clip(covariance[0, 1] / both, -1, 1)) if both > 0 else 0.0,
        scatter_hu / float(d),
    )


def rod_hu(ct: CTVolume, rod: Rod) -> float:
    """Mean HU of the rod's core. Raises InputError where it leaves the scan or is not of one grey value."""
    x, y, z = (float(value) for value in rod.centre_mm)
    where = f"the rod at {x:.1f}, {y:.1f}, {z:.1f} mm"
    hu, own = _core(ct, rod, where)
    mean_hu, noise_hu = float(hu.mean()), float(hu.std())
    # A wall within the core, an edge, or a rod that leaves the core at both ends sets two parts apart.
    away_mm = np.hypot(own[:, 0], own[:, 1])
    parts = [own[:, 0] > 0, own[:, 1] > 0, own[:, 2] > 0]
    parts += [np.abs(own[:, 2]) > np.median(np.abs(own[:, 2])), away_mm > np.median(away_mm)]
    for part in parts:
        fewest = min(int(part.sum()), int((~part).sum()))
        if fewest == 0:
            continue
        apart_hu = abs(float(hu[part].mean() - hu[~part].mean()))
        let_through_hu = UNEVEN_HU + UNEVEN_STANDARD_ERRORS_COUNT * noise_hu / math.sqrt(fewest)
        if apart_hu > let_through_hu:
            raise InputError(
                f"{where} is not of one grey value: two parts of its core differ by {apart_hu:.0f} HU, more"
                f" than {let_through_hu:.0f}; correct its place, direction or radius"
            )
    return mean_hu


def _core(ct: CTVolume, rod: Rod, where: str) -> tuple[Floats, Floats]:
    """HU (n,) of the voxels in a rod's core, and their places (n, 3) across, across and along it."""
    along = np.asarray(rod.direction, float)
    first = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    first /= np.linalg.norm(first)
    frame = np.stack([first, np.cross(along, first), along])
    core_mm = CORE_FRACTION * rod.radius_mm
    reach_mm = np.abs(frame.T) @ np.array([core_mm, core_mm, rod.length_mm / 2])
    corners = rod.centre_mm + reach_mm * np.array(np.meshgrid(*[(-1, 1)] * 3)).reshape(3, -1).T
    corners_ijk = ct.grid.mm_to_ijk(corners)
    low = np.floor(corners_ijk.min(axis=0)).astype(int)
    high = np.ceil(corners_ijk.max(axis=0)).astype(int)
    if (ct.grid.mm_to_ijk(rod.centre_mm) < 0).any() or (
        ct.grid.mm_to_ijk(rod.centre_mm) > np.array(ct.grid.shape) - 1
    ).any():
        raise InputError(f"{where} lies outside the scan; correct centre_mm (RAS+ mm)")
    low, high = np.maximum(low, 0), np.minimum(high, np.array(ct.grid.shape) - 1)
    ijk = np.stack(np.meshgrid(*map(np.arange, low, high + 1), indexing="ij"), axis=-1).reshape(-1, 3)
    own = (ct.grid.ijk_to_mm(ijk) - rod.centre_mm) @ frame.T
    inside = (np.hypot(own[:, 0], own[:, 1]) <= core_mm) & (np.abs(own[:, 2]) <= rod.length_mm / 2)
    hu = ct.hu[tuple(ijk[inside].T)].astype(float)
    if len(hu) < FEWEST_VOXELS_COUNT:
        raise InputError(
            f"{where} holds only {len(hu)} voxels in its core, fewer than {FEWEST_VOXELS_COUNT}; scan finer"
            " or calibrate otherwise"
        )
    if (hu < NO_DATA_BELOW_HU).any():
        raise InputError(f"{where} reaches voxels without data; correct centre_mm or length_mm")
    return hu, own[inside]


def _check_line(line: Line, hu: Floats, density_mg_cm3: Floats) -> None:
    range_mg_cm3 = float(np.ptp(density_mg_cm3))
    if line.scatter_mg_cm3 > OFF_LINE_FRACTION * range_mg_cm3:
        density = line.slope_mg_cm3_per_hu * hu + line.intercept_mg_cm3
        worst = int(np.argmax(np.abs(density - density_mg_cm3)))
        raise InputError(
            f"the rods do not lie on a line: they scatter by {line.scatter_mg_cm3:.0f} mg/cm³, more than"
            f" {OFF_LINE_FRACTION:.0%} of their range, most at {density_mg_cm3[worst]:.0f} mg/cm³ (read as"
            f" {density[worst]:.0f}); check densities and places"
        )
    if not SMALLEST_SLOPE_MG_CM3_PER_HU <= line.slope_mg_cm3_per_hu <= LARGEST_SLOPE_MG_CM3_PER_HU:
        raise InputError(
            f"the rods give a slope of {line.slope_mg_cm3_per_hu:.3g} mg/cm³ per HU, not"
            f" {SMALLEST_SLOPE_MG_CM3_PER_HU} to {LARGEST_SLOPE_MG_CM3_PER_HU}; check densities and places"
        )
    if not abs(line.intercept_mg_cm3) <= LARGEST_INTERCEPT_MG_CM3:
        raise InputError(
            f"the rods give an intercept of {line.intercept_mg_cm3:.0f} mg/cm³, beyond"
            f" ±{LARGEST_INTERCEPT_MG_CM3:g}; check densities and places"
        )
