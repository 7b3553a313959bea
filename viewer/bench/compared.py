"""The table of screws side by side, as the page shows it: a column each, a row for each limit and number.

What is broken is told in words; no total is made. While a stop stands against a screw its forces are
withheld. A value that stands in assessment.json of the plan has its field.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from planner.compare import Row
from planner.interval import Interval
from planner.limits import Limits
from planner.vocabulary import ScrewResult
from viewer.bench.themes import themed
from viewer.drawn_words import number_of, share_words
from viewer.report import words
from viewer.report.limit_rows import limit_svg
from viewer.report.limits_across import LimitAcross, limits_across
from viewer.report.mechanics_rows import MechanicsRow, hold_row, mechanics_rows, torque_svg
from viewer.report.sure_rows import SureRow, value_words

GLYPH_PX = 72.0
"""Width of a cell's drawing. Our choice: eight columns stand beside each other on a small screen."""

WITHHELD = "not for comparison: a stop stands"

Cell = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Column:
    """A measured screw of the table: its ``number`` among all that were asked, and its ``place`` in the plan
    as it stands, None where it is not in it. ``doubted``: the plan's screw has the same doubt drawn."""

    number: int
    row: Row
    place: int | None
    doubted: bool

    @property
    def result(self) -> ScrewResult:
        """What was measured."""
        assert self.row.result is not None
        return self.row.result

    def field(self, path: str) -> str | None:
        """``path`` of a screw in the plan's assessment."""
        told = self.place is not None and (self.doubted or not path.startswith("doubt."))
        return f"screws[{self.place}].{path}" if told else None


def compared_table(
    columns: Sequence[Column], host: str, limits: Limits, tip_apex_limit_mm: float | None
) -> dict[str, Any]:
    """Rows of cells, a cell for each column, and what is told below; ``host`` is bone or foam."""
    results = [one.result for one in columns]
    across, untold = limits_across(results, limits, tip_apex_limit_mm, [one.place or 0 for one in columns])
    rows = [_row("Limits", [_verdict(across, n) for n in range(len(columns))])]
    rows.append(_row("Findings", [_findings(one.result) for one in columns]))
    for limit in across:
        rows += _limit_rows(limit, columns)
    if any(one.doubt is not None for one in results):
        shares = [_breach(one) for one in columns]
        rows.append(_row("Leaves bone or joint", shares, head=True))
    withheld = [{"said": WITHHELD} if words.has_stop(one) else {} for one in results]
    rows.append(_row("Without a limit", withheld, head=True))
    rows += _free_rows(columns, host)
    return {"rows": rows, "untold": untold}


def _row(said: str, cells: Sequence[Cell], *, head: bool = False, asked: str = "") -> dict[str, Any]:
    return {"words": said, "asked": asked.replace(" ", "\u00a0"), "head": head, "cells": list(cells)}


def _verdict(across: Sequence[LimitAcross], at: int) -> Cell:
    broken = [one.words for one in across if any(row.row.broken for row in one.groups[at])]
    if not broken:
        return {"said": "keeps every limit that could be checked"}
    return {
        "said": f"◇ breaks {', '.join(f'{said[0].lower()}{said[1:]}' for said in broken)}",
        "broken": True,
    }


def _findings(result: ScrewResult) -> Cell:
    stops = [one.message for one in result.findings if one.severity == "stop"]
    return {"said": words.counted_words(result.findings), "stops": stops}


def _limit_rows(limit: LimitAcross, columns: Sequence[Column]) -> Iterator[dict[str, Any]]:
    """How often the limit is kept where that was drawn, then each number held against it."""
    drawn = any(one.result.doubt is not None for one in columns)
    if drawn:
        shares = [_kept(group, one) for group, one in zip(limit.groups, columns, strict=True)]
        yield _row(limit.words, shares, head=True, asked=limit.asked)
    for said, numbers in limit.numbers:
        cells = [_number(number, one) for number, one in zip(numbers, columns, strict=True)]
        yield _row(said, cells, asked="" if drawn else limit.asked)


