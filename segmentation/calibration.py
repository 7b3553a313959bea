"""Turns grey values into bone density: the line the user gives, or the usual one for the tube voltage.

density = slope · HU + intercept, in mg/cm³ (HA-equivalent mineral for bone, the foam's own density for foam).
A default line is off by 15 % (1 sd) between scanners and patient sizes; without a known voltage there is
none.
"""

from __future__ import annotations

import math

from segmentation.errors import InputError
from segmentation.vocabulary import Calibration

DEFAULT_SLOPE_MG_CM3_PER_HU = {80: 0.535, 100: 0.645, 120: 0.765, 140: 0.85}
"""By tube voltage in kV. Derived from mass attenuation of HA in water at 54, 61, 70 and 76 keV and from
memory: 80 kV 0.52-0.55, 100 kV 0.63-0.66, 120 kV 0.75-0.78, 140 kV 0.83-0.87; the middle of each range."""

DEFAULT_STANDARD_ERROR_FRACTION = 0.15
"""Common practice: 10 % between scanners and more with patient size, rounded up for want of a phantom."""

GIVEN_STANDARD_ERROR_FRACTION = 0.08
"""published: Kaesmacher et al. 2017 J Comput Assist Tomogr 41:217, asynchronous phantom against same-scan 8.0
%."""

NEAREST_VOLTAGE_KV = 3.0
"""A table voltage this near is taken. Our choice: moves the slope by 3 % at most, well inside its error."""

SMALLEST_SLOPE_MG_CM3_PER_HU, LARGEST_SLOPE_MG_CM3_PER_HU = 0.1, 5.0
"""Our choice: a CT has 0.5 to 1.3 (from 80 kV to foam); outside tenfold room it is a slip of the pen."""

LARGEST_INTERCEPT_MG_CM3 = 2000.0
"""Our choice: foam in air needs about +1000 (from air at -1000 HU); double that is a slip of the pen."""


def parse_calibration(text: str) -> Calibration:
    """The line in ``"SLOPE,INTERCEPT"``, mg/cm³ per HU and mg/cm³, decimals with a point."""
    try:
        slope, intercept = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            "--calibration must be SLOPE,INTERCEPT, two numbers in mg/cm³ per HU and mg/cm³"
            f" (got {text[:40]!r}); write for example 0.77,0"
        ) from None
    return given_calibration(slope, intercept)


def given_calibration(slope_mg_cm3_per_hu: float, intercept_mg_cm3: float) -> Calibration:
    """A line measured with a phantom or in the tissue, with the standard error such lines have."""
    # NaN fails every comparison, so it is refused here too.
    if not SMALLEST_SLOPE_MG_CM3_PER_HU <= slope_mg_cm3_per_hu <= LARGEST_SLOPE_MG_CM3_PER_HU:
        raise InputError(
            f"the calibration's slope must be {SMALLEST_SLOPE_MG_CM3_PER_HU} to"
            f" {LARGEST_SLOPE_MG_CM3_PER_HU} mg/cm³ per HU (got {slope_mg_cm3_per_hu:g}); write for example"
            " 0.77,0"
        )
    if not abs(intercept_mg_cm3) <= LARGEST_INTERCEPT_MG_CM3:
        raise InputError(
            f"the calibration's intercept must be -{LARGEST_INTERCEPT_MG_CM3:g} to"
            f" {LARGEST_INTERCEPT_MG_CM3:g} mg/cm³ (got {intercept_mg_cm3:g}); write for example 0.77,0"
        )
    return Calibration(
        "given",
        float(slope_mg_cm3_per_hu),
        float(intercept_mg_cm3),
        GIVEN_STANDARD_ERROR_FRACTION,
        "given by the user; 8 % standard error as measured for phantom lines (Kaesmacher et al. 2017)",
    )


def default_calibration(tube_voltage_kv: float | None) -> Calibration | None:
    """The usual line for that voltage; None where there is none (``why_uncalibrated`` says why)."""
    if tube_voltage_kv is None or not math.isfinite(tube_voltage_kv):
        return None
    nearest = min(DEFAULT_SLOPE_MG_CM3_PER_HU, key=lambda voltage: abs(voltage - tube_voltage_kv))
    if abs(nearest - tube_voltage_kv) > NEAREST_VOLTAGE_KV:
        return None
    return Calibration(
        "default-for-tube-voltage",
        DEFAULT_SLOPE_MG_CM3_PER_HU[nearest],
        0.0,
        DEFAULT_STANDARD_ERROR_FRACTION,
        f"usual slope for {nearest} kV, derived from mass attenuation of HA in water; 15 % standard error",
    )


def why_uncalibrated(tube_voltage_kv: float | None) -> str:
    """Why there is no default line for that voltage, in one sentence."""
    if tube_voltage_kv is None or not math.isfinite(tube_voltage_kv):
        return (
            "The scan does not tell its tube voltage, so HU cannot be turned into density; give"
            " --calibration SLOPE,INTERCEPT."
        )
    known = ", ".join(map(str, DEFAULT_SLOPE_MG_CM3_PER_HU))
    return (
        f"There is no usual density line for {tube_voltage_kv:g} kV (known: {known} kV, each"
        f" ±{NEAREST_VOLTAGE_KV:g}); give --calibration SLOPE,INTERCEPT."
    )
