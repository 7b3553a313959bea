"""Two or three screws at once: which lines of a pool are best together.

Every set of a pool's lines is judged, none by what was chosen before it: the best single screw may take the
place that two need. A set keeps clear of itself when the drilled paths, from entry to tip, as rods of the
screws' largest radius, are no nearer than the limit; rods are never farther apart than the solids that
``collisions`` measures. Around the best of the pool whole neighbourhoods are then judged together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from planner.distance_field import trilinear
from planner.search_choice import Criterion
from planner.search_lines import Approach, neighbours
from planner.search_measure import Measure, Rows, Tally, together
from planner.search_refine import next_variants
from planner.search_space import SearchSpace

Floats = npt.NDArray[np.float64]
Members = npt.NDArray[np.intp]

POOL_COUNT = {2: 300, 3: 160}
"""Lines of the pool by screws of a set: 45 thousand pairs, 670 thousand triples. Our choice: a second."""

POOL_MM, POOL_DEGREE, POOL_WIDER = 0.75, 3.0, (4, 2, 1)
"""Lines of one screw and length in the pool differ by as much, times each factor in turn. Our choice: half
the grid's spacing, so that all of a small pool stays."""

BEST_COUNT = 150
"""Sets kept by each criterion."""

SET_ROUNDS_COUNT = 9
"""Rounds of refinement; where nothing better lies around, steps are halved."""

STATION_MM = 0.25
"""Stations at which an axis is asked whose bone it is in."""

SUM_WORTH_FRACTION = 1e-3
"""What the others' hold is worth beside the weakest's: it decides between equals only."""


@dataclass(frozen=True, eq=False)
class Beside:
    """Screws (m,) as others see them: both ends and radius of path and head (m, 2, 7), direction (m, 3),
    where the axis crosses from one fragment to another (m, fractures, 3; NaN where it does not)."""

    rods: Floats
    direction: Floats
    crossing_mm: Floats

    def __len__(self) -> int:
        return len(self.rods)


@dataclass(frozen=True, eq=False)
class Sets:
    """Sets (k, n) of ``rows`` and what they are worth by each criterion (k, c), more is better."""

    rows: Rows
    members: Members
    values: Floats

    def taken(self, which: Sequence[int] | Members) -> Sets:
        """Some of the sets."""
        return Sets(self.rows, self.members[which], self.values[which])


@dataclass(frozen=True, eq=False)
class Together:
    """What a set must keep and what it is compared by: screws of a set, the least gap of two, the largest
    angle between two (None: any), the criteria, and the screws that stay."""

    count: int
    gap_mm: float
    parallel_degree: float | None
    criteria: tuple[Criterion, ...]
    kept: Beside


def used_set_criteria(
    count: int, calibrated: bool, has_fracture: bool, kept_count: int = 0
) -> tuple[Criterion, ...]:
    """What sets are compared by, the first first: spread only where there is a fracture to spread over."""
    weakest = (
        Criterion("weakest_hold_n", "hold of the weakest screw", "N", more=True)
        if calibrated
        else Criterion("weakest_ring_mean_hu", "mean HU in the weakest screw's thread ring", "HU", more=True)
    )
    spread = (
        Criterion("spread_mm", "spread on the fracture", "mm", more=True)
        if count + kept_count < 3
        else Criterion("triangle_area_mm2", "triangle on the fracture", "mm²", more=True)
    )
    return (
        weakest,
        *((spread,) if has_fracture else ()),
        Criterion("least_gap_mm", "gap between screws", "mm", more=True),
        Criterion("largest_angle_degree", "angle between screws", "°", more=False),
        Criterion("least_clearance_mm", "clearance", "mm", more=True),
    )


def beside(measure: Measure, rows: Rows) -> Beside:
    """Rows as others see them."""
    table = measure.table
    tip_mm = rows.seat_mm + table.variant_mm[rows.variant, 0]
    screw = table.screw_mm[rows.screw]
    top_mm = rows.seat_mm + screw[:, 3]
    rods = rods_mm(rows.entry_mm, rows.direction, tip_mm, top_mm, rows.seat_mm, screw[:, 0], screw[:, 4])
    crossing = crossings_mm(measure.space, rows.entry_mm, rows.direction, rows.seat_mm, tip_mm)
    return Beside(rods, rows.direction, crossing)


def joined(parts: Sequence[Beside]) -> Beside:
    """Several lots of screws as one."""
    return Beside(*(np.concatenate([getattr(p, name) for p in parts]) for name in vars(parts[0])))


