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
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.assess import ReadyBone, assess_screws
from planner.doubt_vocabulary import PlacementName
from planner.finding_mechanics import VERY_OBLIQUE_DEGREE
from planner.forgiveness import limits_hold_fraction
from planner.limits import Limits
from planner.placement import PLACEMENTS
from planner.search_choice import (
    Candidate,
    Criterion,
    used_criteria,
)
from planner.search_finalists import finalists, nearest_to_feasible
from planner.search_forgiving import most_forgiving
from planner.search_lines import Approach, entries, lines_from
from planner.search_measure import (
    ALL_LENGTHS_COUNT,
    LENGTHS_COUNT,
    OBLIQUE,
    Measure,
    Rows,
    Tally,
    measure_of,
    together,
)
from planner.search_refine import near_misses_mended, refined, with_every_length
from planner.search_screws import screw_table
from planner.search_set_finalists import FoundSet, kept_beside, set_finalists
from planner.search_sets import Sets, Together, best_sets, used_set_criteria
from planner.search_space import SearchSpace
from planner.solid import solid_of
from planner.vocabulary import PlacedScrew, Plan, Screw, ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

ENTRIES_COUNT = 500
"""About so many entries on a bone, unless they would lie closer than ENTRY_LEAST_MM."""

ENTRY_LEAST_MM, ENTRY_MOST_MM = 1.0, 4.0
"""Entries are spread so, in mm. Our choice: finer than a small screw's radius, coarser than is worth it."""

TURN_DEGREE = 8.0
"""Directions of the coarse grid lie so far apart. Our choice: 2 mm at the tip of a 15 mm screw."""

CLOSER_FACTOR = 0.5
"""Both spacings times this where nothing was found: sixteen times as many lines, before that is said."""

PLACED_COUNT = 500
"""Placements drawn of each that is measured: a share of a half is then known to 2 %."""

EXHAUSTIVE_FACTOR = 0.5
"""Both spacings times this where all is looked at, with every length."""


@dataclass(frozen=True, eq=False)
class Wish:
    """What is asked of a search: screws, how many answers, from which fragments and in which cone to enter,
    what is already there, and whether to look everywhere; how many screws are sought together, within which
    angle of each other, and how they will be placed. Without ``any_angle`` screws farther than
    VERY_OBLIQUE_DEGREE from square to a fracture are left out. With ``lag`` headed screws across a fracture
    are lag screws by a gliding hole.
    """

    screws: tuple[Screw, ...]
    count: int = 5
    from_fragments: tuple[int, ...] | None = None
    approach: Approach | None = None
    kept: Plan | None = None
    exhaustive: bool = False
    across_fracture: bool = True
    any_angle: bool = False
    together_count: int = 1
    parallel_degree: float | None = None
    placing: PlacementName = "freehand"
    lag: bool = False


@dataclass(frozen=True, eq=False)
class Found:
    """What a search found. ``excluded`` tells by limit the share of candidates it excluded first; ``nearest``
    the one nearest to feasible, as measured, where nothing is feasible. ``sets`` are screws that are best
    together, of ``judged_count`` sets looked at; ``set_criteria`` what they are compared by."""

    bone_name: str
    candidates: tuple[Candidate, ...]
    evaluated_count: int
    feasible_count: int
    search_s: float
    excluded: dict[str, float]
    criteria: tuple[Criterion, ...]
    notes: tuple[str, ...]
    nearest: ScrewResult | None
    sets: tuple[FoundSet, ...] = ()
    judged_count: int = 0
    set_criteria: tuple[Criterion, ...] = ()
    placing: PlacementName = "freehand"


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
    "a fragment on the path is too small for a turn of thread",
    "too few threads",
    "one thread on both sides of the fracture",
    "density is unknown there",
    f"more than {VERY_OBLIQUE_DEGREE:.0f}° off square to the fracture",
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
        rods_of(bone, wish.kept),
        across_fracture=across,
        lengths_count=ALL_LENGTHS_COUNT if wish.exhaustive else LENGTHS_COUNT,
        oblique_degree=90.0 if wish.any_angle or not across else VERY_OBLIQUE_DEGREE,
        lag=wish.lag and across,
    )
    tally = Tally()
    calibrated = prepared.bone.calibration is not None
    criteria = used_criteria(calibrated, has_fracture=bool(measure.target.fractures) and across)
    # The more screws, the fewer lines for each: near misses are mended and the best refined all the same.
    coarser = EXHAUSTIVE_FACTOR if wish.exhaustive else len(wish.screws) ** 0.25
    spacing_mm, turn_degree = _spacing_mm(bone, space) * coarser, TURN_DEGREE * coarser
    progress("looking everywhere")
    rows = _looked(bone, space, measure, wish, limits, tally, spacing_mm, turn_degree, progress)
    if not len(rows) and not wish.exhaustive:
        progress("looking closer, as nothing was found")
        spacing_mm, turn_degree = spacing_mm * CLOSER_FACTOR, turn_degree * CLOSER_FACTOR
        rows = _looked(bone, space, measure, wish, limits, tally, spacing_mm, turn_degree, progress)
    if len(rows):
        if not wish.exhaustive:
            rows = together([rows, with_every_length(measure, rows, tally)])
        progress("refining the best")
        rows = refined(measure, rows, criteria, tally, spacing_mm, turn_degree, wish.approach)
    progress("measuring the best")
    as_asked = measure_of(
        prepared, space, table, limits, measure.kept, across_fracture=across, safe=False, lag=measure.lag
    )
    candidates = finalists(
        bone,
        measure,
        rows,
        tally,
        criteria,
        wish.kept,
        limits,
        wish.count,
        _as_placed(as_asked, wish),
        lambda starts: most_forgiving(as_asked, measure, starts, PLACEMENTS[wish.placing], wish.approach),
    )
    nearest = None if candidates else nearest_to_feasible(bone, measure, tally, wish.kept, limits)
    notes = [*_notes(space, calibrated), *_angle_notes(measure, tally, candidates, limits)]
    sets: list[FoundSet] = []
    asked, judged_count = None, 0
    if wish.together_count > 1:
        progress("putting screws together")
        stays = kept_beside(bone, space, wish.kept)
        asked = Together(
            wish.together_count,
            limits.between_screws_mm,
            wish.parallel_degree,
            used_set_criteria(wish.together_count, calibrated, across, len(stays)),
            stays,
        )
        lots, judged_count = best_sets(measure, rows, asked, tally, spacing_mm, turn_degree, wish.approach)
        sets = set_finalists(bone, measure, lots, asked.criteria, wish.kept, limits, wish.count)
        if not sets:
            notes.append(_no_set(judged_count, asked, lots))
    total = max(tally.evaluated_count, 1)
    return Found(
        space.bone_name,
        tuple(candidates),
        tally.evaluated_count,
        tally.feasible_count,
        time.perf_counter() - began_s,
        {words: float(n) / total for words, n in zip(LIMIT_WORDS, tally.excluded, strict=True) if n > 0},
        criteria,
        tuple(notes),
        nearest,
        tuple(sets),
        judged_count,
        () if asked is None else asked.criteria,
        wish.placing,
    )


