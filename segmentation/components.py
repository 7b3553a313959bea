"""Which pieces above the level are bone, and which are specks, the table or a cable.

Pieces are 6-connected (voxels sharing a face), so that two bones meeting at an edge stay two. A piece is left
out when it is smaller than SPECK_MM3, or when it lies in air and is shaped like a table top or a cable; each
is listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.level import Level
from segmentation.vocabulary import CTVolume, Grid, Removed, RemovedAs

SPECK_MM3 = 50.0
"""Smaller pieces are left out unless asked for: a 3.5 mm screw finds no hold in them. Our choice."""

AIR_BELOW_HU = -250
"""Air, and the foam of a table; skin and fat are above. Common practice."""

SHELL_MM = (3.0, 6.0)
"""A piece's surroundings are looked at between these distances from it. Our choice: nearer, blur and sheets
count."""

IN_AIR_FRACTION = 0.4
"""A piece with more air around it lies outside the body. Measured on four real series: parts of tables and
cables 0.45–0.86, bones 0–0.22 (ribs beside lung).
"""

FURNITURE_HALF_THICKNESS_MM = 6.0
"""A table top or cable is nowhere thicker than twice this. Our choice."""

FILLED_TABLE_HALF_THICKNESS_MM = 15.0
"""A table top with its foam is nowhere thicker than twice this; dry long bones are, filled. Our choice."""

TABLE_WIDTH_MM = 80.0
"""A table top is wider and longer than this. Our choice."""

CABLE_HALF_THICKNESS_MM = 3.0
"""A cable is nowhere thicker than twice this. Our choice; the thinnest long bones are above it."""

CABLE_SECTION_MM2 = 60.0
"""A cable's cross-section is smaller than this. Our choice: twice a disc of CABLE_HALF_THICKNESS_MM."""

CABLE_LENGTH_MM = 40.0
"""A cable is longer than this. Our choice."""

VESSEL_MOST_MM3 = 1500.0
"""The calcified wall of a vessel is no larger in one piece. Our choice."""

VESSEL_HALF_THICKNESS_MM = 2.0
"""Nor anywhere thicker than twice this. Our choice: the thinnest bones of adults are above it, so is a vessel
calcified all round."""

VESSEL_LENGTH_RATIO = 3.0
"""It is longer than its thickness by this. Our choice: a sesamoid bone is round."""

VESSEL_ALONE_MM, VESSEL_ALONE_RATIO = 3.0, 3.0
"""No piece larger by the ratio lies so near, as lies a bone beside a splinter of it. Our choice: the distance
within which pieces are taken as one bone."""

MOST_PIECES_COUNT = 255
"""Labels are stored in one byte."""

Box = tuple[slice, slice, slice]


@dataclass(frozen=True, eq=False)
class Piece:
    """A connected piece above the level: its number in the label volume, its box and its volume."""

    number: int
    box: Box
    volume_mm3: float


