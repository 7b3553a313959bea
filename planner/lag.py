"""How a screw presses two fragments together: how much of its force is square to the fracture, whether they
slide, and what is wrong with it as a lag screw.

With the angle α between screw and the fracture's normal, F·cos α presses and F·sin α shears (mechanics; often
told by the angle to the plane, 90° − α, as its sine). The fragments slide where tan α exceeds the friction of
bone on bone. A lag screw has no thread in the near fragment: by technique because a gliding hole was drilled,
by design because its shaft is smooth there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from planner.interval import Interval, through
from planner.mechanics_vocabulary import LagBy, LagFault, Sliding
from planner.vocabulary import Screw

BONE_FRICTION = Interval(0.3, 0.2, 0.4)
"""Friction of bone on bone: 0.2-0.4 (from memory). Teeth of a fresh fracture hold better, blood and soft
tissue worse: neither is in it."""

SHORT_AFTER_COUNTERSINKING_MM = 1e-6
"""Rounding allowed between gauge and screw."""

THROUGH_WITHIN_MM = 0.05
"""A gliding hole that ends so near to the exit is through. Our choice: a surface's own error."""


@dataclass(frozen=True)
class LagGeometry:
    """Depths that decide whether a screw lags; all from the entry.

    ``near_to_mm`` is where the near fragment has ended around the whole screw, ``far_from_mm`` and
    ``far_to_mm`` where the axis enters and leaves the fragments beyond. ``thread_from_mm`` is where thread
    that can bite begins, beyond a gliding hole to ``gliding_to_mm`` (None without one). ``bridging_mm`` is
    thread that bites in the near fragment and belongs to a zone that also bites beyond. The gauge reads
    ``gauge_mm`` from the seat; ``length_mm`` is the screw's below its datum plane.
    """

    near_to_mm: float
    far_from_mm: float
    far_to_mm: float
    thread_from_mm: float
    bridging_mm: float
    thread_major_mm: float
    gauge_mm: float
    length_mm: float
    countersunk_mm: float
    gliding_to_mm: float | None = None
    gliding_diameter_mm: float | None = None


def lags_by(screw: Screw, technique: str) -> LagBy | None:
    """What makes a screw press the fragments together; None for a position or locking screw."""
    if screw.headless:
        return "two pitches" if len(screw.threads) > 1 else None
    if technique == "lag":
        return "technique"
    partial = all(thread.length_mm is not None for thread in screw.threads)
    return "design" if partial and technique == "position" else None


def pressing_fraction(angle_degree: float) -> float:
    """Share of the screw's force square to a fracture whose normal it meets at ``angle_degree``."""
    return math.cos(math.radians(angle_degree))


def shearing_fraction(angle_degree: float) -> float:
    """Share of the screw's force along the fracture."""
    return math.sin(math.radians(angle_degree))


def angle_interval_degree(angle_degree: float, uncertainty_degree: float) -> Interval:
    """The angle between axis and normal, which are lines: never below 0 or above 90."""
    low, high = angle_degree - uncertainty_degree, angle_degree + uncertainty_degree
    return Interval(angle_degree, max(0.0, low), min(90.0, high))


def pressing_interval(angle: Interval) -> Interval:
    """``pressing_fraction`` over the angle's interval."""
    return through(pressing_fraction, angle)


def sliding(angle: Interval) -> Sliding:
    """Whether the fragments slide on each other as the screw is tightened."""
    if math.tan(math.radians(angle.high)) <= BONE_FRICTION.low:
        return "held"
    return "slides" if math.tan(math.radians(angle.low)) > BONE_FRICTION.high else "in doubt"


def lag_faults(by: LagBy, at: LagGeometry) -> tuple[LagFault, ...]:
    """What is wrong with a screw that is to press the fragments together, in order of the drilling."""
    found: list[LagFault] = []
    if by == "technique":
        found += _of_gliding_hole(at)
    elif at.thread_from_mm < at.near_to_mm and by == "design":
        short_mm = at.near_to_mm - at.thread_from_mm
        message = f"The smooth shaft ends {short_mm:.1f} mm before the near fragment does."
        found.append(LagFault("shaft-short", short_mm, message))
    if at.bridging_mm > 0:
        message = f"{at.bridging_mm:.1f} mm of thread bite in the near fragment and keep the fracture apart."
        found.append(LagFault("threads-bridging", at.bridging_mm, message))
    short_mm = at.gauge_mm - at.length_mm
    if by == "technique" and at.countersunk_mm > 0 and short_mm > SHORT_AFTER_COUNTERSINKING_MM:
        message = (
            f"Countersunk {at.countersunk_mm:.1f} mm, the gauge reads {at.gauge_mm:.1f} mm: the screw is "
            f"{short_mm:.1f} mm too short for the far cortex."
        )
        found.append(LagFault("screw-short-after-countersinking", short_mm, message))
    return tuple(found)


def _of_gliding_hole(at: LagGeometry) -> list[LagFault]:
    found: list[LagFault] = []
    if at.gliding_diameter_mm is None or at.gliding_diameter_mm < at.thread_major_mm:
        drill_mm = at.gliding_diameter_mm or 0.0
        narrow_mm = at.thread_major_mm - drill_mm
        told = f"{drill_mm:g} mm" if drill_mm else "none of its own"
        message = (
            f"The gliding drill ({told}) does not let the thread of {at.thread_major_mm:g} mm pass: "
            f"{narrow_mm:.1f} mm are missing."
        )
        found.append(LagFault("gliding-hole-narrow", narrow_mm, message))
    if at.gliding_to_mm is None:
        return found
    short_mm = at.near_to_mm - at.gliding_to_mm
    if short_mm > 0:
        message = f"The gliding hole ends {short_mm:.1f} mm before the near fragment does."
        found.append(LagFault("gliding-hole-short", short_mm, message))
    if at.gliding_to_mm >= at.far_to_mm - THROUGH_WITHIN_MM:
        through_mm = max(0.0, at.gliding_to_mm - at.far_to_mm)
        message = f"The gliding hole runs {through_mm:.1f} mm beyond the far cortex: no thread holds."
        found.append(LagFault("gliding-hole-through", through_mm, message))
    return found
