"""Exact points of a bone's outer surface, and distances to it.

A coarse mesh of the field is taken and each vertex is moved onto the zero set by Newton's steps (to 1e-6 mm).
The distance of a point is then that to the nearest vertex, refined by sliding along the surface until the
line to the point is square to it. Error of a distance: under 0.005 mm (tests/test_demo_truth.py,
against an ellipsoid and a ball).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree
from skimage.measure import marching_cubes

from demo_volumes.scene import DemoBone, Scene
from demo_volumes.shapes import CACHED_COUNT, Field, gradient, values_at
from segmentation.vocabulary import Floats, Surface

MESH_STEP_MM = 0.6
"""Grid step of the mesh. Our choice: finer than any curvature of these bones."""

NEWTON_COUNT = 6
"""Newton's steps onto the surface; each squares the error."""

SLIDE_COUNT = 14
"""Steps along the surface towards the foot of the perpendicular."""

SLIDE_NEWTON_COUNT = 2
"""Newton's steps back onto the surface after each of them."""

SLIDE_FRACTION = 0.7
"""Share of the sideways distance gone at each: on a flat face 0.3 of it is left."""

SPREAD_COUNT = 3
"""Points along a triangle's edge when an open surface is spread with points."""

SMALLEST_SLOPE_FRACTION = 0.05
"""Guards a division where the field is flat (a blend's crease). Our choice."""


def onto_surface(field: Field, points_mm: Floats, steps_count: int = NEWTON_COUNT) -> tuple[Floats, Floats]:
    """(n, 3) points moved onto the zero set of ``field``, and the outward unit normals there."""
    moved, normals = np.array(points_mm, float), np.array(points_mm, float)
    for start in range(0, len(moved), CACHED_COUNT):
        part = slice(start, start + CACHED_COUNT)
        moved[part], normals[part] = _onto_surface(field, moved[part], steps_count)
    return moved, normals


def _onto_surface(field: Field, moved: Floats, steps_count: int) -> tuple[Floats, Floats]:
    """The same of few points."""
    normals = moved
    for _ in range(steps_count):
        x, y, z = np.ascontiguousarray(moved.T)
        slope = np.stack(gradient(field, x, y, z), axis=1)
        square = np.maximum((slope**2).sum(axis=1), SMALLEST_SLOPE_FRACTION)
        moved = moved - slope * (field(x, y, z) / square)[:, None]
        normals = slope / np.sqrt(square)[:, None]
    return moved, normals


def outer_surface(bone: DemoBone, low_mm: npt.ArrayLike, high_mm: npt.ArrayLike) -> Surface:
    """Mesh of the bone's outer surface within a box, vertices exact, normals outward; open where the box cuts
    it."""
    low = np.maximum(low_mm, bone.low_mm) - MESH_STEP_MM
    high = np.minimum(high_mm, bone.high_mm) + MESH_STEP_MM
    axes = [np.arange(a, b + MESH_STEP_MM, MESH_STEP_MM) for a, b in zip(low, high, strict=True)]
    values = values_at(bone.outside, np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1))
    vertices, faces, _, _ = marching_cubes(
        values, 0.0, spacing=(MESH_STEP_MM,) * 3, gradient_direction="ascent"
    )
    points, normals = onto_surface(bone.outside, vertices + low)
    return Surface(points, _facing(points, faces.astype(np.int32), normals))


def _facing(points_mm: Floats, faces: npt.NDArray[np.int32], normals: Floats) -> npt.NDArray[np.int32]:
    """The faces, each turned so that it faces along its vertices' normals; those without area left out."""
    a, b, c = (points_mm[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    turned = np.einsum("ij,ij->i", across, normals[faces].sum(axis=1)) < 0
    faces = np.where(turned[:, None], faces[:, ::-1], faces)
    return np.asarray(faces[np.linalg.norm(across, axis=1) > 0])


def signed_distance_mm(field: Field, surface: Surface, points_mm: Floats) -> Floats:
    """(n,) distance of points to the zero set near ``surface``, positive outside."""
    foot = surface.vertices_mm[KDTree(surface.vertices_mm).query(points_mm)[1]]
    best = np.linalg.norm(points_mm - foot, axis=1)
    for _ in range(SLIDE_COUNT):
        foot, normal = onto_surface(field, foot, SLIDE_NEWTON_COUNT)
        away = points_mm - foot
        best = np.minimum(best, np.linalg.norm(away, axis=1))
        foot = foot + SLIDE_FRACTION * (away - normal * np.einsum("ij,ij->i", away, normal)[:, None])
    x, y, z = points_mm.T
    return np.asarray(np.where(field(x, y, z) < 0, -best, best))


def rough_signed_distance_mm(field: Field, surface: Surface, points_mm: Floats) -> Floats:
    """(n,) the same to the nearest vertex only: too far by up to half a millimetre close by, less than 0.05
    mm beyond 1 mm."""
    distance = KDTree(surface.vertices_mm).query(points_mm)[0]
    return np.asarray(np.where(field(*points_mm.T) < 0, -distance, distance))


def joint_surface(scene: Scene) -> Surface | None:
    """The part of the first bone's outer surface that a neighbour faces within the scene's reach, normals
    outward."""
    if scene.joint_reach_mm is None:
        return None
    half = np.array(scene.size_mm) / 2
    whole = outer_surface(scene.bones[0], -half, half)
    facing = joint_side(scene)(*whole.vertices_mm.T)
    faces = whole.faces[(facing < 0)[whole.faces].all(axis=1)]
    used, renumbered = np.unique(faces, return_inverse=True)
    return Surface(whole.vertices_mm[used], renumbered.reshape(-1, 3).astype(np.int32))


def area_mm2(surface: Surface) -> float:
    """Sum of the triangles' areas: chords of 0.6 mm lose 0.1 % on a ball of 10 mm (closed form)."""
    a, b, c = (surface.vertices_mm[surface.faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def joint_side(scene: Scene) -> Callable[[Floats, Floats, Floats], Floats]:
    """Field that is negative within reach of a neighbour: it tells which part of the surface is joint."""
    reach_mm = scene.joint_reach_mm or 0.0

    def side(x: Floats, y: Floats, z: Floats) -> Floats:
        nearest = [bone.outside(x, y, z) for bone in scene.bones[1:]]
        return np.asarray(np.min(nearest, axis=0) - reach_mm)

    return side


def points_on(surface: Surface) -> Floats:
    """(n, 3) vertices and points spread evenly over each triangle, about 0.15 mm apart."""
    weights = np.array(
        [(a, b, SPREAD_COUNT - a - b) for a in range(SPREAD_COUNT + 1) for b in range(SPREAD_COUNT + 1 - a)]
    )
    # Shrunk a little towards the middle, so that points of neighbouring triangles do not fall together.
    weights = (weights + 1 / 3) / (SPREAD_COUNT + 1)
    spread = np.einsum("wc,fcx->fwx", weights, surface.vertices_mm[surface.faces]).reshape(-1, 3)
    return np.concatenate([surface.vertices_mm, spread])
