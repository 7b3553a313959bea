"""How near a screw comes to metal in the slices that the metal lies in, and which places lie in its streaks.

Metal is known by its box of voxels; the distance is that from the screw's axis to the box within a slice,
less the screw's largest radius, so a slanting piece of metal counts as nearer than it is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.path import Path
from planner.posed import back_of, carried
from segmentation.vocabulary import STREAK_REACH_MM, STREAK_SLICES_MM, Floats, Grid, Removed

STEP_MM = 0.5
"""The axis is looked at so often. Our choice: as fine as a fine voxel."""

STREAK_ERROR_HU = 100.0
"""One deviation of a grey value where streaks run, the same for a whole thread. Our choice: the one most
pronounced streak of a titanium screw shifts bone by 600 to 900 HU (published: BMC Med Imaging 2021,
doi 10.1186/s12880-021-00554-y, table 3), most of the slice by far less."""


def in_streaks(grid: Grid, removed: Sequence[Removed], points_mm: Floats) -> npt.NDArray[np.bool_]:
    """Whether points (…, 3) lie in the slices of metal, STREAK_REACH_MM about its box and no farther."""
    result = np.zeros(points_mm.shape[:-1], bool)
    reach_mm = np.full(3, STREAK_REACH_MM)
    reach_mm[grid.slice_axis] = STREAK_SLICES_MM
    boxes = [piece.box_ijk for piece in removed if piece.box_ijk is not None]
    if not boxes:
        return result
    ijk = grid.mm_to_ijk(points_mm.reshape(-1, 3)).reshape(points_mm.shape)
    for low, high in boxes:
        away_mm = np.maximum(np.maximum(low - ijk, ijk - high), 0) * grid.spacing_mm
        result |= (away_mm <= reach_mm).all(axis=-1)
    return result


def share_in_streaks_fraction(
    grid: Grid, removed: Sequence[Removed], path: Path, pose: Floats | None = None
) -> float:
    """Share of the axis between entry and exit that lies in streaks, looked at every STEP_MM.

    ``pose`` (4, 4) took the scanned fragment that is asked about to where the path is.
    """
    depth_mm = np.linspace(0, path.length_mm, max(2, int(np.ceil(path.length_mm / STEP_MM)) + 1))
    points_mm = path.entry_mm + depth_mm[:, None] * path.direction
    if pose is not None:
        points_mm = carried(back_of(pose), points_mm)
    return float(in_streaks(grid, removed, points_mm).mean())


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
