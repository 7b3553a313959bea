"""A bone made ready for measuring, once: its meshes, and which part of each surface faces another fragment.

The *outer surface* of a bone is what a screw must not come near: every fragment's surface but the fracture
faces that the screw itself passes through. A face counts as a fracture face when another fragment of the same
bone lies within FACING_MM in front of it and looks back at it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from planner.mesh import Mesh, joined, mesh_of
from planner.posed import Shared, back_of, carried, moves, posed_joint, posed_surface, shared_by
from segmentation.vocabulary import Bone, Floats, Ints

FACING_MM = 3.0
"""A fracture face looks across no more than this: the same 3 mm that makes two pieces one bone (design
decision)."""

IN_FRONT_COSINE_FACTOR = 0.5
"""The other fragment lies in front of a face when within 60° of its normal. Our choice."""

LOOKING_BACK_COSINE_FACTOR = -0.3
"""Two faces look at each other when their normals oppose by more than about 107°. Our choice."""

TOUCHING_MM = 0.3
"""Closer than this the direction across is not to be trusted, only that the faces oppose. Our choice."""


SHARED_MM = 1e-3
"""Vertices closer than this are one: both sides of a cut have them. Our choice: far below any measurement."""

ISLAND_MM2 = 25.0
"""Patches of doubt inside a fracture face, smaller than this, belong to it. Our choice: a 5 mm square."""


@dataclass(frozen=True, eq=False)
class PreparedBone:
    """A bone and its meshes by fragment number.

    ``looks_at[a]`` (m,) tells for each triangle of fragment a which fragment it faces, 0 for none, and
    ``touches[a]`` (m,) whether it lies on it: there is no surface then, the bone goes on. ``poses[a]`` (4, 4)
    takes as-scanned mm to where its mesh is. ``shared`` tells what two reduced fragments
    share. ``outer_surfaces`` and ``trees`` keep what ``outer_surface`` and ``tree`` have built, ``joints``
    what ``joint_of`` has.
    """

    bone: Bone
    meshes: dict[int, Mesh]
    looks_at: dict[int, Ints]
    touches: dict[int, npt.NDArray[np.bool_]]
    joint: Mesh | None
    poses: dict[int, Floats]
    shared: dict[tuple[int, int], Shared]
    outer_surfaces: dict[tuple[str, frozenset[int]], Mesh] = field(default_factory=dict)
    trees: dict[int, cKDTree] = field(default_factory=dict)
    joints: dict[str, Mesh | None] = field(default_factory=dict)

    @property
    def reduced(self) -> bool:
        """Whether any fragment stands elsewhere than where it was scanned."""
        return any(moves(pose) for pose in self.poses.values())

    def as_scanned_mm(self, number: int, points_mm: Floats) -> Floats:
        """(…, 3) places of the plan, in a fragment, where the scan saw them."""
        return carried(back_of(self.poses[number]), points_mm)

    def fragments_of(self, bone_name: str) -> tuple[int, ...]:
        """Numbers of the fragments that belong to a bone."""
        return tuple(f.number for f in self.bone.fragments if f.bone == bone_name)

    def tree(self, number: int) -> cKDTree:
        """The middles of a fragment's triangles, to be asked for the nearest."""
        if number not in self.trees:
            self.trees[number] = cKDTree(self.meshes[number].middles_mm, balanced_tree=False)
        return self.trees[number]

    def joint_of(self, bone_name: str) -> Mesh | None:
        """The joint surface of one bone: another bone's, just across the joint space, looks the other way."""
        if not self.bone.joints:
            return self.joint
        if bone_name not in self.joints:
            joint = self.bone.joint_of(bone_name)
            self.joints[bone_name] = (
                None if joint is None else mesh_of(posed_joint(joint, self.bone.fragments, self.poses))
            )
        return self.joints[bone_name]

    def outer_surface(self, bone_name: str, reached: Iterable[int]) -> Mesh:
        """The bone's surface for a screw that lies in the fragments ``reached``: the fracture faces between
        them are passed."""
        own = self.fragments_of(bone_name)
        through = frozenset(reached) & frozenset(own)
        key = (bone_name, through)
        if key not in self.outer_surfaces:
            passed = [
                self.touches[number] | (np.isin(self.looks_at[number], list(through)) & (number in through))
                for number in own
            ]
            self.outer_surfaces[key] = joined([self.meshes[number] for number in own], np.concatenate(passed))
        return self.outer_surfaces[key]


