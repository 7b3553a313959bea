"""The cases for what is told of doubt: a limit kept only by its estimate, a sharp kernel."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from finding_cases import SMALL, Twins, down, found, slab, slab_with_joint

from planner.assess import ReadyBone, ready
from segmentation.vocabulary import SHARP_KERNEL


@cache
def noted(note: str) -> ReadyBone:
    """The 20 mm slab with a note of the segmentation."""
    bone = slab().prepared.bone
    return ready(replace(bone, segmentation=replace(bone.segmentation, notes=(note,))))


DOUBT_TWINS = [
    # A plain level's deviation of 0.4 mm: the interval reaches 0.66 mm down.
    Twins(
        "clearance-uncertain",
        lambda: found(slab(), down(-10, 18, x_mm=14 - 3.2)),
        lambda: found(slab(), down(-10, 18, x_mm=14 - 3.6)),
        "1.45 mm of 1 mm beside the side face, and 1.85",
    ),
    Twins(
        "clearance-uncertain",
        lambda: found(slab(), down(-10, 18, x_mm=14 - 3.2)),
        lambda: found(slab(), down(-10, 18, x_mm=14 - 2.5)),
        "a limit that is broken is told as broken",
    ),
    Twins(
        "clearance-uncertain",
        # Entry and surface both: 1.645 · √2 · 0.4 = 0.93 mm.
        lambda: found(slab_with_joint(), down(-10, 15.2)),
        lambda: found(slab_with_joint(), down(-10, 14.9)),
        "2.8 mm of 2 mm to the joint, and 3.1",
    ),
    Twins(
        "clearance-uncertain",
        lambda: found(slab(), down(-10, 15.3, SMALL, seat_depth_mm=2.0)),
        lambda: found(slab(), down(-10, 14.9, SMALL, seat_depth_mm=2.0)),
        "2.7 mm of 2 mm before the exit, headless, and 3.1",
    ),
    Twins(
        "clearance-uncertain",
        lambda: found(slab(), down(-10, 13, SMALL, seat_depth_mm=1.5)),
        lambda: found(slab(), down(-10, 13, SMALL, seat_depth_mm=1.8)),
        "buried 1.5 mm of 1 mm, and 1.8",
    ),
    Twins(
        "sharp-kernel",
        lambda: found(noted(f"{SHARP_KERNEL}: the air dips by 3.0% of the step"), down(-10, 14)),
        lambda: found(noted("the kernel is not told"), down(-10, 14)),
        "as the segmentation noted",
    ),
]
