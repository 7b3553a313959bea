"""What is said on the terminal of a screw's mechanics: what to drill, how tight, what it closes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from viewer.drawn_words import limit_said

if TYPE_CHECKING:
    from planner.doubt_vocabulary import Doubt
    from planner.mechanics_vocabulary import DrillingStep, TwoPitch
    from planner.vocabulary import ScrewResult, SiteLength


def mechanics_lines(result: ScrewResult) -> Iterator[str]:
    """A line each for drilling, torque, lag and two pitches, as far as they are known."""
    if result.drilling:
        yield "  drill: " + ", ".join(_step(step) for step in result.drilling)
    torque = result.torque
    if result.two_pitch is not None:
        yield f"  {_two_pitch(result.two_pitch)}"
    elif torque is not None and torque.advised_at_most_n_m is not None and torque.compression_at_advised_n:
        force = torque.compression_at_advised_n
        yield (
            f"  tighten to {torque.advised_at_most_n_m:.2f} N·m at most: "
            f"{force.estimate:.0f} N ({force.low:.0f} to {force.high:.0f})"
        )
    for fault in result.lag.faults if result.lag else ():
        yield f"  lag: {fault.message}"
    if result.site_length is not None:
        yield f"  {_site_length(result.site_length, result.placed.length_mm)}"
    if result.doubt is not None:
        yield from _doubt(result.doubt)


def _step(step: DrillingStep) -> str:
    if step.step == "screw":
        return f"screw {step.reading_mm:g}"
    if step.step == "tap" and step.diameter_mm is None:
        return "no tap"
    if step.step == "gauge" and step.low_mm is None:
        return f"blind, {step.reading_mm:.1f} below the seat"
    wide = "" if step.diameter_mm is None else f" {step.diameter_mm:g} mm"
    return f"{step.step}{wide} {'reads' if step.step == 'gauge' else 'to'} {step.reading_mm:.1f}"


def _two_pitch(told: TwoPitch) -> str:
    if told.gap_along_axis_mm is None:
        return "two pitches: no fracture to close"
    closes = f"closes {told.travel_mm:.1f} mm of a gap of {told.gap_along_axis_mm:.1f} mm along the axis"
    if told.force_now_n is None or told.force_retained_n is None or not told.closes:
        return closes
    left = told.force_retained_n
    return f"{closes}; {told.force_now_n.estimate:.0f} N at once, {left.estimate:.0f} N after minutes"


def _site_length(told: SiteLength, length_mm: float) -> str:
    ends = [
        f"{word} {value:.1f}"
        for word, value in (("at least", told.shortest_mm), ("at most", told.longest_mm))
        if value is not None
    ]
    stocked = "" if told.longest_stocked_mm is None else f", stocked {told.longest_stocked_mm:g}"
    usual = "" if told.usual_mm is None else f"; usual are {told.usual_mm[0]:g} to {told.usual_mm[1]:g}"
    return (
        f"length rule of {told.site}, measured {told.definition}: {told.measured_mm:.1f} mm asks for "
        f"{', '.join(ends)} mm{stocked}{usual}; planned {length_mm:g}, {told.verdict}"
    )


def _doubt(told: Doubt) -> Iterator[str]:
    yield (
        f"  placed {told.placement}, {told.draws_count} draws: {told.breach_fraction:.1%} breach; "
        "limits kept: "
        + ", ".join(f"{limit_said(one.limit)} {100 * one.holds_fraction:.0f} %" for one in told.limits)
    )
    if told.gap_closes_fraction is not None:
        yield f"  the two pitches close the gap in {told.gap_closes_fraction:.0%} of the draws"
    yield f"  {told.says}"
