"""From a bone and a plan to the numbers: the steps in order, for every screw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import version
from typing import Any

import numpy as np

from planner.angular_stability import with_stability
from planner.catalogue import stocked_length_mm
from planner.clearance import PARTS, clearances
from planner.collisions import gaps_between_mm, nearest_other
from planner.cortex import CortexOnAxis, cortex_on_axis, engaged_error_mm, plain_cortex
from planner.demands import Demands
from planner.density import (
    CORTEX_AT_MOST_MM,
    layers,
    mean_doubt_mg_cm3,
    mean_hu_in,
    profile,
    sample_each,
)
from planner.engagement import Bite, bites, gliding_hole_to_mm, threads_engaged
from planner.findings import CAUTIONS, findings_of
from planner.fracture import fracture_crossings
from planner.fracture_gaps import gaps_on_axis
from planner.hold import hold_in
from planner.intervals import clearance_intervals, length_intervals
from planner.limits import Limits
from planner.mechanics import with_mechanics
from planner.path import Path, crossed_fragments, touched_fragments, trace
from planner.posed import moves
from planner.prepared import PreparedBone, prepare
from planner.pullout import PERCENTILE_95_COUNT
from planner.several_screws import several_screws
from planner.shear_laws import LAW_NAMES
from planner.vocabulary import (
    Assessment,
    FragmentIntervals,
    FragmentResult,
    Interval,
    Plan,
    ScrewIntervals,
    ScrewResult,
)
from planner.whole_hold import LAW, whole_hold
from segmentation.errors import InputError
from segmentation.vocabulary import NO_DATA_BELOW_HU, Bone, Floats

NORMALS = {"sagittal": (1.0, 0.0, 0.0), "coronal": (0.0, 1.0, 0.0), "axial": (0.0, 0.0, 1.0)}
"""Normals of the body's planes in RAS+ (definition)."""

BORDER_VOXELS_COUNT = 0.5
"""An exit nearer than this to the outermost voxels' centres is the scan's end. Our choice."""

BESIDE = "the axis does not cross this fragment"
UNCALIBRATED = "density is not calibrated"
NO_FALL = "the density does not fall by half within reach: cortex and what lies beneath are not told apart"
CUT_OFF = "the bone is cut off by the border of the scan: it is at least this long"
NOTHING_BITES = "no force: no thread bites, or what it bites in holds nothing"
NO_CORTEX = "no cortex was measured there: the surface is a plain grey level, or shows no edge"
NOT_ASKED = {"site_length": "no site was named", "doubt": "no doubt was drawn"}
"""What is only told when it was asked: ``site_lengths.py``, ``doubt.py``."""
UNKNOWN = "part of it lies outside the scan, in metal, or holds no data"


@dataclass(frozen=True, eq=False)
class ReadyBone:
    """A prepared bone and what is asked of its CT for every screw: build it once, measure many screws."""

    prepared: PreparedBone
    has_no_data: bool
    as_scanned: bool = False


def ready(bone: Bone, *, as_scanned: bool = False) -> ReadyBone:
    """``bone`` ready for ``assess_screws``, reduced or ``as_scanned``. Takes about a second for a large bone;
    then a screw takes milliseconds."""
    return ReadyBone(
        prepare(bone, as_scanned=as_scanned), bool((bone.ct.hu < NO_DATA_BELOW_HU).any()), as_scanned
    )


