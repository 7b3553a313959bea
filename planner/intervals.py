"""How sure lengths, thread engagement and clearances are, from how sure the bone's surface is.

A place of the surface with deviation sd moves the point where a line crosses it by sd / |cos|, with the angle
between line and normal. All of one crossing moves together, different crossings independently. Depth counts
from the entry, so a wrong entry moves the whole screw: it is one of the crossings. Where the numbers follow
linearly, the interval is the estimate ∓ 1.645 · √(sum of squares). Not in it: the hand that drills.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.clearance import NearestPlaces, portal_radius_mm
from planner.cortex import STEEPEST_COSINE_FACTOR
from planner.mesh import Nearest, Stretches
from planner.path import RING_COUNT, Path
from planner.prepared import PreparedBone
from planner.pullout import PERCENTILE_95_COUNT
from planner.surface_doubt import GIVEN_SURFACE_SD_MM, deviation_at
from planner.vocabulary import ClearanceIntervals, Interval
from segmentation.vocabulary import Floats


@dataclass(frozen=True, eq=False)
class Lengths:
    """Intervals of the lengths along a screw; by fragment number those inside each."""

    bone_length_mm: Interval
    gliding_hole_to_mm: Interval | None
    axis_path_mm: Mapping[int, Interval]
    thread_engagement_mm: Mapping[int, Interval]


def length_intervals(
    prepared: PreparedBone,
    path: Path,
    crossed: Sequence[int],
    touched: Sequence[int],
    gliding_mm: float | None,
) -> Lengths:
    """Intervals of the lengths of a screw whose axis crosses the fragments ``crossed``, in order, and whose
    ring touches ``touched``. ``gliding_mm`` is the gliding hole's end, drilled as planned."""
    entry_mm = entry_sd_mm(prepared, path, crossed[0])
    exit_mm = _sd_along_mm(prepared, path, crossed[-1], np.array([path.length_mm]), np.zeros((1, 2)))[0]
    return Lengths(
        around_mm(path.length_mm, float(np.hypot(entry_mm, exit_mm))),
        None if gliding_mm is None else _gliding(prepared, path, crossed[0], gliding_mm, entry_mm),
        {number: _axis_path(prepared, path, number) for number in crossed},
        {
            number: _engagement(prepared, path, number, gliding_mm, entry_mm, is_near=number == crossed[0])
            for number in touched
        },
    )


def clearance_intervals(
    prepared: PreparedBone, path: Path, near_fragment: int, found: NearestPlaces
) -> ClearanceIntervals:
    """Intervals of a part's clearances: by the surface where it comes nearest, and by how far a wrong entry
    moves the part towards it."""
    entry_mm = entry_sd_mm(prepared, path, near_fragment)
    outer = None
    if found.outer is not None:
        own = prepared.fragments_of(path.bone_name)
        place = found.outer.on_surface_mm
        sd_mm = float(deviation_at(prepared, own, place[None])[0][0])
        # The surface about the entry moves with the screw that sits on it.
        beside_entry = np.linalg.norm(place - path.entry_mm) <= portal_radius_mm(path)
        outer = _clearance(path, found.outer, sd_mm, 0.0 if beside_entry else entry_mm)
    joint = None if found.joint is None else _clearance(path, found.joint, GIVEN_SURFACE_SD_MM, entry_mm)
    return ClearanceIntervals(outer, joint)


def entry_sd_mm(prepared: PreparedBone, path: Path, near_fragment: int) -> float:
    """Deviation of the entry along the axis."""
    return float(_sd_along_mm(prepared, path, near_fragment, np.zeros(1), np.zeros((1, 2)))[0])


def around_mm(estimate_mm: float, sd_mm: float) -> Interval:
    """``estimate_mm`` with the 5th and 95th percentile of a normal spread about it."""
    reach_mm = PERCENTILE_95_COUNT * sd_mm
    return Interval(estimate_mm, estimate_mm - reach_mm, estimate_mm + reach_mm)


def _sd_along_mm(
    prepared: PreparedBone, path: Path, fragment: int, depth_mm: Floats, offsets_mm: Floats
) -> Floats:
    """Deviation (n,), along the axis, of where lines at ``offsets_mm`` (n, 2) cross at ``depth_mm`` (n,)."""
    points = path.entry_mm + depth_mm[:, None] * path.direction + offsets_mm @ np.stack([path.u, path.v])
    sd, normal = deviation_at(prepared, [fragment], points)
    return sd / np.maximum(np.abs(normal @ path.direction), STEEPEST_COSINE_FACTOR)


