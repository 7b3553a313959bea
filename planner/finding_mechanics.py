"""What a person should know of a screw's mechanics: run-out, angle, drilling, gap, torque, load."""

from __future__ import annotations

from collections.abc import Iterator

from planner.finding_case import COMMON, OURS, Case, Rule, finding
from planner.pilot import HOLDS_TO_OF_MAJOR_FRACTION
from planner.two_pitch import GAP_OPEN_MM
from planner.vocabulary import Finding

OBLIQUE_SOURCE = "Swanstrom et al. 2017 J Wrist Surg 6:178"
GAP_SOURCE = "Tan et al. 2018 J Hand Surg Eur 43:93"
TORQUE_SOURCE = "FDA-2019-D-1652 §III.2 (2024)"
LINE_SOURCE = "Fletcher et al. 2019 Clin Biomech 70:40"
LEVER_SOURCE = "derived: cutting the thread against friction once seated"
PILOT_SOURCE = "derived from the screw table"
OVERDRILLED_SOURCE = "Heidemann et al. 1998; Battula et al. 2008 (read as quoted)"

VERY_OBLIQUE_DEGREE = 30.0
"""From square to the fracture: beyond it the warning is a strong one. Common practice: below 60° to the
plane."""

FAULT_CODES = {
    "gliding-hole-narrow": "gliding-hole-narrow",
    "gliding-hole-through": "gliding-hole-through",
    "screw-short-after-countersinking": "screw-short-countersunk",
}
"""Faults of a lag screw with a finding of their own; the others are told by the threads that bridge."""


def _runout(case: Case) -> Iterator[Finding]:
    strength, limit_mm = case.result.strength, case.limits.runout_from_fracture_mm
    if strength is None or strength.runout_to_fracture_mm is None:
        return
    away_mm = strength.runout_to_fracture_mm
    if away_mm < limit_mm:
        message = f"The run-out, where a screw breaks, lies {away_mm:.1f} mm from the fracture."
        yield finding("runout-near-fracture", message, OURS, away_mm, limit_mm)


def _oblique(case: Case) -> Iterator[Finding]:
    lag, limit_degree = case.result.lag, case.limits.fracture_angle_degree
    if lag is None or lag.angle_degree is None or lag.pressing_fraction is None:
        return
    angle_degree = lag.angle_degree.estimate
    if angle_degree <= limit_degree:
        return
    message = (
        f"The screw meets the fracture {angle_degree:.1f}° off square: "
        f"{100 * lag.pressing_fraction.estimate:.0f} % of its force press"
    )
    if angle_degree > VERY_OBLIQUE_DEGREE:
        message += ", far from what a lag screw is for"
    if lag.sliding != "held":
        message += "; the fragments slide" if lag.sliding == "slides" else "; the fragments may slide"
    yield finding("fracture-oblique", f"{message}.", OBLIQUE_SOURCE, angle_degree, limit_degree)


def _faults(case: Case) -> Iterator[Finding]:
    for fault in case.result.lag.faults if case.result.lag else ():
        if fault.fault in FAULT_CODES:
            yield finding(FAULT_CODES[fault.fault], fault.message, COMMON, fault.value_mm, 0.0)


def _gap(case: Case) -> Iterator[Finding]:
    told, limit_mm = case.result.two_pitch, case.limits.two_pitch_gap_mm
    if told is None or told.gap_mm is None or told.gap_along_axis_mm is None:
        return
    if not told.closes:
        message = (
            f"The two pitches close {told.travel_mm:.1f} mm of a gap of {told.gap_along_axis_mm:.1f} mm: "
            "reduce it first"
        )
        yield finding(
            "gap-not-closed", f"{message}.", "derived", told.gap_along_axis_mm, round(told.travel_mm, 6)
        )
    if told.gap_mm >= limit_mm:
        message = f"The fracture gapes {told.gap_mm:.1f} mm: such a gap cost a significant part of the force."
        if told.gap_mm >= GAP_OPEN_MM:
            message = f"The fracture gapes {told.gap_mm:.1f} mm: at such a gap fragments never met."
        yield finding("gap-wide", message, GAP_SOURCE, told.gap_mm, limit_mm)


