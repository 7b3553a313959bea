"""From rows of the search's own numbers to candidates measured by ``assess``, whose word alone is told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from planner.assess import ReadyBone, assess_screws
from planner.limits import Limits
from planner.search_choice import (
    AS_PLACED,
    Candidate,
    Criterion,
    differ,
    handful,
    not_dominated,
    spread_order,
)
from planner.search_measure import Measure, Rows, Tally, thinned
from planner.search_refine import worth
from planner.search_target import off_axis_mm
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


ASSESSED_FACTOR, REFUSED_FACTOR = 3, 12
"""So many times the asked count are measured in full, and may fail then by what the fields do not show."""


FIELD_ERROR_FRACTION = 0.04
"""Holds by the fields within this are equal until they are measured (largest difference measured in
tests/test_search_kernel.py: 3.5 %)."""

EQUALS_COUNT, CLOSER_ROUNDS_COUNT, CLOSER_COUNT = 24, 2, 8
"""So many of them are measured, and then, in turns, so many next to the best. Our choice: half a second."""

TURN_WORTH_MM = 10.0
"""A direction's difference counts as if at a tip so far away. Our choice: a short screw's."""

MISSES_MEASURED_COUNT = 12
"""So many of what just misses are measured where nothing else is left. Our choice."""

ANGLE_ROUNDING_DEGREE = 0.05
"""What a direction may turn when its ends are written to a micrometre, and more."""

ASIDE_MM, ASIDE_DEGREE = 0.2, 0.5
"""Next to one that failed the next is tried so far aside."""


def finalists(
    bone: ReadyBone,
    measure: Measure,
    rows: Rows,
    tally: Tally,
    criteria: Sequence[Criterion],
    kept: Plan | None,
    limits: Limits,
    count: int,
    as_placed: Callable[[PlacedScrew], tuple[float, str | None]],
    forgiving: Callable[[Sequence[PlacedScrew]], Rows],
) -> list[Candidate]:
    """The handful: what is not dominated by the fields' numbers, measured, and kept if every limit holds.

    ``as_placed`` tells of a screw how often placing it keeps every limit, which counts then too, and which
    limit is broken most; ``forgiving`` of some screws the one near them that does so most often.
    """

    def judged(placed: PlacedScrew) -> Candidate | None:
        result = measured(bone, placed, kept, limits)
        if result is None or too_oblique(result, measure.oblique_degree):
            return None
        return Candidate(placed, result, criteria_of(measure, result, limits))

    found = _spread(measure, thinned(rows), criteria, judged, count) if len(rows) else []
    if not found:
        # Limits are kept by more than asked while searching: what just misses may keep them when measured.
        near = [judged(placed) for placed in nearest_misses(measure, tally, MISSES_MEASURED_COUNT)]
        found = [one for one in near if one is not None]
    most = forgiving([one.placed for one in found])
    found += filter(None, [judged(placed_screw(measure, most, row)) for row in range(len(most))])
    told = []
    for one in found:
        share, broken = as_placed(one.placed)
        told.append(replace(one, criteria={**one.criteria, AS_PLACED.key: share}, breaks_most=broken))
    return handful(told, (criteria[0], AS_PLACED, *criteria[1:]), count)


def _spread(
    measure: Measure,
    rows: Rows,
    criteria: Sequence[Criterion],
    judged: Callable[[PlacedScrew], Candidate | None],
    count: int,
) -> list[Candidate]:
    """The best by the first criterion, and of what no other beats by all of them some that differ."""
    values = np.stack([_plain_worth(measure, rows, criterion) for criterion in criteria], axis=1)
    free = np.flatnonzero(not_dominated(values))
    found = _best_of_equals(measure, rows, values[:, 0], judged, criteria[0])
    if found:
        found = [max(found, key=lambda one: float(one.criteria[criteria[0].key] or 0.0))]
    refused: list[PlacedScrew] = []
    for row in free[spread_order(values[free])]:
        if len(found) >= ASSESSED_FACTOR * count or len(refused) >= REFUSED_FACTOR * count:
            break
        placed = placed_screw(measure, rows, int(row))
        if not all(differ(placed, one.placed) for one in found):
            continue
        if not all(differ(placed, one, by_mm=ASIDE_MM, by_degree=ASIDE_DEGREE) for one in refused):
            continue
        candidate = judged(placed)
        if candidate is None:
            refused.append(placed)
        else:
            found.append(candidate)
    return found


def _best_of_equals(
    measure: Measure,
    rows: Rows,
    worth_of: Floats,
    judged: Callable[[PlacedScrew], Candidate | None],
    first: Criterion,
) -> list[Candidate]:
    """The best by the first criterion as measured, of rows that are nearly equal by the fields' numbers.

    What the fields tell differs from what is measured by more than near lines differ, so the best of the one
    is not the best of the other: a spread of them is measured, then what lies next to the best of these.
    """
    equal = np.flatnonzero(worth_of >= (1 - FIELD_ERROR_FRACTION) * worth_of.max())
    equal = equal[np.argsort(-worth_of[equal], kind="stable")]
    half = EQUALS_COUNT // 2
    spread = np.unique(np.linspace(min(half, len(equal) - 1), len(equal) - 1, half).astype(int))
    found: dict[int, Candidate | None] = {}

    def measure_all(chosen: Sequence[int]) -> None:
        for row in chosen:
            if row not in found:
                found[row] = judged(placed_screw(measure, rows, row))

    def value(row: int) -> float:
        one = found[row]
        told = None if one is None else one.criteria[first.key]
        return -np.inf if told is None else float(told)

    measure_all([int(row) for row in [*equal[:half], *equal[spread]]])
    for _ in range(CLOSER_ROUNDS_COUNT):
        best = max(found, key=value)
        if found[best] is None:
            break
        away = np.linalg.norm(rows.entry_mm[equal] - rows.entry_mm[best], axis=1)
        away += TURN_WORTH_MM * np.linalg.norm(rows.direction[equal] - rows.direction[best], axis=1)
        away += np.abs(measure.length_mm(rows)[equal] - measure.length_mm(rows)[best])
        next_to = [int(row) for row in equal[np.argsort(away, kind="stable")] if int(row) not in found]
        measure_all(next_to[:CLOSER_COUNT])
    return [one for one in found.values() if one is not None]


def placed_screw(measure: Measure, rows: Rows, row: int) -> PlacedScrew:
    """A row as a screw of a plan, its points to a micrometre."""
    screw = measure.table.screws[int(rows.screw[row])]
    return _placed(
        screw,
        float(measure.table.lengths_mm[int(rows.variant[row])]),
        rows.entry_mm[row],
        rows.direction[row],
        float(rows.seat_mm[row]),
        measure.lag,
    )


def measured(bone: ReadyBone, placed: PlacedScrew, kept: Plan | None, limits: Limits) -> ScrewResult | None:
    """What ``assess`` finds of a screw beside those kept; None where it breaks a limit or misses the bone."""
    try:
        result = _assess(bone, placed, kept, limits)
    except InputError:
        return None
    return None if any(finding.code in REFUSED for finding in result.findings) else result


def too_oblique(result: ScrewResult, oblique_degree: float) -> bool:
    """Whether a screw meets a fracture farther from square than that, by more than the points are rounded."""
    return any(one.angle_degree > oblique_degree + ANGLE_ROUNDING_DEGREE for one in result.fractures)


def criteria_of(measure: Measure, result: ScrewResult, limits: Limits) -> dict[str, float | int | None]:
    """The criteria of a measured screw: ``assess``'s numbers, and the axis's distance from the centre."""
    placed, hold = result.placed, result.pullout_n
    on_axis = [fragment for fragment in result.fragments if fragment.axis_path_mm > 0]
    beyond = on_axis if placed.screw.headless or len(on_axis) == 1 else on_axis[1:]
    of_hu = [fragment.mean_hu for fragment in beyond if fragment.mean_hu is not None]
    leading = result.leading_end.outer
    room_mm = result.bone_length_mm - result.tip_depth_mm
    meant_outside = not placed.screw.headless and room_mm < limits.tip_through_far_cortex_mm
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
        AS_PLACED.key: None,
    }


def nearest_misses(measure: Measure, tally: Tally, count: int) -> list[PlacedScrew]:
    """The candidates nearest to feasible by the fields' numbers, the nearest first."""
    if tally.misses is None:
        return []
    near = tally.misses.taken(tally.misses.order[:count])
    screws = [measure.table.screws[int(measure.table.screw_of[int(variant)])] for variant in near.variant]
    return [
        _placed(
            screw,
            float(measure.table.lengths_mm[int(near.variant[n])]),
            near.entry_mm[n],
            near.direction[n],
            float(near.seat_mm[n]),
            measure.lag,
        )
        for n, screw in enumerate(screws)
    ]


