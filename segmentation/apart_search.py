"""Finds the bones that touch without a click, and leaves together what cannot be told apart.

Every summit of the depth is the beginning of a piece. Pieces that meet without a valley between them are one
bone and grow together, those with the largest unseen border first; what is left are the bones. Their cuts are
then judged as if a person had pointed at them, and where a cut is refused the two stay one, with a sentence
that says where.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from segmentation.apart import Apart, tell_apart
from segmentation.apart_cut import Labels, flooded
from segmentation.apart_verdict import LEAST_PART_MM3, at_place, central, faces_between
from segmentation.asked import Seed
from segmentation.flood_kernels import summits
from segmentation.progress import Cancelled, Progress, check_not_stopped
from segmentation.seeds import BACKGROUND, names_in_order
from segmentation.valley import Terrain, survey
from segmentation.vocabulary import CTVolume, Floats

LEAST_SUMMIT_MM = 1.2
"""A summit lower than this begins no bone. Our choice: a bone is thicker than 2.4 mm somewhere."""

PARTING_FRACTION = 0.5
"""Two pieces are one bone when less of their border lies in a valley. Our choice: half; the verdict is
stricter, and what it refuses is told."""

SEED_DEPTH_FRACTION, SEEDS_PER_BONE_COUNT = 0.5, 24
"""The summits that stand for a bone are at least this deep, relative to its deepest, and no more than so
many. Our choice."""

SURE_LIMIT_RATIO = 2.0
"""Without a click a valley counts when it is so many times deeper than the limit. Our choice, after looking
at healthy demo bones with coarse trabeculae: joints are far deeper, texture is not."""

LEAST_OUTSIDE_FRACTION = 0.15
"""What is shut in by another bone on more than the rest of its surface is a part of it, as marrow in a shaft
is. Our choice: a bone between bones is free at its sides."""

DOUBTFUL_FRACTION, DOUBTFUL_MM2 = 0.35, 40.0
"""Pieces that are one bone, though so large a share of their border and so much of it lies in a gap, are
told. Our choice: half a small joint."""

DOUBTS_TOLD_COUNT = 3
"""Of more than so many only the first are told. Our choice: the largest come first."""

Seen = tuple[Labels, Labels, Floats, npt.NDArray[np.bool_], Floats]
"""Faces between pieces: the smaller, the larger, middle (m, 3) in the crop's voxels, whether seen, mm²."""

NAMED_BY_SEARCH = "bone "
"""What is found without a click is numbered after this word."""


