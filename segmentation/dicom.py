"""Reads a CT from a folder that holds one plain DICOM series, and refuses by name whatever is not plain.

Plain means: single-frame CT images, uncompressed, one orientation, evenly spaced along the slice normal, with
one rescale to HU. Other objects beside it (localisers, reports, structures) are left out with a note. Pixels
go from each file straight into one array; DICOM stores columns fastest, so the array (column, row, slice) is
in order as it comes. No patient data is read, kept or told. Source: DICOM PS3.3 C.7.6.3, C.8.2.1, C.11.1
(rescale).
"""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.dicom_geometry import ordered
from segmentation.dicom_headers import UNCOMPRESSED, Slice, Stored, read_slice
from segmentation.errors import InputError
from segmentation.reading import NO_DATA_HU, GreyValues, checked_grid
from segmentation.vocabulary import NO_DATA_BELOW_HU, CTVolume, Grid

MOST_FILES_COUNT = 20_000
"""More files than any one examination has: a wrong folder was given. Our choice."""

CODES = (
    *("MONOCHROME1", "MONOCHROME2", "PALETTE COLOR", "RGB", "YBR_FULL", "YBR_FULL_422"),
    *("US", "OD", "HU_MOD", "HGL", "Z_EFF", "ED", "EDW", "PCT", "MGML"),
)
"""published: DICOM PS3.3 C.7.6.3.1.2 (photometric interpretation) and C.11.1.1.2 (rescale type)."""

SAME_VOLTAGE_KV = 0.5
"""Slices whose voltage differs by less were taken at one voltage. Our choice."""


def load_dicom_folder(folder: Path) -> CTVolume:
    """The one plain CT series in ``folder`` and its subfolders: HU (column, row, slice), affine RAS+ mm.

    ``digest`` is the SHA-256 of geometry and HU, so it depends neither on file names nor on who the patient
    is.
    """
    slices, left_out = _read_headers(folder)
    where = str(folder)
    series = _one_series(slices, left_out, where)
    _check_plain(series)
    stack, affine, notes = ordered(series, where)
    stored = stack[0].stored
    grid = checked_grid((stored.columns, stored.rows, len(stack)), affine, where)
    hu, value_notes = _read_pixels(stack, grid, where)
    voltage_kv, voltage_notes = _tube_voltage(stack)
    if any(slice_.lossy_before for slice_ in stack):
        notes.append("The images were compressed with loss before they came here: fine detail may be wrong.")
    left_out_note = [f"Left out beside the series: {_listed(left_out)}."] if left_out else []
    all_notes = (*left_out_note, *notes, *value_notes, *voltage_notes)
    return CTVolume(grid, hu, _digest(grid, hu), voltage_kv, all_notes)


def _read_headers(folder: Path) -> tuple[list[Slice], Counter[str]]:
    paths = _files(folder)
    slices, left_out = [], Counter[str]()
    for number, path in enumerate(paths, start=1):
        found = read_slice(path, f"file {number} of {len(paths)} (by name) in {folder}")
        if isinstance(found, Slice) and found.kind != "CT localiser":
            slices.append(found)
        else:
            left_out[_name(found)] += 1
    return slices, left_out


def _name(found: Slice | str | None) -> str:
    if found is None:
        return "non-DICOM file"
    return found if isinstance(found, str) else found.kind


def _files(folder: Path) -> list[Path]:
    paths: list[Path] = []
    for parent, _, names in os.walk(folder, onerror=_cannot_list):
        # A pipe or a device would be waited for forever; a broken link is kept and told when it is opened.
        paths.extend(path for name in names if (path := Path(parent) / name).is_file() or path.is_symlink())
        if len(paths) > MOST_FILES_COUNT:
            raise InputError(
                f"{folder} holds more than {MOST_FILES_COUNT} files; give the folder of one series"
            )
    if not paths:
        raise InputError(f"{folder} is empty; give the folder that holds the DICOM files of one series")
    return sorted(paths)


def _cannot_list(error: OSError) -> None:
    raise InputError(
        f"{error.filename} cannot be listed ({error.strerror}); check its permissions"
    ) from error


