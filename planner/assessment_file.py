"""assessment.json: everything that was measured, with its unit in its name and its interval.

The same assessment gives the same bytes: numbers are rounded to RESULT_DECIMALS. What is unknown is null,
never zero and never NaN; why it is null stands in ``reasons``.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from planner.doubt_vocabulary import Doubt
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
from planner.vocabulary import (
    Assessment,
    Interval,
    PathProfile,
    Profile1D,
    ScrewResult,
    Severity,
    SiteLength,
    Technique,
)
from segmentation.documents import published_schema
from segmentation.vocabulary import Floats

FORMAT = "pilothole-assessment"

RESULT_DECIMALS = 6
"""Decimals a result is written with. Our choice: a nanometre, far below any error."""


class Part(BaseModel):
    """A part of the document: every key is always there, and no other."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)


Vector = Annotated[list[float], Field(min_length=3, max_length=3)]
Series = list[float | None]


class IntervalPart(Part):
    """An estimate with its 5th and 95th percentile."""

    estimate: float
    low: float
    high: float


class RangePart(Part):
    """The 5th and 95th percentile of a number that stands elsewhere under the same name."""

    low: float
    high: float


class FragmentIntervalsPart(Part):
    """Intervals of a fragment's numbers."""

    axis_path_mm: RangePart | None
    thread_engagement_mm: RangePart | None
    mean_density_mg_cm3: RangePart | None


class GoverningPart(IntervalPart):
    """The pull-out force of the screw and the number of the fragment it comes from."""

    governed_by: int | None


class ThreadPart(Part):
    """The full thread of one zone that bites in a fragment, and the mean shear strength around it."""

    zone: int
    major_mm: float
    core_mm: float
    pitch_mm: float
    engagement_mm: float
    mean_shear_mpa: float | None


class PulloutErrorsPart(Part):
    """Relative standard errors whose squares add up to that of a pull-out."""

    shear_law_fraction: float
    density_fraction: float
    diameters_fraction: float
    form_fraction: float
    engaged_length_fraction: float
    ash_fraction: float


class FragmentPart(Part):
    """What the screw does in one fragment."""

    fragment: int
    fragment_name: str
    axis_path_mm: float
    thread_engagement_mm: float
    threads_engaged: float
    mean_density_mg_cm3: float | None
    mean_hu: float | None
    pullout_n: IntervalPart | None
    threads: list[ThreadPart]
    pullout_errors: PulloutErrorsPart | None
    intervals: FragmentIntervalsPart


class GapPart(Part):
    """A fracture's gap in mm: its median, and where the axis crosses it."""

    median: float | None
    at_axis: float | None


class FractureCrossingPart(Part):
    """Where and how the axis crosses a fracture whose surface was measured, as scanned."""

    between: list[int]
    depth_mm: float
    angle_degree: float
    angle_uncertainty_degree: float
    gap_mm: GapPart
    threads_beyond_count: float


class HoldFactorPart(Part):
    """What one circumstance multiplies a pull-out by; null where it is not modelled, as ``says`` tells."""

    name: str
    factor: float | None
    low: float | None
    high: float | None
    source: str
    says: str


class PullOutPart(Part):
    """The hold with every known factor: of the host, of the screw, and the lower of both."""

    host_n: IntervalPart
    screw_n: IntervalPart | None
    force_n: IntervalPart
    limited_by: Literal["host", "screw"]
    factors: list[HoldFactorPart]


class AcrossLoadPart(Part):
    """Stiffness and load at first yield under a load across the screw at its plate."""

    stiffness_n_per_mm: IntervalPart
    yield_n: IntervalPart
    yields: Literal["screw", "bone"]


class AngularStabilityPart(Part):
    """The screw locked in its plate, and the same screw not locked."""

    locked: AcrossLoadPart
    unlocked: AcrossLoadPart
    stiffness_ratio: float
    yield_ratio: float


class LayerPart(Part):
    """Near cortex, cancellous or far cortex, by depth."""

    layer: Literal["near cortex", "cancellous", "far cortex"]
    from_mm: float
    to_mm: float
    mean_hu: float | None
    mean_density_mg_cm3: float | None
    thickness_known: bool


