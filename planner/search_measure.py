"""Many lines measured by the compiled loop, batch by batch; what is feasible comes back as rows of numbers.

Memory stays flat: a batch's numbers are gone before the next, and of what is feasible only the best by some
criterion are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from planner.limits import Limits
from planner.prepared import PreparedBone
from planner.search_kernels import (
    CLEARANCE,
    GOVERNS,
    HOLD,
    HU,
    LENGTH,
    LIMITS_COUNT,
    RANK,
    SEAT,
    TAU_COUNT,
    TAU_LOW_HU,
    THREADS_LEAST,
    VARIANT,
)
from planner.search_kernels import ENTRY as ENTRY_MOVED
from planner.search_line_kernels import measure_lines
from planner.search_screws import ScrewTable
from planner.search_space import SearchSpace, centre_mm, surface_centre_mm
from planner.shear_laws import shear_strength_mpa
from segmentation.vocabulary import Bone, Floats

SAFE_MM = 0.05
"""Limits are kept by so much more while searching: what the fields may differ from the triangles, so that what
is found stands when it is measured. Our choice, by tests/test_search_kernel.py."""

BATCH_COUNT = 4096
"""Lines measured at once. Our choice: a few MB of results."""

KEPT_COUNT = 400
"""Feasible candidates kept by each criterion. Our choice: far more than are refined."""

LONGEST_MM = 220.0
"""So far behind the entry is looked for what lies in the way: the longest screw and its head."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Feasible candidates (n,): entry, direction, family, variant, seat, and the criteria by the fields."""

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

    def __len__(self) -> int:
        return len(self.rank)

    def taken(self, which: Any) -> Rows:
        """Some of the rows."""
        return Rows(**{name: values[which] for name, values in vars(self).items()})


def together(parts: list[Rows]) -> Rows:
    """Several lots of rows as one; at least one lot."""
    return Rows(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0])})


@dataclass(eq=False)
class Tally:
    """How many candidates were looked at, how many each limit excluded first, and the nearest to feasible.

    ``nearest`` holds limit, how far beyond, variant, seat, entry and direction; None where none was near.
    """

    evaluated_count: int = 0
    excluded: Floats = field(default_factory=lambda: np.zeros(LIMITS_COUNT))
    nearest: tuple[int, float, int, float, Floats, Floats] | None = None

    @property
    def feasible_count(self) -> int:
        """Candidates that no limit excluded."""
        return self.evaluated_count - int(self.excluded.sum())


@dataclass(frozen=True, eq=False)
class Target:
    """Where a screw should cross, and how: the fractures of a bone by centre and normal, and its own centre."""

    centre_mm: Floats
    fractures: tuple[tuple[tuple[int, int], Floats, Floats, float], ...]

    def angle_and_offset(
        self, entry_mm: Floats, direction: Floats, length_mm: Floats
    ) -> tuple[Floats, Floats]:
        """Largest angle in degrees from square to the fractures that lines cross (NaN: none), and the largest
        distance in mm from their axes to these fractures' centres, or to the bone's centre where none is
        crossed."""
        angle, offset = np.full(len(entry_mm), np.nan), np.full(len(entry_mm), -1.0)
        for _, centre, normal, reach_mm in self.fractures:
            square = direction @ normal
            with np.errstate(divide="ignore", invalid="ignore"):
                depth = ((centre - entry_mm) @ normal) / square
                crossing = entry_mm + depth[:, None] * direction
                near = np.linalg.norm(crossing - centre, axis=1) <= reach_mm
            crosses = near & (depth > 0) & (depth < length_mm)
            own = np.degrees(np.arccos(np.minimum(np.abs(square), 1)))
            angle = np.where(crosses, np.fmax(angle, own), angle)
            offset = np.where(crosses, np.maximum(offset, off_axis_mm(centre, entry_mm, direction)), offset)
        return angle, np.where(offset < 0, off_axis_mm(self.centre_mm, entry_mm, direction), offset)


REACH_FACTOR = 1.5
"""A line crosses a fracture within this many radii of a disc of its area about its centre. Our choice."""


def target_of(prepared: PreparedBone, bone_name: str) -> Target:
    """The target in a bone. Fractures between fragments that a reduction moved apart are left out."""
    own = prepared.fragments_of(bone_name)
    found = []
    for fracture in prepared.bone.fractures:
        poses = [prepared.poses[number] for number in fracture.between if number in own]
        if len(poses) == 2 and all(np.allclose(pose, np.eye(4), atol=1e-6) for pose in poses):
            reach = REACH_FACTOR * float(np.sqrt(fracture.area_mm2 / np.pi))
            found.append((fracture.between, surface_centre_mm(fracture.surface), fracture.normal, reach))
    return Target(centre_mm(prepared, bone_name), tuple(found))


