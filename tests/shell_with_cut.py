"""A ball with a shell of varying thickness, cut in two and running out of the scan, refined.

Every way in which a point can come by its place is in it.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from phantoms import CALIBRATION, SOFT_HU, as_ct, grid_around, points_of, step

from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, Grid

RADIUS_MM, CORTEX_HU, CORE_HU, FWHM_MM = 9.0, 1200.0, 150.0, 0.8


@cache
def shell_with_cut() -> Bone:
    """Shell of 0.4 to 2.0 mm, thicker towards +x; cut at z = 0; the scan ends 1.5 mm below its top."""
    grid = grid_around((RADIUS_MM + 2.5,) * 3, (0.5, 0.5, 0.5))
    lost = 8
    grid = Grid((grid.shape[0], grid.shape[1], grid.shape[2] - lost), grid.affine)
    points = points_of(grid)
    depth = RADIUS_MM - np.linalg.norm(points, axis=-1)
    thickness = 1.2 + 0.8 * points[..., 0] / np.maximum(np.linalg.norm(points, axis=-1), 1)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * step(depth, FWHM_MM)
    hu += (CORE_HU - CORTEX_HU) * step(depth - thickness, FWHM_MM)
    cut = Cut(np.array([0.0, 0.0, -4.0]), np.array([0.0, 0.0, 1.0]))
    return segment(as_ct(grid, hu, noise_hu=15.0), cuts=[cut], calibration=CALIBRATION)
