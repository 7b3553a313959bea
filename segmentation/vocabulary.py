"""The words of the CT side: where voxels lie, what they hold, and the bone made from them.

Points are ``(3,)`` or ``(n, 3)`` float64 in patient millimetres, RAS+ (x to the patient's right, y to
the front, z up) unless the name says ``_ijk``. Index (0, 0, 0) is the centre of the first voxel.
Everything here is frozen; arrays are copied on entry and set read-only, so a value can be shared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Literal, NewType

import numpy as np
import numpy.typing as npt

from segmentation.asked import Asked
from segmentation.errors import InputError
from segmentation.how_found import SegmentationRecord

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]

HADensity = NewType("HADensity", Floats)
"""Hydroxyapatite-equivalent QCT density, g/cm³."""
K2HPO4Density = NewType("K2HPO4Density", Floats)
"""Dipotassium-phosphate-equivalent QCT density, g/cm³."""

NO_DATA_BELOW_HU = -1024
"""Values below this are padding, not tissue (common practice: scanners pad with -2000 or -3024)."""

METAL_ABOVE_HU = 2500.0
"""Brighter is not bone. Common practice: cortex ends near 2000 HU, implants begin at 2500 to 3000 and
saturate a 12-bit scale at 3071."""

STREAK_REACH_MM = 20.0
"""Within the slices of metal grey values are less certain this far from it. Our choice: streaks fade within a
few cm (common practice)."""

STREAK_SLICES_MM = 2.0
"""Slices this far beyond metal count as its own. Our choice: a thick slice and its neighbours."""

SHARP_KERNEL = "a sharp kernel"
"""How the note on a scan begins whose kernel is sharp."""

AFFINE_TOLERANCE_MM = 1e-4
"""Two grids are the same place when no corner lies farther apart than this. Our choice."""

Host = Literal["bone", "foam"]
CalibrationKind = Literal["given", "rods-in-the-scan", "tissues-in-the-scan", "default-for-tube-voltage"]
RemovedAs = Literal[
    "metal",
    "speck",
    "flat and long, as a table is",
    "thin and long, as a cable is",
    "thin and outside the body",
    "thin, long and alone, as a calcified vessel is",
    "too many pieces",
]


def frozen_array(values: npt.ArrayLike, dtype: npt.DTypeLike, *, copy: bool = True) -> npt.NDArray[Any]:
    """``values`` as a C-ordered, read-only array of ``dtype``."""
    array = np.array(values, dtype=dtype, order="C") if copy else np.ascontiguousarray(values, dtype=dtype)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class Grid:
    """Where voxels lie: ``shape`` (i, j, k) and ``affine`` (4, 4) voxel index → patient mm, RAS+."""

    shape: tuple[int, int, int]
    affine: Floats

    def __post_init__(self) -> None:
        affine = frozen_array(self.affine, np.float64)
        if affine.shape != (4, 4) or not np.isfinite(affine).all():
            raise InputError("the affine must be a finite 4×4 matrix")
        if np.min(np.linalg.svd(affine[:3, :3], compute_uv=False)) < 1e-6:
            raise InputError(
                "the affine is singular: at least one voxel edge has no length; export the scan again"
            )
        object.__setattr__(self, "affine", affine)
        object.__setattr__(self, "shape", tuple(int(n) for n in self.shape))

    @property
    def spacing_mm(self) -> Floats:
        """(3,) edge lengths of a voxel along i, j, k."""
        return np.asarray(np.linalg.norm(self.affine[:3, :3], axis=0))

    @property
    def voxel_mm3(self) -> float:
        """Volume of one voxel."""
        return float(abs(np.linalg.det(self.affine[:3, :3])))

    @property
    def slice_axis(self) -> int:
        """The grid's axis nearest to the scanner's long one, along which slices are stacked."""
        return int(np.argmax(np.abs(self.affine[2, :3]) / self.spacing_mm))

    def ijk_to_mm(self, points_ijk: npt.ArrayLike) -> Floats:
        """(n, 3) voxel indices (centres at integers) → (n, 3) patient mm."""
        return np.asarray(np.asarray(points_ijk, float) @ self.affine[:3, :3].T + self.affine[:3, 3])

    def mm_to_ijk(self, points_mm: npt.ArrayLike) -> Floats:
        """(n, 3) patient mm → (n, 3) fractional voxel indices."""
        inverse = np.linalg.inv(self.affine)
        return np.asarray(np.asarray(points_mm, float) @ inverse[:3, :3].T + inverse[:3, 3])

    def same_place_as(self, other: Grid) -> bool:
        """Whether both grids put every voxel at the same place, to AFFINE_TOLERANCE_MM."""
        if self.shape != other.shape:
            return False
        corners = np.array(
            [[i, j, k] for i in (0, self.shape[0]) for j in (0, self.shape[1]) for k in (0, self.shape[2])]
        )
        apart = np.abs(self.ijk_to_mm(corners) - other.ijk_to_mm(corners)).max()
        return bool(apart <= AFFINE_TOLERANCE_MM)


@dataclass(frozen=True, eq=False)
class CTVolume:
    """A CT in Hounsfield units on its grid.

    ``hu`` is int16 or float32 of ``grid.shape``; below NO_DATA_BELOW_HU there is no data. ``digest`` is the
    SHA-256 of what was read. ``notes`` are sentences about the reading that a person should see.
    ``tube_voltage_kv`` is None where the file does not tell.
    """

    grid: Grid
    hu: npt.NDArray[Any]
    digest: str
    tube_voltage_kv: float | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.hu.dtype not in (np.dtype(np.int16), np.dtype(np.float32)):
            raise InputError(f"hu must be int16 or float32 (got {self.hu.dtype})")
        if self.hu.shape != self.grid.shape:
            raise InputError(f"hu must have the grid's shape {self.grid.shape} (got {self.hu.shape})")
        # The one array that is not copied: it may be most of the memory there is.
        self.hu.setflags(write=False)


@dataclass(frozen=True, eq=False)
class Calibration:
    """HU → density: ``density = slope · HU + intercept`` in mg/cm³.

    For bone the density is HA-equivalent mineral; for foam it is the foam's own density.
    ``standard_error_fraction`` is the relative part of the density's error; a fitted line adds the errors of
    its own slope and intercept with their correlation. ``source`` says where the line comes from.
    """

    kind: CalibrationKind
    slope_mg_cm3_per_hu: float
    intercept_mg_cm3: float
    standard_error_fraction: float
    source: str
    slope_standard_error_mg_cm3_per_hu: float = 0.0
    intercept_standard_error_mg_cm3: float = 0.0
    slope_intercept_correlation_ratio: float = 0.0

    def density_mg_cm3(self, hu: npt.ArrayLike) -> Floats:
        """Density of any shape of HU values; NaN stays NaN."""
        return np.asarray(np.asarray(hu, float) * self.slope_mg_cm3_per_hu + self.intercept_mg_cm3)

    def standard_error_mg_cm3(self, density_mg_cm3: npt.ArrayLike) -> Floats:
        """Standard error (1 sd) of densities of any shape: the line's own and the relative part together."""
        density = np.asarray(density_mg_cm3, float)
        return np.hypot(self.line_standard_error_mg_cm3(density), self.standard_error_fraction * density)

    def line_standard_error_mg_cm3(self, density_mg_cm3: npt.ArrayLike) -> Floats:
        """What the fitted slope and intercept alone leave open; 0 for a line that was not fitted."""
        hu = (np.asarray(density_mg_cm3, float) - self.intercept_mg_cm3) / self.slope_mg_cm3_per_hu
        of_slope = hu * self.slope_standard_error_mg_cm3_per_hu
        of_intercept = self.intercept_standard_error_mg_cm3
        variance = (
            of_slope**2
            + 2 * self.slope_intercept_correlation_ratio * of_slope * of_intercept
            + of_intercept**2
        )
        return np.sqrt(np.maximum(variance, 0))

    def standard_error_fraction_at(self, density_mg_cm3: npt.ArrayLike) -> Floats:
        """The same relative to each density, never above 1; 1 where there is no density."""
        density = np.asarray(density_mg_cm3, float)
        error = self.standard_error_mg_cm3(density)
        return np.where(error < density, error / np.where(density > 0, density, 1), 1.0)


