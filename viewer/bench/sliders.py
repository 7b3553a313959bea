"""What each handle is as a slider, for those who hear the page: where it stands, between what, in words.

Numbers are those of the assessment; WAI-ARIA 1.2 names them valuenow, valuemin, valuemax and valuetext.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from planner.plan_file import LENGTH_MAX_MM, SEAT_MIN_MM
from segmentation.vocabulary import Floats
from viewer.bench.hand import dial_degree
from viewer.report import words
from viewer.report.drawing import written
from viewer.report.subject import Subject
from viewer.report.view_frame import PosedFragment

FULL_TURN_DEGREE = 360.0
"""The dial goes round."""


@dataclass(frozen=True)
class Slider:
    """A handle's value in mm (the dial's in degrees), its ends, and what is said of it."""

    now: str
    min: str
    max: str
    text: str


def sliders(subject: Subject, cursor_mm: float, shown_mm: tuple[float, float]) -> dict[str, Slider]:
    """The five handles of a screw; the depth cursor at ``cursor_mm`` walks between ``shown_mm``."""
    result, placed = subject.result, subject.result.placed
    stocked_mm = [length - placed.length_mm for length in placed.screw.stocked_lengths_mm]
    # The entry moves along the section's height, which turns with the axis: its slider is its place along the
    # direction of the body that is nearest to it, which stays.
    nearest = int(np.argmax(np.abs(subject.frame.up)))
    height = np.sign(subject.frame.up[nearest]) * np.eye(3)[nearest]
    heights_mm = np.concatenate([_corners_mm(one) @ height for one in subject.own])
    x, y, z = (written(float(value)) for value in result.entry_mm)
    at = next((one.name for one in subject.stretches if one.from_mm <= cursor_mm <= one.to_mm), "")
    degree = dial_degree(subject.frame) % FULL_TURN_DEGREE
    return {
        "entry": _slider(
            float(result.entry_mm @ height),
            float(heights_mm.min()),
            float(heights_mm.max()),
            f"entry point, {x} right, {y} front, {z} head, in mm",
        ),
        "tip": _slider(
            result.tip_depth_mm,
            result.tip_depth_mm + min(stocked_mm),
            result.tip_depth_mm + max(stocked_mm),
            f"tip, {written(result.tip_depth_mm)} mm deep{_clear(subject)}",
        ),
        "seat": _slider(placed.seat_depth_mm, SEAT_MIN_MM, LENGTH_MAX_MM, _seat_text(subject)),
        "dial": _slider(degree, 0.0, FULL_TURN_DEGREE, f"dial, {written(degree, 0)} degrees"),
        "cursor": _slider(
            cursor_mm, *shown_mm, f"depth cursor, {written(cursor_mm)} mm{f', in {at}' if at else ''}"
        ),
    }


@lru_cache(maxsize=64)
def _corners_mm(fragment: PosedFragment) -> Floats:
    """The corners (8, 3) of the box around a fragment; the same for every frame of a drag."""
    ends = (fragment.vertices_mm.min(axis=0), fragment.vertices_mm.max(axis=0))
    return np.array([[ends[x][0], ends[y][1], ends[z][2]] for x in (0, 1) for y in (0, 1) for z in (0, 1)])


def _slider(now: float, low: float, high: float, text: str) -> Slider:
    """``now`` always lies between its ends, which give way where a plan does not keep them."""
    return Slider(f"{now:.2f}", f"{min(now, low):.2f}", f"{max(now, high):.2f}", text)


def _clear(subject: Subject) -> str:
    end = subject.result.leading_end
    if end.joint is not None:
        return f", {written(end.joint)} mm to joint"
    return "" if end.outer is None else f", {written(end.outer)} mm to surface"


def _seat_text(subject: Subject) -> str:
    return (
        f"seat depth, {written(subject.result.placed.seat_depth_mm)} mm, {words.seat_words(subject.result)}"
    )
