"""The screws of a search as tables: every family and stocked length, as the compiled loops take them.

Geometry comes from ``solid_of``, so a screw that is searched is the screw that is measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.clearance import LAST_PITCHES_COUNT, PORTAL_BEYOND_RADIUS_MM
from planner.path import ring_radii_mm as assessed_radii_mm
from planner.pullout import thread_shape_factor
from planner.solid import Solid, shortest_length_mm, solid_of
from planner.vocabulary import Screw
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

STATION_MM = 0.25
"""Distance of stations along a screw's outline. Our choice: that of depth's cells."""

ZONES_COUNT = 2
"""Most thread zones of a screw (``Screw`` has no more)."""


@dataclass(frozen=True, eq=False)
class ScrewTable:
    """Families (s) and their lengths (variants, v; those of family n are ``first[n] … first[n + 1] − 1``).

    ``screw_mm`` (s, 6): largest radius of thread and shaft, portal radius, trailing rim's radius, head top
    (≤ 0), largest radius of the head, how much bone threads and tip need. ``zone_mm`` (s, 2, 6) per thread
    zone: radii of the ring's two circles, pitch, force per MPa and mm of thread, 1 where there is a zone, and
    the widest radius at which ``assess`` asks what bites.
    ``variant_mm`` (v, 6): tip, leading end's begin, from and to of each zone's full thread. Stations
    ``station_mm`` (m, 2) of variant v, height and radius, are ``station_first[v] … station_first[v + 1] −
    1``.
    """

    screws: tuple[Screw, ...]
    screw_of: npt.NDArray[np.int64]
    lengths_mm: Floats
    first: npt.NDArray[np.int64]
    headless: npt.NDArray[np.bool_]
    fully_threaded: npt.NDArray[np.bool_]
    screw_mm: Floats
    zone_mm: Floats
    variant_mm: Floats
    station_first: npt.NDArray[np.int64]
    station_mm: Floats

    @property
    def for_kernels(self) -> tuple[Any, ...]:
        """The arrays in the order the compiled loops take them."""
        return (
            self.first,
            self.headless,
            self.fully_threaded,
            self.screw_mm,
            self.zone_mm,
            self.variant_mm,
            self.station_first,
            self.station_mm,
            self.screw_of,
        )


def screw_table(screws: Sequence[Screw]) -> ScrewTable:
    """The table of ``screws`` at each of their stocked lengths. Raises InputError without a screw."""
    if not screws:
        raise InputError("a search needs at least one screw; name one that 'pilothole screws' lists")
    solids = [[solid_of(screw, length) for length in screw.stocked_lengths_mm] for screw in screws]
    stations = [_stations(solid) for of_screw in solids for solid in of_screw]
    return ScrewTable(
        screws=tuple(screws),
        screw_of=np.repeat(np.arange(len(screws)), [len(of_screw) for of_screw in solids]),
        lengths_mm=np.concatenate([screw.stocked_lengths_mm for screw in screws]).astype(float),
        first=np.cumsum([0, *(len(of_screw) for of_screw in solids)]),
        headless=np.array([screw.headless for screw in screws]),
        fully_threaded=np.array([all(t.length_mm is None for t in screw.threads) for screw in screws]),
        screw_mm=np.array([_screw_mm(s, of[0]) for s, of in zip(screws, solids, strict=True)]),
        zone_mm=np.array([_zone_mm(of_screw[0]) for of_screw in solids]),
        variant_mm=np.array([_variant_mm(solid) for of_screw in solids for solid in of_screw]),
        station_first=np.cumsum([0, *(len(of) for of in stations)]),
        station_mm=np.concatenate(stations),
    )


def ring_radii_mm(core_mm: float, major_mm: float) -> list[float]:
    """Radii of two circles that each stand for half of the ring's area, from both diameters."""
    core, major = core_mm / 2, major_mm / 2
    return [math.sqrt(core**2 + share * (major**2 - core**2)) for share in (0.25, 0.75)]


def _screw_mm(screw: Screw, solid: Solid) -> list[float]:
    widest = max([screw.shaft_mm, *(thread.major_mm for thread in screw.threads)]) / 2
    head = 0.0 if screw.head is None else screw.head.diameter_mm / 2
    return [
        widest,
        widest + PORTAL_BEYOND_RADIUS_MM,
        float(solid.outline_mm[0, 1]),
        solid.top_mm,
        head,
        shortest_length_mm(screw) - (screw.stocked_lengths_mm[0] - solid.tip_mm),
    ]


def _zone_mm(solid: Solid) -> Floats:
    rows = np.zeros((ZONES_COUNT, 6))
    for index, zone in enumerate(solid.zones):
        thread = zone.thread
        shape = thread_shape_factor(
            major_mm=thread.major_mm, core_mm=thread.core_mm, pitch_mm=thread.pitch_mm
        )
        force = math.pi * thread.major_mm * shape
        rows[index] = [
            *ring_radii_mm(thread.core_mm, thread.major_mm),
            thread.pitch_mm,
            force,
            1.0,
            assessed_radii_mm(zone)[-1],
        ]
    return rows


def _variant_mm(solid: Solid) -> list[float]:
    last = solid.zones[-1]
    taper = max(0.0, last.to_mm - last.full_to_mm)
    leading = max(solid.tip_mm - taper - LAST_PITCHES_COUNT * last.thread.pitch_mm, solid.top_mm)
    row = [solid.tip_mm, leading]
    for index in range(ZONES_COUNT):
        zone = solid.zones[index] if index < len(solid.zones) else None
        row += [0.0, 0.0] if zone is None else [zone.full_from_mm, zone.full_to_mm]
    return row


def _stations(solid: Solid) -> Floats:
    """(n, 2) height and radius along the outline, STATION_MM apart, flat ends to their middle."""
    outline = solid.outline_mm
    ends = [np.array([outline[0, 0], 0.0]), *outline, np.array([outline[-1, 0], 0.0])]
    walked = []
    for start, stop in pairwise(ends):
        steps = max(1, math.ceil(float(np.linalg.norm(stop - start)) / STATION_MM))
        walked.append(start + np.linspace(0, 1, steps + 1)[:, None] * (stop - start))
    return np.unique(np.concatenate(walked).round(9), axis=0)
