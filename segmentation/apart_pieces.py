"""Which pieces above the level hold several bones, and the labels that part them.

Two bones that touch, or a fracture narrower than the blur, are one piece at any level. With a person's seeds
the pieces they lie in are told apart by them, and what the search finds there beside is kept under its own
number. Without seeds each piece is searched, if a look at a few of its voxels promises a gap and it is not
too large. Cuts that would be guessed are not made.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import edt
import numpy as np
import numpy.typing as npt

from segmentation.apart import Apart
from segmentation.apart_cut import Labels, flooded
from segmentation.apart_search import find_bones, for_search, told_where_sure
from segmentation.asked import Seed
from segmentation.components import Box, Piece, grown
from segmentation.errors import InputError
from segmentation.progress import Cancelled, Progress
from segmentation.seeds import BACKGROUND, names_in_order
from segmentation.valley import (
    CLOSING_MM,
    COARSE_VOXEL_MM,
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


@dataclass(eq=False)
class _Landscape:
    """The terrain of one piece; what the search finds there, the bone (n,) at each voxel, the last answer."""

    terrain: Terrain
    found: tuple[Seed, ...]
    bones: Labels
    answer: _Answer | None = None


@dataclass(frozen=True, eq=False)
class _Answer:
    """What was asked about one piece, and the answer: ``labels`` of the terrain's box, by ``names``."""

    asked: tuple[tuple[str, str, tuple[float, ...]], ...]
    labels: npt.NDArray[np.uint8]
    names: tuple[str, ...]
    notes: tuple[str, ...]
    guessed_mm: Floats


@dataclass(eq=False)
class Touching:
    """The pieces above ``level_hu``, to be asked again and again which bones they hold.

    ``numbered`` and ``pieces`` as ``pieces_above`` gives them. The landscapes of the pieces that seeds lay in
    last are kept: the next answer about them takes up to a second, and only where a seed has changed.
    """

    ct: CTVolume
    level_hu: float
    numbered: npt.NDArray[np.uint8]
    pieces: Sequence[Piece]
    _landscapes: dict[int, _Landscape] = field(default_factory=dict, repr=False)

    def taken_apart(
        self, seeds: Sequence[Seed], progress: Progress, cancelled: Cancelled | None = None
    ) -> TakenApart:
        """Bones that touch told apart: by ``seeds`` where there are any, else by a search.

        Raises InputError where a seed lies in no bone, and progress.StoppedError.
        """
        if not names_in_order(seeds):
            return by_search(self.ct, self.level_hu, self.numbered, self.pieces, progress, cancelled)
        piece_of = [
            None if seed.name == BACKGROUND else _piece_of(self.ct, self.numbered, seed) for seed in seeds
        ]
        chosen = sorted({piece for piece in piece_of if piece is not None})
        self._landscapes = {n: kept for n, kept in self._landscapes.items() if n in chosen}
        # A person may have used the same words.
        free = _free_names({seed.name for seed in seeds})
        answers: list[tuple[int, Box, _Answer]] = []
        for number in chosen:
            if number not in self._landscapes:
                self._landscapes[number] = self._surveyed(number, progress, cancelled)
            landscape = self._landscapes[number]
            own = [seed for seed, piece in zip(seeds, piece_of, strict=True) if piece in (number, None)]
            unnamed = _unnamed(landscape, own, free)
            asked = tuple((seed.name, seed.bone, tuple(seed.point_mm)) for seed in (*own, *unnamed))
            if landscape.answer is None or landscape.answer.asked != asked:
                landscape.answer = None
                apart = told_where_sure(
                    self.ct,
                    self.level_hu,
                    (*own, *unnamed),
                    landscape.terrain,
                    names_in_order(unnamed),
                    progress=progress,
                    cancelled=cancelled,
                )
                labels = _of_piece(apart, self.numbered, number)
                landscape.answer = _Answer(asked, labels, apart.names, apart.notes, _guessed_mm(apart))
            answers.append((number, landscape.terrain.box, landscape.answer))
        return self._together(seeds, answers)

    def _together(self, seeds: Sequence[Seed], answers: Sequence[tuple[int, Box, _Answer]]) -> TakenApart:
        """The answers about each piece as one: names in the order of mention, then what has none."""
        bones = {seed.name: seed.bone for seed in seeds}
        held = [
            {name for n, name in enumerate(answer.names, start=1) if (answer.labels == n).any()}
            for _, _, answer in answers
        ]
        known = [name for name in names_in_order(seeds) if any(name in names for names in held)]
        numbers = {name: number for number, name in enumerate(known, start=1)}
        labels = np.zeros(self.numbered.shape, np.uint8)
        for (_, box, answer), names in zip(answers, held, strict=True):
            anew = np.zeros(len(answer.names) + 1, np.uint8)
            for n, name in enumerate(answer.names, start=1):
                if name in names:
                    anew[n] = numbers.setdefault(name, len(numbers) + 1)
            crop = labels[box]
            crop[crop == 0] = anew[answer.labels][crop == 0]
        return TakenApart(
            labels,
            tuple((name, bones[name]) for name in known),
            frozenset(number for number, _, _ in answers),
            # Of a scan's voxels each piece says the same.
            tuple(dict.fromkeys(note for _, _, answer in answers for note in answer.notes)),
            np.concatenate([answer.guessed_mm for _, _, answer in answers]),
        )

    def _surveyed(self, number: int, progress: Progress, cancelled: Cancelled | None) -> _Landscape:
        box = _around(next(piece for piece in self.pieces if piece.number == number), self.ct)
        within = _nearer_than_others(self.numbered, number, box, self.ct)
        terrain = survey(
            self.ct, self.level_hu, box=box, within=within, progress=progress, cancelled=cancelled
        )
        # In coarse voxels the search finds crumbs: only what a person named is told apart.
        coarse = float(self.ct.grid.spacing_mm.max()) >= COARSE_VOXEL_MM
        found = () if coarse else find_bones(for_search(terrain), cancelled=cancelled)[0]
        order = names_in_order(found)
        markers = np.zeros(len(terrain.at), np.int32)
        for seed, at in zip(found, terrain.numbers_at([s.point_mm for s in found], 1.0), strict=True):
            markers[at] = order.index(seed.name) + 1
        return _Landscape(terrain, found, flooded(terrain, markers) if found else markers)