def assess(
    bone: Bone, plan: Plan, *, limits: Limits | None = None, demands: Demands | None = None
) -> Assessment:
    """Every number the project exists for, for every screw of ``plan`` on ``bone``.

    Raises InputError when an axis misses the bone. See ``planner.vocabulary`` for what is in the result.

    >>> from demo_volumes.make import make_demo
    >>> from planner.catalogue import built_in_screws
    >>> from planner.plan_file import plan_of
    >>> from segmentation.recipe import segment
    >>> demo = make_demo("foam-block", voxel_mm=1.0)
    >>> bone = segment(demo.ct, threshold_hu=demo.truth["level_hu"], host="foam")
    >>> screw = assess(bone, plan_of(demo.plan, built_in_screws())).screws[0]
    >>> print(f"{screw.bone_length_mm:.0f} mm of bone, {screw.fragments[0].threads_engaged:.1f} threads")
    42 mm of bone, 7.5 threads
    >>> screw.pullout_n is None, screw.reasons["pullout_n"]
    (True, 'the hold in fragment 1 is not known')
    """
    return assess_screws(
        ready(bone, as_scanned=plan.pose == "as-scanned"), plan, limits=limits, demands=demands
    )


def assess_screws(
    bone: ReadyBone, plan: Plan, *, limits: Limits | None = None, demands: Demands | None = None
) -> Assessment:
    """The same as ``assess``, on a bone made ready before."""
    limits, demands = limits or Limits(), demands or Demands()
    moved = any(moves(fragment.pose) for fragment in bone.prepared.bone.fragments)
    if moved and bone.as_scanned != (plan.pose == "as-scanned"):
        raise InputError(
            f"the plan's points are {plan.pose}, the bone was made ready the other way: make it ready so too"
        )
    paths = [trace(bone.prepared, placed) for placed in plan.screws]
    apart_mm = gaps_between_mm(paths)
    screws, all_gaps = [], []
    for index, path in enumerate(paths):
        measured = with_stability(_measured(bone, path), bone.prepared.bone.host)
        gaps = gaps_on_axis(path, crossed_fragments(path, bone.prepared), measured.fractures)
        result = with_mechanics(bone.prepared, path, measured, gaps, demands)
        near = nearest_other(paths, index, apart_mm)
        screws.append(replace(result, findings=findings_of(bone.prepared, path, result, near, limits)))
        all_gaps.append(gaps)
    return Assessment(
        tuple(screws),
        _bone_facts(bone.prepared.bone, plan),
        _made_with(bone.prepared.bone, limits, demands),
        CAUTIONS,
        several_screws(bone.prepared, paths, screws, all_gaps, apart_mm),
    )


