"""What our laws say of each row of a laboratory's table, and of a row they cannot predict, what is missing.

Pull-outs: the equation of ``pullout.py`` with cortex by itself, times the factors of ``hold_factors.py``; the
lower of host and screw. Torques follow from the pull-out: insertion 0.25 · force · major diameter, stripping
by the screw's mechanics, stopping and compression as a share of it. Nothing is fitted to any row. A screw
whose taper, pilot or family is not known is less sure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from planner.hold_factors import foam_factor, modelled, pilot_factor, tapping_factor, with_factors
from planner.host_words import HostPart, host_kind, host_parts, is_slab
from planner.lab_row import LabRow
from planner.pullout import (
    ENGAGED_LENGTH_ERROR_MM,
    FORM_ERROR_FRACTION,
    UNIFORM_SD_RATIO,
    interval,
    pullout_integral_n,
)
from planner.screw_tension import tensile_limit_n
from planner.screw_words import (
    FAMILY_ERROR_FRACTION,
    head_radius_mm,
    is_headless,
    is_tapered,
    material_of,
    thread_of,
)
from planner.shear_laws import FOAM_ERROR_FRACTION
from planner.vocabulary import HoldFactor, Interval, Thread
from segmentation.vocabulary import Host

UNKNOWN_SCREW_ERROR_FRACTION = 0.25
"""Standard error of the whole model in foam where taper, pilot or family is unknown. Published: what would
have covered the pull-outs of such screws; 0.20 where they are known."""

INSERTION_TORQUE_FACTOR, INSERTION_LOW_FACTOR, INSERTION_HIGH_FACTOR = 0.25, 0.20, 0.32
"""Insertion torque over (pull-out × major diameter). Published: Weidling et al. 2022 gives 0.27 over 12 rows
(CV 13 %); an estimate for other screws."""

FRICTION_FACTOR, FRICTION_LOW_FACTOR, FRICTION_HIGH_FACTOR = 0.3, 0.2, 0.4
"""Friction of metal on bone, in the thread and under the head (from memory)."""

FLANK_DEGREE = {"asymmetrical": 3.0, "symmetrical": 30.0}
"""Half angle of the loaded flank: ISO 5835 HA; symmetrical threads (both from memory)."""

HEAD_FRICTION_RADIUS_RATIO = 0.75
"""Radius at which a head rubs, over its own. Derived: 2.25 of 3.0 mm in the worked example for HA 3.5."""

STOP_FACTOR, STOP_LOW_FACTOR, STOP_HIGH_FACTOR = 0.77, 0.66, 0.86
"""Torque at which surgeons stop over the torque that strips, and tension there over pull-out. Published
means: 0.82 and 0.76 (Fletcher et al. 2021), 0.77 and 0.66 (Fletcher et al. 2020), 0.86 (Cleek et al. 2007);
tension follows torque up to 0.80 (Fletcher et al. 2019)."""

N_MM_PER_N_M_FACTOR = 1000.0
"""N·mm in a N·m (definition)."""


@dataclass(frozen=True)
class Prediction:
    """A row our laws can predict, the prediction in the row's own unit, and what had to be assumed."""

    row: LabRow
    predicted: Interval
    assumed: tuple[str, ...] = ()

    @property
    def covered(self) -> bool | None:
        """Whether the measurement lies between the 5th and the 95th percentile; None without one."""
        if self.row.measured is None:
            return None
        return self.predicted.low <= self.row.measured <= self.predicted.high


@dataclass(frozen=True)
class Skipped:
    """A row that is not predicted, and why."""

    row: LabRow
    why: str


def prediction_of(row: LabRow) -> Prediction | Skipped:
    """Our prediction of a row, or what it lacks."""
    if row.quantity is None:
        return Skipped(row, f"measured is {row.quantity_words}, which is not predicted here")
    if row.not_understood:
        return Skipped(row, f"not understood: {', '.join(row.not_understood)}")
    if host_kind(row) == "other":
        return Skipped(row, "the host is neither bone nor foam")
    if row.read_or_memory.startswith("M"):
        return Skipped(row, "the measurement itself is from memory")
    if row.quantity == "breaking force":
        return _breaking(row)
    if row.quantity == "compression" and is_headless(row):
        return Skipped(row, "what a headless screw compresses does not follow from its pull-out")
    length_mm = 1.0 if row.quantity == "pull-out per mm" else row.engaged_mm
    thread = thread_of(row)
    parts = host_parts(row, length_mm or 1.0)
    lacking = thread if isinstance(thread, list) else []
    lacking += ["the engaged length"] if length_mm is None else []
    lacking += [parts] if isinstance(parts, str) else []
    if length_mm is None or isinstance(thread, list) or isinstance(parts, str):
        return Skipped(row, f"missing: {', '.join(lacking)}")
    held, broke = _held_n(row, thread[0], parts[0], length_mm, bool(thread[1]))
    assumed = [*thread[1], *parts[1]]
    if is_slab(row):
        assumed.append("half a pitch less than the slab is thick: both its faces cut the thread")
    if broke:
        assumed.append("the screw breaks before the host")
    in_its_unit = _in_its_unit(row, thread[0], held)
    if isinstance(in_its_unit, str):
        return Skipped(row, f"missing: {in_its_unit}")
    return Prediction(row, in_its_unit, tuple(assumed))


def nominal_n(row: LabRow) -> float | None:
    """The bare equation's pull-out of a row in N, without any factor; None where it lacks something."""
    thread = thread_of(row)
    if isinstance(thread, list) or row.engaged_mm is None:
        return None
    parts = host_parts(row, row.engaged_mm)
    return None if isinstance(parts, str) else _equation_n(thread[0], parts[0])


