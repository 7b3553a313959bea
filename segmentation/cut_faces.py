"""Keeps the faces of a cut where the cut is: no grey value shows an edge there, so there is nothing to
refine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from segmentation.faithful import PLAIN_SD_MM
from segmentation.parts import Cut
from segmentation.vocabulary import Fragment, Surface

ON_THE_CUT_MM = 0.02
"""A point so near to a cut's plane lies on its face. Our choice: a cut is affine, so interpolating it is
exact but for rounding."""


def kept_on_cuts(
    plain: Sequence[Fragment], refined: Sequence[Fragment], cuts: Sequence[Cut]
) -> tuple[Fragment, ...]:
    """``refined`` with each point that lay on a cut's plane in ``plain`` put back, and no cortex told
    there."""
    result = []
    for before, after in zip(plain, refined, strict=True):
        on_cut = np.zeros(len(before.surface.vertices_mm), bool)
        for cut in cuts:
            normal = np.asarray(cut.normal, float) / np.linalg.norm(cut.normal)
            on_cut |= np.abs((before.surface.vertices_mm - cut.point_mm) @ normal) <= ON_THE_CUT_MM
        if after.cortex is None or not on_cut.any():
            result.append(after)
            continue
        vertices = np.where(on_cut[:, None], before.surface.vertices_mm, after.surface.vertices_mm)
        surface = Surface(vertices, after.surface.faces)
        cortex = replace(
            after.cortex,
            position_sd_mm=np.where(on_cut, PLAIN_SD_MM, after.cortex.position_sd_mm),
            thickness_known=after.cortex.thickness_known & ~on_cut,
            **{
                name: np.where(on_cut, np.nan, getattr(after.cortex, name))
                for name in ("thickness_mm", "thickness_sd_mm", "cortex_hu", "mass_hu_mm")
            },
        )
        result.append(replace(after, surface=surface, volume_mm3=surface.enclosed_mm3, cortex=cortex))
    return tuple(result)