def _one_series(slices: Sequence[Slice], left_out: Counter[str], where: str) -> list[Slice]:
    if not slices:
        raise InputError(
            f"{where} holds no CT images, only {_listed(left_out)}; give the folder of one plain CT series"
        )
    series: dict[str, list[Slice]] = {}
    for slice_ in slices:
        series.setdefault(slice_.series, []).append(slice_)
    if len(series) > 1:
        told = "; ".join(
            f"{_listed(Counter(slice_.kind for slice_ in one))} of"
            f" {one[0].stored.columns}×{one[0].stored.rows}"
            for one in series.values()
        )
        raise InputError(
            f"{where} holds {len(series)} series ({told}); give a folder with only the one you mean"
        )
    return next(iter(series.values()))


def _check_plain(series: Sequence[Slice]) -> None:
    first = series[0].stored
    for slice_ in series:
        fault = _not_plain(slice_) or _stored_unlike(slice_.stored, first)
        if fault:
            raise InputError(
                f"{slice_.label} {fault}; export the series as plain, uncompressed, single-frame CT"
            )


def _not_plain(slice_: Slice) -> str | None:
    """What keeps this image from being read here, or None."""
    stored = slice_.stored
    if slice_.kind == "multi-frame CT":
        return "is an enhanced (multi-frame) CT, which is not read yet"
    if slice_.syntax not in UNCOMPRESSED:
        return f"is compressed or encoded as {_syntax_name(slice_)}, which is not read yet"
    if slice_.pixel_offset is None:
        return "holds no pixel data"
    if stored.samples != 1 or stored.photometric != "MONOCHROME2":
        return f"is not a plain grey image ({stored.samples} samples a pixel, {_code(stored.photometric)})"
    usual_bits = stored.bits_allocated == 16 and 1 <= stored.bits_stored <= 16
    if not usual_bits or stored.high_bit != stored.bits_stored - 1:
        return (
            f"stores its values in an unusual way ({stored.bits_allocated} bits allocated,"
            f" {stored.bits_stored} stored, highest bit {stored.high_bit})"
        )
    if stored.slope_factor is None or stored.intercept_hu is None or stored.slope_factor == 0:
        return "has no rescale slope and intercept, so its values are not HU"
    if stored.unit != "HU":
        return f"is rescaled to {_code(stored.unit)}, not to HU"
    return _wrong_amount_of_pixels(slice_)


def _wrong_amount_of_pixels(slice_: Slice) -> str | None:
    expected = slice_.stored.rows * slice_.stored.columns * 2
    if min(slice_.stored.rows, slice_.stored.columns) < 1:
        return "has no rows or no columns"
    if slice_.pixel_bytes_present < expected:
        return f"is cut off: {slice_.pixel_bytes_present} bytes of pixel data where {expected} are needed"
    if slice_.pixel_bytes != expected:
        return f"says it has {slice_.pixel_bytes} bytes of pixel data where its size needs {expected}"
    return None


def _stored_unlike(one: Stored, first: Stored) -> str | None:
    unlike = [name for name in Stored.__dataclass_fields__ if getattr(one, name) != getattr(first, name)]
    if not unlike:
        return None
    told = ", ".join(name.removesuffix("_hu").removesuffix("_factor").replace("_", " ") for name in unlike)
    return f"differs from the first image of its series ({told})"


def _read_pixels(stack: Sequence[Slice], grid: Grid, where: str) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    values = GreyValues(grid.shape, where)
    raw = np.empty((grid.shape[1], grid.shape[0]), np.uint16)
    padded, padding = 0, None
    for k, slice_ in enumerate(stack):
        _fill(raw, slice_)
        hu, slice_padded = _to_hu(raw, slice_)
        values.put(k, hu.T[:, :, None])
        padded += slice_padded
        padding = slice_.padding or padding
    hu_all, notes = values.finish()
    if padded and padding:
        notes = (
            *notes,
            f"{padded} voxels hold the header's padding value ({padding[0]}) and are taken as no data.",
        )
    return hu_all, notes