def _equation_n(thread: Thread, parts: list[HostPart]) -> float:
    return pullout_integral_n(
        [part.shear_mpa for part in parts],
        [part.length_mm for part in parts],
        major_mm=thread.major_mm,
        core_mm=thread.core_mm,
        pitch_mm=thread.pitch_mm,
    )


def _held_n(
    row: LabRow, thread: Thread, parts: list[HostPart], length_mm: float, family_assumed: bool
) -> tuple[Interval, bool]:
    """Pull-out with its factors, and whether the screw limits it."""
    host: Host = "foam" if host_kind(row) == "foam" else "bone"
    engaged_mm, engaged_error_mm = length_mm, ENGAGED_LENGTH_ERROR_MM
    if row.quantity == "pull-out per mm":
        engaged_error_mm = 0.0
    if is_slab(row):
        # Both faces cut the thread: complete purchase is up to one pitch shorter than the slab is thick.
        lost_mm = min(thread.pitch_mm, length_mm)
        engaged_mm, engaged_error_mm = length_mm - lost_mm / 2, lost_mm * UNIFORM_SD_RATIO
    weights = [part.shear_mpa * part.length_mm for part in parts]
    law = _mean([part.law_fraction for part in parts], weights)
    if host == "foam" and (family_assumed or is_tapered(row) or row.pilot_mm is None):
        known = law if law != FOAM_ERROR_FRACTION else math.hypot(FOAM_ERROR_FRACTION, FORM_ERROR_FRACTION)
        law = math.sqrt(max(UNKNOWN_SCREW_ERROR_FRACTION, known) ** 2 - FORM_ERROR_FRACTION**2)
    if family_assumed:
        law = math.hypot(law, FAMILY_ERROR_FRACTION)
    bare = interval(
        _equation_n(thread, parts) * engaged_mm / length_mm,
        law_fraction=law,
        calibration_fraction=_mean([part.density_fraction for part in parts], weights),
        engaged_mm=engaged_mm,
        engaged_error_mm=engaged_error_mm,
        thread=thread,
        host=host,
    )
    held = with_factors(bare, _factors(row, thread, host))
    if row.quantity != "pull-out":
        return held, False
    screw = tensile_limit_n(major_mm=thread.major_mm, core_mm=thread.core_mm, material=material_of(row))
    return (screw, True) if screw.estimate < held.estimate else (held, False)


def _factors(row: LabRow, thread: Thread, host: Host) -> list[HoldFactor]:
    own_strength = row.host_shear_mpa is not None
    pilot_mm = row.pilot_mm if row.pilot_mm and row.pilot_mm < thread.major_mm else None
    return [
        *([foam_factor()] if host == "foam" and not own_strength else []),
        pilot_factor(pilot_mm, thread.major_mm),
        tapping_factor(row.tapped),
    ]


def _in_its_unit(row: LabRow, thread: Thread, held: Interval) -> Interval | str:
    """The pull-out turned into what the row measured, or what is missing for that."""
    if row.quantity in ("pull-out", "pull-out per mm"):
        return held
    stop = modelled("stop", (STOP_FACTOR, STOP_LOW_FACTOR, STOP_HIGH_FACTOR))
    if row.quantity == "compression":
        return with_factors(held, [stop])
    if row.quantity == "insertion torque":
        share = (INSERTION_TORQUE_FACTOR, INSERTION_LOW_FACTOR, INSERTION_HIGH_FACTOR)
        lever_mm = [one * thread.major_mm for one in share]
        return with_factors(held, [_torque(lever_mm)])
    radius_mm = head_radius_mm(row)
    if radius_mm is None:
        return "the head's diameter (a screw kind that names a standard family)"
    friction = (FRICTION_FACTOR, FRICTION_LOW_FACTOR, FRICTION_HIGH_FACTOR)
    torque = _torque([stripping_lever_mm(thread, radius_mm, one) for one in friction])
    return with_factors(held, [torque] if row.quantity == "stripping torque" else [torque, stop])


def _torque(lever_mm: list[float]) -> HoldFactor:
    """What a force in N is multiplied by to be a torque in N·m: middle, low and high lever."""
    middle, low, high = (one / N_MM_PER_N_M_FACTOR for one in lever_mm)
    return modelled("torque", (middle, low, high))


def stripping_lever_mm(thread: Thread, head_radius_mm: float, friction_factor: float) -> float:
    """Torque over tension of a screw with a seated head, in mm: p/2π + μ·r_m/cos β + μ·r_h.

    Machine-screw mechanics (textbook); r_m is the thread's mean radius.
    """
    mean_radius_mm = (thread.major_mm + thread.core_mm) / 4
    flank = math.cos(math.radians(FLANK_DEGREE[thread.profile]))
    rubbing_mm = mean_radius_mm / flank + HEAD_FRICTION_RADIUS_RATIO * head_radius_mm
    return thread.pitch_mm / (2 * math.pi) + friction_factor * rubbing_mm


def _breaking(row: LabRow) -> Prediction | Skipped:
    # What tears has no pitch.
    thread = thread_of(row if row.pitch_mm is not None else replace(row, pitch_mm=1.0))
    if isinstance(thread, list):
        return Skipped(row, f"missing: {', '.join(thread)}")
    material = material_of(row)
    limit = tensile_limit_n(major_mm=thread[0].major_mm, core_mm=thread[0].core_mm, material=material)
    return Prediction(
        row, limit, (*thread[1], f"{material or 'a metal nobody named'} of its common strength")
    )


def _mean(values: list[float], weights: list[float]) -> float:
    total = sum(weights)
    if total == 0:
        return max(values)
    return sum(value * weight for value, weight in zip(values, weights, strict=True)) / total
