"""Bring one side of a fracture onto the other: many starts at once, each to its nearest rest.

In turns, each moving point takes the nearest point of the opposite face whose direction opposes its own, and
the motion that closes their distances along the fixed side's directions is solved for (point-to-plane
registration: Chen and Medioni, Image Vision Comput 10:145, 1992: from memory). Points of the outer cortex
are held in the surface that goes on across the fracture. Tukey's weights leave out what does not fit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from segmentation.fracture_face import Side
from segmentation.vocabulary import Floats

REACHES_MM = (6.0, 3.0, 1.5, 1.0)
"""Faces are paired across so much, in turns. From a study on phantoms."""

STEPS_COUNT = 10
"""Steps at each reach. From the same study."""

OPPOSED_COSINE_FACTOR, ALIKE_COSINE_FACTOR = -0.6, 0.8
"""Face directions oppose, and those of the cortex agree, by more than this. From the same study."""

OUTER_REACH_MM, OUTER_WEIGHT_FACTOR = 5.0, 4.0
"""The cortex is held across so much, beyond the 1.3 mm on both sides where its edge is rounded, at so much of
a face point's weight. Our choice: of 1, 4, 12 and 40 it gave the smallest errors on phantoms."""

TEMPLATE_WEIGHT_FACTOR = 0.05
"""Weight of the other side's cortex: it decides what faces and cortex leave open, and no more. Our choice."""

TUKEY_FACTOR, LEAST_SIGMA_MM = 4.685, 0.15
"""Tukey's constant for 95 % efficiency (textbook value), and the least deviation it is scaled with: the
points' own error."""

MAD_FACTOR = 1.4826
"""Standard deviation over median absolute deviation of a Gaussian (closed form)."""

MOST_TURN_RADIAN = 0.2
"""No step turns by more. From the same study."""

DAMPING_FACTOR = 1e-4
"""Share of the normal matrix's largest value that holds what nothing determines. Our choice: such a motion
stays where it was begun."""


@dataclass(frozen=True, eq=False)
class Points:
    """Face and outer points of one side, with their directions, ready for pairing.

    ``narrow`` as in ``Side``; None where all are placed alike.
    """

    face: Floats
    face_normals: Floats
    outer: Floats
    outer_normals: Floats
    narrow: npt.NDArray[np.bool_] | None = None

    @cached_property
    def face_tree(self) -> cKDTree:
        """Finds the nearest face point."""
        return cKDTree(self.face)

    @cached_property
    def outer_tree(self) -> cKDTree:
        """Finds the nearest outer point."""
        return cKDTree(self.outer)

    def thinned(self, face_count: int, outer_count: int, seed: int) -> Points:
        """At most so many of them, evenly at random."""
        rng = np.random.default_rng(seed)
        face = np.sort(rng.permutation(len(self.face))[:face_count])
        outer = np.sort(rng.permutation(len(self.outer))[:outer_count])
        return Points(
            self.face[face],
            self.face_normals[face],
            self.outer[outer],
            self.outer_normals[outer],
            None if self.narrow is None else self.narrow[face],
        )


def points_of(side: Side) -> Points:
    """The points of a side."""
    return Points(side.face_mm, side.face_normals, side.outer_mm, side.outer_normals, side.narrow)


def settled(
    fixed: Points,
    moving: Points,
    starts: Floats,
    reaches_mm: Sequence[float] = REACHES_MM,
    steps_count: int = STEPS_COUNT,
    template: Points | None = None,
) -> Floats:
    """(k, 4, 4) where each of ``starts`` (k, 4, 4), moving mm → fixed mm, comes to rest.

    ``template``'s outer points, in the fixed frame, are the cortex of another bone of this shape.
    """
    poses = np.array(starts, float)
    centre = moving.face.mean(axis=0)
    size_mm = float(np.sqrt(((moving.face - centre) ** 2).sum(axis=1).mean()))
    for reach_mm in reaches_mm:
        for _ in range(steps_count):
            middle = carried(poses, centre[None, :])[:, 0]
            normal, right = np.zeros((len(poses), 6, 6)), np.zeros((len(poses), 6))
            for rows in pairings(fixed, moving, poses, reach_mm, template):
                _add(normal, right, rows, middle, size_mm)
            poses = _stepped(poses, normal, right, middle, size_mm)
    return poses


def normal_matrix(
    fixed: Points, moving: Points, pose: Floats, template: Points | None = None
) -> tuple[Floats, Floats, float]:
    """(6, 6) how firmly the pairs hold turns (times the face's size) and shifts, about which centre, and that
    size in mm."""
    centre = moving.face.mean(axis=0)
    size_mm = float(np.sqrt(((moving.face - centre) ** 2).sum(axis=1).mean()))
    middle = carried(pose[None], centre[None, :])[:, 0]
    normal, right = np.zeros((1, 6, 6)), np.zeros((1, 6))
    for rows in pairings(fixed, moving, pose[None], REACHES_MM[-1], template):
        _add(normal, right, rows, middle, size_mm)
    return normal[0], middle[0], size_mm


