"""Many lines measured by the compiled loop, batch by batch; what is feasible comes back as rows of numbers.

Memory stays flat: a batch's numbers are gone before the next, and of what is feasible only the best by some
criterion are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.limits import Limits
from planner.prepared import PreparedBone
from planner.search_kernels import (
    BODY_MM,
    CLEARANCE,
    GOVERNS,
    HOLD,
    HU,
    JOINT_MM,
    LEADING_MM,
    LENGTH,
    LIMITS_COUNT,
    RANK,
    ROOM_TURNS,
    SEAT,
    THREADS_LEAST,
    VARIANT,
)
from planner.search_kernels import ENTRY as ENTRY_MOVED
from planner.search_line_kernels import L_LENGTHS, measure_lines
from planner.search_ring_kernels import TAU_COUNT, TAU_LOW_HU
from planner.search_screws import ScrewTable
from planner.search_space import SearchSpace
from planner.search_target import Target, target_of
from planner.shear_laws import shear_strength_mpa
from segmentation.vocabulary import Bone, Floats

SAFE_MM, SAFE_RATIO = 0.02, 0.1
"""Limits are kept by so much more while searching, in mm and of a voxel's edge: what the fields may differ
from the triangles, so that what is found stands when it is measured. Our choice: about twice the RMS
difference in tests/test_search_kernel.py."""

BATCH_COUNT = 4096
"""Lines measured at once. Our choice: a few MB of results."""

KEPT_COUNT, THIN_ABOVE_COUNT = 400, 20_000
"""Feasible candidates kept by each criterion, once there are more than so many. Our choice: far more than are
refined."""

PLACE_MM, PLACE_WAY_RATIO = 4.0, 0.4
"""Of each screw the best of every such place and way is kept too, so that there is something left everywhere.
Our choice: some hundred places on a small bone, ways about 25° apart."""

LENGTHS_COUNT = 5
"""Of a family and line the longest so many that have room are looked at. Our choice: hold mostly
rises with length; the best lines are looked at with every length afterwards."""

OBLIQUE = LIMITS_COUNT
"""The limit that comes after those of the loop: a line too far from square to a fracture."""

ALL_LENGTHS_COUNT = 1000
"""More lengths than any family has."""

MISSES_COUNT = 24
"""Of each family so many candidates that just miss are kept. Our choice."""

LONGEST_MM = 220.0
"""So far behind the entry is looked for what lies in the way: the longest screw and its head."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Feasible candidates (n,): their line, entry, direction, family, variant, seat, the criteria by the
    fields, what the clearance is the smallest of, and the turns of
    thread that have room where there is the least."""

    line: Any
    entry_mm: Floats
    direction: Floats
    screw: Any
    variant: Any
    seat_mm: Floats
    rank: Floats
    clearance_mm: Floats
    hold_n: Floats
    hu: Floats
    threads_count: Floats
    governs: Any
    bone_length_mm: Floats
    angle_degree: Floats
    off_centre_mm: Floats
    body_mm: Floats
    joint_mm: Floats
    leading_end_mm: Floats
    room_count: Floats

    def __len__(self) -> int:
        return len(self.rank)

    def taken(self, which: Any) -> Rows:
        """Some of the rows."""
        return Rows(**{name: values[which] for name, values in vars(self).items()})


def together(parts: list[Rows]) -> Rows:
    """Several lots of rows as one; at least one lot."""
    return Rows(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0])})


@dataclass(frozen=True, eq=False)
class Misses:
    """Candidates (n,) that a limit excludes, the best of each line: by which, how far beyond, variant, seat,
    and their line's entry and direction. Later limits are met by those that keep all before."""

    line: Any
    limit: Any
    beyond: Floats
    variant: Any
    seat_mm: Floats
    entry_mm: Floats
    direction: Floats

    @property
    def order(self) -> Any:
        """(n,) the nearest to feasible first."""
        return np.lexsort((self.beyond, -self.limit))

    def taken(self, which: Any) -> Misses:
        """Some of them."""
        return Misses(**{name: values[which] for name, values in vars(self).items()})


@dataclass(eq=False)
class Tally:
    """How many candidates were looked at, how many each limit excluded first, the nearest to feasible."""

    evaluated_count: int = 0
    excluded: Floats = field(default_factory=lambda: np.zeros(LIMITS_COUNT + 1))
    misses: Misses | None = None

    def add(self, other: Tally) -> None:
        """Count another's candidates too; its nearest stay its own."""
        self.evaluated_count += other.evaluated_count
        self.excluded = self.excluded + other.excluded

    @property
    def feasible_count(self) -> int:
        """Candidates that no limit excluded."""
        return self.evaluated_count - int(self.excluded.sum())


