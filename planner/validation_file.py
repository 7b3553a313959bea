"""The comparison of a laboratory's table as a document for machines, format ``pilothole-validation``.

Each row has its id, prediction with 5th and 95th percentile and measurement in the unit of its own quantity
(``predicted_n`` of a force, ``predicted_n_m`` of a torque), and ``skipped``: null, or why nothing is
predicted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from planner.lab_prediction import Prediction, Skipped
from planner.lab_ratios import Ratio, across_densities_r2_ratio, ratios
from planner.lab_scores import Group, foam_fit, groups_of, score

FORMAT, VERSION = "pilothole-validation", 1


def validation_document(judged: Sequence[Prediction | Skipped]) -> dict[str, Any]:
    """The document of what was predicted and what was not, in the table's order."""
    predictions = [one for one in judged if isinstance(one, Prediction)]
    found = ratios(judged)
    fit = foam_fit(predictions)
    return {
        "format": FORMAT,
        "version": VERSION,
        "rows": [_row(one, found) for one in judged],
        "summary": {
            "rows_count": len(judged),
            "predicted_count": len(predictions),
            "groups": [_group(group) for group in groups_of(predictions)],
            "ratios": [_ratio(one) for one in found],
            "foam_r2_across_densities_ratio": across_densities_r2_ratio(found),
            "foam_factor_if_fitted": None if fit is None else asdict(fit),
            "assumed": {one.row.key: list(one.assumed) for one in predictions if one.assumed},
        },
    }


def _row(one: Prediction | Skipped, found: Sequence[Ratio]) -> dict[str, Any]:
    unit = "n_m" if one.row.is_torque else "n"
    told = one.predicted if isinstance(one, Prediction) else None
    return {
        "id": one.row.key,
        f"predicted_{unit}": None if told is None else told.estimate,
        f"low_{unit}": None if told is None else told.low,
        f"high_{unit}": None if told is None else told.high,
        f"measured_{unit}": one.row.measured,
        "skipped": _why(one, found) if isinstance(one, Skipped) else None,
    }


def _why(one: Skipped, found: Sequence[Ratio]) -> str:
    """Why a row is not predicted, and in which ratios it is."""
    pairs = [f"{pair.other.key} / {pair.base.key}" for pair in found if one.row in (pair.base, pair.other)]
    return f"{one.why}; only a ratio is predicted: {', '.join(pairs)}" if pairs else one.why


def _group(group: Group) -> dict[str, Any]:
    told = score(group.predictions)
    return {
        "source": group.source,
        "host": group.host,
        "quantity": group.quantity,
        **asdict(told),
        "coverage_fraction": told.covered_count / told.count,
        "ids": [prediction.row.key for prediction in group.predictions],
    }


def _ratio(one: Ratio) -> dict[str, Any]:
    return {
        "base": one.base.key,
        "other": one.other.key,
        "differs": one.differs,
        "measured_ratio": one.measured_ratio,
        "predicted_ratio": one.predicted.estimate,
        "low_ratio": one.predicted.low,
        "high_ratio": one.predicted.high,
    }
