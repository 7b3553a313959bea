"""Checks the lines from HU to density against the reference values they were derived from."""

from __future__ import annotations

import pytest

from segmentation.calibration import default_calibration, parse_calibration, why_uncalibrated
from segmentation.errors import InputError


def test_given_line_reproduces_the_worked_example():
    # Source: biomechanics reference §5, round trip for HU 141 at slope 0.77: 108.6 mg/cm3.
    assert parse_calibration("0.77,0").density_mg_cm3(141) == pytest.approx(108.6, abs=0.05)


def test_given_intercept_is_added():
    # Foam: density in mg/cm3 is HU + 1000 for a light plastic in air (closed form: air has no density).
    foam = parse_calibration(" 1 , 1000 ")
    assert foam.density_mg_cm3([-1000, -680]).tolist() == [0.0, 320.0]
    assert foam.kind == "given"


@pytest.mark.parametrize(
    ("voltage_kv", "low", "high"),
    # Source: biomechanics reference §5, mass attenuation of HA in water, mg/cm3 per HU.
    [(80, 0.52, 0.55), (100, 0.63, 0.66), (120, 0.75, 0.78), (140, 0.83, 0.87)],
)
def test_default_slope_lies_in_the_derived_range(voltage_kv, low, high):
    line = default_calibration(voltage_kv)
    assert low < line.slope_mg_cm3_per_hu < high
    # Source: the same table, uncertainty budget: 15 % for a default slope.
    assert line.standard_error_fraction == 0.15
    assert line.kind == "default-for-tube-voltage"
    assert str(voltage_kv) in line.source


@pytest.mark.parametrize(("voltage_kv", "taken_kv"), [(117.0, 120), (123.0, 120), (77.5, 80), (143, 140)])
def test_voltage_within_three_kv_takes_the_table_value(voltage_kv, taken_kv):
    assert (
        default_calibration(voltage_kv).slope_mg_cm3_per_hu
        == default_calibration(taken_kv).slope_mg_cm3_per_hu
    )


@pytest.mark.parametrize("voltage_kv", [None, float("nan"), 110.0, 116.9, 123.1, 70.0, 150.0, 0.0])
def test_no_line_where_none_is_known(voltage_kv):
    assert default_calibration(voltage_kv) is None
    assert "--calibration" in why_uncalibrated(voltage_kv)


NONSENSE = ["", "0.77", "0,77,0", "a,b", "nan,0", "inf,0", "0.77,nan", "0.77,-inf", "0,0", "-0.77,0", "99,0"]
NONSENSE += ["0.01,0", "0.77,5000", "0.77;0", "1e400,0", ","]


@pytest.mark.parametrize("text", NONSENSE)
def test_nonsense_is_refused_with_the_rule_and_what_to_write(text):
    with pytest.raises(InputError, match=r"write for example 0\.77,0") as caught:
        parse_calibration(text)
    assert "\n" not in str(caught.value)
