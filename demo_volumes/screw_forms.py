"""The screws of the demo plans, written down a second time on purpose.

The truth must not lean on the code it is meant to test, so the few screws used here have their numbers of
their own (thread sizes: ISO 5835:1991, from memory; the headless one and partial thread lengths: our choice
within common practice); tests/test_demo_volumes.py holds them against the catalogue. Heights run from the
plane under the head (or the trailing end) to the tip. Full thread excludes one pitch of run-out and the tip's
taper of one major diameter.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DemoThread:
    """A stretch of full thread, mm from the datum plane."""

    full_from_mm: float
    full_to_mm: float
    major_mm: float
    core_mm: float
    pitch_mm: float


@dataclass(frozen=True)
class DemoScrew:
    """A screw of known length: its threads, its outline as (height, radius) and where its leading end
    begins."""

    threads: tuple[DemoThread, ...]
    outline_mm: tuple[tuple[float, float], ...]
    tip_mm: float
    leading_end_from_mm: float
    headless: bool


@dataclass(frozen=True)
class _Form:
    """Numbers of one family: the leading thread, the shaft, the taper, and a trailing thread where there is
    one."""

    major_mm: float
    core_mm: float
    pitch_mm: float
    thread_mm: float | None
    shaft_mm: float
    lengths_mm: tuple[float, ...]
    taper_mm: float
    tip_diameter_mm: float
    trailing: tuple[float, float, float, float] | None = None
    """Major, core, pitch and length of the trailing thread."""


def _run(first: int, last: int, step: int) -> tuple[float, ...]:
    return tuple(float(n) for n in range(first, last + 1, step))


FORMS = {
    "headless-two-pitch-3.0-3.9": _Form(
        3.0, 2.0, 1.25, 8.0, 2.0, _run(14, 34, 1), 1.5, 1.55, (3.9, 2.9, 1.0, 5.0)
    ),
    "iso5835-hb-4.0-partial": _Form(4.0, 1.9, 1.75, 16.0, 2.4, _run(20, 30, 2) + _run(35, 70, 5), 4.0, 0.95),
    "iso5835-ha-3.5": _Form(3.5, 2.4, 1.25, None, 2.4, _run(10, 50, 2), 3.5, 1.2),
    "iso5835-ha-4.5": _Form(4.5, 3.0, 1.75, None, 3.0, _run(14, 70, 2), 4.5, 1.5),
    "iso5835-hb-6.5": _Form(6.5, 3.0, 2.75, None, 3.0, _run(20, 120, 5), 6.5, 1.5),
}
"""The families used in the demo plans, by catalogue name."""


def demo_screw(name: str, length_mm: float) -> DemoScrew:
    """The screw of that family at that marked length."""
    form = FORMS[name]
    taper_from = length_mm - form.taper_mm
    thread_from = 0.0 if form.thread_mm is None else length_mm - form.thread_mm
    threads = [
        DemoThread(thread_from + form.pitch_mm, taper_from, form.major_mm, form.core_mm, form.pitch_mm)
    ]
    outline = [
        (thread_from, form.major_mm / 2),
        (taper_from, form.major_mm / 2),
        (length_mm, form.tip_diameter_mm / 2),
    ]
    shaft_from = 0.0
    if form.trailing is not None:
        major, core, pitch, shaft_from = form.trailing
        threads.insert(0, DemoThread(0.0, shaft_from - pitch, major, core, pitch))
        outline[:0] = [(0.0, major / 2), (shaft_from, major / 2)]
    if thread_from > shaft_from:
        at = 0 if form.trailing is None else 2
        outline[at:at] = [(shaft_from, form.shaft_mm / 2), (thread_from, form.shaft_mm / 2)]
    return DemoScrew(
        tuple(threads), tuple(outline), length_mm, taper_from - 2 * form.pitch_mm, form.trailing is not None
    )


def stocked_lengths_mm(name: str) -> tuple[float, ...]:
    """Lengths the demo plans choose from."""
    return FORMS[name].lengths_mm