def find_apart(
    ct: CTVolume,
    level_hu: float,
    *,
    terrain: Terrain | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Apart:
    """The bones of the scan (or of ``terrain``) told apart without a click; every cut left is good.

    ``notes`` say where two could not be told apart and were left one. Raises InputError where nothing is
    bone, and progress.StoppedError.
    """
    terrain = terrain or survey(ct, level_hu, progress=progress, cancelled=cancelled)
    terrain = for_search(terrain)
    seeds, doubtful = find_bones(terrain, cancelled=cancelled)
    names = names_in_order(seeds)
    apart = told_where_sure(ct, level_hu, seeds, terrain, names, progress=progress, cancelled=cancelled)
    return replace(apart, notes=(*apart.notes, *doubtful))


def for_search(terrain: Terrain) -> Terrain:
    """The same terrain with a limit that only sure gaps reach."""
    return replace(terrain, limit_hu=SURE_LIMIT_RATIO * terrain.limit_hu)


def told_where_sure(
    ct: CTVolume,
    level_hu: float,
    seeds: Sequence[Seed],
    terrain: Terrain,
    searched: Sequence[str],
    *,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Apart:
    """As ``tell_apart``, but what a refused cut would part stays one, under the name first mentioned.

    ``searched`` are names that no person gave: where nothing at all parts them from others nothing is said,
    nor of two of them where a person gave others; of the rest DOUBTS_TOLD_COUNT are told. Background that
    nothing parts from a bone is bone.
    """
    told: list[str] = []
    told_of_search = 0
    asked = any(seed.name not in searched and seed.name != BACKGROUND for seed in seeds)
    while True:
        apart = tell_apart(ct, level_hu, seeds, terrain=terrain, progress=progress, cancelled=cancelled)
        refused = [pair for pair in apart.pairs if not pair.good]
        if not refused:
            return replace(apart, notes=(*told, *apart.notes))
        if beside := [pair for pair in refused if BACKGROUND in pair.names]:
            told += [f"{pair.sentence}; the seeds of the {BACKGROUND} were left out" for pair in beside]
            seeds = [seed for seed in seeds if seed.name != BACKGROUND]
            continue
        left: dict[str, str] = {}
        for pair in refused:
            one, other = (left.get(name, name) for name in pair.names)
            if one == other:
                continue
            doubtful = pair.seen_fraction >= DOUBTFUL_FRACTION and pair.area_mm2 >= DOUBTFUL_MM2
            if pair.names[1] not in searched:
                told.append(f"{pair.sentence}; they were left one")
            elif (
                doubtful and told_of_search < DOUBTS_TOLD_COUNT and not (asked and pair.names[0] in searched)
            ):
                told.append(f"{pair.sentence}; they were left one")
                told_of_search += 1
            keep, gone = sorted((one, other), key=apart.names.index)
            left = {name: keep if now == gone else now for name, now in left.items()} | {gone: keep}
        bones = dict(zip(apart.names, apart.bones, strict=True))
        seeds = [
            Seed(left.get(seed.name, seed.name), bones[left.get(seed.name, seed.name)], seed.point_mm)
            if seed.name in bones
            else seed
            for seed in seeds
        ]


def find_seeds(terrain: Terrain, *, cancelled: Cancelled | None = None) -> tuple[Seed, ...]:
    """Points in each bone, named ``bone 1`` for the largest, ``bone 2`` for the next, …"""
    return find_bones(terrain, cancelled=cancelled)[0]


def find_bones(
    terrain: Terrain, *, cancelled: Cancelled | None = None
) -> tuple[tuple[Seed, ...], tuple[str, ...]]:
    """Points in each bone, and sentences about places where a gap ends inside one."""
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
    bone_of, doubtful = _grown_together(terrain, pieces, len(tops))
    volume = np.bincount(bone_of[pieces], minlength=len(tops) + 1) * float(np.prod(terrain.spacing_mm))
    volume[0] = 0
    seeds = []
    kept = [bone for bone in np.argsort(-volume, kind="stable") if volume[bone] >= LEAST_PART_MM3]
    for number, bone in enumerate(kept or [int(volume.argmax())], start=1):
        own = tops[bone_of[1:] == bone]
        own = own[np.argsort(-depth[own], kind="stable")][:SEEDS_PER_BONE_COUNT]
        own = own[depth[own] >= SEED_DEPTH_FRACTION * depth[own[0]]]
        name = f"{NAMED_BY_SEARCH}{number}"
        seeds += [Seed(name, name, point) for point in terrain.places_mm(own)]
    return tuple(seeds), doubtful


def _grown_together(
    terrain: Terrain, pieces: Labels, count: int
) -> tuple[npt.NDArray[np.int64], tuple[str, ...]]:
    """(count + 1,) the bone of each piece, by the number of one of its pieces; doubts about that."""
    faces_seen = _faces_seen(terrain, pieces)
    borders = _borders(faces_seen, count)
    doubts: list[str] = []
    bone_of = np.arange(count + 1)
    volume = np.bincount(pieces, minlength=count + 1) * float(np.prod(terrain.spacing_mm))
    free = _free_faces(terrain, pieces, count)
    while True:
        best, most = None, 0
        for one, beside in borders.items():
            for other, (faces, seen) in beside.items():
                if one >= other or faces - seen <= most:
                    continue
                small = min(volume[one], volume[other]) < LEAST_PART_MM3
                if seen < PARTING_FRACTION * faces or small:
                    best, most = (one, other), faces - seen
        shut_in = None if best is not None else _shut_in(borders, free)
        if shut_in is not None:
            best = shut_in
        if best is None:
            return bone_of, tuple(doubts[:DOUBTS_TOLD_COUNT])
        one, gone = best
        if shut_in is None and (doubt := _doubt(terrain, faces_seen, bone_of, best, borders[one][gone])):
            doubts.append(doubt)
        bone_of[bone_of == gone] = one
        volume[one] += volume[gone]
        free[one] += free[gone]
        for other, (faces, seen) in borders.pop(gone).items():
            del borders[other][gone]
            if other == one:
                continue
            had = borders[one].get(other, (0, 0))
            both = (had[0] + faces, had[1] + seen)
            borders[one][other] = borders[other][one] = both


def _faces_seen(terrain: Terrain, pieces: Labels) -> Seen:
    one, other, place, depth_hu, soft, area = faces_between(terrain, pieces)
    return one, other, place, soft | (depth_hu > terrain.limit_hu), area


def _shut_in(
    borders: Mapping[int, Mapping[int, tuple[int, int]]], free: npt.NDArray[np.int64]
) -> tuple[int, int] | None:
    """A piece that is free on too little of its surface, with the one it borders most; None where all are."""
    for one, beside in borders.items():
        bound = sum(faces for faces, _ in beside.values())
        if bound and free[one] < LEAST_OUTSIDE_FRACTION * (free[one] + bound):
            other = max(beside, key=lambda number: beside[number][0])
            return min(one, other), max(one, other)
    return None


def _free_faces(terrain: Terrain, pieces: Labels, count: int) -> npt.NDArray[np.int64]:
    """(count + 1,) faces of bone towards what is no bone, of each piece."""
    beyond = (terrain.neighbours < 0) | terrain.soft[terrain.neighbours]
    faces = np.where(terrain.soft, 0, beyond.sum(axis=1))
    return np.bincount(pieces, weights=faces, minlength=count + 1).astype(np.int64)


def _doubt(
    terrain: Terrain,
    found: Seen,
    bone_of: npt.NDArray[np.int64],
    pair: tuple[int, int],
    border: tuple[int, int],
) -> str | None:
    """A sentence where two that are one bone are parted by a gap in good part."""
    faces, seen_count = border
    if seen_count < DOUBTFUL_FRACTION * faces:
        return None
    one, other, place, seen, area = found
    ours = np.isin(bone_of[one], pair) & np.isin(bone_of[other], pair) & (bone_of[one] != bone_of[other])
    if area[ours & seen].sum() < DOUBTFUL_MM2:
        return None
    blind = ours & ~seen
    ijk = place[blind] + [side.start for side in terrain.box]
    place_told = at_place(central(terrain.grid.ijk_to_mm(ijk)))
    return (
        f"a gap is seen along {seen_count / faces:.0%} of a border {place_told}"
        " and ends there: what lies on both sides was left one"
    )


def _borders(found: Seen, count: int) -> dict[int, dict[int, tuple[int, int]]]:
    """Faces, and faces in a valley, between pieces; both ways round."""
    one, other, _, seen, _ = found
    span = int(other.max(initial=0)) + 1
    key = one.astype(np.int64) * span + other
    values, where = np.unique(key, return_inverse=True)
    faces = np.bincount(where, minlength=len(values))
    valleys = np.bincount(where, weights=seen, minlength=len(values)).astype(int)
    borders: dict[int, dict[int, tuple[int, int]]] = {n: {} for n in range(1, count + 1)}
    for value, face, valley in zip(values.tolist(), faces.tolist(), valleys.tolist(), strict=True):
        one, other = divmod(value, span)
        borders[one][other] = borders[other][one] = (face, valley)
    return borders
