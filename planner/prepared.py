"""A bone made ready for measuring, once: its meshes, and which part of each surface faces another fragment.

A face counts as a fracture face when another fragment of the same bone lies within FACING_MM in front of
it and looks back at it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from planner.mesh import Mesh, mesh_of
from segmentation.errors import InputError
from segmentation.vocabulary import Bone, Floats

FACING_MM = 3.0
"""A fracture face looks across no more than this: the same 3 mm that makes two pieces one bone (design
decision)."""

IN_FRONT_COSINE_FACTOR = 0.5
"""The other fragment lies in front of a face when within 60° of its normal. Our choice."""

LOOKING_BACK_COSINE_FACTOR = -0.3
"""Two faces look at each other when their normals oppose by more than about 107°. Our choice."""

TOUCHING_MM = 0.3
"""Closer than this the direction across is not to be trusted, only that the faces oppose. Our choice."""


ISLAND_MM2 = 25.0
"""Patches of doubt inside a fracture face, smaller than this, belong to it. Our choice: a 5 mm square."""


@dataclass(frozen=True, eq=False)
class PreparedBone:
    """A bone and its meshes by fragment number; ``free`` and ``facing`` divide each surface.

    ``facing[(a, b)]`` is the part of fragment a's surface that faces fragment b; ``free[a]`` is the rest.
    """

    bone: Bone
    whole: dict[int, Mesh]
    free: dict[int, Mesh]
    facing: dict[tuple[int, int], Mesh]
    joint: Mesh | None

    def fragments_of(self, bone_name: str) -> tuple[int, ...]:
        """Numbers of the fragments that belong to a bone."""
        return tuple(f.number for f in self.bone.fragments if f.bone == bone_name)


def prepare(bone: Bone) -> PreparedBone:
    """``bone`` made ready. Raises InputError for a pose other than the identity (reduction is not supported
    yet)."""
    for fragment in bone.fragments:
        if not np.allclose(fragment.pose, np.eye(4), atol=1e-9):
            raise InputError(
                f"fragment {fragment.number} was moved by a reduction, which this version cannot measure: "
                "segment the CT again"
            )
    whole = {f.number: mesh_of(f.surface) for f in bone.fragments}
    free: dict[int, Mesh] = {}
    facing: dict[tuple[int, int], Mesh] = {}
    for fragment in bone.fragments:
        looks_at = np.zeros(len(fragment.surface.faces), np.int32)
        for other in bone.fragments:
            if other.number != fragment.number and other.bone == fragment.bone:
                looks_at[_facing(whole[fragment.number], whole[other.number])] = other.number
        free[fragment.number] = (
            mesh_of(fragment.surface, looks_at == 0) if looks_at.any() else whole[fragment.number]
        )
        for number in np.unique(looks_at[looks_at > 0]):
            facing[fragment.number, int(number)] = mesh_of(fragment.surface, looks_at == number)
    joint = None if bone.joint is None else mesh_of(bone.joint)
    return PreparedBone(bone, whole, free, facing, joint)


def _facing(mesh: Mesh, other: Mesh) -> npt.NDArray[np.bool_]:
    """Which triangles of ``mesh`` face ``other`` across at most FACING_MM, small islands of doubt closed."""
    result = np.zeros(len(mesh.faces), bool)
    low, high = other.vertices_mm.min(axis=0) - FACING_MM, other.vertices_mm.max(axis=0) + FACING_MM
    near = np.flatnonzero(((mesh.vertices_mm >= low) & (mesh.vertices_mm <= high)).all(axis=1))
    if not len(near):
        return result
    distance, index = other.tree.query(mesh.vertices_mm[near], distance_upper_bound=FACING_MM)
    close = np.isfinite(distance)
    near, distance, index = near[close], distance[close], index[close]
    # Normals at vertices, averaged over their neighbours: single triangles turn with the noise.
    normals, back = _smooth_normals(mesh)[near], _smooth_normals(other)[index]
    ahead = np.einsum("ij,ij->i", normals, other.vertices_mm[index] - mesh.vertices_mm[near])
    opposed = np.einsum("ij,ij->i", normals, back) < LOOKING_BACK_COSINE_FACTOR
    in_front = (ahead > IN_FRONT_COSINE_FACTOR * distance) | (distance < TOUCHING_MM)
    looks = np.zeros(len(mesh.vertices_mm), bool)
    looks[near] = opposed & in_front
    result = looks[mesh.faces].sum(axis=1) >= 2
    return np.asarray(result | _islands(mesh, ~result)) if result.any() else result


def _smooth_normals(mesh: Mesh) -> Floats:
    """(n, 3) unit normals at the vertices, area-weighted over two rings of triangles."""
    corners = mesh.vertices_mm[mesh.faces]
    of_faces = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(mesh.vertices_mm)
    for _ in range(2):
        for corner in range(3):
            np.add.at(normals, mesh.faces[:, corner], of_faces)
        of_faces = normals[mesh.faces].sum(axis=1)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.asarray(normals / np.maximum(length, np.finfo(float).tiny))


def _islands(mesh: Mesh, free: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which of the ``free`` triangles lie in patches smaller than ISLAND_MM2."""
    faces = np.flatnonzero(free)
    count = len(mesh.vertices_mm)
    corner = mesh.faces[faces]
    links = coo_array(
        (np.ones(2 * len(faces)), (corner[:, [0, 1]].ravel(), corner[:, [1, 2]].ravel())),
        shape=(count, count),
    )
    _, patch = connected_components(links, directed=False)
    edges = mesh.vertices_mm[corner[:, 1:]] - mesh.vertices_mm[corner[:, :1]]
    area = np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1) / 2
    small = np.bincount(patch[corner[:, 0]], area, minlength=count) < ISLAND_MM2
    result = np.zeros(len(free), bool)
    result[faces] = small[patch[corner[:, 0]]]
    return result
