"""Which hollows belong to the bone: the marrow cavity does, a fracture gap does not.

From every place that is not bone one looks along nine lines (the axes and the diagonals of the voxel grid's
faces). In a marrow cavity almost every line ends on bone both ways, even where the cortex has holes; beside
the bone, in a joint's bowl or between neighbouring bones it does not. A cut end at the scan's border counts
as closed. Near a fracture a line may end on the other piece; such a hollow is divided along the gap seen in
the cortex, carried on across the cavity (``fracture_gap.py``), and the gap itself goes to neither piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.fracture_gap import gap_between
from segmentation.level import Level
from segmentation.vocabulary import Floats

LINES = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, -1, 0), (1, 0, 1), (1, 0, -1), (0, 1, 1), (0, 1, -1))
"""Directions looked along, both ways, in voxels."""

CLOSED_COUNT = 7
"""A place is in a hollow when so many of the nine lines end on bone both ways. Our choice: a hole in the
cortex takes one or two lines away, an open bowl leaves about four.
"""

CLOSED_IN_GAP_COUNT = 5
"""Within a gap across the cavity so many lines are enough: those in its plane leave through it. Our choice.
"""

MOUTH_VOXELS_COUNT = 1.5
"""A place is between the rims when both are together no farther than the gap is wide and so many voxels. Our
choice."""

WIDE_MM = 1.6
"""A hollow that another piece helps to close is sought where bone is farther than this: a joint space is
narrower. Our choice."""

ALONE_FRACTION = 0.15
"""So much of such a hollow must be closed by one piece alone, as a shaft's marrow is away from its fracture;
the soft tissue between neighbouring bones has none of it. Our choice.
"""

GAP_MM = 3.0
"""Pieces farther apart than this have no fracture gap between them (the 3 mm that makes two pieces one
bone)."""

BORDER = np.uint8(255)
"""Stands for the closed cut end at the scan's border, where a line ends."""

Mask = npt.NDArray[np.bool_]
Pieces = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Hollow:
    """The voxels of a piece's hollows: ``inside`` (i, j, k) bool of the crop, and how far from the gap they
    lie.

    ``beyond_gap_mm`` float32 is about the distance from the nearest fracture gap, positive on this piece's
    side; +inf where no gap is near.
    """

    inside: Mask
    beyond_gap_mm: npt.NDArray[np.float32]


def hollows(
    pieces: Pieces,
    count: int,
    hu: npt.NDArray[Any],
    level: Level,
    spacing_mm: Floats,
    at_border: npt.NDArray[np.bool_],
) -> list[Hollow]:
    """The hollows of pieces 1 … ``count`` of one neighbourhood.

    ``pieces`` (i, j, k) uint8 is a crop: 0 outside, n = piece n (fewer than 255); ``hu`` its grey values and
    ``level`` where bone ends. ``at_border`` (3, 2) tells which faces of the crop are faces of the scan,
    where a bone is cut off and its cavity is closed by the cut.
    """
    capped = _capped(pieces, at_border)
    closed, own = _lines_ending_on_bone(capped)
    hollow = _filled(pieces > 0, _hollow(pieces, closed, own, spacing_mm), capped)
    nowhere = np.full(pieces.shape, np.inf, np.float32)
    if count == 1 or not hollow.any():
        return [Hollow(hollow, nowhere)] * count
    near = _box_around(hollow, np.ceil((GAP_MM + WIDE_MM) / spacing_mm).astype(int))
    result = []
    solid = pieces[near] > 0
    above_hu = level.field_hu(hu[near], solid, solid, spacing_mm)
    lines = closed[near], own[near]
    for part in _shared_out(pieces[near], count, hollow[near], lines, above_hu, spacing_mm):
        inside, beyond = np.zeros(pieces.shape, bool), nowhere.copy()
        inside[near], beyond[near] = part.inside, part.beyond_gap_mm
        result.append(Hollow(inside, beyond))
    return result


def _capped(pieces: Pieces, at_border: npt.NDArray[np.bool_]) -> Pieces:
    """``pieces`` in a frame one voxel wide that is BORDER where a bone's cut end meets the scan's border."""
    framed = np.pad(pieces, 1)
    for axis, side in np.argwhere(at_border):
        end = ndimage.binary_fill_holes(pieces[(slice(None),) * axis + (0 if side == 0 else -1,)] > 0)
        frame: list[slice | int] = [slice(1, -1)] * 3
        frame[axis] = 0 if side == 0 else -1
        framed[tuple(frame)] = np.where(end, BORDER, np.uint8(0))
    return framed


def _lines_ending_on_bone(capped: Pieces) -> tuple[Pieces, Pieces]:
    """For each voxel of the crop, on how many lines bone lies both ways, and on how many the same piece."""
    closed = np.zeros(tuple(n - 2 for n in capped.shape), np.uint8)
    own = np.zeros_like(closed)
    for line in LINES:
        before = _first_met(capped, line)
        after = _first_met(capped, (-line[0], -line[1], -line[2]))
        both = (before > 0) & (after > 0)
        closed += both
        own += both & ((before == after) | (before == BORDER) | (after == BORDER))
    return closed, own


def _first_met(capped: Pieces, step: tuple[int, int, int]) -> Pieces:
    """For each voxel of the crop, the first piece met when walking against ``step``; 0 if none."""
    main = next(axis for axis in range(3) if step[axis])
    along = np.moveaxis(capped, main, 0)
    aside = [step[axis] for axis in range(3) if axis != main]
    if step[main] < 0:
        along = along[::-1]
    met = np.zeros_like(along)
    core = tuple(
        slice(max(0, shift), n + min(0, shift)) for shift, n in zip(aside, along.shape[1:], strict=True)
    )
    source = tuple(
        slice(max(0, -shift), n + min(0, -shift)) for shift, n in zip(aside, along.shape[1:], strict=True)
    )
    for index in range(1, len(along)):
        behind = along[index - 1]
        met[index][core] = np.where(behind > 0, behind, met[index - 1])[source]
    if step[main] < 0:
        met = met[::-1]
    return np.moveaxis(met, 0, main)[1:-1, 1:-1, 1:-1]