@dataclass(frozen=True, eq=False)
class Surface:
    """A triangle mesh: ``vertices_mm`` (n, 3), ``faces`` (m, 3) int32, counter-clockwise from outside."""

    vertices_mm: Floats
    faces: Ints

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices_mm", frozen_array(self.vertices_mm, np.float64))
        object.__setattr__(self, "faces", frozen_array(self.faces, np.int32))

    @property
    def enclosed_mm3(self) -> float:
        """Signed volume enclosed, by the divergence theorem (positive when closed and facing outward)."""
        a, b, c = (self.vertices_mm[self.faces[:, corner]] for corner in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


class Place(IntEnum):
    """From what a vertex of a refined surface has its place: its own edge; its neighbours' move, as its own
    edge was doubtful; the same, as there was no edge; or the level, as on a cut or a closed hollow."""

    MEASURED = 0
    REPAIRED = 1
    NO_EDGE = 2
    LEVEL = 3


@dataclass(frozen=True, eq=False)
class Cortex:
    """What was measured below each vertex (n,) of a surface: its certainty, and the cortex.

    ``position_sd_mm`` and ``thickness_sd_mm`` are one standard deviation. A thickness is a measurement only
    where ``thickness_known``; elsewhere the cortex is thinner than thickness + 2 deviations, and
    ``mass_hu_mm`` (its HU above its surroundings times its thickness) still holds. NaN where there was
    nothing to measure. ``place`` holds a Place each, uint8; None in cases from before it was kept.
    """

    position_sd_mm: Floats
    thickness_mm: Floats
    thickness_sd_mm: Floats
    thickness_known: npt.NDArray[np.bool_]
    cortex_hu: Floats
    mass_hu_mm: Floats
    place: npt.NDArray[np.uint8] | None = None


@dataclass(frozen=True, eq=False)
class Fragment:
    """One piece of bone. ``surface`` is as scanned; ``pose`` (4, 4) takes as-scanned mm to reduced mm.

    ``cortex`` is what was measured of it at each vertex, None where the surface is a plain grey level.
    """

    number: int
    name: str
    bone: str
    volume_mm3: float
    surface: Surface
    pose: Floats = field(default_factory=lambda: np.eye(4))
    cortex: Cortex | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "pose", frozen_array(self.pose, np.float64))


