"""How well predictions do, per study and host: slope, R², mean error, bias, coverage, width of the intervals.

Groups are by source, host and quantity, and over all sources by host and quantity. R² is the squared
correlation; within one foam it tells little, because the forces hardly differ. The foam's factor, if it were
fitted, is told with the errors of leaving each design and each study out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.host_words import foam_density_g_cm3, host_kind
from planner.lab_prediction import Prediction, nominal_n
from planner.lab_row import LabRow, Quantity
from segmentation.vocabulary import Floats


@dataclass(frozen=True)
class Score:
    """How one group of predictions does.

    ``slope_ratio`` is measured on predicted through the origin, ``error_fraction`` the mean absolute and
    ``bias_fraction`` the mean error of the prediction over the measurement. ``r2_ratio`` is None below three
    rows.
    """

    count: int
    slope_ratio: float
    r2_ratio: float | None
    error_fraction: float
    bias_fraction: float
    covered_count: int
    median_high_over_low_ratio: float
    densities_count: int


@dataclass(frozen=True)
class Group:
    """The predictions of one host and quantity, of one source or (``source`` None) of all."""

    source: str | None
    host: str
    quantity: Quantity
    predictions: tuple[Prediction, ...]


@dataclass(frozen=True)
class FoamFit:
    """The foam's factor fitted to rows, each study counting the same; errors of predicting what was left
    out."""

    fitted_factor: float
    fitted_error_fraction: float
    design_left_out_error_fraction: float
    study_left_out_error_fraction: float | None
    designs_count: int
    studies_count: int


def score(predictions: Sequence[Prediction]) -> Score:
    """The score of predictions that all have a measurement, at least one."""
    measured = np.array([prediction.row.measured for prediction in predictions], float)
    predicted = np.array([prediction.predicted.estimate for prediction in predictions])
    error = (predicted - measured) / measured
    widths = [prediction.predicted.high / prediction.predicted.low for prediction in predictions]
    varied = len(predictions) >= 3 and np.ptp(measured) > 0 and np.ptp(predicted) > 0
    densities = {_density_key(prediction.row) for prediction in predictions}
    return Score(
        count=len(predictions),
        slope_ratio=float(measured @ predicted / (predicted @ predicted)),
        r2_ratio=float(np.corrcoef(measured, predicted)[0, 1] ** 2) if varied else None,
        error_fraction=float(np.abs(error).mean()),
        bias_fraction=float(error.mean()),
        covered_count=sum(bool(prediction.covered) for prediction in predictions),
        median_high_over_low_ratio=float(np.median(widths)),
        densities_count=len(densities),
    )


def groups_of(predictions: Sequence[Prediction]) -> list[Group]:
    """The groups that have a measurement, in order of first appearance: each study's, then all studies'."""
    measured = [prediction for prediction in predictions if prediction.row.measured is not None]
    found: dict[tuple[str | None, str, Quantity], list[Prediction]] = {}
    for by_source in (True, False):
        for prediction in measured:
            row = prediction.row
            if row.quantity is not None:
                key = (row.source if by_source else None, host_kind(row), row.quantity)
                found.setdefault(key, []).append(prediction)
    return [Group(*key, tuple(some)) for key, some in found.items()]


def foam_fit(predictions: Sequence[Prediction]) -> FoamFit | None:
    """The foam's factor as these pull-outs would have it; None below two designs.

    Rows whose shear strength the laboratory states itself do not count.
    """
    rows = [
        prediction.row
        for prediction in predictions
        if prediction.row.quantity == "pull-out"
        and host_kind(prediction.row) == "foam"
        and prediction.row.host_shear_mpa is None
        and prediction.row.measured is not None
    ]
    if len(rows) < 2:
        return None
    logs = np.array([np.log((row.measured or np.nan) / (nominal_n(row) or np.nan)) for row in rows])
    studies = np.array([row.source for row in rows])
    designs = np.array([f"{row.major_mm} {row.core_mm} {row.pitch_mm} {row.screw_kind}" for row in rows])
    names = sorted(set(studies))
    if len(set(designs)) < 2:
        return None
    return FoamFit(
        fitted_factor=float(np.exp(_fitted(logs, studies))),
        fitted_error_fraction=_error(_fitted(logs, studies) - logs),
        design_left_out_error_fraction=_left_out(logs, studies, designs),
        study_left_out_error_fraction=_left_out(logs, studies, studies) if len(names) > 1 else None,
        designs_count=len(set(designs)),
        studies_count=len(names),
    )


def _fitted(logs: Floats, studies: Floats) -> float:
    """Mean over studies of each one's mean."""
    return float(np.mean([logs[studies == name].mean() for name in sorted(set(studies))]))


def _left_out(logs: Floats, studies: Floats, of: Floats) -> float:
    errors = []
    for name in sorted(set(of)):
        out = of == name
        errors += list(_fitted(logs[~out], studies[~out]) - logs[out])
    return _error(np.array(errors))


def _error(log_errors: Floats | float) -> float:
    return float(np.abs(np.expm1(log_errors)).mean())


def _density_key(row: LabRow) -> float | str | None:
    if host_kind(row) == "foam":
        density = foam_density_g_cm3(row)
        return None if density is None else round(density, 3)
    return row.host_density_g_cm3
