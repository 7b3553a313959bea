"""Which of two screws bears bending again and again for longer: a ranking, never a number of cycles.

What a place bears is Z · fatigue limit / notch factor, the notch being thread root and run-out; the screw
bears what its poorest place does. Only ratios are told. The notch factor of a thread is known to an interval
only, and so is the fatigue limit of a metal: where two intervals overlap, two screws are not told apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from planner.interval import Interval, exactly, product, quotient, scaled
from planner.materials import METALS
from planner.sections import Place
from planner.vocabulary import Material

NOTCH_FACTOR = Interval(2.4, 1.8, 3.0)
"""Fatigue notch factor of thread root and run-out: 1.8-3.0 (from memory), the middle as estimate (our
choice)."""


def poorest(places: Sequence[Place]) -> Place:
    """The place that bears least: smallest Z over its notch factor, 1 on a smooth shaft."""
    return min(places, key=lambda place: place.section.modulus_mm3 / _notch(place).estimate)


def endured_ratio(
    places: Sequence[Place], material: Material, other: Sequence[Place], other_material: Material
) -> Interval:
    """How many times the alternating moment of the other screw this one bears."""
    mine, its = poorest(places), poorest(other)
    ratio = quotient(_notch(its), _notch(mine))
    if material != other_material:
        limits = (METALS[material].fatigue_mpa, METALS[other_material].fatigue_mpa)
        ratio = product(ratio, quotient(*limits))
    return scaled(ratio, mine.section.modulus_mm3 / its.section.modulus_mm3)


def ranking(ratios: Mapping[str, Interval]) -> tuple[tuple[str, ...], ...]:
    """Names from the one that bears most, those whose intervals overlap with the first of a tier together.

    ``ratios`` are those of ``endured_ratio`` against one common screw.
    """
    tiers: list[list[str]] = []
    for name in sorted(ratios, key=lambda one: -ratios[one].estimate):
        if tiers and ratios[name].high >= ratios[tiers[-1][0]].low:
            tiers[-1].append(name)
        else:
            tiers.append([name])
    return tuple(tuple(tier) for tier in tiers)


def _notch(place: Place) -> Interval:
    return exactly(1.0) if place.stretch == "shaft" else NOTCH_FACTOR
