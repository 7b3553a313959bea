"""bone.json: what was taken from the CT and how, and the digests of the files it belongs with.

The published form of the file, and the way from a Bone to it. It holds no path, file name or header text of
the scan: the inputs stand there by their SHA-256 alone. Numbers are written exactly, so a bone read back
measures the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from segmentation.asked_part import AskedPart, asked_document
from segmentation.documents import FirstVersion, Name, Point, StrictModel, checked, published_schema, repeated
from segmentation.record_part import RecordPart, record_document
from segmentation.vocabulary import Bone, CalibrationKind, FractureSurface, RemovedAs

FORMAT = "pilothole-bone"
FRAGMENTS_MAX_COUNT = 255
"""Fragments a label image of bytes can tell apart."""

RIGID_TOLERANCE_RATIO = 1e-6
"""A pose's turn is square, and its last row 0 0 0 1, to this. Our choice: written by hand with six digits."""

JOINT_NAME_CHARACTERS_MAX = 160
"""Two names of bones and what stands between them."""

Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
JointName = Annotated[str, Field(min_length=1, max_length=JOINT_NAME_CHARACTERS_MAX)]
Matrix = Annotated[
    list[Annotated[list[float], Field(min_length=4, max_length=4)]], Field(min_length=4, max_length=4)
]
Count = Annotated[int, Field(ge=1, le=65_535)]
VoxelIndex = Annotated[list[Annotated[int, Field(ge=0, le=65_535)]], Field(min_length=3, max_length=3)]


class MadeWith(StrictModel):
    """The version that made the file and the SHA-256 of each thing it was made from."""

    pilothole: str
    inputs: dict[str, str]


class ScanPart(StrictModel):
    """Where the voxels of ct.nii.gz lie (affine: voxel index to patient mm, RAS+), exactly."""

    digest: str
    shape: Annotated[list[Count], Field(min_length=3, max_length=3)]
    affine: Matrix
    tube_voltage_kv: Positive | None
    notes: list[str]


class RemovedPart(StrictModel):
    """Something above the level that was not taken for bone; metal with its box of voxel indices."""

    what: RemovedAs
    volume_mm3: Annotated[float, Field(ge=0)]
    centre_mm: Point
    box_ijk: Annotated[list[VoxelIndex], Field(min_length=2, max_length=2)] | None = None


class SegmentationPart(StrictModel):
    """The level, why that level, and what was left out."""

    threshold_hu: float
    threshold_reason: str
    removed: list[RemovedPart]
    notes: list[str]
    taken_together: list[Name] = Field(default_factory=list)
    record: RecordPart | None = None
    asked: AskedPart | None = None


class CalibrationPart(StrictModel):
    """HU to density: slope · HU + intercept, with the density's standard error: a relative part, and the
    fitted line's own.
    """

    kind: CalibrationKind
    slope_mg_cm3_per_hu: float
    intercept_mg_cm3: float
    standard_error_fraction: Annotated[float, Field(ge=0)]
    source: str
    slope_standard_error_mg_cm3_per_hu: Annotated[float, Field(ge=0)] = 0.0
    intercept_standard_error_mg_cm3: Annotated[float, Field(ge=0)] = 0.0
    slope_intercept_correlation_ratio: Annotated[float, Field(ge=-1, le=1)] = 0.0


class FragmentPart(StrictModel):
    """One piece of bone; its surface is surface-<number>.ply, its voxels have that number."""

    number: Annotated[int, Field(ge=1, le=FRAGMENTS_MAX_COUNT)]
    name: Name
    bone: Name
    volume_mm3: Positive
    pose: Matrix


class FracturePart(StrictModel):
    """The surface halfway between two fragments, fracture-<n>-<m>.ply: its mean plane, waviness and gap."""

    between: Annotated[
        list[Annotated[int, Field(ge=1, le=FRAGMENTS_MAX_COUNT)]], Field(min_length=2, max_length=2)
    ]
    point_mm: Point
    normal: Point
    normal_uncertainty_degree: NotNegative
    waviness_rms_mm: NotNegative
    waviness_p95_mm: NotNegative
    area_mm2: NotNegative
    measured_area_mm2: NotNegative
    contact_area_mm2: NotNegative | None
    contact_below_mm: NotNegative
    gap_median_mm: NotNegative | None
    gap_p95_mm: NotNegative | None
    gap_largest_mm: NotNegative | None
    fill_hu: float
    fill_measured: bool
    gap_reason: str | None


class JointPart(StrictModel):
    """A stretch of joint.ply, by its triangles, and the bones it lies between."""

    name: JointName
    bone: Name
    neighbour: Name | None
    first_triangle: Annotated[int, Field(ge=0)]
    triangle_count: Annotated[int, Field(ge=1)]
    area_mm2: NotNegative
    automatic: bool


class BoneDocument(StrictModel):
    """A segmented bone. Units are in the names; points are RAS+ millimetres."""

    format: Literal["pilothole-bone"]
    version: FirstVersion
    made_with: MadeWith
    digests: dict[str, Digest]
    host: Literal["bone", "foam"]
    ct: ScanPart
    segmentation: SegmentationPart
    calibration: CalibrationPart | None
    calibration_reason: str | None
    edits: list[dict[str, Any]]
    fragments: Annotated[list[FragmentPart], Field(min_length=1, max_length=FRAGMENTS_MAX_COUNT)]
    joint: Literal["joint.ply"] | None
    joints: list[JointPart] = Field(default_factory=list)
    fractures: list[FracturePart] = Field(default_factory=list)


