"""What each entry point of a bone can reach at best: the hold of the best screw that keeps every limit.

Entry points are spread over the bone's outer surface. From each, directions spread over a cone are measured
with every screw and stocked length by the search's loop, and those that come nearest are turned by ever
smaller steps; the best governing hold that keeps every limit is told, NaN where none does. The numbers choose
where to look; they are not those of ``assess``, and where room is narrow a better direction may be missed.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from planner.assess import ReadyBone
from planner.distance_field import trilinear
from planner.finding_mechanics import VERY_OBLIQUE_DEGREE
from planner.limits import Limits
from planner.prepared import PreparedBone
from planner.search import LIMIT_WORDS, TURN_DEGREE, rods_of
from planner.search_kernels import LIMITS_COUNT
from planner.search_lines import STEEPEST_DEGREE, Approach, Entries, entries, lines_from
from planner.search_measure import ALL_LENGTHS_COUNT, BATCH_COUNT, Measure, Tally, measure_of
from planner.search_screws import screw_table
from planner.search_space import SearchSpace
from planner.vocabulary import Plan, Screw
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

Indices = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]


BARE, REACHED, NOTHING, NEAR_JOINT = range(4)
"""What is told of a place of the surface: no entry is near (a fracture's face), a screw keeps every limit
from there, none does, and nearer to the joint than its limit."""

ENTRIES_COUNT, ENTRY_LEAST_MM, ENTRY_MOST_MM = 800, 0.7, 4.0
"""About so many entries where a screw may enter, so far apart. Our choice: on a small bone finer than the
search spreads them, since room there may be a patch of a few mm."""

REACH_FACTOR, ALONG_FACTOR = 1.6, 0.35
"""A place belongs to an entry within so many spacings whose way in it shares at least by this cosine (70°).
Our choice: between neighbouring entries no place is left bare, and no face of a fracture is coloured."""

SMOOTH_COUNT = 4
"""Entries whose values are blended at a place. Our choice: the corners of a square of them."""


FINEST_DEGREE, FOLLOWED_COUNT, TURNS_COUNT = 1.0, 5, 8
"""From each entry so many lines that come nearest are turned so many ways, by ever smaller turns down to this
one. Our choice: finer turns or more lines changed the best of the demo's scaphoid by less than 0.5 %."""

KEPT = LIMITS_COUNT + 1
"""Comes after every limit."""


@dataclass(frozen=True, eq=False)
class Best:
    """The best that each of n entries reaches: ``value`` (n,), governing hold in N, or mean HU in the thread
    ring where density is not calibrated; ``length_mm`` (n,) of the screw that reaches it, NaN where none
    keeps every limit; and its place among the screws ``screw`` (n,), −1 there."""

    value: Floats
    length_mm: Floats
    screw: Indices


@dataclass(frozen=True, eq=False)
class EntryMap:
    """What the entries ``at`` of a bone, each on a ``fragment`` (n,), reach at best with ``screws``.

    ``near_joint`` (n,): nearer to the joint than the limit, not looked at. ``in_n``: the values are holds in
    N, else mean HU. ``excluded`` tells by limit the share of the ``evaluated_count`` candidates that it
    excluded first.
    """

    bone_name: str
    at: Entries
    fragment: Indices
    near_joint: Bools
    best: Best
    screws: tuple[Screw, ...]
    in_n: bool
    spacing_mm: float
    turn_degree: float
    finest_degree: float
    evaluated_count: int
    excluded: dict[str, float]

    @property
    def reached(self) -> Bools:
        """(n,) whether a screw keeps every limit from an entry."""
        return np.isfinite(self.best.value)

    @property
    def top(self) -> int | None:
        """The entry that reaches most; None where no entry reaches anything."""
        return int(np.nanargmax(self.best.value)) if self.reached.any() else None


def entry_map(
    bone: ReadyBone,
    space: SearchSpace,
    screws: Sequence[Screw],
    *,
    limits: Limits | None = None,
    kept: Plan | None = None,
    across_fracture: bool = True,
    approach: Approach | None = None,
    spacing_mm: float | None = None,
    turn_degree: float = TURN_DEGREE,
    finest_degree: float = FINEST_DEGREE,
) -> EntryMap:
    """What each entry of the bone of ``space`` reaches with ``screws`` while ``limits`` hold.

    Entries lie ``spacing_mm`` apart (default: by the area, ``map_spacing_mm``), directions ``turn_degree``;
    from those that come nearest, turns go down to ``finest_degree``. The screws of ``kept`` stay.
    ``across_fracture``: in a bone of several fragments a screw must hold in two, no farther from square to
    the fracture than the search allows. Raises InputError without a screw, or where no surface is left to
    enter by.
    """
    limits = limits or Limits()
    prepared = bone.prepared
    across = across_fracture and len(space.fragments) > 1
    table = screw_table(screws)
    measure = measure_of(
        prepared,
        space,
        table,
        limits,
        rods_of(bone, kept),
        across_fracture=across,
        lengths_count=ALL_LENGTHS_COUNT,
        oblique_degree=VERY_OBLIQUE_DEGREE if across else 90.0,
    )
    spacing_mm = spacing_mm or map_spacing_mm(prepared, space, limits)
    at, fragment = _spread(prepared, space, spacing_mm)
    near_joint = _near_joint(space, at.points_mm, limits)
    tally = Tally()
    free = np.flatnonzero(~near_joint)
    found = best_of_entries(
        measure,
        Entries(at.points_mm[free], at.inward[free]),
        spacing_degree=turn_degree,
        approach=approach,
        finest_degree=finest_degree,
        tally=tally,
    )
    best = _nothing(len(fragment))
    for whole, part in zip(vars(best).values(), vars(found).values(), strict=True):
        whole[free] = part
    total = max(tally.evaluated_count, 1)
    return EntryMap(
        space.bone_name,
        at,
        fragment,
        near_joint,
        best,
        table.screws,
        prepared.bone.calibration is not None,
        spacing_mm,
        turn_degree,
        finest_degree,
        tally.evaluated_count,
        {words: float(n) / total for words, n in zip(LIMIT_WORDS, tally.excluded, strict=True) if n > 0},
    )


def over_surface(told: EntryMap, number: int, vertices_mm: Floats, normals: Floats) -> tuple[Floats, Indices]:
    """The value (n,) at the vertices (n, 3) of fragment ``number`` with outward ``normals`` (n, 3), and what
    is told there (n,): REACHED, where there is a value, NOTHING, NEAR_JOINT or BARE.

    What is told is the nearest entry's; values are blended between those that have one.
    """
    values, kinds = np.full(len(vertices_mm), np.nan), np.full(len(vertices_mm), BARE, np.intp)
    own = np.flatnonzero(told.fragment == number)
    if not len(own):
        return values, kinds
    # A way in counts like a place, so that the far side of a thin bone is not near.
    turned = told.spacing_mm
    tree = cKDTree(np.hstack([told.at.points_mm[own], -turned * told.at.inward[own]]))
    away, near = tree.query(np.hstack([vertices_mm, turned * normals]), k=min(SMOOTH_COUNT, len(own)))
    away, near = away.reshape(len(vertices_mm), -1), own[near.reshape(len(vertices_mm), -1)]
    first = near[:, 0]
    off_mm = np.linalg.norm(told.at.points_mm[first] - vertices_mm, axis=1)
    along = -(told.at.inward[first] * normals).sum(axis=1)
    here = (off_mm <= REACH_FACTOR * told.spacing_mm) & (along >= ALONG_FACTOR)
    kind = np.where(told.near_joint, NEAR_JOINT, np.where(told.reached, REACHED, NOTHING))
    kinds[here] = kind[first[here]]
    value = told.best.value[near]
    weights = np.where(np.isfinite(value), np.exp(-((2 * away / told.spacing_mm) ** 2)), 0.0)
    with np.errstate(invalid="ignore"):
        blended = (weights * np.nan_to_num(value)).sum(axis=1) / weights.sum(axis=1)
    reached = kinds == REACHED
    values[reached] = blended[reached]
    return values, kinds


def best_of_entries(
    measure: Measure,
    at: Entries,
    *,
    spacing_degree: float,
    approach: Approach | None = None,
    finest_degree: float = FINEST_DEGREE,
    tally: Tally | None = None,
) -> Best:
    """The best that a screw of ``measure`` reaches from each entry: directions ``spacing_degree`` apart, then
    turns about the entry from those that come nearest, halved as long as they are no less than
    ``finest_degree``. What was looked at is counted in ``tally``."""
    best = _nothing(len(at.points_mm))
    tally = Tally() if tally is None else tally
    lots = [
        _nearest(_taken(best, measure, at, owner, ways, tally))
        for owner, ways in _batches(at, spacing_degree, approach)
    ]
    turn_degree = spacing_degree / 2
    while lots and turn_degree >= finest_degree:
        nearest = _nearest(_joined(lots))
        owner, ways = _turned(nearest, turn_degree)
        steep = (at.inward[owner] * ways).sum(axis=1) < math.cos(math.radians(STEEPEST_DEGREE))
        allowed = ~steep if approach is None else ~steep & approach.holds(ways)
        lots = [nearest, _taken(best, measure, at, owner[allowed], ways[allowed], tally)]
        turn_degree /= 2
    return best


def map_spacing_mm(prepared: PreparedBone, space: SearchSpace, limits: Limits) -> float:
    """How far apart entries lie: ENTRIES_COUNT of them on the surface that is not too near the joint."""
    area_mm2 = 0.0
    for number in space.fragments:
        mesh = prepared.meshes[number]
        a, b, c = (mesh.vertices_mm[mesh.faces[:, corner]] for corner in range(3))
        each_mm2 = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
        area_mm2 += float(each_mm2[~_near_joint(space, mesh.middles_mm, limits)].sum())
    return float(np.clip(math.sqrt(area_mm2 / ENTRIES_COUNT), ENTRY_LEAST_MM, ENTRY_MOST_MM))


def _near_joint(space: SearchSpace, points_mm: Floats, limits: Limits) -> Bools:
    """(n,) which places are nearer to the joint surface than its limit."""
    if not space.has_joint:
        return np.zeros(len(points_mm), np.bool_)
    joint_mm = trilinear(space.distances_mm[..., 1], space.grid, points_mm)
    return np.asarray(joint_mm < limits.joint_clearance_mm)


def _spread(prepared: PreparedBone, space: SearchSpace, spacing_mm: float) -> tuple[Entries, Indices]:
    """Entries over the whole outer surface, near the joint too, and whose fragment each lies on."""
    lots, fragment = [], []
    for number in space.fragments:
        # A fragment may have no outer surface of its own.
        with contextlib.suppress(InputError):
            own = entries(
                prepared, space, spacing_mm=spacing_mm, fragments=(number,), from_joint_mm=-math.inf
            )
            lots.append(own)
            fragment.append(np.full(len(own.points_mm), number, np.intp))
    if not lots:
        raise InputError("no part of the bone's surface is left to enter by; allow more of it")
    points, inward = ([getattr(lot, name) for lot in lots] for name in ("points_mm", "inward"))
    return Entries(np.concatenate(points), np.concatenate(inward)), np.concatenate(fragment)


@dataclass(frozen=True, eq=False)
class _Lines:
    """Lines (n,) from entries ``owner`` along ``ways`` (n, 3), and how near each comes: the limit that it
    breaks last, ``level`` (KEPT where it breaks none), then ``score``, more is nearer."""

    owner: Indices
    ways: Floats
    level: Floats
    score: Floats


def _batches(
    at: Entries, spacing_degree: float, approach: Approach | None
) -> Iterator[tuple[Indices, Floats]]:
    """Every line of the grid of directions, some entries at a time: whose it is, and its way."""
    owner: list[Indices] = []
    ways: list[Floats] = []
    for index in range(len(at.points_mm)):
        one = Entries(at.points_mm[index : index + 1], at.inward[index : index + 1])
        _, own = lines_from(one, spacing_degree=spacing_degree, approach=approach)
        owner.append(np.full(len(own), index, np.intp))
        ways.append(own)
        if index == len(at.points_mm) - 1 or sum(map(len, ways)) >= BATCH_COUNT:
            yield np.concatenate(owner), np.concatenate(ways)
            owner, ways = [], []


def _taken(best: Best, measure: Measure, at: Entries, owner: Indices, ways: Floats, tally: Tally) -> _Lines:
    """Measure lines and keep what is better than before of each entry."""
    own = Tally()
    rows = measure(at.points_mm[owner], ways, own, every=True)
    tally.add(own)
    level, score = np.full(len(owner), -1.0), np.full(len(owner), -np.inf)
    if own.misses is not None:
        level[own.misses.line], score[own.misses.line] = own.misses.limit, -own.misses.beyond
    value = rows.hold_n if bool(measure.tau_mpa.any()) else rows.hu
    length_mm = measure.length_mm(rows)
    # Of equal ones the shorter.
    order = np.lexsort((length_mm, -value, owner[rows.line]))
    entry, first = np.unique(owner[rows.line][order], return_index=True)
    chosen = order[first]
    better = ~(value[chosen] <= best.value[entry])
    entry, chosen = entry[better], chosen[better]
    best.value[entry], best.length_mm[entry] = value[chosen], length_mm[chosen]
    best.screw[entry] = rows.screw[chosen]
    level[rows.line] = KEPT
    score[rows.line] = -np.inf
    np.maximum.at(score, rows.line, value)
    return _Lines(owner, ways, level, score)


def _nearest(lines: _Lines) -> _Lines:
    """Of each entry the FOLLOWED_COUNT lines that come nearest; those that meet no bone are left out."""
    order = np.lexsort((-lines.score, -lines.level, lines.owner))
    order = order[lines.level[order] >= 0]
    _, begin, inverse = np.unique(lines.owner[order], return_index=True, return_inverse=True)
    chosen = order[np.arange(len(order)) - begin[inverse.reshape(-1)] < FOLLOWED_COUNT]
    return _Lines(lines.owner[chosen], lines.ways[chosen], lines.level[chosen], lines.score[chosen])


def _joined(lots: Sequence[_Lines]) -> _Lines:
    return _Lines(**{name: np.concatenate([getattr(lot, name) for lot in lots]) for name in vars(lots[0])})


def _turned(lines: _Lines, turn_degree: float) -> tuple[Indices, Floats]:
    """TURNS_COUNT ways around each line's, turned by so much."""
    helper = np.eye(3)[np.argmin(np.abs(lines.ways), axis=1)]
    u = np.cross(helper, lines.ways)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(lines.ways, u)
    around = 2 * np.pi * np.arange(TURNS_COUNT)[:, None, None] / TURNS_COUNT
    aside = np.cos(around) * u + np.sin(around) * v
    ways = lines.ways + math.tan(math.radians(turn_degree)) * aside
    ways /= np.linalg.norm(ways, axis=2, keepdims=True)
    return np.tile(lines.owner, TURNS_COUNT), ways.reshape(-1, 3)


def _nothing(count: int) -> Best:
    return Best(np.full(count, np.nan), np.full(count, np.nan), np.full(count, -1, np.intp))
