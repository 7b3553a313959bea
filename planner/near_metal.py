"""How near a screw comes to metal in the slices that the metal lies in, where its streaks run.

Metal is known by its box of voxels; the distance is that from the screw's axis to the box within a slice,
less the screw's largest radius, so a slanting piece of metal counts as nearer than it is.
"""

from __future__ import annotations

import numpy as np

from planner.path import Path
from planner.posed import back_of, carried
from segmentation.vocabulary import STREAK_SLICES_MM, Floats, Grid, Removed

STEP_MM = 0.5
"""The axis is looked at so often. Our choice: as fine as a fine voxel."""


def in_slices_of_mm(grid: Grid, removed: Removed, path: Path, pose: Floats | None = None) -> float | None:
    """Smallest distance in mm from the screw to the metal ``removed`` within its slices, 0 where it runs
    through the box; None where it leaves those slices alone or ``removed`` is no metal.
    ``pose`` (4, 4) took the scanned fragment that is asked about to where the path is.
    """
    if removed.box_ijk is None:
        return None
    outline = path.solid.outline_mm
    from_mm, to_mm = path.placed.seat_depth_mm + outline[0, 0], path.tip_depth_mm
    depth_mm = np.linspace(from_mm, to_mm, max(2, int(np.ceil(abs(to_mm - from_mm) / STEP_MM)) + 1))
    places = path.entry_mm + depth_mm[:, None] * path.direction
    ijk = grid.mm_to_ijk(places if pose is None else carried(back_of(pose), places))
    low, high = removed.box_ijk
    away_mm = np.maximum(np.maximum(low - ijk, ijk - high), 0) * grid.spacing_mm
    radius_mm = float(outline[:, 1].max())
    slices = grid.slice_axis
    in_slices = away_mm[:, slices] <= STREAK_SLICES_MM + radius_mm
    if not in_slices.any():
        return None
    across_mm = np.linalg.norm(np.delete(away_mm, slices, axis=1), axis=1)
    return float(max(0.0, across_mm[in_slices].min() - radius_mm))