def _measured(bone: ReadyBone, path: Path) -> ScrewResult:
    """The numbers of one screw, without findings."""
    prepared, placed = bone.prepared, path.placed
    metal = [removed for removed in prepared.bone.segmentation.removed if removed.what == "metal"]
    sampled, each = sample_each(prepared, path, has_no_data=bone.has_no_data, metal=metal)
    crossed, touched = crossed_fragments(path, prepared), touched_fragments(path, prepared)
    gliding = gliding_hole_to_mm(path, crossed[0])
    lengths = length_intervals(prepared, path, crossed, touched, gliding)
    goes_on = _ends_at_border(
        prepared.bone, prepared.as_scanned_mm(crossed[-1], path.point_mm(path.length_mm))
    )
    calibration = prepared.bone.calibration
    reasons = dict(NOT_ASKED)
    fragments = []
    all_bites: dict[int, list[Bite]] = {}
    for number in touched:
        all_bites[number] = bites(path, number, gliding)
        hu = mean_hu_in(path, each[number], number)
        if hu is None:
            reasons[f"fragments.{number}.mean_hu"] = UNKNOWN if number in crossed else BESIDE
        density = doubt = None
        if hu is None or calibration is None:
            why = reasons[f"fragments.{number}.mean_hu"] if hu is None else _uncalibrated(prepared.bone)
            for field in ("mean_density_mg_cm3", "intervals.mean_density_mg_cm3"):
                reasons[f"fragments.{number}.{field}"] = why
        else:
            density = float(calibration.density_mg_cm3(hu))
            reach = PERCENTILE_95_COUNT * mean_doubt_mg_cm3(path, each[number], number, calibration, density)
            doubt = Interval(density, density - reach, density + reach)
        axis_path = lengths.axis_path_mm.get(number)
        if number not in crossed or (goes_on and number == crossed[-1]):
            axis_path = None
            reasons[f"fragments.{number}.intervals.axis_path_mm"] = (
                BESIDE if number not in crossed else CUT_OFF
            )
        hold = hold_in(
            path,
            each[number],
            all_bites[number],
            calibration,
            prepared.bone.host,
            engaged_error_mm(prepared.bone.fragment(number)),
        )
        if hold.pullout_n is None:
            why = _uncalibrated(prepared.bone) if calibration is None else UNKNOWN
            for field in ("pullout_n", "pullout_errors", "threads.mean_shear_mpa"):
                reasons[f"fragments.{number}.{field}"] = why
        elif hold.errors is None:
            reasons[f"fragments.{number}.pullout_errors"] = NOTHING_BITES
        fragments.append(
            FragmentResult(
                fragment=number,
                fragment_name=prepared.bone.fragment(number).name,
                axis_path_mm=float(path.axis_in_cells_mm(number).sum()),
                thread_engagement_mm=sum(bite.engagement_mm for bite in all_bites[number]),
                threads_engaged=threads_engaged(all_bites[number]),
                mean_hu=hu,
                mean_density_mg_cm3=density,
                pullout_n=hold.pullout_n,
                threads=hold.threads,
                pullout_errors=hold.errors,
                intervals=FragmentIntervals(axis_path, lengths.thread_engagement_mm[number], doubt),
            )
        )
    governing, why_none = _governing(placed.screw.headless, fragments)
    if why_none:
        reasons["pullout_n"] = why_none
    fractures, fracture_reasons = fracture_crossings(prepared.bone, path, crossed, all_bites)
    reasons.update(fracture_reasons)
    found, clearance_reasons = clearances(prepared, path)
    reasons.update(clearance_reasons)
    reasons.update({f"intervals.{field}": why for field, why in clearance_reasons.items()})
    measured_ends = tuple(
        cortex_on_axis(
            prepared.bone.fragment(number),
            prepared.as_scanned_mm(number, path.point_mm(depth_mm)),
            np.linalg.inv(prepared.poses[number])[:3, :3] @ path.direction,
            calibration,
        )
        for number, depth_mm in ((crossed[0], 0.0), (crossed[-1], path.length_mm))
    )
    near, far = (None if end is None else end.length_mm for end in measured_ends)
    strata = layers(path, sampled, calibration, (near, far))
    ends = [
        measured or plain_cortex(layer.to_mm - layer.from_mm)
        for measured, layer in zip(measured_ends, (strata[0], strata[-1]), strict=True)
    ]
    if goes_on:
        ends[1] = None
    reasons.update(_cortex_reasons(prepared.bone, ends))
    pull_out = None
    if governing is None or governing.pullout_n is None or calibration is None:
        reasons["pull_out"] = reasons["pullout_n"]
    else:
        pull_out = whole_hold(
            path,
            each[governing.fragment],
            all_bites[governing.fragment],
            governing.pullout_n,
            calibration,
            prepared.bone.host,
            fragment=governing.fragment,
            crossed=crossed,
            cortices=(ends[0], ends[1]),
            fractures=fractures,
        )
    for layer in strata:
        if layer.mean_hu is None:
            reasons[f"layers.{layer.layer}.mean_hu"] = UNKNOWN
        if layer.mean_density_mg_cm3 is None:
            reasons[f"layers.{layer.layer}.mean_density_mg_cm3"] = (
                UNKNOWN if layer.mean_hu is None else _uncalibrated(prepared.bone)
            )
    if goes_on:
        reasons["bone_length_mm"] = reasons["intervals.bone_length_mm"] = CUT_OFF
    near_and_far = ((strata[0], "to_mm", ends[0]), (strata[-1], "from_mm", ends[1]))
    for layer, end, measured in near_and_far:
        if measured is not None:
            if measured.reason:
                reasons[f"layers.{layer.layer}.{end}"] = measured.reason
        elif layer.to_mm - layer.from_mm >= min(CORTEX_AT_MOST_MM, path.length_mm / 2) - 1e-9:
            reasons[f"layers.{layer.layer}.{end}"] = NO_FALL
    if goes_on:
        reasons["far_cortex"] = reasons["layers.far cortex.from_mm"] = CUT_OFF
    not_told = {layer.layer for layer, end, _ in near_and_far if f"layers.{layer.layer}.{end}" in reasons}
    strata = tuple(
        replace(
            layer,
            thickness_known=layer.layer not in not_told and not (layer.layer == "cancellous" and not_told),
        )
        for layer in strata
    )
    if not placed.screw.headless and placed.technique != "lag":
        reasons["gliding_hole_to_mm"] = "only a lag screw has a gliding hole"
    elif placed.screw.headless:
        reasons["gliding_hole_to_mm"] = "a headless screw is not put in with a gliding hole"
    if "gliding_hole_to_mm" in reasons:
        reasons["intervals.gliding_hole_to_mm"] = reasons["gliding_hole_to_mm"]
    if calibration is None:
        reasons["profile.density_mg_cm3"] = _uncalibrated(prepared.bone)
    return ScrewResult(
        placed=placed,
        stocked_length_mm=stocked_length_mm(placed.screw, placed.length_mm),
        bone_name=path.bone_name,
        bone_length_mm=path.length_mm,
        entry_mm=path.entry_mm,
        exit_mm=path.point_mm(path.length_mm),
        direction=path.direction,
        tip_mm=path.point_mm(path.tip_depth_mm),
        tip_depth_mm=path.tip_depth_mm,
        gliding_hole_to_mm=gliding,
        angles_degree=_angles_degree(path.direction),
        fragments=tuple(fragments),
        layers=strata,
        leading_end=found["leading_end"].clearance,
        trailing_end=found["trailing_end"].clearance,
        body=found["body"].clearance,
        profile=profile(path, sampled, calibration),
        pullout_n=None if governing is None else governing.pullout_n,
        governed_by=None if governing is None else governing.fragment,
        threads_bridging_mm=_bridging_mm(all_bites, crossed),
        intervals=ScrewIntervals(
            bone_length_mm=None if goes_on else lengths.bone_length_mm,
            gliding_hole_to_mm=lengths.gliding_hole_to_mm,
            **{part: clearance_intervals(prepared, path, crossed[0], found[part]) for part in PARTS},
        ),
        near_cortex=None if ends[0] is None else ends[0].end,
        far_cortex=None if ends[1] is None else ends[1].end,
        reasons=reasons,
        fractures=fractures,
        pull_out=pull_out,
    )


