"""Reads what one DICOM file says about itself, without its pixels and without anything about the patient.

Only the fields listed here are asked for; names, dates and identifiers are never read into the program. What
a series is called by (its UID) serves to tell series apart and is forgotten. Files are named by their place
in the folder's alphabetical order, since file names often hold a patient's name.
Source of fields and their meaning: DICOM PS3.3 C.7.6.2 (plane), C.7.6.3 (pixels), C.8.2.1 (CT), PS3.10
(files).
"""

from __future__ import annotations

import math
import struct
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import pydicom
from pydicom.errors import InvalidDicomError
from pydicom.tag import Tag
from pydicom.uid import (
    UID,
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    LegacyConvertedEnhancedCTImageStorage,
)

from segmentation.errors import InputError
from segmentation.vocabulary import Floats

UNCOMPRESSED = (ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian)
"""published: DICOM PS3.5 section 10 and annex A, the transfer syntaxes with bare pixels."""

PIXEL_DATA_GROUP, PIXEL_DATA_ELEMENT = 0x7FE0, 0x0010
"""published: DICOM PS3.6, tag of Pixel Data."""

FIELDS = [
    "SOPClassUID", "SeriesInstanceUID", "ImageType", "NumberOfFrames", "LossyImageCompression",
    "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness", "Rows", "Columns",
    "SamplesPerPixel", "PhotometricInterpretation", "BitsAllocated", "BitsStored", "HighBit",
    "PixelRepresentation", "PixelPaddingValue", "PixelPaddingRangeLimit", "RescaleSlope", "RescaleIntercept",
    "RescaleType", "KVP",
]  # fmt: skip
"""All that is read of a header; nothing in it tells who the patient is."""

TAGS = [Tag(field) for field in FIELDS]
"""The same as pydicom's tags, looked up once and not for every file."""

Kind = Literal["CT image", "CT localiser", "multi-frame CT"]


@dataclass(frozen=True, eq=False)
class Stored:
    """How a slice's values lie in its file: all of this must be the same throughout a series."""

    rows: int
    columns: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    samples: int
    photometric: str
    slope_factor: float | None
    intercept_hu: float | None
    unit: str


@dataclass(frozen=True, eq=False)
class Slice:
    """One CT image: where it lies in DICOM's own frame (LPS), how its values are stored, where in the
    file."""

    path: Path
    label: str
    kind: Kind
    series: str
    syntax: UID
    stored: Stored
    position_lps_mm: Floats | None
    orientation_lps: Floats | None
    pixel_spacing_mm: Floats | None
    thickness_mm: float | None
    tube_voltage_kv: float | None
    padding: tuple[int, int] | None
    lossy_before: bool
    big_endian: bool
    pixel_offset: int | None
    pixel_bytes: int
    pixel_bytes_present: int


def read_slice(path: Path, label: str) -> Slice | str | None:
    """The CT image in ``path``; or the name of what else it holds; or None where it is not DICOM.

    ``label`` stands for the file in sentences. Raises InputError where the file is DICOM and cannot be read.
    """
    try:
        # pydicom warns of every header that bends the standard, as real ones do (numbers over 16 characters);
        # what matters of it is judged in this package, by name.
        with path.open("rb") as file, warnings.catch_warnings(), pydicom.config.disable_value_validation():
            warnings.simplefilter("ignore")
            try:
                header = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=TAGS)
            except InvalidDicomError:
                return None
            return _slice(header, file, path, label)
    except InputError:
        raise
    except OSError as error:
        raise InputError(f"{label} cannot be read ({error.strerror}); check the disk") from error
    except Exception as error:  # pydicom raises whatever its parsing stumbles over, of no common kind
        raise InputError(f"{label} is a damaged DICOM file; export the series again") from error


