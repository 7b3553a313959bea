"""Where a stack of DICOM slices lies, from the position of each slice and from nothing else.

Slices are ordered by the projection of their position on the slice normal. The voxel edges along a row and a
column come from the orientation and the pixel spacing, the edge from slice to slice from the first and last
position. DICOM's frame is LPS+; the affine given back is RAS+, converted here once. A stack that is tilted,
uneven, doubled or has a hole is refused by name. Source: DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from segmentation.dicom_headers import Slice
from segmentation.errors import InputError
from segmentation.reading import FEWEST_VOXELS_COUNT, LARGEST_SHEAR_DEGREE
from segmentation.vocabulary import Floats

LPS_TO_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])
"""published: DICOM PS3.3 C.7.6.2.1.1, x to the patient's left, y to the back, z to the head."""

SAME_DIRECTION_RATIO = 1e-4
"""Direction cosines that differ by less are the same. Our choice: 0.006°, above the rounding of any
header."""

LARGEST_DIRECTION_ERROR_RATIO = 1e-3
"""Direction cosines may be this far from unit vectors at a right angle. Our choice: headers with 3
decimals."""

LARGEST_UNEVENNESS_MM = 0.05
"""A slice may lie this far from where even spacing puts it. Our choice: headers that round to 0.1 mm are off
by it."""

MISSING_GAP_RATIO, DOUBLE_GAP_RATIO = 1.5, 0.5
"""Times the usual gap: a slice is missing above the first and doubled below the second. Our choice."""

UNSEEN_FRACTION = 0.01
"""Slices farther apart than they are thick by more than this leave unseen bone. Our choice: headers round."""

OBLIQUE_DEGREE = 1.0
"""Slices turned further than this from the body's axes are told. Our choice."""


def ordered(slices: Sequence[Slice], where: str) -> tuple[list[Slice], Floats, list[str]]:
    """The slices from first to last, their affine (4, 4) voxel (column, row, slice) → RAS+ mm, and notes."""
    if len(slices) < FEWEST_VOXELS_COUNT:
        raise InputError(
            f"{where} holds {len(slices)} CT image{'s' * (len(slices) > 1)} of a series; at least"
            f" {FEWEST_VOXELS_COUNT} are needed: give the folder with the whole series"
        )
    positions_mm = _required([slice_.position_lps_mm for slice_ in slices], "position in the patient", where)
    row, column = _directions(
        _required([slice_.orientation_lps for slice_ in slices], "orientation", where), where
    )
    spacing_mm = _spacing_mm(
        _required([slice_.pixel_spacing_mm for slice_ in slices], "pixel spacing", where), where
    )
    normal = np.cross(row, column)
    depths_mm = positions_mm @ normal
    order = np.argsort(depths_mm, kind="stable")
    stack = [slices[index] for index in order]
    positions_mm = positions_mm[order]
    step_mm = _step_mm(positions_mm, depths_mm[order], where)
    affine_lps = np.eye(4)
    # The first index runs along a row, so its step is the spacing between columns, the second value.
    affine_lps[:3, 0] = row * spacing_mm[1]
    affine_lps[:3, 1] = column * spacing_mm[0]
    affine_lps[:3, 2] = step_mm
    affine_lps[:3, 3] = positions_mm[0]
    return stack, LPS_TO_RAS @ affine_lps, _notes(stack, normal, float(np.linalg.norm(step_mm)))


def _required(values: Sequence[Floats | None], what: str, where: str) -> Floats:
    """All values as rows of one array."""
    known = [value for value in values if value is not None]
    if len(known) < len(values):
        raise InputError(
            f"{where} has {len(values) - len(known)} images without {what}; export the original CT series"
        )
    return np.array(known)


def _directions(orientations: Floats, where: str) -> tuple[Floats, Floats]:
    """The unit vectors along a row and a column that all slices share."""
    row, column = orientations[0, :3], orientations[0, 3:]
    if np.abs(orientations - orientations[0]).max() > SAME_DIRECTION_RATIO:
        raise InputError(
            f"{where} has images of two or more orientations in one series; give one stack of parallel slices"
        )
    lengths = float(np.linalg.norm(row)), float(np.linalg.norm(column))
    if (
        max(abs(lengths[0] - 1), abs(lengths[1] - 1), abs(float(row @ column)))
        > LARGEST_DIRECTION_ERROR_RATIO
    ):
        raise InputError(
            f"{where} has an image orientation that is not two unit vectors at a right angle; export the"
            " series again"
        )
    return row / lengths[0], column / lengths[1]


