"""Where bone ends when nobody gives a level: half-way up each edge, whatever bone and tissue lie beside it.

A thin cortex, blurred, peaks at 250 to 450 HU, a thick one at 1500. One level loses the first or spreads the
second over a fracture. So a voxel counts as bone from a low level, ``lowest_hu``, just above soft tissue and its
noise, unless the blur of something brighter explains it: within ``REACH_MM`` it is less than half as bright
(above soft tissue) as what lies on one side, and the other side is dark or as bright again. The first is the foot
of a blurred edge, the second a gap. The surface then lies half-way between the first peak inwards and the first
trough outwards, the mean over ``AVERAGED_MM`` around: for a straight blurred edge its true place, for a shell
thinner than the blur too far out (at 0.3 to 0.8 mm, FWHM 0.6 to 1 mm, measured in tests/test_local_level.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.level import Field, Mask
from segmentation.level_kernels import edge_levels, signed_excess, stands_out
from segmentation.vocabulary import CTVolume, Floats

ROUNDING = 1e-6
"""A reach of whole steps is not lost to rounding."""

FOOT_MM, GAP_MM, GAP_VOXELS_COUNT = 1.2, 1.2, 2
"""How far a voxel looks for what may blur into it. Derived: from the half of an edge blurred by σ to 93 % of its
height are 1.5 σ, and from the middle of a gap of 0.8 to 1.2 mm to its bright sides 0.8 to 1.1 mm."""

EDGE_MM = 1.5
"""How far an edge is climbed and descended. Our choice: two or three blurs."""

AVERAGED_MM = 1.0
"""The level is the mean of those of the edges so near. Our choice: noise falls to a fifth, curvature of bone
is coarser."""

SURELY_BONE_FRACTION = 0.5
"""From half of the brightest bone on, above soft tissue, nothing can be less than half as bright (closed form)."""

BRIGHTEST_BONE_HU = 2500.0
"""Brighter is metal."""

WAYS = np.array([way for way in product((-1, 0, 1), repeat=3) if way > (0, 0, 0)], np.int64)
"""The thirteen pairs of opposite neighbours of a voxel."""


@dataclass(frozen=True)
class LocalLevel:
    """The border of bone half-way up each edge. ``soft_hu`` is the scan's soft tissue."""

    soft_hu: float
    lowest_hu: float
    core_hu: float

    def above(self, ct: CTVolume) -> Mask:
        """Which voxels stand out as bone."""
        steps_mm = np.linalg.norm(WAYS * ct.grid.spacing_mm, axis=1)
        out = np.empty(ct.hu.shape, bool, order="F" if ct.hu.flags.f_contiguous else "C")
        surely_hu = self.soft_hu + SURELY_BONE_FRACTION * (BRIGHTEST_BONE_HU - self.soft_hu)
        voxel_mm = float(ct.grid.spacing_mm.min())
        foot = np.floor(max(FOOT_MM, voxel_mm) / steps_mm + ROUNDING).astype(np.int64)
        gap = _steps(max(GAP_MM, GAP_VOXELS_COUNT * voxel_mm), steps_mm)
        stands_out(ct.hu, WAYS, foot, gap, self.soft_hu, self.lowest_hu, surely_hu, out)
        return out

    def field_hu(self, hu: npt.NDArray[Any], piece: Mask, inside: Mask, spacing_mm: Floats) -> Field:
        """How far the grey values of a crop are from the level at its place; positive ``inside``."""
        level_hu = self.levels_hu(hu, inside, spacing_mm)
        field = np.empty(hu.shape, np.float32)
        reach = _steps(AVERAGED_MM, spacing_mm)
        signed_excess(hu, piece, inside, level_hu, reach, np.float32(self.lowest_hu), field)
        return field

    def levels_hu(self, hu: npt.NDArray[Any], inside: Mask, spacing_mm: Floats) -> Field:
        """The half-way level on both sides of each edge of ``inside``, NO_LEVEL_HU away from edges."""
        level_hu = np.empty(hu.shape, np.float32)
        steps = _steps(EDGE_MM, spacing_mm)
        edge_levels(hu, inside, steps, steps, level_hu)
        return level_hu


def _steps(reach_mm: float, step_mm: Floats) -> npt.NDArray[np.int64]:
    """Whole steps within the reach, at least one: slices may lie farther apart."""
    return np.maximum(1, np.floor(reach_mm / step_mm + ROUNDING)).astype(np.int64)
