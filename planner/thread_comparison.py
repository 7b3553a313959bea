"""Which thread holds best along a path, and the density at which a coarse and a fine thread change places.

Each screw is put into the same density against depth: host force by the equation of ``pullout.py`` over its
full thread, the screw's tensile limit, and the lower of both. In a soft host the deeper, coarser thread holds
more; in a dense one its thinner core tears first, and the finer thread holds more. Where that happens is
found as a root, with an interval from what is not sure: the law (common to both), each screw's strength and
the form of the equation. One density stands for the whole ring at each depth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from planner.pullout import (
    FORM_ERROR_FRACTION,
    PERCENTILE_95_COUNT,
    geometry_error_fraction,
    thread_shape_factor,
)
from planner.screw_tension import weakest_tensile_limit_n
from planner.shear_laws import law_standard_error_fraction, shear_strength_mpa
from planner.solid import solid_of
from planner.vocabulary import Interval, Screw, ScrewResult, Thread
from segmentation.errors import InputError
from segmentation.vocabulary import Floats, Host

LEAST_SCALE_FACTOR, GREATEST_SCALE_FACTOR = 0.02, 50.0
"""The path's densities are multiplied by this much while a crossing is sought. Our choice."""

DENSEST_MG_CM3 = 1400.0
"""No host is taken denser than this on average. Our choice: the densest cortex is about 1200 mg HA/cm³."""

UNKNOWN_DENSITY = "it lies outside the scan or in metal; plan within the scan"

SCALES_COUNT, DRAWS_COUNT = 200, 200
"""Steps in which a change of places is sought, and draws for its interval. Our choice."""


@dataclass(frozen=True, eq=False)
class DensityAlong:
    """A path's host: ``density_mg_cm3`` (n,) in cells of depth with borders ``edges_mm`` (n + 1,) from the
    entry, ``cortex_mm`` (m, 2) where in depth there is cortex."""

    edges_mm: Floats
    density_mg_cm3: Floats
    host: Host
    cortex_mm: Floats

    def __post_init__(self) -> None:
        edges, density = np.asarray(self.edges_mm, float), np.asarray(self.density_mg_cm3, float)
        if edges.shape != (density.size + 1,) or not (np.diff(edges) > 0).all():
            raise InputError("edges_mm must rise and be one more than the densities: give the cells' borders")
        if not np.isfinite(density).all() or (density < 0).any():
            raise InputError(
                "densities along a path must be finite and not negative: leave unknown cells out"
            )


@dataclass(frozen=True)
class ThreadHold:
    """How one screw holds along a path, and the numbers that decide it.

    ``flank_mm2_per_mm`` is the thread's flank area seen along the axis, for each mm of full thread.
    """

    screw: str
    length_mm: float
    engaged_mm: float
    host_n: float
    screw_n: float
    flank_mm2_per_mm: float
    thread_depth_mm: float
    pitch_mm: float
    threads_in_cortex_count: float

    @property
    def force_n(self) -> float:
        """The lower of host and screw."""
        return min(self.host_n, self.screw_n)


@dataclass(frozen=True)
class Crossing:
    """Mean density of the path, where there is any, at which two screws hold the same, with its interval.

    ``found_fraction`` is the share of draws in which they change places at all. Below it ``softer`` holds
    more, above it ``denser`` does.
    """

    density_mg_cm3: Interval
    force_n: float
    softer: str
    denser: str
    found_fraction: float


def density_along(result: ScrewResult, host: Host, *, fragment: int | None = None) -> DensityAlong:
    """The host along a measured screw's path, from the entry to its tip or the exit: the ring's mean density.

    Of one ``fragment`` only where given (``result.governed_by``): a headed screw does not hold the near one
    by its thread. Raises InputError where the density is not known all the way.
    """
    told = result.profile
    if told.ring.density_mg_cm3 is None:
        raise InputError("the density along the path is not calibrated: calibrate the case first")
    end_mm = min(result.bone_length_mm, result.tip_depth_mm)
    inside = (told.depth_mm >= 0) & (told.depth_mm <= end_mm)
    density = told.ring.density_mg_cm3[inside]
    if not density.size or np.isnan(density).any():
        raise InputError(
            f"part of the path of screw {result.placed.name!r} has no density: {UNKNOWN_DENSITY}"
        )
    if fragment is not None:
        density = np.where(told.fragment[inside] == fragment, density, 0.0)
    middles = told.depth_mm[inside]
    edges = np.concatenate([[0.0], (middles[1:] + middles[:-1]) / 2, [max(end_mm, middles[-1] + 1e-9)]])
    cortex = [(one.from_mm, one.to_mm) for one in result.layers if one.layer != "cancellous"]
    return DensityAlong(edges, np.maximum(density, 0), host, np.array(cortex))