def _spacing_mm(spacings_mm: Floats, where: str) -> Floats:
    """The pixel spacing (between rows, between columns) that all slices share."""
    if spacings_mm.min() <= 0:
        raise InputError(f"{where} has a pixel spacing of {spacings_mm.min():g} mm; export the series again")
    if np.abs(spacings_mm / spacings_mm[0] - 1).max() > SAME_DIRECTION_RATIO:
        raise InputError(
            f"{where} has images of different pixel spacing in one series; give one plain series"
        )
    return np.asarray(spacings_mm[0])


def _step_mm(positions_mm: Floats, depths_mm: Floats, where: str) -> Floats:
    """The edge (3,) from a slice to the next, where all slices lie evenly along one line."""
    extent_mm = depths_mm[-1] - depths_mm[0]
    if extent_mm < LARGEST_UNEVENNESS_MM:
        raise InputError(
            f"{where} has all its images at one position, which is no volume; give a plain CT series"
        )
    gaps_mm = np.diff(depths_mm)
    usual_mm = float(np.median(gaps_mm))
    doubled = int((gaps_mm <= DOUBLE_GAP_RATIO * usual_mm).sum())
    if doubled:
        at = int(np.argmin(gaps_mm))
        raise InputError(
            f"{where} has images at the same position or nearly so ({doubled} pairs, the first between"
            f" images {at + 1} and {at + 2} by position, {gaps_mm[at]:.3g} mm apart where {usual_mm:.3g} is"
            " usual); give one reconstruction, without copies"
        )
    stack_direction = positions_mm[-1] - positions_mm[0]
    tilt_degree = float(np.degrees(np.arccos(min(1.0, extent_mm / np.linalg.norm(stack_direction)))))
    missing = np.flatnonzero(gaps_mm > MISSING_GAP_RATIO * usual_mm)
    faults = []
    remedy = "export the complete series"
    if tilt_degree > LARGEST_SHEAR_DEGREE:
        faults.append(f"is tilted: its stack runs {tilt_degree:.1f}° off the slice normal (gantry tilt)")
        remedy += ", resampled without tilt"
    if len(missing):
        at = int(missing[0])
        faults.append(
            f"misses slices: a gap of {gaps_mm[at]:.3g} mm between images {at + 1} and {at + 2} by position"
            f" where {usual_mm:.3g} mm is usual"
        )
    if faults:
        raise InputError(f"{where} {' and '.join(faults)}; {remedy}")
    step_mm: Floats = stack_direction / (len(positions_mm) - 1)
    even_mm = positions_mm[0] + np.arange(len(positions_mm))[:, None] * step_mm
    off_mm = float(np.linalg.norm(positions_mm - even_mm, axis=1).max())
    if off_mm > LARGEST_UNEVENNESS_MM:
        raise InputError(
            f"{where} has unevenly spaced slices: gaps from {gaps_mm.min():.3g} to {gaps_mm.max():.3g} mm,"
            f" one slice {off_mm:.2g} mm from its even place ({LARGEST_UNEVENNESS_MM} allowed); export it"
            " with even spacing"
        )
    return step_mm


def _notes(stack: Sequence[Slice], normal: Floats, step_mm: float) -> list[str]:
    notes = []
    off_degree = float(np.degrees(np.arccos(min(1.0, np.abs(normal).max()))))
    if off_degree > OBLIQUE_DEGREE or np.abs(normal).argmax() != 2:
        notes.append(
            f"The slices are not axial: they lie {np.degrees(np.arccos(min(1.0, abs(normal[2])))):.1f}° from"
            " the axial plane; directions are taken from the header."
        )
    thickness_mm = stack[0].thickness_mm
    if thickness_mm and step_mm > thickness_mm * (1 + UNSEEN_FRACTION):
        notes.append(
            f"Slices {thickness_mm:.3g} mm thick lie {step_mm:.3g} mm apart: what is between them was not"
            " imaged."
        )
    return notes