def bone_schema() -> dict[str, Any]:
    """The JSON Schema of bone.json."""
    return published_schema(BoneDocument, "Pilothole bone")


def read_bone_document(document: object, name: str) -> BoneDocument:
    """``document`` checked; InputError tells every fault."""
    return checked(BoneDocument, document, name, further=_further_faults)


def bone_document(bone: Bone, file_digests: Mapping[str, str]) -> dict[str, Any]:
    """bone.json of ``bone`` as a document; ``file_digests`` are those of the files beside it."""
    document: dict[str, Any] = {
        "format": FORMAT,
        "version": 1,
        "made_with": {"pilothole": _version(), "inputs": dict(bone.digests)},
        "digests": dict(file_digests),
        "host": bone.host,
        "ct": {
            "digest": bone.ct.digest,
            "shape": list(bone.ct.grid.shape),
            "affine": bone.ct.grid.affine.tolist(),
            "tube_voltage_kv": bone.ct.tube_voltage_kv,
            "notes": list(bone.ct.notes),
        },
        "segmentation": _segmentation(bone),
        "calibration": _calibration(bone),
        "calibration_reason": bone.calibration_reason,
        "edits": [dict(edit) for edit in bone.edits],
        "fragments": [
            {
                "number": fragment.number,
                "name": fragment.name,
                "bone": fragment.bone,
                "volume_mm3": float(fragment.volume_mm3),
                "pose": fragment.pose.tolist(),
            }
            for fragment in bone.fragments
        ],
        "joint": None if bone.joint is None else "joint.ply",
        "joints": [{name: getattr(joint, name) for name in JointPart.model_fields} for joint in bone.joints],
        "fractures": [_fracture(fracture) for fracture in bone.fractures],
    }
    return document


def _segmentation(bone: Bone) -> dict[str, Any]:
    taken = bone.segmentation
    return {
        "threshold_hu": float(taken.threshold_hu),
        "threshold_reason": taken.threshold_reason,
        "removed": [
            {
                "what": removed.what,
                "volume_mm3": float(removed.volume_mm3),
                "centre_mm": [float(coordinate) for coordinate in removed.centre_mm],
                **({} if removed.box_ijk is None else {"box_ijk": removed.box_ijk.tolist()}),
            }
            for removed in taken.removed
        ],
        "notes": list(taken.notes),
        "taken_together": list(taken.taken_together),
        **record_document(bone),
        **asked_document(taken.asked),
    }


def _fracture(fracture: FractureSurface) -> dict[str, Any]:
    plain = {name: getattr(fracture, name) for name in FracturePart.model_fields}
    return {
        **plain,
        "between": list(fracture.between),
        "point_mm": fracture.point_mm.tolist(),
        "normal": fracture.normal.tolist(),
    }


def _calibration(bone: Bone) -> dict[str, Any] | None:
    line = bone.calibration
    if line is None:
        return None
    return {
        "kind": line.kind,
        "slope_mg_cm3_per_hu": float(line.slope_mg_cm3_per_hu),
        "intercept_mg_cm3": float(line.intercept_mg_cm3),
        "standard_error_fraction": float(line.standard_error_fraction),
        "source": line.source,
        "slope_standard_error_mg_cm3_per_hu": float(line.slope_standard_error_mg_cm3_per_hu),
        "intercept_standard_error_mg_cm3": float(line.intercept_standard_error_mg_cm3),
        "slope_intercept_correlation_ratio": float(line.slope_intercept_correlation_ratio),
    }


def _version() -> str:
    try:
        return version("pilothole")
    except PackageNotFoundError:
        return "not installed"


def _further_faults(document: BoneDocument) -> Iterator[str]:
    numbers = [fragment.number for fragment in document.fragments]
    if numbers != list(range(1, len(numbers) + 1)):
        yield f"fragments must be numbered 1, 2, 3 … in order (got {numbers})"
    for name in repeated(fragment.name for fragment in document.fragments):
        yield f"the fragment name {name!r} is used more than once"
    for fragment in document.fragments:
        if not is_rigid(fragment.pose):
            yield f"fragment {fragment.name!r} has a pose that is no rigid motion (a turn and a shift)"
    pairs = [tuple(fracture.between) for fracture in document.fractures]
    for first, second in pairs:
        if not first < second <= len(numbers):
            yield f"a fracture lies between {first} and {second}: they must be two fragments in order"
    if len(set(pairs)) < len(pairs):
        yield "two fractures lie between the same fragments"
    if document.joints and document.joint is None:
        yield "joints are named, but joint is null"
    if document.calibration is None and not document.calibration_reason:
        yield "calibration is null without a calibration_reason"


def is_rigid(pose: Sequence[Sequence[float]]) -> bool:
    """Whether a 4×4 matrix turns and shifts, and does nothing else."""
    matrix = np.asarray(pose, float)
    turn = matrix[:3, :3]
    square = float(np.abs(turn.T @ turn - np.eye(3)).max())
    last = float(np.abs(matrix[3] - np.array([0.0, 0.0, 0.0, 1.0])).max())
    return bool(max(square, last) <= RIGID_TOLERANCE_RATIO and np.linalg.det(turn) > 0)
