"""Fields whose zero is a fragment's surface: from the pieces above the level, from given labels, and across
cuts.

A field is the grey value minus the level wherever the bone meets something else; hollows and the deep inside
are raised above zero; other pieces are sunk below it. A cut is the smaller of the field and the signed
distance to the plane.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.components import Box, Piece, grown
from segmentation.envelope import Hollow, Mask, hollows
from segmentation.errors import InputError
from segmentation.level import Level
from segmentation.surface import edge_gradient_hu_per_mm
from segmentation.vocabulary import CTVolume, Floats, Grid

NEAR_MM = 3.0
"""Pieces no farther apart than this are taken as fragments of one bone, unless named otherwise (design
decision)."""

LABEL_REACH_MM = 1.0
"""How far the grey values may move a surface away from the border of a given label. Our choice: two fine
voxels."""

LABEL_SMOOTHING_VOXELS_COUNT = 1.0
"""Gaussian smoothing of the border between two touching labels, whose place is known to a voxel only. Our
choice."""

BORDER_REACH_MM = 1.5
"""Both parts at a border lie within this of it. Our choice: half of the widest gap that is closed before
parts are looked for."""

BONE, HOLLOW, OTHERS = 1, 2, 3
"""What ``Part.body`` says of a voxel: bone of the part, a hollow it closes round, bone of another; 0 is
outside."""

DEEP_VOXELS_COUNT = 2.0
"""The deep inside is raised to what the edge climbs in this many voxels, so that a cut through it stays
flat."""


@dataclass(frozen=True, eq=False)
class Part:
    """A fragment in the making: ``field_hu`` float32 on the crop ``box`` of the scan, positive inside.

    ``body`` tells bone from the hollows it closes round, as they were before any cut.
    ``uncut_hu`` is the field before any cut, on the same crop: what a merge puts back.
    """

    box: Box
    field_hu: npt.NDArray[np.float32]
    body: npt.NDArray[np.uint8]
    gradient_hu_per_mm: float
    cut_off_by_scan: bool
    uncut_hu: npt.NDArray[np.float32] | None = None

    @property
    def offset_ijk(self) -> tuple[int, int, int]:
        """The scan's voxel at the crop's corner."""
        return self.box[0].start, self.box[1].start, self.box[2].start


@dataclass(frozen=True, eq=False)
class Cut:
    """A plane through ``point_mm``; the side its ``normal`` points to becomes the new fragment."""

    point_mm: Floats
    normal: Floats


def parts_from_pieces(
    ct: CTVolume, labels: npt.NDArray[np.uint8], pieces: tuple[Piece, ...], level: Level
) -> list[Part]:
    """One part for each piece, hollows included, in the order of ``pieces``."""
    parts = {
        piece.number: _part(ct, box, labels[box] == piece.number, hollow.inside, hollow.beyond_gap_mm, level)
        for piece, box, hollow in _with_hollows(ct, labels, pieces, level)
    }
    return [parts[piece.number] for piece in pieces]


def _with_hollows(
    ct: CTVolume, labels: npt.NDArray[np.uint8], pieces: tuple[Piece, ...], level: Level
) -> Iterator[tuple[Piece, Box, Hollow]]:
    """Each piece and, on a crop of the scan, its hollows; neighbours close some together."""
    for neighbours in _neighbourhoods(ct, labels, pieces):
        box = grown(_joint_box([piece.box for piece in neighbours]), 2, labels.shape)
        lookup = np.zeros(256, np.uint8)
        lookup[[piece.number for piece in neighbours]] = range(1, len(neighbours) + 1)
        found = hollows(
            lookup[labels[box]],
            len(neighbours),
            ct.hu[box],
            level,
            ct.grid.spacing_mm,
            _at_border(box, labels.shape),
        )
        yield from ((piece, box, hollow) for piece, hollow in zip(neighbours, found, strict=True))


def parts_from_labels(
    ct: CTVolume, given: npt.NDArray[np.uint8], level: Level, *, whole: bool = True
) -> list[Part]:
    """One part for each label value, in rising order; the labels say which voxel is whose, the level where it
    ends.

    Without ``whole`` they mark bone only, and each part's hollows are sought as those of a piece are.
    """
    values = [int(value) for value in np.unique(given) if value]
    if not values:
        raise InputError("the labels must mark at least one fragment (every voxel is 0)")
    spacing = ct.grid.spacing_mm
    reach = int(np.ceil(2 * LABEL_REACH_MM / spacing.min())) + 2
    bone = level.above(ct)
    gaps: dict[int, tuple[Box, npt.NDArray[np.float32]]] = {}
    marked = given
    if not whole:
        given = given.copy()
        for piece, box, hollow in _with_hollows(ct, *_pieces_of(marked * bone, ct.grid), level):
            given[box][hollow.inside & (given[box] == 0)] = piece.number
            if np.isfinite(hollow.beyond_gap_mm).any():
                gaps[piece.number] = box, hollow.beyond_gap_mm
    found = ndimage.find_objects(given)
    parts = []
    for value in values:
        box = grown(found[value - 1], reach, given.shape)
        crop = given[box]
        own = _signed_distance_mm(crop == value, spacing)
        above = bone[box]
        rest = ((crop != value) & (crop != 0)) | _going_on(above & (crop == 0), own, spacing)
        beyond = np.full(crop.shape, np.inf, np.float32)
        if rest.any():
            border = (_signed_distance_mm(rest, spacing) - own) / 2
            beyond = ndimage.gaussian_filter(border, LABEL_SMOOTHING_VOXELS_COUNT)
        filled = (crop == value) & (marked[box] == 0)
        if value in gaps:
            beyond = np.where(filled, np.minimum(beyond, _on_crop(box, *gaps[value])), beyond)
        piece = above & (own < LABEL_REACH_MM) & ~rest
        deep = ndimage.binary_fill_holes(piece | (own < -LABEL_REACH_MM)) | filled
        hollow = ~above & (crop == value) & deep
        parts.append(_part(ct, box, piece, hollow, beyond, level, bordering=rest & above))
    return parts


def _on_crop(box: Box, of_box: Box, values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """``values`` on the crop ``of_box`` as they lie in the crop ``box``, +inf elsewhere."""
    result = np.full([side.stop - side.start for side in box], np.inf, np.float32)
    both = [(max(a.start, b.start), min(a.stop, b.stop)) for a, b in zip(box, of_box, strict=True)]
    if all(low < high for low, high in both):
        here, there = (
            tuple(
                slice(low - side.start, high - side.start)
                for (low, high), side in zip(both, crop, strict=True)
            )
            for crop in (box, of_box)
        )
        result[here] = values[there]
    return result


def _pieces_of(
    numbered: npt.NDArray[np.uint8], grid: Grid
) -> tuple[npt.NDArray[np.uint8], tuple[Piece, ...]]:
    """``numbered`` and what of each number there is, connected or not."""
    counts = np.bincount(numbered.ravel())
    boxes = ndimage.find_objects(numbered)
    return numbered, tuple(
        Piece(number, box, float(counts[number]) * grid.voxel_mm3)
        for number, box in enumerate(boxes, start=1)
        if box is not None
    )


def _going_on(unlabelled: Mask, own_mm: npt.NDArray[np.float32], spacing_mm: Floats) -> Mask:
    """Bone beside a label that does not end within LABEL_REACH_MM of it: there the label's border holds."""
    beyond = unlabelled & (own_mm >= LABEL_REACH_MM)
    if not beyond.any():
        return beyond
    steps = int(np.ceil(LABEL_REACH_MM / spacing_mm.min()))
    return np.asarray(ndimage.binary_dilation(beyond, mask=unlabelled, iterations=steps))


