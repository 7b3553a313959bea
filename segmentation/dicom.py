"""Reads a CT from DICOM files: sorts out what is there, takes the one series that is meant, loads it whole.

Headers come first and decide everything; then the pixels of each image go straight into the one array kept.
DICOM stores columns fastest, so the array (column, row, slice) is in order as it comes. What cannot be a CT
volume is refused by name; what loads with a reservation says so in a note. No patient data is read, kept or
told. Source: DICOM PS3.3 C.7.6.3, C.8.2.1.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.dicom_frames import frames_of
from segmentation.dicom_geometry import Arrangement
from segmentation.dicom_headers import Slice, read_slice
from segmentation.dicom_pixels import PixelReader, to_hu
from segmentation.dicom_resample import planes, shifted
from segmentation.dicom_series import Series, all_series, chosen, listed
from segmentation.dicom_source import files_of
from segmentation.errors import InputError
from segmentation.reading import GreyValues
from segmentation.vocabulary import CTVolume, Grid

SLICES_ALONG = 2
"""The axis of a DICOM array along which slices are stacked."""

LOOKED_AT_COUNT = 24
"""Slices read to tell the kernel before anything is loaded. Our choice: as many as its judge looks at."""


@dataclass(frozen=True, eq=False)
class Contents:
    """What DICOM files hold: the stacks of CT images, and what was left out, counted by name."""

    series: list[Series]
    left_out: Counter[str]
    notes: list[str]


def load_dicom(path: Path, series: int | None = None) -> CTVolume:
    """The CT series in a folder, zip file, DICOMDIR or multi-frame file: HU (column, row, slice), RAS+ mm.

    ``series`` is a number as ``scan_dicom`` gives them; without it there must be one that can be loaded.
    ``digest`` is the SHA-256 of geometry and HU, so it depends neither on file names nor on who the patient
    is.
    """
    where = str(path)
    with _contents(path, where) as contents:
        one, notes = chosen(contents.series, series, where, contents.left_out)
        assert one.arrangement is not None  # chosen refuses otherwise; for the type checker
        assert one.grid is not None
        hu, value_notes = _read_pixels(one.arrangement, one.grid, where)
    left_out = [f"Left out beside the series: {listed(contents.left_out)}."] if contents.left_out else []
    all_notes = (*contents.notes, *left_out, *notes, *one.notes, *value_notes)
    return CTVolume(one.grid, hu, _digest(one.grid, hu), one.tube_voltage_kv, all_notes)


def scan_dicom(
    path: Path, where: str, series: int | None = None, *, look: bool = False
) -> tuple[Contents, CTVolume | None]:
    """What is there, from headers alone; ``where`` stands for the path in sentences. With ``look``
    also some slices, put one on the other, of the series that would load; None where they cannot be read.
    """
    with _contents(path, where) as contents:
        if not look:
            return contents, None
        try:
            one, _ = chosen(contents.series, series, where, contents.left_out)
            return contents, _some_slices(one)
        except InputError:
            return contents, None


def _some_slices(one: Series) -> CTVolume | None:
    if one.arrangement is None or one.grid is None or one.grid.slice_axis != SLICES_ALONG:
        return None
    stack = one.arrangement.stack
    some = np.unique(np.linspace(0, len(stack) - 1, min(len(stack), LOOKED_AT_COUNT)).round().astype(int))
    values = [image.T for image in _images([stack[index] for index in some], Counter())]
    hu = np.stack(values, axis=-1).astype(np.float32)
    return CTVolume(Grid((hu.shape[0], hu.shape[1], hu.shape[2]), one.grid.affine), hu, "some slices")


@contextmanager
def _contents(path: Path, where: str) -> Iterator[Contents]:
    with files_of(path) as (paths, notes):
        slices: list[Slice] = []
        left_out = Counter[str]()
        for number, file in enumerate(paths, start=1):
            label = where if file == path else f"file {number} of {len(paths)} (by name) in {where}"
            found = read_slice(file, label)
            if not isinstance(found, Slice):
                left_out[found or "non-DICOM file"] += 1
            elif found.kind == "CT localiser":
                left_out[found.kind] += 1
            elif found.kind == "multi-frame CT":
                frames = frames_of(found)
                left_out["CT localiser"] += found.frame_count - len(frames)
                slices += frames
            else:
                slices.append(found)
        left_out += Counter()
        reader = PixelReader()
        yield Contents(all_series(slices, where, lambda a, b: _alike(reader, a, b)), left_out, notes)


def _alike(reader: PixelReader, one: Slice, other: Slice) -> bool:
    images = []
    for slice_ in (one, other):
        raw = np.empty((slice_.stored.rows, slice_.stored.columns), np.uint16)
        reader.fill(raw, slice_)
        images.append(to_hu(raw, slice_)[0])
    return bool(np.array_equal(images[0], images[1]))


def _read_pixels(
    arrangement: Arrangement, grid: Grid, where: str
) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    values = GreyValues(grid.shape, where)
    padded: Counter[int] = Counter()
    images = _images(arrangement.stack, padded)
    if arrangement.shifts is not None:
        size = grid.shape[1], grid.shape[0]
        moved = (
            (float(depth_mm), shifted(image, shift, size))
            for image, depth_mm, shift in zip(images, arrangement.depths_mm, arrangement.shifts, strict=True)
        )
        images = (np.rint(plane) for plane in planes(moved, arrangement.plane_depths_mm))
    for k, image in enumerate(images):
        values.put(k, image.T[:, :, None])
    hu, notes = values.finish()
    if padded:
        value, total = max(padded), sum(padded.values())
        notes = (
            *notes,
            f"{total} voxels hold the header's padding value ({value}) and are taken as no data.",
        )
    return hu, notes


def _images(stack: Sequence[Slice], padded: Counter[int]) -> Iterator[npt.NDArray[Any]]:
    """HU (rows, columns) of each slice; ``padded`` counts what was padding that passes for tissue."""
    reader = PixelReader()
    raw = np.empty((stack[0].stored.rows, stack[0].stored.columns), np.uint16)
    for slice_ in stack:
        reader.fill(raw, slice_)
        hu, count = to_hu(raw, slice_)
        if count and slice_.padding:
            padded[slice_.padding[0]] += count
        yield hu


def _digest(grid: Grid, hu: npt.NDArray[Any]) -> str:
    sha = hashlib.sha256(np.array(grid.shape, "<i8").tobytes() + grid.affine.astype("<f8").tobytes())
    for k in range(grid.shape[2]):
        sha.update(np.ascontiguousarray(hu[:, :, k].T).data)
    return sha.hexdigest()
