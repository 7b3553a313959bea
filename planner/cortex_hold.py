"""The hold with the cortex counted by itself, over the hold by the scan's grey values alone.

The blur of a scan spreads a thin cortex: it reads wider and weaker, and what lies beneath reads denser. Since
strength rises faster than density the spread cortex holds less on paper than in bone. Here the cortex is as
long on the axis as it was measured, and as strong as its own density; where its thickness is not known, its
mass is taken as fully mineralised bone. Within 1 mm beneath it the strength is that of the bone 1 mm beneath.
Spread: cortical shear strength from 51.6 to 79 MPa about 60.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from planner.cortex import CortexOnAxis
from planner.density import Sampled
from planner.engagement import Bite
from planner.hold import CellStrengths, strengths_in_cells
from planner.hold_factors import modelled
from planner.mesh import Stretches
from planner.path import RING_COUNT, Path
from planner.pullout import pullout_integral_n
from planner.shear_laws import CORTICAL_SHEAR_MPA, shear_strength_mpa
from planner.vocabulary import HoldFactor
from segmentation.vocabulary import Calibration, Floats

FULL_MINERAL_MG_CM3 = 1200.0
"""Density of fully mineralised cortex. Published: used to deconvolve thin cortices in CT (1200 mg HA/cm³)."""

CORTICAL_LOW_MPA, CORTICAL_HIGH_MPA = 51.6, 79.0
"""Range of the shear strength of cortex. Published: Turner, Wang, Burr 2001 Calcif Tissue Int 69:373."""

BLUR_MM = 1.0
"""Beneath a cortex grey values are raised this far. Our choice: about the blur of a clinical CT (0.6 to 0.9
mm, common practice)."""

MM_MG_CM3_PER_MG_CM2 = 10.0
"""mg/cm³ · mm in a mg/cm² (definition)."""

SOURCE = (
    "cortex explains most of the hold: Seebeck et al. 2004 J Orthop Res 22:1237; Thiele et al. 2007; "
    "60 (51.6-79) MPa: Turner, Wang, Burr 2001"
)


@dataclass(frozen=True)
class HoldingCortex:
    """A cortex as it holds: its length on the axis and its shear strength."""

    length_mm: float
    shear_mpa: float


def holding_cortex(
    cortex: CortexOnAxis | None, beneath_mg_cm3: float, calibration: Calibration
) -> HoldingCortex | None:
    """What a measured cortex amounts to; None where neither its thickness nor its mass is known."""
    if cortex is None:
        return None
    if cortex.grey_hu is not None and cortex.reason is None:
        density = float(calibration.density_mg_cm3(cortex.grey_hu))
        return HoldingCortex(cortex.length_mm, float(shear_strength_mpa(density, "bone")))
    if cortex.mass_mg_cm2 is None:
        return None
    excess = FULL_MINERAL_MG_CM3 - beneath_mg_cm3 / 2
    thickness_mm = cortex.mass_mg_cm2 * MM_MG_CM3_PER_MG_CM2 / excess
    return HoldingCortex(max(0.0, thickness_mm) * cortex.along_ratio, CORTICAL_SHEAR_MPA)


def cortex_factor(
    path: Path,
    sampled: Sampled,
    bites: Sequence[Bite],
    calibration: Calibration,
    fragment: int,
    ends: Mapping[str, HoldingCortex | None],
) -> HoldFactor:
    """The factor of the cortex by itself for the ``bites`` in ``fragment``.

    ``ends`` holds the cortex at the ``near`` and ``far`` end, as far as they are this fragment's; None where
    it was not measured.
    """
    name = "cortex by itself"
    known = {end: cortex for end, cortex in ends.items() if cortex is not None}
    if not ends:
        return modelled(name, (1.0, 1.0, 1.0), SOURCE, "no outer cortex of this fragment lies on the path")
    if not known:
        says = "not modelled: no cortex was measured there; it counts as the scan's grey values show it"
        return HoldFactor(name, None, None, None, SOURCE, says)
    forces = np.zeros(4)
    for bite in bites:
        cells = strengths_in_cells(
            sampled.ring, bite.stretches, path.edges_mm, calibration, "bone", count=RING_COUNT
        )
        if cells is None:
            says = "not modelled: part of the bone lies outside the scan or holds no data"
            return HoldFactor(name, None, None, None, SOURCE, says)
        forces += _forces_n(path, bite, cells, path.ring[fragment][bite.zone], known)
    plain, middle, low, high = forces
    if plain == 0:
        return modelled(name, (1.0, 1.0, 1.0), SOURCE, "nothing holds there")
    told = ", ".join(
        f"{end} {cortex.length_mm:.1f} mm of {cortex.shear_mpa:.0f} MPa" for end, cortex in known.items()
    )
    missing = [end for end in ends if end not in known]
    more = f"; the {missing[0]} one was not measured" if missing else ""
    return modelled(
        name, (middle / plain, low / plain, high / plain), SOURCE, f"cortex on the axis: {told}{more}"
    )


def _forces_n(
    path: Path, bite: Bite, cells: CellStrengths, ring: Stretches, known: Mapping[str, HoldingCortex]
) -> Floats:
    """(4,) the bite's force plain, with the cortex, and with it at its weakest and strongest."""
    shear = cells.shear_mpa.copy()
    in_cortex = np.zeros((3, *shear.shape))
    left_mm = cells.length_mm.copy()
    for end, cortex in known.items():
        starts, sign = _surface_mm(ring, end)
        inner = starts + sign * cortex.length_mm
        blurred_mm = _overlap_mm(path.edges_mm, inner, inner + sign * BLUR_MM)
        beneath = _strength_at(path, cells, inner + sign * BLUR_MM)
        share = np.minimum(blurred_mm, cells.length_mm) / np.maximum(cells.length_mm, np.finfo(float).tiny)
        # Beneath a cortex the scan reads too dense, never too thin.
        shear += share * np.minimum(0.0, beneath[:, None] - shear)
        cortex_mm = np.minimum(_overlap_mm(path.edges_mm, starts, inner), left_mm)
        left_mm -= cortex_mm
        ends_mpa = np.array(
            [1.0, CORTICAL_LOW_MPA / CORTICAL_SHEAR_MPA, CORTICAL_HIGH_MPA / CORTICAL_SHEAR_MPA]
        )
        in_cortex += ends_mpa[:, None, None] * cortex.shear_mpa * cortex_mm
    held = np.stack([cells.shear_mpa * cells.length_mm, *(shear * left_mm + one for one in in_cortex)])
    per_shear = pullout_integral_n(
        1.0,
        1.0 / RING_COUNT,
        major_mm=bite.thread.major_mm,
        core_mm=bite.thread.core_mm,
        pitch_mm=bite.thread.pitch_mm,
    )
    return np.asarray(held.sum(axis=(1, 2)) * per_shear)


