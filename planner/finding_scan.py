"""What a person should know of the scan: its border, its voxels, metal, density and kernel."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from planner.finding_case import OURS, Case, Rule, finding
from planner.near_metal import in_slices_of_mm, share_in_streaks_fraction
from planner.scan_border import reaches_border
from planner.vocabulary import Finding
from segmentation.vocabulary import SHARP_KERNEL


def _scan(case: Case) -> Iterator[Finding]:
    path, bone = case.path, case.prepared.bone
    depth, axis = case.result.profile.depth_mm, case.result.profile.axis.hu
    needed = (depth >= 0) & (depth <= max(path.length_mm, path.tip_depth_mm))
    if np.isnan(axis[needed]).any() or reaches_border(case.prepared, path):
        message = "The path reaches the border of the scan: length and clearance there are not known."
        yield finding("axis-leaves-scan", message, OURS)
    coarsest_mm = float(bone.ct.grid.spacing_mm.max())
    half_mm = case.limits.smallest_clearance_mm / 2
    if coarsest_mm > half_mm + 1e-6:
        message = f"Voxels of {coarsest_mm:.2f} mm are too coarse to judge a limit of {2 * half_mm:g} mm."
        yield finding("scan-too-coarse", message, OURS, coarsest_mm, half_mm)


def _metal(case: Case) -> Iterator[Finding]:
    limit_mm = case.limits.near_metal_mm
    path, segmentation = case.path, case.prepared.bone.segmentation
    away = [
        (away_mm, piece, case.prepared.poses[number])
        for piece in segmentation.removed
        for number in path.axis
        if (away_mm := in_slices_of_mm(case.prepared.bone.ct.grid, piece, path, case.prepared.poses[number]))
        is not None
    ]
    if not away:
        return
    least_mm, piece, pose = min(away, key=lambda one: one[0])
    if least_mm < limit_mm:
        share = share_in_streaks_fraction(case.prepared.bone.ct.grid, segmentation.removed, path, pose)
        message = (
            f"The screw comes to {least_mm:.1f} mm of metal ({piece.volume_mm3:.0f} mm³) in the same slices, "
            f"and {100 * share:.0f} % of its path lies in streaks: surface and density "
            "there are less certain."
        )
        yield finding("near-metal", message, OURS, least_mm, limit_mm)


def _density(case: Case) -> Iterator[Finding]:
    calibration = case.prepared.bone.calibration
    if calibration is None:
        why = case.prepared.bone.calibration_reason or "no calibration was given"
        yield finding("density-uncalibrated", f"No density and no pull-out: {why}.", OURS)
    elif calibration.kind == "default-for-tube-voltage":
        error = calibration.standard_error_fraction
        message = (
            f"Density comes from a default slope with a standard error of {100 * error:.0f} %; it moves "
            "every force."
        )
        yield finding("density-by-default", message, calibration.source, error)


def _kernel(case: Case) -> Iterator[Finding]:
    for note in case.prepared.bone.segmentation.notes:
        if note.startswith(SHARP_KERNEL):
            yield finding("sharp-kernel", f"The scan has {note}.", OURS)


RULES: tuple[Rule, ...] = (_scan, _metal, _density, _kernel)
