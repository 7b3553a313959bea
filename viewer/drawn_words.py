"""What drawn numbers and limits are called, and how finely they are written, on terminal and paper alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from planner.doubt_vocabulary import Doubt, DoubtSource, DrawnLimit, DrawnNumber

NUMBERS = {
    "bone_length_mm": "bone length, mm",
    "tip_beyond_exit_mm": "tip beyond exit, mm",
    "clearance_mm.leading_end.outer": "leading end to surface, mm",
    "clearance_mm.leading_end.joint": "leading end to joint, mm",
    "clearance_mm.trailing_end.outer": "trailing end to surface, mm",
    "clearance_mm.body.outer": "body to surface, mm",
    "clearance_mm.body.joint": "body to joint, mm",
    "pull_out.force_n": "hold with its factors, N",
    "torque.stripping_n_m": "stripping torque, N·m",
    "torque.compression_at_advised_n": "compression at advised torque, N",
    "lag.angle_degree": "angle to the fracture, °",
    "two_pitch.gap_along_axis_mm": "gap along the axis, mm",
    "two_pitch.travel_mm": "two pitches close up to, mm",
    "tip_apex.distance_mm": "tip–apex distance, mm",
}
"""Numbers of a whole screw, in order; the files have all numbers."""

LIMITS = {
    "joint_clearance_mm": "clearance to the joint",
    "leading_end_clearance_mm": "clearance of the leading end",
    "body_clearance_mm": "clearance of the body",
    "trailing_end_buried_mm": "trailing end buried",
    "threads_beyond_fracture_count": "threads beyond the fracture",
    "tip_through_far_cortex_mm": "tip through the far cortex",
    "fracture_angle_degree": "angle to the fracture",
    "tip_apex_mm": "tip–apex distance",
    "two_pitch_gap_mm": "gap of the fracture",
}
"""Limits a screw is held against, in words."""

UNITS = {"_mm": "mm", "_degree": "°", "_count": ""}
"""Unit of a limit by the end of its name."""

AT_MOST = ("tip_through_far_cortex_mm", "fracture_angle_degree", "tip_apex_mm", "two_pitch_gap_mm")
"""Limits that keep a number down; the others keep one up."""

SOURCES: dict[DoubtSource, str] = {
    "placement": "placement",
    "surface": "bone surface",
    "calibration": "calibration",
    "law": "law of strength",
    "geometry": "screw's geometry",
    "friction": "friction",
}
"""Sources of doubt in words."""


def number_of(doubt: Doubt, name: str, fragment: int | None = None) -> DrawnNumber | None:
    """A number that was drawn, by its name in assessment.json; None where it is not told."""
    return next((one for one in doubt.numbers if (one.number, one.fragment) == (name, fragment)), None)


def limit_said(name: str) -> str:
    """A limit's name in words.

    >>> limit_said("joint_clearance_mm"), limit_said("threads_beyond_fracture_count")
    ('joint clearance', 'threads beyond fracture')
    """
    for unit in ("_mm", "_count", "_degree", "_fraction"):
        name = name.removesuffix(unit)
    return name.replace("_", " ")


def limit_of(doubt: Doubt, name: str) -> DrawnLimit | None:
    """A limit that was drawn; None where the screw has no number for it."""
    return next((one for one in doubt.limits if one.limit == name), None)


def digits_of(name: str) -> int:
    """Decimals that a number is known to, by its unit.

    >>> digits_of("pull_out.force_n"), digits_of("torque.stripping_n_m"), digits_of("bone_length_mm")
    (0, 2, 1)
    """
    if name.endswith("_n_m"):
        return 2
    return 0 if name.endswith(("_n", "_degree", "_hu", "_mg_cm3")) else 1


def limit_words(name: str, value: float) -> str:
    """A limit as it is asked.

    >>> limit_words("joint_clearance_mm", 2.0), limit_words("fracture_angle_degree", 10.0)
    ('≥ 2 mm', '≤ 10°')
    """
    unit = next((unit for end, unit in UNITS.items() if name.endswith(end)), "")
    gap = "" if unit in ("", "°") else " "
    return f"{'≤' if name in AT_MOST else '≥'} {value:g}{gap}{unit}".replace("-", "−")


def share_words(share_fraction: float) -> str:
    """A share of draws in whole percent, where it is not all or none never 100 % or 0 %.

    >>> share_words(0.444), share_words(0.999), share_words(1.0), share_words(0.0)
    ('44 %', 'over 99 %', 'all', 'none')
    """
    if share_fraction in (0, 1):
        return "all" if share_fraction else "none"
    if round(share_fraction * 100) in (0, 100):
        return "over 99 %" if share_fraction > 0.5 else "under 1 %"
    return f"{share_fraction * 100:.0f} %"


def source_words(drawn: DrawnNumber) -> str:
    """Which source of doubt a number hangs on most, and its share of the squared spreads."""
    if drawn.most_from is None or drawn.most_from_fraction is None:
        return ""
    return f"{SOURCES[drawn.most_from]}, {drawn.most_from_fraction * 100:.0f} %"


def says_words(doubt: Doubt) -> str:
    """The line that names the source which matters most, its limit in words."""
    said = doubt.says
    for name, words in LIMITS.items():
        said = said.replace(name, words)
    return said
