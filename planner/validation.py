"""The validation report: what our laws say beside what others measured, and what cannot be compared and why.

Rows whose screw, engaged length and host density were published are predicted one by one (``published.py``).
Where only the host changes between two rows, their ratio is compared. Honest, not tuned: no law was fitted
to these rows.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from planner.catalogue import built_in_screws
from planner.published import (
    Prediction,
    PublishedRow,
    predict,
    published_rows,
    score,
    shape_spread_fraction,
    why_not,
)
from planner.shear_laws import CORTICAL_FROM_G_CM3, CORTICAL_SHEAR_MPA, FOAM_EXPONENT_FACTOR, LAW_NAMES
from planner.solid import solid_of

PERCENT_FACTOR = 100
"""Per cent in one."""

TARGET_ERROR_FRACTION = 0.20
"""Mean absolute error to stay within. Our choice, from the published state of the art (17-20 %)."""

RATIO_PAIRS = (("V1", "V3"), ("H1", "H2"), ("H4", "H6"), ("L5", "L1"))
"""Weaker and denser host, same screw and study: rows whose geometry cancels in the ratio."""

PROFILE_PAIR = ("A3", "A1")
"""Same screw with another flank angle: the equation assumes 30° and knows of no other."""


PARTIAL_ROW, PARTIAL_SCREW = "Z1", "iso5835-hb-6.5-16"
"""The row whose engaged length is a nominal thread length, and the family it is."""


def validation_report() -> str:
    """The whole comparison as a Markdown text: the same bytes every time."""
    rows = published_rows()
    predictions = [predict(row) for row in rows if why_not(row) is None]
    return "\n".join(
        [
            *_opening(rows, predictions),
            *_scores(predictions),
            *_row_by_row(predictions),
            *_ratios({row.key: row for row in rows}),
            *_not_predicted(rows),
        ]
    )


def _opening(rows: Sequence[PublishedRow], predictions: Sequence[Prediction]) -> list[str]:
    return [
        "# Predicted and published pull-outs",
        "",
        "Written by `pilothole validate`; a test holds this page to the program's own words.",
        "Estimates for planning discussion, research and teaching; not a medical device.",
        "",
        f"{len(rows)} published measurements come with the program (`planner/published_pullouts.csv`,",
        "each with its source and with what was read and what is from memory).",
        f"{len(predictions)} of them tell enough to be predicted. Nothing was fitted to them.",
        "Other published rows are kept aside for blind checks.",
        "",
        f"- Bone: {LAW_NAMES['bone'].name}. Foam: {LAW_NAMES['foam'].name}.",
        "- Force: F = S · π · D · (0.5 + 0.57735 · depth / pitch) · L.",
        "- Interval: 5th to 95th percentile, as in an assessment, with density taken as exactly known.",
        "- A slab of cortex without a stated density counts as cortex",
        f"  (apparent {CORTICAL_FROM_G_CM3:g} g/cm³ and more, {CORTICAL_SHEAR_MPA:g} MPa).",
        "",
    ]


def _scores(predictions: Sequence[Prediction]) -> list[str]:
    foam = [prediction for prediction in predictions if prediction.row.host == "foam"]
    lines = [
        "## How well",
        "",
        "| rows | number | slope, measured on predicted | R² | mean absolute error | inside 5-95 % |",
        "|---|---|---|---|---|---|",
    ]
    for name, some in (("all predicted", predictions), ("solid foam", foam)):
        told = score(some)
        lines.append(
            f"| {name} | {told.count} | {told.slope_ratio:.2f} | {told.r2_ratio:.2f} "
            f"| {told.error_fraction * PERCENT_FACTOR:.0f} % | {told.covered_count} of {told.count} |"
        )
    return [*lines, "", *_reading(predictions, foam), ""]


def _reading(predictions: Sequence[Prediction], foam: Sequence[Prediction]) -> list[str]:
    """What the scores do and do not show."""
    one_block = [prediction.row for prediction in foam if prediction.row.source == foam[0].row.source]
    over = [prediction.over_ratio for prediction in foam]
    met = "met" if score(foam).error_fraction <= TARGET_ERROR_FRACTION else "missed"
    bone = [prediction.row.key for prediction in predictions if prediction.row.host == "bone"]
    (partial,) = (prediction for prediction in predictions if prediction.row.key == PARTIAL_ROW)
    screw = built_in_screws()[PARTIAL_SCREW]
    counted_mm = solid_of(screw, screw.stocked_lengths_mm[0]).full_thread_mm
    counted_ratio = partial.over_ratio * counted_mm / (partial.row.engaged_mm or math.nan)
    aim, spread = (PERCENT_FACTOR * f for f in (TARGET_ERROR_FRACTION, shape_spread_fraction(one_block)))
    return [
        f"- In solid foam the prediction is {min(over):.2f} to {max(over):.2f} times the measurement.",
        f"  Our aim of at most {aim:.0f} % mean absolute error is {met} there.",
        f"- Form of the equation: over the {len(one_block)} screws in one block, F / (π · D · TSF) varies",
        f"  by {spread:.1f} % (coefficient of variation). Their forces differ little, so R² says little",
        f"  there; over all rows it is made by the far row {', '.join(bone)} alone.",
        f"- Row {partial.row.key} counts the nominal thread length of {partial.row.engaged_mm:g} mm.",
        f"  An assessment leaves out tip taper and run-out, counts {counted_mm:g} mm of such a screw and",
        f"  would predict {counted_ratio:.2f} times the measurement: short threads are estimated low.",
        f"- In bone only {len(bone)} row could be predicted: {', '.join(bone)}, a 1 mm slab, the weakest of",
        "  13 designs, part of whose thread may not have engaged. These rows do not show that the bone",
        "  law is right. Its interval rests on the spread of the published laws.",
    ]


def _row_by_row(predictions: Sequence[Prediction]) -> list[str]:
    lines = [
        "## Row by row",
        "",
        "Screw: major / core / pitch in mm. `R` read, `M` from memory, `D` derived.",
        "",
        "| row | screw | host | engaged mm | measured N | predicted N (5-95 %) | ratio | inside | from |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for prediction in predictions:
        row, told = prediction.row, prediction.predicted
        lines.append(
            f"| {row.key} | {row.major_mm:g} / {row.core_mm:g} / {row.pitch_mm:g} | {row.host_name} "
            f"| {row.engaged_mm:g} | {row.measured_n:.0f} "
            f"| {told.estimate:.0f} ({told.low:.0f}-{told.high:.0f}) | {prediction.over_ratio:.2f} "
            f"| {'yes' if prediction.covered else 'no'} | {row.read_or_memory} |"
        )
    return [*lines, "", *_sources([prediction.row for prediction in predictions]), ""]


def _ratios(rows: dict[str, PublishedRow]) -> list[str]:
    lines = [
        "## Ratios between hosts",
        "",
        "The same kind of screw in two densities: geometry and length cancel if they were the same,",
        f"which was not read. The foam law's exponent is {FOAM_EXPONENT_FACTOR:g}.",
        "",
        "| rows | host | density g/cm³ | measured ratio | predicted ratio | exponent that would fit |",
        "|---|---|---|---|---|---|",
        *(_ratio_line(rows[weak], rows[dense]) for weak, dense in RATIO_PAIRS),
    ]
    steep, flat = (rows[key] for key in PROFILE_PAIR)
    used = [rows[key] for pair in RATIO_PAIRS for key in pair]
    return [
        *lines,
        "",
        f"Thread profile is not modelled: rows {flat.key} and {steep.key}, alike but for the flank, measured",
        f"{flat.measured_n:.0f} and {steep.measured_n:.0f} N; the equation gives both the same.",
        "",
        *_sources([*used, flat, steep]),
        "",
    ]


def _ratio_line(weak: PublishedRow, dense: PublishedRow) -> str:
    low_g_cm3, high_g_cm3 = weak.host_density_g_cm3 or math.nan, dense.host_density_g_cm3 or math.nan
    measured_ratio = dense.measured_n / weak.measured_n
    predicted_ratio = (dense.shear_mpa or math.nan) / (weak.shear_mpa or math.nan)
    exponent = math.log(measured_ratio) / math.log(high_g_cm3 / low_g_cm3)
    host = "foam" if weak.host == "foam" else "bone: human, porcine"
    return (
        f"| {dense.key} / {weak.key} | {host} | {low_g_cm3:g} → {high_g_cm3:g} | {measured_ratio:.2f} "
        f"| {predicted_ratio:.2f} | {exponent:.2f} |"
    )


def _not_predicted(rows: Sequence[PublishedRow]) -> list[str]:
    by_reason: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        reason = why_not(row)
        if reason is not None:
            by_reason[reason].append(row.key)
    most_first = sorted(by_reason.items(), key=lambda item: -len(item[1]))
    lines = ["## Rows that cannot be predicted, and why", "", "| why | rows |", "|---|---|"]
    return [*lines, *(f"| {reason} | {', '.join(keys)} |" for reason, keys in most_first), ""]


def _sources(rows: Sequence[PublishedRow]) -> list[str]:
    by_source: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        by_source[row.source].append(row.key)
    return [f"- {', '.join(keys)}: {source}" for source, keys in by_source.items()]