class DistancePart(Part):
    """Smallest distance in mm to the outer and the joint surface, negative when it protrudes."""

    outer: float | None
    joint: float | None


class ClearancePart(Part):
    """The distances of the three parts of the screw."""

    leading_end: DistancePart
    trailing_end: DistancePart
    body: DistancePart


class DistanceIntervalsPart(Part):
    """Intervals of the distances of one part of the screw."""

    outer: RangePart | None
    joint: RangePart | None


class ClearanceIntervalsPart(Part):
    """Intervals of the distances of the three parts of the screw."""

    leading_end: DistanceIntervalsPart
    trailing_end: DistanceIntervalsPart
    body: DistanceIntervalsPart


class ScrewIntervalsPart(Part):
    """Intervals of a screw's numbers."""

    bone_length_mm: RangePart | None
    gliding_hole_to_mm: RangePart | None
    clearance_mm: ClearanceIntervalsPart


class CortexPart(Part):
    """The cortex at one end of the path: its length on the axis, or only what that is below, and its mass."""

    on_axis_mm: float | None
    on_axis_below_mm: float | None
    mass_hu_mm: float | None
    mass_mg_cm2: float | None


class ValuesPart(Part):
    """HU and density at each depth; null where unknown, density null where the scan is not calibrated."""

    hu: Series
    density_mg_cm3: Series | None


class ProfilePart(Part):
    """What lies along the path: on the axis, between core and major radius, and within 1 mm around."""

    depth_mm: list[float]
    fragment: list[int]
    axis: ValuesPart
    ring: ValuesPart
    sleeve: ValuesPart


class FindingPart(Part):
    """Something a person should know about the screw."""

    code: str
    severity: Severity
    message: str
    value: float | None
    limit: float | None
    source: str


class ScrewPart(Part):
    """Everything measured for one placed screw."""

    name: str
    screw: str
    technique: Technique
    length_mm: float
    stocked_length_mm: float
    seat_depth_mm: float
    bone_length_mm: float
    entry_mm: Vector
    exit_mm: Vector
    tip_mm: Vector
    tip_depth_mm: float
    gliding_hole_to_mm: float | None
    threads_bridging_mm: float
    angles_degree: dict[str, float]
    fragments: list[FragmentPart]
    fractures: list[FractureCrossingPart]
    layers: list[LayerPart]
    clearance_mm: ClearancePart
    profile: ProfilePart
    pullout_n: GoverningPart | None
    pull_out: PullOutPart | None
    angular_stability: AngularStabilityPart | None
    intervals: ScrewIntervalsPart
    near_cortex: CortexPart | None
    far_cortex: CortexPart | None
    strength: Strength | None
    torque: Torque | None
    drilling: list[DrillingStep]
    lag: Lag | None
    two_pitch: TwoPitch | None
    resorbable: Resorbables | None
    tip_apex: TipApex | None
    site_length: SiteLength | None
    doubt: Doubt | None
    findings: list[FindingPart]
    reasons: dict[str, str]


class AssessmentDocument(Part):
    """What was measured for a plan on a bone. Points are RAS+ mm, depths are from the entry point."""

    format: Literal["pilothole-assessment"]
    version: Literal[1]
    made_with: dict[str, Any]
    cautions: list[str]
    bone: dict[str, Any]
    screws: list[ScrewPart]
    several_screws: SeveralScrews | None


def assessment_schema() -> dict[str, Any]:
    """The JSON Schema of assessment.json."""
    return published_schema(AssessmentDocument, "Pilothole assessment")


def assessment_document(assessment: Assessment) -> dict[str, Any]:
    """assessment.json of ``assessment`` as a document, numbers rounded to RESULT_DECIMALS."""
    document = AssessmentDocument(
        format="pilothole-assessment",
        version=1,
        made_with=dict(assessment.made_with),
        cautions=list(assessment.cautions),
        bone=dict(assessment.bone),
        screws=[_screw(result) for result in assessment.screws],
        several_screws=assessment.several_screws,
    )
    rounded: dict[str, Any] = _rounded(document.model_dump(mode="python"))
    return rounded


