"""Where bone ends when nobody gives a level: half-way up each edge, whatever bone and tissue lie beside it.

A thin cortex, blurred, peaks at 250 to 450 HU, a thick one at 1500. One level loses the first or spreads
the second over a fracture. So a voxel counts as bone from a low level, ``lowest_hu``, just above soft
tissue and its noise, unless the blur of something brighter explains it: within ``FOOT_MM`` it is less than
half as bright (above soft tissue) as what lies on one side, and the other side is dark or as bright again.
The first is the foot of a blurred edge, the second a gap. The surface then lies half-way between the first
peak inwards and the first trough outwards, the mean over ``AVERAGED_MM`` around: for a straight blurred
edge its true place, for a shell thinner than the blur too far out (at 0.3 to 0.8 mm, FWHM 0.6 to 1 mm,
measured in tests/test_local_level.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.how_found import UsedLevel
from segmentation.level import Field, Mask
from segmentation.level_kernels import edge_levels, signed_excess, stands_out
from segmentation.threshold import Tissue
from segmentation.vocabulary import CTVolume, Floats, Surface

ROUNDING_FRACTION = 1e-6
"""A reach of whole steps is not lost to rounding."""

FOOT_MM, GAP_MM, GAP_VOXELS_COUNT = 1.2, 1.2, 2
"""How far a voxel looks for what may blur into it. Derived: from the half of an edge blurred by σ to 93 %
of its height are 1.5 σ, and from the middle of a gap of 0.8 to 1.2 mm to its bright sides 0.8 to 1.1 mm."""

EDGE_MM = 1.5
"""How far an edge is climbed and descended. Our choice: two or three blurs."""

AVERAGED_MM = 1.0
"""The level is the mean of those of the edges so near. Our choice: noise falls to a fifth, curvature of bone
is coarser."""

SURELY_BONE_FRACTION = 0.5
"""From half of the brightest bone on, above soft tissue, nothing can be less than half as bright (closed
form)."""

BRIGHTEST_BONE_HU = 2500.0
"""Brighter is metal."""

TOLD_COUNT = 20_000
"""Points of the surface by which the level is told. Our choice."""

WAYS = np.array([way for way in product((-1, 0, 1), repeat=3) if way > (0, 0, 0)], np.int64)
"""The thirteen pairs of opposite neighbours of a voxel."""


@dataclass(frozen=True)
class LocalLevel:
    """The border of bone half-way up each edge."""

    tissue: Tissue

    @property
    def lowest_hu(self) -> float:
        """Nothing darker is bone."""
        return self.tissue.lowest_hu

    @property
    def core_hu(self) -> float:
        """Something so bright is in every piece of bone."""
        return self.tissue.bone_from_hu

    def above(self, ct: CTVolume) -> Mask:
        """Which voxels stand out as bone."""
        steps_mm = np.linalg.norm(WAYS * ct.grid.spacing_mm, axis=1)
        out = np.empty(ct.hu.shape, bool, order="F" if ct.hu.flags.f_contiguous else "C")
        surely_hu = self.tissue.soft_hu + SURELY_BONE_FRACTION * (BRIGHTEST_BONE_HU - self.tissue.soft_hu)
        reach_mm = max(FOOT_MM, float(ct.grid.spacing_mm.min()))
        foot = np.floor(reach_mm / steps_mm + ROUNDING_FRACTION).astype(np.int64)
        gap = gap_steps(ct.grid.spacing_mm)
        stands_out(ct.hu, WAYS, foot, gap, self.tissue.soft_hu, self.lowest_hu, surely_hu, out)
        return out

    def field_hu(self, hu: npt.NDArray[Any], piece: Mask, inside: Mask, spacing_mm: Floats) -> Field:
        """How far the grey values of a crop are from the level at its place; positive ``inside``."""
        level_hu = self.levels_hu(hu, inside, spacing_mm)
        field = np.empty(hu.shape, np.float32)
        reach = _steps(AVERAGED_MM, spacing_mm)
        piece = np.ascontiguousarray(piece)
        signed_excess(hu, piece, inside, level_hu, reach, np.float32(self.lowest_hu), field)
        return field

    def levels_hu(self, hu: npt.NDArray[Any], inside: Mask, spacing_mm: Floats) -> Field:
        """The half-way level on both sides of each edge of ``inside``, NO_LEVEL_HU away from edges."""
        level_hu = np.empty(hu.shape, np.float32)
        steps = _steps(EDGE_MM, spacing_mm)
        edge_levels(hu, inside, steps, steps, level_hu)
        return level_hu


def gap_steps(spacing_mm: Floats) -> npt.NDArray[np.int64]:
    """(13,) how many steps a gap is looked across along each of WAYS: GAP_MM, and two voxels at least."""
    reach_mm = max(GAP_MM, GAP_VOXELS_COUNT * float(spacing_mm.min()))
    return _steps(reach_mm, np.linalg.norm(WAYS * spacing_mm, axis=1))


def told(
    ct: CTVolume, surfaces: Sequence[Surface], level: LocalLevel
) -> tuple[float, str, tuple[UsedLevel, ...]]:
    """The level at the middle of the surfaces' points, a sentence about how it ranges over them, and the
    levels between which it lies."""
    points = np.concatenate([surface.vertices_mm for surface in surfaces])
    at = ct.grid.mm_to_ijk(points[:: max(1, len(points) // TOLD_COUNT)])
    # Where the scan cuts a bone off, or a hollow was closed, the surface lies on no edge.
    at = at[((at > ROUNDING_FRACTION) & (at < np.array(ct.grid.shape) - 1 - ROUNDING_FRACTION)).all(axis=1)]
    hu = ndimage.map_coordinates(ct.hu, at.T, output=np.float64, order=1, mode="nearest")
    hu = hu[hu >= (level.tissue.soft_hu + level.lowest_hu) / 2]
    nothing = UsedLevel(level.lowest_hu, "nothing darker is bone")
    if not len(hu):
        return level.lowest_hu, "No edge of bone is left to tell a level.", (nothing,)
    low_hu, middle_hu, high_hu = np.rint(np.percentile(hu, (5, 50, 95))).tolist()
    sentence = (
        f"Half-way up each edge between bone and what lies beside it, so it adapts to its place: {low_hu:.0f}"
        f" to {high_hu:.0f} HU over the surface (5 to 95 of 100 points, {middle_hu:.0f} HU in the middle)."
        f" Nothing below {level.lowest_hu:.0f} HU is bone (soft tissue: {level.tissue.soft_hu:.0f} HU)."
    )
    at_surface = ((low_hu, "5 of 100 points"), (middle_hu, "middle of the surface"), (high_hu, "95 of 100"))
    return middle_hu, sentence, (nothing, *(UsedLevel(value, what) for value, what in at_surface))


def _steps(reach_mm: float, step_mm: Floats) -> npt.NDArray[np.int64]:
    """Whole steps within the reach, at least one: slices may lie farther apart."""
    return np.maximum(1, np.floor(reach_mm / step_mm + ROUNDING_FRACTION)).astype(np.int64)
