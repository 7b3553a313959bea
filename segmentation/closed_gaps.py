"""Tells where a dark sheet crosses a fragment: a fracture or joint too narrow for the scan may be closed
there.

A voxel belongs to such a sheet when cortex of one and the same fragment lies on both sides of it within the
reach of ``local_level.py`` and it is a quarter darker. A sheet is told when it is broad in two directions
and comes to the fragment's outside, as a fracture does and the marrow between two thin cortices does not.
Growth plates and sutures are told too; a gap in bone without cortex is not.
"""

from __future__ import annotations

from collections.abc import Sequence

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.level_kernels import dark_between
from segmentation.local_level import BRIGHTEST_BONE_HU, WAYS, gap_steps
from segmentation.vocabulary import CTVolume, Floats, Grid

CORTEX_ABOVE_SOFT_HU = 400.0
"""Cortex on both sides is brighter than soft tissue by this. Our choice: cancellous bone, whose holes are
dark too, is 100 to 400 HU (common practice)."""

DARKER_FRACTION = 0.75
"""The sheet is under this share of the cortex's height above soft tissue. Derived: a gap of a third of the
blur's half-maximum width leaves 0.69."""

BROAD_MM = 6.0
"""A sheet is told when its middle extent is at least this (a uniform one: √12 deviations). Our choice."""

AT_OUTSIDE_MM = 6.0
"""And so much of it lies at the fragment's outside, in voxel edges. Our choice."""

MOST_TOLD_COUNT = 3
"""So many sheets are told of a fragment, the largest first. Our choice."""


def closed_gap_notes(
    ct: CTVolume, labels: npt.NDArray[np.uint8], names: Sequence[str], soft_hu: float
) -> tuple[str, ...]:
    """A sentence for each dark sheet that crosses a fragment; ``names`` are those of labels 1, 2, …"""
    boxes = ndimage.find_objects(labels)
    notes = []
    for number, (box, name) in enumerate(zip(boxes, names, strict=True), start=1):
        if box is None:
            continue
        own = np.where(labels[box] == number, np.uint8(1), np.uint8(0))
        for centre_mm, area_mm2 in _sheets(ct.hu[box], own, ct.grid, [part.start for part in box], soft_hu):
            x, y, z = centre_mm
            notes.append(
                f"a dark sheet of about {area_mm2:.0f} mm² crosses {name} at {x:.0f}, {y:.0f}, {z:.0f}: a"
                " fracture or joint too narrow for this scan may be closed there; if so, divide it with"
                " --cut or --labels"
            )
    return tuple(notes)


def _sheets(
    hu: npt.NDArray[np.int16], own: npt.NDArray[np.uint8], grid: Grid, offset: Sequence[int], soft_hu: float
) -> list[tuple[Floats, float]]:
    """Centre and rough area of each sheet that is told, the largest first."""
    dark = np.empty(own.shape, np.uint8)
    most_hu = soft_hu + DARKER_FRACTION * (BRIGHTEST_BONE_HU - soft_hu)
    steps = gap_steps(grid.spacing_mm)
    bright_hu = soft_hu + CORTEX_ABOVE_SOFT_HU
    dark_between(hu, own, WAYS, steps, soft_hu, bright_hu, most_hu, DARKER_FRACTION, dark)
    sheets, count = cc3d.connected_components(dark, connectivity=26, return_N=True)
    if not count:
        return []
    at = np.argwhere(sheets)
    of = sheets[tuple(at.T)]
    # At the outside: itself outside, or beside what is.
    outside = (own == 0) | ndimage.binary_dilation(own == 0)
    at_outside = outside[tuple(at.T)]
    edge_mm = float(grid.voxel_mm3 ** (1 / 3))
    found = []
    for sheet in np.flatnonzero(np.bincount(of)[1:] * edge_mm**2 >= BROAD_MM**2) + 1:
        places = grid.ijk_to_mm(at[of == sheet] + np.asarray(offset))
        middle_mm = np.sqrt(12 * np.linalg.eigvalsh(np.cov(places.T))[1])
        if middle_mm >= BROAD_MM and at_outside[of == sheet].sum() * edge_mm >= AT_OUTSIDE_MM:
            nearest = places[np.argmin(((places - places.mean(axis=0)) ** 2).sum(axis=1))]
            found.append((nearest, float((of == sheet).sum()) * edge_mm**2))
    return sorted(found, key=lambda one: -one[1])[:MOST_TOLD_COUNT]