def prepare(bone: Bone, *, as_scanned: bool = False) -> PreparedBone:
    """``bone`` made ready, its fragments at their reduced poses or ``as_scanned``."""
    poses = {f.number: np.eye(4) if as_scanned else f.pose for f in bone.fragments}
    meshes = {f.number: mesh_of(posed_surface(f.surface, poses[f.number])) for f in bone.fragments}
    # Normals at vertices, averaged over their neighbours: single triangles turn with the noise.
    smooth = cache(lambda number: _smooth_normals(meshes[number]))
    looks_at: dict[int, Ints] = {}
    touches: dict[int, npt.NDArray[np.bool_]] = {}
    for fragment in bone.fragments:
        at = np.zeros(len(fragment.surface.faces), np.int32)
        touching = np.zeros(len(fragment.surface.faces), bool)
        for other in bone.fragments:
            if other.number != fragment.number and other.bone == fragment.bone:
                facing, near = _facing(fragment.number, other.number, meshes, smooth)
                at[facing] = other.number
                touching |= near
        looks_at[fragment.number] = at
        touches[fragment.number] = touching
    joint = None if bone.joint is None else mesh_of(posed_joint(bone.joint, bone.fragments, poses))
    shared = {
        (one, other): shared_by(meshes[one], meshes[other])
        for one, other in combinations(sorted(meshes), 2)
        if moves(poses[one]) or moves(poses[other])
    }
    return PreparedBone(bone, meshes, looks_at, touches, joint, poses, shared)


def _facing(
    fragment: int, facing: int, meshes: Mapping[int, Mesh], smooth_normals: Callable[[int], Floats]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which triangles of a fragment face another across at most FACING_MM, and which of them touch it.

    Small islands of doubt are closed.
    """
    mesh, other = meshes[fragment], meshes[facing]
    result = np.zeros(len(mesh.faces), bool)
    low, high = other.low_mm - FACING_MM, other.high_mm + FACING_MM
    near = np.flatnonzero(((mesh.vertices_mm >= low) & (mesh.vertices_mm <= high)).all(axis=1))
    if not len(near):
        return result, result
    distance, index = cKDTree(other.vertices_mm).query(mesh.vertices_mm[near], distance_upper_bound=FACING_MM)
    close = np.isfinite(distance)
    near, distance, index = near[close], distance[close], index[close]
    normals, back = smooth_normals(fragment)[near], smooth_normals(facing)[index]
    ahead = np.einsum("ij,ij->i", normals, other.vertices_mm[index] - mesh.vertices_mm[near])
    opposed = np.einsum("ij,ij->i", normals, back) < LOOKING_BACK_COSINE_FACTOR
    in_front = (ahead > IN_FRONT_COSINE_FACTOR * distance) | (distance < TOUCHING_MM)
    looks = np.zeros(len(mesh.vertices_mm), bool)
    looks[near] = opposed & in_front
    result = looks[mesh.faces].sum(axis=1) >= 2
    if not result.any():
        return result, result
    touches = np.zeros(len(mesh.vertices_mm), bool)
    touches[near] = distance < TOUCHING_MM
    # At the edge of a cut the normals turn, but both sides share every vertex.
    shared = np.zeros(len(mesh.vertices_mm), bool)
    shared[near] = distance < SHARED_MM
    shared_faces = shared[mesh.faces].all(axis=1)
    result |= _islands(mesh, ~result) | shared_faces
    return result, result & (shared_faces | (touches[mesh.faces].sum(axis=1) >= 2))


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