Rows = tuple[Floats, Floats, Floats, Floats]
"""Places, directions, distances and weights of pairs, each (k, n, …)."""


def pairings(
    fixed: Points, moving: Points, poses: Floats, reach_mm: float, template: Points | None
) -> Iterator[Rows]:
    """The pairs of the face, the cortex and the template, for ``poses`` (k, 4, 4)."""
    yield _face_pairs(fixed, moving, poses, reach_mm)
    if len(fixed.outer) and len(moving.outer):
        yield _outer_pairs(fixed, moving, poses, OUTER_WEIGHT_FACTOR)
    if template is not None:
        yield _outer_pairs(template, moving, poses, TEMPLATE_WEIGHT_FACTOR)


def _face_pairs(fixed: Points, moving: Points, poses: Floats, reach_mm: float) -> Rows:
    places, facing = carried(poses, moving.face), turned(poses, moving.face_normals)
    away, nearest = fixed.face_tree.query(places, distance_upper_bound=reach_mm)
    near = np.isfinite(away)
    nearest = np.where(near, nearest, 0)
    normals = fixed.face_normals[nearest]
    near &= np.einsum("kni,kni->kn", normals, facing) < OPPOSED_COSINE_FACTOR
    distance = np.einsum("kni,kni->kn", places - fixed.face[nearest], normals)
    return places, normals, distance, _tukey(distance, near)


def _outer_pairs(fixed: Points, moving: Points, poses: Floats, weight_factor: float) -> Rows:
    places, facing = carried(poses, moving.outer), turned(poses, moving.outer_normals)
    away, nearest = fixed.outer_tree.query(places, distance_upper_bound=OUTER_REACH_MM)
    near = np.isfinite(away)
    nearest = np.where(near, nearest, 0)
    normals = fixed.outer_normals[nearest]
    near &= np.einsum("kni,kni->kn", normals, facing) > ALIKE_COSINE_FACTOR
    between = normals + facing
    between /= np.maximum(np.linalg.norm(between, axis=-1, keepdims=True), np.finfo(float).tiny)
    distance = np.einsum("kni,kni->kn", places - fixed.outer[nearest], between)
    return places, between, distance, weight_factor * _tukey(distance, near)


def _tukey(distance: Floats, near: npt.NDArray[np.bool_]) -> Floats:
    """(k, n) weights, each row scaled with its own deviation."""
    sizes = np.where(near, np.abs(distance), np.nan)
    sigma = np.full(len(sizes), LEAST_SIGMA_MM)
    some = near.any(axis=1)
    sigma[some] = np.maximum(MAD_FACTOR * np.nanmedian(sizes[some], axis=1), LEAST_SIGMA_MM)
    share = distance / (TUKEY_FACTOR * sigma[:, None])
    return np.asarray(np.where(near & (np.abs(share) < 1), (1 - share**2) ** 2, 0.0))


def _add(normal: Floats, right: Floats, rows: Rows, middle: Floats, size_mm: float) -> None:
    """Add the pairs to the normal equations of each pose, turns scaled to mm at the face's ``size``."""
    places, directions, distance, weight = rows
    arm = (places - middle[:, None, :]) / size_mm
    terms = np.concatenate([np.cross(arm, directions), directions], axis=-1)
    weighted = terms * weight[..., None]
    normal += weighted.transpose(0, 2, 1) @ terms
    right -= (weighted * distance[..., None]).sum(axis=1)


def _stepped(poses: Floats, normal: Floats, right: Floats, middle: Floats, size_mm: float) -> Floats:
    largest = np.maximum(np.trace(normal, axis1=1, axis2=2), np.finfo(float).tiny)
    solved = np.linalg.solve(normal + DAMPING_FACTOR * largest[:, None, None] * np.eye(6), right[..., None])[
        ..., 0
    ]
    turn = solved[:, :3] / size_mm
    length = np.linalg.norm(turn, axis=1, keepdims=True)
    turn *= np.minimum(1, MOST_TURN_RADIAN / np.maximum(length, np.finfo(float).tiny))
    rotation = Rotation.from_rotvec(turn).as_matrix()
    result = poses.copy()
    result[:, :3, :3] = rotation @ poses[:, :3, :3]
    moved = np.einsum("kij,kj->ki", rotation, poses[:, :3, 3] - middle)
    result[:, :3, 3] = moved + middle + solved[:, 3:]
    return result


def carried(poses: Floats, points: Floats) -> Floats:
    """(k, n, 3) the points in every pose."""
    return np.asarray(points @ poses[:, :3, :3].transpose(0, 2, 1) + poses[:, None, :3, 3])


def turned(poses: Floats, vectors: Floats) -> Floats:
    """(k, n, 3) the directions in every pose."""
    return np.asarray(vectors @ poses[:, :3, :3].transpose(0, 2, 1))