def pieces_above(
    ct: CTVolume, level: Level, *, keep_small: bool, vessels: bool = False
) -> tuple[npt.NDArray[np.uint8], tuple[Piece, ...], tuple[Removed, ...]]:
    """The pieces above ``level``: a label volume, what is bone, and what was left out.

    Labels (i, j, k) uint8 are 1 for the largest kept piece, 2 for the next, 0 for everything else.
    ``vessels``: what is shaped like a calcified vessel is no bone either.
    """
    above = level.above(ct)
    crop = _box_around(above, int(np.ceil(SHELL_MM[1] / ct.grid.spacing_mm.min())) + 1)
    offset = np.array([part.start for part in crop])
    numbered = np.zeros(ct.grid.shape, np.uint8)
    if not above[crop].any():
        return numbered, (), ()
    # Labels take four bytes a voxel: only the part of the scan that needs them gets them.
    above = above[crop].copy(order="K")
    labels, count = cc3d.connected_components(above, connectivity=6, return_N=True)
    del above
    hu = ct.hu[crop]
    if count <= np.iinfo(np.uint16).max:
        # Half the memory for all that follows.
        labels = labels.astype(np.uint16)
    stats = cc3d.statistics(labels)
    counts, boxes, centres = stats["voxel_counts"], stats["bounding_boxes"], stats["centroids"]
    kept: list[Piece] = []
    removed: list[Removed] = []
    number_of = np.zeros(len(counts), np.uint8)
    surroundings: dict[int, _Surroundings] = {}
    cored = _with_core(hu, labels, count, level)
    for label in np.argsort(-counts[1:], kind="stable") + 1:
        if not cored[label]:
            continue
        volume_mm3 = float(counts[label]) * ct.grid.voxel_mm3
        if volume_mm3 < SPECK_MM3 and not keep_small:
            removed.append(Removed("speck", volume_mm3, ct.grid.ijk_to_mm(centres[label] + offset)))
        else:
            surroundings[int(label)] = _surroundings(hu, ct.grid, labels, int(label), boxes[label])
    in_body = any(not around.in_air for around in surroundings.values())
    for label, around in surroundings.items():
        volume_mm3 = float(counts[label]) * ct.grid.voxel_mm3
        taken_for = around.furniture(in_body=in_body)
        if taken_for is None and vessels and not keep_small and volume_mm3 <= VESSEL_MOST_MM3:
            taken_for = _as_vessel(ct.grid, labels, label, counts, boxes[label])
        if taken_for is None and len(kept) == MOST_PIECES_COUNT:
            taken_for = "too many pieces"
        if taken_for is not None:
            removed.append(Removed(taken_for, volume_mm3, ct.grid.ijk_to_mm(centres[label] + offset)))
            continue
        number_of[label] = len(kept) + 1
        kept.append(Piece(len(kept) + 1, _shifted(boxes[label], offset), volume_mm3))
    numbered[crop] = number_of[labels]
    return numbered, tuple(kept), tuple(removed)


def _box_around(above: npt.NDArray[np.bool_], by_voxels: int) -> Box:
    """The box of all that is True, widened; empty where nothing is."""
    ends = []
    for axis in range(3):
        found = np.flatnonzero(above.any(axis=tuple(other for other in range(3) if other != axis)))
        ends.append(slice(int(found[0]), int(found[-1]) + 1) if len(found) else slice(0, 0))
    return grown((ends[0], ends[1], ends[2]), by_voxels, above.shape)


def _shifted(box: Box, offset: npt.NDArray[np.int64]) -> Box:
    i, j, k = (slice(part.start + int(by), part.stop + int(by)) for part, by in zip(box, offset, strict=True))
    return i, j, k


def _with_core(
    hu: npt.NDArray[Any], labels: npt.NDArray[np.integer], count: int, level: Level
) -> npt.NDArray[np.bool_]:
    """Which labels hold a voxel as bright as the level's core: the others are noise and soft tissue."""
    if level.core_hu <= level.lowest_hu:
        return np.ones(count + 1, bool)
    cored = np.zeros(count + 1, bool)
    for k in range(labels.shape[2]):
        cored[labels[:, :, k][hu[:, :, k] >= level.core_hu]] = True
    return cored


def grown(box: Box, by_voxels: int, shape: tuple[int, ...]) -> Box:
    """``box`` widened on every side, kept inside ``shape``."""
    i, j, k = (
        slice(max(0, part.start - by_voxels), min(size, part.stop + by_voxels))
        for part, size in zip(box, shape, strict=True)
    )
    return i, j, k