def _slice(header: Any, file: BinaryIO, path: Path, label: str) -> Slice | str:
    meta = header.file_meta
    sop_class = UID(str(header.get("SOPClassUID") or meta.get("MediaStorageSOPClassUID") or ""))
    if not sop_class:
        raise InputError(f"{label} is DICOM but does not say what it holds; export the series again")
    kind = _kind(header, sop_class)
    if kind is None:
        return sop_class.name.removesuffix(" Storage") if sop_class.name != sop_class else "unknown object"
    big_endian = not header.original_encoding[1]
    offset, length = _pixel_element(file, header.original_encoding[0], big_endian)
    spacing = _numbers(header, "PixelSpacing", 2, label)
    return Slice(
        path=path,
        label=label,
        kind=kind,
        series=str(header.get("SeriesInstanceUID") or ""),
        syntax=UID(str(meta.get("TransferSyntaxUID") or "")),
        stored=_stored(header, label),
        position_lps_mm=_numbers(header, "ImagePositionPatient", 3, label),
        orientation_lps=_numbers(header, "ImageOrientationPatient", 6, label),
        pixel_spacing_mm=spacing,
        thickness_mm=_number(header, "SliceThickness", label),
        tube_voltage_kv=_number(header, "KVP", label) or None,
        padding=_padding(header, label),
        lossy_before=str(header.get("LossyImageCompression") or "") == "01",
        big_endian=big_endian,
        pixel_offset=offset,
        pixel_bytes=length,
        pixel_bytes_present=0 if offset is None else path.stat().st_size - offset,
    )


def _kind(header: Any, sop_class: UID) -> Kind | None:
    if sop_class in (EnhancedCTImageStorage, LegacyConvertedEnhancedCTImageStorage):
        return "multi-frame CT"
    if sop_class != CTImageStorage:
        return None
    if "LOCALIZER" in str(header.get("ImageType") or "").upper():
        return "CT localiser"
    return "multi-frame CT" if int(header.get("NumberOfFrames") or 1) > 1 else "CT image"


def _stored(header: Any, label: str) -> Stored:
    return Stored(
        rows=_whole(header, "Rows"),
        columns=_whole(header, "Columns"),
        bits_allocated=_whole(header, "BitsAllocated"),
        bits_stored=_whole(header, "BitsStored"),
        high_bit=_whole(header, "HighBit"),
        signed=_whole(header, "PixelRepresentation") == 1,
        samples=_whole(header, "SamplesPerPixel"),
        photometric=str(header.get("PhotometricInterpretation") or "").strip(),
        slope_factor=_number(header, "RescaleSlope", label),
        intercept_hu=_number(header, "RescaleIntercept", label),
        unit=str(header.get("RescaleType") or "HU").strip(),
    )


def _pixel_element(file: BinaryIO, implicit: bool, big_endian: bool) -> tuple[int | None, int]:
    """Where Pixel Data's value begins and how long it says it is; the file stands before its tag."""
    order = ">" if big_endian else "<"
    size = 8 if implicit else 12
    start = file.read(size)
    if len(start) < size:
        return None, 0
    if struct.unpack(f"{order}HH", start[:4]) != (PIXEL_DATA_GROUP, PIXEL_DATA_ELEMENT):
        return None, 0
    # published: PS3.5 section 7.1.2, OB and OW have two reserved bytes and a 32-bit length.
    return file.tell(), int(struct.unpack(f"{order}I", start[-4:])[0])


def _whole(header: Any, field: str) -> int:
    value = header.get(field)
    return -1 if value is None else int(value)


def _number(header: Any, field: str, label: str) -> float | None:
    values = _numbers(header, field, 1, label)
    return None if values is None else float(values[0])


def _numbers(header: Any, field: str, count: int, label: str) -> Floats | None:
    value = header.get(field)
    if value is None or value == "":
        return None
    fault = InputError(
        f"{label} has {field} other than {count} finite number{'s' * (count > 1)}; export the series again"
    )
    try:
        numbers = np.array(value, float).reshape(-1)
    except (TypeError, ValueError):
        raise fault from None
    if numbers.shape != (count,) or not all(map(math.isfinite, numbers)):
        raise fault
    return numbers


def _padding(header: Any, label: str) -> tuple[int, int] | None:
    """The padding value and its range's other end, as the 16 bits stored (the tag may be signed or not)."""
    value = header.get("PixelPaddingValue")
    if value is None or value == "":
        return None
    limit = header.get("PixelPaddingRangeLimit")
    try:
        return int(value), int(value if limit is None else limit)
    except (TypeError, ValueError):
        raise InputError(f"{label} has an unreadable PixelPaddingValue; export the series again") from None