def _torque(case: Case) -> Iterator[Finding]:
    torque, strength = case.result.torque, case.result.strength
    if torque is None or strength is None:
        return
    limit_n_m = strength.torque_floors.insertion_limit_n_m
    if torque.insertion_against_limit == "beyond" and torque.insertion_n_m is not None:
        expected_n_m = torque.insertion_n_m.estimate
        message = f"Driving it in takes {expected_n_m:.2f} N·m, more than half of what a screw must bear"
        message += ": tap, or take a thicker core."
        yield finding("insertion-torque", message, TORQUE_SOURCE, expected_n_m, limit_n_m)
    eighty = torque.eighty_percent_n_m
    if (
        torque.insertion_n_m is not None
        and eighty is not None
        and torque.insertion_n_m.estimate > eighty.estimate
    ):
        drives_n_m, line_n_m = torque.insertion_n_m.estimate, eighty.estimate
        message = (
            f"Driving it in takes about {drives_n_m:.2f} N·m, more than the {line_n_m:.2f} N·m at which it "
            "should be tight: the driver does not tell when to stop; go by turns and image."
        )
        yield finding("torque-no-guide", message, LEVER_SOURCE, drives_n_m, line_n_m)
    given_n_m, advised_n_m = torque.given_n_m, torque.advised_at_most_n_m
    if given_n_m is not None and advised_n_m is not None and given_n_m > advised_n_m:
        message = f"{given_n_m:g} N·m are asked, {advised_n_m:.2f} N·m are the most that is advised."
        yield finding("torque-too-high", message, LINE_SOURCE, given_n_m, round(advised_n_m, 6))
    wanted_n, most = torque.wanted_compression_n, torque.compression_at_advised_n
    if wanted_n is not None and most is not None and torque.torque_for_wanted_n_m is None:
        message = f"{wanted_n:.1f} N are asked, {most.estimate:.1f} N come at the largest torque advised."
        yield finding("compression-too-high", message, LINE_SOURCE, wanted_n, round(most.estimate, 6))


def _load(case: Case) -> Iterator[Finding]:
    bending = None if case.result.strength is None else case.result.strength.bending
    if bending is None or bending.of_yield_fraction is None or bending.stress_mpa is None:
        return
    if bending.of_yield_fraction.high > 1:
        share = bending.of_yield_fraction.high
        message = (
            f"{bending.load_n:g} N at {bending.lever_mm:g} mm bend the weakest section to "
            f"{100 * share:.0f} % of yield at the high end of the interval."
        )
        yield finding("bending-over-yield", message, "textbook", share, 1.0)


def _pilot(case: Case) -> Iterator[Finding]:
    """A note where a pilot is wide and no loss of hold was measured, which is so of the common drills of 2.0
    and deep 4.0 mm threads; a warning where published tests begin to lose hold."""
    pilot = None if case.result.strength is None else case.result.strength.pilot
    if pilot is None or pilot.fit != "too big":
        return
    message = f"The pilot drill of {pilot.pilot_mm:g} mm is wide for a core of {pilot.core_mm:g} mm: "
    message += f"{pilot.effect}."
    if pilot.of_major_fraction > HOLDS_TO_OF_MAJOR_FRACTION:
        major_mm = pilot.pilot_mm / pilot.of_major_fraction
        limit_mm = HOLDS_TO_OF_MAJOR_FRACTION * major_mm
        yield finding("pilot-overdrilled", message, OVERDRILLED_SOURCE, pilot.pilot_mm, limit_mm)
    else:
        yield finding("pilot-wide", message, PILOT_SOURCE, pilot.pilot_mm, pilot.widest_mm)


RULES: tuple[Rule, ...] = (_runout, _oblique, _faults, _gap, _torque, _load, _pilot)
