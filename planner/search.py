"""Where should a screw go, how long, which one: many candidates held against the limits, few told.

Lines from entries spread over the allowed surface, in directions spread over a cone, are measured with every
screw and stocked length (``search_measure``); the best by each criterion are refined by ever smaller steps;
what is not dominated is measured by ``assess``, whose numbers alone are told, and only what keeps every limit
there. Coarse to fine finds the best near the best lines of its grid: a better one that lies in a gap between
them, narrower than the spacing, may be missed. The same input gives the same answer on any number of cores.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.assess import ReadyBone, assess_screws
from planner.limits import Limits
from planner.search_choice import (
    Candidate,
    Criterion,
    differ,
    handful,
    not_dominated,
    spread_order,
    used_criteria,
)
from planner.search_lines import Approach, entries, lines_from, neighbours
from planner.search_measure import (
    LENGTHS_COUNT,
    Measure,
    Misses,
    Rows,
    Tally,
    joined_misses,
    measure_of,
    off_axis_mm,
    thinned,
    together,
)
from planner.search_screws import screw_table
from planner.search_space import SearchSpace
from planner.solid import solid_of
from planner.vocabulary import PlacedScrew, Plan, Screw, ScrewResult, Technique
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

REFUSED = frozenset(
    {
        *("tip-outside", "ends-in-fracture", "tip-in-other-bone", "way-blocked", "seat-too-deep"),
        *("joint-penetrated", "clearance-joint", "clearance-leading-end", "leading-end-outside"),
        *("body-outside", "clearance-body", "trailing-end-proud", "clearance-trailing-end", "head-proud"),
        *("few-threads", "no-engagement", "fragment-too-small", "threads-bridging"),
        *("screws-collide", "screws-close", "axis-leaves-scan"),
    }
)
"""Findings that a told candidate must not have. Others (oblique to the fracture, near metal, torque, …) are
told with it, not forbidden."""

ENTRIES_COUNT = 500
"""About so many entries on a bone, unless they would lie closer than ENTRY_LEAST_MM."""

ENTRY_LEAST_MM, ENTRY_MOST_MM = 1.0, 4.0
"""Entries are spread so, in mm. Our choice: finer than a small screw's radius, coarser than is worth it."""

TURN_DEGREE = 8.0
"""Directions of the coarse grid lie so far apart. Our choice: 2 mm at the tip of a 15 mm screw."""

EXHAUSTIVE_FACTOR, ALL_LENGTHS_COUNT = 0.5, 1000
"""Both spacings times this, and every length, where all is looked at."""

SEEDS_COUNT = 6
"""Lines refined for each criterion."""

ROUNDS_COUNT = 14
"""Rounds of refinement; where nothing better lies around, steps are halved: from half the grid's spacing down
to a thousandth of it."""

MENDING_COUNT = 4
"""Rounds in which lines that just miss are moved."""

NEXT_LENGTHS_COUNT = 2
"""So many lengths shorter and longer are tried when a line is moved. Our choice."""

PIVOT_MM = 12.0
"""A line that just misses is turned about a place so deep. Our choice: about the middle of a small bone."""

ASSESSED_FACTOR, REFUSED_FACTOR = 3, 12
"""So many times the asked count are measured in full, and may fail then by what the fields do not show."""

ASIDE_MM, ASIDE_DEGREE = 0.2, 0.5
"""Next to one that failed the next is tried so far aside."""


@dataclass(frozen=True, eq=False)
class Wish:
    """What is asked of a search: screws, how many answers, from which fragments and in which cone to enter,
    what is already there, and whether to look everywhere."""

    screws: tuple[Screw, ...]
    count: int = 5
    from_fragments: tuple[int, ...] | None = None
    approach: Approach | None = None
    kept: Plan | None = None
    exhaustive: bool = False
    across_fracture: bool = True


@dataclass(frozen=True, eq=False)
class Found:
    """What a search found. ``excluded`` tells by limit the share of candidates it excluded first; ``nearest``
    the one nearest to feasible, as measured, where nothing is feasible."""

    bone_name: str
    candidates: tuple[Candidate, ...]
    evaluated_count: int
    feasible_count: int
    search_s: float
    excluded: dict[str, float]
    criteria: tuple[Criterion, ...]
    notes: tuple[str, ...]
    nearest: ScrewResult | None


