"""Findings about joints that were found: the cases built to break their rules, as in finding_cases.py."""

from __future__ import annotations

from finding_cases import Twins, down, found, slab_with_joint, two_bones

JOINT_TWINS = [
    Twins(
        "joint-automatic",
        lambda: found(two_bones(find_joints=True), down(-12.6, 9.4, "iso5835-ha-2.0")),
        lambda: found(slab_with_joint(), down(-10, 14)),
        "two bones face each other",
    ),
]
