"""All limits on one vertical line: each row is turned and shifted so that right of the line is kept.

A row's place is 0.34 of the width for a value at its limit, and moves by the distance to the limit over the
row's span, which is fixed so that the eye can learn it. Rows keep their order, however bad they are.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.limits import Limits
from planner.vocabulary import Interval, ScrewResult
from viewer.report.drawing import (
    element,
    line,
    path,
    picture,
    px,
    rect,
    written,
)
from viewer.report.tokens import ALARM, INK, INK_3

LINE_SHARE = 0.34
"""Where the line of limits stands, as a share of the width (design of the page)."""

CLEARANCE_SPAN_MM, THREADS_SPAN_COUNT = 3.2, 4.0
"""What the width right of the line stands for. Our choice."""

ROW_PX, LOZENGE_PX, EDGE_PX = 20.0, 5.0, 6.0
"""Height of a row, half the size of its lozenge, and what stays free at its ends."""


LIMIT_DIGITS_COUNT = 3
"""Decimals of a limit at most. Our choice: nobody asks for less than a micrometre."""


@dataclass(frozen=True)
class LimitRow:
    """One limit: what is held against it, with where the value stands in assessment.json.

    ``value`` None has its ``reason``. ``sign`` is 1 where more is better. ``interval`` holds its 5th and 95th
    percentile, None where it has none. ``name`` is the limit's in ``Limits``, ``drawn`` the number's among
    those that a doubt tells, with its fragment.
    """

    words: str
    field: str
    value: float | None
    unit: str
    limit: float
    span: float
    step: float
    digits: int
    reason: str = ""
    sign: int = 1
    interval: Interval | None = None
    name: str = ""
    drawn: tuple[str, int | None] = ("", None)

    @property
    def broken(self) -> bool:
        """Whether the limit is not kept."""
        return self.value is not None and self.sign * (self.value - self.limit) < 0

    @property
    def shown(self) -> str:
        """The value, finer where it would round to a limit that it does not keep."""
        if self.value is None:
            return ""
        for digits in range(self.digits, LIMIT_DIGITS_COUNT + 1):
            said = written(self.value, digits)
            if not self.broken or self.sign * (round(self.value, digits) - self.limit) < 0:
                break
        return said

    @property
    def limit_words(self) -> str:
        """≥ 2.0, finer where the limit is"""
        usual = 1 if self.unit == "mm" else 0
        digits = next(
            (n for n in range(usual, LIMIT_DIGITS_COUNT) if round(self.limit, n) == self.limit),
            LIMIT_DIGITS_COUNT,
        )
        return f"{'≥' if self.sign > 0 else '≤'} {written(self.limit, digits)}"


def limit_rows(result: ScrewResult, number: int, limits: Limits) -> list[LimitRow]:
    """The rows of one screw, the ``number``-th of its plan from 0, always in the same order."""
    headless = result.placed.screw.headless
    root = f"screws[{number}]"
    rows: list[LimitRow] = []

    def clearance(words: str, part: str, surface: str, value: float | None, name: str) -> None:
        key = f"clearance_mm.{part}.{surface}"
        rows.append(
            LimitRow(
                words,
                f"{root}.{key}",
                value,
                "mm",
                getattr(limits, name),
                CLEARANCE_SPAN_MM,
                1.0,
                1,
                result.reasons.get(key, ""),
                interval=getattr(getattr(result.intervals, part), surface),
                name=name,
                drawn=(key, None),
            )
        )

    clearance("Tip to joint", "leading_end", "joint", result.leading_end.joint, "joint_clearance_mm")
    if headless:
        clearance(
            "Tip to surface",
            "leading_end",
            "outer",
            result.leading_end.outer,
            "leading_end_clearance_mm",
        )
    clearance("Body to surface", "body", "outer", result.body.outer, "body_clearance_mm")
    clearance("Body to joint", "body", "joint", result.body.joint, "joint_clearance_mm")
    if headless:
        clearance(
            "Trailing end buried",
            "trailing_end",
            "outer",
            result.trailing_end.outer,
            "trailing_end_buried_mm",
        )
    for place, fragment in enumerate(result.fragments):
        held = place > 0 or headless or len(result.fragments) == 1
        if held and fragment.axis_path_mm > 0:
            rows.append(
                LimitRow(
                    f"Threads, {fragment.fragment_name}",
                    f"{root}.fragments[{place}].threads_engaged",
                    fragment.threads_engaged,
                    "",
                    limits.threads_beyond_fracture_count,
                    THREADS_SPAN_COUNT,
                    1.0,
                    1,
                    name="threads_beyond_fracture_count",
                    drawn=("threads_engaged", fragment.fragment),
                )
            )
    return rows


def limit_svg(row: LimitRow, width_px: float) -> str:
    """The row's glyph: its lozenge on the common line, hollow where the limit is broken."""
    middle, at = ROW_PX / 2, LINE_SHARE * width_px
    right = (1 - LINE_SHARE) * width_px
    inside = rect(0.0, 0.0, at, ROW_PX, "url(#outside)", fill_opacity="0.5")
    dots = int(row.span / row.step)
    for n in range(-int(LINE_SHARE / (1 - LINE_SHARE) * dots), dots + 1):
        x = at + n * row.step / row.span * right
        if n and 2 < x < width_px - 2:
            inside += element("circle", cx=x, cy=ROW_PX - 2.5, r="0.8", fill=INK_3)
    inside += line(at, 0.0, at, ROW_PX, INK, 1.3)
    if row.value is not None and row.interval is not None:
        inside += _whisker(row, at, right, width_px)
    if row.value is not None:
        x = at + row.sign * (row.value - row.limit) / row.span * right
        beyond = not EDGE_PX <= x <= width_px - EDGE_PX
        x = min(max(x, EDGE_PX), width_px - EDGE_PX)
        if beyond:
            way = 1 if x > at else -1
            shape = f"M{px(x + way * LOZENGE_PX)} {px(middle)}l{-way * 2 * LOZENGE_PX:g} -4.5v9z"
        else:
            shape = (
                f"M{px(x)} {px(middle - LOZENGE_PX)}l{LOZENGE_PX:g} {LOZENGE_PX:g}l-{LOZENGE_PX:g} "
                f"{LOZENGE_PX:g}l-{LOZENGE_PX:g} -{LOZENGE_PX:g}z"
            )
        if row.broken:
            inside += line(x, middle, at, middle, ALARM, 1.6)
        inside += path(
            shape,
            fill="none" if row.broken else INK,
            stroke=ALARM if row.broken else INK,
            stroke_width="1.6",
        )
    said = row.reason or f"{row.words}: {'breaks' if row.broken else 'keeps'} {row.limit_words}"
    return picture(width_px, ROW_PX, inside, said)


def _whisker(row: LimitRow, at: float, right: float, width_px: float) -> str:
    """The 5th to 95th percentile as a line with ends, thick where it lies left of the limit; an arrowhead
    where it leaves the row."""
    assert row.interval is not None
    middle, drawn = ROW_PX / 2, ""
    places = sorted(
        at + row.sign * (value - row.limit) / row.span * right
        for value in (row.interval.low, row.interval.high)
    )
    low, high = (min(max(x, EDGE_PX), width_px - EDGE_PX) for x in places)
    if low < at:
        drawn += line(low, middle, min(high, at), middle, ALARM, 2.6)
    if high > at:
        drawn += line(max(low, at), middle, high, middle, INK, 1.1)
    for x, shown, way in ((places[0], low, -1), (places[1], high, 1)):
        if x == shown:
            drawn += line(x, middle - 4, x, middle + 4, ALARM if x < at else INK, 1.1)
        else:
            drawn += path(f"M{px(shown)} {px(middle - 3)}l{way * 4:g} 3l{-way * 4:g} 3", stroke=INK)
    return drawn
