"""What if the pitch were another, or the bone thinner: the same path with one thing changed, for teaching.

The changed screw need not exist; its numbers are those of its geometry. Which numbers move, and by how much,
is told against the same draws, so that a difference is not chance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from planner.asked import Asked, assess_asked
from planner.assess import ReadyBone
from planner.compare import Comparison, Row, check_placed
from planner.doubt_vocabulary import Doubt
from planner.pullout import thread_shape_factor
from planner.vocabulary import PlacedScrew, Plan, Screw, Technique, Thread
from segmentation.documents import nearest
from segmentation.errors import InputError
from segmentation.files import shown

CHANGES = ("pitch", "core", "major", "pilot", "length", "density")
"""What can be changed: millimetres, but of density a factor."""

LARGEST_COUNT = 200.0
"""Largest value of any. Our choice: a length in mm."""

MOVES_LEAST_FRACTION = 0.001
"""A smaller relative change is none. Our choice: below any number's own error."""


@dataclass(frozen=True)
class Move:
    """A number or the share of draws that keep a limit, before and after; ``change_fraction`` of the number
    before, None where that is 0."""

    number: str
    fragment: int | None
    before: float
    after: float
    change_fraction: float | None


def parse_changes(words: Sequence[str]) -> dict[str, float]:
    """``["pitch=1.0 core=2.4"]`` → the values by word. Raises InputError for what cannot be changed.

    >>> parse_changes(["pitch=1.0 core=2.4"])
    {'pitch': 1.0, 'core': 2.4}
    """
    found: dict[str, float] = {}
    for word in (one for text in words for one in text.replace(",", " ").split()):
        name, equals, value = word.partition("=")
        if name not in CHANGES:
            raise InputError(
                f"--what-if cannot change {shown(name)} ({nearest(name, CHANGES)}); write name=value"
            )
        try:
            number = float(value) if equals else math.nan
        except ValueError:
            number = math.nan
        if not 0 < number <= LARGEST_COUNT:
            raise InputError(
                f"--what-if {name} must be a number above 0 (got {shown(value)}); such as {name}=1.2"
            )
        if name in found:
            raise InputError(f"--what-if names {name} twice; give one value")
        found[name] = number
    return found


def own_values(placed: PlacedScrew) -> dict[str, float | None]:
    """What each of CHANGES is before anything is changed: in mm, a pilot hole that is not told None; a
    factor of 1 on density."""
    leading = _leading(placed.screw)
    values = (leading.pitch_mm, leading.core_mm, leading.major_mm, placed.screw.pilot_mm, placed.length_mm)
    return dict(zip(CHANGES, (*values, 1.0), strict=True))


def with_change(
    bone: ReadyBone,
    plan: Plan,
    comparison: Comparison,
    asked: Asked,
    changes: Mapping[str, float],
    technique: Technique | None = None,
) -> tuple[Comparison, tuple[Move, ...]]:
    """``comparison`` with its first row changed as a last row, and what moved between the two.

    Both are measured in ``plan``'s pose with what is ``asked``, whose doubt is drawn. ``technique`` None
    keeps the first row's. Raises InputError for what cannot be changed or measured.
    """
    first = comparison.rows[0]
    if first.result is None or first.result.doubt is None:
        raise InputError(
            f"the first variant cannot be measured, so that nothing can be changed: {first.fault}"
        )
    placed = changed_screw(first.placed, changes)
    placed = replace(placed, technique=technique or placed.technique)
    try:
        check_placed(placed)
        other = assess_asked(changed_bone(bone, changes), replace(plan, screws=(placed,)), asked).screws[0]
    except InputError as fault:
        raise InputError(f"the changed screw cannot be measured: {fault}") from None
    assert other.doubt is not None
    whole = replace(comparison, rows=(*comparison.rows, Row(placed.name, placed, other, None)))
    return whole, moves(first.result.doubt, other.doubt)


def changed_screw(placed: PlacedScrew, changes: Mapping[str, float]) -> PlacedScrew:
    """``placed`` with its leading thread, pilot or length changed. Raises InputError for a screw that cannot
    be."""
    screw = placed.screw
    leading = _leading(screw)
    thread = replace(
        leading,
        pitch_mm=changes.get("pitch", leading.pitch_mm),
        core_mm=changes.get("core", leading.core_mm),
        major_mm=changes.get("major", leading.major_mm),
    )
    thread_shape_factor(major_mm=thread.major_mm, core_mm=thread.core_mm, pitch_mm=thread.pitch_mm)
    threads: tuple[Thread, ...] = tuple(thread if one is leading else one for one in screw.threads)
    _check_cannula(screw, thread)
    shaft_mm = min(screw.shaft_mm, thread.major_mm) if "major" in changes else screw.shaft_mm
    own = replace(
        screw,
        name=f"{screw.name} what-if",
        threads=threads,
        shaft_mm=shaft_mm,
        pilot_mm=changes.get("pilot", screw.pilot_mm),
    )
    return replace(placed, screw=own, length_mm=changes.get("length", placed.length_mm))


def changed_bone(bone: ReadyBone, changes: Mapping[str, float]) -> ReadyBone:
    """``bone`` with every density times the factor asked. Raises InputError where density is not known."""
    factor = changes.get("density", 1.0)
    if factor == 1.0:
        return bone
    line = bone.prepared.bone.calibration
    if line is None:
        raise InputError("the scan is not calibrated, so that there is no density to change; leave it out")
    thinner = replace(
        line,
        slope_mg_cm3_per_hu=line.slope_mg_cm3_per_hu * factor,
        intercept_mg_cm3=line.intercept_mg_cm3 * factor,
        slope_standard_error_mg_cm3_per_hu=line.slope_standard_error_mg_cm3_per_hu * factor,
        intercept_standard_error_mg_cm3=line.intercept_standard_error_mg_cm3 * factor,
    )
    whole = replace(bone.prepared.bone, calibration=thinner)
    return replace(bone, prepared=replace(bone.prepared, bone=whole))


def moves(before: Doubt, after: Doubt) -> tuple[Move, ...]:
    """Which numbers and limits moved, those that moved most first."""
    own = {("", one.number, one.fragment): one.estimate for one in before.numbers}
    own |= {("kept: ", one.limit, None): one.holds_fraction for one in before.limits}
    other = {("", one.number, one.fragment): one.estimate for one in after.numbers}
    other |= {("kept: ", one.limit, None): one.holds_fraction for one in after.limits}
    found = []
    for key in own.keys() & other.keys():
        one, two = own[key], other[key]
        share = (two - one) / abs(one) if one else None
        if not math.isclose(one, two, rel_tol=MOVES_LEAST_FRACTION, abs_tol=1e-9):
            found.append(Move(key[0] + key[1], key[2], one, two, share))
    return tuple(
        sorted(
            found, key=lambda move: (-abs(move.change_fraction or math.inf), move.number, move.fragment or 0)
        )
    )


def _leading(screw: Screw) -> Thread:
    """The thread at the tip."""
    return next((one for one in screw.threads if one.at == "tip" or one.length_mm is None), screw.threads[0])


def _check_cannula(screw: Screw, thread: Thread) -> None:
    if thread.core_mm <= screw.cannula_mm:
        raise InputError(
            f"the core must be wider than the cannula of {screw.cannula_mm:g} mm (got {thread.core_mm:g}); "
            "give a wider one"
        )