@dataclass(frozen=True, eq=False)
class Measure:
    """The compiled loop with everything it needs but the lines."""

    space: SearchSpace
    table: ScrewTable
    target: Target
    tau_mpa: Floats
    limits: Floats
    kept: Floats
    arrays: tuple[Any, ...]
    oblique_degree: float = 90.0

    def __call__(
        self,
        origins_mm: Floats,
        directions: Floats,
        tally: Tally,
        *,
        only: npt.NDArray[np.intp] | None = None,
        seat_mm: float | Floats | None = None,
        prune: bool = True,
        every: bool = False,
    ) -> Rows:
        """What is feasible on lines (n, 3), (n, 3), thinned; all of it is counted in ``tally``.

        ``only`` (n, 2) are the first and last variant to look at on each line. ``seat_mm``
        is a seat depth that stays, one or one for each line. ``every`` keeps all rows and every line's miss.
        """
        all_variants = np.full((len(origins_mm), 2), -1)
        seats = np.broadcast_to(np.nan if seat_mm is None else seat_mm, len(origins_mm))
        lots = [self._none()]
        for begin in range(0, len(origins_mm), BATCH_COUNT):
            own = slice(begin, begin + BATCH_COUNT)
            lots.append(
                self._batch(
                    origins_mm[own],
                    directions[own],
                    (all_variants if only is None else only)[own],
                    seats[own],
                    begin,
                    tally,
                    prune,
                    every,
                )
            )
            if not every and sum(map(len, lots)) > THIN_ABOVE_COUNT:
                lots = [thinned(together(lots))]
        return together(lots)

    def _batch(
        self,
        origins_mm: Floats,
        directions: Floats,
        only: npt.NDArray[np.intp],
        seats_mm: Floats,
        begin: int,
        tally: Tally,
        prune: bool,
        every: bool,
    ) -> Rows:
        origins, ways = np.ascontiguousarray(origins_mm), np.ascontiguousarray(directions)
        told, counts, misses = measure_lines(
            origins,
            ways,
            np.ascontiguousarray(only),
            np.ascontiguousarray(seats_mm, float),
            self.arrays,
            self.table.for_kernels,
            self.kept,
            self.tau_mpa,
            self.limits,
            prune,
        )
        tally.evaluated_count += int(counts[:, LIMITS_COUNT].sum())
        tally.excluded[:LIMITS_COUNT] += counts[:, :LIMITS_COUNT].sum(axis=0)
        line, screw, slot = np.nonzero(told[..., VARIANT] >= 0)
        values = told[line, screw, slot]
        # The longest is often the best; then it is told once.
        once = (slot == 0) | (values[:, VARIANT] != told[line, screw, 0][:, VARIANT])
        line, screw, values = line[once], screw[once], values[once]
        entry = origins[line] + values[:, ENTRY_MOVED, None] * ways[line]
        angle, offset = self.target.angle_and_offset(entry, ways[line], values[:, LENGTH])
        # All screws of a line meet the fracture alike: a line is too oblique, not a screw.
        oblique = angle > self.oblique_degree
        lines = np.unique(line[oblique])
        counted = counts[lines]
        tally.excluded[OBLIQUE] += counted[:, LIMITS_COUNT].sum() - counted[:, :LIMITS_COUNT].sum()
        first = np.flatnonzero(oblique)[np.unique(line[oblique], return_index=True)[1]]
        misses[lines, 0], misses[lines, 1] = OBLIQUE, angle[first] - self.oblique_degree
        misses[lines, 2], misses[lines, 3] = values[first, VARIANT], values[first, SEAT]
        _note(tally, _misses(misses, origins, ways, begin), self.table.screw_of, every)
        line, screw, values = line[~oblique], screw[~oblique], values[~oblique]
        entry, angle, offset = entry[~oblique], angle[~oblique], offset[~oblique]
        return Rows(
            begin + line,
            entry,
            ways[line],
            screw,
            values[:, VARIANT].astype(int),
            values[:, SEAT],
            values[:, RANK],
            values[:, CLEARANCE],
            values[:, HOLD],
            values[:, HU],
            values[:, THREADS_LEAST],
            values[:, GOVERNS].astype(int),
            values[:, LENGTH],
            angle,
            offset,
            values[:, BODY_MM],
            values[:, JOINT_MM],
            values[:, LEADING_MM],
            values[:, ROOM_TURNS],
        )

    def every_length(self) -> Measure:
        """The same loop, looking at every length that has room and not at the longest alone."""
        limits = self.limits.copy()
        limits[L_LENGTHS] = ALL_LENGTHS_COUNT
        return replace(self, limits=limits)

    def _none(self) -> Rows:
        empty, whole = np.zeros(0), np.zeros(0, int)
        return Rows(
            whole,
            np.zeros((0, 3)),
            np.zeros((0, 3)),
            whole,
            whole,
            *[empty] * 5,
            empty,
            whole,
            *[empty] * 7,
        )  # type: ignore[call-arg]

    def length_mm(self, rows: Rows) -> Floats:
        """(n,) marked lengths."""
        return np.asarray(self.table.lengths_mm[rows.variant])


