"""Where a stack of DICOM slices lies, from the position of each slice and from nothing else.

Slices are ordered by the projection of their position on the slice normal. The voxel edges along a row and a
column come from the orientation and the pixel spacing, the edge from slice to slice from the positions.
DICOM's frame is LPS+; the affine given back is RAS+, converted here once. A tilted stack (each slice shifted
within its plane) and an uneven one get an even, straight grid to be resampled to, and a sentence that says
so; copies of a slice are dropped; a hole, or two different images at one place, is refused by name.
Source: DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
"""Times the usual gap: uneven gaps between the two are resampled; above the first a slice is missing, below
the second two reconstructions are mixed. Our choice."""

SAME_PLACE_MM = 0.005
"""Images closer than this are at one place. Our choice: half the smallest voxel."""

LARGEST_TILT_DEGREE = 45.0
"""Common practice: gantries tilt to 30°; beyond this the header is wrong."""

ROUNDING_VOXELS_FRACTION = 1e-6
"""A shift this close to a whole voxel is one. Our choice: rounding of positions."""

UNSEEN_FRACTION = 0.01
"""Slices farther apart than they are thick by more than this leave unseen bone. Our choice: headers round."""

OBLIQUE_DEGREE = 1.0
"""Slices turned further than this from the body's axes are told. Our choice."""


@dataclass(frozen=True, eq=False)
class Arrangement:
    """The slices from first to last and the grid their values go to.

    ``affine`` (4, 4) voxel (column, row, slice) → RAS+ mm, ``shape`` (columns, rows, slices). Where
    ``shifts`` (n, 2) is given, slice n is to be moved by so many (columns, rows), and planes at
    ``plane_depths_mm`` are to be taken between slices at ``depths_mm``; where it is None, each slice is one.
    """

    stack: list[Slice]
    affine: Floats
    shape: tuple[int, int, int]
    notes: list[str]
    depths_mm: Floats
    plane_depths_mm: Floats
    shifts: Floats | None


def arranged(slices: Sequence[Slice], where: str, alike: Callable[[Slice, Slice], bool]) -> Arrangement:
    """How the slices of one series lie; ``alike`` tells whether two slices hold the same pixels."""
    _check_count(len(slices), where)
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
    if depths_mm.max() - depths_mm.min() < LARGEST_UNEVENNESS_MM:
        raise InputError(
            f"{where} has all its images at one position, which is no volume; give a plain CT series"
        )
    order, notes = _without_copies(slices, positions_mm, depths_mm, order, where, alike)
    _check_count(len(order), where)
    stack, positions_mm, depths_mm = [slices[i] for i in order], positions_mm[order], depths_mm[order]
    uneven_mm = _unevenness_mm(depths_mm, where)
    # In DICOM the first index runs along a row, so its step is the spacing between columns, the second value.
    edges_mm = np.stack([row * spacing_mm[1], column * spacing_mm[0]])
    aside_mm = (positions_mm - positions_mm[0]) @ np.stack([row, column]).T
    tilt_degree = _tilt_degree(aside_mm, depths_mm, where)
    stored = stack[0].stored
    extent_mm, count = depths_mm[-1] - depths_mm[0], len(stack)
    if tilt_degree <= LARGEST_SHEAR_DEGREE and uneven_mm <= LARGEST_UNEVENNESS_MM:
        step_mm = (positions_mm[-1] - positions_mm[0]) / (count - 1)
        affine = _affine_ras(edges_mm, step_mm, positions_mm[0])
        shape = stored.columns, stored.rows, count
        notes += _notes(stack, normal, float(np.linalg.norm(step_mm)))
        return Arrangement(stack, affine, shape, notes, depths_mm, depths_mm, None)
    steps = (
        round(extent_mm / float(np.median(np.diff(depths_mm))))
        if uneven_mm > LARGEST_UNEVENNESS_MM
        else count - 1
    )
    plane_depths_mm = np.linspace(depths_mm[0], depths_mm[-1], steps + 1)
    shifts = aside_mm / spacing_mm[::-1]
    if tilt_degree <= LARGEST_SHEAR_DEGREE:
        shifts = np.zeros_like(shifts)
    lowest = np.floor(shifts.min(axis=0) + ROUNDING_VOXELS_FRACTION)
    shifts = shifts - lowest
    grown = np.ceil(shifts.max(axis=0) - ROUNDING_VOXELS_FRACTION).astype(int)
    shape = stored.columns + int(grown[0]), stored.rows + int(grown[1]), steps + 1
    step_mm = normal * extent_mm / steps
    affine = _affine_ras(edges_mm, step_mm, positions_mm[0] + lowest @ edges_mm)
    gaps_mm = np.diff(depths_mm)
    if tilt_degree > LARGEST_SHEAR_DEGREE:
        notes.append(
            f"The stack is tilted by {tilt_degree:.1f}° (gantry tilt): its slices were moved within their"
            f" planes onto a straight grid of {shape[0]}×{shape[1]} voxels; distances hold, edges are"
            " slightly softer."
        )
    if uneven_mm > LARGEST_UNEVENNESS_MM:
        notes.append(
            f"The slices are unevenly spaced ({gaps_mm.min():.3g} to {gaps_mm.max():.3g} mm): the scan was"
            f" resampled to slices {extent_mm / steps:.3g} mm apart, and what lies in a wide gap is a"
            " guess."
        )
    notes += _notes(stack, normal, float(gaps_mm.max()))
    return Arrangement(stack, affine, shape, notes, depths_mm, plane_depths_mm, shifts)


