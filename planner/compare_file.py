"""A comparison as documents: JSON of format ``pilothole-compare``, and a table of one row per variant."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from planner.assessment_file import RESULT_DECIMALS
from planner.compare import Comparison, Row
from planner.mechanics_csv import mechanics_cells, mechanics_columns
from planner.screws_csv import csv_cell
from planner.what_if import Move

FORMAT, VERSION = "pilothole-compare", 1


def compare_document(
    comparison: Comparison, changes: Mapping[str, float] | None = None, moved: Sequence[Move] = ()
) -> dict[str, Any]:
    """The comparison for machines; ``changes`` and what they ``moved`` where something was asked."""
    what_if = None
    if changes is not None:
        what_if = {
            "base": comparison.rows[0].name,
            "changed": dict(changes),
            "moves": [asdict(m) for m in moved],
        }
    return {
        "format": FORMAT,
        "version": VERSION,
        "made_with": dict(comparison.made_with),
        "cautions": list(comparison.cautions),
        "rows": [_row(row) for row in comparison.rows],
        "what_if": what_if,
    }


def compare_csv(comparison: Comparison) -> str:
    """One row per variant: each drawn number with its ends, each limit with how often it holds, then the
    mechanics that are not drawn; empty where unknown."""
    numbers, limits = _numbers(comparison), _limits(comparison)
    mechanics = mechanics_columns(without=numbers)
    header = ["variant", "path", "screw", "length_mm", "technique", "seat_depth_mm", "fault"]
    for name in numbers:
        header += [column(name, end) for end in ("estimate", "low", "high")]
    header += [f"{name}_holds_fraction" for name in limits]
    header += ["breach_fraction", "missed_fraction", "findings", "cautions", *mechanics]
    header.append("gap_closes_fraction")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    for row in comparison.rows:
        placed = row.placed
        cells: list[object] = [row.name, row.path, placed.screw.name, placed.length_mm, placed.technique]
        cells += [placed.seat_depth_mm, row.fault or ""]
        doubt = None if row.result is None else row.result.doubt
        told = {one.number: one for one in doubt.numbers if one.fragment is None} if doubt else {}
        held = {one.limit: one.holds_fraction for one in doubt.limits} if doubt else {}
        for name in numbers:
            one = told.get(name)
            cells += ["", "", ""] if one is None else [_cell(one.estimate), _cell(one.low), _cell(one.high)]
        cells += [_cell(held[name]) if name in held else "" for name in limits]
        cells += ["", ""] if doubt is None else [_cell(doubt.breach_fraction), _cell(doubt.missed_fraction)]
        cells.append("" if row.result is None else ";".join(one.code for one in row.result.findings))
        cells.append(" ".join(comparison.cautions))
        own = {} if row.result is None else mechanics_cells(row.result)
        cells += [csv_cell(own.get(name)) for name in mechanics]
        cells.append(csv_cell(None if doubt is None else doubt.gap_closes_fraction))
        writer.writerow(cells)
    return text.getvalue()


def column(number: str, end: str) -> str:
    """The column of a number's end, its unit last.

    >>> column("clearance_mm.body.outer", "low"), column("pull_out.force_n", "high")
    ('body_outer_low_mm', 'pull_out_force_high_n')
    """
    if number.startswith("clearance_mm."):
        return f"{number.removeprefix('clearance_mm.').replace('.', '_')}_{end}_mm"
    words, unit = re.fullmatch(r"(.+?)_(mm|n_m|n|degree)", number.replace(".", "_")).groups()  # type: ignore[union-attr]
    return f"{words}_{end}_{unit}"


def _row(row: Row) -> dict[str, Any]:
    placed, result = row.placed, row.result
    doubt = None if result is None else result.doubt
    told: dict[str, Any] = {"numbers": [], "limits": []} if doubt is None else asdict(doubt)
    return {
        "variant": row.name,
        "path": row.path,
        "screw": placed.screw.name,
        "length_mm": placed.length_mm,
        "technique": placed.technique,
        "seat_depth_mm": placed.seat_depth_mm,
        "fault": row.fault,
        "site_length": None if result is None or result.site_length is None else asdict(result.site_length),
        "numbers": list(told["numbers"]),
        "limits": list(told["limits"]),
        "breach_fraction": told.get("breach_fraction"),
        "missed_fraction": told.get("missed_fraction"),
        "gap_closes_fraction": told.get("gap_closes_fraction"),
        "says": told.get("says"),
        "findings": []
        if result is None
        else [
            {"code": one.code, "severity": one.severity, "message": one.message} for one in result.findings
        ],
    }


def _numbers(comparison: Comparison) -> list[str]:
    """Names of the numbers of a whole screw in any row, in order of appearance."""
    names: dict[str, None] = {}
    for row in comparison.rows:
        if row.result is not None and row.result.doubt is not None:
            names |= {one.number: None for one in row.result.doubt.numbers if one.fragment is None}
    return list(names)


def _limits(comparison: Comparison) -> list[str]:
    names: dict[str, None] = {}
    for row in comparison.rows:
        if row.result is not None and row.result.doubt is not None:
            names |= {one.limit: None for one in row.result.doubt.limits}
    return list(names)


def _cell(value: float) -> float:
    return round(value, RESULT_DECIMALS) + 0.0