def _cortex_reasons(bone: Bone, ends: Sequence[CortexOnAxis | None]) -> dict[str, str]:
    """Why what is not told of the near and far cortex is not."""
    reasons = {}
    for name, end in zip(("near_cortex", "far_cortex"), ends, strict=True):
        if end is None:
            reasons[name] = NO_CORTEX
            continue
        if end.reason is not None:
            reasons[f"{name}.on_axis_mm"] = end.reason
        else:
            reasons[f"{name}.on_axis_below_mm"] = "the length itself is known"
        if end.mass_hu_mm is None:
            reasons[f"{name}.mass_hu_mm"] = reasons[f"{name}.mass_mg_cm2"] = NO_CORTEX
        elif end.mass_mg_cm2 is None:
            reasons[f"{name}.mass_mg_cm2"] = _uncalibrated(bone)
    return reasons


def _ends_at_border(bone: Bone, exit_mm: Floats) -> bool:
    """Whether the exit lies at the outermost voxels, where the scan ends and not the bone."""
    exit_ijk = bone.ct.grid.mm_to_ijk(exit_mm)
    last = np.asarray(bone.ct.grid.shape) - 1
    return bool(((exit_ijk < BORDER_VOXELS_COUNT) | (exit_ijk > last - BORDER_VOXELS_COUNT)).any())