def _axis_path(prepared: PreparedBone, path: Path, fragment: int) -> Interval:
    within = path.axis[fragment].within(0.0, path.length_mm)
    ends = np.concatenate([within.from_mm, within.to_mm])
    sd = _sd_along_mm(prepared, path, fragment, ends, np.zeros((len(ends), 2)))
    found = around_mm(float((within.to_mm - within.from_mm).sum()), float(np.linalg.norm(sd)))
    return Interval(found.estimate, max(found.low, 0.0), found.high)


def _gliding(
    prepared: PreparedBone, path: Path, near_fragment: int, to_mm: float, entry_mm: float
) -> Interval:
    """The depth where the thread's rim has left the near fragment, by the surface nearest to the axis."""
    exit_mm = float(_sd_along_mm(prepared, path, near_fragment, np.array([to_mm]), np.zeros((1, 2)))[0])
    return around_mm(to_mm, float(np.hypot(entry_mm, exit_mm)))


def _engagement(
    prepared: PreparedBone,
    path: Path,
    fragment: int,
    gliding_mm: float | None,
    entry_mm: float,
    *,
    is_near: bool,
) -> Interval:
    """Each crossing is moved both ways and the thread that bites counted again; the thread itself stays."""
    zones = [_Zone.of(prepared, path, fragment, index, gliding_mm) for index in range(len(path.solid.zones))]
    estimate = sum(zone.engagement_mm() for zone in zones)
    moves: list[tuple[str, int]] = [("entry", 0)]
    for rank in range(max((int(zone.rank.max(initial=-1)) + 1 for zone in zones), default=0)):
        # The near fragment's first crossing is the entry, from which depth counts.
        moves += [("to", rank)] if is_near and rank == 0 else [("from", rank), ("to", rank)]
    less_mm2 = more_mm2 = 0.0
    for what, rank in moves:
        changed = [
            sum(zone.engagement_mm(what, rank, sign, entry_mm, is_near=is_near) for zone in zones) - estimate
            for sign in (-PERCENTILE_95_COUNT, PERCENTILE_95_COUNT)
        ]
        less_mm2 += min(0.0, *changed) ** 2
        more_mm2 += max(0.0, *changed) ** 2
    low = estimate - float(np.sqrt(less_mm2))
    return Interval(estimate, max(0.0, low), estimate + float(np.sqrt(more_mm2)))


@dataclass(frozen=True, eq=False)
class _Zone:
    """The ring's lines of a thread zone inside a fragment, each stretch with its ``rank`` on its line and the
    deviations of both its ends; the full thread reaches from ``low_mm`` to ``high_mm``."""

    stretches: Stretches
    rank: npt.NDArray[np.intp]
    sd_from_mm: Floats
    sd_to_mm: Floats
    low_mm: float
    high_mm: float

    @staticmethod
    def of(prepared: PreparedBone, path: Path, fragment: int, index: int, gliding_mm: float | None) -> _Zone:
        ring = path.ring[fragment][index]
        offsets = path.ring_offsets_mm[index][ring.line]
        low_mm, high_mm = path.zone_depths_mm(path.solid.zones[index])
        first = np.searchsorted(ring.line, ring.line)
        return _Zone(
            ring,
            np.arange(len(ring.line)) - first,
            _sd_along_mm(prepared, path, fragment, ring.from_mm, offsets),
            _sd_along_mm(prepared, path, fragment, ring.to_mm, offsets),
            low_mm if gliding_mm is None else max(low_mm, gliding_mm),
            high_mm,
        )

    def engagement_mm(
        self,
        what: str = "",
        rank: int = 0,
        deviations_count: float = 0.0,
        entry_mm: float = 0.0,
        *,
        is_near: bool = False,
    ) -> float:
        """Engagement where the crossings ``what`` of that rank are moved by so many of their deviations."""
        start, stop = self.stretches.from_mm, self.stretches.to_mm
        if what == "entry":
            # A deeper entry brings all else nearer, but not the entry itself.
            own = is_near & (self.rank == 0)
            start = np.where(own, start, start - deviations_count * entry_mm)
            stop = stop - deviations_count * entry_mm
        elif what == "from":
            start = start + np.where(self.rank == rank, deviations_count * self.sd_from_mm, 0.0)
        elif what == "to":
            stop = stop + np.where(self.rank == rank, deviations_count * self.sd_to_mm, 0.0)
        inside = np.minimum(stop, self.high_mm) - np.maximum(start, self.low_mm)
        return float(np.maximum(inside, 0).sum() / RING_COUNT)


def _clearance(path: Path, nearest: Nearest, sd_mm: float, entry_mm: float) -> Interval:
    away = nearest.on_surface_mm - nearest.on_screw_mm
    length = float(np.linalg.norm(away))
    towards = abs(float(away @ path.direction)) / length if length > 0 else 1.0
    return around_mm(nearest.distance_mm, float(np.hypot(sd_mm, entry_mm * towards)))
