"""What a parallel X-ray would show of the bones: line integrals of attenuation, computed from the CT.

Attenuation follows from the grey value, μ = μ_water · (1 + HU / 1000), the definition of the Hounsfield unit,
and is never below that of air. Each ray is cut with the fragments' surfaces where the plan sees them, as in
the assessment, so a place belongs to one fragment and its grey value is read in that fragment's own pose.
Everything else is taken to be even, of ``around_hu``: soft tissue, skin and table are not pictured. What is
told is ∫ (μ − μ_around) / μ_water ds in mm: how much more the ray meets than without bone, as mm of water.
On a ball of even grey value within 1 % of its chord (tests/test_projection.py).

Not modelled: the tube's spectrum (at its lower voltage bone stands out more than in a CT), scatter, and the
enlargement of what lies nearer to the tube. The half of a surface's blur that lies outside it is not counted:
0.4 of its deviation for each surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.mesh import Bundle, Mesh, Stretches, mesh_of, stretches_inside
from planner.posed import back_of, moves, posed_surface, shared_out
from planner.projection_kernels import add_along
from segmentation.vocabulary import Bone, Floats, Host, frozen_array

STEP_MM = 0.5
"""Longest step along a ray. Our choice: a fine voxel; across, the pixels are finer."""

AROUND_HU: dict[Host, float] = {"bone": 0.0, "foam": -1000.0}
"""What is taken to lie around by default: bone lies in soft tissue, which is nearly water; foam in air."""

FRONTAL_DEGREE, LATERAL_DEGREE = (0.0, 0.0), (90.0, 0.0)
"""Yaw and pitch of the two usual views of the body, from the front and from its left."""

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class View:
    """From where a picture looks: its right and up, unit vectors (3,) in RAS+."""

    right: Floats
    up: Floats

    def __post_init__(self) -> None:
        for name in ("right", "up"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    @property
    def toward(self) -> Floats:
        """Unit vector (3,) to the reader, who looks from the side of the detector."""
        return np.asarray(np.cross(self.right, self.up))

    def flat_mm(self, points_mm: npt.ArrayLike) -> Floats:
        """(…, 3) points → (…, 2) right and up of the patient's origin."""
        return np.asarray(np.asarray(points_mm, float) @ np.stack([self.right, self.up], axis=1))


@dataclass(frozen=True)
class Frame:
    """The part of a view that is pictured, in mm right and up of the patient's origin."""

    left_mm: float
    right_mm: float
    bottom_mm: float
    top_mm: float


@dataclass(frozen=True, eq=False)
class PlacedBones:
    """A CT and the fragments' surfaces where the plan sees them, by number; ``poses`` are from the scan."""

    bone: Bone
    meshes: dict[int, Mesh]
    poses: dict[int, Floats]


def view_from(yaw_degree: float, pitch_degree: float) -> View:
    """The view from the front, turned by ``yaw_degree`` to the patient's left and lifted by ``pitch_degree``
    towards the head, as a C-arm's detector is (signs as DICOM's positioner angles: from memory)."""
    yaw, pitch = np.radians([yaw_degree, pitch_degree])
    level = np.array([-np.sin(yaw), np.cos(yaw), 0.0])
    toward = np.cos(pitch) * level + np.sin(pitch) * UP
    right = np.cross(UP, level)
    return View(right, np.cross(toward, right))


def placed_bones(bone: Bone, *, as_scanned: bool) -> PlacedBones:
    """The fragments of ``bone`` at their reduced poses, or ``as_scanned``."""
    poses = {f.number: np.eye(4) if as_scanned else np.asarray(f.pose) for f in bone.fragments}
    meshes = {f.number: mesh_of(posed_surface(f.surface, poses[f.number])) for f in bone.fragments}
    return PlacedBones(bone, meshes, poses)


def project(
    bones: PlacedBones, view: View, frame: Frame, pixel_mm: float, around_hu: float | None = None
) -> Floats:
    """(rows, columns) mm of water that rays along ``view`` meet beyond ``around_hu``; row 0 is the top.

    Pixels are squares of ``pixel_mm`` from the frame's upper left corner on; each holds its middle's ray.
    """
    around = AROUND_HU[bones.bone.host] if around_hu is None else around_hu
    across = np.arange(frame.left_mm + pixel_mm / 2, frame.right_mm, pixel_mm)
    down = np.arange(frame.top_mm - pixel_mm / 2, frame.bottom_mm, -pixel_mm)
    X, Y = np.meshgrid(across, down)
    # Measured from the middle, as lines far from their origin cost time.
    middle = np.array([(frame.left_mm + frame.right_mm) / 2, (frame.top_mm + frame.bottom_mm) / 2])
    origin = middle[0] * view.right + middle[1] * view.up
    offsets = np.stack([X.ravel(), Y.ravel()], axis=1) - middle
    rays = Bundle(origin, view.toward, np.asarray(view.right), np.asarray(view.up), offsets)
    excess = np.zeros(len(offsets))
    to_ijk = np.linalg.inv(bones.bone.ct.grid.affine)
    for number, inside in _cut(bones, rays).items():
        way = np.asarray(to_ijk @ back_of(bones.poses[number]))
        directions = np.stack([rays.u, rays.v, rays.direction])
        add_along(
            excess, inside.line, inside.from_mm, inside.to_mm, way[:3, :3] @ rays.origin_mm + way[:3, 3],
            directions @ way[:3, :3].T, offsets, bones.bone.ct.hu, around, STEP_MM,
        )  # fmt: skip
    return np.asarray(excess.reshape(X.shape))


def _cut(bones: PlacedBones, rays: Bundle) -> dict[int, Stretches]:
    """Where each ray is inside each fragment; a place in two is that one's it is deeper in."""
    cut = {number: stretches_inside(mesh, rays) for number, mesh in bones.meshes.items()}
    if not any(moves(pose) for pose in bones.poses.values()):
        return cut
    doubtful = _lines_twice_taken(list(cut.values()))
    if not len(doubtful):
        return cut
    few = Bundle(rays.origin_mm, rays.direction, rays.u, rays.v, rays.offsets_mm[doubtful])
    parted = shared_out(
        {number: _of(one, np.isin(one.line, doubtful), doubtful) for number, one in cut.items()},
        bones.meshes,
        few,
    )
    result = {}
    for number, one in cut.items():
        kept, again = ~np.isin(one.line, doubtful), parted[number]
        result[number] = Stretches(
            np.concatenate([one.line[kept], doubtful[again.line]]),
            np.concatenate([one.from_mm[kept], again.from_mm]),
            np.concatenate([one.to_mm[kept], again.to_mm]),
        )
    return result


def _of(stretches: Stretches, own: npt.NDArray[np.bool_], lines: npt.NDArray[np.intp]) -> Stretches:
    """Some of the stretches, their lines renumbered by their place in ``lines``."""
    renumbered = np.searchsorted(lines, stretches.line[own])
    return Stretches(renumbered, stretches.from_mm[own], stretches.to_mm[own])


def _lines_twice_taken(cut: list[Stretches]) -> npt.NDArray[np.intp]:
    """Lines, ascending, on which two stretches overlap: of some two neighbours in order of depth it shows."""
    line = np.concatenate([one.line for one in cut])
    start = np.concatenate([one.from_mm for one in cut])
    stop = np.concatenate([one.to_mm for one in cut])
    order = np.lexsort((start, line))
    line, start, stop = line[order], start[order], stop[order]
    return np.unique(line[1:][(line[1:] == line[:-1]) & (start[1:] < stop[:-1])])
