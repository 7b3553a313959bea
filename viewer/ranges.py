"""How many decimals an interval of millimetres is shown with, on screen and on paper alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from planner.vocabulary import Interval

USUAL_DIGITS, FINER_DIGITS = 1, 2
"""A tenth of a millimetre, as the number itself is shown; a hundredth where both ends would read the same."""


def shown_digits(interval: Interval) -> int:
    """One decimal, or two where the interval is so narrow that one would make it a point."""
    ends = {round(end, USUAL_DIGITS) for end in (interval.low, interval.high)}
    finer = {round(end, FINER_DIGITS) for end in (interval.low, interval.high)}
    return FINER_DIGITS if len(ends) == 1 and len(finer) > 1 else USUAL_DIGITS


def is_point(interval: Interval) -> bool:
    """Whether there is nothing to show: full thread that ends within the bone bites as long as it is."""
    return round(interval.low, FINER_DIGITS) == round(interval.high, FINER_DIGITS)
