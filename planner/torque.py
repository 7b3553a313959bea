"""From torque to compression and back, and the torque at which the thread strips.

T = F · (p/2π + μ·r_m/cos β + μ·r_h) for a headed screw seated on bone: pitch p, thread friction at the mean
thread radius r_m with the loaded flank's angle β, head friction at r_h (machine-screw mechanics, textbook). A
two-pitch screw has no head: T = F · ((p_lead − p_trail)/2π + μ·r_lead/cos β + μ·r_trail/cos β) (derived the
same way). Pull-out is the ceiling of the thread's tension, so the stripping torque is T at that force.
Compression rises with torque up to 80 % of it and no further (Fletcher et al. 2019, Clin Biomech 70:40,
R² 0.752): no torque above is ever advised. Friction in wet bone is known to an interval only. Cutting the
thread, what most of a headless screw's torque goes into, is in the insertion torque alone.
"""

from __future__ import annotations

import math

from planner.bending import N_MM_PER_N_M_COUNT
from planner.interval import Interval, exactly, product, quotient, scaled, through
from planner.vocabulary import Profile, Screw, Thread

FRICTION = Interval(0.3, 0.2, 0.4)
"""Friction of metal on wet bone, in the thread and under the head: 0.2-0.4 (from memory)."""

FLANK_DEGREE: dict[Profile, float] = {"asymmetrical": 3.0, "symmetrical": 30.0}
"""Angle of the loaded flank from square to the axis. Asymmetrical: HA 3° (HB 5°, which changes its cosine by
0.2 %); symmetrical: 60° profile. ISO 5835:1991 and ISO 9268 (from memory)."""

HEAD_BEARS_AT_FRACTION = 0.75
"""Radius at which the head rubs over its largest radius: 2.25 of 3.0 mm at HA 3.5 (derived)."""

ADVISED_OF_STRIPPING_FRACTION = 0.8
"""Above this share of the stripping torque nothing is gained. Published: Fletcher et al. 2019."""

INSERTION = Interval(0.25, 0.20, 0.32)
"""Insertion torque over (pull-out · major diameter). Derived from published rows: 0.27, coefficient of
variation 13 % over 12 rows; 0.25 (0.20-0.32) as an estimate where the family is another."""


def torque_per_force_mm(screw: Screw, friction_ratio: float) -> float:
    """Torque in N·mm for each newton of compression, at one friction."""
    rubbing_mm = sum(_mean_radius_mm(t) / math.cos(_flank_radian(t)) for t in _turning(screw))
    return lead_mm(screw) / (2 * math.pi) + friction_ratio * (rubbing_mm + head_radius_mm(screw))


def lead_mm(screw: Screw) -> float:
    """What a turn draws together: the pitch, or the difference of two pitches."""
    if screw.head is None and len(screw.threads) > 1:
        pitch_mm = {thread.at: thread.pitch_mm for thread in screw.threads}
        return pitch_mm["tip"] - pitch_mm["trailing_end"]
    return _turning(screw)[0].pitch_mm


def head_radius_mm(screw: Screw) -> float:
    """Radius at which the head rubs; 0 for a headless screw."""
    return 0.0 if screw.head is None else HEAD_BEARS_AT_FRACTION * screw.head.diameter_mm / 2


def lever_mm(screw: Screw) -> Interval:
    """``torque_per_force_mm`` over the friction's interval."""
    return through(lambda friction_ratio: torque_per_force_mm(screw, friction_ratio), FRICTION)


def compression_n(torque_n_m: float, lever: Interval) -> Interval:
    """Compression at a torque, by friction alone: the hold of the thread must be asked besides."""
    return quotient(exactly(torque_n_m * N_MM_PER_N_M_COUNT), lever)


def torque_for_n_m(compression: Interval, lever: Interval) -> Interval:
    """Torque for a compression."""
    return scaled(product(compression, lever), 1 / N_MM_PER_N_M_COUNT)


def insertion_n_m(hold_n: Interval, major_mm: float) -> Interval:
    """Torque to drive the thread in, from what all of it holds."""
    return scaled(product(hold_n, INSERTION), major_mm / N_MM_PER_N_M_COUNT)


def stripping_n_m(hold_n: Interval, lever: Interval) -> Interval:
    """Torque at which a thread that holds so much strips."""
    return torque_for_n_m(hold_n, lever)


def advised_n_m(stripping: Interval, yield_limit_n_m: float | None) -> float:
    """The largest torque advised: 80 % of the stripping torque's low end, and no more than the screw may
    bear."""
    line = ADVISED_OF_STRIPPING_FRACTION * stripping.low
    return line if yield_limit_n_m is None else min(line, yield_limit_n_m)


def _turning(screw: Screw) -> tuple[Thread, ...]:
    """The threads that rub under load: both of a two-pitch screw, else the one that holds."""
    return screw.threads if screw.head is None else (screw.largest_thread,)


def _mean_radius_mm(thread: Thread) -> float:
    return (thread.major_mm + thread.core_mm) / 4


def _flank_radian(thread: Thread) -> float:
    return math.radians(FLANK_DEGREE[thread.profile])
