"""Tells touching bones and fragments apart from points inside them, and says where it cannot.

Each pair that touches is judged by what its border lies in: faces in a valley are seen, the others guessed.
A cut is good when enough of it is seen, no guessed patch is wide, and the same cut comes out once more from
other points and another limit. Anything else is refused with its reason and its place. On phantoms of
wrist-like bones and broken shafts, gaps of 0.5 to 2 mm in voxels of 0.4 mm, one point each: every part at
least 0.99 its own (Dice), the cut within 0.25 mm (RMS) of the surface halfway
(tests/benchmarks/bench_apart.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from segmentation.apart_cut import Labels, climbed, flooded, recut, soft_to_nearest
from segmentation.apart_verdict import (
    LEAST_AGREEMENT_FRACTION,
    LEAST_PART_MM3,
    MOVED_LIMIT_RATIO,
    Pair,
    agreement,
    judged,
    moved_numbers,
)
from segmentation.asked import Seed
from segmentation.errors import InputError
from segmentation.progress import Cancelled, Progress, check_not_stopped
from segmentation.seeds import BACKGROUND, names_in_order
from segmentation.valley import Terrain, Volume, survey
from segmentation.vocabulary import CTVolume, Floats

NEAR_SEED_MM = 2.0
"""A point so near a bone counts as in it. Our choice: a click on a cortex may miss it by a voxel or two."""

SEEN_GAP_LOSS_MM = 0.5
"""A gap is seen from the largest voxel edge less this. Derived in the study (a gap's middle must hold a
voxel)."""

FINE_GAP_MM = 0.5
"""Where all gaps from this width up are seen nothing is said. Our choice: the bars begin there."""


@dataclass(frozen=True, eq=False)
class Apart:
    """Bones told apart. ``labels`` uint8 of the CT's shape: 0 outside, n = ``names[n − 1]`` of
    ``bones[n − 1]``; soft tissue between bones belongs to the nearest. ``bone_labels`` is without it.

    ``empty`` are names that hold next to nothing. ``pairs`` are the borders where two touch, each with its
    verdict; ``notes`` sentences for a person. ``terrain`` serves the next question about the same scan.
    """

    labels: npt.NDArray[np.uint8]
    bone_labels: npt.NDArray[np.uint8]
    names: tuple[str, ...]
    bones: tuple[str, ...]
    pairs: tuple[Pair, ...]
    notes: tuple[str, ...]
    empty: tuple[str, ...]
    terrain: Terrain

    @property
    def good(self) -> bool:
        """Whether no cut was refused and every name holds bone."""
        return not self.empty and all(pair.good for pair in self.pairs)


def tell_apart(
    ct: CTVolume,
    level_hu: float | Volume,
    seeds: Sequence[Seed],
    *,
    terrain: Terrain | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Apart:
    """Bones and fragments apart from ``seeds``, one or several a name; numbered in the order of mention.

    ``level_hu`` is the level of the bone's surface, one or one for each voxel. ``terrain`` of an earlier
    answer spares most of the time. A refused cut is still in ``labels``: what to do with it is the caller's
    to say. Raises InputError where a seed lies in no bone or two names share a place, and
    progress.StoppedError.
    """
    tell = progress or (lambda _step: None)
    terrain = terrain or survey(ct, level_hu, progress=tell, cancelled=cancelled)
    names = names_in_order(seeds)
    number_of = {name: number for number, name in enumerate(names, start=1)}
    number_of[BACKGROUND] = len(names) + 1
    at = _voxels_of(terrain, seeds)
    owners = np.array([number_of[seed.name] for seed in seeds])
    at, owners = at[at >= 0], owners[at >= 0]
    tell("telling bones apart")
    labels, clash = _parted(terrain, at, owners, terrain.limit_hu, cancelled)
    if clash is not None:
        raise InputError(_same_place(terrain, clash, names))
    tell("checking the cuts")
    every = (*names, BACKGROUND)
    whole, away_mm = soft_to_nearest(terrain, labels)
    pairs = judged(terrain, labels, away_mm, _agreements(terrain, labels, at, owners, cancelled), every)
    whole[whole > len(names)] = 0
    bones = {seed.name: seed.bone for seed in seeds}
    held_mm3 = np.bincount(labels[~terrain.soft], minlength=len(names) + 1) * ct.grid.voxel_mm3
    empty = tuple(name for n, name in enumerate(names, start=1) if held_mm3[n] < LEAST_PART_MM3)
    return Apart(
        _on_scan(terrain, whole, ct),
        _on_scan(terrain, np.where(terrain.soft, 0, whole), ct),
        names,
        tuple(bones[name] for name in names),
        pairs,
        _notes(terrain, pairs, empty),
        empty,
        terrain,
    )


def _agreements(
    terrain: Terrain,
    labels: Labels,
    at: npt.NDArray[np.int64],
    owners: npt.NDArray[np.int64],
    cancelled: Cancelled | None,
) -> Floats:
    """How much of each label comes out again from other points and limits, at best.

    A rough flood first: where that gives the same, nothing else needs to be tried.
    """
    count = int(owners.max())
    best = np.zeros(count + 1)
    best[np.setdiff1d(np.arange(count + 1), owners)] = 1
    for rough in (True, False):
        for ratio in MOVED_LIMIT_RATIO:
            check_not_stopped(cancelled)
            limit = ratio * terrain.limit_hu
            moved = moved_numbers(terrain, labels, at, limit)
            again, clash = _parted(terrain, moved, owners, limit, cancelled, rough=rough)
            if clash is None:
                best = np.maximum(best, agreement(labels, again, count))
            if best.min() >= LEAST_AGREEMENT_FRACTION:
                return best
    return best


def _voxels_of(terrain: Terrain, seeds: Sequence[Seed]) -> npt.NDArray[np.int64]:
    """(m,) the voxel of each seed, -1 for background that lies outside anyway."""
    at = terrain.numbers_at(np.array([seed.point_mm for seed in seeds]), NEAR_SEED_MM)
    for seed, number in zip(seeds, at, strict=True):
        if number < 0 and seed.name != BACKGROUND:
            x, y, z = seed.point_mm
            raise InputError(
                f"the seed {seed.name!r} at {x:g}, {y:g}, {z:g} lies in no bone: give a point inside it"
            )
    return at


def _parted(
    terrain: Terrain,
    at: npt.NDArray[np.int64],
    owners: npt.NDArray[np.int64],
    limit_hu: float,
    cancelled: Cancelled | None,
    *,
    rough: bool = False,
) -> tuple[Labels, tuple[int, int, int] | None]:
    """Labels from voxels and their owners; a voxel at which two owners meet already, with both, if any.

    Where two climb to one summit, the second stays at its own place.
    """
    markers = np.zeros(len(terrain.at), np.int32)
    for number, owner in zip(at, owners, strict=True):
        if markers[number] not in (0, owner):
            return markers, (int(number), int(markers[number]), int(owner))
        markers[number] = owner
    for number, owner in zip(at, owners, strict=True):
        way = climbed(terrain, int(number), limit_hu)
        if not np.isin(markers[way], (0, owner)).all():
            continue
        markers[way] = owner
    labels = flooded(terrain, markers, limit_hu, rough=rough)
    if rough:
        return labels, None
    return recut(terrain, labels, markers, limit_hu, cancelled=cancelled), None


def _same_place(terrain: Terrain, clash: tuple[int, int, int], names: Sequence[str]) -> str:
    number, first, second = clash
    x, y, z = terrain.places_mm([number])[0]
    called = [(*names, BACKGROUND)[owner - 1] for owner in (first, second)]
    return (
        f"the seeds {called[0]!r} and {called[1]!r} lie in one voxel, at {x:.1f}, {y:.1f}, {z:.1f}: "
        "move one of them into its own bone"
    )


def _on_scan(terrain: Terrain, labels: Labels, ct: CTVolume) -> npt.NDArray[np.uint8]:
    volume = np.zeros(ct.hu.shape, np.uint8)
    volume[terrain.box] = terrain.volume_of(labels.astype(np.uint8))
    return volume


def _notes(terrain: Terrain, pairs: Sequence[Pair], empty: Sequence[str]) -> tuple[str, ...]:
    notes = [pair.sentence for pair in pairs if pair.sentence]
    notes += [f"{name} holds next to no bone: all of it went to another" for name in empty]
    if note := coarse_note(terrain.spacing_mm):
        notes.append(note)
    return tuple(notes)


def coarse_note(spacing_mm: Floats) -> str | None:
    """What these voxels cannot show, if it matters."""
    least_mm = float(spacing_mm.max()) - SEEN_GAP_LOSS_MM
    if least_mm <= FINE_GAP_MM:
        return None
    return (
        f"with voxels of up to {spacing_mm.max():.1f} mm, gaps narrower than about {least_mm:.1f} mm are "
        "not seen: look at every cut"
    )