def thread_hold(
    screw: Screw, length_mm: float, along: DensityAlong, *, seat_depth_mm: float = 0.0
) -> ThreadHold:
    """How ``screw`` of a marked length holds in ``along``."""
    zones = solid_of(screw, length_mm).zones
    host_n = engaged_mm = in_cortex = 0.0
    shear = shear_strength_mpa(along.density_mg_cm3, along.host)
    for zone in zones:
        low, high = seat_depth_mm + zone.full_from_mm, seat_depth_mm + zone.full_to_mm
        lengths = _overlap_mm(along.edges_mm[:-1], along.edges_mm[1:], low, high)
        engaged_mm += float(lengths.sum())
        host_n += _per_shear_mm(zone.thread) * float(shear @ lengths)
        cortex = np.asarray(along.cortex_mm, float).reshape(-1, 2)
        in_cortex += float(_overlap_mm(cortex[:, 0], cortex[:, 1], low, high).sum()) / zone.thread.pitch_mm
    most = screw.largest_thread
    return ThreadHold(
        screw=screw.name,
        length_mm=length_mm,
        engaged_mm=engaged_mm,
        host_n=host_n,
        screw_n=weakest_tensile_limit_n(screw).estimate,
        flank_mm2_per_mm=math.pi / 4 * (most.major_mm**2 - most.core_mm**2) / most.pitch_mm,
        thread_depth_mm=most.depth_mm,
        pitch_mm=most.pitch_mm,
        threads_in_cortex_count=in_cortex,
    )


def compare_threads(
    screws: Sequence[Screw], length_mm: float, along: DensityAlong, *, seat_depth_mm: float = 0.0
) -> list[ThreadHold]:
    """The screws' holds, the highest force first; screws too short for their threads are left out."""
    held = []
    for screw in screws:
        try:
            held.append(thread_hold(screw, length_mm, along, seat_depth_mm=seat_depth_mm))
        except InputError:
            continue
    return sorted(held, key=lambda one: -one.force_n)


def why_words(best: ThreadHold, other: ThreadHold) -> str:
    """Why ``best`` holds more than ``other``, in words with the numbers."""
    if other.screw_n < other.host_n and best.force_n > other.screw_n:
        return (
            f"the host would hold {other.host_n:.0f} N of {other.screw}, but its core tears at "
            f"{other.screw_n:.0f} N"
        )
    return (
        f"{best.flank_mm2_per_mm:.1f} mm² of flank for each mm against {other.flank_mm2_per_mm:.1f}, "
        f"thread {best.thread_depth_mm:.2f} against {other.thread_depth_mm:.2f} mm deep, pitch "
        f"{best.pitch_mm:.2f} against {other.pitch_mm:.2f} mm, {best.engaged_mm:.1f} against "
        f"{other.engaged_mm:.1f} mm engaged"
    )


def crossing(
    coarse: Screw,
    fine: Screw,
    length_mm: float,
    along: DensityAlong,
    rng: np.random.Generator,
    *,
    seat_depth_mm: float = 0.0,
) -> Crossing | None:
    """Where two screws change places when the whole path is scaled in density; None where they never do.

    Of several places the softest is told.
    """
    if not along.density_mg_cm3.any():
        return None
    first, second = (_Scaled.of(screw, length_mm, along, seat_depth_mm) for screw in (coarse, fine))
    pair = _Pair(first, second)
    middle = pair.root(_Drawn(), _Drawn())
    if middle is None:
        return None
    scales = []
    for _ in range(DRAWS_COUNT):
        law = rng.normal(0.0, first.law_fraction)
        drawn = [
            _Drawn(
                math.exp(law + rng.normal(0.0, one.own_fraction)),
                math.exp(rng.normal(0.0, one.limit_fraction)),
            )
            for one in (first, second)
        ]
        if (found := pair.root(*drawn)) is not None:
            scales.append(found[0])
    mean = first.mean_mg_cm3
    low, high = np.percentile(scales or [middle[0]], [5, 95]) * mean
    softer, denser = (coarse, fine) if middle[1] else (fine, coarse)
    return Crossing(
        Interval(middle[0] * mean, float(low), float(high)),
        float(_Drawn().force_n(first, first.host_n(middle[0]))),
        softer.name,
        denser.name,
        len(scales) / DRAWS_COUNT,
    )


