"""How hard the thread holds in one fragment, with an interval: the sum over the thread that bites of strength
times length.

Each cell of each of the ring's lines has its own density, so its own shear strength; the force is π · D · TSF
· Σ τ · length / lines, zone by zone. The interval's terms are told in ``pullout.py``;
what lies in the streaks of metal is less sure by ``near_metal.STREAK_ERROR_HU``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.density import Sampled, doubt_mg_cm3
from planner.engagement import Bite
from planner.mesh import Stretches
from planner.path import RING_COUNT, Path
from planner.pullout import ENGAGED_LENGTH_ERROR_MM, interval, pullout_integral_n
from planner.shear_laws import density_sensitivity_ratio, law_standard_error_fraction, shear_strength_mpa
from planner.vocabulary import Interval
from segmentation.vocabulary import Calibration, Floats, Host


@dataclass(frozen=True, eq=False)
class CellStrengths:
    """(lines, cells) length of thread line in each cell, and the shear strength there; 0 where none."""

    length_mm: Floats
    shear_mpa: Floats
    density_mg_cm3: Floats


def strengths_in_cells(
    hu: Floats, stretches: Stretches, edges_mm: Floats, calibration: Calibration, host: Host, *, count: int
) -> CellStrengths | None:
    """Length and strength of ``count`` lines cell by cell; None where any that counts is unknown."""
    length_mm = stretches.lengths_in_cells_mm(count, edges_mm)
    used = length_mm > 0
    if np.isnan(hu[used]).any():
        return None
    density = np.zeros_like(length_mm)
    density[used] = np.maximum(calibration.density_mg_cm3(hu[used]), 0)
    shear = np.zeros_like(length_mm)
    shear[used] = shear_strength_mpa(density[used], host)
    return CellStrengths(length_mm, shear, density)


def pullout_n(
    path: Path,
    sampled: Sampled,
    bites: Sequence[Bite],
    calibration: Calibration,
    host: Host,
    engaged_error_mm: float | None = None,
) -> Interval | None:
    """Pull-out of the ``bites`` of one fragment; None where any of their density is unknown.

    ``engaged_error_mm`` is the deviation of the engaged length, by default that of a plain grey level.
    """
    force_n = engaged_mm = 0.0
    strengths, densities, lengths, streaks = [], [], [], []
    for bite in bites:
        cells = strengths_in_cells(
            sampled.ring, bite.stretches, path.edges_mm, calibration, host, count=RING_COUNT
        )
        if cells is None:
            return None
        used = cells.length_mm > 0
        density, strength = cells.density_mg_cm3[used], cells.shear_mpa[used]
        length = cells.length_mm[used] / RING_COUNT
        force_n += pullout_integral_n(
            strength,
            length,
            major_mm=bite.thread.major_mm,
            core_mm=bite.thread.core_mm,
            pitch_mm=bite.thread.pitch_mm,
        )
        engaged_mm += bite.engagement_mm
        strengths.append(strength)
        densities.append(density)
        lengths.append(length)
        streaks.append(sampled.ring_in_streaks[used])
    if force_n == 0:
        return Interval(0.0, 0.0, 0.0)
    # Errors of law and calibration are common to the whole thread: they add up by strength.
    weight = np.concatenate(strengths) * np.concatenate(lengths)
    density = np.concatenate(densities)
    law = float(np.average(law_standard_error_fraction(density, host), weights=weight))
    error = doubt_mg_cm3(calibration, density, np.concatenate(streaks).astype(float))
    # Of no density, and of one less sure than itself, no more than all is uncertain.
    fraction = np.where(error < density, error / np.where(density > 0, density, 1), 1.0)
    doubt = fraction * density_sensitivity_ratio(density, host)
    most = max(bites, key=lambda bite: bite.engagement_mm)
    return interval(
        force_n,
        law_fraction=law,
        calibration_fraction=float(np.average(doubt, weights=weight)),
        engaged_mm=engaged_mm,
        engaged_error_mm=ENGAGED_LENGTH_ERROR_MM if engaged_error_mm is None else engaged_error_mm,
        thread=most.thread,
        host=host,
    )
