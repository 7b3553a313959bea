"""How much force pulls a thread out of what it bites in, and how sure that is.

F = S · π · D · TSF · L with TSF = 0.5 + 0.57735 · d / p: shear strength S times the cylinder at the major
diameter D over the engaged length L, times a shape factor from thread depth d and pitch p; where density
changes along the thread, S · L becomes the sum of strength times length. Published: Chapman et al. 1996 J
Biomech Eng 118:391 (measured over predicted 1.05, R² 0.947 in foam), adopted in FDA-2019-D-1652 §III.3
(2024). Outside its own foams it missed by −32 to +5 % (Tsai et al. 2009 BMC Musculoskelet Disord 10:44):
over-drilling, tapping and tapered cores lower the force by 8-30 % and are not in it. The interval is
lognormal about the estimate.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from planner.shear_laws import STONE_EXPONENT_FACTOR
from planner.vocabulary import Interval, PulloutErrors, Thread
from segmentation.errors import InputError
from segmentation.vocabulary import Host

SMOOTH_SHAPE_FACTOR = 0.5
"""Shape factor of a thread without depth. Published: FDA-2019-D-1652 §III.3."""

TAN_30_DEGREE_RATIO = 0.57735
"""tan 30°, a thread flank's assumed half angle, as printed. Published: FDA-2019-D-1652 §III.3."""

DIAMETER_TOLERANCE_MM = 0.15
"""Both diameters lie anywhere from nominal to this much below. ISO 5835:1991 (from memory); real parts leave
it (McCartney et al. 2026, Front Vet Sci)."""

UNIFORM_SD_RATIO = 1 / math.sqrt(12)
"""Standard deviation over width of a uniform distribution (mathematics)."""

FORM_ERROR_FRACTION = 0.07
"""Standard error of the equation's form within a family. Published: spread of F/(π·D·TSF) over the pedicle
screws of Weidling et al. 2022 Sci Rep 12, table 2."""

ENGAGED_LENGTH_ERROR_MM = 0.4
"""Standard error of the engaged length from the bone's surface on CT. Derived from published surface errors
(0.2-0.8 mm: Wang et al. 2009; Soodmand et al. 2018 Biomed Eng Online 17:29)."""

ASH_RATIO_ERROR_FRACTION = 0.06
"""Standard error of ash over apparent density. Published: Schileo et al. 2008, 0.036 of 0.598."""

PERCENTILE_95_COUNT = 1.6448536269514722
"""Standard deviations from the median to the 95th percentile of a normal distribution (mathematics)."""


def thread_shape_factor(*, major_mm: float, core_mm: float, pitch_mm: float) -> float:
    """TSF of a thread, from 0.5 upwards. Raises InputError for a thread that cannot exist."""
    if not (0 < core_mm < major_mm < math.inf and 0 < pitch_mm < math.inf):
        raise InputError(
            f"a thread needs 0 < core < major and a pitch above 0, all finite (got core {core_mm:g}, major "
            f"{major_mm:g}, pitch {pitch_mm:g} mm): correct the screw"
        )
    depth_mm = (major_mm - core_mm) / 2
    return SMOOTH_SHAPE_FACTOR + TAN_30_DEGREE_RATIO * depth_mm / pitch_mm


def pullout_closed_form_n(
    shear_mpa: float, length_mm: float, major_mm: float, core_mm: float, pitch_mm: float
) -> float:
    """Pull-out force in N from a host of one shear strength over ``length_mm`` of full thread."""
    return pullout_integral_n([shear_mpa], [length_mm], major_mm=major_mm, core_mm=core_mm, pitch_mm=pitch_mm)


