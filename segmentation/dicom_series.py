"""Sorts the images of a folder into stacks, says in words what each is, and tells which one is meant.

A stack is the images of one series with one size and one orientation, so that a scout view or a report page
within a series does not spoil it. Stacks are numbered for a person to choose by; their words come from
geometry and scan settings only, since a series' own description often holds a patient's name.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from segmentation.dicom_geometry import Arrangement, arranged
from segmentation.dicom_headers import Slice
from segmentation.dicom_pixels import LOSSY, fault_of, is_lossy, syntax_name
from segmentation.errors import InputError
from segmentation.reading import checked_grid
from segmentation.vocabulary import Grid

OTHER_DIRECTION_RATIO = 0.02
"""Direction cosines that differ by more are another stack, 1°. Our choice: below, a fault of rounding."""

KERNEL = re.compile(r"[A-Z][A-Za-z]?\d{2,3}[a-z]?|STANDARD|BONE|SOFT|DETAIL|SHARP|SMOOTH", re.ASCII)
"""Names of reconstruction kernels that are shown; anything else could be any text. Our choice."""

PLANES = {0: "sagittal", 1: "coronal", 2: "axial"}
"""By the axis of the patient nearest to the slice normal."""

OBLIQUE_COSINE_RATIO = 0.94
"""cos 20°: slices turned further from every plane are called oblique. Our choice."""


SAME_VOLTAGE_KV = 0.5
"""Slices whose voltage differs by less were taken at one voltage. Our choice."""


@dataclass(frozen=True, eq=False)
class Series:
    """One stack of CT images: what it is in words, and how it would be loaded or why not."""

    number: int
    title: str
    image_count: int
    tube_voltage_kv: float | None
    arrangement: Arrangement | None
    grid: Grid | None
    notes: list[str]
    refusal: str | None


def all_series(slices: Sequence[Slice], where: str, alike: Callable[[Slice, Slice], bool]) -> list[Series]:
    """Every stack in ``slices``, by series number, then by the order of files."""
    stacks = _stacks(slices)
    series = []
    for number, stack in enumerate(stacks, start=1):
        place = where if len(stacks) == 1 else f"series {number} in {where}"
        arrangement, grid, refusal = None, None, None
        notes: list[str] = []
        try:
            _check_plain(stack)
            arrangement = arranged(stack, place, alike)
            grid = checked_grid(arrangement.shape, arrangement.affine, place)
            notes = [*arrangement.notes, *_encoding_notes(stack)]
        except InputError as fault:
            arrangement, refusal = None, str(fault)
        voltage_kv, voltage_notes = _tube_voltage(stack)
        notes += voltage_notes if grid else []
        series.append(
            Series(number, _title(stack), len(stack), voltage_kv, arrangement, grid, notes, refusal)
        )
    return series


def chosen(
    series: Sequence[Series], number: int | None, where: str, left_out: Counter[str]
) -> tuple[Series, list[str]]:
    """The stack that is meant, and a note where others were passed over; InputError where none is."""
    if not series:
        raise InputError(
            f"{where} holds no CT images, only {listed(left_out)}; give the folder of one CT series"
        )
    told = "; ".join(f"{one.number}: {one.title}" for one in series)
    if number is not None:
        if not 1 <= number <= len(series):
            raise InputError(f"there is no series {number} in {where}, which holds {len(series)} ({told})")
        one = series[number - 1]
        if one.refusal:
            raise InputError(one.refusal)
        return one, []
    good = [one for one in series if one.arrangement is not None]
    if len(series) == 1 and not good:
        raise InputError(str(series[0].refusal))
    if len(good) > 1:
        raise InputError(f"{where} holds {len(series)} series ({told}); choose one with --series")
    if not good:
        largest = max(series, key=lambda one: one.image_count)
        raise InputError(
            f"{where} holds {len(series)} series, and none can be loaded (the largest, {largest.number}:"
            f" {largest.refusal}); 'pilothole scan' tells of each"
        )
    if len(series) == 1:
        return good[0], []
    others = "the other one" if len(series) == 2 else f"the other {len(series) - 1}"
    note = f"Series {good[0].number} of {len(series)} was taken, as {others} cannot be loaded as a volume."
    return good[0], [note]


def _encoding_notes(stack: Sequence[Slice]) -> list[str]:
    notes = []
    lossy = [slice_ for slice_ in stack if is_lossy(slice_)]
    if lossy:
        names = sorted({syntax_name(slice_) for slice_ in lossy if slice_.syntax in LOSSY})
        how = f"({', '.join(names)})" if names else "before they came here"
        notes.append(f"The images were compressed with loss {how}: fine detail may be wrong.")
    slopes = {(slice_.slope_factor, slice_.intercept_hu) for slice_ in stack}
    if len(slopes) > 1:
        notes.append(
            f"The slices have {len(slopes)} different rescales to HU in one series; each was read by its own."
        )
    return notes


def _tube_voltage(stack: Sequence[Slice]) -> tuple[float | None, list[str]]:
    voltages = [slice_.tube_voltage_kv for slice_ in stack]
    known = [voltage for voltage in voltages if voltage is not None]
    if len(known) == len(voltages) and max(known) - min(known) < SAME_VOLTAGE_KV and min(known) > 0:
        return known[0], []
    if known and max(known) - min(known) >= SAME_VOLTAGE_KV:
        return None, ["The tube voltage changes within the series, so it is taken as unknown."]
    return None, []


def _stacks(slices: Sequence[Slice]) -> list[list[Slice]]:
    stacks: dict[tuple[object, ...], list[list[Slice]]] = {}
    for slice_ in slices:
        key = slice_.series, slice_.stored.rows, slice_.stored.columns, slice_.position_lps_mm is None
        alike = stacks.setdefault(key, [])
        for stack in alike:
            if _same_direction(stack[0], slice_):
                stack.append(slice_)
                break
        else:
            alike.append([slice_])
    flat = [stack for alike in stacks.values() for stack in alike]
    return sorted(flat, key=lambda stack: (stack[0].series_number is None, stack[0].series_number or 0))


def _same_direction(one: Slice, other: Slice) -> bool:
    first, second = one.orientation_lps, other.orientation_lps
    if first is None or second is None:
        return first is second
    return bool(np.abs(first - second).max() <= OTHER_DIRECTION_RATIO)


def _check_plain(stack: Sequence[Slice]) -> None:
    first = stack[0].stored
    for slice_ in stack:
        fault = fault_of(slice_)
        if not fault and slice_.stored is not first:
            unlike = [name for name in vars(first) if getattr(slice_.stored, name) != getattr(first, name)]
            told = ", ".join(name.replace("_", " ") for name in unlike)
            fault = f"differs from the first image of its series ({told})" if unlike else None
        if fault:
            raise InputError(f"{slice_.label} {fault}; export the series as plain CT")


def _title(stack: Sequence[Slice]) -> str:
    first = stack[0]
    kinds = Counter("CT image" if one.frame_count == 1 else "multi-frame CT frame" for one in stack)
    words = [f"{listed(kinds)} of {first.stored.columns}×{first.stored.rows}"]
    if first.orientation_lps is not None:
        normal = np.abs(np.cross(first.orientation_lps[:3], first.orientation_lps[3:]))
        words.append(PLANES[int(normal.argmax())] if normal.max() > OBLIQUE_COSINE_RATIO else "oblique")
    if first.pixel_spacing_mm is not None:
        words.append(f"{first.pixel_spacing_mm[1]:.3g}×{first.pixel_spacing_mm[0]:.3g} mm")
    if first.thickness_mm:
        words.append(f"{first.thickness_mm:.3g} mm thick")
    if first.tube_voltage_kv:
        words.append(f"{first.tube_voltage_kv:.0f} kV")
    kernel = first.kernel.split("\\")[0]
    if KERNEL.fullmatch(kernel):
        words.append(f"kernel {kernel}")
    return ", ".join(words)


def listed(counts: Counter[str]) -> str:
    """``3 CT images, 1 Secondary Capture`` and the like."""
    return ", ".join(f"{count} {what}{'s' * (count > 1)}" for what, count in sorted(counts.items()))