def _hollow(pieces: Pieces, closed: Pieces, own: Pieces, spacing_mm: Floats) -> Mask:
    """Hollows of single pieces, and what of the wide ones near a fracture two pieces close together."""
    empty = pieces == 0
    alone = empty & (own >= CLOSED_COUNT)
    room = empty & (closed >= CLOSED_COUNT)
    if not alone.any() or (room == alone).all():
        return np.asarray(alone)
    parts, count = ndimage.label(room & (_distance_mm(empty, spacing_mm) > WIDE_MM))
    if not count:
        return np.asarray(alone)
    share = ndimage.mean(alone.astype(np.float32), parts, np.arange(1, count + 1))
    wide = np.concatenate([[False], np.asarray(share) >= ALONE_FRACTION])[parts]
    if wide.any():
        steps = int(np.ceil(WIDE_MM / spacing_mm.min())) + 1
        wide = ndimage.binary_dilation(wide, mask=room, iterations=steps)
    return np.asarray(alone | wide)


def _filled(solid: Mask, hollow: Mask, capped: Pieces) -> Mask:
    """``hollow`` and whatever else it and the bone enclose altogether."""
    framed = capped > 0
    framed[1:-1, 1:-1, 1:-1] |= hollow
    return np.asarray(ndimage.binary_fill_holes(framed)[1:-1, 1:-1, 1:-1] & ~solid)


def _distance_mm(outside: Mask, spacing_mm: Floats) -> npt.NDArray[np.float32]:
    """Distance of each True voxel to the nearest False one, between voxel centres."""
    if outside.all():
        return np.full(outside.shape, np.inf, np.float32)
    return np.asarray(edt.edt(outside, anisotropy=tuple(float(step) for step in spacing_mm), parallel=2))


def _box_around(chosen: Mask, reach: npt.NDArray[np.int_]) -> tuple[slice, ...]:
    """The box of what is chosen, wider by ``reach`` voxels."""
    found = ndimage.find_objects(chosen.view(np.uint8))[0]
    return tuple(
        slice(max(0, part.start - int(more)), part.stop + int(more))
        for part, more in zip(found, reach, strict=True)
    )


def _shared_out(
    pieces: Pieces,
    count: int,
    hollow: Mask,
    lines: tuple[Pieces, Pieces],
    above_hu: npt.NDArray[np.float32],
    spacing_mm: Floats,
) -> list[Hollow]:
    """Give each hollow voxel to its nearest piece, near a fracture by the side of its gap."""
    nearest = np.full(pieces.shape, np.inf, np.float32)
    second = np.full(pieces.shape, np.inf, np.float32)
    owner = np.zeros(pieces.shape, np.uint8)
    other = np.zeros(pieces.shape, np.uint8)
    for number in range(1, count + 1):
        distance = _distance_mm(pieces != number, spacing_mm)
        closer = distance < nearest
        closer_second = ~closer & (distance < second)
        second = np.where(closer, nearest, np.where(closer_second, distance, second))
        other = np.where(closer, owner, np.where(closer_second, np.uint8(number), other))
        nearest = np.where(closer, distance, nearest)
        owner = np.where(closer, np.uint8(number), owner)
    beyond = np.full(pieces.shape, np.inf, np.float32)
    closed, own = lines
    reach = np.ceil((GAP_MM + WIDE_MM) / spacing_mm).astype(int)
    for first, last in combinations(range(1, count + 1), 2):
        pair = ((owner == first) & (other == last)) | ((owner == last) & (other == first))
        # What one piece closes alone is its own; only what lies across from another may change hands.
        asked = hollow & pair & (own < CLOSED_COUNT)
        if not asked.any():
            continue
        at = _box_around(asked, reach)
        gap = gap_between(above_hu[at], pieces[at] == first, pieces[at] == last, GAP_MM, spacing_mm)
        if gap is None:
            continue
        # Between the rims the grey values tell the gap themselves; in the cavity it is filled right across.
        width_mm, from_middle_mm = gap.width_mm, gap.from_middle_mm
        mouth = pair[at] & ((nearest + second)[at] <= width_mm + MOUTH_VOXELS_COUNT * spacing_mm.max())
        hollow[at] &= ~mouth
        steps = int(np.ceil((GAP_MM / 2 + WIDE_MM) / spacing_mm.min()))
        lens = (pieces[at] == 0) & pair[at] & ~mouth & (closed[at] >= CLOSED_IN_GAP_COUNT)
        lens &= np.abs(from_middle_mm) <= width_mm / 2 + WIDE_MM
        lens = ndimage.binary_dilation(asked[at] & ~mouth, mask=lens, iterations=steps)
        changing = lens | (asked[at] & ~mouth)
        solid = pieces[at] > 0
        changing |= pair[at] & ndimage.binary_fill_holes(solid | hollow[at] | lens) & ~solid & ~hollow[at]
        hollow[at] |= changing
        owner[at][changing] = np.where(from_middle_mm > 0, np.uint8(first), np.uint8(last))[changing]
        beyond[at][changing] = (np.abs(from_middle_mm) - width_mm / 2)[changing]
    return [
        Hollow(hollow & (owner == number), np.where(owner == number, beyond, np.float32(np.inf)))
        for number in range(1, count + 1)
    ]
