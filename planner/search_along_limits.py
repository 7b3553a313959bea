"""The best by hold often lie where limits meet, on an edge too narrow for steps in any way to lead along it.

So limits and hold are measured around a line, also a little beyond the limits, taken as linear, and the best
line that this allows is asked for (sequential linear programming). Only what keeps every limit counts.

Griffith and Stewart, Management Science, 1961: from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

from planner.search_line_kernels import L_BODY, L_JOINT, L_LEADING, L_SMALL, L_THREADS, L_THROUGH
from planner.search_lines import Approach, neighbours
from planner.search_measure import Measure, Rows, Tally, together
from segmentation.vocabulary import Floats

ROUNDS_COUNT = 20
"""Rounds at most."""

SAMPLES = np.concatenate(
    [np.zeros((1, 4)), np.eye(4), -np.eye(4), np.array(np.meshgrid(*[[-0.6, 0.6]] * 4)).reshape(4, -1).T[::2]]
)
"""Steps aside (two) and turns (two) at which hold and limits are measured, in shares of the step."""

BEYOND_MM, BEYOND_COUNT, BEYOND_DEGREE = 0.4, 1.0, 4.0
"""Limits are loosened by so much to see what lies beyond them: clearances, threads, the angle. Our choice."""

STEPS_FRACTION, INSIDE_MM = (1.0, 0.6, 0.3, 0.1), (0.0, 0.003, 0.02)
"""What the plan of a round allows is tried in full and in part, and so far inside the limits, as nothing is
quite linear."""

FINEST = 1 / 64
"""Where that finds nothing better the step is halved, from a quarter of the grid's spacing to this share."""


def along_limits(
    measure: Measure,
    best: Rows,
    tally: Tally,
    step_mm: float,
    turn_degree: float,
    approach: Approach | None,
) -> Rows:
    """What keeps every limit of the lines looked at from ``best`` along their limits, each with its screw, to
    where the rank is better."""
    loose = _loosened(measure)
    scale = np.full(len(best), 0.25)
    lots = [best.taken(slice(0, 0))]
    for _ in range(ROUNDS_COUNT):
        going = np.flatnonzero(scale >= FINEST)
        if not len(going):
            break
        near, size = best.taken(going), scale[going]

        def lines(steps: Floats, near: Rows = near, size: Floats = size) -> tuple[Floats, Floats]:
            return neighbours(
                near.entry_mm,
                near.direction,
                step_mm=size * step_mm,
                turn_degree=size * turn_degree,
                pivot_mm=near.bone_length_mm / 2,
                steps=steps,
            )

        looked = Tally()
        around, around_which = _measured(loose, *lines(SAMPLES), near.variant, looked, None)
        # Another seat would be a step that no slope tells of.
        same_seat = around.seat_mm == near.seat_mm[around_which]
        plans = np.zeros((len(near), len(STEPS_FRACTION) * len(INSIDE_MM), 4))
        for number in range(len(near)):
            beside = around.taken(same_seat & (around_which == number))
            steps = SAMPLES[beside.line % len(SAMPLES)]
            plans[number] = _planned(measure, near.taken([number]), beside, steps)
        found, of = _measured(measure, *lines(plans), near.variant, looked, approach)
        tally.add(looked)
        lots.append(found)
        moved = np.zeros(len(best), bool)
        picked = np.arange(len(best))
        for number, whose in enumerate(going):
            own = np.flatnonzero(of == number)
            if len(own) and found.rank[own].max() > near.rank[number] * (1 + 1e-6):
                moved[whose] = True
                picked[whose] = len(best) + own[np.argmax(found.rank[own])]
        best = together([best, found]).taken(picked)
        scale = np.where(moved, np.minimum(1.5 * scale, 0.5), scale / 2)
    return together(lots)


def _loosened(measure: Measure) -> Measure:
    """The loop with its limits loosened."""
    limits = measure.limits.copy()
    limits[[L_BODY, L_LEADING, L_JOINT]] -= BEYOND_MM
    limits[L_THROUGH] += BEYOND_MM
    limits[[L_THREADS, L_SMALL]] -= BEYOND_COUNT
    return replace(measure, limits=limits, oblique_degree=measure.oblique_degree + BEYOND_DEGREE)


def _measured(
    measure: Measure,
    origins: Floats,
    ways: Floats,
    variant: npt.NDArray[np.intp],
    tally: Tally,
    approach: Approach | None,
) -> tuple[Rows, npt.NDArray[np.intp]]:
    """What is feasible on lines (n · k), each n with its own screw, and which of n it is around."""
    each = len(origins) // len(variant)
    only = np.repeat(variant, each)
    rows = measure(origins, ways, tally, only=np.stack([only, only], axis=1), every=True)
    if approach is not None:
        rows = rows.taken(approach.holds(rows.direction))
    return rows, rows.line // each


def _planned(measure: Measure, at: Rows, around: Rows, steps: Floats) -> Floats:
    """(STEPS_FRACTION · INSIDE_MM, 4) steps that linear limits allow and that lead to the most from one line;
    zeros where too little is known around it."""
    fractions, inside = np.array(STEPS_FRACTION), np.array(INSIDE_MM)
    none = np.zeros((len(fractions) * len(inside), 4))
    if len(around) < 8:
        return none
    values, needs = _spare(measure, at, around)
    fit = np.linalg.lstsq(np.c_[np.ones(len(steps)), steps], np.c_[around.rank, values], rcond=None)[0]
    gain, spare, slopes = fit[1:, 0], fit[0, 1:], fit[1:, 1:]
    told = []
    for more in inside:
        plan = linprog(-gain / max(abs(gain).max(), 1e-12), -slopes.T, spare - more * needs, bounds=(-1, 1))
        told += [step_fraction * plan.x if plan.status == 0 else np.zeros(4) for step_fraction in fractions]
    return np.array(told)


def _spare(measure: Measure, at: Rows, rows: Rows) -> tuple[Floats, Floats]:
    """(n, limits) by how much each limit is kept, and (limits,) which are lengths: 1, else 0."""
    limits, table = measure.limits, measure.table
    headless = bool(table.headless[int(at.screw[0])])
    room = rows.bone_length_mm - rows.seat_mm - table.variant_mm[rows.variant, 0]
    through = -limits[L_THROUGH]
    columns = [
        (rows.body_mm - limits[L_BODY], 1.0),
        (room - (limits[L_LEADING] if headless else through), 1.0),
        (rows.threads_count - limits[L_THREADS], 0.0),
        (rows.room_count - limits[L_SMALL], 0.0),
    ]
    if np.isfinite(limits[L_JOINT]):
        columns.append((rows.joint_mm - limits[L_JOINT], 1.0))
    if headless or room.min() > limits[L_THROUGH]:
        columns.append((rows.leading_end_mm - (limits[L_LEADING] if headless else 0.0), 1.0))
    if not np.isnan(rows.angle_degree).any():
        columns.append((measure.oblique_degree - rows.angle_degree, 0.0))
    return np.stack([values for values, _ in columns], axis=1), np.array([of for _, of in columns])
