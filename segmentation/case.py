"""A case folder: a bone on the disk, in open formats, whole or not at all.

``ct.nii.gz`` (HU), ``fragments.nii.gz`` (bytes: 0 outside, n = fragment n), ``surface-<n>.ply``,
``fracture-<n>-<m>.ply`` between two fragments, ``joint.ply`` and ``labels-given.nii.gz`` where there is one,
and ``bone.json``, which carries the SHA-256 of the others: a folder whose files do not belong together is
refused. A new case takes the place of the old one in a single step (``folder_swap``); the same bone gives the
same bytes.
"""

from __future__ import annotations

import gzip
import os
import re
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

import nibabel
import numpy as np
import numpy.typing as npt
from nibabel.filebasedimages import ImageFileError

from segmentation.asked_part import LABELS
from segmentation.bone_file import BoneDocument, FracturePart, bone_document, read_bone_document
from segmentation.errors import InputError
from segmentation.files import (
    canonical_json,
    is_temporary,
    parse_json,
    refusals_as_sentences,
    sha256_of_bytes,
    sha256_of_file,
    shown,
    write_and_flush,
)
from segmentation.folder_swap import recover, replace_folder
from segmentation.surface_file import ply_bytes, read_columns, read_cortex, read_ply
from segmentation.vocabulary import (
    AFFINE_TOLERANCE_MM,
    Bone,
    Calibration,
    CTVolume,
    Floats,
    FractureSurface,
    Fragment,
    Grid,
    Joint,
    Removed,
    Segmentation,
)

BONE, CT, FRAGMENTS, JOINT = "bone.json", "ct.nii.gz", "fragments.nii.gz", "joint.ply"
PLAN, ASSESSMENT, REPORT = "plan.json", "assessment.json", "report.html"
FIELDS = "fields.npz"
"""Distances kept for the next search; made anew whenever bone.json is another."""

OF_A_FRACTURE = {"gap_mm": False, "at_rim": True, "seen": True}
"""What a fracture's file tells of each vertex, and which of it is a truth value; the gap is NaN where not
measurable."""

GZIP_LEVEL = 1
"""Least effort. Our choice: a case is written while a person waits."""

_OF_THE_BONE = re.compile(
    r"bone\.json|(ct|fragments|labels-given)\.nii\.gz|(surface-\d+|fracture-\d+-\d+|joint)\.ply"
)

COUNTED_AT_ONCE = 1 << 22
"""Voxels whose labels are counted at once. Our choice: 32 MB."""


def write_case(folder: Path, bone: Bone, *, replace: bool = False) -> None:
    """Write ``bone`` as the case ``folder``, at once: whoever looks finds the old case or the new one.

    ``replace`` lets it take the place of an older case, whose plan and other files are kept and whose
    assessment and report are not. Raises InputError where something else is in the way; nothing is then
    changed.
    """
    check_place(folder, replace=replace)
    replace_folder(folder, lambda new: _fill(new, bone), keep=_outlives_the_bone)


def write_poses(folder: Path, poses: Mapping[int, Floats], bones: Mapping[int, str] | None = None) -> None:
    """Give fragments of the case, by number, other poses (4, 4), as-scanned mm → reduced mm, at once.

    ``bones`` are the names of the bones that fragments are now known to belong to. bone.json
    alone is written anew. What was measured or drawn at the old poses is removed with it; the plan
    and all else stay.
    """
    document = _bone_json(folder)
    read_bone_document(document, BONE)
    for fragment in document["fragments"]:
        if fragment["number"] in poses:
            fragment["pose"] = np.asarray(poses[fragment["number"]], float).tolist()
        fragment["bone"] = (bones or {}).get(fragment["number"], fragment["bone"])
    read_bone_document(document, f"{BONE} with the new poses")

    def outlives(name: str) -> bool:
        return name not in (BONE, ASSESSMENT, REPORT, FIELDS) and not is_temporary(name)

    replace_folder(folder, lambda new: write_and_flush(new / BONE, canonical_json(document)), keep=outlives)


def is_of_case(name: str) -> bool:
    """Whether a file of that name in a case is one that measuring depends on."""
    return name == PLAN or _OF_THE_BONE.fullmatch(name) is not None


def _outlives_the_bone(name: str) -> bool:
    # Numbers measured on the old bone must not stand beside the new one.
    return (
        name not in (ASSESSMENT, REPORT, FIELDS)
        and not is_temporary(name)
        and _OF_THE_BONE.fullmatch(name) is None
    )


