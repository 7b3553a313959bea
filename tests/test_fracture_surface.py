"""The fracture surface against the truth of phantoms: its plane, its gap, and what it says when it cannot.

The bars (0.5°, 0.05 mm, 0.15 mm) are the project's own; the truths are the phantoms' formulas.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from fracture_phantoms import A, B, Broken, broken

from segmentation.fracture_surface import fracture_between
from segmentation.vocabulary import FractureSurface

SHAPES = {
    "flat": {},
    "wave": {"wave_mm": 0.8},
    "long wave": {"wave_mm": 0.5, "period_mm": 14.0},
    "oblique": {"oblique_degree": 40.0},
    "block": {"shape": "block", "wave_mm": 0.4},
}


@cache
def measured(shape: str, scan: str, gap_mm: float) -> tuple[Broken, FractureSurface]:
    phantom = broken(
        gap_mm=gap_mm, seed=int(10 * gap_mm) + len(shape), **SHAPES[shape], **{"A": A, "B": B}[scan]
    )
    found = fracture_between(phantom.ct, phantom.labels, (1, 2))
    assert found is not None
    return phantom, found


def off(phantom: Broken, found: FractureSurface) -> tuple[float, float]:
    """Degrees and mm between the mean plane and the true one."""
    angle = np.degrees(np.arccos(min(1.0, float(found.normal @ phantom.normal))))
    return angle, abs(float((found.point_mm - phantom.middle_mm) @ phantom.normal))


@pytest.mark.parametrize("gap_mm", [0.5, 1.2, 2.0])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_mean_plane_is_the_true_one(shape: str, gap_mm: float) -> None:
    phantom, found = measured(shape, "A", gap_mm)
    angle_degree, away_mm = off(phantom, found)
    assert angle_degree <= 0.5
    assert away_mm <= 0.05
    assert angle_degree <= found.normal_uncertainty_degree


@pytest.mark.parametrize(
    ("shape", "scan", "gap_mm"),
    [
        *((shape, "A", gap_mm) for shape in SHAPES for gap_mm in (0.5, 1.2, 2.0)),
        *(("wave", "B", gap_mm) for gap_mm in (0.5, 0.8, 1.2, 2.0)),
    ],
)
def test_the_median_gap_is_the_true_one(shape: str, scan: str, gap_mm: float) -> None:
    _, found = measured(shape, scan, gap_mm)
    assert found.gap_median_mm == pytest.approx(gap_mm, abs=0.15)
    assert found.gap_median_mm <= found.gap_p95_mm <= found.gap_largest_mm
