"""What cortex to expect at a place: the level of its neighbourhood, so that blur and density are told apart.

A cortex thinner than the blur shows only the product of thickness and level. Places that show their level
well lend it to those around them, as a soft constant: a mean and a deviation.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from segmentation.refine_kernels import CORTEX, FOUND, SD_CORTEX, THICKNESS
from segmentation.shape_kernels import smooth_levels
from segmentation.vocabulary import Floats

FIRST_GUESS_HU, FIRST_GUESS_SD_HU = 1100.0, 500.0
"""Cortex before anything is known. Our choice: 350 to 1,600 HU are within 1.5 deviations."""

UNSEEN_SD_HU = 400.0
"""Deviation about FIRST_GUESS_HU where the scan shows too few thick places. Our choice."""

CLEAR_FRACTION, CLEAR_SIGMAS_RATIO, CLEAR_COUNT = 0.08, 1.5, 50
"""A place shows its level when it is this sure of it and thicker than so many sigmas; so many are needed."""

UPPER_PERCENT, SCAN_SPREAD_FRACTION, SCAN_SPREAD_RATIO = 70, 0.30, 1.5
"""The scan's level is this percentile of clear places, its deviation the larger of a share of the level and
a multiple of their spread. Our choice, tuned on phantoms."""

AROUND_MM, WIDTH_MM, CELL_MM = 6.0, 3.0, 1.5
"""Neighbours reach so far, with Gaussian weights of this deviation; they are summed in cells of this size."""

INFORMED_RATIO, LOCAL_SPREAD_FRACTION = 0.7, 0.08
"""Neighbours count that know their level better than this share of the scan's deviation; the local level is
never surer than this share of itself. Our choice, tuned on phantoms."""


def scan_level_hu(fits: Floats, sigma_mm: Floats) -> tuple[float, float]:
    """The scan's cortex level and its deviation, from fits with a wide soft constant."""
    clear = (
        (fits[:, FOUND] == 1)
        & (fits[:, SD_CORTEX] < CLEAR_FRACTION * fits[:, CORTEX])
        & (fits[:, THICKNESS] > CLEAR_SIGMAS_RATIO * sigma_mm)
    )
    if clear.sum() < CLEAR_COUNT:
        return FIRST_GUESS_HU, UNSEEN_SD_HU
    levels = fits[clear, CORTEX]
    level = float(np.percentile(levels, UPPER_PERCENT))
    return level, max(SCAN_SPREAD_FRACTION * level, SCAN_SPREAD_RATIO * float(levels.std()))


def local_levels_hu(
    points_mm: Floats, fits: Floats, level_hu: float, level_sd_hu: float
) -> tuple[Floats, Floats]:
    """The cortex level to expect at each of ``points_mm`` (n, 3), and its deviation: each (n,)."""
    sure = (fits[:, FOUND] == 1) & (fits[:, SD_CORTEX] < INFORMED_RATIO * level_sd_hu)
    weight = np.zeros(len(fits))
    weight[sure] = 1 / fits[sure, SD_CORTEX] ** 2
    level = np.where(sure, fits[:, CORTEX], 0.0)
    own = np.stack([weight, weight * level, weight * level**2], axis=1)
    _, cell_of = np.unique(np.floor(points_mm / CELL_MM).astype(np.int64), axis=0, return_inverse=True)
    cell_of = cell_of.ravel()
    count = int(cell_of.max()) + 1
    members = np.bincount(cell_of, minlength=count)
    middles = np.stack([np.bincount(cell_of, points_mm[:, a], count) / members for a in range(3)], axis=1)
    sums = np.stack([np.bincount(cell_of, own[:, a], count) for a in range(3)], axis=1)
    near = cKDTree(middles).query_ball_point(middles, AROUND_MM + CELL_MM)
    starts = np.concatenate([[0], np.cumsum([len(one) for one in near])])
    mean, spread, total = smooth_levels(
        points_mm,
        own,
        cell_of,
        np.concatenate(near).astype(np.int64),
        starts,
        middles,
        sums,
        WIDTH_MM,
        AROUND_MM,
    )
    informed = total > 0
    safe = np.where(informed, mean, level_hu)
    variance = np.maximum(np.where(informed, spread, 0) ** 2 / 4, (LOCAL_SPREAD_FRACTION * safe) ** 2)
    local = np.where(informed, 1 / (variance + 1 / np.where(informed, total, 1)), 0)
    scan = 1 / level_sd_hu**2
    return (local * safe + scan * level_hu) / (local + scan), 1 / np.sqrt(local + scan)
