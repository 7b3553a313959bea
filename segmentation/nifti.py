"""Reads a CT from a NIfTI file, to its last byte, so that a damaged file is refused and never loads silently
wrong.

The header is judged by nibabel; the voxels are read here, slab by slab, because the usual call stops where
the voxels end and so never meets the check sum of a compressed file. isal unpacks faster than Python's own
gzip. NIfTI's world is RAS+ mm already: the array stays as stored and only the affine says how it lies. Left
and right unknown (sform and qform code 0) is refused.
"""

from __future__ import annotations

import hashlib
import io
import logging
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import nibabel
import numpy as np
import numpy.typing as npt
from isal import igzip
from isal.igzip_lib import IsalError
from nibabel.spatialimages import HeaderDataError

from segmentation.errors import InputError
from segmentation.reading import GreyValues, checked_grid
from segmentation.vocabulary import CTVolume, Floats, Grid

GZIP_MARK = b"\x1f\x8b"
"""published: RFC 1952 section 2.3.1."""

LARGEST_GZIP_RATIO = 1032
"""published: zlib's technical notes, deflate compresses 1032 to 1 at most; a header asking for more data
lies."""

SLAB_BYTES = 1 << 22
"""Read at a time. Our choice: 4 MiB stays in the cache and needs few calls."""

HEADER_BYTES = {348: nibabel.Nifti1Header, 540: nibabel.Nifti2Header}
"""published: sizeof_hdr of NIfTI-1 and NIfTI-2."""

MM_PER_UNIT = {"mm": 1.0, "unknown": 1.0, "meter": 1000.0, "micron": 0.001}
"""published: NIfTI-1 xyzt_units; common practice: unknown means mm."""

FORMS_AGREE_MM = 0.1
"""Where sform and qform put a voxel farther apart than this, it is told. Our choice: below a voxel of any
CT."""

_SILENT = logging.Logger("segmentation.nifti.silent", logging.CRITICAL + 1)


def load_nifti(path: Path) -> CTVolume:
    """The CT in a ``.nii`` or ``.nii.gz`` file: HU (i, j, k) int16 or float32, affine RAS+ mm.

    ``digest`` is the SHA-256 of the file's bytes. Raises InputError for what is damaged or is not a 3D CT.
    """
    with _opened(path) as (stream, hashed, largest_bytes):
        return _read(stream, hashed, path, largest_bytes)


def nifti_grid(path: Path) -> tuple[Grid, list[str]]:
    """Where the voxels of a file lie, and notes, from its header alone."""
    with _opened(path) as (stream, _, largest_bytes):
        layout = _layout(stream, path, largest_bytes)
        return layout.grid, layout.notes


@contextmanager
def _opened(path: Path) -> Iterator[tuple[Any, _Hashed, int]]:
    """The bytes of the file, unpacked, what hashes it as it is read, and how many bytes it holds."""
    try:
        with path.open("rb") as file:
            hashed = _Hashed(file)
            compressed = file.read(2) == GZIP_MARK
            file.seek(0)
            stream: Any = igzip.IGzipFile(fileobj=hashed, mode="rb") if compressed else hashed
            yield stream, hashed, path.stat().st_size * (LARGEST_GZIP_RATIO if compressed else 1)
    except (EOFError, IsalError, igzip.BadGzipFile) as error:  # type: ignore[misc]  # isal's types are amiss
        raise InputError(
            f"{path} is damaged: its compressed data end early or fail their check sum; copy it again from"
            " the source"
        ) from error
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({error.strerror}); check the disk and the permissions"
        ) from error
    except MemoryError as error:
        raise InputError(
            f"{path} needs more memory than there is; crop the volume to the bone of interest"
        ) from error


