"""Screws side by side against each limit: how often each keeps it, and the numbers held against it.

A limit stands once with a cell a screw, and under it each number that is held against it; a limit of which no
screw has a number is told with its reason instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from planner.limits import Limits
from planner.vocabulary import ScrewResult
from viewer.drawn_words import LIMITS, limit_words
from viewer.report import words
from viewer.report.sure_rows import SureRow, sure_rows


@dataclass(frozen=True)
class LimitAcross:
    """A limit across some screws, a place each in their order.

    ``groups`` are all its rows for a screw, empty where it has no number for the limit; ``numbers`` are the
    words of each number with its row for each screw, None where that one has it not.
    """

    words: str
    asked: str
    groups: tuple[tuple[SureRow, ...], ...]
    numbers: tuple[tuple[str, tuple[SureRow | None, ...]], ...]


def limits_across(
    results: Sequence[ScrewResult],
    limits: Limits,
    tip_apex_limit_mm: float | None,
    places: Sequence[int] | None = None,
) -> tuple[list[LimitAcross], list[str]]:
    """The limits across ``results`` in their fixed order; and of each limit without a number a sentence why.

    ``places`` are the screws' places in their plan, from 0, by which a row's field is named (None: all 0).
    """
    every = [
        [one for group in sure_rows(result, place, limits, tip_apex_limit_mm) for one in group]
        for result, place in zip(results, places or [0] * len(results), strict=True)
    ]
    found, untold = [], []
    for name, said in LIMITS.items():
        groups = tuple(tuple(one for one in column if one.row.name == name) for column in every)
        of_limit = [one for group in groups for one in group]
        named = dict.fromkeys(one.row.words for one in of_limit if one.row.value is not None)
        if of_limit and not named:
            untold.append(f"{words.capital(said)}: {words.ended(of_limit[0].row.reason)}")
        if not named:
            continue
        numbers = tuple(
            (word, tuple(next((one for one in group if one.row.words == word), None) for group in groups))
            for word in named
        )
        asked = limit_words(name, of_limit[0].row.limit)
        found.append(LimitAcross(words.capital(said), asked, groups, numbers))
    return found, untold
