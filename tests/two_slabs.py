"""Two slabs of uniform bone with a gap, and axes through them: what the report's tests are made of."""

from __future__ import annotations

from functools import cache

import numpy as np
from phantoms import CALIBRATION, as_ct, slabs

from segmentation.recipe import segment
from segmentation.vocabulary import Bone

ENTRY_MM, TARGET_MM = np.array([0.5, -0.3, -13.0]), np.array([0.5, -0.3, 13.0])
"""Square through both slabs."""

TILTED_MM = ENTRY_MM + 26 * np.array([np.sin(np.radians(6)), 0.0, np.cos(np.radians(6))])
"""A target that tilts the axis by 6°."""


@cache
def two_slabs() -> Bone:
    """Slabs 10 and 14 mm thick with a gap of 1.2 mm, stacked along z."""
    grid, hu = slabs(voxel_mm=(0.6, 0.6, 0.6), fwhm_mm=0.8, half_width_mm=10.0)
    return segment(as_ct(grid, hu, noise_hu=5.0), threshold_hu=220.0, calibration=CALIBRATION)
