"""How well a fracture's plane and gap are measured, beside the distance between thresholded surfaces.

Phantoms of ``fracture_phantoms.py``: tubes and blocks, flat and wavy, on the scans A and B of the bars. The
baseline is what a ruler between the two thresholded surfaces reads, at half-way between soft tissue and
spongy bone, along the true normal. Run it alone: ``python tests/benchmarks/bench_fracture.py``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from scipy import ndimage

from segmentation.fracture_surface import fracture_between

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from fracture_phantoms import SOFT_HU, SPONGY_HU, A, B, Broken, broken

SHAPES = {
    "flat": {},
    "wave 0.8": {"wave_mm": 0.8},
    "wave 0.5/14": {"wave_mm": 0.5, "period_mm": 14.0},
    "oblique 40": {"oblique_degree": 40.0},
    "block 0.4": {"shape": "block", "wave_mm": 0.4},
}
GAPS_MM = (0.3, 0.5, 0.8, 1.2, 2.0)
SEED = 500
LEVEL_HU = (SOFT_HU + SPONGY_HU) / 2
TICKS_MM = np.arange(-4, 4.01, 0.05)


def between_thresholds_mm(phantom: Broken, middles_mm: np.ndarray) -> float:
    """Median over lines along the true normal of the stretch below the level nearest the middle."""
    places = middles_mm[:, None, :] + TICKS_MM[:, None] * phantom.normal
    ijk = phantom.ct.grid.mm_to_ijk(places.reshape(-1, 3))
    soft = ndimage.gaussian_filter(phantom.ct.hu.astype(float), 0.5)
    hu = ndimage.map_coordinates(soft, ijk.T, order=1, mode="nearest").reshape(places.shape[:2])
    widths = []
    for below in hu < LEVEL_HU:
        near = np.flatnonzero(below & (np.abs(TICKS_MM) < 1.5))
        if not len(near):
            widths.append(0.0)
            continue
        start = near[np.argmin(np.abs(TICKS_MM[near]))]
        ends = np.flatnonzero(~below)
        low, high = ends[ends < start].max(initial=0), ends[ends > start].min(initial=len(below) - 1)
        widths.append((high - low - 1) * (TICKS_MM[1] - TICKS_MM[0]))
    return float(np.median(widths))


def main() -> None:
    """Print one row per phantom, and the worst of each scan at gaps from 0.5 mm."""
    print("scan shape         gap | plane deg (told) mm     | gap median p95  | thresholds | seconds")
    for name, scan in (("A", A), ("B", B)):
        worst = np.zeros(4)
        for shape, options in SHAPES.items():
            for index, gap_mm in enumerate(GAPS_MM):
                phantom = broken(gap_mm=gap_mm, seed=SEED + index, **options, **scan)
                start = time.perf_counter()
                found = fracture_between(phantom.ct, phantom.labels, (1, 2))
                seconds = time.perf_counter() - start
                angle = np.degrees(np.arccos(min(1.0, float(found.normal @ phantom.normal))))
                away = float((found.point_mm - phantom.middle_mm) @ phantom.normal)
                inner = found.surface.vertices_mm[~found.at_rim][::3]
                ruler = between_thresholds_mm(phantom, inner)
                print(
                    f"{name}    {shape:12s} {gap_mm:4.1f} | {angle:5.2f}"
                    f" ({found.normal_uncertainty_degree:.2f})"
                    f" {away:+.3f} | {found.gap_median_mm:5.2f} {found.gap_p95_mm:5.2f} | {ruler:5.2f}"
                    f" | {seconds:.2f}",
                    flush=True,
                )
                if gap_mm >= 0.5:
                    off = abs(found.gap_median_mm - gap_mm)
                    worst = np.maximum(worst, [angle, abs(away), off, abs(ruler - gap_mm)])
        print(
            f"{name}: worst from 0.5 mm: {worst[0]:.2f} deg, {worst[1]:.3f} mm, gap off {worst[2]:.2f} mm, "
            f"thresholds off {worst[3]:.2f} mm"
        )


if __name__ == "__main__":
    main()
