"""The numbers of moved screws, each about the exact number of the planned one, under the assessment's names.

What the fields around a screw miss is taken off: a length or distance is the planned screw's exact one plus
the difference between moved and planned in the fields, a force its exact one times their ratio. Upon a force
come the errors of law, geometry and friction as factors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.compression import all_thread_n, hold_n
from planner.doubt_draws import Draws
from planner.doubt_kernels import (
    AFTER,
    BODY,
    ENTRY,
    FIRST_FRAGMENT,
    LEADING,
    LENGTH,
    PER_FRAGMENT,
    TRAILING,
)
from planner.interval import Interval
from planner.path import Path
from planner.pullout import PERCENTILE_95_COUNT
from planner.tip_apex import FRONTAL, LATERAL
from planner.torque import ADVISED_OF_STRIPPING_FRACTION, FRICTION, INSERTION, torque_per_force_mm
from planner.vocabulary import FragmentResult, HoldFactor, ScrewResult
from segmentation.vocabulary import Bone, Calibration, Floats

LEAST_FRICTION_RATIO = 0.05
"""Friction is drawn no lower. Our choice: metal on wet bone never slides so freely."""

Key = tuple[str, int | None]
"""A number's name in assessment.json, and its fragment where it is of one."""


@dataclass(frozen=True, eq=False)
class Values:
    """A number's exact ``estimate`` for the planned screw, and its n ``drawn`` values; NaN unknown."""

    estimate: float
    drawn: Floats


def numbers_of(
    bone: Bone,
    path: Path,
    result: ScrewResult,
    fragments: Sequence[int],
    planned: Floats,
    rows: Floats,
    draws: Draws,
) -> dict[Key, Values]:
    """Every number of ``result`` over the draws; ``planned`` is the row of the screw that nothing moved."""

    def about(estimate: float, column: int, *, least: float = -np.inf) -> Values:
        return Values(estimate, np.maximum(estimate + rows[:, column] - planned[column], least))

    found: dict[Key, Values] = {}
    if "bone_length_mm" not in result.reasons:
        found["bone_length_mm", None] = about(result.bone_length_mm, LENGTH)
        after_mm = result.tip_depth_mm - result.bone_length_mm
        found["tip_beyond_exit_mm", None] = about(after_mm, AFTER)
    for name, part, column in (
        ("leading_end", result.leading_end, LEADING),
        ("trailing_end", result.trailing_end, TRAILING),
        ("body", result.body, BODY),
    ):
        for surface, distance_mm, more in (("outer", part.outer, 0), ("joint", part.joint, 1)):
            if distance_mm is not None and np.isfinite(planned[column + more]):
                found[f"clearance_mm.{name}.{surface}", None] = about(distance_mm, column + more)
    forces: dict[int, Floats] = {}
    for fragment in result.fragments:
        number = fragment.fragment
        at = FIRST_FRAGMENT + PER_FRAGMENT * fragments.index(number)
        found["axis_path_mm", number] = about(fragment.axis_path_mm, at, least=0.0)
        found["thread_engagement_mm", number] = about(fragment.thread_engagement_mm, at + 1, least=0.0)
        found["threads_engaged", number] = about(fragment.threads_engaged, at + 2, least=0.0)
        if fragment.mean_hu is not None and np.isfinite(planned[at + 3]):
            found["mean_hu", number] = about(fragment.mean_hu, at + 3)
            if fragment.mean_density_mg_cm3 is not None and bone.calibration is not None:
                slope, intercept = _line(bone.calibration, draws)
                hu = found["mean_hu", number].drawn
                found["mean_density_mg_cm3", number] = Values(
                    fragment.mean_density_mg_cm3, slope * hu + intercept
                )
        if (force := _force_n(fragment, planned[at + 4], rows[:, at + 4], draws)) is not None:
            forces[number] = force
            found["fragments.pullout_n", number] = Values(fragment.pullout_n.estimate, force)  # type: ignore[union-attr]
    found.update(_holds(path, result, forces, draws))
    found.update(_directed(bone, path, result, rows, draws))
    return found


def line_of(bone: Bone, draws: Draws) -> Floats:
    """(n, 2) slope and intercept of each draw's calibration; NaN where there is none."""
    if bone.calibration is None:
        return np.full((draws.count, 2), np.nan)
    return np.column_stack(_line(bone.calibration, draws))


def _line(line: Calibration, draws: Draws) -> tuple[Floats, Floats]:
    whole = 1 + line.standard_error_fraction * draws.line[:, 2]
    slope = line.slope_mg_cm3_per_hu + line.slope_standard_error_mg_cm3_per_hu * draws.line[:, 0]
    intercept = line.intercept_mg_cm3 + line.intercept_standard_error_mg_cm3 * draws.line[:, 1]
    return slope * whole, intercept * whole


def _force_n(fragment: FragmentResult, planned_n: float, rows_n: Floats, draws: Draws) -> Floats | None:
    """A fragment's pull-out over the draws; None where it is not known or nothing bites."""
    errors, force = fragment.pullout_errors, fragment.pullout_n
    if errors is None or force is None or not planned_n > 0:
        return None
    law = (
        errors.shear_law_fraction * draws.law[:, 0]
        + errors.ash_fraction * draws.law[:, 1]
        + errors.form_fraction * draws.law[:, 2]
    )
    spread = np.exp(law + errors.diameters_fraction * draws.diameters)
    return np.asarray(force.estimate * rows_n / planned_n * spread)