@dataclass(frozen=True)
class _Surroundings:
    """Whether a piece lies in air, how thick it is, its box's middle and longest edge, and its cross-section.

    ``filled_half_thickness_mm`` counts what the piece encloses as its own: a dry bone is hollow.
    """

    in_air: bool
    half_thickness_mm: float
    filled_half_thickness_mm: float
    width_mm: float
    length_mm: float
    section_mm2: float

    def furniture(self, *, in_body: bool) -> RemovedAs | None:
        """What the piece is taken for, or None for bone. ``in_body``: other pieces lie in soft tissue.

        Without a body the scan may show a dry bone, so only what is shaped like furniture is.
        """
        if not self.in_air or self.half_thickness_mm > FURNITURE_HALF_THICKNESS_MM:
            return None
        if not in_body and self.filled_half_thickness_mm > FILLED_TABLE_HALF_THICKNESS_MM:
            return None
        thin = self.filled_half_thickness_mm <= CABLE_HALF_THICKNESS_MM
        if self.width_mm >= TABLE_WIDTH_MM or (in_body and self.section_mm2 > CABLE_SECTION_MM2):
            return "flat and long, as a table is"
        if self.length_mm >= CABLE_LENGTH_MM and thin:
            return "thin and long, as a cable is"
        return "thin and outside the body" if in_body else None


def _surroundings(
    hu: npt.NDArray[Any], grid: Grid, labels: npt.NDArray[np.integer], label: int, box: Box
) -> _Surroundings:
    spacing = grid.spacing_mm
    extent_mm = np.sort([(part.stop - part.start) * step for part, step in zip(box, spacing, strict=True)])
    box = grown(box, int(np.ceil(SHELL_MM[1] / spacing.min())), labels.shape)
    inside = labels[box] == label
    anisotropy = tuple(float(step) for step in spacing)
    thickness = float(edt.edt(inside, anisotropy=anisotropy, parallel=2).max())
    if thickness > FURNITURE_HALF_THICKNESS_MM:
        # Too thick for furniture, wherever it lies: spare the search around it.
        near = ndimage.binary_dilation(inside, iterations=2) & ~inside
    else:
        away = edt.edt(~inside, anisotropy=anisotropy, parallel=2)
        near = (away > SHELL_MM[0]) & (away <= SHELL_MM[1])
    in_air = bool(near.any() and np.mean(hu[box][near] < AIR_BELOW_HU) >= IN_AIR_FRACTION)
    filled = thickness
    if in_air and thickness <= FURNITURE_HALF_THICKNESS_MM:
        filled = float(edt.edt(_filled(inside), anisotropy=anisotropy, parallel=2).max())
    section_mm2 = float(inside.sum()) * grid.voxel_mm3 / float(extent_mm[2])
    return _Surroundings(in_air, thickness, filled, float(extent_mm[1]), float(extent_mm[2]), section_mm2)


def _as_vessel(
    grid: Grid, labels: npt.NDArray[np.integer], label: int, counts: npt.NDArray[np.integer], box: Box
) -> RemovedAs | None:
    """Whether a piece is thin, long and alone in soft tissue, as a calcified vessel's wall is."""
    spacing = grid.spacing_mm
    anisotropy = tuple(float(step) for step in spacing)
    near = grown(box, int(np.ceil(VESSEL_ALONE_MM / spacing.min())) + 1, labels.shape)
    crop = labels[near]
    inside = crop == label
    half_mm = float(edt.edt(_filled(inside), anisotropy=anisotropy).max())
    length_mm = float(
        np.linalg.norm([(part.stop - part.start) * step for part, step in zip(box, spacing, strict=True)])
    )
    if half_mm > VESSEL_HALF_THICKNESS_MM or length_mm < VESSEL_LENGTH_RATIO * 2 * half_mm:
        return None
    others = crop[(edt.edt(~inside, anisotropy=anisotropy) <= VESSEL_ALONE_MM) & ~inside & (crop > 0)]
    if (counts[others] > VESSEL_ALONE_RATIO * counts[label]).any():
        return None
    return "thin, long and alone, as a calcified vessel is"


def _filled(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """``inside`` and what it encloses in any slice of any direction, as an open tube does its bore."""
    filled = ndimage.binary_fill_holes(inside)
    for axis in range(3):
        for index in np.flatnonzero(inside.any(axis=tuple(a for a in range(3) if a != axis))):
            at: list[slice | int] = [slice(None)] * 3
            at[axis] = int(index)
            filled[tuple(at)] |= ndimage.binary_fill_holes(inside[tuple(at)])
    return np.asarray(filled)
