"""One value of an assessment in words, for a terminal: what it is, its formula with its numbers, sources."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap
from typing import TYPE_CHECKING

from viewer.console import say

if TYPE_CHECKING:
    from planner.explain import Explanation

WIDTH_COUNT = 96
"""Letters in a line. Our choice."""


def tell_explanation(told: Explanation) -> None:
    """Say what a value is, how it comes about, how sure it is and what it leaves out."""
    for line in explanation_lines(told):
        say(line)


def explanation_lines(told: Explanation) -> Iterator[str]:
    """The lines of ``tell_explanation``."""
    of = f", {told.of}" if told.of else ""
    yield f"{told.name}{of}, screw {told.screw}: {value_words(told)}"
    yield f"  {told.field}"
    yield from _told("", told.definition)
    yield from _told("formula: ", told.formula)
    for step in told.steps:
        yield f"    {step}"
    if told.inputs:
        yield "  from"
        for one in told.inputs:
            yield f"    {one.field}  {one.shown} {one.unit}".rstrip()
    yield from _told("5 to 95 %: ", told.interval)
    for source in told.sources:
        yield from _told("source: ", source)
    yield from _told("not modelled: ", told.not_modelled)


def value_words(told: Explanation) -> str:
    """The value with its interval, or why there is none."""
    if told.reason:
        return f"not known: {told.reason}"
    unit = f" {told.unit}" if told.unit else ""
    between = f" ({told.low} to {told.high})" if told.low else ""
    return f"{told.shown}{unit}{between}"


def _told(head: str, words: str) -> Iterator[str]:
    if words:
        yield from wrap(
            head + words, WIDTH_COUNT, initial_indent="  ", subsequent_indent="    ", break_long_words=False
        )