def _holds(path: Path, result: ScrewResult, forces: dict[int, Floats], draws: Draws) -> dict[Key, Values]:
    """The governing pull-out, that with its factors, and the torques that follow."""
    found: dict[Key, Values] = {}
    if result.pullout_n is None:
        return found
    governing = _governing(path, result, forces)
    if not governing:
        return found
    weakest = np.min([forces[number] for number in governing], axis=0)
    found["pullout_n", None] = Values(result.pullout_n.estimate, weakest)
    whole = result.pull_out
    if whole is not None:
        host = weakest * whole.host_n.estimate / max(result.pullout_n.estimate, 1e-9)
        host = host * _factors(whole.factors, draws)
        force = host if whole.screw_n is None else np.minimum(host, _spread(whole.screw_n, draws.tears))
        found["pull_out.force_n", None] = Values(whole.force_n.estimate, force)
    torque, held, all_held = result.torque, hold_n(path, result), all_thread_n(result)
    if torque is None or torque.stripping_n_m is None or held is None:
        return found
    engaged = [f.fragment for f in result.fragments if f.thread_engagement_mm > 0]
    if not set(engaged) <= set(forces):
        return found
    together = np.sum([forces[number] for number in engaged], axis=0)
    hold = weakest if path.placed.screw.headless else together
    deviation = (FRICTION.high - FRICTION.low) / 2 / PERCENTILE_95_COUNT
    friction = np.maximum(FRICTION.estimate + deviation * draws.friction[:, 0], LEAST_FRICTION_RATIO)
    # The lever is linear in friction: two values give all.
    at_0, at_1 = (torque_per_force_mm(path.placed.screw, one) for one in (0.0, 1.0))
    lever_m = (at_0 + (at_1 - at_0) * friction) / 1000
    found["torque.stripping_n_m", None] = Values(torque.stripping_n_m.estimate, hold * lever_m)
    if torque.advised_at_most_n_m is not None and torque.compression_at_advised_n is not None:
        pressed = np.minimum(torque.advised_at_most_n_m / lever_m, ADVISED_OF_STRIPPING_FRACTION * hold)
        estimate_n = torque.compression_at_advised_n.estimate
        found["torque.compression_at_advised_n", None] = Values(estimate_n, pressed)
    if torque.insertion_n_m is not None and all_held is not None:
        per_hold = torque.insertion_n_m.estimate / all_held.estimate
        rubbed = _spread(INSERTION, draws.friction[:, 1]) / INSERTION.estimate
        driven = Values(torque.insertion_n_m.estimate, together * per_hold * rubbed)
        found["torque.insertion_n_m", None] = driven
    return found


def _governing(path: Path, result: ScrewResult, forces: dict[int, Floats]) -> list[int]:
    """The fragments of which the weakest governs, as for the planned screw."""
    engaged = [f for f in result.fragments if f.axis_path_mm > 0 and f.thread_engagement_mm > 0]
    first = result.fragments[0].fragment
    beyond = [f for f in engaged if path.placed.screw.headless or f.fragment != first] or engaged
    return [f.fragment for f in beyond if f.fragment in forces]


def _factors(factors: Sequence[HoldFactor], draws: Draws) -> Floats:
    """Product of all factors that are modelled, over their middles."""
    product = np.ones(draws.count)
    for index, factor in enumerate(factors):
        if factor.factor and factor.low is not None and factor.high is not None:
            between = Interval(factor.factor, factor.low, factor.high)
            product *= _spread(between, draws.factors[:, index]) / factor.factor
    return product


def _spread(interval: Interval, normal: Floats) -> Floats:
    """Lognormal on either side of the estimate, its ends the 5th and 95th percentile."""
    down = np.log(interval.estimate / max(interval.low, 1e-6 * interval.estimate))
    up = np.log(interval.high / interval.estimate)
    return np.asarray(
        interval.estimate * np.exp(normal * np.where(normal > 0, up, down) / PERCENTILE_95_COUNT)
    )


def _directed(bone: Bone, path: Path, result: ScrewResult, rows: Floats, draws: Draws) -> dict[Key, Values]:
    """What follows from where the moved axis points and its tip lies: fracture angles, tip–apex distance."""
    angle = np.linalg.norm(draws.placed.tilt_radian, axis=1)
    towards = draws.placed.tilt_radian / np.maximum(angle, 1e-12)[:, None]
    across = np.sin(angle)[:, None] * towards @ np.stack([path.u, path.v])
    direction = across + np.cos(angle)[:, None] * path.direction
    found: dict[Key, Values] = {}
    if result.lag is not None and result.lag.angle_degree is not None and result.fractures:
        crossing = result.fractures[0]
        normal = next(f.normal for f in bone.fractures if f.between == crossing.between)
        beside = np.linalg.svd(normal[None])[2][1:]
        tilt = np.radians(crossing.angle_uncertainty_degree) / PERCENTILE_95_COUNT * draws.normal
        turned = normal + np.tan(tilt) @ beside
        turned /= np.linalg.norm(turned, axis=1, keepdims=True)
        cosine = np.abs(np.einsum("ij,ij->i", direction, turned))
        drawn = np.degrees(np.arccos(np.minimum(cosine, 1.0)))
        found["lag.angle_degree", None] = Values(crossing.angle_degree, drawn)
    if result.tip_apex is not None:
        start = path.entry_mm + draws.placed.shift_mm @ np.stack([path.u, path.v])
        depth_mm = rows[:, ENTRY] + path.tip_depth_mm + draws.placed.depth_mm
        away = np.asarray(result.tip_apex.apex_mm) - (start + depth_mm[:, None] * direction)
        seen = [away - (away @ np.asarray(v))[:, None] * np.asarray(v) for v in (FRONTAL, LATERAL)]
        drawn = sum(np.linalg.norm(one, axis=1) for one in seen)
        found["tip_apex.distance_mm", None] = Values(result.tip_apex.distance_mm, np.asarray(drawn))
    return found
