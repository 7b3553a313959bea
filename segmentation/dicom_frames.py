"""Takes an enhanced (multi-frame) CT apart into its images, each with its own place and its own rescale.

A field stands in the group of its frame or, where all frames share it, in the shared group; the rescale to HU
stands nowhere else, so that a reader of the top level alone gets wrong values. A frame without a place or a
rescale has none and is judged like any image without.
Source: DICOM PS3.3 C.7.6.16 (functional groups), C.8.15.3 (enhanced CT).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from pydicom.tag import Tag

from segmentation.dicom_elements import pydicom_silent, sequences
from segmentation.dicom_headers import Slice, finite_numbers
from segmentation.errors import InputError

SHARED, PER_FRAME = "SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence"

GROUP_OF = {
    "ImagePositionPatient": "PlanePositionSequence",
    "ImageOrientationPatient": "PlaneOrientationSequence",
    "PixelSpacing": "PixelMeasuresSequence",
    "SliceThickness": "PixelMeasuresSequence",
    "RescaleSlope": "PixelValueTransformationSequence",
    "RescaleIntercept": "PixelValueTransformationSequence",
    "RescaleType": "PixelValueTransformationSequence",
    "KVP": "CTXRayDetailsSequence",
    "ConvolutionKernel": "CTReconstructionSequence",
    "FrameType": "CTImageFrameTypeSequence",
}
"""published: DICOM PS3.3 C.7.6.16.2 and C.8.15.3, the group that holds each field."""


def frames_of(whole: Slice) -> list[Slice]:
    """One Slice for each frame of a multi-frame file that is no localiser."""
    try:
        with pydicom_silent():
            return _frames(whole)
    except InputError:
        raise
    except Exception as error:  # pydicom raises whatever its parsing stumbles over, of no common kind
        raise InputError(f"{whole.label} is a damaged DICOM file; export the series again") from error


def _frames(whole: Slice) -> list[Slice]:
    header = sequences(whole.path, [int(Tag(SHARED)), int(Tag(PER_FRAME))])
    shared = (header.get(SHARED) or [None])[0]
    own = list(header.get(PER_FRAME) or [])
    if len(own) != whole.frame_count:
        raise InputError(
            f"{whole.label} is a multi-frame CT of {whole.frame_count} and says of {len(own)} where they lie;"
            " export it as one file for each image"
        )
    frames = []
    for number, groups in enumerate(own):
        field = _Fields((groups, shared), f"frame {number + 1} of {whole.label}")
        if "LOCALIZER" not in field.text("FrameType").upper():
            frames.append(_frame(whole, number, field))
    return frames


def _frame(whole: Slice, number: int, field: _Fields) -> Slice:
    return replace(
        whole,
        label=field.label,
        frame=number,
        kernel=field.text("ConvolutionKernel"),
        slope_factor=field.number("RescaleSlope"),
        intercept_hu=field.number("RescaleIntercept"),
        unit=field.text("RescaleType") or "HU",
        position_lps_mm=field.numbers("ImagePositionPatient", 3),
        orientation_lps=field.numbers("ImageOrientationPatient", 6),
        pixel_spacing_mm=field.numbers("PixelSpacing", 2),
        thickness_mm=field.number("SliceThickness"),
        tube_voltage_kv=field.number("KVP") or whole.tube_voltage_kv,
    )


class _Fields:
    """What the groups of one frame say, its own before the shared ones."""

    def __init__(self, groups: tuple[Any, Any], label: str) -> None:
        self._groups = groups
        self.label = label

    def numbers(self, field: str, count: int) -> Any:
        value = self._value(field)
        return None if value is None else finite_numbers(value, field, count, self.label)

    def number(self, field: str) -> float | None:
        values = self.numbers(field, 1)
        return None if values is None else float(values[0])

    def text(self, field: str) -> str:
        value = self._value(field)
        if value is None:
            return ""
        return value if isinstance(value, str) else "\\".join(map(str, value))

    def _value(self, field: str) -> Any:
        for group in self._groups:
            items = None if group is None else group.get(GROUP_OF[field])
            value = items[0].get(field) if items else None
            if value not in (None, ""):
                return value
        return None
