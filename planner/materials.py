"""What the metal of a screw bears: stiffness, yield, strength and fatigue limit, each with its source.

Standards give minima of the bar a screw is made from; "finished products may not comply with these bar
properties" (their own scope). A surgical screw of stainless steel is taken as cold-worked (common practice).
Every number here is from memory unless it says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from planner.interval import Interval
from planner.vocabulary import Material


@dataclass(frozen=True)
class Metal:
    """A metal. ``yield_mpa`` (Rp0.2) and ``ultimate_mpa`` (Rm) are the standard's minima; ``fatigue_mpa`` is
    the fatigue limit of a smooth bar (R = −1, 10⁷ cycles, in air)."""

    elastic_mpa: Interval
    yield_mpa: float
    ultimate_mpa: float
    fatigue_mpa: Interval
    source: str


METALS: Mapping[Material, Metal] = {
    "stainless steel": Metal(
        elastic_mpa=Interval(190_000.0, 186_000.0, 200_000.0),
        yield_mpa=690.0,
        ultimate_mpa=860.0,
        fatigue_mpa=Interval(370.0, 300.0, 440.0),
        source="ISO 5832-1, cold-worked (from memory)",
    ),
    "titanium alloy": Metal(
        elastic_mpa=Interval(110_000.0, 105_000.0, 114_000.0),
        yield_mpa=780.0,
        ultimate_mpa=860.0,
        fatigue_mpa=Interval(500.0, 400.0, 600.0),
        source="ISO 5832-3, Ti-6Al-4V (from memory)",
    ),
}
"""By the material of a screw. Fatigue limits: steel 300-440, titanium alloy 400-600 MPa (from memory); their
middle is the estimate (our choice)."""
