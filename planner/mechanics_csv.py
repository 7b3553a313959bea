"""The mechanics of a screw as cells of screws.csv: drilling, strength, torque, pressing and closing.

A name is the place in assessment.json with ``_`` for ``.``; an interval has three cells, ``_low`` and
``_high`` before the unit.
"""

from __future__ import annotations

from typing import Any

from planner.vocabulary import Interval, ScrewResult

INTERVALS: tuple[tuple[str, str], ...] = (
    ("strength.bending.yield_moment", "n_m"),
    ("torque.insertion", "n_m"),
    ("torque.stripping", "n_m"),
    ("torque.eighty_percent", "n_m"),
    ("torque.compression_at_advised", "n"),
    ("lag.angle", "degree"),
    ("lag.pressing", "fraction"),
    ("lag.pressing", "n"),
    ("two_pitch.force_now", "n"),
    ("two_pitch.force_retained", "n"),
)
"""What has an interval: where it stands, and its unit."""

PLAIN: tuple[str, ...] = (
    "strength.weakest.stretch",
    "strength.weakest.diameter_mm",
    "strength.weakest.cannula_mm",
    "strength.weakest.modulus_mm3",
    "strength.weakest.to_fracture_mm",
    "strength.runout_to_fracture_mm",
    "strength.torque_floors.breaking_n_m",
    "strength.torque_floors.yield_n_m",
    "strength.pilot.pilot_mm",
    "strength.pilot.fit",
    "torque.advised_at_most_n_m",
    "torque.insertion_against_limit",
    "lag.by",
    "lag.sliding",
    "two_pitch.travel_per_turn_mm",
    "two_pitch.travel_mm",
    "two_pitch.gap_mm",
    "two_pitch.closes",
    "two_pitch.ends_buried",
)
"""What has none."""


def mechanics_columns() -> list[str]:
    """The names of the cells, in order."""
    spread = [_named(place, unit, end) for place, unit in INTERVALS for end in ("", "low", "high")]
    return [*spread, *(place.replace(".", "_") for place in PLAIN)]


def mechanics_cells(result: ScrewResult) -> dict[str, str | float | None]:
    """The cells of one screw; None where something is not known or does not apply."""
    cells: dict[str, str | float | None] = {}
    for place, unit in INTERVALS:
        found: Interval | None = _at(result, f"{place}_{unit}")
        for end, field in (("", "estimate"), ("low", "low"), ("high", "high")):
            cells[_named(place, unit, end)] = getattr(found, field, None)
    for place in PLAIN:
        value = _at(result, place)
        cells[place.replace(".", "_")] = ("yes" if value else "no") if isinstance(value, bool) else value
    return cells


def _named(place: str, unit: str, end: str) -> str:
    return "_".join(part for part in (place.replace(".", "_"), end, unit) if part)


def _at(result: ScrewResult, place: str) -> Any:
    """What stands at a place, steps parted by points; None where a step is not told."""
    found: Any = result
    for step in place.split("."):
        found = None if found is None else getattr(found, step)
    return found
