"""Whether a screw's path reaches the border of the scan, beyond which nothing is known.

Each part of the path is looked at where the scan saw the fragment it lies in.
"""

from __future__ import annotations

import numpy as np

from planner.path import Path
from planner.prepared import PreparedBone
from segmentation.vocabulary import Floats

END_VOXELS_COUNT = 0.5
"""An entry or exit so near to the scan's outermost voxels is where the scan ends. Our choice."""


def reaches_border(prepared: PreparedBone, path: Path) -> bool:
    """Whether entry, exit, or what of the screw lies beyond the entry reach the outermost voxels' centres."""
    seat_mm, tip_mm = path.placed.seat_depth_mm, path.tip_depth_mm
    outline = path.solid.outline_mm[path.solid.outline_mm[:, 0] >= 0]
    screw_mm = np.clip(seat_mm + outline[:, 0], max(0.0, seat_mm), max(0.0, tip_mm))
    depth_mm = np.concatenate([[0.0, path.length_mm], screw_mm])
    # The axis' ends keep a margin in voxels, the screw's discs their own radius.
    radius_mm = np.concatenate([[0.0, 0.0], outline[:, 1]])
    voxels_count = np.concatenate([[END_VOXELS_COUNT] * 2, np.zeros(len(outline))])
    fragments = path.nearest_fragment(depth_mm)
    return any(
        _near_border(prepared, path, number, depth_mm[own], radius_mm[own], voxels_count[own])
        for number in np.unique(fragments)
        for own in [fragments == number]
    )


def _near_border(
    prepared: PreparedBone,
    path: Path,
    number: int,
    depth_mm: Floats,
    radius_mm: Floats,
    voxels_count: Floats,
) -> bool:
    """Whether discs around the axis, where the scan saw that fragment, reach the outermost voxels."""
    grid = prepared.bone.ct.grid
    on_axis = prepared.as_scanned_mm(number, path.entry_mm + depth_mm[:, None] * path.direction)
    direction = np.linalg.inv(prepared.poses[number])[:3, :3] @ path.direction
    edges = grid.affine[:3, :3] / grid.spacing_mm
    # A disc across the axis reaches so far along each edge of the grid.
    reach_mm = radius_mm[:, None] * np.sqrt(np.maximum(1 - (direction @ edges) ** 2, 0))
    ijk, reach = grid.mm_to_ijk(on_axis), reach_mm / grid.spacing_mm + voxels_count[:, None]
    last = np.asarray(grid.shape) - 1
    return bool((ijk - reach < 0).any() or (ijk + reach > last).any())
