"""The words of the planning side: a screw, where it is placed, and what was found out about it.

Lengths on a screw are measured from its *datum plane*, positive towards the tip: the plane where the head
leaves the shaft (headed), or the trailing end (headless). *Depth* is measured from the entry point along the
axis, positive into the bone; a screw's datum plane lies at ``seat_depth_mm``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from planner.doubt_vocabulary import Doubt
from planner.interval import Interval as Interval
from planner.mechanics_vocabulary import (
    DrillingStep,
    Lag,
    Resorbables,
    SeveralScrews,
    Strength,
    TipApex,
    Torque,
    TwoPitch,
)
from segmentation.vocabulary import Floats, Ints, frozen_array

Technique = Literal["position", "lag", "locking"]
LengthDatum = Literal["under_head", "overall", "trailing_end"]
Severity = Literal["note", "warn", "stop"]
HeadShape = Literal["hemisphere", "countersunk", "locking"]
Profile = Literal["asymmetrical", "symmetrical"]
LayerName = Literal["near cortex", "cancellous", "far cortex"]
Material = Literal["stainless steel", "titanium alloy"]
LengthVerdict = Literal["within", "longer", "shorter"]


@dataclass(frozen=True)
class Head:
    """The head: ``diameter_mm`` at its widest, ``height_mm`` above the plane where it leaves the shaft."""

    diameter_mm: float
    height_mm: float
    shape: HeadShape


@dataclass(frozen=True)
class Thread:
    """A thread as a design, before a length is chosen.

    ``at`` says which end it is tied to. ``length_mm`` is None for a thread over the whole shaft.
    ``runout_mm`` is the incomplete thread where it meets the shaft (default: one pitch).
    """

    at: Literal["tip", "trailing_end"]
    length_mm: float | None
    major_mm: float
    core_mm: float
    pitch_mm: float
    profile: Profile
    runout_mm: float | None = None

    @property
    def depth_mm(self) -> float:
        """Radial depth of the thread: (major − core) / 2."""
        return (self.major_mm - self.core_mm) / 2


@dataclass(frozen=True)
class ThreadZone:
    """A thread on a screw of known length. ``full_from_mm`` … ``full_to_mm`` is where its profile is full."""

    from_mm: float
    to_mm: float
    full_from_mm: float
    full_to_mm: float
    thread: Thread


@dataclass(frozen=True)
class Screw:
    """A screw family of generic geometry: a solid of revolution whose length is not yet chosen."""

    name: str
    title: str
    threads: tuple[Thread, ...]
    shaft_mm: float
    stocked_lengths_mm: tuple[float, ...]
    length_datum: LengthDatum
    source: str
    head: Head | None = None
    tip_taper_mm: float | None = None
    cannula_mm: float = 0.0
    material: Material = "stainless steel"
    pilot_mm: float | None = None
    gliding_mm: float | None = None

    @property
    def headless(self) -> bool:
        """Whether the screw sinks into the bone altogether."""
        return self.head is None

    @property
    def largest_thread(self) -> Thread:
        """The thread with the largest major diameter."""
        return max(self.threads, key=lambda thread: thread.major_mm)


@dataclass(frozen=True, eq=False)
class PlacedScrew:
    """A screw of a marked length along an axis: from ``entry_mm`` towards ``target_mm``."""

    name: str
    screw: Screw
    length_mm: float
    entry_mm: Floats
    target_mm: Floats
    technique: Technique = "position"
    seat_depth_mm: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "entry_mm", frozen_array(self.entry_mm, float))
        object.__setattr__(self, "target_mm", frozen_array(self.target_mm, float))


@dataclass(frozen=True)
class Plan:
    """The placed screws of one bone. ``pose`` says in which frame their points are."""

    screws: tuple[PlacedScrew, ...]
    pose: Literal["reduced", "as-scanned"] = "reduced"


@dataclass(frozen=True)
class HoldFactor:
    """What one circumstance multiplies a pull-out by, with its 5th and 95th percentile.

    A ``factor`` of None is not modelled; ``says`` tells why, or what was done.
    """

    name: str
    factor: float | None
    low: float | None
    high: float | None
    source: str
    says: str


@dataclass(frozen=True)
class PullOut:
    """The whole hold of a screw: ``pullout_n`` of the governing fragment with every known factor, and the
    screw's own limit.

    ``host_n`` is what bone or foam takes, ``screw_n`` where the screw's core tears (None: not known),
    ``force_n`` the lower of both and ``limited_by`` which that is.
    """

    host_n: Interval
    screw_n: Interval | None
    force_n: Interval
    limited_by: Literal["host", "screw"]
    factors: tuple[HoldFactor, ...]

    @property
    def not_modelled(self) -> tuple[str, ...]:
        """Names of the factors that have no number."""
        return tuple(factor.name for factor in self.factors if factor.factor is None)


@dataclass(frozen=True)
class AcrossLoad:
    """One way of fixing the head: stiffness (N per mm) and load at first yield, and what yields first."""

    stiffness_n_per_mm: Interval
    yield_n: Interval
    yields: Literal["screw", "bone"]


@dataclass(frozen=True)
class AngularStability:
    """The same screw locked in its plate and not; how many times stiffer and stronger locking makes it."""

    locked: AcrossLoad
    unlocked: AcrossLoad
    stiffness_ratio: float
    yield_ratio: float


@dataclass(frozen=True)
class SiteLength:
    """What a site's length rule makes of the measured length. ``definition`` names which of the published
    definitions of length is meant, ``verdict`` how the planned length stands to the rule."""

    site: str
    definition: str
    definition_says: str
    rule: str
    measured_mm: float
    longest_mm: float | None
    shortest_mm: float | None
    longest_stocked_mm: float | None
    usual_mm: tuple[float, ...] | None
    verdict: LengthVerdict
    tip_apex_limit_mm: float | None
    tip_apex_within: bool | None
    source: str


@dataclass(frozen=True)
class Finding:
    """Something a person should know about a screw. ``value`` and ``limit`` are None where none applies."""

    code: str
    severity: Severity
    message: str
    value: float | None
    limit: float | None
    source: str


@dataclass(frozen=True)
class FragmentIntervals:
    """Intervals of what ``FragmentResult`` tells under the same names; a None has its reason."""

    axis_path_mm: Interval | None = None
    thread_engagement_mm: Interval | None = None
    mean_density_mg_cm3: Interval | None = None


@dataclass(frozen=True)
class ThreadHold:
    """The full thread of one zone that bites in one fragment, and the mean shear strength around it.

    ``zone`` counts from 1 at the head or trailing end; ``mean_shear_mpa`` is None where density is unknown.
    """

    zone: int
    major_mm: float
    core_mm: float
    pitch_mm: float
    engagement_mm: float
    mean_shear_mpa: float | None


@dataclass(frozen=True)
class PulloutErrors:
    """Relative standard errors whose squares add up to that of a pull-out (``pullout.pullout_errors``)."""

    shear_law_fraction: float
    density_fraction: float
    diameters_fraction: float
    form_fraction: float
    engaged_length_fraction: float
    ash_fraction: float


@dataclass(frozen=True)
class FragmentResult:
    """What one screw does in one fragment. A None has its reason in ``ScrewResult.reasons``."""

    fragment: int
    fragment_name: str
    axis_path_mm: float
    thread_engagement_mm: float
    threads_engaged: float
    mean_hu: float | None
    mean_density_mg_cm3: float | None
    pullout_n: Interval | None
    intervals: FragmentIntervals = FragmentIntervals()
    threads: tuple[ThreadHold, ...] = ()
    pullout_errors: PulloutErrors | None = None


@dataclass(frozen=True)
class MeasuredGap:
    """A fracture's gap in mm: its median, and where the axis crosses it; None has its reason."""

    median: float | None
    at_axis: float | None


