"""From sets of the search's own numbers to sets that ``assess`` measured, all their screws in one plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np

from planner.assess import ReadyBone, assess_screws
from planner.limits import Limits
from planner.search_choice import Criterion, differ, handful, not_dominated, spread_order
from planner.search_finalists import (
    ASSESSED_FACTOR,
    REFUSED,
    REFUSED_FACTOR,
    criteria_of,
    placed_screw,
    too_oblique,
)
from planner.search_measure import Measure
from planner.search_sets import Beside, Sets, crossings_mm, rods_mm
from planner.search_space import SearchSpace
from planner.solid import solid_of
from planner.vocabulary import Assessment, PlacedScrew, Plan, ScrewResult
from segmentation.errors import InputError

FREE_MOST_COUNT = 1500
"""Sets among which what is dominated is left out. Our choice: far more than are told."""

ORDER_UNKNOWN = "no order of drilling is told: these screws are alike in whether they press"
ORDER_PRESSING = (
    "Screws that press go in first: one that does not would hold the fragments apart (common practice)."
)


@dataclass(frozen=True, eq=False)
class FoundSet:
    """Screws that keep every limit together, as ``assess`` measured them in one plan with those that stay.

    ``each`` are the criteria of every screw, ``criteria`` those of the set (None: not known).
    ``drilling_order`` names the screws that go in first, then the others; None where no order is told.
    """

    results: tuple[ScrewResult, ...]
    each: tuple[dict[str, float | int | None], ...]
    criteria: dict[str, float | int | None]
    drilling_order: tuple[tuple[str, ...], ...] | None
    reason: str = ""


def kept_beside(bone: ReadyBone, space: SearchSpace, kept: Plan | None) -> Beside:
    """Screws that stay, as the others see them."""
    stays = () if kept is None else kept.screws
    measured = assess_screws(bone, kept).screws if kept is not None and stays else ()
    solids = [solid_of(one.screw, one.length_mm) for one in stays]
    widest = [
        [float(solid.outline_mm[solid.outline_mm[:, 0] >= 0, 1].max()), float(solid.outline_mm[:, 1].max())]
        for solid in solids
    ]
    entry = np.array([one.entry_mm for one in measured]).reshape(-1, 3)
    direction = np.array([one.direction for one in measured]).reshape(-1, 3)
    seat = np.array([one.seat_depth_mm for one in stays], float)
    tip = seat + np.array([solid.tip_mm for solid in solids])
    top = seat + np.array([solid.top_mm for solid in solids])
    shaft, head = np.array(widest, float).reshape(-1, 2).T
    return Beside(
        rods_mm(entry, direction, tip, top, seat, shaft, head),
        direction,
        crossings_mm(space, entry, direction, seat, tip),
    )


def set_finalists(
    bone: ReadyBone,
    measure: Measure,
    lots: Sequence[Sets],
    criteria: Sequence[Criterion],
    kept: Plan | None,
    limits: Limits,
    count: int,
) -> list[FoundSet]:
    """The handful of sets: what no other beats by every criterion, measured, kept if every limit holds."""
    lots = [lot for lot in lots if len(lot.members)]
    if not lots:
        return []
    values = np.concatenate([lot.values for lot in lots])
    owner = [(lot, place) for lot in lots for place in range(len(lot.members))]
    some = np.array(spread_order(values)[:FREE_MOST_COUNT])
    free = some[not_dominated(values[some])]
    found: list[FoundSet] = []
    tried: list[tuple[PlacedScrew, ...]] = []
    for row in free[spread_order(values[free])]:
        if len(found) >= ASSESSED_FACTOR * count or len(tried) >= REFUSED_FACTOR * count:
            break
        lot, place = owner[int(row)]
        placed = tuple(placed_screw(measure, lot.rows, int(n)) for n in lot.members[place])
        if not all(placed_differ(placed, other) for other in tried):
            continue
        tried.append(placed)
        if (one := measured_together(bone, measure, placed, kept, limits)) is not None:
            found.append(one)
    return handful(found, criteria, count, sets_differ)


def placed_differ(one: Sequence[PlacedScrew], other: Sequence[PlacedScrew]) -> bool:
    """Whether one of the screws has no like among the others."""
    return any(all(differ(mine, yours) for yours in other) for mine in one)


def sets_differ(one: FoundSet, other: FoundSet) -> bool:
    """Whether two sets are not nearly the same."""
    return placed_differ([r.placed for r in one.results], [r.placed for r in other.results])


def measured_together(
    bone: ReadyBone, measure: Measure, placed: Sequence[PlacedScrew], kept: Plan | None, limits: Limits
) -> FoundSet | None:
    """What ``assess`` finds of screws in one plan beside those kept; None where one breaks a limit."""
    stays = () if kept is None else kept.screws
    taken = {screw.name for screw in stays}
    free = (f"S{n}" for n in range(1, len(taken) + len(placed) + 1) if f"S{n}" not in taken)
    named = [replace(one, name=name) for one, name in zip(placed, free, strict=False)]
    plan = Plan((*named, *stays), "as-scanned" if bone.as_scanned else "reduced")
    try:
        assessed = assess_screws(bone, plan, limits=limits)
    except InputError:
        return None
    results = assessed.screws[: len(named)]
    if any(finding.code in REFUSED for finding in chain(*(one.findings for one in results))):
        return None
    if any(too_oblique(one, measure.oblique_degree) for one in results):
        return None
    each = tuple(criteria_of(measure, one, limits) for one in results)
    return FoundSet(results, each, set_criteria_of(assessed, each), drilling_order(results))


def set_criteria_of(
    assessed: Assessment, each: Sequence[dict[str, float | int | None]]
) -> dict[str, float | int | None]:
    """The criteria of a set: of its own screws the weakest, of all in the plan how they stand together."""
    several = assessed.several_screws
    if several is None:
        raise ValueError("a set has two screws or more")
    own = {one.placed.name for one in assessed.screws[: len(each)]}

    def of_each(key: str) -> list[float | int]:
        told = [one[key] for one in each]
        return [value for value in told if value is not None] if None not in told else []

    bridged = [one for one in several.fractures if len(one.screws) > 1]
    holds, hu = of_each("governing_hold_n"), of_each("ring_mean_hu")
    return {
        "weakest_hold_n": min(holds, default=None),
        "hold_sum_n": sum(holds) if holds else None,
        "weakest_ring_mean_hu": min(hu, default=None),
        "spread_mm": max((one.spread_mm for one in bridged), default=None),
        "triangle_area_mm2": max(
            (one.triangle_area_mm2 for one in bridged if len(one.screws) > 2), default=None
        ),
        "least_gap_mm": min(pair.gap_mm for pair in several.pairs if own & set(pair.screws)),
        "largest_angle_degree": several.largest_angle_degree,
        "least_clearance_mm": min(of_each("least_clearance_mm"), default=None),
    }


def drilling_order(results: Sequence[ScrewResult]) -> tuple[tuple[str, ...], ...] | None:
    """Those that press, then the others; None where all are alike: then nothing here tells an order."""
    press = tuple(one.placed.name for one in results if one.two_pitch is not None)
    rest = tuple(one.placed.name for one in results if one.two_pitch is None)
    return (press, rest) if press and rest else None
