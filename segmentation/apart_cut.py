"""Where one bone ends and the next begins: a flood from each bone's depth, then the cheapest cut between them.

The flood runs down the depths of the terrain and meets in a valley or at the narrowest neck; a second flood
over the valleys places the border near it in their bottom; a minimum cut within CUT_BAND_MM of each pair's
border, with capacity face area · mean(exp(−V / limit) + CUT_FLOOR), closes the holes by which the floods leaked.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from segmentation.cut_kernels import source_side
from segmentation.flood_kernels import at_border, border_faces, climb, flood, spread_nearest
from segmentation.valley import Cancelled, Terrain, Volume, check_not_stopped
from segmentation.vocabulary import Floats

Labels = npt.NDArray[np.int32]

DEPTH_STEP_MM = 0.02
"""Floods run in steps of this. Our choice: under a tenth of a voxel."""

VALLEY_STEP_HU = 2.0
"""Likewise over valleys. Our choice: below any noise."""

REFLOOD_BAND_MM, CUT_BAND_MM = 1.2, 3.0
"""How near the border the second flood and the cut may move it. From the study."""

CUT_ROUNDS_COUNT = 2
"""Each pair is cut so often: three bones at an edge wait for each other. From the study."""

CUT_FLOOR_FRACTION = 0.02
"""A face in the deepest valley costs this share of one in whole bone, so that the cut stays short. From the
study."""

CAPACITY_PER_MM2 = 1.0e5
"""Capacities are whole numbers; so many for 1 mm² of whole bone. Our choice: a face of 0.01 mm² at the floor
still counts 20."""

CORE_FRACTION = 0.7
"""What lies deeper than this share of a label's greatest depth stays its own. Our choice: a bone can never be
cut away whole."""

LONGEST_CLIMB_COUNT = 4096
"""Voxels. Our choice: no bone is so long a climb."""


def climbed(terrain: Terrain, number: int, limit_hu: float | None = None) -> npt.NDArray[np.int64]:
    """Voxels from ``number`` up to the nearest local maximum of the depth."""
    path = np.empty(LONGEST_CLIMB_COUNT, np.int64)
    i, j, k = (int(n) for n in np.unravel_index(int(terrain.at[number]), terrain.index.shape))
    count = climb(terrain.index, terrain.depth_mm(limit_hu), i, j, k, path)
    return path[:count]


def flooded(terrain: Terrain, markers: Labels, limit_hu: float | None = None) -> Labels:
    """(n,) labels from ``markers`` (n,), 0 where none reaches: down the depths, then over the valleys."""
    labels = markers.copy()
    depth = terrain.depth_mm(limit_hu)
    everywhere = np.ones(len(labels), np.bool_)
    height = ((depth.max() - depth) / DEPTH_STEP_MM).astype(np.int32)
    flood(terrain.neighbours, height, int(height.max()) + 1, labels, everywhere)
    reached = labels > 0
    source = at_border(terrain.neighbours, labels, 0, 0)
    away, _ = _nearest(terrain, source, reached, REFLOOD_BAND_MM)
    near = (away <= REFLOOD_BAND_MM) & (markers == 0)
    again = np.where(near, 0, labels).astype(np.int32)
    # Where all of a label lies near the border, its deepest voxels still hold it.
    core = _core(terrain, labels, depth)
    again[core] = labels[core]
    valley = np.minimum(terrain.valley_hu, np.float32(8 * terrain.limit_hu))
    steps = ((valley.max() - valley) / VALLEY_STEP_HU).astype(np.int32)
    # From whole bone into the valley: low V first.
    steps = steps.max() - steps
    flood(terrain.neighbours, steps, int(steps.max()) + 1, again, reached)
    return again


def recut(
    terrain: Terrain,
    labels: Labels,
    markers: Labels,
    limit_hu: float | None = None,
    *,
    cancelled: Cancelled | None = None,
) -> Labels:
    """``labels`` with the border of each touching pair moved to the cheapest cut near it."""
    labels = labels.copy()
    limit = terrain.limit_hu if limit_hu is None else limit_hu
    weight = np.exp(-terrain.valley_hu / np.float32(limit)) + np.float32(CUT_FLOOR_FRACTION)
    depth = terrain.depth_mm(limit_hu)
    fixed = markers > 0
    for _ in range(CUT_ROUNDS_COUNT):
        faces, _, _ = border_faces(
            terrain.neighbours, labels, terrain.valley_hu, terrain.face_mm2, limit, int(labels.max())
        )
        core = _core(terrain, labels, depth) | fixed
        for first, second in np.argwhere(faces > 0):
            check_not_stopped(cancelled)
            _cut_pair(terrain, labels, int(first), int(second), weight, core)
    return labels


def _cut_pair(
    terrain: Terrain, labels: Labels, first: int, second: int, weight: Volume, core: npt.NDArray[np.bool_]
) -> None:
    """Move the border of one pair, in place."""
    neighbours = terrain.neighbours
    source = at_border(neighbours, labels, first, second)
    either = (labels == first) | (labels == second)
    away, _ = _nearest(terrain, source, either, CUT_BAND_MM)
    band = np.flatnonzero(np.isfinite(away))
    if not len(band):
        return
    local = np.full(len(labels) + 1, -1, np.int32)
    local[band] = np.arange(len(band), dtype=np.int32)
    around = neighbours[band]
    inner = local[around]
    area = np.repeat(terrain.face_mm2, 2) * CAPACITY_PER_MM2
    mean = (weight[band][:, None] + weight[around]) / 2
    capacity = np.where(inner >= 0, np.rint(mean * area), 0).astype(np.int64)
    # Beyond the band and in the cores nothing moves.
    sure = np.int64(CAPACITY_PER_MM2 * terrain.face_mm2.max() * 100)
    beyond = np.where((around >= 0) & (inner < 0), labels[around], 0)
    held = np.where((beyond == first).any(axis=1), sure, 0) - np.where((beyond == second).any(axis=1), sure, 0)
    own = labels[band]
    held = np.where(core[band], np.where(own == first, sure, -sure), held)
    if not (held > 0).any() or not (held < 0).any():
        return
    side, _ = source_side(inner, capacity, held)
    labels[band] = np.where(side, first, second)


def _core(terrain: Terrain, labels: Labels, depth: Volume) -> npt.NDArray[np.bool_]:
    deepest = np.zeros(int(labels.max()) + 1, np.float32)
    np.maximum.at(deepest, labels, depth)
    return np.asarray((labels > 0) & (depth >= CORE_FRACTION * deepest[labels]))


def _nearest(
    terrain: Terrain, source: npt.NDArray[np.bool_], allowed: npt.NDArray[np.bool_], reach_mm: float
) -> tuple[Volume, Labels]:
    """Way to the nearest source within ``reach_mm``, and its number."""
    nearest = np.empty(len(source), np.int32)
    way = spread_nearest(
        terrain.neighbours,
        terrain.at,
        terrain.index.shape,
        terrain.spacing_mm,
        source,
        allowed,
        np.float32(reach_mm),
        nearest,
    )
    return way, nearest


def soft_to_nearest(terrain: Terrain, labels: Labels) -> Labels:
    """``labels`` with soft tissue between bones given to the nearest bone."""
    bone = ~terrain.soft & (labels > 0)
    _, nearest = _nearest(terrain, bone, terrain.soft, np.inf)
    return np.where(terrain.soft & (nearest >= 0), labels[nearest], labels).astype(np.int32)


def face_tables(
    terrain: Terrain, labels: Labels, limit_hu: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Floats]:
    """Between labels a < b: faces, faces in a valley, and area in mm²; (count + 1, count + 1) each."""
    faces, supported, area = border_faces(
        terrain.neighbours, labels, terrain.valley_hu, terrain.face_mm2, limit_hu, int(labels.max())
    )
    return faces, supported, area
