"""Mends a refined surface: vertices without an edge take their neighbours' opinion, folds are undone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from segmentation.shape_kernels import ring_opinions
from segmentation.surface_shape import Rings, Shape, folded_faces
from segmentation.vocabulary import Floats

UNSURE_MM, OUTLIER_SDS_RATIO, LEAST_SD_MM = 0.25, 3.0, 0.03
"""A vertex less sure than this, or so many deviations from its ring's opinion, takes that opinion. A ring's
own roughness is at least LEAST_SD_MM. Our choice."""

REPAIRED_SD_MM = 0.25
"""Added deviation of a position taken from the ring. Our choice: the share of uncertainty above."""

REPAIR_ROUNDS_COUNT, UNFOLD_ROUNDS_COUNT = 6, 10
"""Rings a repair reaches into, and rounds of undoing folds. Our choice."""


def repaired(
    moved_mm: Floats, sd_mm: Floats, shape: Shape, rings: Rings
) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Positions and deviations with doubtful vertices put where their ring would have them, and which (n,).

    ``sd_mm`` is NaN where there was no edge. A vertex far from any edge that was found stays where it is.
    """
    starts, ring = rings.lists
    with np.errstate(invalid="ignore"):
        trust = np.where(sd_mm <= UNSURE_MM, 1 / np.maximum(sd_mm, LEAST_SD_MM) ** 2, 0.0)
    opinion, total = ring_opinions(moved_mm, shape.normals, shape.bends, trust, starts, ring)
    with np.errstate(invalid="ignore"):
        outlier = np.abs(opinion) > OUTLIER_SDS_RATIO * np.maximum(sd_mm, LEAST_SD_MM)
    doubtful = (trust == 0) | outlier
    trust[doubtful] = 0
    positions, deviations = moved_mm.copy(), np.where(np.isnan(sd_mm), 0.0, sd_mm)
    left = doubtful.copy()
    for _ in range(REPAIR_ROUNDS_COUNT):
        opinion, total = ring_opinions(positions, shape.normals, shape.bends, trust, starts, ring)
        rows = np.flatnonzero(left & (total > 0))
        if len(rows) == 0:
            break
        positions[rows] += opinion[rows, None] * shape.normals[rows]
        deviations[rows] = np.hypot(REPAIRED_SD_MM, 1 / np.sqrt(total[rows]))
        trust[rows] = 1 / deviations[rows] ** 2
        left[rows] = False
    deviations[left] = np.maximum(deviations[left], LEFT_SD_MM)
    return positions, deviations, doubtful


LEFT_SD_MM = 0.5
"""Deviation of a vertex that could not be mended and stays on the mesh it came from. Our choice: a mesh at a
fixed level lies 0.2 to 0.5 mm off."""


def unfolded(before_mm: Floats, after_mm: Floats, normals: Floats, rings: Rings) -> tuple[Floats, int]:
    """``after_mm`` with moves evened out where a triangle folded over, and how many vertices that took."""
    way, touched = after_mm - before_mm, np.zeros(len(after_mm), np.bool_)
    for _ in range(UNFOLD_ROUNDS_COUNT):
        folded = folded_faces(before_mm, before_mm + way, normals, rings.faces)
        if not folded.any():
            break
        rows = np.unique(rings.faces[folded])
        way[rows] = (rings.mean @ way)[rows]
        touched[rows] = True
    return before_mm + way, int(touched.sum())
