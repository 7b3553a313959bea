"""Which of several threads holds best on a measured screw's path, why, and where two change places."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from planner.screws_csv import csv_cell
from planner.thread_comparison import (
    DENSEST_MG_CM3,
    Crossing,
    ThreadHold,
    compare_threads,
    crossing,
    density_along,
    why_words,
)
from planner.vocabulary import Screw, ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Host

FORMAT, VERSION = "pilothole-threads", 1

STOCKED_WITHIN_MM = 1.0
"""Threads are compared at one length; a screw that is stocked no nearer to it is not among them unless it is
named. Our choice."""

CROSSINGS_COUNT = 5
"""The best is held against so many of those that follow. Our choice."""

_COLUMNS = (
    "path",
    "fragment_name",
    "screw",
    "length_mm",
    "force_n",
    "host_n",
    "screw_n",
    "engaged_mm",
    "flank_mm2_per_mm",
    "thread_depth_mm",
    "pitch_mm",
    "threads_in_cortex_count",
    "crossing_density_mg_cm3",
    "crossing_density_low_mg_cm3",
    "crossing_density_high_mg_cm3",
    "crossing_force_n",
    "crossing_found_fraction",
    "holds_more_below",
    "holds_more_above",
)

SEED = 1
"""Of the draws for the interval of a crossing: the same case gives the same bytes."""


@dataclass(frozen=True)
class ThreadsOnPath:
    """Threads on the path of ``screw`` at ``length_mm``, in ``fragment_name`` (None: all of the bone), the
    best first; ``mean_density_mg_cm3`` is the path's, each of ``crossings`` is of the best and another."""

    screw: str
    length_mm: float
    fragment_name: str | None
    mean_density_mg_cm3: float
    holds: tuple[ThreadHold, ...]
    why: str | None
    crossings: tuple[Crossing, ...]


def threads_on_path(
    result: ScrewResult, host: Host, screws: Sequence[Screw], length_mm: float, *, named: bool = False
) -> ThreadsOnPath:
    """``screws`` on the path of ``result``, in the fragment that governs it, at one length and its seat.

    ``named``: all of them are wanted, whatever lengths they are stocked in. Raises InputError where the
    path's density is not known, and where no screw is left.
    """
    along = density_along(result, host, fragment=result.governed_by)
    near = [
        screw
        for screw in screws
        if named or min(abs(one - length_mm) for one in screw.stocked_lengths_mm) <= STOCKED_WITHIN_MM
    ]
    seat_mm = result.placed.seat_depth_mm
    holds = compare_threads(near, length_mm, along, seat_depth_mm=seat_mm)
    if not holds and named:
        raise InputError(f"none of these screws has room for its threads at {length_mm:g} mm; give another")
    if not holds:
        raise InputError(f"no screw is stocked within {STOCKED_WITHIN_MM:g} mm of {length_mm:g} mm; name one")
    of_name = {screw.name: screw for screw in near}
    best = holds[0]
    crossings = []
    for other in holds[1 : 1 + CROSSINGS_COUNT]:
        pair = sorted((best, other), key=lambda one: -one.pitch_mm)
        found = crossing(
            of_name[pair[0].screw],
            of_name[pair[1].screw],
            length_mm,
            along,
            np.random.default_rng(SEED),
            seat_depth_mm=seat_mm,
        )
        if found is not None:
            crossings.append(found)
    weights = np.diff(along.edges_mm) * (along.density_mg_cm3 > 0)
    names = {one.fragment: one.fragment_name for one in result.fragments}
    return ThreadsOnPath(
        result.placed.name,
        length_mm,
        None if result.governed_by is None else names[result.governed_by],
        float(np.average(along.density_mg_cm3, weights=weights)) if weights.any() else 0.0,
        tuple(holds),
        why_words(best, holds[1]) if len(holds) > 1 else None,
        tuple(crossings),
    )


def crossing_words(found: Crossing) -> str:
    """Where two threads change places, in a sentence.

    >>> from planner.vocabulary import Interval
    >>> crossing_words(Crossing(Interval(463.0, 405.0, 583.0), 900.0, "coarse", "fine", 1.0))
    'coarse holds more up to 463 (405 to 583) mg/cm³ along the path, fine above'
    """
    at = found.density_mg_cm3
    return (
        f"{found.softer} holds more up to {at.estimate:.0f} ({at.low:.0f} to {at.high:.0f}) mg/cm³ along "
        f"the path, {found.denser} above"
    )


def unchanged_words(told: ThreadsOnPath) -> str | None:
    """That the best changes places with none it was held against, or None where it does or stands alone."""
    if told.crossings or len(told.holds) < 2:
        return None
    others = ", ".join(one.screw for one in told.holds[1 : 1 + CROSSINGS_COUNT])
    return (
        f"{told.holds[0].screw} changes places with none of {others} at any density up to "
        f"{DENSEST_MG_CM3:.0f} mg/cm³ along the path"
    )


def threads_document(told: ThreadsOnPath, cautions: Sequence[str]) -> dict[str, Any]:
    """The same for machines."""
    holds = [asdict(one) | {"force_n": one.force_n} for one in told.holds]
    return (
        {"format": FORMAT, "version": VERSION, "cautions": list(cautions)} | asdict(told) | {"holds": holds}
    )


def threads_csv(told: ThreadsOnPath) -> str:
    """A row for each thread, the best first, and where it changes places with the best; empty where it does
    not, or was not held against it."""
    met = {name: found for found in told.crossings for name in (found.softer, found.denser)}
    met.pop(told.holds[0].screw, None)
    text = io.StringIO()
    table = csv.DictWriter(text, _COLUMNS, restval="", lineterminator="\n")
    table.writeheader()
    for one in told.holds:
        row: dict[str, str | float | None] = asdict(one) | {"path": told.screw, "force_n": one.force_n}
        row["fragment_name"] = told.fragment_name
        if found := met.get(one.screw):
            at = found.density_mg_cm3
            row |= {
                "crossing_density_mg_cm3": at.estimate,
                "crossing_density_low_mg_cm3": at.low,
                "crossing_density_high_mg_cm3": at.high,
                "crossing_force_n": found.force_n,
                "crossing_found_fraction": found.found_fraction,
                "holds_more_below": found.softer,
                "holds_more_above": found.denser,
            }
        table.writerow({name: csv_cell(value) for name, value in row.items()})
    return text.getvalue()
