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
    """Intervals of the lengths along a screw; by fragment number those inside each. ``entry_sd_mm`` is the
    deviation of the entry along the axis."""

    entry_sd_mm: float
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
    doubts = _Doubts(prepared, path)
    # All are asked for before the first is read: one look at each fragment's surface serves them.
    entry_asked = doubts.ask(crossed[0], np.zeros(1))
    exit_asked = doubts.ask(crossed[-1], np.array([path.length_mm]))
    gliding_asked = None if gliding_mm is None else doubts.ask(crossed[0], np.array([gliding_mm]))
    within = {number: path.axis[number].within(0.0, path.length_mm) for number in crossed}
    axis_asked = {
        number: doubts.ask(number, np.concatenate([one.from_mm, one.to_mm])) for number, one in within.items()
    }
    rings_asked = {
        number: [
            (doubts.ask(number, ring.from_mm, offsets), doubts.ask(number, ring.to_mm, offsets))
            for index, ring in enumerate(path.ring[number])
            for offsets in [path.ring_offsets_mm[index][ring.line]]
        ]
        for number in touched
    }
    entry_mm, exit_mm = float(doubts.of(entry_asked)[0]), float(doubts.of(exit_asked)[0])
    gliding = None
    if gliding_mm is not None and gliding_asked is not None:
        # The thread's rim has left the near fragment there: by the surface nearest to the axis.
        left_mm = float(doubts.of(gliding_asked)[0])
        gliding = around_mm(gliding_mm, float(np.hypot(entry_mm, left_mm)))
    return Lengths(
        entry_mm,
        around_mm(path.length_mm, float(np.hypot(entry_mm, exit_mm))),
        gliding,
        {number: _axis_path(within[number], doubts.of(asked)) for number, asked in axis_asked.items()},
        {
            number: _engagement(
                [
                    _Zone.of(path, number, index, doubts.of(start), doubts.of(stop), gliding_mm)
                    for index, (start, stop) in enumerate(asked)
                ],
                entry_mm,
                is_near=number == crossed[0],
            )
            for number, asked in rings_asked.items()
        },
    )


def clearance_intervals(
    prepared: PreparedBone, path: Path, entry_sd_mm: float, found: Mapping[str, NearestPlaces]
) -> dict[str, ClearanceIntervals]:
    """Intervals of each part's clearances: by the surface where it comes nearest, and by how far a wrong
    entry moves the part towards it."""
    places = {part: one.outer.on_surface_mm for part, one in found.items() if one.outer is not None}
    own = prepared.fragments_of(path.bone_name)
    sds_mm = deviation_at(prepared, own, np.array(list(places.values())).reshape(-1, 3))[0]
    sd_mm = dict(zip(places, sds_mm.tolist(), strict=True))
    intervals = {}
    for part, one in found.items():
        outer = None
        if one.outer is not None:
            # The surface about the entry moves with the screw that sits on it.
            beside_entry = np.linalg.norm(places[part] - path.entry_mm) <= portal_radius_mm(path)
            outer = _clearance(path, one.outer, sd_mm[part], 0.0 if beside_entry else entry_sd_mm)
        joint = None if one.joint is None else _clearance(path, one.joint, GIVEN_SURFACE_SD_MM, entry_sd_mm)
        intervals[part] = ClearanceIntervals(outer, joint)
    return intervals


def around_mm(estimate_mm: float, sd_mm: float) -> Interval:
    """``estimate_mm`` with the 5th and 95th percentile of a normal spread about it."""
    reach_mm = PERCENTILE_95_COUNT * sd_mm
    return Interval(estimate_mm, estimate_mm - reach_mm, estimate_mm + reach_mm)


Asked = tuple[int, slice]
"""A fragment, and which of its places were asked for."""


class _Doubts:
    """Deviations, along the axis, of where lines beside it cross the surfaces of fragments."""

    def __init__(self, prepared: PreparedBone, path: Path) -> None:
        self._prepared, self._path = prepared, path
        self._points_mm: dict[int, list[Floats]] = {}
        self._found: dict[int, Floats] = {}

    def ask(self, fragment: int, depth_mm: Floats, offsets_mm: Floats | None = None) -> Asked:
        """Ask for the crossings at ``depth_mm`` (n,) of the axis, or of lines at ``offsets_mm`` (n, 2)."""
        path = self._path
        points_mm = path.entry_mm + depth_mm[:, None] * path.direction
        if offsets_mm is not None:
            points_mm = points_mm + offsets_mm @ np.stack([path.u, path.v])
        every = self._points_mm.setdefault(fragment, [])
        start = sum(map(len, every))
        every.append(points_mm)
        return fragment, slice(start, start + len(points_mm))

    def of(self, asked: Asked) -> Floats:
        """(n,) what was asked for, in mm."""
        fragment, rows = asked
        if fragment not in self._found:
            points_mm = np.concatenate(self._points_mm[fragment])
            sd, normal = deviation_at(self._prepared, [fragment], points_mm)
            cosine = np.abs(normal @ self._path.direction)
            self._found[fragment] = sd / np.maximum(cosine, STEEPEST_COSINE_FACTOR)
        return self._found[fragment][rows]


def _axis_path(within: Stretches, sd: Floats) -> Interval:
    """``sd`` (2n,) of where the axis goes into the fragment n times, then of where it leaves it."""
    found = around_mm(float((within.to_mm - within.from_mm).sum()), float(np.linalg.norm(sd)))
    return Interval(found.estimate, max(found.low, 0.0), found.high)


def _engagement(zones: Sequence[_Zone], entry_mm: float, *, is_near: bool) -> Interval:
    """Each crossing is moved both ways and the thread that bites counted again; the thread itself stays."""
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
    def of(
        path: Path, fragment: int, index: int, sd_from_mm: Floats, sd_to_mm: Floats, gliding_mm: float | None
    ) -> _Zone:
        ring = path.ring[fragment][index]
        low_mm, high_mm = path.zone_depths_mm(path.solid.zones[index])
        first = np.searchsorted(ring.line, ring.line)
        return _Zone(
            ring,
            np.arange(len(ring.line)) - first,
            sd_from_mm,
            sd_to_mm,
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