def _governing(headless: bool, fragments: list[FragmentResult]) -> tuple[FragmentResult | None, str | None]:
    """Which fragment's hold governs, or why none does.

    A headed screw holds the fragment under its head by the head, so that one counts only when no other is
    engaged. A fragment beside the axis is not held across its fracture and does not govern.
    """
    on_axis = [fragment for fragment in fragments if fragment.axis_path_mm > 0]
    engaged = [fragment for fragment in on_axis if fragment.thread_engagement_mm > 0]
    if not engaged:
        return None, "no thread bites in any fragment"
    beyond = [fragment for fragment in engaged if headless or fragment is not fragments[0]] or engaged
    unknown = next((fragment for fragment in beyond if fragment.pullout_n is None), None)
    if unknown is not None:
        return None, f"the hold in fragment {unknown.fragment} is not known"
    return min(beyond, key=lambda fragment: (fragment.pullout_n or Interval(0, 0, 0)).estimate), None


def _bridging_mm(all_bites: dict[int, list[Bite]], crossed: list[int]) -> float:
    """Thread in the near fragment of a zone that also bites beyond it: it keeps the two apart."""
    near = crossed[0]
    zones_beyond = {
        bite.zone for number in crossed[1:] for bite in all_bites[number] if bite.engagement_mm > 0
    }
    return float(sum(bite.engagement_mm for bite in all_bites[near] if bite.zone in zones_beyond))


def _angles_degree(direction: Floats) -> dict[str, float]:
    """Angle between the axis and each of the body's planes: 0 in the plane, 90 square to it."""
    return {
        plane: float(np.degrees(np.arcsin(min(1.0, abs(float(np.dot(direction, normal)))))))
        for plane, normal in NORMALS.items()
    }


def _uncalibrated(bone: Bone) -> str:
    return f"{UNCALIBRATED}: {bone.calibration_reason}" if bone.calibration_reason else UNCALIBRATED


def _bone_facts(bone: Bone, plan: Plan) -> dict[str, Any]:
    """What a reader of the numbers must know of the bone."""
    calibration = bone.calibration
    return {
        "host": bone.host,
        "threshold_hu": bone.segmentation.threshold_hu,
        "threshold_reason": bone.segmentation.threshold_reason,
        "voxel_mm": [float(step) for step in bone.ct.grid.spacing_mm],
        "calibration": None
        if calibration is None
        else {
            "kind": calibration.kind,
            "slope_mg_cm3_per_hu": calibration.slope_mg_cm3_per_hu,
            "intercept_mg_cm3": calibration.intercept_mg_cm3,
            "standard_error_fraction": calibration.standard_error_fraction,
            "source": calibration.source,
            "slope_standard_error_mg_cm3_per_hu": calibration.slope_standard_error_mg_cm3_per_hu,
            "intercept_standard_error_mg_cm3": calibration.intercept_standard_error_mg_cm3,
            "slope_intercept_correlation_ratio": calibration.slope_intercept_correlation_ratio,
        },
        "calibration_reason": bone.calibration_reason,
        "fragments": [
            {"number": f.number, "name": f.name, "bone": f.bone, "volume_mm3": f.volume_mm3}
            for f in bone.fragments
        ],
        "pose": plan.pose,
        "reduced": [f.number for f in bone.fragments if moves(f.pose)],
        "joint": bone.joint is not None,
        "notes": list(bone.segmentation.notes) + list(bone.ct.notes),
    }


def _made_with(bone: Bone, limits: Limits, demands: Demands) -> dict[str, Any]:
    """Versions, digests and settings: what another person needs to get the same numbers."""
    return {
        **_versions(),
        "digests": dict(bone.digests) or {"ct": bone.ct.digest},
        "settings": {
            "shear_law": LAW_NAMES[bone.host].name,
            "shear_law_source": LAW_NAMES[bone.host].source,
            "pull_out": LAW,
            "limits": dict(vars(limits)),
            "demands": dict(vars(demands)),
        },
    }


@cache
def _versions() -> dict[str, str]:
    return {package: version(package) for package in ("pilothole", "numpy", "scipy")}