LIMIT_WORDS = (
    "the fracture is not crossed",
    "the trailing end cannot be buried",
    "room: the screw ends too near the far side, or beyond it",
    "bone lies in the way from outside",
    "too near the joint",
    "runs into another bone",
    "leading end too near the surface",
    "thread or shaft too near the surface",
    "too near a screw that stays",
    "too few threads",
    "one thread on both sides of the fracture",
    "density is unknown there",
)
"""What excluded a candidate, in the order of ``search_kernels``' limits."""


def search(
    bone: ReadyBone,
    space: SearchSpace,
    wish: Wish,
    *,
    limits: Limits | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Found:
    """The screws of ``wish`` on the bone of ``space`` that keep ``limits``, a handful that differ.

    Takes from under a second to some ten, by bone and number of screws. Raises InputError where no line is
    left to look at.
    """
    began_s = time.perf_counter()
    limits = limits or Limits()
    prepared = bone.prepared
    across = wish.across_fracture and len(space.fragments) > 1
    table = screw_table(wish.screws)
    measure = measure_of(
        prepared,
        space,
        table,
        limits,
        _rods(bone, wish.kept),
        across_fracture=across,
        lengths_count=ALL_LENGTHS_COUNT if wish.exhaustive else LENGTHS_COUNT,
    )
    tally = Tally()
    # The more screws, the fewer lines for each: near misses are mended and the best refined all the same.
    coarser = EXHAUSTIVE_FACTOR if wish.exhaustive else len(wish.screws) ** 0.25
    spacing_mm, turn_degree = _spacing_mm(bone, space) * coarser, TURN_DEGREE * coarser
    progress("looking everywhere")
    at = entries(
        prepared,
        space,
        spacing_mm=spacing_mm,
        fragments=wish.from_fragments,
        from_joint_mm=limits.joint_clearance_mm,
    )
    origins, ways = lines_from(at, spacing_degree=turn_degree, approach=wish.approach)
    if not len(origins):
        raise InputError("no direction is left to enter in; widen the cone of approach or allow more surface")
    rows = measure(origins, ways, tally)
    calibrated = prepared.bone.calibration is not None
    criteria = used_criteria(calibrated, has_fracture=bool(measure.target.fractures) and across)
    progress("looking where little is missing")
    rows = together([rows, near_misses_mended(measure, tally, spacing_mm, turn_degree, wish.approach)])
    if len(rows):
        progress("refining the best")
        rows = refined(measure, rows, criteria, tally, spacing_mm, turn_degree, wish.approach)
    progress("measuring the best")
    candidates = _assessed(bone, measure, rows, criteria, wish, limits)
    nearest = None if candidates else _nearest(bone, measure, tally, wish, limits)
    total = max(tally.evaluated_count, 1)
    return Found(
        space.bone_name,
        tuple(candidates),
        tally.evaluated_count,
        tally.feasible_count,
        time.perf_counter() - began_s,
        {words: float(n) / total for words, n in zip(LIMIT_WORDS, tally.excluded, strict=True) if n > 0},
        criteria,
        tuple(_notes(space, calibrated)),
        nearest,
    )


def refined(
    measure: Measure,
    rows: Rows,
    criteria: Sequence[Criterion],
    tally: Tally,
    step_mm: float,
    turn_degree: float,
    approach: Approach | None,
) -> Rows:
    """``rows`` and what ever smaller steps around the best by each criterion find."""
    seeds = [(criterion, _seeds(measure, rows, criterion)) for criterion in criteria]
    of = [criterion for criterion, chosen in seeds for _ in chosen]
    best = rows.taken([row for _, chosen in seeds for row in chosen])
    scale = np.full(len(best), 0.5)
    lots = [rows]
    for _ in range(ROUNDS_COUNT):
        origins, ways = neighbours(
            best.entry_mm,
            best.direction,
            step_mm=scale * step_mm,
            turn_degree=scale * turn_degree,
            pivot_mm=best.bone_length_mm / 2,
        )
        seed = np.repeat(np.arange(len(best)), len(origins) // len(best))
        if approach is not None:
            within = approach.holds(ways)
            origins, ways, seed = origins[within], ways[within], seed[within]
        around = Tally()
        found = measure(origins, ways, around, only=_around(measure, best.variant)[seed], every=True)
        tally.add(around)
        best, moved = _better(measure, best, found, seed[found.line], of)
        lots.append(best)
        scale = np.where(moved, scale, scale / 2)
    return together(lots)


def near_misses_mended(
    measure: Measure, tally: Tally, step_mm: float, turn_degree: float, approach: Approach | None
) -> Rows:
    """What is feasible around the lines that just miss, MISSES_COUNT of each family: each is moved to where
    less is missing."""
    missed = tally.misses
    lots = [measure(np.zeros((0, 3)), np.zeros((0, 3)), Tally())]
    scale = 0.5
    for _ in range(MENDING_COUNT):
        if missed is None or not len(missed.limit):
            break
        pivot = np.full(len(missed.limit), PIVOT_MM)
        origins, ways = neighbours(
            missed.entry_mm,
            missed.direction,
            step_mm=np.full(len(pivot), scale * step_mm),
            turn_degree=np.full(len(pivot), scale * turn_degree),
            pivot_mm=pivot,
        )
        seed = np.repeat(np.arange(len(missed.limit)), len(origins) // len(missed.limit))
        if approach is not None:
            within = approach.holds(ways)
            origins, ways, seed = origins[within], ways[within], seed[within]
        around = Tally()
        found = measure(origins, ways, around, only=_around(measure, missed.variant)[seed], every=True)
        tally.add(around)
        lots.append(found)
        missed = _less_missed(missed, around, seed, set(seed[found.line].tolist()))
        scale /= 2
    if missed is not None and len(missed.limit):
        tally.misses = missed
    return together(lots)


def _around(measure: Measure, variant: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """(n, 2) the first and last variant worth trying near variants (n,): their family's next lengths."""
    table = measure.table
    first, end = table.first[table.screw_of[variant]], table.first[table.screw_of[variant] + 1]
    low = np.maximum(variant - NEXT_LENGTHS_COUNT, first)
    return np.stack([low, np.minimum(variant + NEXT_LENGTHS_COUNT, end - 1)], axis=1)


def _less_missed(missed: Misses, around: Tally, seed: npt.NDArray[np.intp], done: set[int]) -> Misses | None:
    """Of each miss that has not been mended the better of itself and what lies around it."""
    if around.misses is None:
        return None
    both = joined_misses([missed, around.misses])
    owner = np.concatenate([np.arange(len(missed.limit)), seed[around.misses.line]])
    first: dict[int, int] = {}
    for place in both.order:
        first.setdefault(int(owner[place]), int(place))
    return both.taken([first[number] for number in range(len(missed.limit)) if number not in done])


def _better(
    measure: Measure, best: Rows, found: Rows, seed: npt.NDArray[np.intp], of: Sequence[Criterion]
) -> tuple[Rows, npt.NDArray[np.bool_]]:
    """Of each seed and what was found around it (by number, ``seed``) the best by the seed's criterion, and
    which are not the seed itself."""
    both = together([best, found])
    owner = np.concatenate([np.arange(len(best)), seed])
    picked = []
    for number, criterion in enumerate(of):
        own = np.flatnonzero(owner == number)
        picked.append(own[np.argmax(_worth(measure, both.taken(own), criterion))])
    return both.taken(picked), np.array(picked) >= len(best)


def _worth(measure: Measure, rows: Rows, criterion: Criterion) -> Floats:
    """(n,) what rows are worth by a criterion, more is better; clearance decides between equals."""
    tie = 1e-3 * np.minimum(rows.clearance_mm, 5.0)
    if criterion.key in ("governing_hold_n", "ring_mean_hu"):
        return rows.rank
    if criterion.key == "least_clearance_mm":
        return rows.clearance_mm
    if criterion.key == "fracture_angle_degree":
        return np.asarray(-np.where(np.isnan(rows.angle_degree), 90.0, rows.angle_degree) + 10 * tie)
    if criterion.key == "off_centre_mm":
        return np.asarray(-rows.off_centre_mm + tie)
    return np.asarray(measure.length_mm(rows) + 100 * tie)


def _seeds(measure: Measure, rows: Rows, criterion: Criterion) -> list[int]:
    """The best rows by a criterion that lie apart, at least one of each screw while there is room."""
    order = np.argsort(-_worth(measure, rows, criterion), kind="stable")
    chosen: list[int] = []
    screws: set[int] = set()
    for new_screw in (True, False):
        for row in order:
            if len(chosen) >= SEEDS_COUNT:
                break
            if new_screw and (int(rows.screw[row]) in screws or len(screws) >= SEEDS_COUNT // 2):
                continue
            away = np.linalg.norm(rows.entry_mm[chosen] - rows.entry_mm[row], axis=1)
            turned = rows.direction[chosen] @ rows.direction[row]
            same = (
                (away < 2.0)
                & (turned > math.cos(math.radians(10.0)))
                & (rows.screw[chosen] == rows.screw[row])
            )
            if not same.any():
                chosen.append(int(row))
                screws.add(int(rows.screw[row]))
    return chosen


def _assessed(
    bone: ReadyBone,
    measure: Measure,
    rows: Rows,
    criteria: Sequence[Criterion],
    wish: Wish,
    limits: Limits,
) -> list[Candidate]:
    """The handful: what is not dominated by the fields' numbers, measured, and kept if every limit holds."""
    if not len(rows):
        return []
    rows = thinned(rows)
    values = np.stack([_plain_worth(measure, rows, criterion) for criterion in criteria], axis=1)
    free = np.flatnonzero(not_dominated(values))
    found: list[Candidate] = []
    refused: list[PlacedScrew] = []
    for row in free[spread_order(values[free])]:
        if len(found) >= ASSESSED_FACTOR * wish.count or len(refused) >= REFUSED_FACTOR * wish.count:
            break
        placed = placed_screw(measure, rows, int(row))
        if not all(differ(placed, one.placed) for one in found):
            continue
        if not all(differ(placed, one, by_mm=ASIDE_MM, by_degree=ASIDE_DEGREE) for one in refused):
            continue
        if (result := measured(bone, placed, wish.kept, limits)) is None:
            refused.append(placed)
        else:
            found.append(Candidate(placed, result, criteria_of(measure, result)))
    return handful(found, criteria, wish.count)


def _plain_worth(measure: Measure, rows: Rows, criterion: Criterion) -> Floats:
    if criterion.key == "governing_hold_n":
        return rows.hold_n
    if criterion.key == "ring_mean_hu":
        return rows.hu
    if criterion.key == "length_mm":
        return measure.length_mm(rows)
    return _worth(measure, rows, criterion)


def placed_screw(measure: Measure, rows: Rows, row: int) -> PlacedScrew:
    """A row as a screw of a plan, its points to a micrometre."""
    screw = measure.table.screws[int(rows.screw[row])]
    return _placed(
        screw,
        float(measure.table.lengths_mm[int(rows.variant[row])]),
        rows.entry_mm[row],
        rows.direction[row],
        float(rows.seat_mm[row]),
    )


def _placed(
    screw: Screw, length_mm: float, entry_mm: Floats, direction: Floats, seat_mm: float
) -> PlacedScrew:
    tip_mm = seat_mm + solid_of(screw, length_mm).tip_mm
    technique: Technique = "position"
    if screw.head is not None and screw.head.shape == "locking":
        technique = "locking"
    return PlacedScrew(
        "S1",
        screw,
        length_mm,
        entry_mm.round(3),
        (entry_mm + tip_mm * direction).round(3),
        technique,
        seat_mm,
    )


def measured(bone: ReadyBone, placed: PlacedScrew, kept: Plan | None, limits: Limits) -> ScrewResult | None:
    """What ``assess`` finds of a screw beside those kept; None where it breaks a limit or misses the bone."""
    try:
        result = _assess(bone, placed, kept, limits)
    except InputError:
        return None
    return None if any(finding.code in REFUSED for finding in result.findings) else result


def _assess(bone: ReadyBone, placed: PlacedScrew, kept: Plan | None, limits: Limits) -> ScrewResult:
    stays = () if kept is None else kept.screws
    names = {screw.name for screw in stays}
    number = next(n for n in range(1, len(names) + 2) if f"S{n}" not in names)
    named = replace(placed, name=f"S{number}")
    plan = Plan((named, *stays), "as-scanned" if bone.as_scanned else "reduced")
    return assess_screws(bone, plan, limits=limits).screws[0]


def criteria_of(measure: Measure, result: ScrewResult) -> dict[str, float | int | None]:
    """The criteria of a measured screw: ``assess``'s numbers, and the axis's distance from the centre."""
    placed, hold = result.placed, result.pullout_n
    on_axis = [fragment for fragment in result.fragments if fragment.axis_path_mm > 0]
    beyond = on_axis if placed.screw.headless or len(on_axis) == 1 else on_axis[1:]
    of_hu = [fragment.mean_hu for fragment in beyond if fragment.mean_hu is not None]
    leading = result.leading_end.outer
    room_mm = result.bone_length_mm - result.tip_depth_mm
    meant_outside = not placed.screw.headless and room_mm < Limits().tip_through_far_cortex_mm
    clearances = [result.body.outer, None if meant_outside else leading, result.body.joint]
    clearances += [result.leading_end.joint, result.trailing_end.joint]
    joints = [one.joint for one in (result.body, result.leading_end, result.trailing_end)]
    told = [one for one in clearances if one is not None]
    to_joint = [one for one in joints if one is not None]
    centres = [
        centre
        for between, centre, _, _ in measure.target.fractures
        if between in {crossing.between for crossing in result.fractures}
    ]
    off = [
        float(off_axis_mm(centre, result.entry_mm[None], result.direction[None])[0])
        for centre in centres or [measure.target.centre_mm]
    ]
    return {
        "governing_hold_n": None if hold is None else hold.estimate,
        "governing_hold_low_n": None if hold is None else hold.low,
        "governing_hold_high_n": None if hold is None else hold.high,
        "governed_by": result.governed_by,
        "ring_mean_hu": min(of_hu) if len(of_hu) == len(beyond) and of_hu else None,
        "least_threads_count": min((fragment.threads_engaged for fragment in beyond), default=None),
        "least_clearance_mm": min(told, default=None),
        "body_clearance_mm": result.body.outer,
        "leading_end_clearance_mm": leading,
        "trailing_end_clearance_mm": result.trailing_end.outer,
        "joint_clearance_mm": min(to_joint, default=None),
        "fracture_angle_degree": max((one.angle_degree for one in result.fractures), default=None),
        "off_centre_mm": max(off),
        "bone_length_mm": result.bone_length_mm,
        "length_mm": placed.length_mm,
    }


def _nearest(
    bone: ReadyBone, measure: Measure, tally: Tally, wish: Wish, limits: Limits
) -> ScrewResult | None:
    """The candidate nearest to feasible, with the findings that say what it breaks."""
    if tally.misses is None or not len(tally.misses.limit):
        return None
    nearest = tally.misses.taken(tally.misses.order[:1])
    variant, seat_mm = int(nearest.variant[0]), float(nearest.seat_mm[0])
    origin, way = nearest.entry_mm[0], nearest.direction[0]
    screw = measure.table.screws[int(measure.table.screw_of[variant])]
    try:
        placed = _placed(screw, float(measure.table.lengths_mm[variant]), origin, way, seat_mm)
        return _assess(bone, placed, wish.kept, limits)
    except InputError:
        return None


def _rods(bone: ReadyBone, kept: Plan | None) -> Floats:
    """(m, 7) both ends and largest radius of shaft and head of each screw that stays."""
    rods = []
    for placed in () if kept is None else kept.screws:
        solid = solid_of(placed.screw, placed.length_mm)
        result = assess_screws(bone, Plan((placed,), kept.pose if kept else "reduced")).screws[0]
        for low_mm, high_mm in ((solid.top_mm, 0.0), (0.0, solid.tip_mm)):
            within = (solid.outline_mm[:, 0] >= low_mm) & (solid.outline_mm[:, 0] <= high_mm)
            if high_mm > low_mm:
                ends = [
                    result.entry_mm + (placed.seat_depth_mm + z_mm) * result.direction
                    for z_mm in (low_mm, high_mm)
                ]
                rods.append([*ends[0], *ends[1], float(solid.outline_mm[within, 1].max())])
    return np.array(rods, float).reshape(-1, 7)


def _spacing_mm(bone: ReadyBone, space: SearchSpace) -> float:
    """How far apart entries lie, by the bone's area."""
    area = 0.0
    for number in space.fragments:
        mesh = bone.prepared.meshes[number]
        corners = mesh.vertices_mm[mesh.faces]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area += float(np.linalg.norm(across, axis=1).sum() / 2)
    return float(np.clip(math.sqrt(area / ENTRIES_COUNT), ENTRY_LEAST_MM, ENTRY_MOST_MM))


def _notes(space: SearchSpace, calibrated: bool) -> list[str]:
    notes = []
    if not calibrated:
        notes.append("Density is not calibrated: candidates are ranked by mean HU in the thread ring.")
    if not space.has_joint:
        notes.append("No joint surface is known on this bone: none was kept clear of.")
    if len(space.fragments) > 2:
        notes.append(
            "The bone has more than two fragments: clearance to the fracture faces of fragments that a screw "
            "does not reach is checked on what is told, not on every candidate."
        )
    return notes
