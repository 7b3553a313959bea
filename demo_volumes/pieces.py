"""Moves a fragment of a broken bone to where an injury left it, and draws it there.

A *motion* (4, 4) takes anatomical mm, where the fragment belongs, to anatomical mm, where it is scanned. All
truth is told of the unbroken bone, so that only the drawing and the points to name are moved.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from demo_volumes.scene import DemoBone, Displacement, Fracture, Scene
from demo_volumes.shapes import Array, Triple
from segmentation.vocabulary import Floats

FACE_STEP_MM = 0.7
"""Points on a fracture face lie so far apart while fragments are parted. Our choice: finer than its waves."""

FACE_REACH_MM = 35.0
"""They reach so far from the fracture's middle. Our choice: beyond every demo shaft."""

FACE_ROUNDS_COUNT = 8
"""Rounds in which points are laid onto a wavy face along its normal. Our choice: waves are flat enough."""

WALL_BEYOND_MM = 6.0
"""So far from its fracture a displaced fragment is still watched while it is parted. Our choice."""

PARTING_STEP_MM = 0.02
"""Step by which a displaced fragment is drawn away. Our choice: the gap's exactness."""

PARTING_MOST_MM = 12.0
"""It is not drawn farther. Our choice: no demo needs more."""

TURN_DEGREE = (6.0, 16.0)
"""Least and most turn of a displaced fragment. Our choice, well within what a reduction brings back."""

SLIP_MM = (1.0, 3.0)
"""Least and most slip along the fracture. Our choice, as above."""


def scanned_bones(scene: Scene) -> tuple[DemoBone, ...]:
    """What the scanner draws: the bones, the first fragment by fragment where one of them is displaced."""
    moved = scene.displaced
    if moved is None:
        return scene.bones
    broken = scene.bones[0]
    pieces = (
        _fragment(broken, index, moved.motion if moved.fragment == index else np.eye(4))
        for index in range(len(broken.fragment_names))
    )
    return (*pieces, *scene.bones[1:])


def where_scanned(scene: Scene, fragment_name: str, points_mm: Floats) -> Floats:
    """(n, 3) points of a fragment where it belongs → where it is scanned."""
    moved = scene.displaced
    if moved is None or scene.bones[0].fragment_names[moved.fragment] != fragment_name:
        return points_mm
    return np.asarray(points_mm @ moved.motion[:3, :3].T + moved.motion[:3, 3])


def displaced(rng: np.random.Generator, bone: DemoBone, fragment: int, gap_mm: float) -> Displacement:
    """A random turn and slip of one fragment, then drawn away until ``gap_mm`` is open at the narrowest.

    The gap is exact to PARTING_STEP_MM and the field's first order (about 5 %).
    """
    fracture = bone.fracture
    if fracture is None:
        raise ValueError("a bone without a fracture has no fragment to displace")
    away = fracture.normal * (1 if fragment == 1 else -1)
    axis, way = rng.normal(size=3), rng.normal(size=3)
    way -= fracture.normal * (way @ fracture.normal)
    turn = _turn_about(axis / np.linalg.norm(axis), np.radians(rng.uniform(*TURN_DEGREE)))
    slip = way / np.linalg.norm(way) * rng.uniform(*SLIP_MM)
    other = bone.fragment_field(1 - fragment)
    face = _face_mm(bone, fracture)
    body = (face[None] + np.arange(0, WALL_BEYOND_MM, FACE_STEP_MM)[:, None, None] * away).reshape(-1, 3)
    there = (body - fracture.centre_mm) @ turn.T + fracture.centre_mm + slip
    for along_mm in np.arange(0, PARTING_MOST_MM, PARTING_STEP_MM):
        if other(*(there + along_mm * away).T).min() >= gap_mm:
            break
    motion = np.eye(4)
    motion[:3, :3] = turn
    motion[:3, 3] = fracture.centre_mm - turn @ fracture.centre_mm + slip + along_mm * away
    return Displacement(fragment, motion)


def _fragment(bone: DemoBone, index: int, motion: Floats) -> DemoBone:
    """One fragment as a bone of its own; its wall is the whole bone's, so that a fracture face is bare."""
    own = bone.fragment_field(index)
    back: Floats = np.asarray(np.linalg.inv(motion), float)

    def outside(x: Array, y: Array, z: Array) -> Array:
        return own(*_carried(back, x, y, z))

    def wall(x: Array, y: Array, z: Array, _depth: Array) -> Array:
        # Not the depth under the fracture face: that is bare of cortex.
        at = _carried(back, x, y, z)
        return bone.wall_hu(*at, np.maximum(-bone.outside(*at), 0))

    corners = np.array(list(product(*zip(bone.low_mm, bone.high_mm, strict=True))))
    corners = corners @ motion[:3, :3].T + motion[:3, 3]
    low, high = _triple(corners.min(axis=0)), _triple(corners.max(axis=0))
    name = bone.fragment_names[index]
    return DemoBone(name, outside, wall, low, high, fragment_names=(name,))


def _carried(pose: Floats, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
    """Points moved by a pose (4, 4), in their own precision."""
    first, second, third = (
        float(row[0]) * x + float(row[1]) * y + float(row[2]) * z + float(row[3]) for row in pose[:3]
    )
    return first, second, third


def _triple(point_mm: Floats) -> Triple:
    x, y, z = point_mm.tolist()
    return x, y, z


def _turn_about(axis: Floats, turn_radian: float) -> Floats:
    """(3, 3) turn about a unit axis (Rodrigues, closed form)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(turn_radian) * cross + (1 - np.cos(turn_radian)) * cross @ cross)


def _face_mm(bone: DemoBone, fracture: Fracture) -> Floats:
    """(n, 3) points all over the fracture, within the bone."""
    line = np.arange(-FACE_REACH_MM, FACE_REACH_MM, FACE_STEP_MM)
    aside = np.cross(fracture.normal, np.eye(3)[int(np.argmin(np.abs(fracture.normal)))])
    aside /= np.linalg.norm(aside)
    across = np.cross(fracture.normal, aside)
    u, v = (grid.ravel()[:, None] for grid in np.meshgrid(line, line))
    points = fracture.centre_mm + u * aside + v * across
    for _ in range(FACE_ROUNDS_COUNT):
        points = points - fracture.side(*points.T)[:, None] * fracture.normal
    return np.asarray(points[bone.outside(*points.T) < 0])
