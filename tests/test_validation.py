"""The validation report: true to its data, to the printed page, and honest about what it cannot say."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.published import (
    PublishedRow,
    predict,
    published_rows,
    score,
    shape_spread_fraction,
    why_not,
)
from planner.validation import RATIO_PAIRS, validation_report

ROWS = {row.key: row for row in published_rows()}
HERE = Path(__file__).parent


def test_the_page_is_what_the_program_says():
    page = (HERE.parent / "viewer" / "docs" / "validation.md").read_text(encoding="utf-8")
    assert page == validation_report()


def test_every_row_of_the_file_is_either_predicted_or_explained():
    """62 rows (counted by the plain reader): each appears in the report."""
    with (HERE.parent / "planner" / "published_pullouts.csv").open(encoding="utf-8", newline="") as file:
        keys = [cells["id"] for cells in csv.DictReader(file)]
    assert len(keys) == len(set(keys)) == len(ROWS) == 62
    report = validation_report().replace(",", " ").replace("|", " ").split()
    assert [key for key in keys if key not in report] == []


def test_what_the_studies_told_is_what_is_predicted():
    assert [key for key, row in ROWS.items() if why_not(row) is None] == [
        *("W01", "W02", "W03", "W06", "W07", "W08", "W09", "Z1", "Y1")
    ]


def test_a_prediction_by_hand():
    """W01: S = 21·0.2372^1.4 = 2.80 MPa, TSF = 0.5 + 0.57735·1.175/3 = 0.7261, π·6·0.7261·25·S = 959 N."""
    shear_mpa = 21 * 0.2372**1.4
    shape = 0.5 + 0.57735 * 1.175 / 3
    told = predict(ROWS["W01"])
    assert told.predicted.estimate == pytest.approx(math.pi * 6 * shape * 25 * shear_mpa, rel=1e-12)
    assert told.predicted.estimate == pytest.approx(959, abs=1)
    assert told.over_ratio == pytest.approx(959 / 870, abs=0.002)


def test_form_of_the_equation_over_one_block():
    """Weidling et al. 2022 Sci Rep 12, table 2: F/(π·D·TSF) varies by at most 7.5 % over the rows given."""
    one_block = [row for row in ROWS.values() if row.key.startswith("W0")]
    assert len(one_block) == 7
    assert shape_spread_fraction(one_block) <= 0.075
    by_hand = [
        row.measured_n / (row.major_mm * (0.5 + 0.57735 * (row.major_mm - row.core_mm) / 2 / row.pitch_mm))
        for row in one_block
    ]
    assert shape_spread_fraction(one_block) == pytest.approx(
        np.std(by_hand, ddof=1) / np.mean(by_hand), rel=1e-9
    )


def test_score_of_made_up_measurements():
    """Measured exactly 0.8 of predicted: slope 0.8, R² 1, error 25 %; and one far off lowers coverage."""
    made = [
        replace(ROWS[key], measured_n=0.8 * predict(ROWS[key]).predicted.estimate)
        for key in ("W01", "W02", "Z1")
    ]
    told = score([predict(row) for row in made])
    assert (told.slope_ratio, told.r2_ratio, told.error_fraction) == pytest.approx((0.8, 1, 0.25))
    assert (told.covered_count, told.count) == (3, 3)
    far = replace(ROWS["W01"], measured_n=3 * ROWS["W01"].measured_n)
    assert not predict(far).covered


@pytest.mark.parametrize(
    ("key", "reason"),
    [
        ("WT01", "insertion torque"),
        ("C1", "compression"),
        ("X1", "neither bone nor foam"),
        ("M1", "from memory"),
        ("V1", "diameters and pitch were not read"),
        ("L1", "core diameter and pitch"),
        ("Z3", "density of the bone was not read"),
    ],
)
def test_why_a_row_is_not_predicted(key: str, reason: str):
    assert reason in (why_not(ROWS[key]) or "")
    with pytest.raises(ValueError, match="cannot be predicted"):
        predict(ROWS[key])


def test_length_not_read():
    row: PublishedRow = replace(ROWS["W01"], engaged_mm=None)
    assert why_not(row) == "the engaged length was not read"


def test_ratio_rows_change_only_the_host():
    for weak_key, dense_key in RATIO_PAIRS:
        weak, dense = ROWS[weak_key], ROWS[dense_key]
        assert (weak.source, weak.screw_kind, weak.host) == (dense.source, dense.screw_kind, dense.host)
        assert weak.host_density_g_cm3 < dense.host_density_g_cm3


def test_foam_exponent_is_central_to_the_published_ratios():
    """Ratios of 0.08 to 0.24 g/cm³ foams give exponents about 1.1 to 1.7: 1.4 lies among them."""
    exponents = [
        math.log(ROWS[dense].measured_n / ROWS[weak].measured_n)
        / math.log(ROWS[dense].host_density_g_cm3 / ROWS[weak].host_density_g_cm3)
        for weak, dense in RATIO_PAIRS[:3]
    ]
    assert min(exponents) < 1.4 < max(exponents)
    assert np.median(exponents) == pytest.approx(1.4, abs=0.1)