def _affine_ras(edges_mm: Floats, step_mm: Floats, first_mm: Floats) -> Floats:
    affine_lps = np.eye(4)
    affine_lps[:3, 0], affine_lps[:3, 1] = edges_mm
    affine_lps[:3, 2] = step_mm
    affine_lps[:3, 3] = first_mm
    return LPS_TO_RAS @ affine_lps


def _check_count(count: int, where: str) -> None:
    if count < FEWEST_VOXELS_COUNT:
        raise InputError(
            f"{where} holds {count} CT image{'s' * (count > 1)} of a series; at least"
            f" {FEWEST_VOXELS_COUNT} are needed: give the folder with the whole series"
        )


def _without_copies(
    slices: Sequence[Slice],
    positions_mm: Floats,
    depths_mm: Floats,
    order: npt.NDArray[np.intp],
    where: str,
    alike: Callable[[Slice, Slice], bool],
) -> tuple[npt.NDArray[np.intp], list[str]]:
    """The order without the copies, and a note where there were any."""
    kept = [int(order[0])]
    conflicts, first_place = 0, 0
    for index in map(int, order[1:]):
        if depths_mm[index] - depths_mm[kept[-1]] > SAME_PLACE_MM:
            kept.append(index)
            continue
        apart_mm = float(np.linalg.norm(positions_mm[index] - positions_mm[kept[-1]]))
        if apart_mm > SAME_PLACE_MM or not alike(slices[kept[-1]], slices[index]):
            conflicts += 1
            first_place = first_place or len(kept)
    if conflicts:
        raise InputError(
            f"{where} has different images at the same position ({conflicts} pairs, the first at place"
            f" {first_place} of the stack): several phases or reconstructions in one series; give one of them"
        )
    dropped = len(order) - len(kept)
    copies = f"{dropped} image{'s are copies' if dropped > 1 else ' is a copy'}"
    notes = [f"{copies} of another at the same position and left out."] if dropped else []
    return np.array(kept), notes


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


def _unevenness_mm(depths_mm: Floats, where: str) -> float:
    """How far a slice lies from where even spacing puts it, along the normal; refuses a hole."""
    gaps_mm = np.diff(depths_mm)
    usual_mm = float(np.median(gaps_mm))
    close = np.flatnonzero(gaps_mm < DOUBLE_GAP_RATIO * usual_mm)
    if len(close):
        at = int(close[0])
        raise InputError(
            f"{where} has unevenly spaced slices: images {at + 1} and {at + 2} by position lie"
            f" {gaps_mm[at]:.3g} mm apart where {usual_mm:.3g} mm is usual, less than"
            f" {DOUBLE_GAP_RATIO:g} times it; give one reconstruction with even spacing"
        )
    missing = np.flatnonzero(gaps_mm > MISSING_GAP_RATIO * usual_mm)
    if len(missing):
        at = int(missing[0])
        raise InputError(
            f"{where} misses slices: a gap of {gaps_mm[at]:.3g} mm between images {at + 1} and {at + 2} by"
            f" position where {usual_mm:.3g} mm is usual, more than {MISSING_GAP_RATIO:g} times it; export"
            " the complete series"
        )
    even_mm = np.linspace(depths_mm[0], depths_mm[-1], len(depths_mm))
    return float(np.abs(depths_mm - even_mm).max())


def _tilt_degree(aside_mm: Floats, depths_mm: Floats, where: str) -> float:
    """The angle (degree) between the line of the slices' first voxels and the slice normal."""
    along = (depths_mm - depths_mm[0]) / (depths_mm[-1] - depths_mm[0])
    off_mm = float(np.linalg.norm(aside_mm - along[:, None] * aside_mm[-1], axis=1).max())
    if off_mm > LARGEST_UNEVENNESS_MM:
        raise InputError(
            f"{where} has slices that do not lie along one line: one is {off_mm:.2g} mm aside"
            f" ({LARGEST_UNEVENNESS_MM} allowed); export the series again"
        )
    tilt_degree = float(np.degrees(np.arctan2(np.linalg.norm(aside_mm[-1]), depths_mm[-1] - depths_mm[0])))
    if tilt_degree > LARGEST_TILT_DEGREE:
        raise InputError(
            f"{where} is tilted: its stack runs {tilt_degree:.1f}° off the slice normal, more than the"
            f" {LARGEST_TILT_DEGREE:g}° of any gantry; export it resampled without tilt"
        )
    return tilt_degree


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