@dataclass(frozen=True, eq=False)
class _Scaled:
    """One screw on a path whose densities can be multiplied."""

    density_mg_cm3: Floats
    per_shear_mm2: Floats
    host: Host
    screw_n: float
    mean_mg_cm3: float
    law_fraction: float
    own_fraction: float
    limit_fraction: float

    @classmethod
    def of(cls, screw: Screw, length_mm: float, along: DensityAlong, seat_mm: float) -> _Scaled:
        """The screw at its seat; the mean density is that of the path where there is any."""
        area = np.zeros(along.density_mg_cm3.size)
        for zone in solid_of(screw, length_mm).zones:
            low, high = seat_mm + zone.full_from_mm, seat_mm + zone.full_to_mm
            lengths = _overlap_mm(along.edges_mm[:-1], along.edges_mm[1:], low, high)
            area += _per_shear_mm(zone.thread) * lengths
        limit = weakest_tensile_limit_n(screw)
        weights = np.diff(along.edges_mm) * (along.density_mg_cm3 > 0)
        mean = float(np.average(along.density_mg_cm3, weights=weights))
        law = float(law_standard_error_fraction(mean, along.host))
        own = math.hypot(FORM_ERROR_FRACTION, geometry_error_fraction(screw.largest_thread))
        reach = math.log(limit.high / limit.low) / (2 * PERCENTILE_95_COUNT)
        return cls(along.density_mg_cm3, area, along.host, limit.estimate, mean, law, own, reach)

    def host_n(self, scale_factor: float) -> float:
        """What the host holds with every density multiplied."""
        shear = shear_strength_mpa(self.density_mg_cm3 * scale_factor, self.host)
        return float(shear @ self.per_shear_mm2)


@dataclass(frozen=True)
class _Drawn:
    """What multiplies host and screw of one draw."""

    host_factor: float = 1.0
    screw_factor: float = 1.0

    def force_n(self, one: _Scaled, host_n: Floats | float) -> Floats:
        """The lower of host and screw."""
        return np.minimum(self.host_factor * np.asarray(host_n), self.screw_factor * one.screw_n)


class _Pair:
    """Two screws on one path, and the scales at which their forces are looked at."""

    def __init__(self, first: _Scaled, second: _Scaled) -> None:
        self.first, self.second = first, second
        top = min(GREATEST_SCALE_FACTOR, DENSEST_MG_CM3 / first.mean_mg_cm3)
        self.scales = np.geomspace(LEAST_SCALE_FACTOR, max(top, 2 * LEAST_SCALE_FACTOR), SCALES_COUNT)
        self.hosts_n = [
            np.array([one.host_n(float(scale)) for scale in self.scales]) for one in (first, second)
        ]

    def root(self, first: _Drawn, second: _Drawn) -> tuple[float, bool] | None:
        """The lowest scale at which the forces change places, and whether the first holds more below it."""
        apart = first.force_n(self.first, self.hosts_n[0]) - second.force_n(self.second, self.hosts_n[1])
        changes = np.flatnonzero(np.sign(apart[:-1]) * np.sign(apart[1:]) < 0)
        if not len(changes):
            return None
        place = int(changes[0])

        def difference_n(scale_factor: float) -> float:
            mine = first.force_n(self.first, self.first.host_n(scale_factor))
            return float(mine - second.force_n(self.second, self.second.host_n(scale_factor)))

        found = brentq(difference_n, self.scales[place], self.scales[place + 1], rtol=1e-9)
        return float(found), bool(apart[place] > 0)


def _per_shear_mm(thread: Thread) -> float:
    """π · D · TSF of a thread."""
    shape = thread_shape_factor(major_mm=thread.major_mm, core_mm=thread.core_mm, pitch_mm=thread.pitch_mm)
    return math.pi * thread.major_mm * shape


def _overlap_mm(from_mm: Floats, to_mm: Floats, low_mm: float, high_mm: float) -> Floats:
    return np.asarray(np.maximum(0.0, np.minimum(to_mm, high_mm) - np.maximum(from_mm, low_mm)))
