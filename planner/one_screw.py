"""The numbers of one screw by itself: lengths, engagement, density, hold and clearances along its path.

What depends on the plan's other screws, on limits and on demands comes after (``assess.py``).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from planner.catalogue import stocked_length_mm
from planner.clearance import clearances
from planner.cortex import CortexOnAxis, cortex_on_axis, engaged_error_mm, plain_cortex
from planner.density import (
    CORTEX_AT_MOST_MM,
    layers,
    mean_doubt_mg_cm3,
    mean_hu_in,
    profile,
    sample_each,
)
from planner.engagement import Bite, bites, gliding_hole_to_mm, threads_engaged
from planner.fracture import fracture_crossings
from planner.hold import hold_in
from planner.intervals import clearance_intervals, length_intervals
from planner.path import Path, crossed_fragments, touched_fragments
from planner.prepared import PreparedBone
from planner.pullout import PERCENTILE_95_COUNT
from planner.vocabulary import (
    FragmentIntervals,
    FragmentResult,
    Interval,
    ScrewIntervals,
    ScrewResult,
)
from planner.whole_hold import whole_hold
from segmentation.vocabulary import Bone, Floats

NORMALS = {"sagittal": (1.0, 0.0, 0.0), "coronal": (0.0, 1.0, 0.0), "axial": (0.0, 0.0, 1.0)}
"""Normals of the body's planes in RAS+ (definition)."""

BORDER_VOXELS_COUNT = 0.5
"""An exit nearer than this to the outermost voxels' centres is the scan's end. Our choice."""

BESIDE_THIS = ThreadPoolExecutor(1, "clearances")
"""A second thread; one, so that the same is always done in the same order."""

BESIDE = "the axis does not cross this fragment"
UNCALIBRATED = "density is not calibrated"
NO_FALL = "the density does not fall by half within reach: cortex and what lies beneath are not told apart"
CUT_OFF = "the bone is cut off by the border of the scan: it is at least this long"
NOTHING_BITES = "no force: no thread bites, or what it bites in holds nothing"
NO_CORTEX = "no cortex was measured there: the surface is a plain grey level, or shows no edge"
NOT_ASKED = {"site_length": "no site was named", "doubt": "no doubt was drawn"}
"""What is only told when it was asked: ``site_lengths.py``, ``doubt.py``."""
UNKNOWN = "part of it lies outside the scan, in metal, or holds no data"


def measured(prepared: PreparedBone, path: Path, *, has_no_data: bool) -> ScrewResult:
    """The numbers of one screw, without mechanics and findings. ``has_no_data``: the CT has voxels that hold
    none."""
    placed = path.placed
    metal = [removed for removed in prepared.bone.segmentation.removed if removed.what == "metal"]
    sampled, each = sample_each(prepared, path, has_no_data=has_no_data, metal=metal)
    # Compiled loops for the most part: they look for the nearest surfaces while the rest goes on.
    nearest = BESIDE_THIS.submit(clearances, prepared, path)
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
    found, clearance_reasons = nearest.result()
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
        known or plain_cortex(layer.to_mm - layer.from_mm)
        for known, layer in zip(measured_ends, (strata[0], strata[-1]), strict=True)
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
    for layer, end, known in near_and_far:
        if known is not None:
            if known.reason:
                reasons[f"layers.{layer.layer}.{end}"] = known.reason
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
            **clearance_intervals(prepared, path, lengths.entry_sd_mm, found),
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
