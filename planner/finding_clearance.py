"""What a person should know of how close the screw comes to the joint and to the outer surface."""

from __future__ import annotations

from collections.abc import Iterator

from planner.finding_case import COMMON, OURS, Case, Rule, finding
from planner.vocabulary import Finding, Interval


def _joint(case: Case) -> Iterator[Finding]:
    if case.prepared.joint_of(case.path.bone_name) is None:
        message = "No joint surface was given, so none was kept clear of."
        if case.prepared.joint is not None:
            message = f"No joint surface was found on {case.path.bone_name}, so none was kept clear of."
        yield finding("no-joint-surface", message, OURS)
        return
    own = [joint for joint in case.prepared.bone.joints if joint.bone == case.path.bone_name]
    if any(joint.automatic for joint in own):
        names = ", ".join(joint.name for joint in own if joint.automatic)
        message = (
            f"The joint surface ({names}) was found automatically: look at it; clearance is to the bone "
            "below the cartilage, whose thickness a CT does not show."
        )
        yield finding("joint-automatic", message, OURS)
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
        yield finding("joint-penetrated", message, COMMON, least_mm, limit_mm)
    elif least_mm < limit_mm:
        message = f"The {name} comes to {least_mm:.1f} mm of the joint surface."
        yield finding("clearance-joint", message, COMMON, least_mm, limit_mm)


def _outer(case: Case) -> Iterator[Finding]:
    body_mm, limits = case.result.body.outer, case.limits
    if body_mm is not None and body_mm < 0:
        message = f"Thread or shaft come {-body_mm:.1f} mm out of the bone."
        yield finding("body-outside", message, COMMON, body_mm, 0.0)
    elif body_mm is not None and body_mm < limits.body_clearance_mm:
        message = f"Thread or shaft come to {body_mm:.1f} mm of the surface."
        yield finding("clearance-body", message, OURS, body_mm, limits.body_clearance_mm)
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
        yield finding("leading-end-outside", message, COMMON, leading_mm, 0.0)
    elif headless and leading_mm < limit_mm:
        message = f"The leading end comes to {leading_mm:.1f} mm of the surface."
        yield finding("clearance-leading-end", message, COMMON, leading_mm, limit_mm)


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
            yield finding("clearance-uncertain", message, source, found.low, limit_mm)


RULES: tuple[Rule, ...] = (_joint, _outer, _uncertain)
