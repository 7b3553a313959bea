"""An estimate with its 5th and 95th percentile, and how such intervals carry through a formula.

Intervals that are multiplied are taken as independent and lognormal on either side of the estimate: the
logarithms of their ratios add up by squares. Nothing here knows what the numbers are of.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Interval:
    """An estimate with its 5th and 95th percentile."""

    estimate: float
    low: float
    high: float


def exactly(value_factor: float) -> Interval:
    """A number without doubt."""
    return Interval(value_factor, value_factor, value_factor)


def scaled(interval: Interval, by_factor: float) -> Interval:
    """``interval`` times a positive number without doubt."""
    return Interval(interval.estimate * by_factor, interval.low * by_factor, interval.high * by_factor)


def product(first: Interval, second: Interval) -> Interval:
    """The product of two independent intervals, neither below 0."""
    estimate = first.estimate * second.estimate
    if estimate == 0:
        return Interval(0.0, 0.0, first.high * second.high)
    below = math.hypot(_below(first), _below(second))
    above = math.hypot(*(math.log(one.high / one.estimate) for one in (first, second)))
    return Interval(estimate, estimate * math.exp(-below), estimate * math.exp(above))


def quotient(first: Interval, second: Interval) -> Interval:
    """``first`` over ``second``, independent; ``second`` above 0."""
    return product(first, Interval(1 / second.estimate, 1 / second.high, 1 / second.low))


def through(function: Callable[[float], float], interval: Interval) -> Interval:
    """A rising or falling function of one interval."""
    ends = sorted((function(interval.low), function(interval.high)))
    return Interval(function(interval.estimate), ends[0], ends[1])


def least(first: Interval, second: Interval) -> Interval:
    """The smaller of two, percentile by percentile: exact where both rise and fall together."""
    return Interval(
        min(first.estimate, second.estimate), min(first.low, second.low), min(first.high, second.high)
    )


def _below(interval: Interval) -> float:
    """Logarithm of estimate over low; infinite where the low end is 0."""
    return math.log(interval.estimate / interval.low) if interval.low > 0 else math.inf
