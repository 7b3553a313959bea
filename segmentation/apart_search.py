"""Finds the bones that touch without a click, and leaves together what cannot be told apart.

Every summit of the depth is the beginning of a piece. Pieces that meet without a valley between them are one
bone and grow together, those with the largest unseen border first; what is left are the bones. Their cuts are
then judged as if a person had pointed at them, and where a cut is refused the two stay one, with a sentence
that says where.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from segmentation.apart import Apart, tell_apart
from segmentation.apart_cut import Labels, flooded
from segmentation.apart_verdict import LEAST_PART_MM3, faces_between
from segmentation.flood_kernels import summits
from segmentation.seeds import Seed
from segmentation.valley import Cancelled, Progress, Terrain, check_not_stopped, survey
from segmentation.vocabulary import CTVolume

LEAST_SUMMIT_MM = 1.2
"""A summit lower than this begins no bone. Our choice: a bone is thicker than 2.4 mm somewhere."""

PARTING_FRACTION = 0.5
"""Two pieces are one bone when less of their border lies in a valley. Our choice: half; the verdict is
stricter, and what it refuses is told."""

SEED_DEPTH_FRACTION, SEEDS_PER_BONE_COUNT = 0.5, 24
"""The summits that stand for a bone are at least this deep, relative to its deepest, and no more than so
many. Our choice."""

ROUNDS_COUNT = 6
"""Cuts are refused, and their bones put together, so often before all that is left stays one. Our choice."""


def find_apart(
    ct: CTVolume,
    level_hu: float,
    *,
    terrain: Terrain | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Apart:
    """The bones of the scan (or of ``terrain``) told apart without a click; every cut left is good.

    ``notes`` say where two could not be told apart and were left one. Raises InputError where nothing is bone,
    and valley.Stopped.
    """
    terrain = terrain or survey(ct, level_hu, progress=progress, cancelled=cancelled)
    seeds = find_seeds(terrain, cancelled=cancelled)
    told: list[str] = []
    for _ in range(ROUNDS_COUNT):
        apart = tell_apart(ct, level_hu, seeds, terrain=terrain, progress=progress, cancelled=cancelled)
        refused = [pair for pair in apart.pairs if not pair.good]
        if not refused:
            break
        worst = min(refused, key=lambda pair: pair.seen_fraction)
        told += [f"{worst.sentence}; they were left one"]
        seeds = _renamed(seeds, worst.names[1], worst.names[0])
    else:
        seeds = tuple(Seed("bone 1", "bone 1", seed.point_mm) for seed in seeds)
        apart = tell_apart(ct, level_hu, seeds, terrain=terrain, progress=progress, cancelled=cancelled)
    return Apart(
        apart.labels,
        apart.bone_labels,
        apart.names,
        apart.bones,
        apart.pairs,
        (*told, *apart.notes),
        terrain,
    )


def find_seeds(terrain: Terrain, *, cancelled: Cancelled | None = None) -> tuple[Seed, ...]:
    """Points in each bone, named ``bone 1`` for the largest, ``bone 2`` for the next, …"""
    depth = terrain.depth_mm()
    found = summits(terrain.index, terrain.at, depth, np.float32(LEAST_SUMMIT_MM))
    tops = np.flatnonzero(found)
    if not len(tops):
        tops = np.array([int(np.argmax(depth))])
        found[tops] = 1
    tops = tops[np.argsort(found[tops])]
    check_not_stopped(cancelled)
    pieces = flooded(terrain, found)
    check_not_stopped(cancelled)
    bone_of = _grown_together(terrain, pieces, len(tops))
    volume = np.bincount(bone_of[pieces], minlength=len(tops) + 1) * float(np.prod(terrain.spacing_mm))
    volume[0] = 0
    seeds = []
    kept = [bone for bone in np.argsort(-volume, kind="stable") if volume[bone] >= LEAST_PART_MM3]
    for number, bone in enumerate(kept or [int(volume.argmax())], start=1):
        own = tops[bone_of[1:] == bone]
        own = own[np.argsort(-depth[own], kind="stable")][:SEEDS_PER_BONE_COUNT]
        own = own[depth[own] >= SEED_DEPTH_FRACTION * depth[own[0]]]
        name = f"bone {number}"
        seeds += [Seed(name, name, point) for point in terrain.places_mm(own)]
    return tuple(seeds)


def _grown_together(terrain: Terrain, pieces: Labels, count: int) -> npt.NDArray[np.int64]:
    """(count + 1,) the bone of each piece, by the number of one of its pieces."""
    borders = _borders(terrain, pieces)
    bone_of = np.arange(count + 1)
    volume = np.bincount(pieces, minlength=count + 1) * float(np.prod(terrain.spacing_mm))
    while True:
        best, most = None, 0
        for one, beside in borders.items():
            for other, (faces, seen) in beside.items():
                if one >= other or faces - seen <= most:
                    continue
                small = min(volume[one], volume[other]) < LEAST_PART_MM3
                if seen < PARTING_FRACTION * faces or small:
                    best, most = (one, other), faces - seen
        if best is None:
            return bone_of
        one, gone = best
        bone_of[bone_of == gone] = one
        volume[one] += volume[gone]
        for other, (faces, seen) in borders.pop(gone).items():
            del borders[other][gone]
            if other == one:
                continue
            had = borders[one].get(other, (0, 0))
            both = (had[0] + faces, had[1] + seen)
            borders[one][other] = borders[other][one] = both


def _borders(terrain: Terrain, pieces: Labels) -> dict[int, dict[int, tuple[int, int]]]:
    """Faces, and faces in a valley, between pieces; both ways round."""
    one, other, _, seen, _ = faces_between(terrain, pieces)
    span = int(pieces.max()) + 1
    key = one.astype(np.int64) * span + other
    values, where = np.unique(key, return_inverse=True)
    faces = np.bincount(where, minlength=len(values))
    valleys = np.bincount(where, weights=seen, minlength=len(values)).astype(int)
    borders: dict[int, dict[int, tuple[int, int]]] = {n: {} for n in np.unique(pieces).tolist() if n}
    for value, face, valley in zip(values.tolist(), faces.tolist(), valleys.tolist(), strict=True):
        one, other = divmod(value, span)
        borders[one][other] = borders[other][one] = (face, valley)
    return borders


def _renamed(seeds: Sequence[Seed], old: str, new: str) -> tuple[Seed, ...]:
    return tuple(Seed(new, new, seed.point_mm) if seed.name == old else seed for seed in seeds)