def _screw(result: ScrewResult) -> ScrewPart:
    placed, governing, ranges = result.placed, None, result.intervals
    if result.pullout_n is not None:
        governing = GoverningPart(**_interval(result.pullout_n), governed_by=result.governed_by)
    return ScrewPart(
        name=placed.name,
        screw=placed.screw.name,
        technique=placed.technique,
        length_mm=placed.length_mm,
        stocked_length_mm=result.stocked_length_mm,
        seat_depth_mm=placed.seat_depth_mm,
        bone_length_mm=result.bone_length_mm,
        entry_mm=result.entry_mm.tolist(),
        exit_mm=result.exit_mm.tolist(),
        tip_mm=result.tip_mm.tolist(),
        tip_depth_mm=result.tip_depth_mm,
        gliding_hole_to_mm=result.gliding_hole_to_mm,
        threads_bridging_mm=result.threads_bridging_mm,
        angles_degree=dict(result.angles_degree),
        fragments=[FragmentPart.model_validate(fragment) for fragment in result.fragments],
        fractures=[
            FractureCrossingPart(
                between=list(crossing.between),
                depth_mm=crossing.depth_mm,
                angle_degree=crossing.angle_degree,
                angle_uncertainty_degree=crossing.angle_uncertainty_degree,
                gap_mm=GapPart.model_validate(crossing.gap_mm),
                threads_beyond_count=crossing.threads_beyond_count,
            )
            for crossing in result.fractures
        ],
        layers=[LayerPart.model_validate(layer) for layer in result.layers],
        clearance_mm=ClearancePart(
            leading_end=DistancePart.model_validate(result.leading_end),
            trailing_end=DistancePart.model_validate(result.trailing_end),
            body=DistancePart.model_validate(result.body),
        ),
        profile=_profile(result.profile),
        pullout_n=governing,
        angular_stability=None
        if result.angular_stability is None
        else AngularStabilityPart.model_validate(result.angular_stability),
        pull_out=None if result.pull_out is None else PullOutPart.model_validate(result.pull_out),
        intervals=ScrewIntervalsPart(
            bone_length_mm=_range(ranges.bone_length_mm),
            gliding_hole_to_mm=_range(ranges.gliding_hole_to_mm),
            clearance_mm=ClearanceIntervalsPart(
                leading_end=DistanceIntervalsPart.model_validate(ranges.leading_end),
                trailing_end=DistanceIntervalsPart.model_validate(ranges.trailing_end),
                body=DistanceIntervalsPart.model_validate(ranges.body),
            ),
        ),
        near_cortex=None if result.near_cortex is None else CortexPart.model_validate(result.near_cortex),
        far_cortex=None if result.far_cortex is None else CortexPart.model_validate(result.far_cortex),
        strength=result.strength,
        torque=result.torque,
        drilling=list(result.drilling),
        lag=result.lag,
        two_pitch=result.two_pitch,
        resorbable=result.resorbable,
        tip_apex=result.tip_apex,
        site_length=result.site_length,
        doubt=result.doubt,
        findings=[FindingPart.model_validate(finding) for finding in result.findings],
        reasons=dict(result.reasons),
    )


def _interval(interval: Interval) -> dict[str, float]:
    return {"estimate": interval.estimate, "low": interval.low, "high": interval.high}


def _range(interval: Interval | None) -> RangePart | None:
    return None if interval is None else RangePart.model_validate(interval)


def _profile(profile: PathProfile) -> ProfilePart:
    return ProfilePart(
        depth_mm=profile.depth_mm.tolist(),
        fragment=[int(number) for number in profile.fragment],
        axis=_values(profile.axis),
        ring=_values(profile.ring),
        sleeve=_values(profile.sleeve),
    )


def _values(values: Profile1D) -> ValuesPart:
    density = None if values.density_mg_cm3 is None else _series(values.density_mg_cm3)
    return ValuesPart(hu=_series(values.hu), density_mg_cm3=density)


def _series(values: Floats) -> Series:
    return [float(value) if np.isfinite(value) else None for value in values]


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    if isinstance(value, (float, np.floating)):
        number = float(value)
        if not math.isfinite(number):
            raise ValueError("a result that is not a finite number must be None with a reason")
        return round(number, RESULT_DECIMALS) + 0.0
    return value
