"""Mends a refined surface: vertices without a trusted edge move as their neighbours did, folds are undone.

What is compared is how far each vertex moved along its normal from the smooth surface it began on: neighbours
move alike, however bent the surface is.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from segmentation.crossing_kernels import crossing_faces
from segmentation.surface_shape import Rings, folded_faces
from segmentation.vocabulary import Floats

UNSURE_MM, OUTLIER_SDS_RATIO, LEAST_SD_MM = 0.375, 3.0, 0.03
"""A vertex less sure than this, or so many deviations from its ring's mean, moves as the ring. No vertex or
ring is taken to be surer than LEAST_SD_MM. Our choice."""

REPAIRED_SD_MM = 0.25
"""Added deviation of a move taken from the ring. Our choice."""

LEFT_SD_MM = 0.5
"""Deviation of a vertex that could not be mended and stays where it began. Our choice: a mesh at a fixed
level lies 0.2 to 0.5 mm off."""

REPAIR_ROUNDS_COUNT = 6
"""Rings a repair reaches into. Our choice."""

EVENED_ROUNDS_COUNT, HALVED_ROUNDS_COUNT, UNFOLD_ROUNDS_COUNT = 5, 10, 30
"""Rounds of undoing folds: up to the first moves are only evened out, up to the second halved too, then
dropped. Our choice."""


def repaired(moves_mm: Floats, sd_mm: Floats, rings: Rings) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Moves along the normals (n,) and their deviations with doubtful ones mended, and which those were.

    Where there was no edge both are NaN. A vertex far from any edge that was found does not move.
    """
    found = np.isfinite(moves_mm) & np.isfinite(sd_mm)
    moves, sd = np.where(found, moves_mm, 0.0), np.where(found, sd_mm, np.inf)
    trust = np.where(sd <= UNSURE_MM, 1 / np.maximum(sd, LEAST_SD_MM) ** 2, 0.0)
    mean, spread, _ = _ring(moves, trust, rings)
    unlike = np.maximum(np.hypot(np.where(found, sd, 0.0), spread), LEAST_SD_MM)
    doubtful = (trust == 0) | (np.abs(moves - mean) > OUTLIER_SDS_RATIO * unlike)
    trust[doubtful] = 0
    moves[doubtful], sd[doubtful] = 0.0, LEFT_SD_MM
    left = doubtful.copy()
    for _ in range(REPAIR_ROUNDS_COUNT):
        mean, spread, total = _ring(moves, trust, rings)
        rows = np.flatnonzero(left & (total > 0))
        if len(rows) == 0:
            break
        moves[rows] = mean[rows]
        sd[rows] = np.minimum(np.sqrt(REPAIRED_SD_MM**2 + spread[rows] ** 2 + 1 / total[rows]), LEFT_SD_MM)
        trust[rows] = 1 / sd[rows] ** 2
        left[rows] = False
    return moves, sd, doubtful


def _ring(moves_mm: Floats, trust: Floats, rings: Rings) -> tuple[Floats, Floats, Floats]:
    """Trusted mean and spread of the neighbours' moves, and the trust's sum: (n,) each, 0 where none is."""
    total, sums, squares = (rings.matrix @ (trust * moves_mm**power) for power in (0, 1, 2))
    safe = np.where(total > 0, total, 1)
    mean = sums / safe
    return mean, np.sqrt(np.maximum(squares / safe - mean**2, 0)), total


def unfolded(before_mm: Floats, after_mm: Floats, normals: Floats, rings: Rings) -> tuple[Floats, int]:
    """``after_mm`` with moves evened out where a triangle folded over or passes through another, and how many
    vertices that took.

    What evening out does not cure is taken back towards ``before_mm``, which crosses nothing.
    """
    way, touched = after_mm - before_mm, np.zeros(len(after_mm), np.bool_)
    for round_count in range(UNFOLD_ROUNDS_COUNT):
        places = before_mm + way
        bad = folded_faces(before_mm, places, normals, rings.faces) | crossing_faces(places, rings.faces)
        if not bad.any():
            break
        around = np.zeros(len(way))
        around[rings.faces[bad].ravel()] = 1
        rows = np.flatnonzero(around + rings.matrix @ around)
        way[rows] = (rings.mean @ way)[rows]
        if round_count >= HALVED_ROUNDS_COUNT:
            way[rows] = 0
        elif round_count >= EVENED_ROUNDS_COUNT:
            way[rows] /= 2
        touched[rows] = True
    return before_mm + way, int(touched.sum())
