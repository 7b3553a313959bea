"""What a person should know of where the screw lies: tip, other bones, seat, entry and its neighbours."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from planner.finding_case import COMMON, OURS, Case, Rule, finding
from planner.limits import tip_room_mm
from planner.mesh import Stretches
from planner.prepared import FACING_MM
from planner.solid import shortest_length_mm
from planner.vocabulary import Finding

FAR_OFF_MM = 5.0
"""A given entry so far off the surface points to another frame or another patient. Our choice."""

TOUCHES_MM = 0.05
"""Screws that run into each other by less are said to touch: a length would be written as 0.0."""


def _tip(case: Case) -> Iterator[Finding]:
    tip_mm, path = case.result.tip_depth_mm, case.path
    if tip_mm <= 0:
        message = f"The screw ends {-tip_mm:.1f} mm before the bone and does not reach it."
        yield finding("tip-outside", message, COMMON, -tip_mm, 0.0)
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
    yield finding(code, message, COMMON, beyond_mm, limit_mm)


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
                yield finding("tip-in-other-bone", message, COMMON, reached_mm, 0.0)
        # While its tip is at the entry, the whole screw lies behind it.
        in_the_way_mm = _longest_mm(path.axis[number].within(behind_mm, min(0.0, seat_mm)))
        if in_the_way_mm > case.limits.in_the_way_mm:
            message = f"{in_the_way_mm:.1f} mm of {fragment.name} lie behind the entry, in the screw's way."
            yield finding("way-blocked", message, OURS, in_the_way_mm, case.limits.in_the_way_mm)


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
    yield finding("pieces-taken-together", message, OURS, float(len(crossed)), 1.0)


def _overlap(case: Case) -> Iterator[Finding]:
    crossed = {fragment.fragment for fragment in case.result.fragments}
    for pair, shared in case.prepared.shared.items():
        limit_mm3 = case.limits.fragments_overlap_mm * shared.area_mm2
        if shared.volume_mm3 > limit_mm3 and crossed & set(pair):
            one, other = (case.prepared.bone.fragment(number).name for number in pair)
            message = f"As reduced {one} and {other} share {shared.volume_mm3:.1f} mm³: the deeper counts."
            yield finding("fragments-overlap", message, OURS, shared.volume_mm3, limit_mm3)


def _seat(case: Case) -> Iterator[Finding]:
    placed, limits = case.path.placed, case.limits
    buried_mm = case.result.trailing_end.outer
    if placed.screw.headless and buried_mm is not None:
        if buried_mm < 0:
            message = f"The trailing end stands {-buried_mm:.1f} mm out of the bone."
            yield finding("trailing-end-proud", message, COMMON, buried_mm, 0.0)
        elif buried_mm < limits.trailing_end_buried_mm:
            message = f"The trailing end is buried {buried_mm:.1f} mm."
            yield finding("clearance-trailing-end", message, COMMON, buried_mm, limits.trailing_end_buried_mm)
    if (
        not placed.screw.headless
        and placed.technique != "locking"
        and -placed.seat_depth_mm > limits.head_proud_mm
    ):
        message = f"The head stands {-placed.seat_depth_mm:.1f} mm off the bone."
        yield finding("head-proud", message, OURS, -placed.seat_depth_mm, limits.head_proud_mm)
    before_exit_mm = case.result.bone_length_mm - placed.seat_depth_mm
    # The shortest marked length, measured from the datum plane: without the head where it counts.
    needs_mm = shortest_length_mm(placed.screw) - (placed.length_mm - case.path.solid.tip_mm)
    if before_exit_mm < needs_mm:
        message = (
            f"{before_exit_mm:.1f} mm lie between seat and exit; threads and tip need {needs_mm:.1f} mm."
        )
        yield finding("seat-too-deep", message, OURS, before_exit_mm, needs_mm)


def _other_screws(case: Case) -> Iterator[Finding]:
    for gap_mm, name in case.others:
        if gap_mm < 0:
            touches = -gap_mm < TOUCHES_MM
            message = (
                f"It touches screw {name}." if touches else f"It runs into screw {name} by {-gap_mm:.1f} mm."
            )
            yield finding("screws-collide", message, COMMON, gap_mm, 0.0)
        elif gap_mm < case.limits.between_screws_mm:
            message = f"It comes to {gap_mm:.1f} mm of screw {name}."
            yield finding("screws-close", message, OURS, gap_mm, case.limits.between_screws_mm)


def _entry(case: Case) -> Iterator[Finding]:
    moved_mm = case.path.entry_moved_mm
    if moved_mm > case.limits.entry_moved_mm:
        message = f"The given entry was {moved_mm:.1f} mm off the surface and was moved along the axis."
        if moved_mm > FAR_OFF_MM:
            message = f"{message[:-1]}; that is far: are its points RAS+ millimetres of this scan?"
        yield finding("entry-moved", message, OURS, moved_mm, case.limits.entry_moved_mm)


RULES: tuple[Rule, ...] = (_tip, _other_bone, _together, _overlap, _seat, _other_screws, _entry)