@dataclass(frozen=True)
class FractureCrossing:
    """Where the axis crosses the fracture ``between`` two fragments, as scanned.

    ``angle_degree`` lies between the axis and the normal of the fracture's mean plane, which is known within
    ``angle_uncertainty_degree``; ``threads_beyond_count`` are the threads that bite beyond that plane.
    """

    between: tuple[int, int]
    depth_mm: float
    angle_degree: float
    angle_uncertainty_degree: float
    gap_mm: MeasuredGap
    threads_beyond_count: float


@dataclass(frozen=True)
class Layer:
    """Near cortex, cancellous or far cortex: a stretch of depth and the thread ring's means in it.

    Where not ``thickness_known`` its inner border is only where a cortex has ended at the latest.
    """

    layer: LayerName
    from_mm: float
    to_mm: float
    mean_hu: float | None
    mean_density_mg_cm3: float | None
    thickness_known: bool = True


@dataclass(frozen=True)
class Clearance:
    """Smallest distance of a part of the screw to the outer and to the joint surface; None has its reason."""

    outer: float | None
    joint: float | None


@dataclass(frozen=True)
class ClearanceIntervals:
    """Intervals of what ``Clearance`` tells; None where it tells nothing."""

    outer: Interval | None = None
    joint: Interval | None = None


