"""The comparison in words: what our laws say beside what others measured, and what each other row lacks.

Takes any laboratory's rows (``lab_table.py``). Rows are predicted one by one; where only one thing changes
between two rows, their ratio is. The numbers are those of ``validation_file.py``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from planner.hold_factors import FOAM_FACTOR, FOAM_HIGH_FACTOR, FOAM_LOW_FACTOR
from planner.host_words import host_kind
from planner.lab_prediction import Prediction, Skipped
from planner.lab_ratios import Ratio, across_densities_r2_ratio, ratios
from planner.lab_row import LabRow
from planner.lab_scores import FoamFit, Group, foam_fit, groups_of, score
from planner.pullout import thread_shape_factor
from planner.shear_laws import CORTICAL_SHEAR_MPA, FOAM_EXPONENT_FACTOR, LAW_NAMES
from segmentation.vocabulary import Floats

PERCENT_FACTOR = 100
"""Per cent in one."""

TARGET_ERROR_FRACTION = 0.15
"""Mean absolute error to stay within in foam. Our choice; the published state of the art is 17-20 %."""

TARGET_COVERED_FRACTION, TARGET_HIGH_OVER_LOW_RATIO = 0.85, 2.4
"""Least share of measurements inside 5-95 %, and the widest median interval. Our choice."""


def validation_report(judged: Sequence[Prediction | Skipped], table: str) -> str:
    """The whole comparison of ``table`` (its name) as a Markdown text: the same bytes every time."""
    predictions = [one for one in judged if isinstance(one, Prediction)]
    return "\n".join(
        [
            *_opening(judged, predictions, table),
            *_scores(predictions),
            *_foam(predictions),
            *_row_by_row(predictions),
            *_ratios(ratios(judged)),
            *_not_predicted(judged),
        ]
    )


def shape_spread_fraction(rows: Sequence[LabRow]) -> float:
    """Coefficient of variation of F/(π·D·TSF) over screws in one host: 0 if the equation's form were
    exact."""
    constants: Floats = np.array(
        [
            row.measured
            / (
                row.major_mm
                * thread_shape_factor(major_mm=row.major_mm, core_mm=row.core_mm, pitch_mm=row.pitch_mm)
            )
            for row in rows
            if row.major_mm and row.core_mm and row.pitch_mm and row.measured
        ]
    )
    return float(np.std(constants, ddof=1) / np.mean(constants))


def _opening(
    judged: Sequence[Prediction | Skipped], predictions: Sequence[Prediction], table: str
) -> list[str]:
    return [
        "# Predicted and measured screw tests",
        "",
        "Written by `pilothole validate`; of the rows that come with the program a test holds this page to",
        "the program's own words.",
        "Estimates for planning discussion, research and teaching; not a medical device.",
        "",
        f"{len(judged)} rows in {table}. {len(predictions)} of them tell enough to be predicted.",
        "No law is fitted when this command runs. Three numbers were read off summaries of studies that the",
        "program's own table holds, whose rows are therefore no independent check of them: the foam's factor",
        "(Weidling, Zdero), the insertion torque (Weidling), the core that tears (equine metacarpal). Other",
        "published rows are kept aside for blind checks.",
        "",
        f"- Bone: {LAW_NAMES['bone'].name}. Foam: {LAW_NAMES['foam'].name}, times {FOAM_FACTOR:g}",
        f"  ({FOAM_LOW_FACTOR:g}-{FOAM_HIGH_FACTOR:g}) as moulded. Cortex: {CORTICAL_SHEAR_MPA:g} MPa.",
        "- Force: F = S · π · D · (0.5 + 0.57735 · depth / pitch) · L, times the factors of the pilot hole",
        "  and of tapping where told; the lower of host and screw.",
        "- Torque: insertion 0.25 (0.20-0.32) · force · major diameter; stripping by friction of thread and",
        "  head, 0.3 (0.2-0.4); stopping 0.77 (0.66-0.86) of it; compression the same share of the force.",
        "- Interval: 5th to 95th percentile. What the table does not tell (taper, pilot, family) widens it.",
        "",
    ]


def _scores(predictions: Sequence[Prediction]) -> list[str]:
    lines = [
        "## How well",
        "",
        "| study | host | quantity | rows | slope, measured on predicted | R² | mean absolute error | bias "
        "| inside 5-95 % | median high / low |",
        "|---|---|---|---|---|---|---|---|---|---|",
        *(_score_line(group) for group in groups_of(predictions)),
    ]
    return [
        *lines,
        "",
        "R² is the squared correlation, from three rows on. Within one foam the forces differ little: there",
        "it says little there. Errors and bias are of the prediction over the measurement.",
        "",
    ]


def _score_line(group: Group) -> str:
    told = score(group.predictions)
    r2 = "-" if told.r2_ratio is None else f"{told.r2_ratio:.2f}"
    if told.r2_ratio is not None and told.densities_count == 1:
        r2 += " (one density)"
    return (
        f"| {group.source or '**all**'} | {group.host} | {group.quantity} | {told.count} "
        f"| {told.slope_ratio:.2f} | {r2} | {told.error_fraction * PERCENT_FACTOR:.0f} % "
        f"| {told.bias_fraction * PERCENT_FACTOR:+.0f} % | {told.covered_count} of {told.count} "
        f"| {told.median_high_over_low_ratio:.2f} |"
    )


def _foam(predictions: Sequence[Prediction]) -> list[str]:
    foam = [
        prediction
        for prediction in predictions
        if host_kind(prediction.row) == "foam"
        and prediction.row.quantity == "pull-out"
        and prediction.row.measured is not None
    ]
    if not foam:
        return []
    told = score(foam)
    covered = told.covered_count / told.count
    lines = [
        "## Pull-out in foam",
        "",
        _bar("mean absolute error", told.error_fraction, TARGET_ERROR_FRACTION, at_most=True),
        _bar("inside 5-95 %", covered, TARGET_COVERED_FRACTION, at_most=False),
        f"- Median high / low {told.median_high_over_low_ratio:.2f}, aim at most "
        f"{TARGET_HIGH_OVER_LOW_RATIO:g}: "
        f"{_met(told.median_high_over_low_ratio <= TARGET_HIGH_OVER_LOW_RATIO)}.",
    ]
    by_source: dict[str, list[LabRow]] = defaultdict(list)
    for prediction in foam:
        by_source[prediction.row.source].append(prediction.row)
    most = max(by_source.values(), key=len)
    if len(most) >= 3:
        spread = PERCENT_FACTOR * shape_spread_fraction(most)
        lines += [
            f"- Form of the equation: over the {len(most)} screws of one study F / (π · D · TSF) varies by",
            f"  {spread:.1f} % (coefficient of variation).",
        ]
    return [*lines, *_fit(foam_fit(predictions)), ""]


def _bar(what: str, told_fraction: float, aim_fraction: float, *, at_most: bool) -> str:
    met = told_fraction <= aim_fraction if at_most else told_fraction >= aim_fraction
    side = "at most" if at_most else "at least"
    return (
        f"- {what.capitalize()} {told_fraction * PERCENT_FACTOR:.0f} %, aim {side} "
        f"{aim_fraction * PERCENT_FACTOR:.0f} %: {_met(met)}."
    )


def _met(met: bool) -> str:
    return "met" if met else "missed"


def _fit(fit: FoamFit | None) -> list[str]:
    if fit is None:
        return []
    study = fit.study_left_out_error_fraction
    left = "" if study is None else f", {study * PERCENT_FACTOR:.0f} % with each study left out"
    return [
        f"- The factor {FOAM_FACTOR:g} (what moulded foam bears over its nominal sheet) is the middle of",
        f"  a published range. Fitted to these {fit.designs_count} designs of {fit.studies_count} studies it",
        f"  would be {fit.fitted_factor:.3f}: mean absolute error",
        f"  {fit.fitted_error_fraction * PERCENT_FACTOR:.0f} % fitted, "
        f"{fit.design_left_out_error_fraction * PERCENT_FACTOR:.0f} % with each design left out{left}.",
        "  It moves no prediction in bone.",
    ]


def _row_by_row(predictions: Sequence[Prediction]) -> list[str]:
    lines = [
        "## Row by row",
        "",
        "N, N per mm or N·m by the quantity. `R` read, `M` from memory, `D` derived.",
        "",
        "| row | host | quantity | measured | predicted (5-95 %) | ratio | inside | assumed | from |",
        "|---|---|---|---|---|---|---|---|---|",
        *map(_prediction_line, predictions),
    ]
    return [*lines, "", *_sources([prediction.row for prediction in predictions]), ""]


def _prediction_line(one: Prediction) -> str:
    row, told = one.row, one.predicted
    digits = 2 if row.is_torque else 0
    measured = "-" if row.measured is None else f"{row.measured:.{digits}f}"
    ratio = "-" if row.measured is None else f"{told.estimate / row.measured:.2f}"
    inside = "-" if one.covered is None else "yes" if one.covered else "no"
    return (
        f"| {row.key} | {row.host_name} | {row.quantity} | {measured} "
        f"| {told.estimate:.{digits}f} ({told.low:.{digits}f}-{told.high:.{digits}f}) | {ratio} | {inside} "
        f"| {'; '.join(one.assumed) or '-'} | {row.read_or_memory or '-'} |"
    )


def _ratios(found: Sequence[Ratio]) -> list[str]:
    if not found:
        return []
    r2 = across_densities_r2_ratio(found)
    explained = (
        [] if r2 is None else [f"Over the foams' densities together R² is {r2:.2f} (of ln force).", ""]
    )
    return [
        "## Ratios",
        "",
        "Rows whose force cannot be predicted, because the screw or its length was not read, in pairs of one",
        "study that differ in one thing: the screw's geometry cancels if it was the same, or the host does.",
        f"The foam law's exponent of density is {FOAM_EXPONENT_FACTOR:g}.",
        "",
        "| rows | host | differs | measured ratio | predicted ratio (5-95 %) | inside |",
        "|---|---|---|---|---|---|",
        *(
            f"| {one.other.key} / {one.base.key} | {host_kind(one.base)} | {one.differs} "
            f"| {one.measured_ratio:.2f} "
            f"| {one.predicted.estimate:.2f} ({one.predicted.low:.2f}-{one.predicted.high:.2f}) "
            f"| {'yes' if one.covered else 'no'} |"
            for one in found
        ),
        "",
        *explained,
        *_sources([row for one in found for row in (one.base, one.other)]),
        "",
    ]


def _not_predicted(judged: Sequence[Prediction | Skipped]) -> list[str]:
    by_reason: dict[str, list[str]] = defaultdict(list)
    for one in judged:
        if isinstance(one, Skipped):
            by_reason[one.why].append(one.row.key)
    if not by_reason:
        return []
    most_first = sorted(by_reason.items(), key=lambda item: -len(item[1]))
    lines = ["## Rows that cannot be predicted, and why", "", "| why | rows |", "|---|---|"]
    return [*lines, *(f"| {reason} | {', '.join(keys)} |" for reason, keys in most_first), ""]


def _sources(rows: Sequence[LabRow]) -> list[str]:
    by_source: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        if row.source and row.key not in by_source[row.source]:
            by_source[row.source].append(row.key)
    return [f"- {', '.join(keys)}: {source}" for source, keys in by_source.items()]
