"""The pilot hole against the thread's core: too small, matched or too big, and what that does.

Matched is from the core's diameter to 0.3 of the thread's depth above it (derived from the screw table:
pilot = core + 0.0-0.2 mm). A larger drill leaves hold nearly as it is up to about 85 % of the major diameter
(79-91 %: Heidemann 1998, read as quoted); common drills of deep threads stay below that. In an osteoporotic
model a 2.8 mm hole already lowered the hold of a 3.5 mm screw (Battula 2008, read as quoted).
"""

from __future__ import annotations

from planner.mechanics_vocabulary import Fit, PilotFit

WIDER_OF_DEPTH_FRACTION = 0.3
"""A pilot above the core by more than this share of the thread's depth is too big (derived rule)."""

HOLDS_TO_OF_MAJOR_FRACTION = 0.79
"""Up to this share of the major diameter a wider pilot has cost no hold. Published: Heidemann 1998."""

FALLS_FROM_OF_MAJOR_FRACTION = 0.91
"""Above this share hold falls off. Published: Heidemann 1998."""

EFFECTS: dict[Fit, str] = {
    "too small": "more torque to insert; 9 to 18 % more hold in dense bone, none in porotic (Reyes 2023)",
    "matched": "as the hold is computed",
    "too big": "part of the thread's depth stands in the hole",
}
"""What each fit does, in words. Reyes 2023: read as quoted."""

BELOW_PLATEAU = "up to 79 % of the major diameter no loss of hold was measured (Heidemann 1998)"
ON_PLATEAU = "between 79 and 91 % of the major diameter hold begins to fall (Heidemann 1998)"
BEYOND_PLATEAU = "above 91 % of the major diameter hold falls off (Heidemann 1998)"


def pilot_fit(*, pilot_mm: float, core_mm: float, major_mm: float) -> PilotFit:
    """How a pilot hole of ``pilot_mm`` suits a thread."""
    widest_mm = core_mm + WIDER_OF_DEPTH_FRACTION * (major_mm - core_mm) / 2
    fit: Fit = "too small" if pilot_mm < core_mm else "matched" if pilot_mm <= widest_mm else "too big"
    share = pilot_mm / major_mm
    effect = EFFECTS[fit]
    if fit == "too big":
        effect += f"; {_plateau(share)}"
    return PilotFit(pilot_mm, core_mm, widest_mm, share, fit, effect)


def _plateau(of_major_fraction: float) -> str:
    if of_major_fraction <= HOLDS_TO_OF_MAJOR_FRACTION:
        return BELOW_PLATEAU
    return ON_PLATEAU if of_major_fraction <= FALLS_FROM_OF_MAJOR_FRACTION else BEYOND_PLATEAU
