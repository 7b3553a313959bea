"""Where one bone ends and the next begins: a flood from each bone's depth, then the cheapest cut between.

The flood runs down the depths of the terrain and meets in a valley or at the narrowest neck; a second flood
over the valleys places the border near it in their bottom; a minimum cut within CUT_BAND_MM of each pair's
border, with capacity face area · mean(exp(−V / limit) + CUT_FLOOR_FRACTION), closes the holes by which the
floods leaked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import blake2b

import numpy as np
import numpy.typing as npt

from segmentation.cut_kernels import linked, source_side
from segmentation.flood_kernels import band_about, border_pairs, climb, flood, spread_nearest
from segmentation.progress import Cancelled, check_not_stopped
from segmentation.valley import Terrain, Volume

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

SURE_RATIO = 100.0
"""What is held fast is held by so many faces of whole bone. Our choice: more than the six a voxel has."""

CORE_FRACTION = 0.7
"""What lies deeper than this share of a label's greatest depth stays its own. Our choice: a bone can never be
cut away whole."""

LONGEST_CLIMB_COUNT = 4096
"""Voxels. Our choice: no bone is so long a climb."""

MOST_CUTS_COUNT = 2000
"""So many cuts are kept with the terrain, the newest. Our choice: those of ten questions about ten bones, in
about 5 MB."""


def climbed(terrain: Terrain, number: int, limit_hu: float | None = None) -> npt.NDArray[np.int64]:
    """Voxels from ``number`` up to the nearest local maximum of the depth."""
    path = np.empty(LONGEST_CLIMB_COUNT, np.int64)
    i, j, k = (int(n) for n in np.unravel_index(int(terrain.at[number]), terrain.index.shape))
    count = climb(terrain.index, terrain.depth_mm(limit_hu), i, j, k, path)
    return path[:count]


def flooded(
    terrain: Terrain, markers: Labels, limit_hu: float | None = None, *, rough: bool = False
) -> Labels:
    """(n,) labels from ``markers`` (n,), 0 where none reaches: down the depths, then over the valleys.

    ``rough`` leaves the second flood out.
    """
    labels = markers.copy()
    depth = terrain.depth_mm(limit_hu)
    everywhere = np.ones(len(labels), np.bool_)
    height = ((depth.max() - depth) / DEPTH_STEP_MM).astype(np.int32)
    flood(terrain.neighbours, height, int(height.max()) + 1, labels, everywhere)
    if rough:
        return labels
    reached = labels > 0
    source = np.zeros(len(labels), np.bool_)
    source[border_pairs(terrain.neighbours, labels)[:, :2]] = True
    away, _ = _nearest(terrain, source, reached, REFLOOD_BAND_MM)
    near = (away <= REFLOOD_BAND_MM) & (markers == 0)
    again = np.where(near, 0, labels).astype(np.int32)
    # Where all of a label lies near the border, its deepest voxels still hold it.
    core = _core(labels, depth)
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
    bench = _Bench.of(len(labels))
    for _ in range(CUT_ROUNDS_COUNT):
        core = _core(labels, depth) | (markers > 0)
        for first, second, starts in _touching(terrain, labels):
            check_not_stopped(cancelled)
            _cut_pair(terrain, labels, first, second, starts, weight, limit, core, bench)
    return labels


@dataclass(frozen=True, eq=False)
class _Bench:
    """Workspaces of one value a voxel, made once for many pairs."""

    way: Volume
    nearest: Labels
    waiting: npt.NDArray[np.bool_]
    local: Labels

    @classmethod
    def of(cls, count: int) -> _Bench:
        return cls(
            np.full(count, np.inf, np.float32),
            np.zeros(count, np.int32),
            np.zeros(count, np.bool_),
            np.full(count + 1, -1, np.int32),
        )


def _touching(terrain: Terrain, labels: Labels) -> Iterator[tuple[int, int, Labels]]:
    """Each pair of labels that touch, and the voxels on both sides of their border."""
    faces = border_pairs(terrain.neighbours, labels)
    if not len(faces):
        return
    one, other = labels[faces[:, 0]], labels[faces[:, 1]]
    span = int(labels.max()) + 1
    key = np.minimum(one, other).astype(np.int64) * span + np.maximum(one, other)
    order = np.argsort(key, kind="stable")
    values, begins = np.unique(key[order], return_index=True)
    for value, rows in zip(values.tolist(), np.split(order, begins[1:]), strict=True):
        first, second = divmod(value, span)
        yield first, second, np.ascontiguousarray(faces[rows, :2].reshape(-1))


def _cut_pair(
    terrain: Terrain,
    labels: Labels,
    first: int,
    second: int,
    starts: Labels,
    weight: Volume,
    limit_hu: float,
    core: npt.NDArray[np.bool_],
    bench: _Bench,
) -> None:
    """Move the border of one pair, in place."""
    band = band_about(
        terrain.neighbours,
        terrain.at,
        terrain.index.shape,
        terrain.spacing_mm,
        starts,
        labels,
        first,
        second,
        np.float32(CUT_BAND_MM),
        bench.way,
        bench.nearest,
        bench.waiting,
    )
    local = bench.local
    local[band] = np.arange(len(band), dtype=np.int32)
    # Beyond the band and in the cores nothing moves.
    sure = np.int64(CAPACITY_PER_MM2 * terrain.face_mm2.max() * SURE_RATIO)
    per_face = np.repeat(terrain.face_mm2, 2) * CAPACITY_PER_MM2
    inner, capacity, held = linked(
        terrain.neighbours, band, local, labels, first, second, core, sure, weight, per_face
    )
    local[band] = -1
    if not (held > 0).any() or not (held < 0).any():
        return
    # The band and what is held fast say all about a cut: a click elsewhere does not ask for it again.
    key = blake2b(band.tobytes() + held.tobytes() + np.float64(limit_hu).tobytes(), digest_size=16).digest()
    kept = terrain.cuts.pop(key, None)
    if kept is None:
        kept = np.packbits(source_side(inner, capacity, held)[0])
        if len(terrain.cuts) >= MOST_CUTS_COUNT:
            del terrain.cuts[next(iter(terrain.cuts))]
    terrain.cuts[key] = kept
    labels[band] = np.where(np.unpackbits(kept, count=len(band)), first, second)


def _core(labels: Labels, depth: Volume) -> npt.NDArray[np.bool_]:
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


def soft_to_nearest(terrain: Terrain, labels: Labels) -> tuple[Labels, Volume]:
    """``labels`` with soft tissue between bones given to the nearest bone, and (n,) the way to it in mm."""
    bone = ~terrain.soft & (labels > 0)
    away, nearest = _nearest(terrain, bone, terrain.soft, np.inf)
    whole = np.where(terrain.soft & (nearest >= 0), labels[nearest], labels).astype(np.int32)
    return whole, away