def cut_in_two(parts: list[Part], cut: Cut, ct: CTVolume) -> list[Part]:
    """``parts`` with the one at the cut's point divided; the side of the normal is appended as the last
    part."""
    point_ijk = ct.grid.mm_to_ijk(cut.point_mm)
    index = _part_at(parts, point_ijk)
    if index is None:
        x, y, z = (float(value) for value in cut.point_mm)
        raise InputError(
            f"the cut at {x:g}, {y:g}, {z:g} lies in no fragment: give a point inside the bone to divide"
        )
    length = float(np.linalg.norm(cut.normal))
    if not np.isfinite(length) or length == 0:
        raise InputError("a cut's normal must have a length and a direction: give three numbers, not all 0")
    axes = [np.arange(part.start, part.stop) for part in parts[index].box]
    normal = np.asarray(cut.normal, float) / length
    # Signed distance is affine in (i, j, k): three outer sums instead of a coordinate array.
    slope = ct.grid.affine[:3, :3].T @ normal
    level = float((ct.grid.affine[:3, 3] - cut.point_mm) @ normal)
    ahead = (
        slope[0] * axes[0][:, None, None]
        + slope[1] * axes[1][None, :, None]
        + slope[2] * axes[2][None, None, :]
        + level
    ).astype(np.float32)
    return divided(
        parts, index, ahead, "the cut leaves one side empty: move its point into the bone or turn its normal"
    )


