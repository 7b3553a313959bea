"""How sure the bone's surface is at a place: its own measured deviation, or that of a plain grey level.

A refined surface tells a deviation at every vertex; it is taken as the mean about the place. A surface at a
plain level and what lies in the streaks of metal are never surer than that level; a fracture face, which has
no cortex, is never as sure as a refined outer surface.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.near_metal import in_streaks
from planner.path_kernels import patches
from planner.prepared import FACING_MM, PreparedBone
from segmentation.vocabulary import Floats

PLAIN_SD_MM = 0.4
"""Deviation of a surface at a plain grey level, the segmentation's own number for it. Published errors of a
fixed level: 0.2 to 0.8 mm (Wang et al. 2009; Soodmand et al. 2018 Biomed Eng Online 17:29)."""

REFINED_SD_MM = 0.03
"""A refined surface deviates by so much at least: its own deviation knows noise, not what the layer model
leaves out. Measured: without it the interval held 86 % of 90 lengths through a layered block, with it all."""

FRACTURE_FACE_SD_MM = 0.1
"""A refined surface within FACING_MM of another fragment of its bone deviates by so much at least. Measured
on three demo scaphoids: faces 0.054 mm (RMS) off, paths that end at them up to 0.15 mm."""

GIVEN_SURFACE_SD_MM = 0.4
"""Deviation of a joint surface given as a file, which tells none. Our choice: drawn on a CT, at a level."""

NEAREST_COUNT = 24
"""Triangles about a place whose normals and deviations are averaged. Our choice: a patch of 1 mm in fine
voxels, wider than the noise of one triangle."""


def deviation_at(
    prepared: PreparedBone, fragments: Sequence[int], points_mm: Floats
) -> tuple[Floats, Floats]:
    """Deviation in mm (n,) and unit normal (n, 3) of the nearest of the fragments' surfaces at ``points_mm``
    (n, 3)."""
    away = np.full(len(points_mm), np.inf)
    sd, normal = np.zeros(len(points_mm)), np.zeros((len(points_mm), 3))
    for number in fragments:
        distance, of_sd, of_normal = _of_fragment(prepared, number, points_mm)
        scanned_mm = prepared.as_scanned_mm(number, points_mm)
        streaks = in_streaks(prepared.bone.ct.grid, prepared.bone.segmentation.removed, scanned_mm)
        of_sd = np.where(streaks, np.maximum(of_sd, PLAIN_SD_MM), of_sd)
        nearer = distance < away
        away[nearer], sd[nearer], normal[nearer] = distance[nearer], of_sd[nearer], of_normal[nearer]
    return sd, normal


def _of_fragment(prepared: PreparedBone, number: int, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Distance to the nearest triangle's middle, deviation and normal about it."""
    mesh, cortex = prepared.meshes[number], prepared.bone.fragment(number).cortex
    count = min(NEAREST_COUNT, len(mesh.faces))
    distance, near = prepared.tree(number).query(points_mm, k=range(1, count + 1))
    position_sd_mm = np.empty(0) if cortex is None else cortex.position_sd_mm
    normal, sd = patches(near, mesh.vertices_mm, mesh.faces, mesh.normals, position_sd_mm)
    if cortex is None:
        return distance[:, 0], np.full(len(points_mm), PLAIN_SD_MM), normal
    on_fracture = _beside_another(prepared, number, points_mm)
    return distance[:, 0], np.maximum(sd, np.where(on_fracture, FRACTURE_FACE_SD_MM, REFINED_SD_MM)), normal


def _beside_another(prepared: PreparedBone, number: int, points_mm: Floats) -> npt.NDArray[np.bool_]:
    """Whether another fragment of the same bone is near each point: before a fracture face, or, where faces
    were moved too far, behind it."""
    result = np.zeros(len(points_mm), bool)
    for other in prepared.fragments_of(prepared.bone.fragment(number).bone):
        mesh = prepared.meshes[other]
        near = (points_mm > mesh.low_mm - FACING_MM) & (points_mm < mesh.high_mm + FACING_MM)
        asked = np.flatnonzero(near.all(axis=1)) if other != number else np.empty(0, np.intp)
        if len(asked):
            distance, _ = prepared.tree(other).query(points_mm[asked], distance_upper_bound=FACING_MM)
            result[asked] |= np.isfinite(distance)
    return result
