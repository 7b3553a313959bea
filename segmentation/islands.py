"""Which small pieces lie within the hollow of a larger one: cancellous bone that belongs to it, no fragment.

From places of a piece one looks along nine lines, as from a hollow (``envelope.py``): within a bone, seven
of them end on that same bone both ways. A line that leaves the scan counts as closed where the other way
does: a bone cut off by the scan is closed there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from segmentation.components import Box, Piece
from segmentation.envelope import CLOSED_COUNT, LINES

PLACES_COUNT = 60
"""Places looked from in each piece. Our choice: a share of one half is then known to 0.13 (two
deviations)."""

WITHIN_FRACTION = 0.5
"""So many of them must lie within. Our choice."""

FARTHEST_MM = 80.0
"""No hollow of a bone is wider."""

OUT_OF_SCAN = -1
"""Stands for what a line meets that leaves the scan."""

NUMBERS_COUNT = 256
"""Labels are stored in one byte."""

Labels = npt.NDArray[np.uint8]


def islands_joined(
    labels: Labels, pieces: tuple[Piece, ...], spacing_mm: npt.NDArray[np.float64]
) -> tuple[Labels, tuple[Piece, ...]]:
    """``labels`` and ``pieces`` (largest first) with each island joined to the bone around it, renumbered."""
    joined = {piece.number: piece for piece in pieces}
    lookup = np.arange(NUMBERS_COUNT, dtype=np.uint8)
    for piece in reversed(pieces):
        around = [other for other in pieces if other.number < piece.number and _holds(other.box, piece.box)]
        if not around:
            continue
        owner = _owner(labels, piece, spacing_mm)
        if owner in {other.number for other in around}:
            lookup[lookup == piece.number] = owner
            whole = joined[owner]
            joined[owner] = replace(whole, volume_mm3=whole.volume_mm3 + joined.pop(piece.number).volume_mm3)
    if len(joined) == len(pieces):
        return labels, pieces
    numbers = sorted(joined)
    renumbered = np.zeros(NUMBERS_COUNT, np.uint8)
    renumbered[numbers] = range(1, len(numbers) + 1)
    kept = tuple(replace(joined[old], number=new) for new, old in enumerate(numbers, start=1))
    return renumbered[lookup][labels], kept


def _holds(outer: Box, inner: Box) -> bool:
    return all(a.start <= b.start and b.stop <= a.stop for a, b in zip(outer, inner, strict=True))


def _owner(labels: Labels, piece: Piece, spacing_mm: npt.NDArray[np.float64]) -> int | None:
    """The piece whose hollow holds most of this one's places, None where none does."""
    places = np.argwhere(labels[piece.box] == piece.number)
    places = places[np.linspace(0, len(places) - 1, min(len(places), PLACES_COUNT)).astype(int)]
    places += [part.start for part in piece.box]
    closed_by = np.zeros((len(places), NUMBERS_COUNT), np.uint8)
    for line in LINES:
        steps = int(FARTHEST_MM / float(np.linalg.norm(line * spacing_mm)))
        ahead, behind = (
            _first_met(labels, places, sign * np.array(line), steps, piece.number) for sign in (1, -1)
        )
        ahead = np.where(ahead == OUT_OF_SCAN, behind, ahead)
        behind = np.where(behind == OUT_OF_SCAN, ahead, behind)
        met = np.flatnonzero((ahead == behind) & (ahead > 0))
        closed_by[met, ahead[met]] += 1
    share = (closed_by >= CLOSED_COUNT).mean(axis=0)
    return int(share.argmax()) if share.max() >= WITHIN_FRACTION else None


def _first_met(
    labels: Labels, places: npt.NDArray[np.int64], line: npt.NDArray[np.int64], steps: int, own: int
) -> npt.NDArray[np.int16]:
    """The first other piece met from each place, 0 for none, OUT_OF_SCAN where the scan ends before."""
    met = np.zeros(len(places), np.int16)
    walking = np.arange(len(places))
    for step in range(1, steps + 1):
        at = places[walking] + step * line
        outside = ((at < 0) | (at >= labels.shape)).any(axis=1)
        met[walking[outside]] = OUT_OF_SCAN
        walking, at = walking[~outside], at[~outside]
        if not len(walking):
            break
        seen = labels[tuple(at.T)]
        hit = (seen > 0) & (seen != own)
        met[walking[hit]] = seen[hit]
        walking = walking[~hit]
    return met