def divided(parts: list[Part], index: int, ahead_mm: npt.NDArray[np.float32], when_empty: str) -> list[Part]:
    """``parts`` with one divided by a signed distance on its crop; what lies ahead is appended as the last.

    ``when_empty`` is the sentence of the InputError when one side holds nothing.
    """
    whole = parts[index]
    ahead = ahead_mm * np.float32(whole.gradient_hu_per_mm)
    front, back = np.minimum(whole.field_hu, ahead), np.minimum(whole.field_hu, -ahead)
    if not (front > 0).any() or not (back > 0).any():
        raise InputError(when_empty)
    uncut = whole.field_hu if whole.uncut_hu is None else whole.uncut_hu
    sides = [replace(whole, field_hu=side, uncut_hu=uncut) for side in (back, front)]
    return [*parts[:index], sides[0], *parts[index + 1 :], sides[1]]


def _part_at(parts: list[Part], point_ijk: Floats) -> int | None:
    """Which part holds a point, judged by the nearest voxel centre."""
    if not np.isfinite(point_ijk).all():
        return None
    for index, part in enumerate(parts):
        local = np.round(point_ijk).astype(int) - part.offset_ijk
        inside_box = ((local >= 0) & (local < part.field_hu.shape)).all()
        if inside_box and part.field_hu[tuple(local)] > 0:
            return index
    return None


def _part(
    ct: CTVolume,
    box: Box,
    piece: Mask,
    hollow: Mask,
    beyond_mm: npt.NDArray[np.float32],
    level: Level,
    *,
    bordering: Mask | None = None,
) -> Part:
    """The field of one piece and its hollows, cropped to what it needs.

    ``beyond_mm`` bounds the hollows; with ``bordering``, bone of another, it bounds the whole piece and tells
    how deep in the other one is.
    """
    where = ndimage.find_objects((piece | hollow).astype(np.uint8))
    if not where:
        raise InputError(
            f"a label holds no voxel at or above {level.lowest_hu:g} HU:"
            " lower the threshold or check the labels"
        )
    tight = grown(where[0], 2, piece.shape)
    piece, hollow, beyond_mm = piece[tight], hollow[tight], beyond_mm[tight]
    bordering = None if bordering is None else bordering[tight]
    whole = tuple(
        slice(outer.start + inner.start, outer.start + inner.stop)
        for outer, inner in zip(box, tight, strict=True)
    )
    field = level.field_hu(ct.hu[whole], piece, piece | hollow, ct.grid.spacing_mm)
    gradient = edge_gradient_hu_per_mm(np.where(piece, np.abs(field), -np.abs(field)), ct.grid.spacing_mm)
    inside = piece | hollow
    field = np.where(inside, np.float32(1), np.float32(-1)) * np.maximum(np.abs(field), np.float32(1))
    bounded = bordering is not None or bool(np.isfinite(beyond_mm).any())
    if bounded:
        limit = hollow if bordering is None else inside | bordering
        field[limit] = np.minimum(np.abs(field[limit]), beyond_mm[limit] * np.float32(gradient))
    deep = ndimage.binary_erosion(field > 0)
    raised = np.float32(gradient * DEEP_VOXELS_COUNT * ct.grid.spacing_mm.max())
    if bounded:
        deep &= beyond_mm * np.float32(gradient) > raised
    field[deep] = np.maximum(field[deep], raised)
    return Part(
        (whole[0], whole[1], whole[2]),
        field,
        _body(piece, hollow, bordering),
        gradient,
        bool(_at_border(whole, ct.grid.shape, field).any()),
    )


