"""What others measured when they pulled screws out, row by row, and what our laws say of each.

``published_pullouts.csv`` holds one row a measurement, with its source. A row is predicted when its screw
(major, core, pitch), its engaged length and its host's density were published; otherwise ``why_not`` says
what is missing. Nothing is fitted to these rows: the laws are the ones every assessment uses. Expect solid
foam to be over-predicted by 10-20 % (the nominal shear strengths are optimistic, and most of the screws have
tapered cores).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from planner.density_laws import MG_PER_G_FACTOR
from planner.pullout import interval, pullout_closed_form_n, thread_shape_factor
from planner.shear_laws import (
    CORTICAL_SHEAR_MPA,
    LEAST_ERROR_FRACTION,
    law_standard_error_fraction,
    shear_strength_mpa,
)
from planner.vocabulary import Interval, Thread
from segmentation.vocabulary import Host


@dataclass(frozen=True)
class PublishedRow:
    """One published measurement; None where the study, as far as read, does not tell.

    ``measured_n`` is in N where ``quantity`` is a force, in the unit ``quantity`` names otherwise.
    """

    key: str
    source: str
    screw_kind: str
    major_mm: float | None
    core_mm: float | None
    pitch_mm: float | None
    engaged_mm: float | None
    host_name: str
    host_density_g_cm3: float | None
    quantity: str
    measured_n: float
    read_or_memory: str

    @property
    def host(self) -> Host:
        """Foam where the study says so; else bone."""
        return "foam" if "foam" in self.host_name.lower() else "bone"

    @property
    def shear_mpa(self) -> float | None:
        """Shear strength our laws give its host, or None where its density is not known."""
        if self.host_density_g_cm3 is not None:
            return float(shear_strength_mpa(self.host_density_g_cm3 * MG_PER_G_FACTOR, self.host))
        return CORTICAL_SHEAR_MPA if "cortex slab" in self.host_name else None


@dataclass(frozen=True)
class Prediction:
    """A row our laws can predict, and the prediction, in N."""

    row: PublishedRow
    predicted: Interval

    @property
    def covered(self) -> bool:
        """Whether the measurement lies between the 5th and the 95th percentile."""
        return self.predicted.low <= self.row.measured_n <= self.predicted.high

    @property
    def over_ratio(self) -> float:
        """Predicted over measured."""
        return self.predicted.estimate / self.row.measured_n


@dataclass(frozen=True)
class Score:
    """How predictions do: through-origin slope of measured on predicted, R², mean absolute error,
    coverage."""

    slope_ratio: float
    r2_ratio: float
    error_fraction: float
    covered_count: int
    count: int


def published_rows() -> tuple[PublishedRow, ...]:
    """The rows that come with the package, in file order."""
    text = Path(__file__).with_name("published_pullouts.csv").read_text(encoding="utf-8")
    return tuple(_row(cells) for cells in csv.DictReader(text.splitlines()))


def why_not(row: PublishedRow) -> str | None:
    """Why a row cannot be predicted, or None when it can."""
    reasons: tuple[tuple[bool, str], ...] = (
        (not row.quantity.startswith("pullout"), f"measured is {row.quantity}, which is not predicted here"),
        ("out of domain" in row.host_name, "the host is neither bone nor foam"),
        (row.read_or_memory.startswith("M"), "the measurement itself is from memory"),
        (row.major_mm is None, "the screw's diameters and pitch were not read"),
        (row.core_mm is None or row.pitch_mm is None, "core diameter and pitch were not read"),
        (row.engaged_mm is None, "the engaged length was not read"),
        (row.shear_mpa is None, "the density of the bone was not read"),
    )
    return next((sentence for missing, sentence in reasons if missing), None)


def predict(row: PublishedRow) -> Prediction:
    """Our pull-out of a row for which ``why_not`` is None, with the interval an assessment would give it."""
    reason = why_not(row)
    if reason is not None or not (row.major_mm and row.core_mm and row.pitch_mm and row.engaged_mm):
        raise ValueError(f"row {row.key} cannot be predicted: {reason}")
    thread = Thread("tip", row.engaged_mm, row.major_mm, row.core_mm, row.pitch_mm, "symmetrical")
    estimate_n = pullout_closed_form_n(
        row.shear_mpa or 0.0, row.engaged_mm, row.major_mm, row.core_mm, row.pitch_mm
    )
    density_g_cm3 = row.host_density_g_cm3
    law_fraction = (
        LEAST_ERROR_FRACTION
        if density_g_cm3 is None
        else float(law_standard_error_fraction(density_g_cm3 * MG_PER_G_FACTOR, row.host))
    )
    told = interval(
        estimate_n,
        law_fraction=law_fraction,
        calibration_fraction=0.0,
        engaged_mm=row.engaged_mm,
        thread=thread,
        host=row.host,
    )
    return Prediction(row, told)


def score(predictions: Sequence[Prediction]) -> Score:
    """Slope, R² (squared correlation), mean absolute percentage error and coverage of at least two
    predictions."""
    measured = np.array([prediction.row.measured_n for prediction in predictions])
    predicted = np.array([prediction.predicted.estimate for prediction in predictions])
    return Score(
        slope_ratio=float(measured @ predicted / (predicted @ predicted)),
        r2_ratio=float(np.corrcoef(measured, predicted)[0, 1] ** 2),
        error_fraction=float(np.mean(np.abs(predicted - measured) / measured)),
        covered_count=sum(prediction.covered for prediction in predictions),
        count=len(predictions),
    )


def shape_spread_fraction(rows: Sequence[PublishedRow]) -> float:
    """Coefficient of variation of F/(π·D·TSF) over screws in one host: 0 if the equation's form were
    exact."""
    constants = [
        row.measured_n
        / (
            row.major_mm
            * thread_shape_factor(major_mm=row.major_mm, core_mm=row.core_mm, pitch_mm=row.pitch_mm)
        )
        for row in rows
        if row.major_mm and row.core_mm and row.pitch_mm
    ]
    return float(np.std(constants, ddof=1) / np.mean(constants))


def _row(cells: dict[str, str]) -> PublishedRow:
    def number(key: str) -> float | None:
        return float(cells[key]) if cells[key] else None

    return PublishedRow(
        key=cells["id"],
        source=cells["source"],
        screw_kind=cells["screw_kind"],
        major_mm=number("major_mm"),
        core_mm=number("core_mm"),
        pitch_mm=number("pitch_mm"),
        engaged_mm=number("engaged_mm"),
        host_name=cells["host"],
        host_density_g_cm3=number("host_density_g_cm3"),
        quantity=cells["quantity"],
        measured_n=float(cells["force_n"]),
        read_or_memory=cells["read_or_memory"],
    )