@dataclass(frozen=True)
class ScrewIntervals:
    """Intervals of what ``ScrewResult`` tells under the same names; a None has its reason there."""

    bone_length_mm: Interval | None = None
    gliding_hole_to_mm: Interval | None = None
    leading_end: ClearanceIntervals = ClearanceIntervals()
    trailing_end: ClearanceIntervals = ClearanceIntervals()
    body: ClearanceIntervals = ClearanceIntervals()


@dataclass(frozen=True)
class CortexEnd:
    """The cortex where the axis enters or leaves: its length on the axis, or what it is below, and its mass.

    The length is a measurement only where ``on_axis_mm`` is told; else it is below ``on_axis_below_mm``. The
    mass, HU above its surroundings times thickness, or mineral for each cm² of surface, holds either way.
    """

    on_axis_mm: float | None
    on_axis_below_mm: float | None
    mass_hu_mm: float | None
    mass_mg_cm2: float | None


@dataclass(frozen=True, eq=False)
class Profile1D:
    """HU and density against depth; NaN where unknown. ``density_mg_cm3`` is None when uncalibrated."""

    hu: Floats
    density_mg_cm3: Floats | None


@dataclass(frozen=True, eq=False)
class PathProfile:
    """The path from entry to exit and a little beyond: what lies at each depth.

    ``fragment`` (n,) is the fragment on the axis (0 = none). ``axis``, ``ring`` (core to major radius) and
    ``sleeve`` (major radius to 1 mm beyond) are area-weighted means.
    """

    depth_mm: Floats
    fragment: Ints
    axis: Profile1D
    ring: Profile1D
    sleeve: Profile1D


@dataclass(frozen=True, eq=False)
class ScrewResult:
    """Everything measured for one placed screw."""

    placed: PlacedScrew
    stocked_length_mm: float
    bone_name: str
    bone_length_mm: float
    entry_mm: Floats
    exit_mm: Floats
    direction: Floats
    tip_mm: Floats
    tip_depth_mm: float
    gliding_hole_to_mm: float | None
    angles_degree: Mapping[str, float]
    fragments: tuple[FragmentResult, ...]
    layers: tuple[Layer, ...]
    leading_end: Clearance
    trailing_end: Clearance
    body: Clearance
    profile: PathProfile
    pullout_n: Interval | None
    governed_by: int | None
    threads_bridging_mm: float
    intervals: ScrewIntervals = ScrewIntervals()
    near_cortex: CortexEnd | None = None
    far_cortex: CortexEnd | None = None
    findings: tuple[Finding, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    fractures: tuple[FractureCrossing, ...] = ()
    pull_out: PullOut | None = None
    angular_stability: AngularStability | None = None
    strength: Strength | None = None
    torque: Torque | None = None
    drilling: tuple[DrillingStep, ...] = ()
    lag: Lag | None = None
    two_pitch: TwoPitch | None = None
    resorbable: Resorbables | None = None
    tip_apex: TipApex | None = None
    site_length: SiteLength | None = None
    doubt: Doubt | None = None


@dataclass(frozen=True, eq=False)
class Assessment:
    """What was measured for a plan on a bone. ``made_with`` holds versions, digests and settings."""

    screws: tuple[ScrewResult, ...]
    bone: Mapping[str, Any]
    made_with: Mapping[str, Any]
    cautions: tuple[str, ...]
    several_screws: SeveralScrews | None = None
