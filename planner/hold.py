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
from planner.pullout import ENGAGED_LENGTH_ERROR_MM, pullout_errors, pullout_integral_n, spread_about
from planner.shear_laws import density_sensitivity_ratio, law_standard_error_fraction, shear_strength_mpa
from planner.vocabulary import Interval, PulloutErrors, ThreadHold
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


@dataclass(frozen=True)
class Hold:
    """The pull-out of one fragment and what it is made of; None where any of its density is unknown.

    ``errors`` is None too where nothing bites.
    """

    pullout_n: Interval | None
    threads: tuple[ThreadHold, ...]
    errors: PulloutErrors | None


@dataclass(frozen=True, eq=False)
class _Cells:
    """Of one bite: density, shear strength and length of each cell of the ring's lines, and whether metal's
    streaks reach it."""

    bite: Bite
    density_mg_cm3: Floats
    strength_mpa: Floats
    length_mm: Floats
    in_streaks: Floats

    @property
    def force_n(self) -> float:
        thread = self.bite.thread
        return pullout_integral_n(
            self.strength_mpa,
            self.length_mm,
            major_mm=thread.major_mm,
            core_mm=thread.core_mm,
            pitch_mm=thread.pitch_mm,
        )

    @property
    def mean_shear_mpa(self) -> float:
        """Weighted by length."""
        return float(np.average(self.strength_mpa, weights=self.length_mm))


def hold_in(
    path: Path,
    sampled: Sampled,
    bites: Sequence[Bite],
    calibration: Calibration | None,
    host: Host,
    engaged_error_mm: float | None = None,
) -> Hold:
    """How hard the ``bites`` of one fragment hold, with ``calibration`` None not known.

    ``engaged_error_mm`` is the deviation of the engaged length, by default that of a plain grey level.
    """
    biting = [bite for bite in bites if bite.engagement_mm > 0]
    cells = None if calibration is None else _cells(path, sampled, biting, calibration, host)
    if cells is None or calibration is None:
        return Hold(None, tuple(_thread(bite, None) for bite in biting), None)
    threads = tuple(_thread(each.bite, each.mean_shear_mpa) for each in cells)
    force_n = sum(each.force_n for each in cells)
    if force_n == 0:
        return Hold(Interval(0.0, 0.0, 0.0), threads, None)
    # Errors of law and calibration are common to the whole thread: they add up by strength.
    weight = np.concatenate([each.strength_mpa * each.length_mm for each in cells])
    density = np.concatenate([each.density_mg_cm3 for each in cells])
    law = float(np.average(law_standard_error_fraction(density, host), weights=weight))
    in_streaks = np.concatenate([each.in_streaks for each in cells])
    error = doubt_mg_cm3(calibration, density, in_streaks)
    # Of no density, and of one less sure than itself, no more than all is uncertain.
    fraction = np.where(error < density, error / np.where(density > 0, density, 1), 1.0)
    doubt = fraction * density_sensitivity_ratio(density, host)
    errors = pullout_errors(
        law_fraction=law,
        calibration_fraction=float(np.average(doubt, weights=weight)),
        engaged_mm=sum(bite.engagement_mm for bite in biting),
        engaged_error_mm=ENGAGED_LENGTH_ERROR_MM if engaged_error_mm is None else engaged_error_mm,
        thread=max(biting, key=lambda bite: bite.engagement_mm).thread,
        host=host,
    )
    return Hold(spread_about(force_n, errors), threads, errors)


def _cells(
    path: Path, sampled: Sampled, bites: Sequence[Bite], calibration: Calibration, host: Host
) -> list[_Cells] | None:
    """The cells of each bite; None where the density of any is unknown."""
    found = []
    for bite in bites:
        cells = strengths_in_cells(
            sampled.ring, bite.stretches, path.edges_mm, calibration, host, count=RING_COUNT
        )
        if cells is None:
            return None
        used = cells.length_mm > 0
        streaks = sampled.ring_in_streaks[used].astype(float)
        length_mm = cells.length_mm[used] / RING_COUNT
        found.append(_Cells(bite, cells.density_mg_cm3[used], cells.shear_mpa[used], length_mm, streaks))
    return found


def _thread(bite: Bite, mean_shear_mpa: float | None) -> ThreadHold:
    thread = bite.thread
    return ThreadHold(
        zone=bite.zone + 1,
        major_mm=thread.major_mm,
        core_mm=thread.core_mm,
        pitch_mm=thread.pitch_mm,
        engagement_mm=bite.engagement_mm,
        mean_shear_mpa=mean_shear_mpa,
    )
