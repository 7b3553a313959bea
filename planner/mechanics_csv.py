"""The mechanics of a screw as cells of a table: hold, strength, torque, pressing and closing.

A name is the place in assessment.json with ``_`` for ``.``; an interval has three cells, ``_low`` and
``_high`` before the unit: ``torque_stripping_n_m``, ``torque_stripping_low_n_m``,
``torque_stripping_high_n_m``. A factor of the hold goes by its first word, ``pull_out_pilot_factor``. The
other lists of assessment.json (sections, drilling, resorbable courses) have no cells.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

from planner.interval import Interval
from planner.vocabulary import ScrewResult

Cell = str | float | None

PLACES = (
    "strength.bending.yield_moment_n_m*",
    "torque.insertion_n_m*",
    "torque.stripping_n_m*",
    "torque.eighty_percent_n_m*",
    "torque.compression_at_advised_n*",
    "lag.angle_degree*",
    "lag.pressing_fraction*",
    "lag.pressing_n*",
    "two_pitch.force_now_n*",
    "two_pitch.force_retained_n*",
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
    "governed_by",
    "pull_out.host_n*",
    "pull_out.screw_n*",
    "angular_stability.locked.stiffness_n_per_mm*",
    "angular_stability.locked.yield_n*",
    "angular_stability.locked.yields",
    "angular_stability.unlocked.stiffness_n_per_mm*",
    "angular_stability.unlocked.yield_n*",
    "angular_stability.unlocked.yields",
    "angular_stability.stiffness_ratio",
    "angular_stability.yield_ratio",
    "strength.material",
    "strength.weakest.from_mm",
    "strength.weakest.to_mm",
    "strength.weakest.area_mm2",
    "strength.weakest.second_moment_mm4",
    "strength.weakest.polar_modulus_mm3",
    "strength.at_fracture.stretch",
    "strength.at_fracture.from_mm",
    "strength.at_fracture.to_mm",
    "strength.at_fracture.diameter_mm",
    "strength.at_fracture.cannula_mm",
    "strength.at_fracture.area_mm2",
    "strength.at_fracture.second_moment_mm4",
    "strength.at_fracture.modulus_mm3",
    "strength.at_fracture.polar_modulus_mm3",
    "strength.at_fracture.to_fracture_mm",
    "strength.torque_floors.breaking_rotation_degree",
    "strength.torque_floors.yield_row_mm",
    "strength.torque_floors.insertion_limit_n_m",
    "strength.bending.load_n",
    "strength.bending.lever_mm",
    "strength.bending.stress_mpa*",
    "strength.bending.of_yield_fraction*",
    "strength.bending.deflection_mm*",
    "strength.fatigue.against",
    "strength.fatigue.endured_factor*",
    "strength.fatigue.notch_factor*",
    "strength.pilot.core_mm",
    "strength.pilot.widest_mm",
    "strength.pilot.of_major_fraction",
    "torque.friction_ratio*",
    "torque.torque_per_force_mm*",
    "torque.given_n_m",
    "torque.compression_at_given_n*",
    "torque.wanted_compression_n",
    "torque.torque_for_wanted_n_m*",
    "lag.shearing_fraction*",
    "lag.friction_ratio*",
    "lag.faults",
    "two_pitch.turns_both_count",
    "two_pitch.gap_along_axis_mm",
    "two_pitch.gap_loss",
    "tip_apex.distance_mm",
    "tip_apex.frontal_mm",
    "tip_apex.lateral_mm",
    "tip_apex.straight_mm",
    "tip_apex.ball_radius_mm",
    "tip_apex.within_head_limit",
)
"""What has cells, in their order; a star where it has an interval. What is new goes to the end."""

FACTORS = {
    "foam": "foam as moulded",
    "ring": "ring to 0.5 mm beyond",
    "cortex": "cortex by itself",
    "pilot": "pilot hole",
    "tapping": "tapping",
    "taper": "taper",
}
"""First word → factor of the hold that may have a number."""

NOT_MODELLED = "pull_out_not_modelled"
"""Names every factor that has none."""

_UNITED = re.compile(r"(.+?)_(n_per_mm|mm|n_m|n|mpa|degree|fraction|ratio|factor)")


def mechanics_columns(without: Collection[str] = ()) -> list[str]:
    """The names of the cells, in order; ``without`` those of some places."""
    own = [name for place, spread in _places() if place not in without for name in _names(place, spread)]
    return [*own, *(name for word in FACTORS for name in _factor_names(word)), NOT_MODELLED]


def mechanics_cells(result: ScrewResult) -> dict[str, Cell]:
    """The cells of one screw; None where something is not known or does not apply."""
    cells: dict[str, Cell] = {}
    for place, spread in _places():
        found = _at(result, place)
        values = _ends(found) if spread else (_plain(found),)
        cells.update(zip(_names(place, spread), values, strict=True))
    factors = () if result.pull_out is None else result.pull_out.factors
    for word, name in FACTORS.items():
        factor = next((one for one in factors if one.name == name), None)
        values = (None, None, None) if factor is None else (factor.factor, factor.low, factor.high)
        cells.update(zip(_factor_names(word), values, strict=True))
    cells[NOT_MODELLED] = "; ".join(one.name for one in factors if one.factor is None) or None
    return cells


def _places() -> Iterator[tuple[str, bool]]:
    return ((place.rstrip("*"), place.endswith("*")) for place in PLACES)


def _names(place: str, spread: bool) -> list[str]:
    name = place.replace(".", "_")
    found = _UNITED.fullmatch(name) if spread else None
    return [name] if found is None else [name, *(f"{found[1]}_{end}_{found[2]}" for end in ("low", "high"))]


def _factor_names(word: str) -> list[str]:
    return _names(f"pull_out_{word}_factor", spread=True)


def _at(result: ScrewResult, place: str) -> object:
    """What stands at a place, steps parted by points; None where a step is not told."""
    found: object = result
    for step in place.split("."):
        found = None if found is None else getattr(found, step)
    return found


def _ends(found: object) -> tuple[Cell, ...]:
    return (found.estimate, found.low, found.high) if isinstance(found, Interval) else (None, None, None)


def _plain(found: object) -> Cell:
    """A word or a number; yes or no; of a lag screw's faults the names."""
    if isinstance(found, bool):
        return "yes" if found else "no"
    if isinstance(found, tuple):
        return " ".join(fault.fault for fault in found) or None
    return found if isinstance(found, str | int | float) else None
