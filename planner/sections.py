"""Cross-sections along a screw and where the weakest lies.

A = π(d² − c²)/4, I = π(d⁴ − c⁴)/64, Z = 2I/d, Wp = 2Z with core (or shaft) diameter d and cannula c
(textbook). Strength goes by the third power of the core, stiffness by the fourth. The tip's taper is left
out: nothing bends it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from planner.interval import Interval, through
from planner.mechanics_vocabulary import Stretch
from planner.solid import Solid
from planner.vocabulary import Screw
from segmentation.errors import InputError

TOLERANCE_MM = 0.15
"""A core lies anywhere from its nominal diameter to this much below. ISO 5835:1991 (from memory); real parts
leave it (McCartney et al. 2026, Front Vet Sci, read)."""

LOW_MIDDLE_HIGH_FRACTION = (0.05, 0.5, 0.95)
"""5th percentile, median and 95th percentile of a uniform spread (mathematics)."""


@dataclass(frozen=True)
class Section:
    """A round section, hollow where ``cannula_mm`` is above 0. Raises InputError if it cannot exist."""

    diameter_mm: float
    cannula_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.cannula_mm < self.diameter_mm < math.inf:
            raise InputError(
                f"a section needs 0 ≤ cannula < diameter (got {self.cannula_mm:g}, {self.diameter_mm:g} mm): "
                "correct the screw"
            )

    @property
    def area_mm2(self) -> float:
        """A, for tension."""
        return math.pi * (self.diameter_mm**2 - self.cannula_mm**2) / 4

    @property
    def second_moment_mm4(self) -> float:
        """I, for stiffness in bending."""
        return math.pi * (self.diameter_mm**4 - self.cannula_mm**4) / 64

    @property
    def modulus_mm3(self) -> float:
        """Z, for strength in bending."""
        return 2 * self.second_moment_mm4 / self.diameter_mm

    @property
    def polar_modulus_mm3(self) -> float:
        """Wp, for strength in torsion."""
        return 2 * self.modulus_mm3


@dataclass(frozen=True)
class Place:
    """A stretch of a screw with one section: ``from_mm`` … ``to_mm`` below its datum plane."""

    stretch: Stretch
    from_mm: float
    to_mm: float
    section: Section


def places_along(screw: Screw, solid: Solid) -> tuple[Place, ...]:
    """The stretches of shaft, run-out and full thread from head to tip, without the tip's taper."""
    shaft = Section(screw.shaft_mm, screw.cannula_mm)
    found: list[Place] = []
    reached_mm = 0.0
    for zone in solid.zones:
        core = Section(zone.thread.core_mm, screw.cannula_mm)
        at_tip = zone.to_mm >= solid.tip_mm
        found += [
            Place("shaft", reached_mm, zone.from_mm, shaft),
            Place("run-out", zone.from_mm, zone.full_from_mm, core),
            Place("thread", zone.full_from_mm, zone.full_to_mm, core),
        ]
        if not at_tip:
            found.append(Place("run-out", zone.full_to_mm, zone.to_mm, core))
        reached_mm = zone.to_mm
    if not any(zone.to_mm >= solid.tip_mm for zone in solid.zones):
        found.append(Place("shaft", reached_mm, solid.tip_mm, shaft))
    return tuple(place for place in found if place.to_mm > place.from_mm)


def weakest(places: Sequence[Place], near_mm: float | None = None) -> Place:
    """The stretch with the smallest Z; of equal ones that nearest to ``near_mm`` below the datum plane."""
    return min(
        places,
        key=lambda place: (
            place.section.modulus_mm3,
            0.0 if near_mm is None else away_mm(place, near_mm, near_mm),
        ),
    )


def away_mm(place: Place, from_mm: float, to_mm: float) -> float:
    """How far a stretch lies from another, ``from_mm`` … ``to_mm``; 0 where they overlap."""
    return max(place.from_mm - to_mm, from_mm - place.to_mm, 0.0)


def core_interval_mm(diameter_mm: float) -> Interval:
    """A core's true diameter: the middle of the tolerance, and its 5th and 95th percentile."""
    high, estimate, low = (diameter_mm - share * TOLERANCE_MM for share in LOW_MIDDLE_HIGH_FRACTION)
    return Interval(estimate, low, high)


def modulus_interval_mm3(section: Section) -> Interval:
    """Z over the core's tolerance."""
    return through(
        lambda d_mm: Section(d_mm, section.cannula_mm).modulus_mm3, core_interval_mm(section.diameter_mm)
    )


def second_moment_interval_mm4(section: Section) -> Interval:
    """I over the core's tolerance."""
    return through(
        lambda d_mm: Section(d_mm, section.cannula_mm).second_moment_mm4,
        core_interval_mm(section.diameter_mm),
    )
