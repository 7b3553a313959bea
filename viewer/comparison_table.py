"""A comparison on the terminal: one table, each limit and how often it is kept, and no total."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from viewer.console import say
from viewer.drawn_words import NUMBERS, digits_of, limit_of, limit_said, number_of

if TYPE_CHECKING:
    from planner.compare import Comparison
    from planner.doubt_vocabulary import Doubt
    from planner.what_if import Move

MOVES_SHOWN_COUNT = 20
"""Moves told on the terminal; JSON has all. Our choice: a screen's length."""


def tell_comparison(
    comparison: Comparison, changes: Mapping[str, float] | None, moved: Sequence[Move]
) -> None:
    """Say the variants, then a line for each number and limit, and what a change moved."""
    known = [row for row in comparison.rows if row.result is not None and row.result.doubt is not None]
    for count, row in enumerate(comparison.rows, start=1):
        say(f"{count}  {row.name}" + (f": {row.fault}" if row.fault else ""))
    numbers = [comparison.rows.index(row) + 1 for row in known]
    doubts: list[Doubt] = [row.result.doubt for row in known if row.result is not None and row.result.doubt]
    say()
    lines = [["estimate (5-95 %)", *map(str, numbers)]]
    lines += [[words, *(_number(doubt, name) for doubt in doubts)] for name, words in NUMBERS.items()]
    limits = list(dict.fromkeys(one.limit for doubt in doubts for one in doubt.limits))
    lines += [[f"kept: {limit_said(limit)}", *(_limit(doubt, limit) for doubt in doubts)] for limit in limits]
    lines.append(["breach", *(f"{doubt.breach_fraction:.1%}" for doubt in doubts)])
    closes = [doubt.gap_closes_fraction for doubt in doubts]
    lines.append(["gap closed", *("" if share is None else f"{share:.1%}" for share in closes)])
    _tell_columns([line for line in lines if any(line[1:])])
    if changes is not None:
        _tell_moves(changes, moved)
    say()
    for caution in comparison.cautions:
        say(caution)


def _number(doubt: Doubt, name: str) -> str:
    one = number_of(doubt, name)
    if one is None:
        return ""
    digits = digits_of(name)
    return f"{one.estimate:.{digits}f} ({one.low:.{digits}f} to {one.high:.{digits}f})"


def _limit(doubt: Doubt, name: str) -> str:
    one = limit_of(doubt, name)
    return "" if one is None else f"{100 * one.holds_fraction:.0f} % at {one.asked:g}"


def _tell_columns(lines: Sequence[Sequence[str]]) -> None:
    widths = [max(len(line[column]) for line in lines) for column in range(len(lines[0]))]
    for line in lines:
        say("  ".join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip())


def _tell_moves(changes: Mapping[str, float], moved: Sequence[Move]) -> None:
    say()
    say("what if " + ", ".join(f"{name} = {value:g}" for name, value in changes.items()) + ":")
    for move in moved[:MOVES_SHOWN_COUNT]:
        where = "" if move.fragment is None else f" in fragment {move.fragment}"
        share = "" if move.change_fraction is None else f"  {move.change_fraction:+.0%}"
        say(f"  {move.number}{where}: {move.before:.4g} to {move.after:.4g}{share}")
    if len(moved) > MOVES_SHOWN_COUNT:
        say(f"  and {len(moved) - MOVES_SHOWN_COUNT} more, in the JSON")
    if not moved:
        say("  no number moves")