def _looked(
    bone: ReadyBone,
    space: SearchSpace,
    measure: Measure,
    wish: Wish,
    limits: Limits,
    tally: Tally,
    spacing_mm: float,
    turn_degree: float,
    progress: Callable[[str], None],
) -> Rows:
    """What keeps every limit on lines so far apart, and around those that just miss."""
    at = entries(
        bone.prepared,
        space,
        spacing_mm=spacing_mm,
        fragments=wish.from_fragments,
        from_joint_mm=limits.joint_clearance_mm,
    )
    origins, ways = lines_from(at, spacing_degree=turn_degree, approach=wish.approach)
    if not len(origins):
        raise InputError("no direction is left to enter in; widen the cone of approach or allow more surface")
    rows = measure(origins, ways, tally)
    progress("looking where little is missing")
    return together([rows, near_misses_mended(measure, tally, spacing_mm, turn_degree, wish.approach)])


def _as_placed(as_asked: Measure, wish: Wish) -> Callable[[PlacedScrew], tuple[float, str | None]]:
    """How often placing a screw in the way of ``wish`` keeps every limit, and which is broken most; the same
    draws for every screw."""

    def told(placed: PlacedScrew) -> tuple[float, str | None]:
        rng, how = np.random.default_rng(0), PLACEMENTS[wish.placing]
        share, broken = limits_hold_fraction(as_asked, placed, how, draws_count=PLACED_COUNT, rng=rng)
        return share, LIMIT_WORDS[broken] if broken >= 0 else None

    return told


def rods_of(bone: ReadyBone, kept: Plan | None) -> Floats:
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


def _no_set(judged_count: int, asked: Together, lots: Sequence[Sets]) -> str:
    what = "two" if asked.count == 2 else "three"
    if not judged_count:
        return f"Fewer than {what} screws that differ keep every limit: none were put together."
    if any(len(lot.members) for lot in lots):
        return f"Sets of {what} that keep clear of each other break a limit when they are measured."
    near = "none keeps its screws far enough apart"
    angle = "" if asked.parallel_degree is None else f" and within {asked.parallel_degree:g}° of each other"
    return f"Of {judged_count:,} sets of {what} {near}{angle}."


def _angle_notes(
    measure: Measure, tally: Tally, candidates: Sequence[Candidate], limits: Limits
) -> Iterator[str]:
    """What the search did about the angle to the fracture, and what the first answer comes to."""
    if tally.excluded[OBLIQUE]:
        yield (
            f"Screws more than {measure.oblique_degree:.0f}° off square to the fracture are left out "
            f"({tally.excluded[OBLIQUE]:,.0f} candidates that keep every other limit); "
            "any angle may be asked for."
        )
    if not candidates:
        return
    best = candidates[0]
    angle_degree = best.criteria["fracture_angle_degree"]
    if angle_degree is not None and angle_degree > limits.fracture_angle_degree:
        yield (
            f"The first answer meets the fracture {angle_degree:.0f}° off square, more than the "
            f"{limits.fracture_angle_degree:.0f}° beyond which a screw presses less."
        )
    strength = best.result.strength
    away_mm = None if strength is None else strength.runout_to_fracture_mm
    if away_mm is not None and away_mm < limits.runout_from_fracture_mm:
        yield (
            f"The run-out of the first answer, where a screw breaks, lies {away_mm:.1f} mm from the fracture "
            f"(limit {limits.runout_from_fracture_mm:g} mm): the search does not hold screws against that."
        )


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