def measure_of(
    prepared: PreparedBone,
    space: SearchSpace,
    table: ScrewTable,
    limits: Limits,
    kept: Floats,
    *,
    across_fracture: bool,
    lengths_count: int = LENGTHS_COUNT,
    safe: bool = True,
    oblique_degree: float = 90.0,
) -> Measure:
    """The loop for a space, screws and limits; ``kept`` (m, 7) are rods that must stay clear.

    ``safe``: limits are kept by as much more as fields may differ from triangles. ``oblique_degree``: lines
    farther from square to a fracture are left out.
    """
    bone = prepared.bone
    safe_mm = safe_margin_mm(space) if safe else 0.0
    row = np.array(
        [
            (limits.joint_clearance_mm + safe_mm) if space.has_joint else -np.inf,
            limits.leading_end_clearance_mm + safe_mm,
            limits.body_clearance_mm + safe_mm,
            limits.trailing_end_buried_mm + safe_mm,
            limits.tip_through_far_cortex_mm - safe_mm,
            limits.threads_beyond_fracture_count + safe_mm,
            limits.between_screws_mm,
            float(across_fracture),
            float(bone.calibration is None),
            limits.in_the_way_mm,
            LONGEST_MM,
            float(lengths_count),
            safe_mm,
            limits.room_for_threads_count,
        ]
    )
    arrays = (
        space.distances_mm,
        space.matter,
        _to_lattice(space.grid.affine),
        space.way_mm,
        _to_lattice(space.way_grid.affine),
    )
    target = target_of(prepared, space.bone_name)
    return Measure(space, table, target, strengths_mpa(bone), row, kept, arrays, oblique_degree)


def safe_margin_mm(space: SearchSpace) -> float:
    """By how much more than asked limits are kept while searching."""
    return SAFE_MM + SAFE_RATIO * float(space.grid.spacing_mm.max())


def strengths_mpa(bone: Bone) -> Floats:
    """(TAU_COUNT,) shear strength at each HU from TAU_LOW_HU; zeros where density is not known."""
    hu = TAU_LOW_HU + np.arange(TAU_COUNT, dtype=float)
    if bone.calibration is None:
        return np.zeros(TAU_COUNT)
    return shear_strength_mpa(np.maximum(bone.calibration.density_mg_cm3(hu), 0), bone.host)


def thinned(rows: Rows) -> Rows:
    """The KEPT_COUNT best by each criterion, in their old order."""
    chosen: set[int] = set()
    for values in (
        rows.rank,
        rows.clearance_mm,
        -rows.off_centre_mm,
        -np.nan_to_num(rows.angle_degree, nan=90.0),
        rows.variant,
    ):
        chosen.update(np.argsort(-values, kind="stable")[:KEPT_COUNT].tolist())
    for screw in np.unique(rows.screw):
        own = np.flatnonzero(rows.screw == screw)
        chosen.update(own[np.argsort(-rows.rank[own], kind="stable")[: KEPT_COUNT // 20]].tolist())
    chosen.update(best_of_places(rows).tolist())
    return rows.taken(sorted(chosen))


def best_of_places(rows: Rows) -> npt.NDArray[np.intp]:
    """Of each screw the best row of every place and way, cubes of PLACE_MM and PLACE_WAY_RATIO."""
    if not len(rows):
        return np.zeros(0, np.intp)
    place = np.floor(rows.entry_mm / PLACE_MM).astype(np.int64)
    way = np.floor(rows.direction / PLACE_WAY_RATIO).astype(np.int64)
    own = np.concatenate([np.asarray(rows.screw, np.int64)[:, None], place, way], axis=1)
    _, cell = np.unique(own, axis=0, return_inverse=True)
    order = np.lexsort((np.arange(len(rows)), -rows.rank, cell.reshape(-1)))
    return order[np.unique(cell.reshape(-1)[order], return_index=True)[1]]


def _to_lattice(affine: Floats) -> Floats:
    return np.ascontiguousarray(np.linalg.inv(affine)[:3])


def _misses(told: Floats, origins_mm: Floats, directions: Floats, begin: int) -> Misses:
    line = np.flatnonzero(told[:, 0] >= 0)
    limit, beyond, variant, seat = told[line].T
    return Misses(
        begin + line, limit.astype(int), beyond, variant.astype(int), seat, origins_mm[line], directions[line]
    )


def _note(tally: Tally, new: Misses, screw_of: npt.NDArray[np.int64], every: bool) -> None:
    """Keep the MISSES_COUNT nearest to feasible of each family."""
    old = tally.misses
    both = new if old is None else joined_misses([old, new])
    if every:
        tally.misses = both
        return
    screw = screw_of[both.variant]
    order = both.order
    rank = np.zeros(len(order), int)
    for family in np.unique(screw):
        own = order[screw[order] == family]
        rank[own] = np.arange(len(own))
    tally.misses = both.taken(np.flatnonzero(rank < MISSES_COUNT))


def joined_misses(parts: list[Misses]) -> Misses:
    """Several lots as one."""
    return Misses(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0])}
    )