def _surface_mm(ring: Stretches, end: str) -> tuple[Floats, float]:
    """(lines,) depth at which each line enters (near) or leaves (far) the fragment, and the way inwards."""
    if end == "near":
        depth = np.full(RING_COUNT, np.inf)
        np.minimum.at(depth, ring.line, ring.from_mm)
        return depth, 1.0
    depth = np.full(RING_COUNT, -np.inf)
    np.maximum.at(depth, ring.line, ring.to_mm)
    return depth, -1.0


def _overlap_mm(edges_mm: Floats, from_mm: Floats, to_mm: Floats) -> Floats:
    """(lines, cells) how much of each cell lies between two depths of each line; 0 for a line that misses."""
    met = np.isfinite(from_mm) & np.isfinite(to_mm)
    low = np.where(met, np.minimum(from_mm, to_mm), 0.0)[:, None]
    high = np.where(met, np.maximum(from_mm, to_mm), 0.0)[:, None]
    return np.asarray(np.maximum(0.0, np.minimum(edges_mm[1:], high) - np.maximum(edges_mm[:-1], low)))


def _strength_at(path: Path, cells: CellStrengths, depth_mm: Floats) -> Floats:
    """(lines,) shear strength in the cell at a depth of each line; infinite where there is no bone in it."""
    index = np.clip(
        np.searchsorted(path.edges_mm, np.where(np.isfinite(depth_mm), depth_mm, 0.0)) - 1,
        0,
        cells.shear_mpa.shape[1] - 1,
    )
    lines = np.arange(RING_COUNT)
    there = cells.length_mm[lines, index] > 0
    return np.where(there, cells.shear_mpa[lines, index], np.inf)
