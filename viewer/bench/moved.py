"""What a change moved, in words: each number before and after, and how far, those that moved most first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from planner.explained import explained
from planner.vocabulary import ScrewResult
from planner.what_if import Move
from viewer.bench.compared import WITHHELD
from viewer.drawn_words import LIMITS, NUMBERS, digits_of, share_words
from viewer.report import words
from viewer.report.drawing import written

CHANGED = {
    "pitch": ("pitch", "mm"),
    "core": ("core", "mm"),
    "major": ("major", "mm"),
    "pilot": ("pilot hole", "mm"),
    "length": ("length", "mm"),
    "density": ("density", "times"),
}
"""What can be changed, in words, and its unit."""

KEPT = "kept: "
"""A share of draws is told by ``planner.what_if`` under this and its limit's name."""

FORCES = ("N", "N·m")
"""Units of what is withheld while a stop stands."""

DIGITS_MOST_COUNT = 4
"""A number is written no finer, so that it is seen to move. Our choice."""


def value_of(value: float) -> str:
    """A value that can be changed, in figures.

    >>> value_of(1.1), value_of(24.0), value_of(0.7)
    ('1.1', '24', '0.7')
    """
    return f"{value:.4g}"


def changed_words(own: Mapping[str, float | None], changes: Mapping[str, float]) -> list[str]:
    """Each change in words.

    >>> changed_words({"pitch": 1.25, "density": 1.0}, {"pitch": 0.7, "density": 0.8})
    ['pitch 1.25 to 0.7 mm', 'density 1 to 0.8 times']
    """
    before = {name: "not told" if (value := own[name]) is None else value_of(value) for name in changes}
    return [
        f"{CHANGED[name][0]} {before[name]} to {value_of(changes[name])} {CHANGED[name][1]}"
        for name in changes
    ]


def moved_rows(moved: Sequence[Move], before: ScrewResult, after: ScrewResult) -> list[dict[str, str]]:
    """A row for each move: its words, its fragment's name, before, after, and the change.

    A force of a screw against which a stop stands is withheld.
    """
    names = {one.fragment: one.fragment_name for one in before.fragments}
    stops = words.has_stop(before), words.has_stop(after)
    return [_row(move, names.get(move.fragment or 0, ""), stops) for move in moved]


def _row(move: Move, fragment: str, stops: tuple[bool, bool]) -> dict[str, str]:
    if move.number.startswith(KEPT):
        limit = move.number.removeprefix(KEPT)
        before, after = share_words(move.before), share_words(move.after)
        if before == after:
            before, after = (f"{written(100 * share)} %" for share in (move.before, move.after))
        points = 100 * (move.after - move.before)
        return {
            "words": f"Kept: {LIMITS.get(limit, limit)}",
            "of": "",
            "before": before,
            "after": after,
            "change": f"{_signed(written(points, 0 if abs(points) >= 1 else 1))} of 100 draws",
        }
    before, after = _apart(move.before, move.after, digits_of(move.number))
    entry = explained(move.number) or explained(f"fragments.{move.number}")
    said, _, unit = NUMBERS[move.number].rpartition(", ") if entry is None else (entry.name, "", entry.unit)
    if any(stops) and unit in FORCES:
        before, after = ("stop" if stop else told for stop, told in zip(stops, (before, after), strict=True))
        unit, change = "" if stops[1] else unit, WITHHELD
    else:
        change = _change(move)
    return {
        "words": words.capital(said),
        "of": fragment,
        "before": before,
        "after": f"{after} {unit}".rstrip(),
        "change": change,
    }


def _change(move: Move) -> str:
    return "" if move.change_fraction is None else f"{_signed(written(100 * move.change_fraction))} %"


def _apart(before: float, after: float, digits_count: int) -> tuple[str, str]:
    """Both in figures, finer where they would read the same."""
    for digits in range(digits_count, DIGITS_MOST_COUNT + 1):
        said = written(before, digits), written(after, digits)
        if said[0] != said[1]:
            break
    return said


def _signed(figure: str) -> str:
    return figure if figure.startswith("−") else f"+{figure}"