def rods_mm(
    entry_mm: Floats,
    direction: Floats,
    tip_mm: Floats,
    top_mm: Floats,
    seat_mm: Floats,
    shaft_mm: Floats,
    head_mm: Floats,
) -> Floats:
    """(m, 2, 7) both ends and radius of the drilled path, from the entry to the tip's depth, and of the head,
    from its top's depth to the seat's; without a head the path twice."""

    def at(depth_mm: Floats) -> Floats:
        return np.asarray(entry_mm + depth_mm[:, None] * direction)

    headed = top_mm < seat_mm
    path = np.concatenate([at(np.minimum(seat_mm, 0)), at(tip_mm), shaft_mm[:, None]], axis=1)
    head = np.concatenate([at(top_mm), at(seat_mm), head_mm[:, None]], axis=1)
    return np.stack([path, np.where(headed[:, None], head, path)], axis=1)


def gaps_mm(one: Floats, other: Floats) -> Floats:
    """(m, k) least gap of rods (m, 2, 7) and (k, 2, 7)."""
    least = np.full((len(one), len(other)), np.inf)
    for a, b in product(range(2), repeat=2):
        p, q = one[:, None, a], other[None, :, b]
        apart = segments_apart_mm(p[..., :3], p[..., 3:6], q[..., :3], q[..., 3:6])
        least = np.minimum(least, apart - p[..., 6] - q[..., 6])
    return least