def off_axis_mm(point_mm: Floats, entry_mm: Floats, direction: Floats) -> Floats:
    """(n,) distance of a place (3,) from axes (n, 3), (n, 3)."""
    away = point_mm - entry_mm
    along = (away * direction).sum(axis=1)
    return np.asarray(np.linalg.norm(away - along[:, None] * direction, axis=1))


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

    def __call__(self, origins_mm: Floats, directions: Floats, tally: Tally, *, prune: bool = True) -> Rows:
        """What is feasible on lines (n, 3), (n, 3), thinned; all of them are counted in ``tally``."""
        lots = [self._none()]
        for begin in range(0, len(origins_mm), BATCH_COUNT):
            origins = np.ascontiguousarray(origins_mm[begin : begin + BATCH_COUNT])
            ways = np.ascontiguousarray(directions[begin : begin + BATCH_COUNT])
            lots.append(self._batch(origins, ways, tally, prune))
            if sum(map(len, lots)) > 8 * KEPT_COUNT:
                lots = [thinned(together(lots))]
        return together(lots)

    def _batch(self, origins: Floats, ways: Floats, tally: Tally, prune: bool) -> Rows:
        told, counts, misses = measure_lines(
            origins, ways, self.arrays, self.table.for_kernels, self.kept, self.tau_mpa, self.limits, prune
        )
        tally.evaluated_count += int(counts[:, LIMITS_COUNT].sum())
        tally.excluded += counts[:, :LIMITS_COUNT].sum(axis=0)
        _note_nearest(tally, misses, origins, ways)
        line, screw, slot = np.nonzero(told[..., VARIANT] >= 0)
        values = told[line, screw, slot]
        # The longest is often the best; then it is told once.
        once = (slot == 0) | (values[:, VARIANT] != told[line, screw, 0][:, VARIANT])
        line, screw, values = line[once], screw[once], values[once]
        entry = origins[line] + values[:, ENTRY_MOVED, None] * ways[line]
        angle, offset = self.target.angle_and_offset(entry, ways[line], values[:, LENGTH])
        return Rows(
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
        )

    def _none(self) -> Rows:
        empty, whole = np.zeros(0), np.zeros(0, int)
        return Rows(
            np.zeros((0, 3)),
            np.zeros((0, 3)),
            whole,
            whole,
            *[empty] * 5,
            empty,
            whole,
            *[empty] * 3,
        )

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
) -> Measure:
    """The loop for a space, screws and limits; ``kept`` (m, 7) are rods that must stay clear."""
    bone = prepared.bone
    row = np.array(
        [
            (limits.joint_clearance_mm + SAFE_MM) if space.has_joint else -np.inf,
            limits.leading_end_clearance_mm + SAFE_MM,
            limits.body_clearance_mm + SAFE_MM,
            limits.trailing_end_buried_mm + SAFE_MM,
            limits.tip_through_far_cortex_mm - SAFE_MM,
            limits.threads_beyond_fracture_count + SAFE_MM,
            limits.between_screws_mm,
            float(across_fracture),
            float(bone.calibration is None),
            limits.in_the_way_mm,
            LONGEST_MM,
        ]
    )
    arrays = (
        space.distances_mm,
        space.matter,
        space.owner,
        _to_lattice(space.grid.affine),
        space.way_mm,
        _to_lattice(space.way_grid.affine),
        len(space.fragments),
    )
    return Measure(space, table, target_of(prepared, space.bone_name), strengths_mpa(bone), row, kept, arrays)


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
        -np.nan_to_num(rows.angle_degree),
        rows.variant,
    ):
        chosen.update(np.argsort(-values, kind="stable")[:KEPT_COUNT].tolist())
    for screw in np.unique(rows.screw):
        own = np.flatnonzero(rows.screw == screw)
        chosen.update(own[np.argsort(-rows.rank[own], kind="stable")[: KEPT_COUNT // 20]].tolist())
    return rows.taken(sorted(chosen))


def _to_lattice(affine: Floats) -> Floats:
    return np.ascontiguousarray(np.linalg.inv(affine)[:3])


def _note_nearest(tally: Tally, misses: Floats, origins: Floats, ways: Floats) -> None:
    best = int(np.lexsort((misses[:, 1], -misses[:, 0]))[0]) if len(misses) else -1
    if best < 0 or misses[best, 0] < 0:
        return
    limit, beyond, variant, seat = misses[best]
    before = tally.nearest
    if before is None or (-limit, beyond) < (-before[0], before[1]):
        tally.nearest = (int(limit), float(beyond), int(variant), float(seat), origins[best], ways[best])
