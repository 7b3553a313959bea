"""What is kept of a segmentation so that a person can judge it: its grey values, and how much was measured.

Counts are taken slab by slab from at most 5 million voxels, thinned evenly; shares are those of a surface's
vertices, which lie about a voxel apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.how_found import Histogram
from segmentation.refined import RefinedSurface
from segmentation.vocabulary import NO_DATA_BELOW_HU, CTVolume, Fragment, Place

BIN_HU, BINS_COUNT = 16.0, 256
"""A bin's width and their number, from NO_DATA_BELOW_HU on: up to 3072 HU, the end of a 12-bit scale. Our
choice: finer than noise, coarse enough to be read as text."""

MOST_VOXELS_COUNT = 5_000_000
"""More are thinned evenly before counting. Our choice: the shape of the histogram does not need more."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Shares:
    """How the vertices of a fragment's surface came by their place; the first four shares add up to 1.

    ``measured_fraction`` at their own edge of grey values, ``repaired_fraction`` moved as their neighbours
    because their own edge was doubtful, ``no_edge_fraction`` because there was none, ``level_fraction`` left
    on the level. ``thickness_known_fraction``: where the cortex's thickness is known.
    """

    vertices_count: int
    measured_fraction: float
    repaired_fraction: float
    no_edge_fraction: float
    level_fraction: float
    thickness_known_fraction: float


def shares_of(fragment: Fragment) -> Shares | None:
    """Counted from what its surface file holds; None for a case from before that was kept."""
    cortex, count = fragment.cortex, len(fragment.surface.vertices_mm)
    if cortex is None:
        return Shares(count, 0.0, 0.0, 0.0, 1.0, 0.0)
    if cortex.place is None:
        return None
    counted = np.bincount(cortex.place, minlength=len(Place)) / max(count, 1)
    measured, repaired, no_edge, level = (float(counted[place]) for place in Place)
    return Shares(count, measured, repaired, no_edge, level, float(cortex.thickness_known.mean()))


def places_of(refined: RefinedSurface, on_edge: Bools) -> npt.NDArray[np.uint8]:
    """(n,) the Place of each vertex; what is not ``on_edge`` was left on the level."""
    place = np.where(refined.repaired, Place.REPAIRED, Place.MEASURED)
    place = np.where(refined.no_edge, Place.NO_EDGE, place)
    return np.where(on_edge, place, Place.LEVEL).astype(np.uint8)


def histogram_of(ct: CTVolume, labels: npt.NDArray[np.uint8] | None = None) -> Histogram:
    """The grey values of ``ct``, and of what ``labels`` call bone. Empty bins at both ends are left out."""
    every = max(1, math.ceil((ct.hu.size / MOST_VOXELS_COUNT) ** (1 / 3)))
    counts, bone_counts = np.zeros((2, BINS_COUNT), np.int64)
    for k in range(0, ct.hu.shape[2], every):
        hu = ct.hu[::every, ::every, k]
        counts += _counted(hu)
        if labels is None:
            continue
        bone = labels[::every, ::every, k] > 0
        if bone.any():
            bone_counts += _counted(hu[bone])
    filled = np.flatnonzero(counts)
    first, last = (int(filled[0]), int(filled[-1]) + 1) if len(filled) else (0, 1)
    return Histogram(
        from_hu=float(NO_DATA_BELOW_HU + BIN_HU * first),
        bin_hu=BIN_HU,
        counts=counts[first:last],
        bone_counts=bone_counts[first:last],
        every=every,
    )


def _counted(hu: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    data = hu[hu >= NO_DATA_BELOW_HU].astype(np.float32)
    bins = ((data - NO_DATA_BELOW_HU) / BIN_HU).astype(np.int32)
    return np.bincount(np.minimum(bins, BINS_COUNT - 1), minlength=BINS_COUNT)