@dataclass(frozen=True, eq=False)
class FractureSurface:
    """The surface halfway between two fragments, ``between`` (lower number first), as scanned.

    ``surface`` faces from the first into the second, as ``normal`` of the mean plane through ``point_mm``
    does; the true normal lies within ``normal_uncertainty_degree`` of it (5th to 95th percentile). Per
    vertex (n,): ``gap_mm``, NaN where not measurable, ``at_rim``, within 3 mm of the border, where it is
    less certain, and ``seen``, where grey values show the gap: elsewhere the surface is carried on.
    Waviness is about the mean plane. The gap's figures stand on ``measured_area_mm2``; they are None, with
    ``gap_reason``, where nothing could be measured. Contact is a gap below ``contact_below_mm``.
    ``fill_hu`` is what lies in the gap.
    """

    between: tuple[int, int]
    surface: Surface
    gap_mm: Floats
    at_rim: npt.NDArray[np.bool_]
    seen: npt.NDArray[np.bool_]
    point_mm: Floats
    normal: Floats
    normal_uncertainty_degree: float
    waviness_rms_mm: float
    waviness_p95_mm: float
    area_mm2: float
    measured_area_mm2: float
    contact_area_mm2: float | None
    contact_below_mm: float
    gap_median_mm: float | None
    gap_p95_mm: float | None
    gap_largest_mm: float | None
    fill_hu: float
    fill_measured: bool
    gap_reason: str | None = None

    def __post_init__(self) -> None:
        count = len(self.surface.vertices_mm)
        for name, dtype in (("gap_mm", np.float64), ("at_rim", np.bool_), ("seen", np.bool_)):
            values = frozen_array(getattr(self, name), dtype)
            if values.shape != (count,):
                raise InputError(f"{name} must have one value per vertex, {count} (got {values.shape})")
            object.__setattr__(self, name, values)
        for name in ("point_mm", "normal"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))


