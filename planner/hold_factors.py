"""What drilling, tapping, shape and material do to a pull-out: each a named factor with interval and source.

A factor multiplies the force of the equation in ``pullout.py``; its ends are the 5th and 95th percentile.
What has no published number is said in words and changes nothing. Factors are taken as independent: their
spreads add by squares, each side by itself, in the logarithm of the force.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from planner.vocabulary import HoldFactor, Interval, Profile, Screw

PILOT_FALLS_FROM_RATIO, PILOT_LOW_RATIO, PILOT_HIGH_RATIO = 0.85, 0.79, 0.91
"""Pilot hole over major diameter from which the hold falls, and its range. Published: Heidemann et al.
1998."""

TAPPED_FACTOR, TAPPED_LOW_FACTOR, TAPPED_HIGH_FACTOR = 0.95, 0.90, 1.0
"""Tapping: 0 to 10 % less, never a gain. Published: Pfeiffer et al. 2006; Kunkel et al. 2011. The middle is
our choice."""

FOAM_FACTOR, FOAM_LOW_FACTOR, FOAM_HIGH_FACTOR = 0.925, 0.85, 1.0
"""Shear strength of moulded solid foam over its nominal data sheet: 0 to 15 % below, as published pull-outs
say; the middle of that. Its errors when it is fitted instead stand in ``pilothole validate``."""

FLANK_0_OVER_30_RATIO = 302 / 349
"""Hold of a flank square to the axis over one of 30°. Published: porcine cancellous bone, n = 40 (authors not
read, 2009): 302, 349 and 127 N at 0, 30 and 60°."""


def modelled(name: str, ends: tuple[float, float, float], source: str = "", says: str = "") -> HoldFactor:
    """A factor with its middle, low and high."""
    middle, low, high = map(float, ends)
    return HoldFactor(name, middle, low, high, source, says)


def pilot_factor(pilot_mm: float | None, major_mm: float) -> HoldFactor:
    """Of a pilot hole: 1 up to 0.85 (0.79-0.91) of the major diameter, from there in a straight line to
    nothing at the major diameter.

    Where it begins to fall is published, the straight line is our choice. A smaller pilot adds 9-18 % in a
    dense host and nothing in a porotic one (Reyes 2023): not in it.
    """
    source = "Heidemann et al. 1998: flat to 0.85 (0.79-0.91) of the major diameter; Battula et al. 2008"
    if pilot_mm is None:
        return HoldFactor("pilot hole", None, None, None, source, "not modelled: the pilot hole is not known")
    ratio = pilot_mm / major_mm

    def falling(from_ratio: float) -> float:
        return min(1.0, max(0.0, (1 - ratio) / (1 - from_ratio)))

    ends = falling(PILOT_FALLS_FROM_RATIO), falling(PILOT_LOW_RATIO), falling(PILOT_HIGH_RATIO)
    fall = "; the hold falls from 0.85 (0.79-0.91) on" if ratio > PILOT_LOW_RATIO else ""
    says = f"the pilot of {pilot_mm:g} mm is {ratio:.2f} of the major diameter{fall}"
    return modelled("pilot hole", ends, source, says)


def tapping_factor(tapped: bool | None) -> HoldFactor:
    """Of a tapped hole; None where nobody said."""
    source = "Pfeiffer et al. 2006; Kunkel et al. 2011: 0 to 10 % less, never a gain"
    if tapped is None:
        return HoldFactor(
            "tapping", None, None, None, source, "not modelled: nobody said whether the hole is tapped"
        )
    if not tapped:
        return HoldFactor("tapping", 1.0, 1.0, 1.0, source, "not tapped")
    return HoldFactor(
        "tapping", TAPPED_FACTOR, TAPPED_LOW_FACTOR, TAPPED_HIGH_FACTOR, source, "the hole is tapped"
    )


def foam_factor() -> HoldFactor:
    """Of solid foam as moulded against its nominal data sheet."""
    return HoldFactor(
        "foam as moulded",
        FOAM_FACTOR,
        FOAM_LOW_FACTOR,
        FOAM_HIGH_FACTOR,
        "published pull-outs in solid foam: shear strength 0 to 15 % below the nominal data sheet",
        "the nominal shear strength of foam is optimistic",
    )


def taper_factor(tapered: bool) -> HoldFactor:
    """Of a tapered core: a cylinder needs none, a cone is not modelled."""
    source = "Tsai et al. 2009 BMC Musculoskelet Disord 10:44: needs terms for pilot hole and taper"
    if tapered:
        return HoldFactor(
            "taper", None, None, None, source, "a tapered core is not modelled: its mean core is used"
        )
    return HoldFactor("taper", 1.0, 1.0, 1.0, source, "the core is a cylinder; the tip's taper holds nothing")


def profile_factor(profile: Profile) -> HoldFactor:
    """Of the flank: not modelled, since the equation was measured with flat flanks too."""
    source = (
        "Chapman et al. 1996 measured bone screws at 1.05 of the equation, whose flank is 30°; porcine bone "
        "2009: 302, 349, 127 N at 0, 30, 60°; Feng et al. 2021: reverse buttress 1.45 × barb"
    )
    says = f"profile ({profile}) is not modelled: the equation has one flank of 30°"
    if profile == "asymmetrical":
        says += f"; a flat flank held {FLANK_0_OVER_30_RATIO:.2f} of a 30° one in one study"
    return HoldFactor("profile", None, None, None, source, says)


def head_factor(screw: Screw, seat_depth_mm: float) -> HoldFactor:
    """What the head rests on, and that its own limit is not modelled."""
    if screw.headless:
        says = "headless: the trailing thread holds the near fragment"
    elif seat_depth_mm < 0:
        says = f"the head stands off {-seat_depth_mm:g} mm, in a plate or on a washer, which takes its load"
    else:
        says = "the head rests on bone" if seat_depth_mm == 0 else "the head is countersunk in bone"
    says += "; no limit of its own is modelled: none of our sources gives a bearing pressure"
    return HoldFactor("head", None, None, None, "no source", says)


def angle_factor(angle_degree: float | None) -> HoldFactor:
    """Of the angle between screw and fracture: told, and not applied to a force along the screw."""
    source = "geometry: the share across the fracture is the cosine of the angle to its normal"
    if angle_degree is None:
        says = "not modelled: no fracture surface was measured on the way; the force is along the screw"
    else:
        share = across_ratio(angle_degree)
        says = (
            f"not modelled: the force is along the screw, {angle_degree:.0f}° off the fracture's normal, and "
            f"{share:.2f} of it acts across the fracture"
        )
    return HoldFactor("angle", None, None, None, source, says)


def across_ratio(angle_degree: float) -> float:
    """Share of a force along a screw that acts across a fracture whose normal it meets at this angle."""
    return math.cos(math.radians(angle_degree))


def with_factors(interval: Interval, factors: Iterable[HoldFactor]) -> Interval:
    """``interval`` times every factor that is modelled; its spread grows by theirs."""
    known = [
        (factor.factor, factor.low, factor.high)
        for factor in factors
        if factor.factor is not None and factor.low is not None and factor.high is not None
    ]
    estimate = interval.estimate * math.prod(middle for middle, _, _ in known)
    if estimate == 0:
        return Interval(0.0, 0.0, interval.high * math.prod(high for _, _, high in known))
    triples = [(interval.estimate, interval.low, interval.high), *known]
    down = math.hypot(*(math.log(middle / max(low, middle * 1e-6)) for middle, low, _ in triples))
    up = math.hypot(*(math.log(high / middle) for middle, _, high in triples))
    return Interval(estimate, estimate * math.exp(-down), estimate * math.exp(up))