def _fill(raw: npt.NDArray[np.uint16], slice_: Slice) -> None:
    assert slice_.pixel_offset is not None  # _not_plain refused it otherwise; for the type checker
    try:
        with slice_.path.open("rb", buffering=0) as file:
            file.seek(slice_.pixel_offset)
            count = file.readinto(raw.data.cast("B"))
    except OSError as error:
        raise InputError(f"{slice_.label} cannot be read ({error.strerror}); check the disk") from error
    if count != raw.nbytes:
        raise InputError(
            f"{slice_.label} became shorter while it was read; try again when nothing writes to it"
        )
    if slice_.big_endian:
        raw.byteswap(inplace=True)


def _to_hu(raw: npt.NDArray[np.uint16], slice_: Slice) -> tuple[npt.NDArray[Any], int]:
    """HU (rows, columns) of the stored values, and how many were padding that passes for tissue."""
    stored = slice_.stored
    padding = _is_padding(raw, slice_)
    values = raw.view(np.int16) if stored.signed else raw
    low = -(1 << (stored.bits_stored - 1)) if stored.signed else 0
    high = low + (1 << stored.bits_stored) - 1
    outside = (values < low) | (values > high) if stored.bits_stored < 16 else None
    if outside is not None and padding is not None:
        outside &= ~padding
    if outside is not None and outside.any():
        raise InputError(
            f"{slice_.label} holds values that need more than the {stored.bits_stored} bits its header"
            " states; export the series again"
        )
    slope, intercept_hu = stored.slope_factor, stored.intercept_hu
    assert slope is not None  # _not_plain refused it otherwise; for the type checker
    assert intercept_hu is not None
    if (slope, intercept_hu) == (1, 0):
        hu: npt.NDArray[Any] = values.astype(np.int32) if padding is not None else values
    elif slope.is_integer() and intercept_hu.is_integer() and max(abs(slope), abs(intercept_hu)) < (1 << 14):
        hu = values.astype(np.int32) * np.int32(slope) + np.int32(intercept_hu)
    else:
        hu = values.astype(np.float64) * slope + intercept_hu
    if padding is None:
        return hu, 0
    hidden = padding & (hu >= NO_DATA_BELOW_HU)
    hu[hidden] = NO_DATA_HU
    return hu, int(np.count_nonzero(hidden))


def _is_padding(raw: npt.NDArray[np.uint16], slice_: Slice) -> npt.NDArray[np.bool_] | None:
    """Where the padding value, or the range it opens, is stored; None where no voxel holds it."""
    if slice_.padding is None:
        return None
    if slice_.stored.signed:
        # The tag may be written unsigned for signed pixels (63536 for -2000): both are the same 16 bits.
        ends = [(end + (1 << 15)) % (1 << 16) - (1 << 15) for end in slice_.padding]
        values: npt.NDArray[Any] = raw.view(np.int16)
    else:
        ends, values = [end % (1 << 16) for end in slice_.padding], raw
    padding = (values >= min(ends)) & (values <= max(ends))
    return padding if padding.any() else None


def _tube_voltage(stack: Sequence[Slice]) -> tuple[float | None, list[str]]:
    voltages = [slice_.tube_voltage_kv for slice_ in stack]
    known = [voltage for voltage in voltages if voltage is not None]
    if len(known) == len(voltages) and max(known) - min(known) < SAME_VOLTAGE_KV and min(known) > 0:
        return known[0], []
    if known and max(known) - min(known) >= SAME_VOLTAGE_KV:
        return None, ["The tube voltage changes within the series, so it is taken as unknown."]
    return None, []


def _digest(grid: Grid, hu: npt.NDArray[Any]) -> str:
    sha = hashlib.sha256(np.array(grid.shape, "<i8").tobytes() + grid.affine.astype("<f8").tobytes())
    for k in range(grid.shape[2]):
        sha.update(np.ascontiguousarray(hu[:, :, k].T).data)
    return sha.hexdigest()


def _listed(counts: Counter[str]) -> str:
    return ", ".join(f"{count} {what}{'s' * (count > 1)}" for what, count in sorted(counts.items()))


def _syntax_name(slice_: Slice) -> str:
    name = slice_.syntax.name
    return name if slice_.syntax and name != slice_.syntax else "an unknown transfer syntax"


def _code(text: str) -> str:
    """A header's code word, only where the standard has it: other text might tell who the patient is."""
    return text if text in CODES else "something else"
