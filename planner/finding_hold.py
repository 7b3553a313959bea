"""What a person should know of what the thread bites in, and of the screw's length."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from planner.finding_case import COMMON, OURS, Case, Rule, finding
from planner.path import RING_COUNT
from planner.vocabulary import Finding


def _threads(case: Case) -> Iterator[Finding]:
    fragments = [fragment for fragment in case.result.fragments if fragment.axis_path_mm > 0]
    limit = case.limits.threads_beyond_fracture_count
    placed, path = case.path.placed, case.path
    under_head = not placed.screw.headless and len(fragments) > 1
    for fragment in fragments[1:] if under_head else fragments:
        if fragment.threads_engaged > 0:
            if fragment.threads_engaged < limit:
                message = f"Only {fragment.threads_engaged:.1f} threads bite in {fragment.fragment_name}."
                yield finding("few-threads", message, COMMON, fragment.threads_engaged, limit)
            continue
        reached = path.axis[fragment.fragment].within(min(0.0, placed.seat_depth_mm), path.tip_depth_mm)
        message = f"No thread bites in {fragment.fragment_name}, which the screw crosses."
        if not len(reached.line):
            message = f"The screw does not reach {fragment.fragment_name}, and no thread bites in it."
        yield finding("no-engagement", message, COMMON, 0.0, limit)


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
            yield finding("fragment-too-small", message, OURS, threads, case.limits.room_for_threads_count)


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
    yield finding(
        "threads-bridging-position" if meant else "threads-bridging", message, COMMON, bridging_mm, 0.0
    )


def _length(case: Case) -> Iterator[Finding]:
    placed, result = case.path.placed, case.result
    if abs(result.stocked_length_mm - placed.length_mm) > 1e-6:
        message = f"{placed.length_mm:g} mm is not stocked; the nearest is {result.stocked_length_mm:g} mm."
        yield finding("length-not-stocked", message, COMMON, placed.length_mm, result.stocked_length_mm)
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
        yield finding("screw-short", message, OURS, placed.length_mm, max(longer))


RULES: tuple[Rule, ...] = (_threads, _small, _bridging, _length)
