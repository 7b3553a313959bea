"""The drilling of a screw, step by step: each a hole drawn on one common depth, with its figures.

Depths of all steps share one scale, and so do their diameters, which are drawn no larger than depths are.
Entry and exit are upright lines, the fracture is a broken one. While a stop stands nothing of it is told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.mechanics_vocabulary import DrillingStep
from viewer.report.drawing import line, outline, path, picture, px, written
from viewer.report.strip_lanes import gaps
from viewer.report.subject import Subject
from viewer.report.thread_teeth import silhouette_mm, teeth
from viewer.report.tokens import INK, INK_3, PAPER, RULE
from viewer.report.words import has_stop

ROW_PX, EDGE_PX = 20.0, 5.0
"""Height of a step's drawing, and what stays free at its ends."""

POINT_SHARE = 0.6
"""Length of a drill's point over its diameter: about 120° at its tip (common practice, from memory), with
what is lost to drawing at this size."""

WITHHELD = "No drilling depths while a stop stands: a stop takes the rewards away."
"""What stands instead of the steps."""


@dataclass(frozen=True)
class DrillRow:
    """One step: its words, its two figures with their ``place`` in a screw of assessment.json, its drawing.

    ``diameter`` and ``reading`` are empty where the step has none.
    """

    words: str
    place: str
    step: DrillingStep
    diameter: str
    reading: str
    svg: str


def drill_rows(subject: Subject, width: float) -> list[DrillRow]:
    """The steps in the order of the hand, drawn ``width`` px wide; none while a stop stands."""
    if has_stop(subject.result):
        return []
    ruler = _ruler(subject, width)
    return [
        DrillRow(
            "gauge reads" if step.step == "gauge" else step.step,
            f"drilling[{number}]",
            step,
            "" if step.diameter_mm is None else f"{step.diameter_mm:g}",
            _reading(step),
            picture(width, ROW_PX, _lines(subject, ruler) + _drawn(subject, step, ruler), step.note),
        )
        for number, step in enumerate(subject.result.drilling)
    ]


@dataclass(frozen=True)
class _Ruler:
    """Pixels of a depth and of a radius."""

    start_px: float
    depth_px: float
    radius_px: float

    def x(self, depth_mm: float) -> float:
        """Place of a depth."""
        return self.start_px + depth_mm * self.depth_px

    def y(self, radius_mm: float) -> float:
        """Place of a radius, above the axis where it is above 0."""
        return ROW_PX / 2 - radius_mm * self.radius_px


def _ruler(subject: Subject, width: float) -> _Ruler:
    steps = subject.result.drilling
    first_mm = min(0.0, subject.top_depth_mm, *(step.from_mm for step in steps))
    last_mm = max(subject.exit_depth_mm, *(step.to_mm for step in steps))
    scale = (width - 2 * EDGE_PX) / (last_mm - first_mm)
    widest_mm = max(
        2 * float(subject.solid.outline_mm[:, 1].max()), *(step.diameter_mm or 0.0 for step in steps)
    )
    return _Ruler(EDGE_PX - first_mm * scale, scale, min(scale, (ROW_PX - 3) / widest_mm))


def _lines(subject: Subject, ruler: _Ruler) -> str:
    entry, leaves = ruler.x(0.0), ruler.x(subject.exit_depth_mm)
    drawn = line(entry, ROW_PX / 2, leaves, ROW_PX / 2, RULE, 0.8)
    for gap in gaps(subject):
        if gap.is_fracture:
            at = ruler.x((gap.from_mm + gap.to_mm) / 2)
            drawn += line(at, 0.0, at, ROW_PX, INK_3, 0.9, stroke_dasharray="2 2")
    return drawn + line(entry, 0.0, entry, ROW_PX, INK) + line(leaves, 0.0, leaves, ROW_PX, INK)


def _reading(step: DrillingStep) -> str:
    if step.step == "screw":
        return f"{step.reading_mm:g}"
    return "" if _is_none(step) else written(step.reading_mm)


