"""What a person should know about a screw: the rules; their codes are in ``finding_codes.py``.

A *stop* says the plan as it stands harms or cannot be done; a *warn* that a limit of practice is broken; a
*note* that the reader should know. The rules read the numbers of the result; they measure nothing themselves.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from planner.finding_codes import CODES as CODES
from planner.limits import Limits, tip_room_mm
from planner.mesh import Stretches
from planner.near_metal import in_slices_of_mm, share_in_streaks_fraction
from planner.path import RING_COUNT, Path
from planner.prepared import FACING_MM, PreparedBone
from planner.scan_border import reaches_border
from planner.solid import shortest_length_mm
from planner.vocabulary import Finding, Interval, ScrewResult
from segmentation.vocabulary import SHARP_KERNEL

CAUTIONS = (
    "For planning discussion, research and teaching; not a medical device.",
    "Numbers are estimates with the stated intervals (5th to 95th percentile); verify by imaging in theatre.",
    "The decision belongs to a licensed surgeon, local protocols and the implant's own instructions.",
)
"""Said on every screen, report and result."""

FAR_OFF_MM = 5.0
"""A given entry so far off the surface points to another frame or another patient. Our choice."""

COMMON, OURS = "common practice", "our choice"


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
    tip_mm, path = case.result.tip_depth_mm, case.path
    if tip_mm <= 0:
        message = f"The screw ends {-tip_mm:.1f} mm before the bone and does not reach it."
        yield _finding("tip-outside", message, COMMON, -tip_mm, 0.0)
        return
    on_axis = [
        (float(start), float(stop), number)
        for number in case.prepared.fragments_of(path.bone_name)
        if number in path.axis
        for start, stop in path.axis[number].of_line(0)
    ]
    if any(start <= tip_mm <= stop for start, stop, _ in on_axis):
        return
    _, last_exit_mm, left = max((part for part in on_axis if part[1] < tip_mm), key=lambda part: part[1])
    beyond_mm = tip_mm - last_exit_mm
    limit_mm = 0.0 if path.placed.screw.headless else case.limits.tip_through_far_cortex_mm
    code = "tip-outside" if beyond_mm > limit_mm else "tip-through-far-cortex"
    message = f"The tip lies {beyond_mm:.1f} mm beyond the far cortex."
    fits = [
        stocked
        for stocked in path.placed.screw.stocked_lengths_mm
        if path.placed.length_mm - stocked >= beyond_mm - tip_room_mm(path.placed.screw, case.limits)
    ]
    if beyond_mm > limit_mm and fits and "bone_length_mm" not in case.result.reasons:
        message = f"{message[:-1]}; with this seat {max(fits):g} mm is the longest stocked in limits."
    ahead = [part for part in on_axis if part[0] > tip_mm]
    if ahead:
        following = min(ahead)[2]
        name, other = (case.prepared.bone.fragment(number).name for number in (left, following))
        message = f"The tip lies {beyond_mm:.1f} mm out of {name}, where the bone curves away from the axis."
        if following != left and beyond_mm <= FACING_MM:
            code, limit_mm = "ends-in-fracture", 0.0
            message = f"The tip ends {beyond_mm:.1f} mm past {name}, before {other} begins."
    yield _finding(code, message, COMMON, beyond_mm, limit_mm)


def _other_bone(case: Case) -> Iterator[Finding]:
    path = case.path
    seat_mm, tip_mm = path.placed.seat_depth_mm, path.tip_depth_mm
    behind_mm = seat_mm + path.solid.top_mm - tip_mm
    for fragment in case.prepared.bone.fragments:
        number = fragment.number
        if number not in path.axis:
            continue
        if fragment.bone != path.bone_name:
            lines = [path.axis[number].within(seat_mm, tip_mm)]
            for zone, ring in zip(path.solid.zones, path.ring[number], strict=True):
                lines.append(ring.within(seat_mm + zone.from_mm, seat_mm + zone.full_to_mm))
            reached_mm = max(_longest_mm(line) for line in lines)
            if reached_mm > 0:
                message = f"The screw runs {reached_mm:.1f} mm through {fragment.name} of {fragment.bone}."
                yield _finding("tip-in-other-bone", message, COMMON, reached_mm, 0.0)
        # While its tip is at the entry, the whole screw lies behind it.
        in_the_way_mm = _longest_mm(path.axis[number].within(behind_mm, min(0.0, seat_mm)))
        if in_the_way_mm > case.limits.in_the_way_mm:
            message = f"{in_the_way_mm:.1f} mm of {fragment.name} lie behind the entry, in the screw's way."
            yield _finding("way-blocked", message, OURS, in_the_way_mm, case.limits.in_the_way_mm)


def _longest_mm(stretches: Stretches) -> float:
    """The most that one of the lines is inside."""
    lengths = np.bincount(stretches.line, stretches.to_mm - stretches.from_mm)
    return float(lengths.max(initial=0.0))


def _together(case: Case) -> Iterator[Finding]:
    crossed = [fragment for fragment in case.result.fragments if fragment.axis_path_mm > 0]
    if case.result.bone_name not in case.prepared.bone.segmentation.taken_together or len(crossed) < 2:
        return
    names = " and ".join(fragment.fragment_name for fragment in crossed)
    message = (
        f"Only because they lie close {len(crossed)} pieces ({names}) were taken as one bone; if not, "
        f"it ends {case.result.fragments[0].axis_path_mm:.1f} mm deep: name them when segmenting."
    )
    yield _finding("pieces-taken-together", message, OURS, float(len(crossed)), 1.0)


def _joint(case: Case) -> Iterator[Finding]:
    if case.prepared.joint_of(case.path.bone_name) is None:
        message = "No joint surface was given, so none was kept clear of."
        if case.prepared.joint is not None:
            message = f"No joint surface was found on {case.path.bone_name}, so none was kept clear of."
        yield _finding("no-joint-surface", message, OURS)
        return
    own = [joint for joint in case.prepared.bone.joints if joint.bone == case.path.bone_name]
    if any(joint.automatic for joint in own):
        names = ", ".join(joint.name for joint in own if joint.automatic)
        message = (
            f"The joint surface ({names}) was found automatically: look at it; clearance is to the bone "
            "below the cartilage, whose thickness a CT does not show."
        )
        yield _finding("joint-automatic", message, OURS)
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
    room_mm = case.result.bone_length_mm - case.result.tip_depth_mm
    limit_mm = limits.leading_end_clearance_mm
    headless = case.path.placed.screw.headless
    # A headed screw may come through the far cortex: what leaves it near the exit is told by the tip.
    before_exit = room_mm >= (0.0 if headless else limits.tip_through_far_cortex_mm)
    if leading_mm is None or not before_exit:
        return
    if leading_mm < 0:
        message = f"The leading end comes {-leading_mm:.1f} mm out of the bone sideways."
        yield _finding("leading-end-outside", message, COMMON, leading_mm, 0.0)
    elif headless and leading_mm < limit_mm:
        message = f"The leading end comes to {leading_mm:.1f} mm of the surface."
        yield _finding("clearance-leading-end", message, COMMON, leading_mm, limit_mm)


def _uncertain(case: Case) -> Iterator[Finding]:
    """Limits that the estimate keeps and the low end of its interval does not."""
    limits, ranges, headless = case.limits, case.result.intervals, case.path.placed.screw.headless
    parts = {"leading end": ranges.leading_end, "body": ranges.body, "trailing end": ranges.trailing_end}
    to_joint = {name: part.joint for name, part in parts.items() if part.joint is not None}
    checked: list[tuple[str, str, Interval | None, float, str]] = [
        ("body", "outer surface", ranges.body.outer, limits.body_clearance_mm, OURS),
    ]
    if to_joint:
        name, lowest = min(to_joint.items(), key=lambda item: item[1].low)
        if min(one.estimate for one in to_joint.values()) >= limits.joint_clearance_mm:
            checked.append((name, "joint surface", lowest, limits.joint_clearance_mm, COMMON))
    if headless:
        leading, trailing = ranges.leading_end.outer, ranges.trailing_end.outer
        checked.append(("leading end", "outer surface", leading, limits.leading_end_clearance_mm, COMMON))
        checked.append(("trailing end", "outer surface", trailing, limits.trailing_end_buried_mm, COMMON))
    for part, surface, found, limit_mm, source in checked:
        if found is not None and found.low < limit_mm <= found.estimate:
            message = (
                f"The {part} keeps the limit to the {surface} by the estimate, {found.estimate:.1f} mm, "
                f"but not by the low end of its interval, {found.low:.1f} mm."
            )
            yield _finding("clearance-uncertain", message, source, found.low, limit_mm)


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
    # The shortest marked length, measured from the datum plane: without the head where it counts.
    needs_mm = shortest_length_mm(placed.screw) - (placed.length_mm - case.path.solid.tip_mm)
    if before_exit_mm < needs_mm:
        message = (
            f"{before_exit_mm:.1f} mm lie between seat and exit; threads and tip need {needs_mm:.1f} mm."
        )
        yield _finding("seat-too-deep", message, OURS, before_exit_mm, needs_mm)


def _threads(case: Case) -> Iterator[Finding]:
    fragments = [fragment for fragment in case.result.fragments if fragment.axis_path_mm > 0]
    limit = case.limits.threads_beyond_fracture_count
    placed, path = case.path.placed, case.path
    under_head = not placed.screw.headless and len(fragments) > 1
    for fragment in fragments[1:] if under_head else fragments:
        if fragment.threads_engaged > 0:
            if fragment.threads_engaged < limit:
                message = f"Only {fragment.threads_engaged:.1f} threads bite in {fragment.fragment_name}."
                yield _finding("few-threads", message, COMMON, fragment.threads_engaged, limit)
            continue
        reached = path.axis[fragment.fragment].within(min(0.0, placed.seat_depth_mm), path.tip_depth_mm)
        message = f"No thread bites in {fragment.fragment_name}, which the screw crosses."
        if not len(reached.line):
            message = f"The screw does not reach {fragment.fragment_name}, and no thread bites in it."
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
    room_mm = result.bone_length_mm - result.tip_depth_mm
    if room_mm <= 0 or "bone_length_mm" in result.reasons:
        return
    # What is left before the far end, less what must stay clear, is how much longer the screw may be.
    if placed.screw.headless:
        spare = [room_mm - case.limits.leading_end_clearance_mm]
        if result.leading_end.outer is not None:
            spare.append(result.leading_end.outer - case.limits.leading_end_clearance_mm)
    else:
        spare = [room_mm + case.limits.tip_through_far_cortex_mm]
    if result.leading_end.joint is not None:
        spare.append(result.leading_end.joint - case.limits.joint_clearance_mm)
    for fragment in case.prepared.bone.fragments:
        if fragment.bone != result.bone_name and fragment.number in case.path.axis:
            starts = case.path.axis[fragment.number].from_mm
            spare += [float(start) - result.tip_depth_mm for start in starts[starts > result.tip_depth_mm]]
    longer = [
        stocked
        for stocked in placed.screw.stocked_lengths_mm
        if placed.length_mm < stocked <= placed.length_mm + min(spare)
    ]
    if longer:
        message = f"A {max(longer):g} mm screw would fit along the axis with this seat"
        message += (
            "." if case.prepared.joint_of(result.bone_name) is not None else "; the joint was not looked at."
        )
        yield _finding("screw-short", message, OURS, placed.length_mm, max(longer))


def _scan(case: Case) -> Iterator[Finding]:
    path, bone = case.path, case.prepared.bone
    depth, axis = case.result.profile.depth_mm, case.result.profile.axis.hu
    needed = (depth >= 0) & (depth <= max(path.length_mm, path.tip_depth_mm))
    if np.isnan(axis[needed]).any() or reaches_border(case.prepared, path):
        message = "The path reaches the border of the scan: length and clearance there are not known."
        yield _finding("axis-leaves-scan", message, OURS)
    coarsest_mm = float(bone.ct.grid.spacing_mm.max())
    half_mm = case.limits.smallest_clearance_mm / 2
    if coarsest_mm > half_mm + 1e-6:
        message = f"Voxels of {coarsest_mm:.2f} mm are too coarse to judge a limit of {2 * half_mm:g} mm."
        yield _finding("scan-too-coarse", message, OURS, coarsest_mm, half_mm)


def _metal(case: Case) -> Iterator[Finding]:
    limit_mm = case.limits.near_metal_mm
    path, segmentation = case.path, case.prepared.bone.segmentation
    away = [
        (away_mm, piece, case.prepared.poses[number])
        for piece in segmentation.removed
        for number in path.axis
        if (away_mm := in_slices_of_mm(case.prepared.bone.ct.grid, piece, path, case.prepared.poses[number]))
        is not None
    ]
    if not away:
        return
    least_mm, piece, pose = min(away, key=lambda one: one[0])
    if least_mm < limit_mm:
        share = share_in_streaks_fraction(case.prepared.bone.ct.grid, segmentation.removed, path, pose)
        message = (
            f"The screw comes to {least_mm:.1f} mm of metal ({piece.volume_mm3:.0f} mm³) in the same slices, "
            f"and {share:.0%} of its path lies in streaks: surface and density there are less certain."
        )
        yield _finding("near-metal", message, OURS, least_mm, limit_mm)


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


def _kernel(case: Case) -> Iterator[Finding]:
    for note in case.prepared.bone.segmentation.notes:
        if note.startswith(SHARP_KERNEL):
            yield _finding("sharp-kernel", f"The scan has {note}.", OURS)


def _entry(case: Case) -> Iterator[Finding]:
    moved_mm = case.path.entry_moved_mm
    if moved_mm > case.limits.entry_moved_mm:
        message = f"The given entry was {moved_mm:.1f} mm off the surface and was moved along the axis."
        if moved_mm > FAR_OFF_MM:
            message = f"{message[:-1]}; that is far: are its points RAS+ millimetres of this scan?"
        yield _finding("entry-moved", message, OURS, moved_mm, case.limits.entry_moved_mm)


def _overlap(case: Case) -> Iterator[Finding]:
    crossed = {fragment.fragment for fragment in case.result.fragments}
    for pair, shared in case.prepared.shared.items():
        limit_mm3 = case.limits.fragments_overlap_mm * shared.area_mm2
        if shared.volume_mm3 > limit_mm3 and crossed & set(pair):
            one, other = (case.prepared.bone.fragment(number).name for number in pair)
            message = f"As reduced {one} and {other} share {shared.volume_mm3:.1f} mm³: the deeper counts."
            yield _finding("fragments-overlap", message, OURS, shared.volume_mm3, limit_mm3)


def _small(case: Case) -> Iterator[Finding]:
    path = case.path
    for fragment in case.result.fragments:
        if fragment.axis_path_mm <= 0:
            continue
        # What would bite if full thread ran through all of it, by the pitch of the thread that comes nearest.
        cells_mm = path.ring_in_cells_mm(fragment.fragment).sum(axis=0) / RING_COUNT
        pitches_mm = np.array([zone.thread.pitch_mm for zone in path.solid.zones])[path.zone_of_cell]
        threads = float((cells_mm / pitches_mm).sum())
        if threads < case.limits.room_for_threads_count:
            message = (
                f"Only {threads:.1f} turns of thread have room in {fragment.fragment_name}: "
                "it is too small there to be held."
            )
            yield _finding("fragment-too-small", message, OURS, threads, case.limits.room_for_threads_count)


RULES: tuple[Callable[[Case], Iterator[Finding]], ...] = (
    _tip,
    _other_bone,
    _together,
    _overlap,
    _joint,
    _outer,
    _uncertain,
    _seat,
    _threads,
    _small,
    _bridging,
    _length,
    _scan,
    _metal,
    _other_screws,
    _density,
    _kernel,
    _entry,
)
