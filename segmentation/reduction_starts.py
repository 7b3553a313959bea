"""Where to begin bringing one side of a fracture onto the other: from no, one or more pairs of points.

Three pairs fix a motion (Kabsch, Acta Cryst A 32:922, 1976: from memory); with fewer, the faces' directions
are laid against each other and turned about them in steps. Pairs may be rough: they only begin the search.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from segmentation.fracture_face import Side
from segmentation.vocabulary import Floats

TWISTS_DEGREE = tuple(float(twist) for twist in range(-40, 41, 10))
"""Turns about the face's direction that are tried: a fragment is rarely turned farther. From a study on
phantoms: displaced by up to 25°, every run came home."""

FIXING_COUNT = 3
"""So many pairs fix a motion."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """Points that belong together: ``move_mm`` and ``onto_mm`` (n, 3), as scanned, in patient mm."""

    move_mm: Floats
    onto_mm: Floats


NO_PAIRS = Pairs(np.empty((0, 3)), np.empty((0, 3)))


def starts(fixed: Side, moving: Side, pairs: Pairs = NO_PAIRS) -> Floats:
    """(k, 4, 4) motions, moving mm → fixed mm, to begin from."""
    if len(pairs.move_mm) >= FIXING_COUNT:
        return _fitted(pairs)[None]
    onto = fixed.face_mm.mean(axis=0) if not len(pairs.move_mm) else pairs.onto_mm.mean(axis=0)
    move = moving.face_mm.mean(axis=0) if not len(pairs.move_mm) else pairs.move_mm.mean(axis=0)
    # The least turn that lays one face's direction against the other's.
    against = _least_turn(moving.looks, -fixed.looks)
    result = []
    for twist in TWISTS_DEGREE:
        pose = np.eye(4)
        pose[:3, :3] = Rotation.from_rotvec(np.radians(twist) * fixed.looks).as_matrix() @ against
        pose[:3, 3] = onto - pose[:3, :3] @ move
        result.append(pose)
    return np.stack(result)


def _least_turn(of: Floats, onto: Floats) -> Floats:
    axis = np.cross(of, onto)
    length = float(np.linalg.norm(axis))
    angle = float(np.arctan2(length, of @ onto))
    if length < np.finfo(float).eps:
        # Nothing to turn, or half a turn about any axis across.
        axis = np.cross(of, np.eye(3)[np.argmin(np.abs(of))])
        length = float(np.linalg.norm(axis))
    return np.asarray(Rotation.from_rotvec(angle * axis / length).as_matrix())


def _fitted(pairs: Pairs) -> Floats:
    """The motion that brings the pairs together best."""
    move, onto = pairs.move_mm.mean(axis=0), pairs.onto_mm.mean(axis=0)
    rotation, *_ = Rotation.align_vectors(pairs.onto_mm - onto, pairs.move_mm - move)
    pose = np.eye(4)
    pose[:3, :3] = rotation.as_matrix()
    pose[:3, 3] = onto - pose[:3, :3] @ move
    return pose