@dataclass(frozen=True, eq=False)
class Joint:
    """A stretch of the joint surface: ``triangle_count`` triangles of ``Bone.joint`` from ``first_triangle``.

    It lies on ``bone`` and faces ``neighbour`` (None where it was only marked by hand). ``automatic``: found
    from that facing, edited or not. It is bone, below the cartilage, whose thickness a CT does not show.
    """

    name: str
    bone: str
    neighbour: str | None
    first_triangle: int
    triangle_count: int
    area_mm2: float
    automatic: bool


@dataclass(frozen=True, eq=False)
class Removed:
    """Something above the level that is not this bone: what it was taken for, how big, and where.

    ``box_ijk`` (2, 3) are the lowest and highest voxel index of metal, None for all else.
    """

    what: RemovedAs
    volume_mm3: float
    centre_mm: Floats
    box_ijk: Ints | None = None


@dataclass(frozen=True, eq=False)
class Segmentation:
    """How the bone was taken from the CT: the level, why that level, and what was left out.

    ``taken_together`` names the bones whose pieces were put together only because they lie close.
    ``record`` shows the work, ``asked`` what the bone was taken by; None in cases from before they were kept.
    """

    threshold_hu: float
    threshold_reason: str
    removed: tuple[Removed, ...] = ()
    notes: tuple[str, ...] = ()
    taken_together: tuple[str, ...] = ()
    record: SegmentationRecord | None = None
    asked: Asked | None = None


@dataclass(frozen=True, eq=False)
class Bone:
    """A CT, the fragments taken from it, and what their grey values mean.

    ``labels`` uint8 of the CT's shape: 0 outside, n = fragment n. ``calibration`` is None where density
    cannot be known; ``calibration_reason`` then says why. ``joint`` is an open surface facing out of the
    bone, or None; ``joints`` name its parts where they are known. ``edits`` are the document of all edits.
    """

    ct: CTVolume
    labels: npt.NDArray[np.uint8]
    fragments: tuple[Fragment, ...]
    host: Host
    segmentation: Segmentation
    calibration: Calibration | None = None
    calibration_reason: str | None = None
    joint: Surface | None = None
    edits: tuple[Mapping[str, Any], ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    fractures: tuple[FractureSurface, ...] = ()
    joints: tuple[Joint, ...] = ()

    def __post_init__(self) -> None:
        if self.labels.shape != self.ct.grid.shape or self.labels.dtype != np.uint8:
            raise InputError("labels must be uint8 of the CT's shape")
        self.labels.setflags(write=False)
        numbers = [fragment.number for fragment in self.fragments]
        if numbers != list(range(1, len(numbers) + 1)):
            raise InputError(f"fragments must be numbered from 1 without a hole (got {numbers})")

    def fragment(self, number: int) -> Fragment:
        """The fragment with that number."""
        return self.fragments[number - 1]

    def joint_of(self, bone_name: str) -> Surface | None:
        """The joint surface of one bone; all of it where its parts are not named."""
        if self.joint is None or not self.joints:
            return self.joint
        rows = [
            np.arange(part.first_triangle, part.first_triangle + part.triangle_count)
            for part in self.joints
            if part.bone == bone_name
        ]
        if not rows:
            return None
        used, faces = np.unique(self.joint.faces[np.concatenate(rows)], return_inverse=True)
        return Surface(self.joint.vertices_mm[used], faces.reshape(-1, 3).astype(np.int32))
