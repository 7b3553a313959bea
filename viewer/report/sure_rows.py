"""Each limit of a screw with what stands against it, and, where doubt was drawn, how sure that is.

The bench's rows and those that only a report has room for, grouped by limit: a share of draws is of a limit,
and a limit may stand against several numbers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from planner.interval import Interval
from planner.limits import Limits
from planner.vocabulary import ScrewResult
from viewer.drawn_words import LIMITS, limit_of, limit_words, number_of, source_words
from viewer.report.drawing import written
from viewer.report.limit_rows import CLEARANCE_SPAN_MM, LimitRow, limit_rows
from viewer.report.words import LENGTH_KEY

BEYOND_SPAN_MM, ANGLE_SPAN_DEGREE, GAP_SPAN_MM, APEX_SPAN_MM = 8.0, 14.0, 1.2, 30.0
"""What the width right of the line stands for. Our choice: the first three as in the page's design."""

ANGLE_STEP_DEGREE, GAP_STEP_MM, APEX_STEP_MM = 5.0, 0.5, 5.0
"""From dot to dot."""

NOT_TOLD = "not told"
"""A drawn number that too many draws leave unknown."""


@dataclass(frozen=True)
class SureRow:
    """A number against its limit; ``row`` carries the interval that is drawn, ``range`` says it.

    ``kept_fraction`` is the share of draws that keep the limit in all its rows, None where it was not drawn;
    ``hangs_on`` names the source of doubt that spreads the number most.
    """

    row: LimitRow
    range: str
    kept_fraction: float | None
    hangs_on: str

    @property
    def asked(self) -> str:
        """The limit in words."""
        return limit_words(self.row.name, self.row.limit)


def sure_rows(
    result: ScrewResult, number: int, limits: Limits, tip_apex_limit_mm: float | None = None
) -> list[list[SureRow]]:
    """The rows of one screw, the ``number``-th of its plan from 0, together that are held against one limit;
    always in the same order. Intervals are the drawn ones where doubt was drawn, else those of the bone."""
    rows = [
        *limit_rows(result, number, limits),
        *_further_rows(result, number, limits, tip_apex_limit_mm),
    ]
    names = [name for name in LIMITS if any(row.name == name for row in rows)]
    groups = [[row for row in rows if row.name == name] for name in names]
    return [[_sure(result, row) for row in _told(group)] for group in groups]


def value_words(row: LimitRow) -> str:
    """The number with its unit, finer where a broken one would read as its limit; nothing where it is not
    known."""
    if row.value is None:
        return ""
    gap = "" if row.unit in ("", "°") else "\u00a0"
    return f"{row.shown}{gap}{row.unit}"


def _told(group: list[LimitRow]) -> list[LimitRow]:
    """Of a limit that nothing is known of, one row that says why."""
    if any(row.value is not None for row in group):
        return [row for row in group if row.value is not None]
    words = LIMITS[group[0].name]
    return [replace(group[0], words=words[0].upper() + words[1:])]


def _sure(result: ScrewResult, row: LimitRow) -> SureRow:
    if result.doubt is None:
        return SureRow(row, _range(row, row.interval), None, "")
    drawn, kept = number_of(result.doubt, *row.drawn), limit_of(result.doubt, row.name)
    share = None if kept is None else kept.holds_fraction
    if drawn is None:
        said = NOT_TOLD if row.value is not None and kept is not None else ""
        return SureRow(replace(row, interval=None), said, share, "")
    interval = Interval(drawn.estimate, drawn.low, drawn.high)
    return SureRow(replace(row, interval=interval), _range(row, interval), share, source_words(drawn))


def _range(row: LimitRow, interval: Interval | None) -> str:
    if interval is None:
        return ""
    low, high = written(interval.low, row.digits), written(interval.high, row.digits)
    return low if low == high else f"{low} to {high}"


def _further_rows(
    result: ScrewResult, number: int, limits: Limits, tip_apex_limit_mm: float | None
) -> Iterator[LimitRow]:
    root = f"screws[{number}]"
    key = "clearance_mm.trailing_end.joint"
    yield LimitRow(
        "Trailing end to joint",
        f"{root}.{key}",
        result.trailing_end.joint,
        "mm",
        limits.joint_clearance_mm,
        CLEARANCE_SPAN_MM,
        1.0,
        1,
        result.reasons.get(key, ""),
        interval=result.intervals.trailing_end.joint,
        name="joint_clearance_mm",
        drawn=(key, None),
    )
    if not result.placed.screw.headless and LENGTH_KEY not in result.reasons:
        yield LimitRow(
            "Tip past the exit",
            f"{root}.tip_depth_mm",
            result.tip_depth_mm - result.bone_length_mm,
            "mm",
            limits.tip_through_far_cortex_mm,
            BEYOND_SPAN_MM,
            1.0,
            1,
            sign=-1,
            name="tip_through_far_cortex_mm",
            drawn=("tip_beyond_exit_mm", None),
        )
    if result.lag is not None and result.lag.angle_degree is not None:
        yield LimitRow(
            "Off square to the fracture",
            f"{root}.lag.angle_degree.estimate",
            result.lag.angle_degree.estimate,
            "°",
            limits.fracture_angle_degree,
            ANGLE_SPAN_DEGREE,
            ANGLE_STEP_DEGREE,
            0,
            sign=-1,
            interval=result.lag.angle_degree,
            name="fracture_angle_degree",
            drawn=("lag.angle_degree", None),
        )
    if result.two_pitch is not None and result.two_pitch.gap_mm is not None:
        yield LimitRow(
            "Gap of the fracture",
            f"{root}.two_pitch.gap_mm",
            result.two_pitch.gap_mm,
            "mm",
            limits.two_pitch_gap_mm,
            GAP_SPAN_MM,
            GAP_STEP_MM,
            1,
            sign=-1,
            name="two_pitch_gap_mm",
            drawn=("two_pitch.gap_mm", None),
        )
    if result.tip_apex is not None and tip_apex_limit_mm is not None:
        yield LimitRow(
            "Tip–apex distance",
            f"{root}.tip_apex.distance_mm",
            result.tip_apex.distance_mm,
            "mm",
            tip_apex_limit_mm,
            APEX_SPAN_MM,
            APEX_STEP_MM,
            1,
            sign=-1,
            name="tip_apex_mm",
            drawn=("tip_apex.distance_mm", None),
        )