def check_place(folder: Path, *, replace: bool) -> None:
    """Raise InputError unless a case may be written at ``folder``. Cheap: to be asked before long work."""
    recover(folder)
    name = shown(folder.name)
    if folder.is_symlink() and not folder.exists():
        raise InputError(f"{name} is a link to nothing; give another folder")
    if not folder.exists():
        _check_parent(folder)
        return
    if not folder.is_dir():
        raise InputError(f"{name} is a file, and a case is a folder; give another name")
    with refusals_as_sentences(f"cannot look into {name}"):
        names = {entry.name for entry in folder.iterdir()}
    if names and BONE not in names:
        raise InputError(f"{name} holds other files and is no case; give an empty or a new folder")
    if names and not replace:
        raise InputError(f"{name} is already a case; give another folder or --replace")


def _check_parent(folder: Path) -> None:
    above = next(parent for parent in folder.absolute().parents if parent.exists())
    if not above.is_dir():
        raise InputError(f"{shown(above.name)} is a file, so no case can lie in it; give another folder")
    if not os.access(above, os.W_OK):
        raise InputError(f"{shown(above.name)} is not yours to write into; give another folder for the case")


def check_case(folder: Path) -> None:
    """Raise InputError unless ``folder`` looks like a case. Cheap; ``read_case`` checks every file."""
    recover(folder)
    name = shown(folder.name)
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "does not exist"
        raise InputError(f"the case folder {name} {what}; give a folder that 'pilothole segment' has written")
    if not (folder / BONE).is_file():
        raise InputError(f"{name} is no case folder (it has no {BONE}); make one with 'pilothole segment'")


def read_case(folder: Path) -> Bone:
    """The bone in the case ``folder``. Raises InputError when a file is missing, changed or foreign."""
    document = read_document(folder)
    _check_digests(folder, document)
    grid = Grid(_triple(document.ct.shape), np.array(document.ct.affine))
    hu = _read_volume(folder / CT, grid)
    labels = _read_volume(folder / FRAGMENTS, grid)
    if hu.dtype not in (np.dtype(np.int16), np.dtype(np.float32)) or labels.dtype != np.uint8:
        raise InputError(f"{shown(folder.name)} holds volumes of another kind than a case has; segment again")
    _check_labels(labels, document)
    return Bone(
        ct=CTVolume(grid, hu, document.ct.digest, document.ct.tube_voltage_kv, tuple(document.ct.notes)),
        labels=labels,
        fragments=tuple(
            Fragment(
                part.number,
                part.name,
                part.bone,
                part.volume_mm3,
                read_ply(folder / surface_name(part.number)),
                pose=np.array(part.pose),
                cortex=read_cortex(folder / surface_name(part.number)),
            )
            for part in document.fragments
        ),
        host=document.host,
        segmentation=_segmentation(folder, document, grid),
        calibration=None
        if document.calibration is None
        else Calibration(**document.calibration.model_dump()),
        calibration_reason=document.calibration_reason,
        joint=None if document.joint is None else read_ply(folder / JOINT),
        edits=tuple(document.edits),
        digests=dict(document.made_with.inputs),
        fractures=tuple(_fracture(folder, part) for part in document.fractures),
        joints=tuple(Joint(**part.model_dump()) for part in document.joints),
    )


def read_document(folder: Path) -> BoneDocument:
    """bone.json of a case, checked by itself. Raises InputError with every fault of it."""
    return read_bone_document(_bone_json(folder), f"{BONE} of {shown(folder.name)}")


def surface_name(number: int) -> str:
    """The file of a fragment's surface."""
    return f"surface-{number}.ply"


def fracture_name(between: tuple[int, int]) -> str:
    """The file of the surface between two fragments."""
    return f"fracture-{between[0]}-{between[1]}.ply"


def _fracture(folder: Path, part: FracturePart) -> FractureSurface:
    between = (part.between[0], part.between[1])
    path = folder / fracture_name(between)
    told: dict[str, Any] = {**part.model_dump(), "between": between, **read_columns(path, OF_A_FRACTURE)}
    return FractureSurface(surface=read_ply(path), **told)


def _fill(folder: Path, bone: Bone) -> None:
    digests = {
        CT: write_volume(folder / CT, bone.ct.hu, bone.ct.grid),
        FRAGMENTS: write_volume(folder / FRAGMENTS, bone.labels, bone.ct.grid),
    }
    asked = bone.segmentation.asked
    if asked is not None and asked.labels is not None:
        digests[LABELS] = write_volume(folder / LABELS, asked.labels, bone.ct.grid)
    files = {
        surface_name(fragment.number): ply_bytes(fragment.surface, fragment.cortex)
        for fragment in bone.fragments
    }
    for fracture in bone.fractures:
        columns = {name: getattr(fracture, name) for name in OF_A_FRACTURE}
        files[fracture_name(fracture.between)] = ply_bytes(fracture.surface, columns=columns)
    if bone.joint is not None:
        files[JOINT] = ply_bytes(bone.joint)
    for name, content in files.items():
        write_and_flush(folder / name, content)
        digests[name] = sha256_of_bytes(content)
    document = bone_document(bone, digests)
    read_bone_document(document, BONE)
    write_and_flush(folder / BONE, canonical_json(document))


