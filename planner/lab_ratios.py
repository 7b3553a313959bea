"""Two rows of one study that differ in one thing only: their ratio is predicted where no force can be.

The same screw in two densities: geometry and length cancel, if they were the same, and the density law
remains. Two threads in one host: the host cancels and π · D · TSF remains. Each pair is told with an
interval, and the densities together with the share of variance explained.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.density_laws import MG_PER_G_FACTOR
from planner.host_words import foam_density_g_cm3, host_kind
from planner.lab_prediction import Prediction, Skipped
from planner.lab_row import LabRow
from planner.pullout import (
    FORM_ERROR_FRACTION,
    PERCENTILE_95_COUNT,
    geometry_error_fraction,
    thread_shape_factor,
)
from planner.screw_words import thread_of
from planner.shear_laws import FOAM_EXPONENT_FACTOR, law_standard_error_fraction, shear_strength_mpa
from planner.vocabulary import Interval, Thread

FOAM_EXPONENT_ERROR_FACTOR = 0.3
"""Standard deviation of the exponent of density. Published ratios gave 1.1 to 1.7."""


@dataclass(frozen=True)
class Ratio:
    """``other`` over ``base``: measured, and predicted from what differs between them."""

    base: LabRow
    other: LabRow
    differs: Literal["density", "thread"]
    measured_ratio: float
    predicted: Interval

    @property
    def covered(self) -> bool:
        """Whether the measured ratio lies in the interval."""
        return self.predicted.low <= self.measured_ratio <= self.predicted.high


def ratios(judged: Iterable[Prediction | Skipped]) -> list[Ratio]:
    """The pairs among the rows that could not be predicted, by density first, then by thread."""
    rows = [one.row for one in judged if isinstance(one, Skipped) and _is_force(one.row)]
    return [*_by_density(rows), *_by_thread(rows)]


def across_densities_r2_ratio(found: Sequence[Ratio]) -> float | None:
    """Share of the variance of ln(force) within each study and screw that the density law explains in foam.

    None below two pairs.
    """
    pairs = [one for one in found if one.differs == "density" and host_kind(one.base) == "foam"]
    if len(pairs) < 2:
        return None
    groups: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for one in pairs:
        group = groups[one.base.source, one.base.screw_kind]
        if not group:
            group.append((0.0, 0.0))
        group.append((math.log(one.measured_ratio), math.log(one.predicted.estimate)))
    centred = [np.array(group) - np.mean(group, axis=0) for group in groups.values()]
    measured, predicted = np.concatenate(centred).T
    return float(1 - ((measured - predicted) ** 2).sum() / (measured**2).sum())


def _is_force(row: LabRow) -> bool:
    return (
        row.quantity in ("pull-out", "pull-out per mm")
        and row.measured is not None
        and host_kind(row) != "other"
        and not row.read_or_memory.startswith("M")
    )


def _by_density(rows: Sequence[LabRow]) -> list[Ratio]:
    groups: dict[tuple[str, str, str, str], list[tuple[float, LabRow]]] = defaultdict(list)
    for row in rows:
        density = foam_density_g_cm3(row) if host_kind(row) == "foam" else row.host_density_g_cm3
        if density is not None:
            groups[row.source, row.screw_kind, host_kind(row), row.quantity_words].append((density, row))
    found = []
    for group in groups.values():
        (low_g_cm3, base), *others = sorted(group, key=lambda pair: pair[0])
        found += [
            Ratio(base, row, "density", _measured(base, row), _of_densities(row, low_g_cm3, density))
            for density, row in others
            if density > low_g_cm3
        ]
    return found


def _of_densities(row: LabRow, low_g_cm3: float, high_g_cm3: float) -> Interval:
    densities = np.array([low_g_cm3, high_g_cm3]) * MG_PER_G_FACTOR
    if host_kind(row) == "foam":
        ratio = (high_g_cm3 / low_g_cm3) ** FOAM_EXPONENT_FACTOR
        spread = FOAM_EXPONENT_ERROR_FACTOR * math.log(high_g_cm3 / low_g_cm3)
    else:
        weak, dense = shear_strength_mpa(densities, "bone")
        ratio, spread = float(dense / weak), math.hypot(*law_standard_error_fraction(densities, "bone"))
    return _lognormal(ratio, spread)


def _by_thread(rows: Sequence[LabRow]) -> list[Ratio]:
    groups: dict[tuple[str, str, str], list[tuple[Thread, LabRow]]] = defaultdict(list)
    for row in rows:
        told = thread_of(row)
        if not isinstance(told, list) and row.engaged_mm is not None:
            groups[row.source, row.host_name, row.quantity_words].append((told[0], row))
    found = []
    for (base_thread, base), *others in groups.values():
        for thread, row in others:
            ratio = _surface_mm2(thread, row) / _surface_mm2(base_thread, base)
            spread = math.hypot(
                FORM_ERROR_FRACTION * math.sqrt(2),
                geometry_error_fraction(thread),
                geometry_error_fraction(base_thread),
            )
            found.append(Ratio(base, row, "thread", _measured(base, row), _lognormal(ratio, spread)))
    return found


def _surface_mm2(thread: Thread, row: LabRow) -> float:
    shape = thread_shape_factor(major_mm=thread.major_mm, core_mm=thread.core_mm, pitch_mm=thread.pitch_mm)
    return math.pi * thread.major_mm * shape * (row.engaged_mm or 0.0)


def _measured(base: LabRow, row: LabRow) -> float:
    if base.measured is None or row.measured is None:
        raise ValueError("a ratio needs two measurements")
    return row.measured / base.measured


def _lognormal(middle_ratio: float, spread_fraction: float) -> Interval:
    factor = math.exp(PERCENTILE_95_COUNT * spread_fraction)
    return Interval(middle_ratio, middle_ratio / factor, middle_ratio * factor)