def nearest_to_feasible(
    bone: ReadyBone, measure: Measure, tally: Tally, kept: Plan | None, limits: Limits
) -> ScrewResult | None:
    """The candidate nearest to feasible, with the findings that say what it breaks."""
    for placed in nearest_misses(measure, tally, 1):
        try:
            return _assess(bone, placed, kept, limits)
        except InputError:
            return None
    return None


def _plain_worth(measure: Measure, rows: Rows, criterion: Criterion) -> Floats:
    if criterion.key == "governing_hold_n":
        return rows.hold_n
    if criterion.key == "ring_mean_hu":
        return rows.hu
    if criterion.key == "length_mm":
        return measure.length_mm(rows)
    return worth(measure, rows, criterion)


def _placed(
    screw: Screw, length_mm: float, entry_mm: Floats, direction: Floats, seat_mm: float, lag: bool
) -> PlacedScrew:
    tip_mm = seat_mm + solid_of(screw, length_mm).tip_mm
    technique: Technique = "position"
    if screw.head is not None and screw.head.shape == "locking":
        technique = "locking"
    elif lag and not screw.headless:
        technique = "lag"
    return PlacedScrew(
        "S1",
        screw,
        length_mm,
        entry_mm.round(3),
        (entry_mm + tip_mm * direction).round(3),
        technique,
        seat_mm,
    )


def _assess(bone: ReadyBone, placed: PlacedScrew, kept: Plan | None, limits: Limits) -> ScrewResult:
    stays = () if kept is None else kept.screws
    names = {screw.name for screw in stays}
    number = next(n for n in range(1, len(names) + 2) if f"S{n}" not in names)
    named = replace(placed, name=f"S{number}")
    plan = Plan((named, *stays), "as-scanned" if bone.as_scanned else "reduced")
    return assess_screws(bone, plan, limits=limits).screws[0]
