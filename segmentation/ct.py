"""Opens a CT, NIfTI or DICOM, and refuses anything else with what to do instead."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from segmentation.errors import InputError
from segmentation.vocabulary import CTVolume

NIFTI_ENDINGS = (".nii", ".nii.gz")
"""published: NIfTI-1 and NIfTI-2 single files, plain or compressed with gzip (RFC 1952)."""

DICOM_MARK_OFFSET = 128
"""published: DICOM PS3.10 section 7.1, the letters DICM follow a preamble of 128 bytes."""

ZIP_MARK, ZSTD_MARK = b"PK\x03\x04", b"\x28\xb5\x2f\xfd"
"""published: the zip format's APPNOTE 4.3.7; RFC 8878 section 3.1.1."""


def load_ct(path: Path, series: int | None = None) -> CTVolume:
    """The CT in ``path``: a NIfTI file (``.nii``, ``.nii.gz``), or DICOM: a folder, zip file or DICOMDIR.

    ``series`` chooses among several DICOM series, by the number that refusals and ``scan_ct`` give them.
    Affine RAS+ mm, values in HU, Fortran-ordered. Raises InputError with one sentence for anything else.
    """
    path = Path(path)
    # The readers are imported here: only one of the two libraries is needed, and each takes its time to load.
    if kind_of(path) == "NIfTI":
        if series is not None:
            raise InputError(f"{path} is a NIfTI file and holds one volume; leave the series out")
        from segmentation.nifti import load_nifti

        return load_nifti(path)
    from segmentation.dicom import load_dicom

    return load_dicom(path, series)


def kind_of(path: Path) -> Literal["NIfTI", "DICOM"]:
    """Which reader the path is for; InputError where it is for none."""
    if path.is_dir():
        return "DICOM"
    if not path.exists():
        raise InputError(f"there is no file or folder {path}; give a NIfTI file or a DICOM folder")
    if not path.is_file():
        raise InputError(f"{path} is neither a file nor a folder; give a NIfTI file or a DICOM folder")
    if path.name.lower().endswith(NIFTI_ENDINGS):
        return "NIfTI"
    start = _start(path)
    if start[DICOM_MARK_OFFSET:] == b"DICM" or start.startswith(ZIP_MARK):
        return "DICOM"
    if start.startswith(ZSTD_MARK):
        raise InputError(f"{path} is compressed with zstd, which is not read; unpack it and give the folder")
    raise InputError(
        f"{path} is not a kind of file this tool reads; give a NIfTI file ({' or '.join(NIFTI_ENDINGS)}) or"
        " a DICOM folder"
    )


def _start(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(DICOM_MARK_OFFSET + 4)
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror}); check its permissions") from error
