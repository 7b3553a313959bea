"""Finds metal in the scan, so that it is not taken for bone, and says where its streaks make things less
certain.

Metal is what holds a core at or above 2950 HU (implants saturate a 12-bit scale at 3071), with everything
above 2500 HU connected to it. Dense cortex ends near 2000 HU and has no such core. The blur around metal
passes through the grey values of bone, so a rim of 1 mm goes with it. Streaks run in the slices of the metal;
tooth enamel may be taken for metal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.vocabulary import (
    METAL_ABOVE_HU,
    STREAK_REACH_MM,
    STREAK_SLICES_MM,
    CTVolume,
    Grid,
    Ints,
    Removed,
    frozen_array,
)

CORE_FROM_HU = 2950.0
"""Common practice: implants 2500 to 3000 HU and more, 3071 where a 12-bit scale ends; noise lets a saturated
voxel fall a little short."""

SMALLEST_METAL_MM3 = 3.0
"""Smaller is noise or a sharp kernel's overshoot at a cortex. Our choice: a wire of 1 mm has as much in 4
mm."""

SMALLEST_CORE_MM3 = 1.0
"""Of its core at least. Our choice: overshoot reaches single voxels."""

RIM_MM = 1.0
"""Around metal nothing is taken for bone. Our choice: about the blur of a CT (0.6 to 1.2 mm)."""

BLANK_FRACTION = 0.01
"""The lowest value of a scan is a blank one where it fills so much of it. Our choice: noise does not repeat a
value so often."""

BLANK_BELOW_HU = -900.0
"""Brighter is not blank. Common practice: scanners fill up with air or less."""

BESIDE_BLANK_FRACTION = 0.15
"""A piece with so much of its surface against blank is the bright rim where a body leaves the field of view.
Our choice: 36 % on the one such series we have; metal blurs into what is around it."""

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Metal:
    """The metal of a scan: each piece with volume, place and box, and the voxels that are no bone for it.

    ``not_bone`` (i, j, k) bool holds metal and its rim.
    """

    pieces: tuple[Removed, ...]
    not_bone: Mask


def find_metal(ct: CTVolume) -> Metal | None:
    """The metal in ``ct``, the largest first; None where there is none."""
    bright = ct.hu >= METAL_ABOVE_HU
    if np.count_nonzero(bright) * ct.grid.voxel_mm3 < SMALLEST_METAL_MM3:
        return None
    # Only the part of the scan that holds it is labelled: labels take four bytes a voxel.
    (crop,) = ndimage.find_objects(bright.view(np.uint8))
    offset = np.array([part.start for part in crop])
    labels = cc3d.connected_components(bright[crop], connectivity=26)
    stats = cc3d.statistics(labels)
    volumes_mm3 = stats["voxel_counts"] * ct.grid.voxel_mm3
    cores = np.bincount(labels[ct.hu[crop] >= CORE_FROM_HU], minlength=len(volumes_mm3))
    metal = (volumes_mm3 >= SMALLEST_METAL_MM3) & (cores * ct.grid.voxel_mm3 >= SMALLEST_CORE_MM3)
    metal[0] = False
    boxes = {int(label): _box_ijk(stats["bounding_boxes"][label], offset) for label in np.flatnonzero(metal)}
    blank_hu = _blank_hu(ct) if boxes else None
    for label, box_ijk in boxes.items():
        metal[label] = blank_hu is None or not _is_rim(ct, labels == label, crop, box_ijk, blank_hu)
    if not metal.any():
        return None
    bright[crop] = metal[labels]
    found = [
        Removed(
            "metal",
            float(volumes_mm3[label]),
            ct.grid.ijk_to_mm(stats["centroids"][label] + offset),
            boxes[int(label)],
        )
        for label in np.argsort(-volumes_mm3, kind="stable")
        if metal[label]
    ]
    return Metal(tuple(found), _with_rim(bright, found, ct.grid))


def without_metal(ct: CTVolume, metal: Metal, fill_hu: float) -> CTVolume:
    """A copy of ``ct`` in which metal and its rim hold ``fill_hu``."""
    hu: npt.NDArray[Any] = ct.hu.copy()
    hu[metal.not_bone] = np.floor(fill_hu)
    return replace(ct, hu=hu)


def less_certain(grid: Grid, pieces: Sequence[Removed], *, reach_mm: float = STREAK_REACH_MM) -> Mask:
    """(i, j, k) bool: the voxels in the slices of metal, ``reach_mm`` about its box and no farther."""
    result = np.zeros(grid.shape, bool)
    for piece in pieces:
        if piece.box_ijk is None:
            continue
        grown = np.full(3, reach_mm)
        grown[grid.slice_axis] = STREAK_SLICES_MM
        steps = np.floor(grown / grid.spacing_mm).astype(int)
        low = np.maximum(piece.box_ijk[0] - steps, 0)
        high = piece.box_ijk[1] + steps + 1
        result[tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))] = True
    return result


def metal_note(pieces: Sequence[Removed]) -> str:
    """One sentence about the metal for a person."""
    total_mm3 = sum(piece.volume_mm3 for piece in pieces)
    many = "a piece" if len(pieces) == 1 else f"{len(pieces)} pieces"
    return (
        f"metal was found, {many} of {total_mm3:.0f} mm³: surfaces within {RIM_MM:g} mm of it are not known,"
        f" and grey values within {STREAK_REACH_MM:g} mm in its slices are less certain"
    )


def _blank_hu(ct: CTVolume) -> float | None:
    """The value that fills the scan where nothing was measured; None where there is none."""
    lowest_hu = float(ct.hu.min())
    if lowest_hu > BLANK_BELOW_HU or np.count_nonzero(ct.hu == lowest_hu) < BLANK_FRACTION * ct.hu.size:
        return None
    return lowest_hu


def _is_rim(ct: CTVolume, piece: Mask, crop: tuple[slice, ...], box_ijk: Ints, blank_hu: float) -> bool:
    """Whether a ``piece`` of the crop is the field of view's rim, where blank touches it without blur."""
    low, high = np.maximum(box_ijk[0] - 1, 0), np.minimum(box_ijk[1] + 2, ct.grid.shape)
    near = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    inside = np.zeros([part.stop - part.start for part in near], bool)
    own = tuple(slice(int(a), int(b) + 1) for a, b in zip(*(box_ijk - low), strict=True))
    start = [part.start for part in crop]
    inside[own] = piece[tuple(slice(int(a), int(b) + 1) for a, b in zip(*(box_ijk - start), strict=True))]
    outer = ndimage.binary_dilation(inside) & ~inside
    return bool(np.mean(ct.hu[near][outer] == blank_hu) >= BESIDE_BLANK_FRACTION)


def _box_ijk(box: Sequence[slice], offset: npt.NDArray[np.integer]) -> Ints:
    ends = np.array([[part.start for part in box], [part.stop - 1 for part in box]])
    return frozen_array(ends + offset, np.int32)


def _with_rim(metal: Mask, pieces: Sequence[Removed], grid: Grid) -> Mask:
    """``metal`` and all within RIM_MM of it, looked for around the pieces only."""
    result = metal.copy()
    steps = np.ceil(RIM_MM / grid.spacing_mm).astype(int) + 1
    for piece in pieces:
        if piece.box_ijk is None:
            continue
        low = np.maximum(piece.box_ijk[0] - steps, 0)
        near = tuple(slice(int(a), int(b) + 1) for a, b in zip(low, piece.box_ijk[1] + steps, strict=True))
        away = edt.edt(~metal[near], anisotropy=tuple(float(step) for step in grid.spacing_mm))
        result[near] |= away <= RIM_MM
    return result
