"""Which pieces above the level hold several bones, and the labels that part them.

Two bones that touch, or a fracture narrower than the blur, are one piece at any level. With a person's seeds
the pieces they lie in are told apart by them, and what the search finds there beside is kept under its own
number. Without seeds each piece is searched, if a look at a few of its voxels promises a gap and it is not
too large. Cuts that would be guessed are not made.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from segmentation.apart import Apart
from segmentation.apart_cut import Labels, flooded
from segmentation.apart_search import find_bones, for_search, told_where_sure
from segmentation.asked import Seed
from segmentation.components import Box, Piece, grown
from segmentation.errors import InputError
from segmentation.seeds import BACKGROUND, names_in_order
from segmentation.valley import (
    CLOSING_MM,
    COARSE_VOXEL_MM,
    Cancelled,
    Progress,
    Terrain,
    survey,
    survey_if_parted,
)
from segmentation.vocabulary import CTVolume, Floats

SEED_REACH_MM = 15.0
"""A seed in a marrow cavity belongs to the piece nearest to it within this. Our choice: half the width of the
widest shaft."""

MOST_VOXELS_COUNT = 4_000_000
"""Larger pieces are not searched without seeds. Our choice: it would take more than some twenty seconds."""

MOST_BOX_VOXELS_COUNT = 40_000_000
"""Likewise by the box around a piece, for the memory: about 1 GB."""

LEAST_SEARCHED_MM3 = 300.0
"""Smaller pieces are not searched. Our choice: two bones of a wrist are larger."""

NOTES_PER_PIECE_COUNT = 3
"""Of a piece no more is told. Our choice: who sees three places looks at the whole piece."""

PROMISING_MM2 = 20.0
"""A piece is searched when as much as this seems to lie in gaps. Our choice: a third of a small joint."""


@dataclass(frozen=True, eq=False)
class TakenApart:
    """``labels`` uint8 of the CT's shape, of which the first are ``known`` by name and bone.

    ``pieces`` are the numbers of those they replace; ``notes`` sentences for a person. ``guessed_mm`` (m, 3)
    are places of the borders at which no gap is seen, in patient mm.
    """

    labels: npt.NDArray[np.uint8]
    known: tuple[tuple[str, str], ...]
    pieces: frozenset[int]
    notes: tuple[str, ...]
    guessed_mm: Floats


@dataclass(frozen=True, eq=False)
class _Landscape:
    """Pieces ``chosen`` and their terrain; what the search finds there, and the bone (n,) at each voxel."""

    chosen: frozenset[int]
    terrain: Terrain
    found: tuple[Seed, ...]
    bones: Labels


@dataclass(eq=False)
class Touching:
    """The pieces above ``level_hu``, to be asked again and again which bones they hold.

    ``numbered`` and ``pieces`` as ``pieces_above`` gives them. The landscape of the pieces that seeds lay in
    last is kept: the next answer about them takes about a second.
    """

    ct: CTVolume
    level_hu: float
    numbered: npt.NDArray[np.uint8]
    pieces: Sequence[Piece]
    _kept: _Landscape | None = field(default=None, repr=False)

    def taken_apart(
        self, seeds: Sequence[Seed], progress: Progress, cancelled: Cancelled | None = None
    ) -> TakenApart:
        """Bones that touch told apart: by ``seeds`` where there are any, else by a search.

        Raises InputError where a seed lies in no bone, and valley.StoppedError.
        """
        if not names_in_order(seeds):
            return by_search(self.ct, self.level_hu, self.numbered, self.pieces, progress, cancelled)
        chosen = frozenset(_piece_of(self.ct, self.numbered, s) for s in seeds if s.name != BACKGROUND)
        if self._kept is None or self._kept.chosen != chosen:
            self._kept = None
            self._kept = self._surveyed(chosen, progress, cancelled)
        landscape = self._kept
        names = names_in_order(seeds)
        unnamed = _unnamed(landscape, seeds)
        apart = told_where_sure(
            self.ct,
            self.level_hu,
            (*seeds, *unnamed),
            landscape.terrain,
            names_in_order(unnamed),
            progress=progress,
            cancelled=cancelled,
        )
        labels, kept = _of_pieces(apart, self.numbered, chosen)
        known = tuple((apart.names[n - 1], apart.bones[n - 1]) for n in kept if apart.names[n - 1] in names)
        return TakenApart(labels, known, chosen, apart.notes, _guessed_mm(apart))

    def _surveyed(
        self, chosen: frozenset[int], progress: Progress, cancelled: Cancelled | None
    ) -> _Landscape:
        box = _around([piece.box for piece in self.pieces if piece.number in chosen], self.ct)
        within = (self.numbered == 0) | np.isin(self.numbered, list(chosen))
        terrain = survey(
            self.ct, self.level_hu, box=box, within=within, progress=progress, cancelled=cancelled
        )
        found, _ = find_bones(for_search(terrain), cancelled=cancelled)
        order = names_in_order(found)
        markers = np.zeros(len(terrain.at), np.int32)
        for seed, number in zip(found, terrain.numbers_at([s.point_mm for s in found], 1.0), strict=True):
            markers[number] = order.index(seed.name) + 1
        return _Landscape(chosen, terrain, found, flooded(terrain, markers))


def by_search(
    ct: CTVolume,
    level_hu: float,
    numbered: npt.NDArray[np.uint8],
    pieces: Sequence[Piece],
    progress: Progress,
    cancelled: Cancelled | None = None,
) -> TakenApart:
    """The pieces that hold several bones, told apart without a click.

    ``numbered`` and ``pieces`` as ``pieces_above`` gives them. Raises valley.StoppedError.
    """
    labels = np.zeros(numbered.shape, np.uint8)
    coarsest_mm = float(ct.grid.spacing_mm.max())
    if coarsest_mm >= COARSE_VOXEL_MM:
        return TakenApart(labels, (), frozenset(), (too_coarse_note(coarsest_mm),), np.zeros((0, 3)))
    notes: list[str] = []
    guessed_mm = [np.zeros((0, 3))]
    parted: set[int] = set()
    count, passed_over = 0, 0
    for piece in pieces:
        if piece.volume_mm3 < LEAST_SEARCHED_MM3:
            continue
        box = _around([piece.box], ct)
        if _too_large(piece, box, ct):
            passed_over += 1
            continue
        within = np.ones(numbered.shape, np.bool_)
        within[box] = (numbered[box] == 0) | (numbered[box] == piece.number)
        terrain = survey_if_parted(ct, level_hu, PROMISING_MM2, box=box, within=within, cancelled=cancelled)
        if terrain is None:
            continue
        progress("telling touching bones apart")
        sure = for_search(terrain)
        seeds, doubts = find_bones(sure, cancelled=cancelled)
        names = names_in_order(seeds)
        if len(names) < 2:
            notes += doubts
            continue
        apart = told_where_sure(ct, level_hu, seeds, sure, names, cancelled=cancelled)
        own, kept = _of_pieces(apart, numbered, frozenset({piece.number}))
        told = apart.notes
        if len(kept) > 1 and count + len(kept) <= np.iinfo(np.uint8).max:
            labels[own > 0] = own[own > 0] + count
            count += len(kept)
            parted.add(piece.number)
            guessed_mm.append(_guessed_mm(apart))
            notes.append(
                f"one piece was taken apart into {len(kept)} bones or fragments that touch, without a click: "
                "look at the cuts, and correct them with seeds"
            )
        else:
            # Of cuts that are not made there is nothing to say.
            unmade = {pair.sentence for pair in apart.pairs}
            told = tuple(note for note in told if note not in unmade)
        notes += (*told, *doubts)[:NOTES_PER_PIECE_COUNT]
    if passed_over:
        notes.append(
            f"{passed_over} of the pieces were too large to be searched for bones that touch: where a piece "
            "holds two, give seeds"
        )
    return TakenApart(labels, (), frozenset(parted), tuple(notes), np.concatenate(guessed_mm))


def too_coarse_note(coarsest_mm: float) -> str:
    """Why nothing was searched."""
    return (
        f"with voxels of up to {coarsest_mm:.1f} mm the pieces were not searched for bones that touch: where "
        "a piece holds two, give seeds"
    )


def _too_large(piece: Piece, box: Box, ct: CTVolume) -> bool:
    voxels = piece.volume_mm3 / ct.grid.voxel_mm3
    boxed = np.prod([side.stop - side.start for side in box])
    return bool(voxels > MOST_VOXELS_COUNT or boxed > MOST_BOX_VOXELS_COUNT)


def _around(boxes: Sequence[Box], ct: CTVolume) -> Box:
    margin = int(np.ceil(2 * CLOSING_MM / ct.grid.spacing_mm.min()))
    i, j, k = (
        slice(min(box[axis].start for box in boxes), max(box[axis].stop for box in boxes))
        for axis in range(3)
    )
    return grown((i, j, k), margin, ct.grid.shape)


def _piece_of(ct: CTVolume, numbered: npt.NDArray[np.uint8], seed: Seed) -> int:
    """The number of the piece nearest to a seed."""
    place = ct.grid.mm_to_ijk(seed.point_mm)
    reach = np.ceil(SEED_REACH_MM / ct.grid.spacing_mm)
    low = np.clip(np.round(place) - reach, 0, ct.grid.shape).astype(int)
    high = np.clip(np.round(place) + reach + 1, 0, ct.grid.shape).astype(int)
    crop = numbered[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    held = np.argwhere(crop > 0)
    away = np.linalg.norm((held + low - place) * ct.grid.spacing_mm, axis=1)
    if not len(held) or away.min() > SEED_REACH_MM:
        x, y, z = seed.point_mm
        raise InputError(
            f"the seed {seed.name!r} at {x:g}, {y:g}, {z:g} lies in no bone: give a point inside it"
        )
    return int(crop[tuple(held[np.argmin(away)])])


def _unnamed(landscape: _Landscape, seeds: Sequence[Seed]) -> tuple[Seed, ...]:
    """Seeds of bones that the search finds and no seed lies in."""
    order = names_in_order(landscape.found)
    at = landscape.terrain.numbers_at([seed.point_mm for seed in seeds], 1.0)
    taken = {order[bone - 1] for bone in landscape.bones[at[at >= 0]].tolist() if bone}
    # A person may have used the same words.
    given = {seed.name for seed in seeds}
    free = (name for name in (f"unnamed {n}" for n in itertools.count(1)) if name not in given)
    called = {name: next(free) for name in order if name not in taken}
    return tuple(
        Seed(called[seed.name], called[seed.name], seed.point_mm)
        for seed in landscape.found
        if seed.name in called
    )


def _guessed_mm(apart: Apart) -> Floats:
    return np.concatenate([np.zeros((0, 3)), *(pair.guessed_mm for pair in apart.pairs)])


def _of_pieces(
    apart: Apart, numbered: npt.NDArray[np.uint8], chosen: frozenset[int]
) -> tuple[npt.NDArray[np.uint8], list[int]]:
    """Labels numbered anew without those that hold nothing of the pieces, and the numbers that are kept."""
    box = apart.terrain.box
    labels = apart.bone_labels.copy()
    crop = labels[box]
    piece = numbered[box]
    ours = np.isin(piece, list(chosen))
    crop[(piece > 0) & ~ours] = 0
    held = np.bincount(crop[ours], minlength=len(apart.names) + 1)
    kept = [number for number in range(1, len(apart.names) + 1) if held[number]]
    anew = np.zeros(len(apart.names) + 1, np.uint8)
    anew[kept] = range(1, len(kept) + 1)
    labels[box] = anew[crop]
    return labels, kept
