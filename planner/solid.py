"""A screw of a chosen length as the body that a bone has to make room for.

A family (``Screw``) and a marked length give a solid of revolution: the *envelope*, with threads at their
major radius, and the *core*, without them; and the thread zones with the stretch where their profile is
full. Heights z are in mm from the datum plane (under the head, or the trailing end), positive towards the
tip. A thread's length includes its run-out and, at the tip, the taper: full profile from (start + run-out)
to (tip − taper). Unless the screw says otherwise the taper is one major diameter and the run-out one pitch
(common practice: both are left out of the engaged length, FDA-2019-D-1652 §III.3, 2024). Exact for the
geometry given; real parts leave their tolerances (McCartney et al. 2026, Front Vet Sci: 78 % of 73 screws
out of band), which ``pullout.py`` carries as uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from planner.vocabulary import Head, Screw, Thread, ThreadZone
from segmentation.errors import InputError
from segmentation.vocabulary import Floats, frozen_array

LONGEST_MM = 200.0
"""Longest screw accepted. Our choice: the longest stocked bone screws are about 150 mm (common practice)."""

HEAD_RIM_FRACTION = {"hemisphere": 0.25, "countersunk": 0.15, "locking": 0.5}
"""Share of the head's height that is a cylinder at full diameter, by shape. Our choice, from drawings (from
memory)."""

HEAD_ARC_COUNT = 9
"""Points along the rounded underside of a head. Our choice: the chord misses the arc by under 0.03 mm at 8
mm."""

LENGTH_TOLERANCE_MM = 1e-9
"""Rounding allowed when lengths are added up. Our choice."""


@dataclass(frozen=True, eq=False)
class Solid:
    """A screw of known length as a solid of revolution.

    ``outline_mm`` (n, 2) is [z, radius] of the envelope, from the top of the head (or the trailing end) to
    the tip, z never falling; a step is two points at one z. ``core_outline_mm`` (m, 2) is the same without
    threads. Both ends are flat discs. ``zones`` run from the head to the tip. ``top_mm`` ≤ 0 is the head's
    top (0 when headless) and ``tip_mm`` the length below the datum plane.
    """

    outline_mm: Floats
    core_outline_mm: Floats
    zones: tuple[ThreadZone, ...]
    top_mm: float
    tip_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline_mm", frozen_array(self.outline_mm, np.float64))
        object.__setattr__(self, "core_outline_mm", frozen_array(self.core_outline_mm, np.float64))

    @property
    def full_thread_mm(self) -> float:
        """Length of full-profile thread, all zones together."""
        return sum(zone.full_to_mm - zone.full_from_mm for zone in self.zones)


@lru_cache(maxsize=256)
def solid_of(screw: Screw, length_mm: float) -> Solid:
    """The solid of ``screw`` at its marked ``length_mm``; the last few are kept.

    Raises InputError when the length is not a length, or too short to hold the screw's threads.
    """
    if not (math.isfinite(length_mm) and 0 < length_mm <= LONGEST_MM):
        raise InputError(
            f"the length of screw '{screw.name}' must be above 0 and at most {LONGEST_MM:g} mm "
            f"(got {length_mm:g}): give a length in mm"
        )
    shortest_mm = shortest_length_mm(screw)
    if length_mm < shortest_mm - LENGTH_TOLERANCE_MM:
        raise InputError(
            f"the length of screw '{screw.name}' must be at least {shortest_mm:g} mm to hold its threads "
            f"and tip (got {length_mm:g}): take a longer one or another family"
        )
    tip_mm = length_mm - _head_in_length_mm(screw)
    zones = _zones(screw, tip_mm)
    return Solid(
        outline_mm=_outline(screw, zones, tip_mm, with_threads=True),
        core_outline_mm=_outline(screw, zones, tip_mm, with_threads=False),
        zones=zones,
        top_mm=-screw.head.height_mm if screw.head else 0.0,
        tip_mm=tip_mm,
    )


def shortest_length_mm(screw: Screw) -> float:
    """The shortest marked length at which the threads of ``screw``, with run-outs and tip taper, fit."""
    taper_mm = tip_taper_mm(screw)
    needed_mm = 0.0
    for thread in screw.threads:
        shortest_mm = runout_mm(thread) + (taper_mm if thread.at == "tip" else 0.0)
        needed_mm += max(shortest_mm, thread.length_mm or 0.0)
    if not _ends_in_thread(screw):
        needed_mm += taper_mm
    return needed_mm + _head_in_length_mm(screw)


def runout_mm(thread: Thread) -> float:
    """Incomplete thread where it meets the shaft: as given, or one pitch."""
    return thread.pitch_mm if thread.runout_mm is None else thread.runout_mm


def tip_taper_mm(screw: Screw) -> float:
    """Length of the tapering tip: as given, or one major diameter of what ends there."""
    return 2 * _radii_at_tip_mm(screw)[0] if screw.tip_taper_mm is None else screw.tip_taper_mm


def _ends_in_thread(screw: Screw) -> bool:
    return any(thread.at == "tip" or thread.length_mm is None for thread in screw.threads)


def _head_in_length_mm(screw: Screw) -> float:
    """How much of the marked length is head."""
    return screw.head.height_mm if screw.head and screw.length_datum == "overall" else 0.0


def _radii_at_tip_mm(screw: Screw) -> tuple[float, float]:
    """Major and core radius of what the screw ends in: its leading thread, or the bare shaft."""
    for thread in screw.threads:
        if thread.at == "tip" or thread.length_mm is None:
            return thread.major_mm / 2, thread.core_mm / 2
    return screw.shaft_mm / 2, screw.shaft_mm / 2


def _zones(screw: Screw, tip_mm: float) -> tuple[ThreadZone, ...]:
    zones = []
    for thread in screw.threads:
        length_mm = tip_mm if thread.length_mm is None else thread.length_mm
        at_tip = thread.at == "tip" or thread.length_mm is None
        from_mm, to_mm = (tip_mm - length_mm, tip_mm) if at_tip else (0.0, length_mm)
        # A thread that begins at the trailing end of a headless screw is full there: no tool had to stop
        # before a head.
        starts_full = screw.headless and from_mm <= LENGTH_TOLERANCE_MM
        full_from_mm = from_mm if starts_full or not at_tip else from_mm + runout_mm(thread)
        full_to_mm = to_mm - (tip_taper_mm(screw) if at_tip else runout_mm(thread))
        zones.append(ThreadZone(from_mm, to_mm, full_from_mm, max(full_from_mm, full_to_mm), thread))
    return tuple(sorted(zones, key=lambda zone: zone.from_mm))


def _outline(screw: Screw, zones: tuple[ThreadZone, ...], tip_mm: float, *, with_threads: bool) -> Floats:
    """(n, 2) [z, radius]: head, then shaft and threads as steps, then the taper."""
    steps: list[tuple[float, float, float]] = []
    reached_mm = 0.0
    for zone in zones:
        if zone.from_mm > reached_mm + LENGTH_TOLERANCE_MM:
            steps.append((reached_mm, zone.from_mm, screw.shaft_mm / 2))
        diameter_mm = zone.thread.major_mm if with_threads else zone.thread.core_mm
        steps.append((zone.from_mm, zone.to_mm, diameter_mm / 2))
        reached_mm = zone.to_mm
    if tip_mm > reached_mm + LENGTH_TOLERANCE_MM:
        steps.append((reached_mm, tip_mm, screw.shaft_mm / 2))

    points = _head_points(screw.head, screw.shaft_mm / 2) if screw.head else []
    for from_mm, to_mm, radius_mm in steps:
        points += [(from_mm, radius_mm), (to_mm, radius_mm)]
    # The last step ends in the taper, a cone from the major radius to the tip's: the core leaves it where
    # they meet.
    radius_mm = points.pop()[1]
    outer_mm, core_mm = _radii_at_tip_mm(screw)
    tip_radius_mm = (core_mm + screw.cannula_mm / 2) / 2
    share_left = (radius_mm - tip_radius_mm) / (outer_mm - tip_radius_mm)
    points += [(tip_mm - tip_taper_mm(screw) * share_left, radius_mm), (tip_mm, tip_radius_mm)]
    return np.array(points)


def _head_points(head: Head, neck_mm: float) -> list[tuple[float, float]]:
    """[z, radius] of the head from its flat top to the datum plane."""
    radius_mm = head.diameter_mm / 2
    rim_mm = HEAD_RIM_FRACTION[head.shape] * head.height_mm
    top_mm, widest_mm = -head.height_mm, rim_mm - head.height_mm
    points = [(top_mm, radius_mm), (widest_mm, radius_mm)]
    if head.shape == "hemisphere":
        # An ellipse about the widest plane that meets the neck at z = 0; a ball where the height allows one.
        last_radian = math.acos(min(1.0, neck_mm / radius_mm))
        for angle_radian in np.linspace(0.0, last_radian, HEAD_ARC_COUNT)[1:-1]:
            z_mm = widest_mm * (1 - math.sin(angle_radian) / math.sin(last_radian))
            points.append((z_mm, radius_mm * math.cos(angle_radian)))
    return [*points, (0.0, neck_mm)]