def _kept(group: Sequence[SureRow], column: Column) -> Cell:
    doubt = column.result.doubt
    if not group or doubt is None or group[0].kept_fraction is None:
        return {"said": "no number" if not group else "not drawn"}
    place = next(n for n, one in enumerate(doubt.limits) if one.limit == group[0].row.name)
    return _share(group[0].kept_fraction, column.field(f"doubt.limits[{place}].holds_fraction"), "kept")


def _breach(column: Column) -> Cell:
    doubt = column.result.doubt
    if doubt is None:
        return {"said": "not drawn"}
    return _share(doubt.breach_fraction, column.field("doubt.breach_fraction"), "lost")


def _share(share_fraction: float, field: str | None, kind: str) -> Cell:
    return {"share": kind, "value": share_fraction, "shown": share_words(share_fraction), "field": field}


def _number(one: SureRow | None, column: Column) -> Cell:
    if one is None or one.row.value is None:
        return {"said": "" if one is None else one.row.reason}
    row = one.row
    return {
        "value": row.value,
        "shown": f"{'◇ ' if row.broken else ''}{value_words(row)}",
        "range": one.range,
        "field": None if column.place is None else row.field,
        "broken": row.broken,
        "svg": themed(limit_svg(row, GLYPH_PX)),
    }


def _free_rows(columns: Sequence[Column], host: str) -> Iterator[dict[str, Any]]:
    """Hold, torques, pressing and the weakest place: a row for each that a screw has."""
    every = [
        []
        if words.has_stop(one.result)
        else [_with_doubt(row, one.result) for row in _mechanics(one.result, host)]
        for one in columns
    ]
    for said in dict.fromkeys(row.words for rows in every for row in rows):
        found = [next((row for row in rows if row.words == said), None) for rows in every]
        scale = [replace(row, torque=True) for row in found if row is not None and row.interval is not None]
        yield _row(said, [_free(row, scale, one) for row, one in zip(found, columns, strict=True)])


def _mechanics(result: ScrewResult, host: str) -> Iterator[MechanicsRow]:
    governs = next((one.fragment_name for one in result.fragments if one.fragment == result.governed_by), "")
    held = result.pullout_n
    if held is None:
        why = result.reasons.get("pullout_n", "not known")
        yield MechanicsRow("Pull-out that governs", "pullout_n.estimate", None, "N", 0, why)
    else:
        yield MechanicsRow(
            "Pull-out that governs", "pullout_n.estimate", held.estimate, "N", 0, governs, held
        )
    whole = hold_row(result, host)
    if whole is not None:
        yield whole
    yield from mechanics_rows(result)
    if result.strength is not None:
        moment_n_m = result.strength.bending.yield_moment_n_m
        place = "strength.bending.yield_moment_n_m.estimate"
        yield MechanicsRow("Weakest yields at", place, moment_n_m.estimate, "N·m", 2, "", moment_n_m)


def _with_doubt(row: MechanicsRow, result: ScrewResult) -> MechanicsRow:
    """The row with the ends of the draws where its number was drawn."""
    if result.doubt is None:
        return row
    drawn = number_of(result.doubt, row.place.removesuffix(".estimate"))
    return row if drawn is None else replace(row, interval=Interval(drawn.estimate, drawn.low, drawn.high))


def _free(row: MechanicsRow | None, scale: Sequence[MechanicsRow], column: Column) -> Cell:
    if row is None:
        return {"said": "stop" if words.has_stop(column.result) else ""}
    if row.value is None:
        return {"said": row.told}
    spread = row.interval is not None
    return {
        "value": row.value,
        "shown": f"{'◇ ' if row.broken else ''}{row.shown}{'' if row.unit == '°' else ' '}{row.unit}",
        "range": row.range.replace("–", " to "),
        "said": row.told,
        "field": column.field(row.place),
        "broken": row.broken,
        "svg": themed(torque_svg(replace(row, torque=True), scale, None, GLYPH_PX)) if spread else "",
    }
