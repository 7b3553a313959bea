"""The words of mechanics: what a screw bears, presses, closes and asks to be drilled, as it is told.

These are also the parts of assessment.json of the same names. Depths are from the entry; a None has its
reason in ``ScrewResult.reasons``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from planner.interval import Interval

Stretch = Literal["shaft", "run-out", "thread"]
Fit = Literal["too small", "matched", "too big"]
Verdict = Literal["within", "in doubt", "beyond"]
Sliding = Literal["held", "in doubt", "slides"]
LagBy = Literal["technique", "design", "two pitches"]
GapLoss = Literal["none measured", "between tested gaps", "significant", "no contact"]
FaultName = Literal[
    "gliding-hole-narrow",
    "gliding-hole-short",
    "gliding-hole-through",
    "threads-bridging",
    "shaft-short",
    "screw-short-after-countersinking",
]
StepName = Literal[
    "guide wire", "gliding hole", "pilot hole", "wider hole", "countersink", "gauge", "tap", "screw"
]


@dataclass(frozen=True)
class PlacedSection:
    """A stretch of the screw with one nominal section, from depth to depth, and how far it lies from the
    nearest fracture on the axis (0: across it)."""

    stretch: Stretch
    from_mm: float
    to_mm: float
    diameter_mm: float
    cannula_mm: float
    area_mm2: float
    second_moment_mm4: float
    modulus_mm3: float
    polar_modulus_mm3: float
    to_fracture_mm: float | None


@dataclass(frozen=True)
class TorqueFloors:
    """Least torques by two tables that are never mixed: the standard's to break, the regulator's to yield.

    ``yield_row_mm`` is the regulator's row; half of its torque is what insertion may ask.
    """

    breaking_n_m: float | None
    breaking_rotation_degree: float | None
    yield_n_m: float | None
    yield_row_mm: float | None
    insertion_limit_n_m: float | None


@dataclass(frozen=True)
class Bending:
    """The weakest section as a cantilever's fixed end: its moment at yield, and what the asked load does."""

    yield_moment_n_m: Interval
    load_n: float | None
    lever_mm: float | None
    stress_mpa: Interval | None
    of_yield_fraction: Interval | None
    deflection_mm: Interval | None


@dataclass(frozen=True)
class Fatigue:
    """How many times the alternating moment of the screw ``against`` this one bears: for ranking only."""

    against: str
    endured_factor: Interval
    notch_factor: Interval


@dataclass(frozen=True)
class PilotFit:
    """A pilot hole against a thread: ``widest_mm`` is the widest that is matched."""

    pilot_mm: float
    core_mm: float
    widest_mm: float
    of_major_fraction: float
    fit: Fit
    effect: str


@dataclass(frozen=True)
class Strength:
    """What the core bears, where it is weakest, and how far that lies from the fracture."""

    material: str
    material_source: str
    sections: tuple[PlacedSection, ...]
    weakest: PlacedSection
    at_fracture: PlacedSection | None
    runout_to_fracture_mm: float | None
    torque_floors: TorqueFloors
    bending: Bending
    fatigue: Fatigue
    pilot: PilotFit | None


@dataclass(frozen=True)
class Torque:
    """Torques of the seated screw and the compression they give; nothing above 80 % is advised."""

    friction_ratio: Interval
    torque_per_force_mm: Interval
    insertion_n_m: Interval | None
    insertion_against_limit: Verdict | None
    stripping_n_m: Interval | None
    eighty_percent_n_m: Interval | None
    advised_at_most_n_m: float | None
    compression_at_advised_n: Interval | None
    given_n_m: float | None
    compression_at_given_n: Interval | None
    wanted_compression_n: float | None
    torque_for_wanted_n_m: Interval | None


@dataclass(frozen=True)
class DrillingStep:
    """One step of the drilling, in order: what, how wide, from which depth to which.

    ``reading_mm`` is what stands on drill, gauge or screw: a drill's depth from the surface, the gauge's from
    the seat. ``low_mm`` and ``high_mm`` are the 5th and 95th percentile of the reading where it is measured.
    """

    step: StepName
    diameter_mm: float | None
    from_mm: float
    to_mm: float
    reading_mm: float
    low_mm: float | None
    high_mm: float | None
    note: str