def pullout_integral_n(
    shear_mpa: npt.ArrayLike,
    lengths_mm: npt.ArrayLike,
    *,
    major_mm: float,
    core_mm: float,
    pitch_mm: float,
) -> float:
    """Pull-out force in N: π · D · TSF · Σ τ · length over (n,) strengths and the engaged length each holds
    for."""
    strengths_mpa, lengths = np.asarray(shear_mpa, float), np.asarray(lengths_mm, float)
    if not (np.isfinite(strengths_mpa).all() and np.isfinite(lengths).all()):
        raise InputError("shear strengths and lengths must be finite: leave out what lies outside the scan")
    if (strengths_mpa < 0).any() or (lengths < 0).any():
        raise InputError("shear strengths and lengths must not be negative: clip densities at 0")
    shape_factor = thread_shape_factor(major_mm=major_mm, core_mm=core_mm, pitch_mm=pitch_mm)
    return math.pi * major_mm * shape_factor * float(np.sum(strengths_mpa * lengths))


def interval(
    estimate_n: float,
    *,
    law_fraction: float,
    calibration_fraction: float,
    engaged_mm: float,
    thread: Thread,
    host: Host,
    engaged_error_mm: float = ENGAGED_LENGTH_ERROR_MM,
) -> Interval:
    """``estimate_n`` as a median, with the 5th and 95th percentile of a lognormal spread about it.

    ``law_fraction`` is the standard error of the shear law (``law_standard_error_fraction``, weighted by
    strength), ``calibration_fraction`` that of the density times ``density_sensitivity_ratio``, both
    relative. ``engaged_mm`` is the engaged length, ``thread`` the one that carries most of it. The bias of
    tapping or over-drilling is not in it.
    """
    if estimate_n == 0:
        return Interval(0.0, 0.0, 0.0)
    if not (estimate_n > 0 and engaged_mm > 0):
        raise InputError(
            f"an interval needs an estimate and an engaged length above 0 (got {estimate_n:g} N, "
            f"{engaged_mm:g} mm): a thread without engagement has no pull-out"
        )
    errors = pullout_errors(
        law_fraction=law_fraction,
        calibration_fraction=calibration_fraction,
        engaged_mm=engaged_mm,
        thread=thread,
        host=host,
        engaged_error_mm=engaged_error_mm,
    )
    return spread_about(estimate_n, errors)


def pullout_errors(
    *,
    law_fraction: float,
    calibration_fraction: float,
    engaged_mm: float,
    thread: Thread,
    host: Host,
    engaged_error_mm: float = ENGAGED_LENGTH_ERROR_MM,
) -> PulloutErrors:
    """The terms of ``interval``, each as a relative standard error."""
    return PulloutErrors(
        shear_law_fraction=law_fraction,
        density_fraction=calibration_fraction,
        diameters_fraction=geometry_error_fraction(thread),
        form_fraction=FORM_ERROR_FRACTION,
        # Of a thread that hardly bites, no more than all is uncertain.
        engaged_length_fraction=engaged_error_mm / math.hypot(engaged_mm, engaged_error_mm),
        # Only Stone's half of the geometric mean goes by apparent density.
        ash_fraction=ASH_RATIO_ERROR_FRACTION * STONE_EXPONENT_FACTOR / 2 if host == "bone" else 0.0,
    )


def spread_about(estimate_n: float, errors: PulloutErrors) -> Interval:
    """``estimate_n`` with the 5th and 95th percentile of the lognormal spread that ``errors`` add up to."""
    factor = math.exp(PERCENTILE_95_COUNT * math.hypot(*vars(errors).values()))
    return Interval(estimate_n, estimate_n / factor, estimate_n * factor)


def geometry_error_fraction(thread: Thread) -> float:
    """Relative standard error of pull-out from both diameters, each uniform from nominal to 0.15 mm below.

    F ∝ D · TSF(D, core), so ∂lnF/∂D = 1/D + k and ∂lnF/∂core = −k with k = 0.57735/(2·p·TSF).
    """
    shape_factor = thread_shape_factor(
        major_mm=thread.major_mm, core_mm=thread.core_mm, pitch_mm=thread.pitch_mm
    )
    per_mm = TAN_30_DEGREE_RATIO / (2 * thread.pitch_mm * shape_factor)
    return UNIFORM_SD_RATIO * DIAMETER_TOLERANCE_MM * math.hypot(1 / thread.major_mm + per_mm, per_mm)
