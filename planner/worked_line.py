"""One line of a worked formula, ``symbol = expression = result unit``, and the figures in it."""

from __future__ import annotations

import math
from collections.abc import Sequence

FIGURES_COUNT = 5
"""Significant figures a number is shown with. Our choice: their rounding stays below the page's own."""


def figure(value: float) -> str:
    """A number with FIGURES_COUNT significant figures and a real minus sign.

    >>> figure(-0.7694312), figure(391.34146), figure(2.0), figure(0.0)
    ('−0.76943', '391.34', '2', '0')
    """
    if value == 0:
        return "0"
    digits = FIGURES_COUNT - 1 - math.floor(math.log10(abs(value)))
    text = f"{value:.{max(digits, 0)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")


def equation(symbol: str, expression: str, result: float, unit: str) -> str:
    """``symbol = expression = result unit``.

    >>> equation("E", total([1.5, 2.25]), 3.75, "mm")
    'E = 1.5 + 2.25 = 3.75 mm'
    """
    return f"{symbol} = {expression} = {figure(result)} {unit}".rstrip()


def total(values: Sequence[float]) -> str:
    """The sum of numbers as it is written."""
    return " + ".join(figure(value) for value in values)