@dataclass(frozen=True)
class LagFault:
    """What is wrong with a lag screw, by how much, in one sentence."""

    fault: FaultName
    value_mm: float
    message: str


@dataclass(frozen=True)
class Lag:
    """How the screw presses the first fracture it crosses together.

    The angle is between axis and the fracture's normal; the fractions are of the screw's force, square to the
    fracture and along it.
    """

    by: LagBy
    angle_degree: Interval | None
    pressing_fraction: Interval | None
    shearing_fraction: Interval | None
    friction_ratio: Interval
    sliding: Sliding | None
    pressing_n: Interval | None
    faults: tuple[LagFault, ...]


@dataclass(frozen=True)
class TwoPitch:
    """What a headless screw of two pitches closes, along its axis, and with what force."""

    travel_per_turn_mm: float
    turns_both_count: float
    travel_mm: float
    gap_along_axis_mm: float | None
    gap_mm: float | None
    closes: bool | None
    gap_loss: GapLoss | None
    ends_buried: bool | None
    force_now_n: Interval | None
    force_retained_n: Interval | None


@dataclass(frozen=True)
class ResorbableCourse:
    """The same screw in a resorbable material, at each of ``weeks``: what is left of its own strength and
    stiffness, and both over those of the metal screw; None beyond what was published."""

    material: str
    source: str
    weeks: tuple[int, ...]
    strength_left: tuple[Interval | None, ...]
    stiffness_left: tuple[Interval | None, ...]
    strength_against_metal: tuple[Interval | None, ...]
    stiffness_against_metal: tuple[Interval | None, ...]
    half_strength_weeks: Interval | None
    at_union: Interval | None


@dataclass(frozen=True)
class Resorbables:
    """The metal screw on this path and its resorbable twins; ``at_union`` of each is its strength against the
    metal's at ``union_weeks``."""

    metal: str
    metal_yield_moment_n_m: Interval
    metal_stiffness_n_mm2: Interval
    union_weeks: int | None
    courses: tuple[ResorbableCourse, ...]


@dataclass(frozen=True)
class TipApex:
    """Tip–apex distance by two projections in a ball-shaped joint; the straight distance is another."""

    distance_mm: float
    frontal_mm: float
    lateral_mm: float
    straight_mm: float
    apex_mm: tuple[float, float, float]
    ball_radius_mm: float
    within_head_limit: bool


@dataclass(frozen=True)
class ScrewPair:
    """Two screws of a plan: the gap between their solids, and their axes from seat to tip.

    ``gap_at_least`` says that the gap is a lower bound, above every limit.
    """

    screws: tuple[str, str]
    gap_mm: float
    gap_at_least: bool
    axes_apart_mm: float
    angle_degree: float
    parallel: bool


@dataclass(frozen=True)
class BridgedFracture:
    """The screws that bridge one fracture, thread or head on either side, and how they share a load.

    ``spread_mm`` and ``triangle_area_mm2`` are of the places where their axes cross it; the triangle's place
    is told where the fracture's surface was measured. ``when_lost`` tells the shares after each let go.
    """

    between: tuple[int, int]
    screws: tuple[str, ...]
    spread_mm: float
    triangle_area_mm2: float
    triangle_of_fracture_fraction: float | None
    triangle_off_middle_mm: float | None
    shares: dict[str, float]
    when_lost: dict[str, dict[str, float]]


@dataclass(frozen=True)
class SeveralScrews:
    """What the screws of a plan are to each other. ``fatigue_order`` names those that bear most first; those
    in one tier are not told apart."""

    pairs: tuple[ScrewPair, ...]
    largest_angle_degree: float
    parallel: bool
    fractures: tuple[BridgedFracture, ...]
    fatigue_order: tuple[tuple[str, ...], ...]
