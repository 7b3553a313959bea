"""The hold with shear strength averaged to 0.5 mm beyond the thread, over the hold within the thread alone.

While a screw is pulled, shear is highest at the major diameter and a little beyond, so that the bone just
outside the thread counts as well: strength is averaged over the ring from core to major radius and the fringe
to 0.5 mm beyond, each by its area, at every depth. 1 in a uniform host; below 1 where the thread lies in
denser bone than its surroundings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from planner.density import Sampled
from planner.engagement import Bite
from planner.hold import strengths_in_cells
from planner.hold_factors import modelled
from planner.path import ANGLES_COUNT, FRINGE_MM, RING_COUNT, Path
from planner.pullout import pullout_integral_n
from planner.vocabulary import HoldFactor
from segmentation.vocabulary import Calibration, Host

SOURCE = "shear peaks at and beyond the major diameter: Joffre et al. 2017; the width of 0.5 mm is our choice"


def ring_factor(
    path: Path, sampled: Sampled, bites: Sequence[Bite], calibration: Calibration, host: Host
) -> HoldFactor:
    """The factor of the ring to 0.5 mm beyond for the ``bites`` of one fragment."""
    name = "ring to 0.5 mm beyond"
    within_n = beyond_n = 0.0
    for bite in bites:
        ring = strengths_in_cells(
            sampled.ring, bite.stretches, path.edges_mm, calibration, host, count=RING_COUNT
        )
        fringe = strengths_in_cells(
            sampled.fringe, bite.fringe, path.edges_mm, calibration, host, count=ANGLES_COUNT
        )
        if ring is None or fringe is None:
            says = "not modelled: part of the bone beside the thread lies outside the scan or holds no data"
            return HoldFactor(name, None, None, None, SOURCE, says)
        major_mm, core_mm = bite.thread.major_mm / 2, bite.thread.core_mm / 2
        ring_mm2 = (major_mm**2 - core_mm**2) / RING_COUNT
        fringe_mm2 = ((major_mm + FRINGE_MM) ** 2 - major_mm**2) / ANGLES_COUNT
        area = ring_mm2 * ring.length_mm.sum(axis=0) + fringe_mm2 * fringe.length_mm.sum(axis=0)
        held = ring_mm2 * (ring.shear_mpa * ring.length_mm).sum(axis=0)
        held += fringe_mm2 * (fringe.shear_mpa * fringe.length_mm).sum(axis=0)
        engaged_mm = ring.length_mm.sum(axis=0) / RING_COUNT
        mean_mpa = np.divide(held, area, out=np.zeros_like(held), where=area > 0)
        size = {
            "major_mm": bite.thread.major_mm,
            "core_mm": bite.thread.core_mm,
            "pitch_mm": bite.thread.pitch_mm,
        }
        within_n += pullout_integral_n(ring.shear_mpa, ring.length_mm / RING_COUNT, **size)
        beyond_n += pullout_integral_n(mean_mpa, engaged_mm, **size)
    ratio = beyond_n / within_n if within_n > 0 else 1.0
    # How far out shear matters is not known better than within the thread or 1 mm beyond it.
    low, high = sorted((1.0, ratio * ratio)) if not math.isclose(ratio, 1.0) else (ratio, ratio)
    return modelled(name, (ratio, low, high), SOURCE, "shear strength averaged to 0.5 mm beyond the thread")
