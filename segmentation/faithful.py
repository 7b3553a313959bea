"""The fragments' surfaces as the bone is, not as a level shows it: the scanner's blur taken out where grey
values tell.

Vertices on a cut, or where a hollow was closed, lie on no edge of grey values: they stay where they are, and
nothing is said of a cortex there. The blur is found once, from all fragments.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from segmentation.how_found import Blur, PointSpread
from segmentation.point_spread import FWHM_PER_SIGMA_RATIO, estimate_point_spread
from segmentation.profiles import noise_and_where
from segmentation.record import places_of
from segmentation.refine import refine_surface
from segmentation.refined import RefinedSurface
from segmentation.vocabulary import Cortex, CTVolume, Floats, Fragment, Surface

MEASURED_AT_LEAST_FRACTION = 0.6
"""A surface of which less could be measured is not refined: what is not measured follows its neighbours, and
too many of them follow each other. Our choice: thick-sliced real scans measure under half and go wrong,
phantoms and fine scans above 0.8.
"""

PLAIN_SD_MM = 0.4
"""Deviation of a place that was not refined. Published surface errors of a fixed level: 0.2 to 0.8 mm (Wang
et al. 2009; Soodmand et al. 2018 Biomed Eng Online 17:29).
"""


def faithful(
    ct: CTVolume,
    fragments: Sequence[Fragment],
    on_edges: Sequence[npt.NDArray[np.bool_]],
    *,
    everywhere: bool = False,
) -> tuple[tuple[Fragment, ...], tuple[str, ...], Blur]:
    """``fragments`` with refined surfaces and their cortex, sentences about how that went, and the blur.

    ``on_edges`` tells for each fragment's vertices (n,) whether they lie on an edge of grey values; the
    others stay. A fragment of which too little could be measured keeps its plain surface, unless
    ``everywhere`` asks for it.
    """
    surfaces = [fragment.surface for fragment in fragments]
    noise_hu, where = noise_and_where(ct, np.concatenate([surface.vertices_mm for surface in surfaces]))
    spread = estimate_point_spread(ct, surfaces, noise_sd_hu=noise_hu)
    result: list[Fragment] = []
    plain: list[str] = []
    told: list[str] = []
    kept = []
    for fragment, on_edge in zip(fragments, on_edges, strict=True):
        refined = refine_surface(ct, fragment.surface, point_spread=spread)
        measured = ~(refined.repaired | refined.no_edge)
        if measured.mean() < MEASURED_AT_LEAST_FRACTION and not everywhere:
            plain.append(f"{fragment.name} ({measured.mean():.0%} measured)")
            result.append(fragment)
            continue
        told += [note for note in refined.notes if note not in (*told, *spread.notes)]
        kept.append(on_edge & measured)
        result.append(_moved(fragment, refined, on_edge))
    notes = [*_spread_notes(spread), *told]
    if kept:
        notes.append(_share_note(kept, result))
    if plain:
        notes.append(
            f"too little of a surface could be measured to refine it, its level was kept: {', '.join(plain)}"
        )
    return tuple(result), tuple(notes), Blur(spread, noise_hu, where)


def _moved(fragment: Fragment, refined: RefinedSurface, on_edge: npt.NDArray[np.bool_]) -> Fragment:
    """The fragment on its refined surface."""
    plain = fragment.surface.vertices_mm
    surface = Surface(np.where(on_edge[:, None], refined.surface.vertices_mm, plain), fragment.surface.faces)

    def where_on_edge(values: Floats) -> Floats:
        return np.where(on_edge, values, np.nan)

    sd = np.where(on_edge & np.isfinite(refined.position_sd_mm), refined.position_sd_mm, PLAIN_SD_MM)
    cortex = Cortex(
        position_sd_mm=sd,
        thickness_mm=where_on_edge(refined.thickness_mm),
        thickness_sd_mm=where_on_edge(refined.thickness_sd_mm),
        thickness_known=refined.thickness_known & on_edge,
        cortex_hu=where_on_edge(refined.cortex_hu),
        mass_hu_mm=where_on_edge(refined.mass_hu_mm),
        place=places_of(refined, on_edge),
    )
    return replace(fragment, surface=surface, volume_mm3=surface.enclosed_mm3, cortex=cortex)


def _spread_notes(spread: PointSpread) -> tuple[str, ...]:
    xy, z = (FWHM_PER_SIGMA_RATIO * sigma for sigma in (spread.sigma_xy_mm, spread.sigma_z_mm))
    said = f"the scan blurs over {xy:.2f} mm in the slice and {z:.2f} mm along its axis (half-maximum width)"
    ways = (("in the slice", spread.xy_assumed), ("along its axis", spread.z_assumed))
    assumed = " and ".join(name for name, so in ways if so)
    return (f"{said}; assumed {assumed}" if assumed else said, *spread.notes)


def _share_note(kept: Sequence[npt.NDArray[np.bool_]], fragments: Sequence[Fragment]) -> str:
    refined = np.concatenate(list(kept)).mean()
    known = np.concatenate([f.cortex.thickness_known for f in fragments if f.cortex is not None]).mean()
    return (
        f"the surface was refined at {refined:.0%} of its points, the others keep the level or their "
        f"neighbours' place; the cortex's thickness is known at {known:.0%}"
    )
