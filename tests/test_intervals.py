"""How sure lengths, engagement and clearances are: closed forms of flat slabs, and errors planted in them.

A face with deviation sd, crossed at an angle, moves a crossing by sd / cos; two faces move independently. So
a slab's length has the interval ± 1.645 · √2 · sd / cos (propagation of independent errors; mathematics).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from finding_cases import SMALL, down, slab, slab_with_joint, two_named
from phantoms import placed

from planner import surface_doubt
from planner.assess import ReadyBone, assess_screws, ready
from planner.assessment_file import assessment_document
from planner.vocabulary import Interval, PlacedScrew, Plan, ScrewResult
from segmentation import faithful
from segmentation.vocabulary import Cortex, Fragment

Z_90 = 1.6448536269514722
"""95th percentile of the normal distribution (mathematics)."""
PLAIN_MM = 0.4


def measured(bone: ReadyBone, screw: PlacedScrew) -> ScrewResult:
    return assess_screws(bone, Plan((screw,))).screws[0]


def half_width(interval: Interval | None) -> float:
    assert interval is not None
    assert interval.high - interval.estimate == pytest.approx(interval.estimate - interval.low, abs=1e-9)
    return (interval.high - interval.low) / 2


def tilted(degree: float, length_mm: float = 40.0) -> PlacedScrew:
    direction = np.array([np.sin(np.radians(degree)), 0.0, np.cos(np.radians(degree))])
    entry = np.array([0.0, 0.3, 0.0]) - direction * 10 / direction[2]
    return placed(entry, entry + 10 * direction, length_mm=length_mm)


def with_deviation(fragment: Fragment, bottom_mm: float, top_mm: float) -> Fragment:
    """The fragment as if refined, with one deviation below its middle and another above."""
    z = fragment.surface.vertices_mm[:, 2]
    sd = np.where(z < (z.min() + z.max()) / 2, bottom_mm, top_mm)
    none, known = np.full(len(z), np.nan), np.zeros(len(z), bool)
    return replace(fragment, cortex=Cortex(sd, none, none, known, none, none))


@cache
def refined_slab(bottom_mm: float, top_mm: float) -> ReadyBone:
    bone = slab().prepared.bone
    return ready(replace(bone, fragments=(with_deviation(bone.fragments[0], bottom_mm, top_mm),)))


def test_the_plain_deviation_is_the_segmentations() -> None:
    assert surface_doubt.PLAIN_SD_MM == faithful.PLAIN_SD_MM == PLAIN_MM


@pytest.mark.parametrize("degree", [0.0, 20.0, 40.0])
def test_a_slab_crossed_at_an_angle(degree: float) -> None:
    result = measured(slab(), tilted(degree))
    wanted = Z_90 * np.sqrt(2) * PLAIN_MM / np.cos(np.radians(degree))
    assert result.intervals.bone_length_mm is not None
    assert result.intervals.bone_length_mm.estimate == result.bone_length_mm
    assert half_width(result.intervals.bone_length_mm) == pytest.approx(wanted, rel=0.01)
    (fragment,) = result.fragments
    assert half_width(fragment.intervals.axis_path_mm) == pytest.approx(wanted, rel=0.01)
    # Thread from one pitch below the head to beyond the far face: both faces move how much of it bites.
    assert half_width(fragment.intervals.thread_engagement_mm) == pytest.approx(wanted, rel=0.02)


def test_each_end_counts_with_its_own_deviation() -> None:
    result = measured(refined_slab(0.05, 0.2), tilted(30.0))
    wanted = Z_90 * np.hypot(0.05, 0.2) / np.cos(np.radians(30))
    assert half_width(result.intervals.bone_length_mm) == pytest.approx(wanted, rel=0.01)


def test_a_refined_surface_is_never_surer_than_its_model() -> None:
    interval = measured(refined_slab(0.001, 0.001), tilted(0.0)).intervals.bone_length_mm
    assert half_width(interval) == pytest.approx(Z_90 * np.hypot(0.03, 0.03), rel=0.01)


def test_a_grazing_crossing_is_held_at_a_fifth() -> None:
    """80° to the normal: cos 0.17 is taken as 0.2; the axis leaves by the side, at 10° to its normal."""
    direction = np.array([np.sin(np.radians(80)), 0.0, np.cos(np.radians(80))])
    entry = np.array([-10.0, 0.3, -10.0])
    result = measured(slab(), placed(entry, entry + 10 * direction, length_mm=24.0))
    wanted = Z_90 * np.hypot(PLAIN_MM / 0.2, PLAIN_MM / np.cos(np.radians(10)))
    assert half_width(result.intervals.bone_length_mm) == pytest.approx(wanted, rel=0.02)


def test_thread_that_ends_within_the_bone_bites_as_long_as_it_is() -> None:
    """Screw and bone move together at the entry, and the far face is out of reach."""
    (fragment,) = measured(slab(), down(-10, 14)).fragments
    interval = fragment.intervals.thread_engagement_mm
    assert interval is not None
    assert (interval.low, interval.high) == pytest.approx((interval.estimate,) * 2, abs=1e-6)


def test_thread_that_just_misses_a_fragment_may_yet_reach_it() -> None:
    """Full thread ends at 18 − 3.5 mm; the far fragment begins at 11.2: 3.3 mm of it bite."""
    far = measured(two_named(), down(-12.6, 18)).fragments[1]
    wanted = Z_90 * np.hypot(PLAIN_MM, PLAIN_MM)  # entry and the far fragment's own near face
    assert half_width(far.intervals.thread_engagement_mm) == pytest.approx(wanted, rel=0.02)
    # 0.2 mm short of it: nothing bites, but it may, by what is left of the deviation.
    far = measured(two_named(), down(-12.6, 14.5)).fragments[1]
    assert far.thread_engagement_mm == 0
    interval = far.intervals.thread_engagement_mm
    assert interval is not None
    assert interval.low == 0
    assert interval.high == pytest.approx(np.sqrt(2) * (Z_90 * PLAIN_MM - 0.2), abs=0.1)


def test_a_fracture_face_is_never_as_sure_as_an_outer_surface() -> None:
    bone = two_named().prepared.bone
    sure = ready(replace(bone, fragments=tuple(with_deviation(one, 0.05, 0.05) for one in bone.fragments)))
    result = measured(sure, down(-12.6, 26))
    assert half_width(result.intervals.bone_length_mm) == pytest.approx(Z_90 * np.hypot(0.05, 0.05), rel=0.01)
    for fragment in result.fragments:
        wanted = Z_90 * np.hypot(0.05, surface_doubt.FRACTURE_FACE_SD_MM)
        assert half_width(fragment.intervals.axis_path_mm) == pytest.approx(wanted, rel=0.01)


def test_a_clearance_is_as_sure_as_the_nearest_place_and_the_entry() -> None:
    # Beside the side face the way to it is square to the axis: a wrong entry does not matter.
    body = measured(slab(), down(-10, 18, x_mm=10.0)).intervals.body.outer
    assert half_width(body) == pytest.approx(Z_90 * PLAIN_MM, rel=0.01)
    # Before the exit it lies along the axis.
    leading = measured(slab(), down(-10, 15, SMALL, seat_depth_mm=2.0)).intervals.leading_end.outer
    assert half_width(leading) == pytest.approx(Z_90 * np.sqrt(2) * PLAIN_MM, rel=0.02)
    # The trailing rim lies under the very surface its depth is counted from.
    trailing = measured(slab(), down(-10, 15, SMALL, seat_depth_mm=2.0)).intervals.trailing_end.outer
    assert half_width(trailing) == pytest.approx(Z_90 * PLAIN_MM, rel=0.01)
    joint = measured(slab_with_joint(), down(-10, 14)).intervals.leading_end.joint
    assert half_width(joint) == pytest.approx(Z_90 * np.sqrt(2) * PLAIN_MM, rel=0.02)


def test_the_gliding_hole_ends_as_surely_as_the_near_fragment() -> None:
    interval = measured(two_named(), down(-12.6, 26, technique="lag")).intervals.gliding_hole_to_mm
    assert half_width(interval) == pytest.approx(Z_90 * np.sqrt(2) * PLAIN_MM, rel=0.02)


def test_planted_errors_are_covered_nine_times_in_ten() -> None:
    """Faces are moved by draws of their stated deviation; the moved length must lie in the interval."""
    rng = np.random.default_rng(0)
    interval = measured(refined_slab(0.1, 0.3), tilted(30.0)).intervals.bone_length_mm
    assert interval is not None
    moved_mm = rng.normal(0, 0.1, 20_000) + rng.normal(0, 0.3, 20_000)
    true_mm = interval.estimate + moved_mm / np.cos(np.radians(30))
    share = np.mean((true_mm >= interval.low) & (true_mm <= interval.high))
    # Binomial spread of 20,000 draws is 0.2 %.
    assert share == pytest.approx(0.9, abs=0.01)


def test_every_null_interval_has_its_reason() -> None:
    for bone, screw in ((slab(), down(-10, 14)), (two_named(), down(-12.6, 14.5))):
        document = assessment_document(assess_screws(bone, Plan((screw,))))["screws"][0]
        nulls = set(_nulls(document["intervals"], "intervals")) | {
            key for key in ("near_cortex", "far_cortex") if document[key] is None
        }
        for part in document["fragments"]:
            nulls |= set(_nulls(part["intervals"], f"fragments.{part['fragment']}.intervals"))
        assert nulls
        assert nulls <= set(document["reasons"])


def _nulls(value: object, at: str) -> list[str]:
    if value is None:
        return [at]
    if isinstance(value, dict):
        return [found for key, inner in value.items() for found in _nulls(inner, f"{at}.{key}")]
    return []
