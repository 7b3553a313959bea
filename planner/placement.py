"""How far a screw comes to lie from where it was planned: published errors as distributions.

The entry is off in two directions across the axis, each normal; the direction is off by an angle whose
magnitude is Rayleigh, to any side; the depth is off by a normal error. A Rayleigh median is 1.1774 σ
(mathematics). The quartiles of such a distribution are narrower than the published ones, which mix surgeons,
sites and programs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from planner.doubt_vocabulary import PlacementName
from segmentation.vocabulary import Floats

DEPTH_SD_MM = 1.0
"""Error of the depth. Our reference's choice: none of the sources tells it apart."""


@dataclass(frozen=True)
class Placement:
    """One way of placing: deviations of the entry in each direction across the axis, of the direction in each
    of two planes, of the depth. ``wide_fraction`` of the entries deviate by ``wide_factor`` times as much."""

    entry_sd_mm: float
    angle_sd_degree: float
    depth_sd_mm: float
    source: str
    wide_fraction: float = 0.0
    wide_factor: float = 1.0


PLACEMENTS: Mapping[PlacementName, Placement] = {
    "freehand": Placement(
        2.0,
        4.5,
        DEPTH_SD_MM,
        "by fluoroscopy, small bones: entry about 2 mm, 4 to 8° (from memory); the sd are an assumption",
    ),
    "guided": Placement(
        0.6,
        2.888,
        DEPTH_SD_MM,
        "a guide borne by bone: angle as of printed guides (Bone Jt Open 2024 5(1): median 3.4°, quartiles "
        "2.5-5.4, 83 screws), entry derived (linear error below 1.1 mm, printed guides at 12 wrists)",
    ),
    "plate-guided": Placement(
        2.42,
        2.888,
        DEPTH_SD_MM,
        "printed guides of the tibial plateau: Bone Jt Open 2024 5(1): median 3.4° (2.5-5.4), entry 3.0 mm "
        "(2.0-5.5), 83 screws; a tenth deviates twice as much, so that the tail is heavier",
        wide_fraction=0.1,
        wide_factor=2.0,
    ),
}
"""Ways of placing, each with its source. Deviations derived from the published medians."""


@dataclass(frozen=True, eq=False)
class Placed:
    """Errors of n placements: ``shift_mm`` (n, 2) of the entry across the axis, ``tilt_radian`` (n, 2) of the
    direction, ``depth_mm`` (n,) deeper."""

    shift_mm: Floats
    tilt_radian: Floats
    depth_mm: Floats


def placement_draws(placement: Placement, count: int, rng: np.random.Generator) -> Placed:
    """``count`` placements. The first draws are the same whatever ``count`` is."""
    normal = rng.standard_normal((count, 6))
    # A sixth normal, not a uniform, so that each draw takes as many numbers from the stream.
    wide = normal[:, 5] > _above(placement.wide_fraction)
    factor = np.where(wide, placement.wide_factor, 1.0)[:, None]
    return Placed(
        normal[:, :2] * placement.entry_sd_mm * factor,
        normal[:, 2:4] * np.radians(placement.angle_sd_degree),
        normal[:, 4] * placement.depth_sd_mm,
    )


def _above(share_fraction: float) -> float:
    """Standard normal value that this share lies above; infinite for none."""
    from scipy.special import ndtri

    return float(ndtri(1 - share_fraction)) if share_fraction > 0 else np.inf
