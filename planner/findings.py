"""What a person should know about a screw: the rules, and the one table of their codes.

A *stop* says the plan as it stands harms or cannot be done; a *warn* that a limit of practice is broken; a
*note* that the reader should know. The rules read the numbers of the result; they measure nothing themselves.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from planner.limits import Limits
from planner.path import Path
from planner.prepared import PreparedBone
from planner.solid import shortest_length_mm
from planner.vocabulary import Finding, ScrewResult, Severity

CAUTIONS = (
    "For planning discussion, research and teaching; not a medical device.",
    "Numbers are estimates with the stated intervals (5th to 95th percentile); verify by imaging in theatre.",
    "The decision belongs to a licensed surgeon, local protocols and the implant's own instructions.",
)
"""Said on every screen, report and result."""

COMMON, OURS = "common practice", "our choice"

CODES: dict[str, tuple[Severity, str]] = {
    "tip-outside": ("warn", "The tip leaves the far cortex by more than the limit (headless: at all)."),
    "tip-through-far-cortex": ("note", "The tip of a headed screw leaves the far cortex, within the limit."),
    "tip-in-other-bone": ("stop", "The screw reaches another bone."),
    "joint-penetrated": ("stop", "Part of the screw lies beyond the joint surface."),
    "clearance-joint": ("warn", "The screw is closer to the joint surface than the limit."),
    "clearance-leading-end": (
        "warn",
        "The leading end of a headless screw is closer to the outer surface than the limit.",
    ),
    "body-outside": ("stop", "Thread or shaft come out of the bone between the entry and the leading end."),
    "clearance-body": ("warn", "Thread or shaft are closer to the outer surface than the limit."),
    "trailing-end-proud": ("stop", "The trailing end of a headless screw stands out of the bone."),
    "clearance-trailing-end": ("warn", "The trailing end of a headless screw is buried less than the limit."),
    "head-proud": ("warn", "The head stands off the bone by more than the limit, without a plate."),
    "few-threads": (
        "warn",
        "Fewer threads than the limit bite beyond the fracture (or in the only fragment).",
    ),
    "no-engagement": ("warn", "A fragment is crossed but neither thread nor head holds it."),
    "threads-bridging": (
        "warn",
        "One thread bites on both sides of the fracture: it keeps the fragments apart.",
    ),
    "threads-bridging-position": (
        "note",
        "A position screw's thread bites on both sides of the fracture, as it is meant to.",
    ),
    "screw-short": ("note", "A longer stocked screw would fit with this seat and keep its limits."),
    "seat-too-deep": (
        "warn",
        "The screw is sunk so deep that less of it than its threads lies before the exit.",
    ),
    "length-not-stocked": ("warn", "The marked length is not stocked for this screw."),
    "axis-leaves-scan": (
        "warn",
        "The path or the screw reaches the border of the scan, beyond which nothing is known.",
    ),
    "screws-collide": ("stop", "Two screws of the plan run into each other."),
    "screws-close": ("warn", "Two screws of the plan are closer than the limit."),
    "density-uncalibrated": ("note", "There is no density and no pull-out, only HU."),
    "density-by-default": ("note", "Density comes from a default slope for the tube voltage."),
    "scan-too-coarse": ("warn", "A voxel edge is longer than half of the smallest clearance limit."),
    "entry-moved": ("note", "The given entry point was not on the surface and was moved along the axis."),
    "no-joint-surface": ("note", "Clearance to the joint was not measured: no joint surface was given."),
}
"""Every code, its severity and meaning: the documentation prints this table."""


@dataclass(frozen=True, eq=False)
class Case:
    """What the rules look at."""

    prepared: PreparedBone
    path: Path
    result: ScrewResult
    near: tuple[float, str] | None
    limits: Limits


def findings_of(
    prepared: PreparedBone, path: Path, result: ScrewResult, near: tuple[float, str] | None, limits: Limits
) -> tuple[Finding, ...]:
    """All findings of one screw, the worst first, otherwise in the order of the rules.

    ``near`` is the smallest gap to another screw and its name.
    """
    case = Case(prepared, path, result, near, limits)
    found = [finding for rule in RULES for finding in rule(case)]
    rank = {"stop": 0, "warn": 1, "note": 2}
    return tuple(sorted(found, key=lambda finding: rank[finding.severity]))


def _finding(
    code: str, message: str, source: str, value: float | None = None, limit: float | None = None
) -> Finding:
    return Finding(code, CODES[code][0], message, value, limit, source)


def _tip(case: Case) -> Iterator[Finding]:
    beyond_mm = case.result.tip_depth_mm - case.result.bone_length_mm
    if beyond_mm <= 0:
        return
    headless = case.path.placed.screw.headless
    limit_mm = 0.0 if headless else case.limits.tip_through_far_cortex_mm
    code = "tip-outside" if beyond_mm > limit_mm else "tip-through-far-cortex"
    yield _finding(
        code, f"The tip lies {beyond_mm:.1f} mm beyond the far cortex.", COMMON, beyond_mm, limit_mm
    )


def _other_bone(case: Case) -> Iterator[Finding]:
    seat_mm, tip_mm = case.path.placed.seat_depth_mm, case.path.tip_depth_mm
    for fragment in case.prepared.bone.fragments:
        if fragment.bone == case.path.bone_name or fragment.number not in case.path.axis:
            continue
        reached = case.path.axis[fragment.number].within(min(seat_mm, tip_mm), tip_mm)
        reached_mm = float((reached.to_mm - reached.from_mm).sum())
        if reached_mm > 0:
            message = f"The screw runs {reached_mm:.1f} mm through {fragment.name} of {fragment.bone}."
            yield _finding("tip-in-other-bone", message, COMMON, reached_mm, 0.0)


def _joint(case: Case) -> Iterator[Finding]:
    if case.prepared.joint is None:
        yield _finding("no-joint-surface", "No joint surface was given, so none was kept clear of.", OURS)
        return
    parts = {
        "leading end": case.result.leading_end,
        "body": case.result.body,
        "trailing end": case.result.trailing_end,
    }
    known = {name: clearance.joint for name, clearance in parts.items() if clearance.joint is not None}
    if not known:
        return
    name, least_mm = min(known.items(), key=lambda item: item[1])
    limit_mm = case.limits.joint_clearance_mm
    if least_mm < 0:
        message = f"The {name} lies {-least_mm:.1f} mm beyond the joint surface."
        yield _finding("joint-penetrated", message, COMMON, least_mm, limit_mm)
    elif least_mm < limit_mm:
        message = f"The {name} comes to {least_mm:.1f} mm of the joint surface."
        yield _finding("clearance-joint", message, COMMON, least_mm, limit_mm)


def _outer(case: Case) -> Iterator[Finding]:
    body_mm, limits = case.result.body.outer, case.limits
    if body_mm is not None and body_mm < 0:
        message = f"Thread or shaft come {-body_mm:.1f} mm out of the bone."
        yield _finding("body-outside", message, COMMON, body_mm, 0.0)
    elif body_mm is not None and body_mm < limits.body_clearance_mm:
        message = f"Thread or shaft come to {body_mm:.1f} mm of the surface."
        yield _finding("clearance-body", message, OURS, body_mm, limits.body_clearance_mm)
    leading_mm = case.result.leading_end.outer
    inside = case.result.tip_depth_mm <= case.result.bone_length_mm
    limit_mm = limits.leading_end_clearance_mm
    headless = case.path.placed.screw.headless
    if headless and inside and leading_mm is not None and leading_mm < limit_mm:
        message = f"The leading end comes to {leading_mm:.1f} mm of the surface."
        yield _finding("clearance-leading-end", message, COMMON, leading_mm, limit_mm)


def _seat(case: Case) -> Iterator[Finding]:
    placed, limits = case.path.placed, case.limits
    buried_mm = case.result.trailing_end.outer
    if placed.screw.headless and buried_mm is not None:
        if buried_mm < 0:
            message = f"The trailing end stands {-buried_mm:.1f} mm out of the bone."
            yield _finding("trailing-end-proud", message, COMMON, buried_mm, 0.0)
        elif buried_mm < limits.trailing_end_buried_mm:
            message = f"The trailing end is buried {buried_mm:.1f} mm."
            yield _finding(
                "clearance-trailing-end", message, COMMON, buried_mm, limits.trailing_end_buried_mm
            )
    if (
        not placed.screw.headless
        and placed.technique != "locking"
        and -placed.seat_depth_mm > limits.head_proud_mm
    ):
        message = f"The head stands {-placed.seat_depth_mm:.1f} mm off the bone."
        yield _finding("head-proud", message, OURS, -placed.seat_depth_mm, limits.head_proud_mm)
    before_exit_mm = case.result.bone_length_mm - placed.seat_depth_mm
    threads_mm = shortest_length_mm(placed.screw)
    if before_exit_mm < threads_mm:
        message = f"Sunk so deep, {before_exit_mm:.1f} mm lie before the exit; it needs {threads_mm:.1f}."
        yield _finding("seat-too-deep", message, OURS, before_exit_mm, threads_mm)


def _threads(case: Case) -> Iterator[Finding]:
    fragments, limit = case.result.fragments, case.limits.threads_beyond_fracture_count
    beyond = fragments[1:] or fragments
    for fragment in beyond:
        if 0 < fragment.threads_engaged < limit:
            message = f"{fragment.threads_engaged:.1f} threads bite in {fragment.fragment_name}."
            yield _finding("few-threads", message, COMMON, fragment.threads_engaged, limit)
    for index, fragment in enumerate(fragments):
        held_by_head = index == 0 and not case.path.placed.screw.headless
        if fragment.threads_engaged == 0 and not held_by_head:
            message = f"{fragment.fragment_name} is crossed, but nothing holds it."
            yield _finding("no-engagement", message, COMMON, 0.0, limit)


def _bridging(case: Case) -> Iterator[Finding]:
    bridging_mm = case.result.threads_bridging_mm
    if len(case.result.fragments) < 2 or bridging_mm <= 0:
        return
    fully_threaded = all(thread.length_mm is None for thread in case.path.placed.screw.threads)
    meant = fully_threaded and case.path.placed.technique in ("position", "locking")
    message = (
        f"One thread bites on both sides of the fracture, {bridging_mm:.1f} mm of it in the near fragment"
    )
    if meant:
        message += ": the screw holds the fragments at their distance and does not press them together."
    else:
        message += ": it keeps them apart; drill a gliding hole or take a longer smooth shaft."
    yield _finding(
        "threads-bridging-position" if meant else "threads-bridging", message, COMMON, bridging_mm, 0.0
    )


def _length(case: Case) -> Iterator[Finding]:
    placed, result = case.path.placed, case.result
    if abs(result.stocked_length_mm - placed.length_mm) > 1e-6:
        message = f"{placed.length_mm:g} mm is not stocked; the nearest is {result.stocked_length_mm:g} mm."
        yield _finding("length-not-stocked", message, COMMON, placed.length_mm, result.stocked_length_mm)
    # What is left before the far end, less what must stay clear, is how much longer the screw may be.
    room_mm = result.bone_length_mm - result.tip_depth_mm
    if placed.screw.headless:
        spare = [room_mm - case.limits.leading_end_clearance_mm]
        if result.leading_end.outer is not None:
            spare.append(result.leading_end.outer - case.limits.leading_end_clearance_mm)
    else:
        spare = [room_mm + case.limits.tip_through_far_cortex_mm]
    if result.leading_end.joint is not None:
        spare.append(result.leading_end.joint - case.limits.joint_clearance_mm)
    longer = [
        stocked
        for stocked in placed.screw.stocked_lengths_mm
        if placed.length_mm < stocked <= placed.length_mm + min(spare)
    ]
    if longer:
        message = f"A {max(longer):g} mm screw would fit with this seat and keep its limits."
        yield _finding("screw-short", message, OURS, placed.length_mm, max(longer))


def _scan(case: Case) -> Iterator[Finding]:
    path, bone = case.path, case.prepared.bone
    depth, axis = case.result.profile.depth_mm, case.result.profile.axis.hu
    needed = (depth >= 0) & (depth <= max(path.length_mm, path.tip_depth_mm))
    exit_ijk = bone.ct.grid.mm_to_ijk(case.result.exit_mm)
    at_border = (exit_ijk < 0.5) | (exit_ijk > np.asarray(bone.ct.grid.shape) - 1.5)
    if np.isnan(axis[needed]).any() or at_border.any():
        message = (
            "The path reaches the border of the scan: its exit, length and clearance there are not known."
        )
        yield _finding("axis-leaves-scan", message, OURS)
    coarsest_mm = float(bone.ct.grid.spacing_mm.max())
    half_mm = case.limits.smallest_clearance_mm / 2
    if coarsest_mm > half_mm + 1e-6:
        message = f"Voxels of {coarsest_mm:.2f} mm are too coarse to judge a limit of {2 * half_mm:g} mm."
        yield _finding("scan-too-coarse", message, OURS, coarsest_mm, half_mm)


def _other_screws(case: Case) -> Iterator[Finding]:
    if case.near is None:
        return
    gap_mm, name = case.near
    if gap_mm < 0:
        yield _finding(
            "screws-collide", f"It runs into screw {name} by {-gap_mm:.1f} mm.", COMMON, gap_mm, 0.0
        )
    elif gap_mm < case.limits.between_screws_mm:
        message = f"It comes to {gap_mm:.1f} mm of screw {name}."
        yield _finding("screws-close", message, OURS, gap_mm, case.limits.between_screws_mm)


def _density(case: Case) -> Iterator[Finding]:
    calibration = case.prepared.bone.calibration
    if calibration is None:
        why = case.prepared.bone.calibration_reason or "no calibration was given"
        yield _finding("density-uncalibrated", f"No density and no pull-out: {why}.", OURS)
    elif calibration.kind == "default-for-tube-voltage":
        error = calibration.standard_error_fraction
        message = (
            f"Density comes from a default slope with a standard error of {error:.0%}; it moves every force."
        )
        yield _finding("density-by-default", message, calibration.source, error)


def _entry(case: Case) -> Iterator[Finding]:
    moved_mm = case.path.entry_moved_mm
    if moved_mm > case.limits.entry_moved_mm:
        message = f"The given entry was {moved_mm:.1f} mm off the surface and was moved along the axis."
        yield _finding("entry-moved", message, OURS, moved_mm, case.limits.entry_moved_mm)


RULES: tuple[Callable[[Case], Iterator[Finding]], ...] = (
    _tip,
    _other_bone,
    _joint,
    _outer,
    _seat,
    _threads,
    _bridging,
    _length,
    _scan,
    _other_screws,
    _density,
    _entry,
)