class _Hashed(io.RawIOBase):
    """A file that is hashed while it is read once from front to back."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._sha = hashlib.sha256()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        count = self._file.readinto(buffer)  # type: ignore[attr-defined]
        self._sha.update(memoryview(buffer)[:count])
        return int(count)

    def hexdigest(self) -> str:
        return self._sha.hexdigest()


@dataclass(frozen=True, eq=False)
class _Layout:
    """What the header says; the stream then stands ``skipped`` bytes before the first voxel."""

    grid: Grid
    notes: list[str]
    dtype: np.dtype[Any]
    scaling: tuple[float, float]
    skipped: int


def _layout(stream: Any, path: Path, largest_bytes: int) -> _Layout:
    header, header_bytes = _header(stream, path)
    shape, notes = _shape(header, path)
    dtype = _stored_type(header, path)
    offset = _offset(header, path)
    if offset < header_bytes or offset + int(np.prod(shape, dtype=object)) * dtype.itemsize > largest_bytes:
        raise _wrong_length(path, "shorter")
    grid, grid_notes = _grid(header, shape, path)
    return _Layout(grid, [*notes, *grid_notes], dtype, _scaling(header, path), offset - header_bytes)


def _read(stream: Any, hashed: _Hashed, path: Path, largest_bytes: int) -> CTVolume:
    layout = _layout(stream, path, largest_bytes)
    _fill(stream, np.empty(layout.skipped, np.uint8), path)
    hu, value_notes = _values(stream, layout.grid.shape, layout.dtype, layout.scaling, path)
    # Only asking for one byte more makes gzip compare its check sum and its length.
    if stream.read(1):
        raise _wrong_length(path, "longer")
    return CTVolume(layout.grid, hu, hashed.hexdigest(), None, (*layout.notes, *value_notes))


def _header(stream: Any, path: Path) -> tuple[Any, int]:
    start = stream.read(4)
    if not start:
        raise InputError(f"{path} is empty; copy it again from the source")
    sizes = {int.from_bytes(start, order) for order in ("little", "big")} if len(start) == 4 else set()
    size = next((size for size in sizes if size in HEADER_BYTES), None)
    if size is None:
        raise InputError(f"{path} is not a NIfTI image; give a NIfTI file or a DICOM folder")
    block = np.empty(size, np.uint8)
    block[:4] = np.frombuffer(start, np.uint8)
    _fill(stream, block[4:], path)
    try:
        header = HEADER_BYTES[size](block.tobytes(), check=False)
        header.check_fix(logger=_SILENT, error_level=logging.ERROR)
    except (HeaderDataError, ValueError, OverflowError) as error:
        raise InputError(f"{path} has a damaged NIfTI header; copy it again from the source") from error
    if not bytes(header["magic"].item()).startswith((b"n+1", b"n+2")):
        raise InputError(f"{path} is half of a two-file image; save it as one file (.nii or .nii.gz)")
    return header, size


def _shape(header: Any, path: Path) -> tuple[tuple[int, int, int], list[str]]:
    dims = tuple(int(n) for n in header.get_data_shape())
    told = "×".join(map(str, dims)) or "no"
    if len(dims) < 3:
        raise InputError(f"{path} has {told} voxels, which is not a volume; give a 3D CT")
    if min(dims) < 1:
        raise InputError(f"{path} says it has {told} voxels; copy it again from the source")
    if max(dims[3:], default=1) > 1:
        raise InputError(
            f"{path} has {told} values: several volumes in one file; save the one you mean as 3D"
        )
    notes = (
        ["The file's further dimensions hold one volume only; it was read as 3D."] if len(dims) > 3 else []
    )
    return (dims[0], dims[1], dims[2]), notes


def _stored_type(header: Any, path: Path) -> np.dtype[Any]:
    dtype: np.dtype[Any] = header.get_data_dtype()
    if dtype.kind not in "iuf":
        kind = {"c": "complex numbers", "V": "colours"}.get(dtype.kind, "no grey values")
        raise InputError(f"{path} holds {kind}; give a CT with one grey value in HU per voxel")
    return dtype


def _offset(header: Any, path: Path) -> int:
    """Where the voxels begin (NIfTI-1 stores it as float32, so it may be no number at all)."""
    offset = float(header["vox_offset"])
    if not math.isfinite(offset):
        raise InputError(f"{path} has a vox_offset of {offset}; copy it again from the source")
    return int(offset)


def _scaling(header: Any, path: Path) -> tuple[float, float]:
    """Slope and intercept of NIfTI-1 (a slope of 0 means: not scaled)."""
    try:
        slope, intercept = header.get_slope_inter()
    except HeaderDataError as error:
        raise InputError(
            f"{path} has a scl_inter that is not a number; save it again with a finite one"
        ) from error
    return (1.0, 0.0) if slope is None else (float(slope), float(intercept))


def _grid(header: Any, shape: tuple[int, int, int], path: Path) -> tuple[Grid, list[str]]:
    notes = []
    sform_code, qform_code = int(header["sform_code"]), int(header["qform_code"])
    if sform_code <= 0 and qform_code <= 0:
        raise InputError(
            f"{path} does not say how it lies in the patient (sform_code and qform_code are 0), so left and"
            " right are unknown; save it again with its orientation"
        )
    try:
        # nibabel's order, and the standard's: sform where its code is set, else qform.
        affine = np.array(header.get_best_affine(), float)
        other = np.array(header.get_qform(), float) if min(sform_code, qform_code) > 0 else affine
        unit = header.get_xyzt_units()[0]
    except (HeaderDataError, ValueError, KeyError) as error:
        raise InputError(
            f"{path} has an orientation that cannot be read; save it again with a valid one"
        ) from error
    apart_mm = _largest_distance(affine, other, shape)
    if apart_mm > FORMS_AGREE_MM:
        notes.append(
            f"The file's sform and qform put voxels up to {apart_mm:.1f} mm apart; the sform was used."
        )
    if MM_PER_UNIT[unit] != 1:
        notes.append(f"The file's unit of length is {unit}; it was converted to mm.")
        affine[:3] *= MM_PER_UNIT[unit]
    return checked_grid(shape, affine, str(path)), notes


def _largest_distance(first: Floats, second: Floats, shape: tuple[int, int, int]) -> float:
    corners = np.array(
        [[i, j, k, 1] for i in (0, shape[0]) for j in (0, shape[1]) for k in (0, shape[2])], float
    )
    return float(np.linalg.norm(corners @ (first - second).T, axis=1).max())


def _values(
    stream: Any, shape: tuple[int, int, int], dtype: np.dtype[Any], scaling: tuple[float, float], path: Path
) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    values = GreyValues(shape, str(path))
    slice_bytes = shape[0] * shape[1] * dtype.itemsize
    step = max(1, SLAB_BYTES // slice_bytes)
    slope, intercept = scaling
    for first_k in range(0, shape[2], step):
        n = min(step, shape[2] - first_k)
        raw = np.empty(n * slice_bytes, np.uint8)
        _fill(stream, raw, path)
        slab = raw.view(dtype).reshape((n, shape[1], shape[0])).T
        values.put(first_k, slab if scaling == (1.0, 0.0) else slab.astype(np.float64) * slope + intercept)
    return values.finish()


def _fill(stream: Any, buffer: npt.NDArray[np.uint8], path: Path) -> None:
    view = buffer.data
    filled = 0
    while filled < len(view):
        count = stream.readinto(view[filled:])
        if not count:
            raise _wrong_length(path, "shorter")
        filled += count


def _wrong_length(path: Path, how: str) -> InputError:
    return InputError(
        f"{path} is {how} than its header says (cut off or damaged); copy it again from the source"
    )
