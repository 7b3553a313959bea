"""Opens a CT, NIfTI file or DICOM folder, and refuses anything else with what to do instead."""

from __future__ import annotations

from pathlib import Path

from segmentation.errors import InputError
from segmentation.vocabulary import CTVolume

NIFTI_ENDINGS = (".nii", ".nii.gz")
"""published: NIfTI-1 and NIfTI-2 single files, plain or compressed with gzip (RFC 1952)."""

DICOM_MARK_OFFSET = 128
"""published: DICOM PS3.10 section 7.1, the letters DICM follow a preamble of 128 bytes."""


def load_ct(path: Path) -> CTVolume:
    """The CT in ``path``: a NIfTI file (``.nii``, ``.nii.gz``) or a folder with one DICOM series.

    Affine RAS+ mm, values in HU, Fortran-ordered. Raises InputError with one sentence for anything else.
    """
    path = Path(path)
    # The readers are imported here: only one of the two libraries is needed, and each takes its time to load.
    if path.is_dir():
        from segmentation.dicom import load_dicom_folder

        return load_dicom_folder(path)
    if not path.exists():
        raise InputError(f"there is no file or folder {path}; give a NIfTI file or a DICOM folder")
    if not path.is_file():
        raise InputError(f"{path} is neither a file nor a folder; give a NIfTI file or a DICOM folder")
    if path.name.lower().endswith(NIFTI_ENDINGS):
        from segmentation.nifti import load_nifti

        return load_nifti(path)
    if _is_dicom(path):
        raise InputError(
            f"{path} is one DICOM file; give the folder that holds all files of the series instead"
        )
    raise InputError(
        f"{path} is not a kind of file this tool reads; give a NIfTI file ({' or '.join(NIFTI_ENDINGS)}) or"
        " a DICOM folder"
    )


def _is_dicom(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(DICOM_MARK_OFFSET + 4)[DICOM_MARK_OFFSET:] == b"DICM"
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror}); check its permissions") from error