def _body(piece: Mask, hollow: Mask, others: Mask | None) -> npt.NDArray[np.uint8]:
    """Which voxels are BONE, HOLLOW and OTHERS."""
    body = np.zeros(piece.shape, np.uint8)
    if others is not None:
        body[others] = OTHERS
    body[hollow], body[piece] = HOLLOW, BONE
    return body


def _signed_distance_mm(inside: Mask, spacing_mm: Floats) -> npt.NDArray[np.float32]:
    """Distance to the border of ``inside``, negative inside, half a voxel taken off either way."""
    anisotropy = tuple(float(step) for step in spacing_mm)
    outer = edt.edt(~inside, anisotropy=anisotropy)
    inner = edt.edt(inside, anisotropy=anisotropy)
    half = np.float32(spacing_mm.mean() / 2)
    return np.asarray(np.where(inside, half - inner, outer - half), np.float32)


def _at_border(
    box: Box | tuple[slice, ...], shape: tuple[int, ...], field: npt.NDArray[np.float32] | None = None
) -> npt.NDArray[np.bool_]:
    """(3, 2) which faces of ``box`` are faces of the scan (and, with ``field``, hold bone)."""
    border = np.array([[part.start == 0, part.stop == size] for part, size in zip(box, shape, strict=True)])
    if field is not None:
        for axis, side in np.argwhere(border):
            border[axis, side] = (field[(slice(None),) * axis + (0 if side == 0 else -1,)] > 0).any()
    return border


def _joint_box(boxes: list[Box]) -> Box:
    i, j, k = (
        slice(min(box[axis].start for box in boxes), max(box[axis].stop for box in boxes))
        for axis in range(3)
    )
    return i, j, k


def _neighbourhoods(
    ct: CTVolume, labels: npt.NDArray[np.uint8], pieces: tuple[Piece, ...]
) -> list[list[Piece]]:
    """Pieces grouped so that those within NEAR_MM of each other are together."""
    spacing = ct.grid.spacing_mm
    reach = int(np.ceil(NEAR_MM / spacing.min())) + 1
    group = {piece.number: piece.number for piece in pieces}
    for piece in pieces:
        box = grown(piece.box, reach, labels.shape)
        crop = labels[box]
        others = (crop != piece.number) & (crop != 0)
        if not others.any():
            continue
        distance = edt.edt(
            crop != piece.number, anisotropy=tuple(float(step) for step in spacing), parallel=2
        )
        near = np.unique(crop[others & (distance - spacing.mean() <= NEAR_MM)])
        joined = {group[int(number)] for number in near} | {group[piece.number]}
        group = {number: min(joined) if of in joined else of for number, of in group.items()}
    groups: dict[int, list[Piece]] = {}
    for piece in pieces:
        groups.setdefault(group[piece.number], []).append(piece)
    return list(groups.values())


def still_between_parts(points_mm: Floats, labels: npt.NDArray[np.uint8], grid: Grid) -> Floats:
    """Those of the points (m, 3) near which two parts still lie; a merge may have done away with some.

    ``labels`` of the grid's shape, 0 outside.
    """
    if not len(points_mm):
        return points_mm
    steps = [np.arange(-n, n + 1) for n in np.ceil(BORDER_REACH_MM / grid.spacing_mm).astype(int)]
    around = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3)
    at = np.round(grid.mm_to_ijk(points_mm)).astype(int)[:, None] + around
    seen = labels[tuple(np.moveaxis(np.clip(at, 0, np.array(labels.shape) - 1), -1, 0))]
    least = np.where(seen > 0, seen, np.iinfo(np.uint8).max).min(axis=1)
    return np.asarray(points_mm[least < seen.max(axis=1)])
