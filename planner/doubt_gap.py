"""Whether a screw of two pitches closes the fracture's gap, over the draws.

The fracture stays where it is and as wide as it was measured, but for the errors of its two faces: a surface
drawn farther out narrows the gap and brings the near fragment's end nearer to the leading thread. The hand
moves where the axis meets the fracture's plane, at what angle, and how deep the threads lie; from there the
turns are counted as for the planned screw. Not drawn: how the gap's width changes from place to place,
pitches that are off, and a reduction before the screw.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from planner.doubt_draws import Draws
from planner.doubt_kernels import ENTRY, FIRST_FRAGMENT, PER_FRAGMENT, Errors
from planner.doubt_numbers import Key, Values
from planner.engagement import left_around_mm
from planner.fracture_gaps import Gap, gaps_on_axis
from planner.path import Path
from planner.two_pitch import turns_both_count
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Bone, Floats

LEAST_COSINE_RATIO = 0.1
"""An axis is drawn no nearer along the fracture than this cosine. Our choice: 84°, where nothing closes."""

CLOSES, ALONG, ACROSS = "two_pitch.travel_mm", "two_pitch.gap_along_axis_mm", "two_pitch.gap_mm"
"""What is drawn, by its name in assessment.json."""


def gap_values(
    bone: Bone,
    path: Path,
    result: ScrewResult,
    found: Mapping[Key, Values],
    planned: Floats,
    rows: Floats,
    draws: Draws,
    fragments: Sequence[int],
    errors: Errors,
) -> dict[Key, Values]:
    """The gap that a two-pitch screw crosses and what it closes, over the draws; none for another screw.

    ``found`` are the other numbers, ``rows`` (n, …) and ``planned`` the moved screws' and the planned one's
    by ``fragments``, whose surfaces' ``errors`` are known by depth. NaN where the axis misses a fragment.
    """
    told = result.two_pitch
    crossed = [one.fragment for one in result.fragments if one.axis_path_mm > 0]
    if told is None or told.gap_along_axis_mm is None or told.gap_mm is None or len(crossed) < 2:
        return {}
    gap = gaps_on_axis(path, crossed, result.fractures)[0]
    near, far = (fragments.index(number) for number in gap.between)
    growth = [_grown_mm(errors, draws, which, gap.middle_mm) for which in (near, far)]
    cosine, planned_cosine = _cosines(result, gap, found, draws.count)
    across_mm = np.maximum(told.gap_mm - growth[0] - growth[1], 0.0)
    moved_mm = _fracture_moved_mm(bone, path, gap, planned, rows, draws)
    zones = {zone.thread.at: zone for zone in path.solid.zones}
    leading, trailing = zones["tip"], zones["trailing_end"]
    (back_mm, front_mm), deeper_mm = path.zone_depths_mm(leading), draws.placed.depth_mm
    rim_mm = leading.thread.major_mm / 2 * (_tangent(cosine) - _tangent(planned_cosine))
    turns = turns_both_count(
        trailing_front_mm=path.zone_depths_mm(trailing)[1] + deeper_mm,
        leading_back_mm=back_mm + deeper_mm,
        leading_front_mm=front_mm + deeper_mm,
        near_to_mm=left_around_mm(path, gap.between[0]) + moved_mm + rim_mm + growth[0] / cosine,
        far_from_mm=gap.to_mm + moved_mm - growth[1] / cosine,
        trailing_pitch_mm=trailing.thread.pitch_mm,
    )
    met = [rows[:, FIRST_FRAGMENT + PER_FRAGMENT * which] > 0 for which in (near, far)]
    unknown = np.where(met[0] & met[1], 0.0, np.nan)
    return {
        (ALONG, None): Values(told.gap_along_axis_mm, across_mm / cosine + unknown),
        (ACROSS, None): Values(told.gap_mm, across_mm + unknown),
        (CLOSES, None): Values(told.travel_mm, turns * told.travel_per_turn_mm + unknown),
    }


def gap_closes_fraction(found: Mapping[Key, Values]) -> float | None:
    """Share of draws in which the screw closes all of the gap; an unknown draw closes nothing, and None where
    no gap was drawn."""
    if (CLOSES, None) not in found:
        return None
    travel_mm, along_mm = (found[name, None].drawn for name in (CLOSES, ALONG))
    return float(((travel_mm > 0) & (travel_mm >= along_mm)).mean())


def _grown_mm(errors: Errors, draws: Draws, which: int, depth_mm: float) -> Floats:
    """(n,) how far out a fragment's surface is drawn at a depth."""
    knots = errors.first_mm + errors.knot_mm * np.arange(draws.surface.shape[1])
    sd_mm = float(np.interp(depth_mm, knots, errors.fragments_mm[which]))
    place = (depth_mm - errors.first_mm) / errors.knot_mm
    first = min(max(int(np.floor(place)), 0), draws.surface.shape[1] - 2)
    share = min(max(place - first, 0.0), 1.0)
    return np.asarray(sd_mm * (draws.surface[:, first] * (1 - share) + draws.surface[:, first + 1] * share))


def _cosines(result: ScrewResult, gap: Gap, found: Mapping[Key, Values], count: int) -> tuple[Floats, Floats]:
    """(n,) and (1,) cosine of the angle off square, as drawn and as planned; 1 where no fracture surface was
    measured."""
    planned = np.ones(1) if gap.crossing is None else np.cos(np.radians([gap.crossing.angle_degree]))
    angle = found.get(("lag.angle_degree", None))
    if angle is None or not result.fractures or gap.crossing is not result.fractures[0]:
        return np.full(count, max(float(planned[0]), LEAST_COSINE_RATIO)), planned
    return np.maximum(np.cos(np.radians(angle.drawn)), LEAST_COSINE_RATIO), planned


def _tangent(cosine: Floats) -> Floats:
    return np.asarray(np.sqrt(1 / cosine**2 - 1))


def _fracture_moved_mm(
    bone: Bone, path: Path, gap: Gap, planned: Floats, rows: Floats, draws: Draws
) -> Floats:
    """(n,) how much deeper below its own entry a moved axis meets the fracture's plane."""
    normal = path.direction
    if gap.crossing is not None:
        normal = next(one.normal for one in bone.fractures if one.between == gap.crossing.between)
    own = np.stack([path.u, path.v, path.direction]) @ normal
    own = own if own[2] > 0 else -own
    angle = np.linalg.norm(draws.placed.tilt_radian, axis=1)
    towards = draws.placed.tilt_radian / np.maximum(angle, 1e-12)[:, None]
    along = np.sin(angle) * (towards @ own[:2]) + np.cos(angle) * own[2]
    meets_mm = (gap.middle_mm * own[2] - draws.placed.shift_mm @ own[:2]) / np.maximum(
        along, LEAST_COSINE_RATIO
    )
    return np.asarray(meets_mm - rows[:, ENTRY] - (gap.middle_mm - planned[ENTRY]))
