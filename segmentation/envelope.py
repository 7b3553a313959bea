"""Which hollows belong to the bone: the marrow cavity does, a fracture gap does not.

A hollow is what the bone encloses once its small openings (to 2 × SEAL_MM) are sealed and its cut ends at the
scan's border are closed. Sealing a fractured shaft also seals the fracture, so the cavity of both pieces is
found together and shared out to the nearer piece; a slab as wide as the gap seen in the cortex is then taken
out again between them. With distances d₁, d₂ to the two broken rims a gap g is the slab |d₁² − d₂²| < g²,
exactly so for parallel flat faces.
"""

from __future__ import annotations

from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.vocabulary import Floats

SEAL_MM = 1.6
"""Openings up to twice this are sealed before hollows are sought: vessel holes, and fracture gaps to 3 mm.
Our choice."""

ENCLOSED_FRACTION = 0.5
"""A hollow is a piece's own if so much of it has the piece on both sides along two of three axes. Our choice:
marrow measures above 0.8, the soft tissue between neighbouring bones near 0."""

Mask = npt.NDArray[np.bool_]


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
    pieces: npt.NDArray[np.uint8], count: int, spacing_mm: Floats, at_border: npt.NDArray[np.bool_]
) -> list[Hollow]:
    """The hollows of pieces 1 … ``count`` of one neighbourhood.

    ``pieces`` (i, j, k) uint8 is a crop: 0 outside, n = piece n. ``at_border`` (3, 2) tells which faces of
    the crop are faces of the scan, where a bone is cut off and its cavity is closed by the cut.
    """
    solid = pieces > 0
    hollow = _enclosed(solid, spacing_mm, at_border)
    if count == 1:
        return [Hollow(hollow, np.full(pieces.shape, np.inf, np.float32))]
    if not hollow.any():
        return [Hollow(hollow, np.full(pieces.shape, np.inf, np.float32))] * count
    where = np.argwhere(hollow)
    reach = np.ceil(2 * SEAL_MM / spacing_mm).astype(int)
    low, high = np.maximum(where.min(axis=0) - reach, 0), where.max(axis=0) + reach + 1
    near = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    result = []
    for part in _shared_out(pieces[near], count, hollow[near], spacing_mm):
        inside, beyond = np.zeros(pieces.shape, bool), np.full(pieces.shape, np.inf, np.float32)
        inside[near], beyond[near] = part.inside, part.beyond_gap_mm
        result.append(Hollow(inside, beyond))
    return result


def _enclosed(solid: Mask, spacing_mm: Floats, at_border: npt.NDArray[np.bool_]) -> Mask:
    """Voxels that ``solid`` encloses, openings up to 2 × SEAL_MM sealed."""
    margin = np.ceil(SEAL_MM / spacing_mm).astype(int) + 1
    pad = [(int(m), int(m)) for m in margin]
    core = tuple(slice(m, m + n) for m, n in zip(margin, solid.shape, strict=True))
    # Continued beyond the scan's faces, so that sealing does not round the bone off there.
    padded = np.pad(solid, pad)
    for axis, side in np.argwhere(at_border):
        beyond: list[slice | int] = [slice(None)] * 3
        beyond[axis] = slice(0, margin[axis]) if side == 0 else slice(-margin[axis], None)
        edge = np.take(padded, margin[axis] if side == 0 else -margin[axis] - 1, axis=axis)
        padded[tuple(beyond)] = np.expand_dims(edge, axis)
    sealed = _distance_mm(~padded, spacing_mm) <= SEAL_MM
    sealed = _distance_mm(sealed, spacing_mm) > SEAL_MM
    sealed |= padded
    for axis, side in np.argwhere(at_border):
        cap: list[slice | int] = [slice(None)] * 3
        cap[axis] = 0 if side == 0 else -1
        sealed[tuple(cap)] = ndimage.binary_fill_holes(sealed[tuple(cap)])
    filled = ndimage.binary_fill_holes(sealed)
    deep = filled & ~sealed
    room = filled & ~padded
    steps = int(np.ceil(SEAL_MM / spacing_mm.min())) + 1
    if deep.any():
        deep = ndimage.binary_dilation(deep, mask=room, iterations=steps)
    return np.asarray((deep | (ndimage.binary_fill_holes(padded) & ~padded))[core])


def _distance_mm(outside: Mask, spacing_mm: Floats) -> npt.NDArray[np.float32]:
    """Distance of each True voxel to the nearest False one, between voxel centres."""
    if outside.all():
        return np.full(outside.shape, np.inf, np.float32)
    return np.asarray(edt.edt(outside, anisotropy=tuple(float(step) for step in spacing_mm), parallel=2))


def _shared_out(pieces: npt.NDArray[np.uint8], count: int, hollow: Mask, spacing_mm: Floats) -> list[Hollow]:
    """Give each hollow voxel to its nearest piece, if that piece encloses it, and keep clear of the gap."""
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
    gap_mm = _gap_mm(pieces, owner, other, nearest, second, count, spacing_mm)
    result = []
    for number in range(1, count + 1):
        own = hollow & (owner == number)
        own = _truly_enclosed(own, pieces == number)
        gap = gap_mm[number, other]
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            beyond = (second**2 - nearest**2 - gap**2) / (2 * np.maximum(gap, spacing_mm.min()))
        beyond = np.where(np.isfinite(gap) & np.isfinite(second), beyond, np.inf)
        result.append(Hollow(own, beyond.astype(np.float32)))
    return result


def _gap_mm(
    pieces: npt.NDArray[np.uint8],
    owner: npt.NDArray[np.uint8],
    other: npt.NDArray[np.uint8],
    nearest: npt.NDArray[np.float32],
    second: npt.NDArray[np.float32],
    count: int,
    spacing_mm: Floats,
) -> npt.NDArray[np.float32]:
    """(count+1, count+1) median gap between two pieces where they face each other; inf where they do not.

    Distances run between voxel centres, so one mean voxel edge is taken off.
    """
    across = nearest + second
    facing = (pieces == 0) & (across <= 2 * SEAL_MM) & (second - nearest <= spacing_mm.max())
    gaps = np.full((count + 1, count + 1), np.inf, np.float32)
    for first in range(1, count + 1):
        for last in range(first + 1, count + 1):
            pair = facing & (((owner == first) & (other == last)) | ((owner == last) & (other == first)))
            if pair.any():
                width = max(float(np.median(across[pair])) - float(spacing_mm.mean()), 0.0)
                gaps[first, last] = gaps[last, first] = width
    return gaps


def _truly_enclosed(own: Mask, piece: Mask) -> Mask:
    """The connected parts of ``own`` of which most lies between walls of ``piece``."""
    if not own.any():
        return own
    between = np.zeros(piece.shape, np.uint8)
    for axis in range(3):
        before = np.maximum.accumulate(piece, axis=axis)
        after = np.flip(np.maximum.accumulate(np.flip(piece, axis), axis=axis), axis)
        between += before & after
    parts, count = ndimage.label(own)
    share = ndimage.mean((between >= 2).astype(np.float32), parts, np.arange(1, count + 1))
    keep = np.concatenate([[False], np.asarray(share) >= ENCLOSED_FRACTION])
    return np.asarray(keep[parts])
