"""What a step did to a screw, in the words that undo shows: "length 22 to 24 mm"."""

from __future__ import annotations

import numpy as np

from planner.vocabulary import PlacedScrew


def alike(one: PlacedScrew, other: PlacedScrew) -> bool:
    """Whether two placed screws are the same but for their names."""
    return (
        one.screw is other.screw
        and one.length_mm == other.length_mm
        and one.technique == other.technique
        and one.seat_depth_mm == other.seat_depth_mm
        and np.array_equal(one.entry_mm, other.entry_mm)
        and np.array_equal(one.target_mm, other.target_mm)
    )


def step_words(before: PlacedScrew, after: PlacedScrew, handle: str | None) -> str:
    """What changed, for undo: "length 22 to 24 mm"."""
    if before.screw is not after.screw:
        return f"{after.name}: {after.screw.name}"
    if before.name != after.name:
        return f"name {before.name} to {after.name}"
    if before.technique != after.technique:
        return f"{after.name}: {after.technique}"
    if handle == "entry":
        return f"entry of {after.name}"
    if before.length_mm != after.length_mm:
        return f"length {before.length_mm:g} to {after.length_mm:g} mm"
    if before.seat_depth_mm != after.seat_depth_mm:
        return f"seat {before.seat_depth_mm:g} to {after.seat_depth_mm:g} mm"
    return f"axis of {after.name}"
