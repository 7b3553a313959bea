"""Tells what one DICOM file says about its images, without pixels and without anything about the patient.

Only the fields listed here are asked for; names, dates and identifiers are never read into the program. What
a series is called by (its UID) serves to tell series apart and is forgotten. Files are named by their place
in the folder's alphabetical order, since file names often hold a patient's name.
Source of fields and their meaning: DICOM PS3.3 C.7.6.2 (plane), C.7.6.3 (pixels), C.8.2.1 (CT).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from pydicom.tag import Tag
from pydicom.uid import UID, CTImageStorage, EnhancedCTImageStorage, LegacyConvertedEnhancedCTImageStorage

from segmentation.dicom_elements import Elements, read_elements
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

FIELDS = (
    "SOPClassUID", "SeriesInstanceUID", "SeriesNumber", "ImageType", "NumberOfFrames",
    "LossyImageCompression", "ConvolutionKernel", "ImagePositionPatient", "ImageOrientationPatient",
    "PixelSpacing", "SliceThickness", "Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation",
    "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PixelPaddingValue",
    "PixelPaddingRangeLimit", "RescaleSlope", "RescaleIntercept", "RescaleType", "KVP",
)  # fmt: skip
"""All that is read of a header; nothing in it tells who the patient is."""

TAG = {field: int(Tag(field)) for field in FIELDS}
WANTED = frozenset(TAG.values())

MOST_FRAMES_COUNT = 20_000
"""More frames than any one examination has: the header lies. Our choice."""

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

    @property
    def frame_bytes(self) -> int:
        """The size of one uncompressed image of 16 bits."""
        return self.rows * self.columns * 2


@dataclass(frozen=True, eq=False)
class Slice:
    """One CT image: where it lies in DICOM's own frame (LPS), how its values are stored, where in the
    file."""

    path: Path
    label: str
    kind: Kind
    series: str
    series_number: int | None
    kernel: str
    syntax: UID
    stored: Stored
    slope_factor: float | None
    intercept_hu: float | None
    unit: str
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
    frame: int = 0
    frame_count: int = 1


def read_slice(path: Path, label: str) -> Slice | str | None:
    """The CT image in ``path``; or the name of what else it holds; or None where it is not DICOM.

    ``label`` stands for the file in sentences. Raises InputError where the file is DICOM and cannot be read.
    """
    try:
        elements = read_elements(path, WANTED)
        return None if elements is None else _slice(elements, path, label)
    except InputError:
        raise
    except OSError as error:
        raise InputError(f"{label} cannot be read ({error.strerror}); check the disk") from error
    except Exception as error:  # pydicom raises whatever its parsing stumbles over, of no common kind
        raise InputError(f"{label} is a damaged DICOM file; export the series again") from error


def _slice(header: Elements, path: Path, label: str) -> Slice | str:
    sop_class = UID(header.text(TAG["SOPClassUID"])) or header.media_class
    if not sop_class:
        raise InputError(f"{label} is DICOM but does not say what it holds; export the series again")
    frames = _number(header, "NumberOfFrames", label) or 1
    if not 1 <= frames <= MOST_FRAMES_COUNT:
        raise InputError(f"{label} says it holds {frames:.0f} frames; export the series again")
    kind = _kind(header, sop_class, int(frames))
    if kind is None:
        return sop_class.name.removesuffix(" Storage") if sop_class.name != sop_class else "unknown object"
    number = header.text(TAG["SeriesNumber"])
    return Slice(
        path=path,
        label=label,
        kind=kind,
        series=header.text(TAG["SeriesInstanceUID"]),
        series_number=int(number) if number.isdecimal() else None,
        kernel=header.text(TAG["ConvolutionKernel"]),
        syntax=header.syntax,
        stored=_stored(header),
        slope_factor=_number(header, "RescaleSlope", label),
        intercept_hu=_number(header, "RescaleIntercept", label),
        unit=header.text(TAG["RescaleType"]) or "HU",
        position_lps_mm=_numbers(header, "ImagePositionPatient", 3, label),
        orientation_lps=_numbers(header, "ImageOrientationPatient", 6, label),
        pixel_spacing_mm=_numbers(header, "PixelSpacing", 2, label),
        thickness_mm=_number(header, "SliceThickness", label),
        tube_voltage_kv=_number(header, "KVP", label) or None,
        padding=_padding(header),
        lossy_before=header.text(TAG["LossyImageCompression"]) == "01",
        big_endian=header.big_endian,
        pixel_offset=header.pixel_offset,
        pixel_bytes=header.pixel_bytes,
        pixel_bytes_present=header.bytes_present,
        frame_count=int(frames),
    )


def _kind(header: Elements, sop_class: UID, frames: int) -> Kind | None:
    if sop_class in (EnhancedCTImageStorage, LegacyConvertedEnhancedCTImageStorage):
        return "multi-frame CT"
    if sop_class != CTImageStorage:
        return None
    if "LOCALIZER" in header.text(TAG["ImageType"]).upper():
        return "CT localiser"
    return "multi-frame CT" if frames > 1 else "CT image"


def _stored(header: Elements) -> Stored:
    return Stored(
        rows=_whole(header, "Rows"),
        columns=_whole(header, "Columns"),
        bits_allocated=_whole(header, "BitsAllocated"),
        bits_stored=_whole(header, "BitsStored"),
        high_bit=_whole(header, "HighBit"),
        signed=_whole(header, "PixelRepresentation") == 1,
        samples=_whole(header, "SamplesPerPixel"),
        photometric=header.text(TAG["PhotometricInterpretation"]),
    )


def _whole(header: Elements, field: str) -> int:
    """A field of 16 bits, -1 where it is missing or no such number."""
    value = header.values.get(TAG[field], b"")
    return int.from_bytes(value, "big" if header.big_endian else "little") if len(value) == 2 else -1


def _padding(header: Elements) -> tuple[int, int] | None:
    """The padding value and its range's other end, as the 16 bits stored (the tag may be signed or not)."""
    value, limit = _whole(header, "PixelPaddingValue"), _whole(header, "PixelPaddingRangeLimit")
    if value < 0:
        return None
    return value, value if limit < 0 else limit


def _number(header: Elements, field: str, label: str) -> float | None:
    values = _numbers(header, field, 1, label)
    return None if values is None else float(values[0])


def _numbers(header: Elements, field: str, count: int, label: str) -> Floats | None:
    text = header.text(TAG[field])
    return finite_numbers(text.split("\\"), field, count, label) if text else None


def finite_numbers(values: object, field: str, count: int, label: str) -> Floats:
    """``count`` finite numbers from the parts of a field, or an InputError that names field and file."""
    fault = InputError(
        f"{label} has {field} other than {count} finite number{'s' * (count > 1)}; export the series again"
    )
    try:
        numbers = np.array(values, float).reshape(-1)
    except (TypeError, ValueError):
        raise fault from None
    if numbers.shape != (count,) or not all(map(math.isfinite, numbers)):
        raise fault
    return numbers
