"""Where words go so that they lie neither over each other nor over a line.

Heuristics, not formulas: where there is no clear place, the wanted one is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, permutations

import numpy as np
from scipy.optimize import isotonic_regression

CLEAR_PX = 3.0
"""Least room between words and a line, or other words. Our choice."""

Point = tuple[float, float]


def clear_centre(
    wanted_px: float,
    half_px: float,
    between: tuple[float, float],
    lines: Sequence[float] = (),
    taken: Sequence[tuple[float, float]] = (),
) -> float:
    """The centre nearest to ``wanted_px`` for words of that half width ``between`` two places.

    No vertical of ``lines`` runs through them and they meet no stretch of ``taken``, if there is such a
    place; else they lie as near to the wanted one as they may. All in px.
    """
    low, high = between[0] + half_px, between[1] - half_px
    start = max(min(wanted_px, high), low)
    barred = [(x, x) for x in lines] + list(taken)
    reach = half_px + CLEAR_PX
    choices = [start, *(left - reach for left, _ in barred), *(right + reach for _, right in barred)]
    clear = [
        x
        for x in choices
        if (low <= x <= high or x == start)
        and all(x + reach <= left + 1e-9 or x - reach >= right - 1e-9 for left, right in barred)
    ]
    return min(clear, key=lambda x: (abs(x - wanted_px), x), default=start)


def in_a_row(wanted: Sequence[float], widths: Sequence[float], between: tuple[float, float]) -> list[float]:
    """Centres of words in one row, in the given order, as near to their wanted places as is possible (least
    squares) without lying over each other, ``between`` two places."""
    if not wanted:
        return []
    # Where each word would begin if the words before it had no width: these may only rise.
    before = np.cumsum([0.0, *widths[:-1]]) + np.asarray(widths, float) / 2
    starts = isotonic_regression(np.asarray(wanted, float) - before).x
    last = max(between[0], between[1] - sum(widths))
    return [float(x) for x in np.clip(starts, between[0], last) + before]


def crosses(a: Point, b: Point, c: Point, d: Point) -> bool:
    """Whether the lines a to b and c to d cross between their ends."""

    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def uncrossed_row(
    anchors: Sequence[Point],
    widths: Sequence[float],
    row_px: float,
    between: tuple[float, float],
    obstacles: Sequence[tuple[Point, Point]] = (),
) -> list[float]:
    """Centres, one for each anchor, of words in a row at ``row_px`` such that few leader lines cross.

    Starts from the order of the anchors from left to right and moves one word at a time as long as that
    leaves fewer crossings, with each other and with the ``obstacles``, or as many and shorter lines.
    """

    def centres_of(order: Sequence[int]) -> list[float]:
        row = in_a_row([anchors[n][0] for n in order], [widths[n] for n in order], between)
        return [x for _, x in sorted(zip(order, row, strict=True))]

    def cost(order: Sequence[int]) -> tuple[int, float]:
        leaders = [(a, (x, row_px)) for a, x in zip(anchors, centres_of(order), strict=True)]
        pairs = [*combinations(leaders, 2), *((one, other) for one in leaders for other in obstacles)]
        crossed = sum(crosses(*one, *other) for one, other in pairs)
        return crossed, round(sum(abs(a[0] - b[0]) for a, b in leaders), 3)

    order = sorted(range(len(anchors)), key=lambda n: (anchors[n][0], n))
    best, improved = cost(order), True
    while improved:
        improved = False
        for place, to in permutations(range(len(order)), 2):
            other = [*order[:place], *order[place + 1 :]]
            other.insert(to, order[place])
            if (found := cost(other)) < best:
                order, best, improved = other, found, True
    return centres_of(order)
