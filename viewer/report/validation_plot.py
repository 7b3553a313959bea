"""Measured against predicted, on logarithmic scales: a mark a row, its 5-95 % interval, and equality.

Forces and torques have a panel each. Foam is a filled mark, bone an open one; a mark on the line was
predicted exactly, a bar that crosses the line covers its measurement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from planner.host_words import host_kind
from planner.lab_prediction import Prediction, Skipped
from viewer.report.drawing import SMALL, element, line, picture, rect, text
from viewer.report.tokens import HAIR, INK, INK_2, INK_3, PAPER

PANEL_PX, LEFT_PX, TOP_PX, BOTTOM_PX, RIGHT_PX = 300.0, 58.0, 44.0, 56.0, 16.0
"""Side of a panel's square and the margins around it."""

ROOM_FACTOR = 1.25
"""The scales reach this far beyond the outermost value. Our choice."""

TICK_STEPS = (1, 2, 5)
"""Ticks in a decade."""

MANY_DECADES_COUNT = 2.2
"""From so many decades on only whole ones have ticks. Our choice."""

MARK_PX = 3.4
"""Radius of a mark."""


def validation_plot(judged: Sequence[Prediction | Skipped]) -> str:
    """The drawing as SVG; where nothing was predicted and measured, a sentence says so."""
    told = [one for one in judged if isinstance(one, Prediction) and one.row.measured is not None]
    panels = [
        (title, unit, some)
        for title, unit, some in (
            ("Forces", "N, or N per mm", [one for one in told if not one.row.is_torque]),
            ("Torques", "N·m", [one for one in told if one.row.is_torque]),
        )
        if some
    ]
    width = max(1, len(panels)) * (LEFT_PX + PANEL_PX + RIGHT_PX)
    height = TOP_PX + PANEL_PX + BOTTOM_PX
    drawn = rect(0, 0, width, height, PAPER)
    for place, (title, unit, some) in enumerate(panels):
        inside = _panel(title, unit, some)
        drawn += element("g", inside, transform=f"translate({place * (LEFT_PX + PANEL_PX + RIGHT_PX):g} 0)")
    if not panels:
        drawn += text(LEFT_PX, TOP_PX, "No row is both predicted and measured.")
    drawn += text(
        LEFT_PX,
        height - 6,
        "Filled: foam. Open: bone. Bar: 5 to 95 %. Estimates; not a medical device.",
        fill=INK_2,
    )
    drawn = element("g", drawn, font_family="Helvetica, Arial, sans-serif")
    return picture(width, height, drawn, "Measured against predicted screw tests")


def _panel(title: str, unit: str, some: Sequence[Prediction]) -> str:
    values = [value for one in some for value in (one.predicted.low, one.predicted.high, one.row.measured)]
    known = [value for value in values if value is not None and value > 0]
    low, high = math.log10(min(known) / ROOM_FACTOR), math.log10(max(known) * ROOM_FACTOR)

    def at(value: float) -> float:
        return (math.log10(value) - low) / (high - low) * PANEL_PX

    def x(value: float) -> float:
        return LEFT_PX + at(value)

    def y(value: float) -> float:
        return TOP_PX + PANEL_PX - at(value)

    right, bottom = LEFT_PX + PANEL_PX, TOP_PX + PANEL_PX
    drawn = text(LEFT_PX, TOP_PX - 26, f"{title}, {len(some)} rows", bold=True)
    drawn += text(LEFT_PX, TOP_PX - 10, f"up: measured ({unit})", fill=INK_2)
    drawn += text(right, bottom + 28, f"predicted ({unit})", anchor="end", fill=INK_2)
    for value in _ticks(low, high):
        drawn += line(LEFT_PX, y(value), right, y(value), HAIR) + line(
            x(value), TOP_PX, x(value), bottom, HAIR
        )
        drawn += text(LEFT_PX - 6, y(value) + SMALL / 3, f"{value:g}", anchor="end", fill=INK_3)
        drawn += text(x(value), bottom + 14, f"{value:g}", anchor="middle", fill=INK_3)
    drawn += line(LEFT_PX, bottom, right, TOP_PX, INK_2, 1, stroke_dasharray="5 3")
    drawn += rect(LEFT_PX, TOP_PX, PANEL_PX, PANEL_PX, stroke=INK_3)
    for one in some:
        measured, told = one.row.measured or 0.0, one.predicted
        drawn += line(x(told.low), y(measured), x(told.high), y(measured), INK_3, 1.2)
        foam = host_kind(one.row) == "foam"
        title_of = element("title", escape(f"{one.row.key}: {measured:g} measured, {told.estimate:.3g}"))
        drawn += element(
            "circle",
            title_of,
            cx=x(told.estimate),
            cy=y(measured),
            r=MARK_PX,
            fill=INK if foam else PAPER,
            stroke=INK,
        )
    return drawn


def _ticks(bottom: float, top: float) -> list[float]:
    """Values at 1, 2 and 5 in each decade between two logarithms; only the decades where there are many."""
    powers = range(math.floor(bottom), math.ceil(top) + 1)
    steps = TICK_STEPS if top - bottom < MANY_DECADES_COUNT else TICK_STEPS[:1]
    values = [step * 10.0**power for power in powers for step in steps]
    return [value for value in values if bottom <= math.log10(value) <= top]