def _is_none(step: DrillingStep) -> bool:
    """A tap that is not needed."""
    return step.to_mm <= step.from_mm and step.diameter_mm is None


def _drawn(subject: Subject, step: DrillingStep, ruler: _Ruler) -> str:
    if _is_none(step):
        return ""
    return _SHAPES.get(step.step, _hole)(subject, step, ruler)


def _hole(_: Subject, step: DrillingStep, ruler: _Ruler) -> str:
    """What a drill leaves, with its point."""
    return _pointed(step, ruler, PAPER)


def _wire(_: Subject, step: DrillingStep, ruler: _Ruler) -> str:
    return _pointed(step, ruler, INK)


def _pointed(step: DrillingStep, ruler: _Ruler, fill: str) -> str:
    radius_mm = (step.diameter_mm or 0.0) / 2
    top, bottom = ruler.y(radius_mm), ruler.y(-radius_mm)
    start, end = ruler.x(step.from_mm), ruler.x(step.to_mm)
    shoulder = max(start, end - POINT_SHARE * (bottom - top) / 2)
    shape = (
        f"M{px(start)} {px(top)}H{px(shoulder)}L{px(end)} {px(ROW_PX / 2)}L{px(shoulder)} {px(bottom)}"
        f"H{px(start)}z"
    )
    return path(shape, fill=fill, stroke=INK, stroke_width="1.2")


def _countersink(_: Subject, step: DrillingStep, ruler: _Ruler) -> str:
    radius_mm = (step.diameter_mm or 0.0) / 2
    top, bottom = ruler.y(radius_mm), ruler.y(-radius_mm)
    start, end = ruler.x(step.from_mm), ruler.x(step.to_mm)
    shape = f"M{px(start)} {px(top)}L{px(end)} {px(ROW_PX / 2)}L{px(start)} {px(bottom)}z"
    return path(shape, fill=PAPER, stroke=INK, stroke_width="1.2")


def _gauge(_: Subject, step: DrillingStep, ruler: _Ruler) -> str:
    """From the seat to the hook."""
    start, end, middle = ruler.x(step.from_mm), ruler.x(step.to_mm), ROW_PX / 2
    shape = (
        f"M{px(start)} {px(middle - 4)}v8M{px(start)} {px(middle)}H{px(end)}M{px(end - 5)} {px(middle - 3.5)}"
    )
    return path(f"{shape}l5 3.5l-5 3.5", stroke=INK, stroke_width="1.5")


def _tap(_: Subject, step: DrillingStep, ruler: _Ruler) -> str:
    """Between two walls with the turns of a thread."""
    radius_mm = (step.diameter_mm or 0.0) / 2
    top, bottom = ruler.y(radius_mm), ruler.y(-radius_mm)
    start, end = ruler.x(step.from_mm), ruler.x(step.to_mm)
    turns = "".join(
        f"M{px(x)} {px(bottom)}L{px(min(x + 2, end))} {px(top)}"
        for x in np.arange(start, end - 1, 4.0).tolist()
    )
    walls = f"M{px(start)} {px(top)}H{px(end)}V{px(bottom)}H{px(start)}z"
    return path(walls, fill=PAPER, stroke=INK, stroke_width="1.2") + path(
        turns, stroke=INK, stroke_width="0.8"
    )


def _screw(subject: Subject, _: DrillingStep, ruler: _Ruler) -> str:
    shapes = [silhouette_mm(subject.solid), *(tooth.points_mm for tooth in teeth(subject.solid))]
    drawn = ""
    for shape in shapes:
        x = ruler.start_px + (shape[:, 0] + subject.seat_mm) * ruler.depth_px
        drawn += outline(np.column_stack([x, ROW_PX / 2 - shape[:, 1] * ruler.radius_px]), closed=True)
    return path(drawn, fill=INK)


_SHAPES: dict[str, Callable[[Subject, DrillingStep, _Ruler], str]] = {
    "guide wire": _wire,
    "countersink": _countersink,
    "gauge": _gauge,
    "tap": _tap,
    "screw": _screw,
}
"""Step → its drawing; any other is a hole."""
