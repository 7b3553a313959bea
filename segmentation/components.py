"""Which pieces above the level are bone, and which are specks, the table or a cable.

Pieces are 6-connected (voxels sharing a face), so that two bones meeting at an edge stay two. A piece is left
out when it is smaller than SPECK_MM3, or when it lies in air and is shaped like a table top or a cable; each
is listed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.vocabulary import CTVolume, Removed, RemovedAs

SPECK_MM3 = 50.0
"""Smaller pieces are left out unless asked for: a 3.5 mm screw finds no hold in them. Our choice."""

AIR_BELOW_HU = -300
"""Air, and the foam of a table; skin and fat are above. Common practice."""

IN_AIR_FRACTION = 0.35
"""A piece with more of its neighbourhood in air lies on or outside the skin. Our choice; bones measure near
0."""

TABLE_HALF_THICKNESS_MM = 6.0
"""A table top is a plate thinner than twice this. Our choice."""

TABLE_WIDTH_MM = 80.0
"""A table top is wider and longer than this. Our choice."""

CABLE_RADIUS_MM = 3.0
"""A cable is nowhere thicker than twice this. Our choice; the thinnest long bones are above it."""

CABLE_LENGTH_MM = 40.0
"""A cable is longer than this. Our choice."""

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
    ct: CTVolume, threshold_hu: float, *, keep_small: bool
) -> tuple[npt.NDArray[np.uint8], tuple[Piece, ...], tuple[Removed, ...]]:
    """The pieces at or above ``threshold_hu``: a label volume, what is bone, and what was left out.

    Labels (i, j, k) uint8 are 1 for the largest kept piece, 2 for the next, 0 for everything else.
    """
    labels = cc3d.connected_components(ct.hu >= threshold_hu, connectivity=6)
    stats = cc3d.statistics(labels)
    counts, boxes, centres = stats["voxel_counts"], stats["bounding_boxes"], stats["centroids"]
    kept: list[Piece] = []
    removed: list[Removed] = []
    number_of = np.zeros(len(counts), np.uint8)
    for label in np.argsort(-counts[1:], kind="stable") + 1:
        volume_mm3 = float(counts[label]) * ct.grid.voxel_mm3
        if volume_mm3 < SPECK_MM3 and not keep_small:
            removed.append(Removed("speck", volume_mm3, ct.grid.ijk_to_mm(centres[label])))
            continue
        if len(kept) == MOST_PIECES_COUNT:
            removed.append(Removed("too many pieces", volume_mm3, ct.grid.ijk_to_mm(centres[label])))
            continue
        furniture = _furniture(ct, labels, int(label), boxes[label])
        if furniture is not None:
            removed.append(Removed(furniture, volume_mm3, ct.grid.ijk_to_mm(centres[label])))
            continue
        number_of[label] = len(kept) + 1
        kept.append(Piece(len(kept) + 1, boxes[label], volume_mm3))
    return number_of[labels], tuple(kept), tuple(removed)


def grown(box: Box, by_voxels: int, shape: tuple[int, ...]) -> Box:
    """``box`` widened on every side, kept inside ``shape``."""
    i, j, k = (
        slice(max(0, part.start - by_voxels), min(size, part.stop + by_voxels))
        for part, size in zip(box, shape, strict=True)
    )
    return i, j, k


def _furniture(ct: CTVolume, labels: npt.NDArray[np.integer], label: int, box: Box) -> RemovedAs | None:
    """What kind of furniture the piece is, or None for bone."""
    spacing = ct.grid.spacing_mm
    extent_mm = np.sort([(part.stop - part.start) * step for part, step in zip(box, spacing, strict=True)])
    if extent_mm[-1] < CABLE_LENGTH_MM:
        return None
    box = grown(box, 2, labels.shape)
    inside = labels[box] == label
    shell = ndimage.binary_dilation(inside, iterations=2) & ~inside
    if not shell.any() or np.mean(ct.hu[box][shell] < AIR_BELOW_HU) < IN_AIR_FRACTION:
        return None
    half_thickness_mm = float(edt.edt(inside, anisotropy=tuple(spacing), black_border=False).max())
    if half_thickness_mm <= CABLE_RADIUS_MM and extent_mm[1] < TABLE_WIDTH_MM:
        return "thin and long, as a cable is"
    if half_thickness_mm <= TABLE_HALF_THICKNESS_MM and extent_mm[1] >= TABLE_WIDTH_MM:
        return "flat and long, as a table is"
    return None