def segments_apart_mm(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Least distance of stretches a–b and c–d (…, 3), none of them a point.

    Ericson 2004, Real-Time Collision Detection §5.1.9 (from memory).
    """
    u, v, w = b - a, d - c, a - c
    uu, vv, uv = (u * u).sum(-1), (v * v).sum(-1), (u * v).sum(-1)
    uw, vw = (u * w).sum(-1), (v * w).sum(-1)
    square = uu * vv - uv * uv
    skew = square > 1e-12 * uu * vv
    s = np.where(skew, np.clip((uv * vw - uw * vv) / np.where(skew, square, 1), 0, 1), 0.0)
    t = np.clip((uv * s + vw) / vv, 0, 1)
    s = np.clip((t * uv - uw) / uu, 0, 1)
    return np.asarray(np.linalg.norm(w + s[..., None] * u - t[..., None] * v, axis=-1))


def crossings_mm(
    space: SearchSpace, entry_mm: Floats, direction: Floats, seat_mm: Floats, tip_mm: Floats
) -> Floats:
    """(m, fractures, 3) the middle of the gap that an axis crosses between seat and tip, for every two
    fragments in the order of ``combinations``; NaN where it does not cross from one to the other."""
    between = list(combinations(range(len(space.fragments)), 2))
    found = np.full((len(entry_mm), len(between), 3), np.nan)
    if not between or not len(entry_mm):
        return found
    depth = np.arange(0.0, float(tip_mm.max()) + STATION_MM, STATION_MM)
    points = entry_mm[:, None] + depth[None, :, None] * direction[:, None]
    inside = np.stack(
        [
            trilinear(space.matter[..., n], space.grid, points.reshape(-1, 3)).reshape(points.shape[:2])
            for n in range(len(space.fragments))
        ],
        axis=-1,
    )
    inside = np.nan_to_num(inside, nan=-1.0)
    whose = np.where(inside.max(axis=-1) > 0, inside.argmax(axis=-1), -1)
    whose[(depth < seat_mm[:, None]) | (depth > tip_mm[:, None])] = -1
    last = np.maximum.accumulate(np.where(whose >= 0, np.arange(len(depth)), -1), axis=1)
    before = np.take_along_axis(whose, np.maximum(last, 0), axis=1)[:, :-1]
    after = whose[:, 1:]
    middle_mm = (depth[np.maximum(last[:, :-1], 0)] + depth[1:]) / 2
    for place, (low, high) in enumerate(between):
        steps = ((before == low) & (after == high)) | ((before == high) & (after == low))
        line = np.flatnonzero(steps.any(axis=1))
        at_mm = middle_mm[line, steps[line].argmax(axis=1)]
        found[line, place] = entry_mm[line] + at_mm[:, None] * direction[line]
    return found


def pool_of(measure: Measure, rows: Rows, count: int) -> Rows:
    """At most ``count`` rows that lie apart, in turn the best by hold, by clearance and of each screw, and
    those whose axes cross farthest out in each of fourteen directions.

    First those that lie far apart; what room is left is filled with what lies closer.
    """
    out = np.concatenate([np.eye(3), -np.eye(3), list(product((-1.0, 1.0), repeat=3))])
    orders = [rows.rank, rows.clearance_mm, *(_middle_mm(measure, rows) @ out.T).T]
    orders += [np.where(rows.screw == screw, rows.rank, -np.inf) for screw in np.unique(rows.screw)]
    lines = [np.argsort(-order, kind="stable") for order in orders]
    chosen: list[int] = []
    for wider in POOL_WIDER:
        taken = np.zeros(len(rows), bool)
        for row in chosen:
            taken |= _near(rows, row, wider)
        queues = [iter(line.tolist()) for line in lines]
        while queues and len(chosen) < count:
            for queue in list(queues):
                free = next((row for row in queue if not taken[row]), None)
                if free is None:
                    queues.remove(queue)
                elif len(chosen) < count:
                    chosen.append(free)
                    taken |= _near(rows, free, wider)
    return rows.taken(sorted(chosen))


def _middle_mm(measure: Measure, rows: Rows) -> Floats:
    """(n, 3) where each axis crosses its fractures, in the mean, or the middle of its way through bone."""
    crossing = beside(measure, rows).crossing_mm
    known = ~np.isnan(crossing[..., 0])
    mean = np.nan_to_num(crossing).sum(axis=1) / np.maximum(known.sum(axis=1), 1)[:, None]
    half = rows.entry_mm + rows.bone_length_mm[:, None] / 2 * rows.direction
    return np.where(known.any(axis=1, keepdims=True), mean, half)


def _near(rows: Rows, row: int, wider: int) -> npt.NDArray[np.bool_]:
    """(n,) which rows are nearly this one: of its screw and length, and close to it."""
    turned = rows.direction @ rows.direction[row]
    away = np.linalg.norm(rows.entry_mm - rows.entry_mm[row], axis=1)
    near = (away < wider * POOL_MM) & (turned > np.cos(np.radians(wider * POOL_DEGREE)))
    return np.asarray(near & (rows.variant == rows.variant[row]))


def judged(measure: Measure, rows: Rows, asked: Together, members: Iterator[Members]) -> Sets:
    """Of sets, in lots (k, n), that keep what is asked the BEST_COUNT by each criterion."""
    every = joined([beside(measure, rows), asked.kept])
    gap = gaps_mm(every.rods, every.rods)
    angle = np.degrees(np.arccos(np.minimum(np.abs(every.direction @ every.direction.T), 1)))
    stays = np.arange(len(rows), len(every))
    best = Sets(rows, np.zeros((0, asked.count), np.intp), np.zeros((0, len(asked.criteria))))
    held = rows.hold_n if asked.criteria[0].unit == "N" else rows.hu
    for lot in members:
        whole = np.concatenate([lot, np.broadcast_to(stays, (len(lot), len(stays)))], axis=1)
        pairs = list(combinations(range(whole.shape[1]), 2))
        gaps = np.min([gap[whole[:, i], whole[:, j]] for i, j in pairs if i < asked.count], axis=0)
        angles = np.max([angle[whole[:, i], whole[:, j]] for i, j in pairs], axis=0)
        keeps = gaps >= asked.gap_mm
        if asked.parallel_degree is not None:
            keeps &= angles <= asked.parallel_degree
        lot, whole, gaps, angles = lot[keeps], whole[keeps], gaps[keeps], angles[keeps]
        of = {
            "least_gap_mm": gaps,
            "largest_angle_degree": -angles,
            "least_clearance_mm": rows.clearance_mm[lot].min(axis=1),
        }
        of["weakest_hold_n"] = of["weakest_ring_mean_hu"] = held[lot].min(axis=1) + (
            SUM_WORTH_FRACTION * held[lot].mean(axis=1)
        )
        for criterion in asked.criteria:
            if criterion.key in ("spread_mm", "triangle_area_mm2"):
                of[criterion.key] = _over_fracture(every.crossing_mm, whole, criterion.key)
        values = np.stack([of[criterion.key] for criterion in asked.criteria], axis=1)
        both = Sets(rows, np.concatenate([best.members, lot]), np.concatenate([best.values, values]))
        best = both.taken(_best_by_each(both.values))
    return best


def _over_fracture(crossing_mm: Floats, whole: Members, key: str) -> Floats:
    """(k,) the largest distance of two, or triangle of three, of a set's places on one fracture; 0: none."""
    most = np.zeros(len(whole))
    for fracture in range(crossing_mm.shape[1]):
        at = crossing_mm[:, fracture]
        if key == "spread_mm":
            sizes = [
                np.linalg.norm(at[whole[:, i]] - at[whole[:, j]], axis=1)
                for i, j in combinations(range(whole.shape[1]), 2)
            ]
        else:
            sizes = [
                np.linalg.norm(
                    np.cross(at[whole[:, j]] - at[whole[:, i]], at[whole[:, k]] - at[whole[:, i]]), axis=1
                )
                / 2
                for i, j, k in combinations(range(whole.shape[1]), 3)
            ]
        for size in sizes:
            most = np.fmax(most, size)
    return most


def _best_by_each(values: Floats) -> Members:
    """The BEST_COUNT by each criterion and by all together, in their old order."""
    if len(values) <= BEST_COUNT:
        return np.arange(len(values))
    low, high = values.min(axis=0), values.max(axis=0)
    balance = ((values - low) / np.where(high > low, high - low, 1)).mean(axis=1)
    chosen = [np.argsort(-column, kind="stable")[:BEST_COUNT] for column in (*values.T, balance)]
    return np.unique(np.concatenate(chosen))


def all_sets(rows_count: int, count: int) -> Iterator[Members]:
    """Every set of ``count`` of so many rows, in lots by the first."""
    for first in range(rows_count - count + 1):
        rest = np.arange(first + 1, rows_count)
        if count == 2:
            lot = rest[:, None]
        else:
            low, high = np.triu_indices(len(rest), 1)
            lot = np.stack([rest[low], rest[high]], axis=1)
        yield np.concatenate([np.full((len(lot), 1), first), lot], axis=1)


def best_sets(
    measure: Measure,
    rows: Rows,
    asked: Together,
    tally: Tally,
    step_mm: float,
    turn_degree: float,
    approach: Approach | None,
) -> tuple[list[Sets], int]:
    """The best sets of the pool and what lies around the best by each criterion; and how many were judged."""
    pool = pool_of(measure, rows, POOL_COUNT[asked.count])
    count = len(pool)
    judged_count = count * (count - 1) // 2 if asked.count == 2 else count * (count - 1) * (count - 2) // 6
    first = judged(measure, pool, asked, _gathered(all_sets(count, asked.count)))
    lots = [first]
    if len(first.members):
        for column in range(len(asked.criteria)):
            one = first.taken([int(np.argmax(first.values[:, column]))])
            lots.append(_refined(measure, one, asked, column, tally, step_mm, turn_degree, approach))
    return lots, judged_count


def _gathered(lots: Iterator[Members], count: int = 100_000) -> Iterator[Members]:
    """Small lots as larger ones."""
    waiting: list[Members] = []
    for lot in lots:
        waiting.append(lot)
        if sum(map(len, waiting)) >= count:
            yield np.concatenate(waiting)
            waiting = []
    if waiting:
        yield np.concatenate(waiting)


def _refined(
    measure: Measure,
    one: Sets,
    asked: Together,
    column: int,
    tally: Tally,
    step_mm: float,
    turn_degree: float,
    approach: Approach | None,
) -> Sets:
    """A set moved, all its screws at once, to where it is better by one criterion."""
    best = Sets(one.rows.taken(one.members[0]), np.arange(asked.count)[None], one.values)
    scale = 0.5
    for _ in range(SET_ROUNDS_COUNT):
        origins, ways = neighbours(
            best.rows.entry_mm,
            best.rows.direction,
            step_mm=np.full(asked.count, scale * step_mm),
            turn_degree=np.full(asked.count, scale * turn_degree),
            pivot_mm=best.rows.bone_length_mm / 2,
        )
        owner = np.repeat(np.arange(asked.count), len(origins) // asked.count)
        if approach is not None:
            within = approach.holds(ways)
            origins, ways, owner = origins[within], ways[within], owner[within]
        looked = Tally()
        found = measure(
            origins, ways, looked, only=next_variants(measure, best.rows.variant)[owner], every=True
        )
        tally.add(looked)
        if asked.count > 2:
            # The best screw of each line: its longest too would make eight times as many triples.
            found = found.taken(np.unique(found.line, return_index=True)[1])
        rows = together([best.rows, found])
        whose = np.concatenate([np.arange(asked.count), owner[found.line]])
        own = [np.flatnonzero(whose == n) for n in range(asked.count)]
        grid = np.stack(np.meshgrid(*own, indexing="ij"), axis=-1).reshape(-1, asked.count)
        near = judged(measure, rows, asked, _parts(grid))
        place = int(np.argmax(near.values[:, column]))
        moved = near.values[place, column] > best.values[0, column] + 1e-9
        if moved:
            best = Sets(
                rows.taken(near.members[place]), np.arange(asked.count)[None], near.values[place : place + 1]
            )
        else:
            scale /= 2
    return best


def _parts(grid: Members, count: int = 100_000) -> Iterator[Members]:
    for begin in range(0, len(grid), count):
        yield grid[begin : begin + count]
