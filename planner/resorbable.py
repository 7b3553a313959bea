"""A screw of the same shape that dissolves: what is left of its strength and stiffness, week by week.

Resorbables are tables over time, never metals. Straight lines join what was published; beyond the last
published week nothing is told. Strength falls from the bending strength of a new screw. Of stiffness over
time nothing was read: it is taken to lie between falling as strength does and staying until strength is gone
(our choice). Pull-out is another matter: self-reinforced polymer 4.5 mm held 878 N where steel held 8513 N in
equine bone (ratio 0.10, read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.interval import Interval, exactly, product, quotient
from planner.materials import Metal

WEEKS = (0, 2, 4, 6, 8, 12, 16, 24, 38, 52)
"""Weeks that a table shows. Our choice: it holds every week something was published for."""

PUBLISHED_POLYMER_N, PUBLISHED_STEEL_N = 878.0, 8513.0
"""Pull-out of self-reinforced PLLA and steel screws of 4.5 mm, equine third metacarpal (read)."""

HALF_FRACTION = 0.5
"""Half of the first strength."""


Course = tuple[tuple[float, float], ...]
"""(week, share of the first strength), joined by straight lines."""


@dataclass(frozen=True)
class Resorbable:
    """A resorbable material. ``left`` are the low, the middle and the high course of its strength."""

    name: str
    elastic_mpa: Interval
    bending_mpa: Interval
    left: tuple[Course, Course, Course]
    source: str

    @property
    def told_to_week(self) -> int:
        """The last week that something is known of: the last published one, or the last shown once all is
        gone."""
        open_ends = [course[-1][0] for course in self.left if course[-1][1] > 0]
        return int(min(open_ends)) if open_ends else WEEKS[-1]


POLY_LACTIDE_LEFT = (
    ((0.0, 1.0), (12.0, 0.5), (24.0, 0.0)),
    ((0.0, 1.0), (12.0, 0.65), (38.0, 0.0)),
    ((0.0, 1.0), (12.0, 0.8), (52.0, 0.0)),
)
"""At least 50-80 % left at 12 weeks, nothing at 24-52 (from memory); the middle as estimate (our choice)."""

RESORBABLES = (
    Resorbable(
        "PLLA, moulded",
        Interval(3_350.0, 2_700.0, 4_000.0),
        Interval(100.0, 60.0, 140.0),
        POLY_LACTIDE_LEFT,
        "from memory",
    ),
    Resorbable(
        "PLLA, self-reinforced",
        Interval(8_000.0, 6_000.0, 10_000.0),
        Interval(240.0, 180.0, 300.0),
        POLY_LACTIDE_LEFT,
        "from memory; faster in vivo than in vitro: Pohjonen et al. 1997 J Mater Sci Mater Med 8:311 (read)",
    ),
    Resorbable(
        "PLGA 82:18 to 85:15",
        Interval(2_500.0, 2_000.0, 3_000.0),
        Interval(100.0, 60.0, 140.0),
        (((0.0, 1.0), (8.0, 0.4)), ((0.0, 1.0), (8.0, 0.5)), ((0.0, 1.0), (8.0, 0.6))),
        "half at about 8 weeks, stiffness: from memory; ± 0.1, first strength as moulded PLLA: our choice",
    ),
    Resorbable(
        "magnesium alloy",
        Interval(43_000.0, 41_000.0, 45_000.0),
        Interval(210.0, 160.0, 260.0),
        (((0.0, 1.0), (8.0, 0.25)), ((0.0, 1.0), (8.0, 1 / 3)), ((0.0, 1.0), (8.0, 0.42))),
        "a third within 8 weeks: Kozakiewicz 2021 Materials 14:237 (read); ± 25 %: our choice; yield and "
        "stiffness: from memory",
    ),
)
"""What a resorbable screw may be made of. The strength of magnesium is its yield strength."""


def strength_left(material: Resorbable, week: float) -> Interval | None:
    """Share of the first strength left at a week; None beyond what was published."""
    if not 0 <= week <= material.told_to_week:
        return None
    low, estimate, high = (_on_course(course, week) for course in material.left)
    return Interval(estimate, low, high)


def stiffness_left(material: Resorbable, week: float) -> Interval | None:
    """Share of the first stiffness left at a week; None beyond what was published."""
    strength = strength_left(material, week)
    if strength is None:
        return None
    highest = 1.0 if strength.high > 0 else 0.0
    return Interval((strength.estimate + highest) / 2, strength.low, highest)


def half_strength_weeks(material: Resorbable) -> Interval | None:
    """When half of the strength is left; None where some course does not come to it."""
    weeks = []
    for course in material.left:
        if course[-1][1] > HALF_FRACTION:
            return None
        week, left = np.array(course).T
        # Shares fall along a course; numpy wants what it looks up to rise.
        weeks.append(float(np.interp(HALF_FRACTION, left[::-1], week[::-1])))
    return Interval(weeks[1], weeks[0], weeks[2])


def strength_against(material: Resorbable, metal: Metal, left: Interval) -> Interval:
    """Bending strength over the yield strength of the same screw in metal: the section is the same."""
    return product(quotient(material.bending_mpa, exactly(metal.yield_mpa)), left)


def stiffness_against(material: Resorbable, metal: Metal, left: Interval) -> Interval:
    """Bending stiffness over that of the same screw in metal."""
    return product(quotient(material.elastic_mpa, metal.elastic_mpa), left)


def _on_course(course: Course, week: float) -> float:
    weeks, left = np.array(course).T
    return float(np.interp(week, weeks, left))
