"""What a page of figures says of drilling and mechanics, side by side, and how much room that takes."""

from __future__ import annotations

from markupsafe import Markup

from viewer.report import words
from viewer.report.drawing import BODY, PX_PER_MM, SMALL, written
from viewer.report.drill_rows import WITHHELD, DrillRow, drill_rows
from viewer.report.mechanics_rows import (
    MechanicsRow,
    foot_words,
    hold_row,
    insertion_limit_n_m,
    mechanics_rows,
    torque_svg,
)
from viewer.report.sheet import ROW_PX, SMALL_ROW_PX, WIDTH_PX, Block, text_height
from viewer.report.subject import Subject

HALF_PX = (WIDTH_PX - 7 * PX_PER_MM) / 2
"""Width of one of two columns."""

DRILL_PX, TORQUE_PX = 34 * PX_PER_MM, 20 * PX_PER_MM
"""Width of a step's drawing and of a torque's."""

STEP_WORDS_PX = HALF_PX - DRILL_PX - 20 * PX_PER_MM
"""Width that a step's words and its note have."""

WORDS_PX, TOLD_PX = 92.0, 120.0
"""Width of a row's words and of what is told beside its figures, measured in a browser."""

HEAD_PX, LINE_PX, PADDING_PX, TORQUE_ROW_PX = 22.0, 15.2, 4.0, 20.0
"""Heights of a heading, a line of words, a row's padding and a torque's drawing."""

CAPTION = (
    "Depths from the bone's surface at the entry, under a head the gauge's from the seat. Upright lines: "
    "entry and exit; broken: the fracture. Depths to one scale, diameters to one scale no larger."
)
"""What stands under the steps."""


def drill_block(subject: Subject) -> tuple[Block, float]:
    """The block and its likely height in px. While a stop stands the steps are withheld and the rest is
    grey."""
    result = subject.result
    stop = words.has_stop(result)
    steps = [_step(row) for row in drill_rows(subject, DRILL_PX)]
    hold = hold_row(result, subject.bone.host)
    known, limit_n_m, foot = mechanics_rows(result), insertion_limit_n_m(result), foot_words(result)
    rows = [_row(row, known, limit_n_m) for row in ([hold] if hold else []) + known]
    block: Block = {
        "kind": "drilling",
        "steps": steps,
        "rows": rows,
        "withheld": WITHHELD if stop else "",
        "caption": CAPTION,
        "sources": foot,
        "muted": stop,
        "note": "not for comparison while a stop stands" if stop else "5 to 95 % beside",
    }
    left = text_height(CAPTION, SMALL, HALF_PX, SMALL_ROW_PX)
    for step in steps:
        left += ROW_PX + text_height(step["note"], SMALL, STEP_WORDS_PX, 11.0)
    right = text_height(foot, SMALL, HALF_PX, SMALL_ROW_PX) + sum(map(_height_px, rows))
    return block, HEAD_PX + max(left, right)


def _height_px(row: Block) -> float:
    """Likely height of a row of mechanics; words and what is told wrap."""
    told = text_height(row["told"], SMALL, TOLD_PX, SMALL_ROW_PX)
    beside = TORQUE_ROW_PX + told if row["svg"] else told
    return PADDING_PX + max(text_height(row["words"], BODY, WORDS_PX, LINE_PX), beside)


def _step(row: DrillRow) -> Block:
    step = row.step
    figures = f"⌀ {row.diameter} × {row.reading}" if row.diameter else row.reading
    between = ""
    if step.low_mm is not None and step.high_mm is not None:
        between = f"{written(step.low_mm)} to {written(step.high_mm)}"
    return {
        "words": row.words,
        "note": step.note,
        "svg": Markup(row.svg),
        "figures": figures or "none",
        "range": between,
    }


def _row(row: MechanicsRow, rows: list[MechanicsRow], limit_n_m: float | None) -> Block:
    drawn = row.torque and row.value is not None
    return {
        "words": row.words,
        "figures": f"{row.shown}\u00a0{row.unit}" if row.shown else "",
        "range": row.range,
        "told": row.told,
        "broken": row.broken,
        "svg": Markup(torque_svg(row, rows, limit_n_m, TORQUE_PX)) if drawn else "",
    }
