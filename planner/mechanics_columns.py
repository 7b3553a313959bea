"""The mechanics of a screw as columns of a table: what assessment.json tells of its hold, strength, torque,
lag and gap, a cell for each number, its 5th and 95th percentile beside it where it has them.

A column has the value's path in assessment.json, its steps joined by ``_``: ``torque.stripping_n_m`` is
``torque_stripping_n_m``, ``torque_stripping_low_n_m`` and ``torque_stripping_high_n_m``. Factors of the hold
have one by their first word, ``pull_out_pilot_factor``. The other lists of assessment.json (sections,
drilling, resorbable courses) have no column.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

from planner.interval import Interval
from planner.vocabulary import ScrewResult

Cell = str | float | None

_SECTION = (
    "stretch from_mm to_mm diameter_mm cannula_mm area_mm2 second_moment_mm4 modulus_mm3 polar_modulus_mm3 "
    "to_fracture_mm"
)
_ACROSS = "stiffness_n_per_mm* yield_n* yields"

TABLE = {
    "": "governed_by",
    "pull_out": "host_n* screw_n*",
    "angular_stability.locked": _ACROSS,
    "angular_stability.unlocked": _ACROSS,
    "angular_stability": "stiffness_ratio yield_ratio",
    "strength": "material runout_to_fracture_mm",
    "strength.weakest": _SECTION,
    "strength.at_fracture": _SECTION,
    "strength.torque_floors": (
        "breaking_n_m breaking_rotation_degree yield_n_m yield_row_mm insertion_limit_n_m"
    ),
    "strength.bending": "yield_moment_n_m* load_n lever_mm stress_mpa* of_yield_fraction* deflection_mm*",
    "strength.fatigue": "against endured_factor* notch_factor*",
    "strength.pilot": "pilot_mm core_mm widest_mm of_major_fraction fit",
    "torque": (
        "friction_ratio* torque_per_force_mm* insertion_n_m* insertion_against_limit stripping_n_m* "
        "eighty_percent_n_m* advised_at_most_n_m compression_at_advised_n* given_n_m compression_at_given_n* "
        "wanted_compression_n torque_for_wanted_n_m*"
    ),
    "lag": (
        "by angle_degree* pressing_fraction* shearing_fraction* friction_ratio* sliding pressing_n* faults"
    ),
    "two_pitch": (
        "travel_per_turn_mm turns_both_count travel_mm gap_along_axis_mm gap_mm closes gap_loss ends_buried "
        "force_now_n* force_retained_n*"
    ),
    "tip_apex": "distance_mm frontal_mm lateral_mm straight_mm ball_radius_mm within_head_limit",
}
"""Part of a screw → its values that have columns; those with a star have a 5th and 95th percentile."""

FACTORS = {
    "foam": "foam as moulded",
    "ring": "ring to 0.5 mm beyond",
    "cortex": "cortex by itself",
    "pilot": "pilot hole",
    "tapping": "tapping",
    "taper": "taper",
}
"""Word in a column → name of the factor of the hold."""

NOT_MODELLED = "pull_out_not_modelled"
"""The column that names every factor without a number."""

_UNITS = re.compile(r"(.+?)_(n_per_mm|mm[234]?|n_m|n|mpa|degree|fraction|ratio|factor)")


def mechanics_columns(without: Collection[str] = ()) -> list[str]:
    """Names of the columns, in order; ``without`` those of some values by their paths."""
    return [column for path, ranged in _paths() if path not in without for column in _names(path, ranged)] + [
        *(name for word in FACTORS for name in _ranged_names(f"pull_out_{word}_factor")),
        NOT_MODELLED,
    ]


def mechanics_cells(result: ScrewResult) -> dict[str, Cell]:
    """Column → value of one screw; None where it is not known or does not apply."""
    cells: dict[str, Cell] = {}
    for path, ranged in _paths():
        value = _value(result, path)
        parts = _ends(value) if ranged else (_plain(value),)
        cells.update(zip(_names(path, ranged), parts, strict=True))
    factors = () if result.pull_out is None else result.pull_out.factors
    by_name = {factor.name: factor for factor in factors}
    for word, name in FACTORS.items():
        factor = by_name.get(name)
        ends = (None, None, None) if factor is None else (factor.factor, factor.low, factor.high)
        cells.update(zip(_ranged_names(f"pull_out_{word}_factor"), ends, strict=True))
    cells[NOT_MODELLED] = "; ".join(factor.name for factor in factors if factor.factor is None) or None
    return cells


def _paths() -> Iterator[tuple[str, bool]]:
    """Path of each value, and whether it has percentiles."""
    for part, names in TABLE.items():
        for name in names.split():
            yield f"{part}.{name}".strip(".*"), name.endswith("*")


def _names(path: str, ranged: bool) -> list[str]:
    name = path.replace(".", "_")
    return _ranged_names(name) if ranged else [name]


def _ranged_names(name: str) -> list[str]:
    found = _UNITS.fullmatch(name)
    assert found is not None, name
    return [name, *(f"{found[1]}_{end}_{found[2]}" for end in ("low", "high"))]


def _value(result: ScrewResult, path: str) -> object:
    value: object = result
    for step in path.split("."):
        value = getattr(value, step, None)
    return value


def _ends(value: object) -> tuple[Cell, Cell, Cell]:
    return (value.estimate, value.low, value.high) if isinstance(value, Interval) else (None, None, None)


def _plain(value: object) -> Cell:
    """A word, a number, yes or no; of a lag screw's faults their names."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return " ".join(fault.fault for fault in value) or None
    return value if isinstance(value, str | float | int) else None
