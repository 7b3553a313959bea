"""Which of the four kinds of density line a scan gets, and the words for it.

By rods in the scan, by tissues in the scan, as given, or by the tube voltage. Only one may be asked for; what
was asked for and cannot be had is refused and never replaced by another.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from segmentation.errors import InputError

if TYPE_CHECKING:
    from segmentation.rods_file import RodSet
    from segmentation.vocabulary import Bone, Calibration, CalibrationKind, CTVolume, Host

KIND_WORDS: dict[CalibrationKind, str] = {
    "given": "given",
    "rods-in-the-scan": "by rods in the scan",
    "tissues-in-the-scan": "by tissues in the scan",
    "default-for-tube-voltage": "default for the tube voltage",
}
"""What a kind of line is called in words."""

MEASURED_IN_THE_SCAN: tuple[CalibrationKind, ...] = ("rods-in-the-scan", "tissues-in-the-scan")
"""Lines that rest on grey values of the scan itself, which a sharp kernel changes."""

TOLD_AT_MG_CM3 = (200.0, 800.0)
"""Where an error that is not in proportion is told. Our choice: cancellous bone and thin cortex."""


def check_one_calibration(host: Host, *, given: bool, rods: bool, by_tissues: bool) -> None:
    """Raise InputError where more than one line is asked for, or one of bone for foam."""
    asked = {"--calibration": given, "--rods": rods, "--calibrate-by-tissues": by_tissues}
    names = [name for name, is_asked in asked.items() if is_asked]
    if len(names) > 1:
        raise InputError(f"{' and '.join(names)} ask for two density lines; give one of them")
    if host == "foam" and names and names != ["--calibration"]:
        raise InputError(f"{names[0]} gives bone mineral, not foam; give --calibration SLOPE,INTERCEPT")


def calibration_of(
    ct: CTVolume, host: Host, given: Calibration | None, rods: RodSet | None, *, by_tissues: bool
) -> tuple[Calibration | None, str | None]:
    """The density line asked for or the usual one; None with the reason where there is none."""
    from segmentation.calibration import default_calibration, why_uncalibrated
    from segmentation.tissues import calibrate_by_tissues

    if given is not None:
        return given, None
    if rods is not None:
        return _by_rods(ct, rods), None
    if by_tissues:
        return calibrate_by_tissues(ct), None
    if host == "foam":
        return None, "The usual density lines are for bone; give --calibration SLOPE,INTERCEPT for a foam."
    usual = default_calibration(ct.tube_voltage_kv)
    return usual, None if usual else why_uncalibrated(ct.tube_voltage_kv)


def warned_of_kernel(bone: Bone) -> Bone:
    """``bone`` whose line, if it was measured in a scan of a sharp kernel, says so."""
    from segmentation.vocabulary import SHARP_KERNEL

    line = bone.calibration
    sharp = any(note.startswith(SHARP_KERNEL) for note in bone.segmentation.notes)
    if line is None or not sharp or line.kind not in MEASURED_IN_THE_SCAN:
        return bone
    source = f"{line.source}; measured on {SHARP_KERNEL}, a standard one is safer"
    return replace(bone, calibration=replace(line, source=source))


def error_words(line: Calibration) -> str:
    """The standard error of a line's densities: in per cent, or in mg/cm³ at two densities."""
    if not line.slope_standard_error_mg_cm3_per_hu and not line.intercept_standard_error_mg_cm3:
        return f"{line.standard_error_fraction * 100:.3g} %"
    told = (f"{float(line.standard_error_mg_cm3(at)):.0f} at {at:.0f}" for at in TOLD_AT_MG_CM3)
    return " and ".join(told) + " mg/cm³"


def _by_rods(ct: CTVolume, rods: RodSet) -> Calibration:
    from planner.density_laws import (
        K_OVER_HA_ERROR_FRACTION,
        MG_PER_G_FACTOR,
        ha_from_k2hpo4,
    )
    from segmentation.rod_search import found_rods
    from segmentation.rods import calibrate_by_rods
    from segmentation.vocabulary import HADensity, K2HPO4Density

    how = "found" if rods.rods is None else "given"
    density_g_cm3 = rods.densities_mg_cm3 / MG_PER_G_FACTOR
    further = 0.0
    if rods.equivalent == "K2HPO4":
        if ct.tube_voltage_kv is None:
            raise InputError(
                "K2HPO4 rods need the tube voltage to be turned into HA and the scan does not tell it; give"
                " --kvp"
            )
        density = ha_from_k2hpo4(K2HPO4Density(density_g_cm3), ct.tube_voltage_kv)
        further = K_OVER_HA_ERROR_FRACTION
        told = (
            f"{len(density_g_cm3)} K2HPO4 rods ({how}) turned into HA at {ct.tube_voltage_kv:g} kV"
            " (Goodsitt 1992)"
        )
    else:
        density = HADensity(density_g_cm3)
        told = f"{len(density_g_cm3)} HA rods ({how})"
    placed = found_rods(ct, rods) if rods.rods is None else rods.rods
    return calibrate_by_rods(ct, placed, density, told=told, further_error_fraction=further)
