"""The screw as a machine drawing shows it: the core's silhouette and one polygon a tooth.

The upper and the lower side stand half a pitch apart, as on a real helix. The flanks are those of the
thread's kind: 3° behind and 35° ahead for the shallow asymmetrical one, 5° and 25° for the deep one (ISO
5835:1991 HA and HB, from memory), 30° on both sides for the symmetrical one (the 60° profile, from memory).
In the run-out the tooth grows, in the taper it falls.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from planner.solid import Solid
from planner.vocabulary import Thread, ThreadZone
from segmentation.vocabulary import Floats

SHALLOW_DEGREE, DEEP_DEGREE, SYMMETRICAL_DEGREE = (3.0, 35.0), (5.0, 25.0), (30.0, 30.0)
"""Flank angles, towards the head and towards the tip, from the square to the axis: HA, HB, and the 60°
profile."""

DEEP_BELOW_RATIO = 0.55
"""An asymmetrical thread whose core is below this share of its major diameter is a deep one (HB: at most
0.48, HA: at least 0.65)."""

CREST_MM = 0.1
"""Width of a tooth's crest: ISO 5835:1991 HA, from memory."""

SMALLEST_TOOTH_SHARE = 0.12
"""A tooth lower than this share of its full height is not drawn. Our choice."""


@dataclass(frozen=True, eq=False)
class Tooth:
    """One tooth on one side: ``points_mm`` (4, 2) [z, radius] and the height z of its middle."""

    at_mm: float
    upper: bool
    points_mm: Floats


def silhouette_mm(solid: Solid) -> Floats:
    """(n, 2) closed outline [z, ±radius] of the screw without threads."""
    upper = np.asarray(solid.core_outline_mm)
    return np.vstack([upper, upper[::-1] * [1, -1]])


def radius_mm(outline_mm: Floats, z_mm: npt.ArrayLike) -> Floats:
    """Radius of an outline at z; the larger one at a step, 0 beyond the ends."""
    z = np.asarray(z_mm, float)
    knots = np.asarray(outline_mm[:, 0])
    # np.interp takes one side of a step; looking from both and keeping the larger one is on the safe side.
    nudge = 1e-9
    both = [np.interp(z + shift, knots, outline_mm[:, 1], left=0.0, right=0.0) for shift in (-nudge, nudge)]
    return np.asarray(np.maximum(*both))


def tooth_share(zone: ThreadZone, z_mm: npt.ArrayLike) -> Floats:
    """Height of the thread at z as a share of the full one, 0 … 1: it grows in and out over its incomplete
    ends."""
    z = np.asarray(z_mm, float)
    grows = (z - zone.from_mm) / max(zone.full_from_mm - zone.from_mm, 1e-6)
    falls = (zone.to_mm - z) / max(zone.to_mm - zone.full_to_mm, 1e-6)
    return np.asarray(np.clip(np.minimum(grows, falls), 0, 1))


def flank_widths_mm(thread: Thread, height_mm: float) -> tuple[float, float]:
    """Length along the axis of the flank behind and ahead of a tooth of that height."""
    behind_degree, ahead_degree = SYMMETRICAL_DEGREE
    if thread.profile == "asymmetrical":
        deep = thread.core_mm / thread.major_mm < DEEP_BELOW_RATIO
        behind_degree, ahead_degree = DEEP_DEGREE if deep else SHALLOW_DEGREE
    return (
        height_mm * float(np.tan(np.radians(behind_degree))),
        height_mm * float(np.tan(np.radians(ahead_degree))),
    )


@lru_cache(maxsize=64)
def teeth(solid: Solid) -> tuple[Tooth, ...]:
    """Every tooth of both sides, head to tip; those of the last few solids are kept."""
    drawn = []
    for zone in solid.zones:
        pitch_mm = zone.thread.pitch_mm
        for upper, first in ((True, 0.25), (False, 0.75)):
            for at_mm in np.arange(zone.from_mm + first * pitch_mm, zone.to_mm, pitch_mm):
                tooth = _tooth(solid, zone, float(at_mm), upper=upper)
                if tooth is not None:
                    drawn.append(tooth)
    return tuple(sorted(drawn, key=lambda tooth: (tooth.at_mm, not tooth.upper)))


def _tooth(solid: Solid, zone: ThreadZone, at_mm: float, *, upper: bool) -> Tooth | None:
    core_mm = float(radius_mm(solid.core_outline_mm, at_mm))
    envelope_mm = float(radius_mm(solid.outline_mm, at_mm))
    full_mm = zone.thread.depth_mm
    height_mm = min(full_mm * float(tooth_share(zone, at_mm)), envelope_mm - core_mm)
    if height_mm < SMALLEST_TOOTH_SHARE * full_mm:
        return None
    behind_mm, ahead_mm = flank_widths_mm(zone.thread, height_mm)
    start_mm = at_mm - (behind_mm + CREST_MM + ahead_mm) / 2
    crest_mm = core_mm + height_mm
    points = np.array(
        [
            [start_mm, core_mm],
            [start_mm + behind_mm, crest_mm],
            [start_mm + behind_mm + CREST_MM, crest_mm],
            [start_mm + behind_mm + CREST_MM + ahead_mm, core_mm],
        ]
    )
    return Tooth(at_mm, upper, points if upper else points * [1, -1])
