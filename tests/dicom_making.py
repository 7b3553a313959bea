"""Writes small DICOM series with pydicom, so that tests know every voxel and every position."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gdcm
import numpy as np
import pydicom
import pytest
from pydicom.config import disable_value_validation
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    UID,
    CTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    generate_uid,
)

from segmentation.ct import load_ct
from segmentation.errors import InputError

AXIAL = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
STRUCTURES = "1.2.840.10008.5.1.4.1.1.481.3"
SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"
ENHANCED = "1.2.840.10008.5.1.4.1.1.2.1"
SERIES = "1.2.826.0.1.3680043.8.498.1"
PATIENT = "Sorrel^Quince"
"""An invented name that must never come out of the reader."""


def write_slice(
    path: Path,
    values: np.ndarray,
    position_lps_mm: tuple[float, float, float],
    *,
    orientation: tuple[float, ...] = AXIAL,
    spacing_mm: tuple[float, float] = (0.5, 0.4),
    syntax: str = ExplicitVRLittleEndian,
    sop_class: str = CTImageStorage,
    change: Callable[[Any], None] | None = None,
) -> None:
    """One file; ``values`` (rows, columns) int16 or uint16; ``change`` edits the data set before it is
    written."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(sop_class)
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[path.name])
    meta.TransferSyntaxUID = UID(syntax)
    big_endian, implicit = syntax == ExplicitVRBigEndian, syntax == ImplicitVRLittleEndian
    header = FileDataset(
        str(path), {}, b"\0" * 128, meta, is_implicit_VR=implicit, is_little_endian=not big_endian
    )
    header.SOPClassUID = UID(sop_class)
    header.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    header.SeriesInstanceUID = SERIES
    header.PatientName = PATIENT
    header.PatientID = "quince-77"
    header.SeriesDescription = PATIENT
    header.Modality = "CT"
    header.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    header.ImagePositionPatient = [float(f"{value:.10g}") for value in position_lps_mm]
    header.ImageOrientationPatient = [float(f"{value:.10g}") for value in orientation]
    header.PixelSpacing = list(spacing_mm)
    header.SliceThickness = 1.0
    header.Rows, header.Columns = values.shape
    header.SamplesPerPixel = 1
    header.PhotometricInterpretation = "MONOCHROME2"
    header.BitsAllocated = header.BitsStored = 16
    header.HighBit = 15
    header.PixelRepresentation = int(values.dtype.kind == "i")
    header.RescaleSlope = 1
    header.RescaleIntercept = 0
    header.KVP = 120
    header.PixelData = values.astype(values.dtype.newbyteorder(">" if big_endian else "<")).tobytes()
    header["PixelData"].VR = "OW"
    # Headers that bend the standard are wanted here, without a warning for each.
    with warnings.catch_warnings(), disable_value_validation():
        warnings.simplefilter("ignore")
        if change:
            change(header)
        header.save_as(path, enforce_file_format=True)


def write_series(folder: Path, values: np.ndarray, *, step_mm: float = 1.0, **options: Any) -> None:
    """``values`` (slices, rows, columns) at z = 0, step, 2·step…; names do not follow positions."""
    folder.mkdir(exist_ok=True)
    for k, image in enumerate(values):
        write_slice(folder / f"{100 - k * 37 % 101:03d}.dcm", image, (-10.0, -20.0, k * step_mm), **options)


def write_enhanced(
    path: Path,
    values: np.ndarray,
    *,
    step_mm: float = 1.0,
    shared_rescale: tuple[float, float] | None = (1.0, -1024.0),
    frame_rescales: list[tuple[float, float]] | None = None,
    change: Callable[[Any], None] | None = None,
    frame_types: list[str] | None = None,
) -> None:
    """``values`` (frames, rows, columns) uint16 as one enhanced CT; rescale only in functional groups."""

    def group(**fields: Any) -> Sequence:
        item = Dataset()
        for name, value in fields.items():
            setattr(item, name, value)
        return Sequence([item])

    def rescale(pair: tuple[float, float]) -> Sequence:
        return group(RescaleSlope=pair[0], RescaleIntercept=pair[1], RescaleType="HU")

    def as_enhanced(header: Any) -> None:
        for name in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness"):
            delattr(header, name)
        for name in ("RescaleSlope", "RescaleIntercept", "KVP"):
            delattr(header, name)
        header.NumberOfFrames = len(values)
        header.Rows, header.Columns = values.shape[1:]
        shared = Dataset()
        shared.PlaneOrientationSequence = group(ImageOrientationPatient=list(AXIAL))
        shared.PixelMeasuresSequence = group(PixelSpacing=[0.5, 0.4], SliceThickness=1.0)
        shared.CTXRayDetailsSequence = group(KVP=110)
        if shared_rescale:
            shared.PixelValueTransformationSequence = rescale(shared_rescale)
        header.SharedFunctionalGroupsSequence = Sequence([shared])
        frames = []
        for k in range(len(values)):
            frame = Dataset()
            # Frames out of order, as dimension indices allow.
            frame.PlanePositionSequence = group(ImagePositionPatient=[-10.0, -20.0, (k * 5 % 7) * step_mm])
            if frame_rescales:
                frame.PixelValueTransformationSequence = rescale(frame_rescales[k])
            if frame_types:
                frame.CTImageFrameTypeSequence = group(FrameType=["ORIGINAL", "PRIMARY", frame_types[k]])
            frames.append(frame)
        header.PerFrameFunctionalGroupsSequence = Sequence(frames)
        if change:
            change(header)

    write_slice(path, values.reshape(-1, values.shape[2]), (0, 0, 0), sop_class=ENHANCED, change=as_enhanced)


def compress(folder: Path, syntax: str) -> None:
    """Every file of the folder in another transfer syntax, by GDCM."""
    for path in list(folder.iterdir()):
        reader = gdcm.ImageReader()
        reader.SetFileName(str(path))
        assert reader.Read()
        changer = gdcm.ImageChangeTransferSyntax()
        changer.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(syntax)))
        changer.SetInput(reader.GetImage())
        assert changer.Change()
        writer = gdcm.ImageWriter()
        packed = path.with_name("packed by gdcm")
        writer.SetFileName(str(packed))
        writer.SetFile(reader.GetFile())
        writer.SetImage(changer.GetOutput())
        assert writer.Write()
        # GDCM changes the rescale type on the way, so only the pixels are taken from it.
        header = pydicom.dcmread(path)
        header.PixelData = pydicom.dcmread(packed).PixelData
        header["PixelData"].is_undefined_length = True
        header["PixelData"].VR = "OB"
        header.file_meta.TransferSyntaxUID = UID(syntax)
        header.save_as(path)
        packed.unlink()


def ct_values(dtype=np.int16):
    """(slices, rows, columns), each voxel its own value."""
    return (np.arange(6 * 5 * 4).reshape(6, 5, 4) * 10 - (1000 if dtype == np.int16 else 0)).astype(dtype)


def setting(**fields):
    """A change that sets header fields, or deletes those given as None."""

    def change(header):
        for name, value in fields.items():
            if value is None:
                delattr(header, name)
            else:
                setattr(header, name, value)

    return change


def refusal(folder):
    """The one sentence with which ``folder`` is refused; it must not tell who the patient is."""
    with pytest.raises(InputError) as caught:
        load_ct(folder)
    told = str(caught.value)
    assert "\n" not in told
    assert "orrel" not in told
    assert "uince" not in told
    return told