def write_volume(path: Path, values: npt.NDArray[Any], grid: Grid) -> str:
    """Write a volume as compressed NIfTI, the same bytes each time; returns its SHA-256."""
    image = nibabel.Nifti1Image(values, grid.affine)
    image.header.set_xyzt_units("mm")

    def write(file: IO[bytes]) -> None:
        # Without a time and a name in the gzip header the bytes depend on the values alone.
        with gzip.GzipFile("", "wb", GZIP_LEVEL, file, mtime=0) as packed:
            image.to_stream(packed)

    write_and_flush(path, write)
    return sha256_of_file(path)


def _bone_json(folder: Path) -> Any:
    check_case(folder)
    name = shown(folder.name)
    with refusals_as_sentences(f"cannot read {BONE} of {name}"):
        content = (folder / BONE).read_bytes()
    return parse_json(content, f"{BONE} of {name}")


def _check_digests(folder: Path, document: BoneDocument) -> None:
    expected = {CT, FRAGMENTS, *(surface_name(part.number) for part in document.fragments)}
    expected |= {fracture_name((part.between[0], part.between[1])) for part in document.fractures}
    if document.joint is not None:
        expected.add(JOINT)
    if _labels_given(document):
        expected.add(LABELS)
    name = shown(folder.name)
    if set(document.digests) != expected:
        odd = ", ".join(sorted(shown(file) for file in set(document.digests) ^ expected))
        raise InputError(f"{BONE} of {name} does not fit its own list of files ({odd}); segment again")
    for file, digest in document.digests.items():
        if not (folder / file).is_file():
            raise InputError(f"{file} is missing in the case folder {name}; restore it or segment again")
        if sha256_of_file(folder / file) != digest:
            raise InputError(
                f"{file} in {name} is not the one {BONE} belongs with (other SHA-256); restore it"
            )


def _read_volume(path: Path, grid: Grid) -> npt.NDArray[Any]:
    try:
        image = nibabel.load(path)
        if image.shape != grid.shape or not np.allclose(
            image.affine, grid.affine, rtol=1e-6, atol=AFFINE_TOLERANCE_MM
        ):
            raise InputError(f"{path.name} does not lie where {BONE} says; segment again")
        # Left in the order of the file, as the CT readers do.
        return np.asarray(image.dataobj)
    except (OSError, EOFError, zlib.error, ValueError, ImageFileError) as fault:
        if isinstance(fault, InputError):
            raise
        raise InputError(f"{path.name} cannot be read as a volume; segment again") from fault


def _check_labels(labels: npt.NDArray[np.uint8], document: BoneDocument) -> None:
    # In the order of the memory, and some at a time, as counting widens each byte to eight.
    flat = labels.ravel(order="K")
    some = (flat[at : at + COUNTED_AT_ONCE] for at in range(0, flat.size, COUNTED_AT_ONCE))
    present = {int(label) for part in some for label in np.flatnonzero(np.bincount(part))} - {0}
    if extra := present - {part.number for part in document.fragments}:
        raise InputError(f"{FRAGMENTS} has the label {min(extra)}, which {BONE} does not name; segment again")


def _labels_given(document: BoneDocument) -> bool:
    asked = document.segmentation.asked
    return asked is not None and asked.labels is not None


def _segmentation(folder: Path, document: BoneDocument, grid: Grid) -> Segmentation:
    taken = document.segmentation
    labels = _read_volume(folder / LABELS, grid) if _labels_given(document) else None
    return Segmentation(
        taken.threshold_hu,
        taken.threshold_reason,
        tuple(
            Removed(
                part.what,
                part.volume_mm3,
                np.array(part.centre_mm),
                None if part.box_ijk is None else np.array(part.box_ijk, np.int32),
            )
            for part in taken.removed
        ),
        tuple(taken.notes),
        tuple(taken.taken_together),
        None if taken.record is None else taken.record.value(),
        None if taken.asked is None else taken.asked.value(labels),
    )


def _triple(shape: list[int]) -> tuple[int, int, int]:
    return shape[0], shape[1], shape[2]