def by_search(
    ct: CTVolume,
    level_hu: float,
    numbered: npt.NDArray[np.uint8],
    pieces: Sequence[Piece],
    progress: Progress,
    cancelled: Cancelled | None = None,
) -> TakenApart:
    """The pieces that hold several bones, told apart without a click.

    ``numbered`` and ``pieces`` as ``pieces_above`` gives them. Raises progress.StoppedError.
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
        box = _around(piece, ct)
        if _too_large(piece, box, ct):
            passed_over += 1
            continue
        within = _nearer_than_others(numbered, piece.number, box, ct)
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
        own = _of_piece(apart, numbered, piece.number)
        kept = np.unique(own[own > 0])
        told = apart.notes
        if len(kept) > 1 and count + len(kept) <= np.iinfo(np.uint8).max:
            labels[apart.terrain.box][own > 0] = np.searchsorted(kept, own[own > 0]) + 1 + count
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


def _around(piece: Piece, ct: CTVolume) -> Box:
    margin = int(np.ceil(2 * CLOSING_MM / ct.grid.spacing_mm.min()))
    return grown(piece.box, margin, ct.grid.shape)


def _nearer_than_others(
    numbered: npt.NDArray[np.uint8], piece: int, box: Box, ct: CTVolume
) -> npt.NDArray[np.bool_]:
    """Of the scan's shape: the piece, and in the box around it what no other piece is nearer to.

    A neighbour's blurred rim is below the level and so in no piece, yet bright enough to look like bone.
    """
    within = np.ones(numbered.shape, np.bool_)
    own = numbered[box] == piece
    others = (numbered[box] > 0) & ~own
    if others.any():
        anisotropy = tuple(float(step) for step in ct.grid.spacing_mm)
        away, beyond = (edt.edt(~part, anisotropy=anisotropy, parallel=2) for part in (own, others))
        within[box] = away <= beyond
    return within


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


def _free_names(given: set[str]) -> Iterator[str]:
    """Names for bones that have none, but not those ``given``."""
    return (name for name in (f"unnamed {n}" for n in itertools.count(1)) if name not in given)


def _unnamed(landscape: _Landscape, seeds: Sequence[Seed], free: Iterator[str]) -> tuple[Seed, ...]:
    """Seeds of bones that the search finds and no seed lies in, by the next ``free`` names."""
    order = names_in_order(landscape.found)
    at = landscape.terrain.numbers_at([seed.point_mm for seed in seeds], 1.0)
    taken = {order[bone - 1] for bone in landscape.bones[at[at >= 0]].tolist() if bone}
    called = {name: next(free) for name in order if name not in taken}
    return tuple(
        Seed(called[seed.name], called[seed.name], seed.point_mm)
        for seed in landscape.found
        if seed.name in called
    )


def _guessed_mm(apart: Apart) -> Floats:
    return np.concatenate([np.zeros((0, 3)), *(pair.guessed_mm for pair in apart.pairs)])


def _of_piece(apart: Apart, numbered: npt.NDArray[np.uint8], piece: int) -> npt.NDArray[np.uint8]:
    """The labels of the terrain's box without those that hold nothing of the piece."""
    crop = apart.bone_labels[apart.terrain.box].copy()
    piece_here = numbered[apart.terrain.box]
    crop[(piece_here > 0) & (piece_here != piece)] = 0
    held = np.bincount(crop[piece_here == piece], minlength=len(apart.names) + 1) > 0
    held[0] = False
    return np.where(held[crop], crop, 0).astype(np.uint8)
