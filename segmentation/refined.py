"""A surface with the scanner's blur taken out, and all that is known of it at each vertex."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from segmentation.errors import InputError
from segmentation.how_found import PointSpread
from segmentation.vocabulary import Floats, Surface, frozen_array


@dataclass(frozen=True, eq=False)
class RefinedSurface:
    """A bone's surface with the scanner's blur taken out, and its cortex, each per vertex (n,).

    ``surface`` has the triangles it was made from. ``position_sd_mm`` and ``thickness_sd_mm`` are one
    standard deviation. A thickness is a measurement only where ``thickness_known``; elsewhere it is "thinner
    than thickness_mm + thickness_sd_mm", and ``mass_hu_mm``, the cortex's HU above its surroundings times its
    thickness, still holds. Where ``no_edge``, there was nothing to fit: the cortex's numbers are NaN.
    ``near_neighbour``: another bone was so close that it was made part of the fit. ``repaired``: the position
    is its neighbours'. ``blur_assumed``: the blur across that place was not measured. ``too_coarse``: slices
    lie too far apart there. ``unfolded_count``: vertices moved less because a triangle would have folded.
    """

    surface: Surface
    position_sd_mm: Floats
    thickness_mm: Floats
    thickness_sd_mm: Floats
    thickness_known: npt.NDArray[np.bool_]
    cortex_hu: Floats
    cortex_sd_hu: Floats
    inner_hu: Floats
    outer_hu: Floats
    mass_hu_mm: Floats
    no_edge: npt.NDArray[np.bool_]
    near_neighbour: npt.NDArray[np.bool_]
    repaired: npt.NDArray[np.bool_]
    blur_assumed: npt.NDArray[np.bool_]
    too_coarse: npt.NDArray[np.bool_]
    point_spread: PointSpread
    noise_hu: float
    unfolded_count: int
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.surface.vertices_mm)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                if value.shape != (count,):
                    raise InputError(f"{name} must have one value per vertex, {count} (got {value.shape})")
                dtype = np.bool_ if value.dtype == np.bool_ else np.float64
                object.__setattr__(self, name, frozen_array(value, dtype))
