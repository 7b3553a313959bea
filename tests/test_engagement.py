"""Thread engagement and the gliding hole against closed forms: the annulus on slanted faces, zones, run-outs.

The annulus's mean over a slanted plane is the axis's own crossing (its centre of area), so engagement in a
slab is the axis path clipped to the full thread wherever the whole ring passes both faces inside it. A rim of
radius r on a plane whose normal is at an angle a to the axis leaves it r·tan a later than the axis does.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from phantoms import CALIBRATION, as_ct, placed, points_of, rotation, slabs, step

from planner.assess import ReadyBone, assess_screws, ready
from planner.catalogue import built_in_screws
from planner.solid import solid_of
from planner.vocabulary import PlacedScrew, Plan, ScrewResult, Thread
from segmentation.recipe import segment
from segmentation.vocabulary import Floats

LEVEL_HU = 220.0
LOWER_MM, UPPER_MM, GAP_MM = 10.0, 14.0, 1.2
BOTTOM_MM = -(LOWER_MM + UPPER_MM + GAP_MM) / 2
PARTIAL, HEADLESS = "iso5835-hb-4.0-partial", "headless-two-pitch-3.0-3.9"


@cache
def broken(turn: int | None = None) -> ReadyBone:
    """Two slabs, 10 mm and 14 mm, 1.2 mm apart; the screw comes through the thinner one."""
    turned = None if turn is None else rotation(turn)
    ct = as_ct(*slabs(turn=turned, half_width_mm=16.0), noise_hu=0 if turn is None else 12)
    return ready(segment(ct, threshold_hu=LEVEL_HU, calibration=CALIBRATION))


@cache
def single(thickness_mm: float = 20.0) -> ReadyBone:
    ct = as_ct(*slabs(thicknesses_mm=(thickness_mm,), hu=(400.0,), half_width_mm=16.0))
    return ready(segment(ct, threshold_hu=LEVEL_HU, calibration=CALIBRATION))


def along(degree: float, around_degree: float = 30.0) -> Floats:
    """A direction so much oblique to z."""
    a, b = np.deg2rad(degree), np.deg2rad(around_degree)
    return np.array([np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)])


def screw_at(
    bottom_mm: float, degree: float, screw: str, length_mm: float, turn: int | None = None, **options: object
) -> PlacedScrew:
    """A screw entering the face at z = ``bottom_mm``, near the middle."""
    turned = np.eye(3) if turn is None else rotation(turn)
    entry = np.array([-3.0, -2.0, bottom_mm])
    return placed(turned @ entry, turned @ (entry + 10 * along(degree)), screw, length_mm, **options)


def result_of(bone: ReadyBone, screw: PlacedScrew) -> ScrewResult:
    return assess_screws(bone, Plan((screw,))).screws[0]


def engaged(result: ScrewResult) -> list[float]:
    return [fragment.thread_engagement_mm for fragment in result.fragments]


# One slab


@pytest.mark.parametrize("degree", [0.0, 10.0, 28.0])
@pytest.mark.parametrize("thickness_mm", [10.0, 20.0])
def test_the_annulus_on_slanted_faces_is_the_axis_path(degree: float, thickness_mm: float) -> None:
    """Full thread past both faces: from seat −4 to 6 mm beyond the exit."""
    path_mm = thickness_mm / np.cos(np.deg2rad(degree))
    screw = screw_at(-thickness_mm / 2, degree, "iso5835-ha-3.5", path_mm + 10, seat_depth_mm=-4.0)
    result = result_of(single(thickness_mm), screw)
    assert engaged(result) == pytest.approx([path_mm], abs=0.05)
    assert result.fragments[0].threads_engaged == pytest.approx(path_mm / 1.25, abs=0.05)


def test_run_out_and_tip_taper_do_not_engage() -> None:
    """One pitch under the head and one major diameter before the tip (FDA-2019-D-1652 §III.3)."""
    result = result_of(single(), screw_at(-10, 0, "iso5835-ha-3.5", 16))
    assert engaged(result) == pytest.approx([16 - 1.25 - 3.5], abs=1e-9)


def test_a_runout_and_taper_that_the_screw_names_are_taken() -> None:
    family = built_in_screws()["iso5835-ha-3.5"]
    own = replace(family, threads=(replace(family.threads[0], runout_mm=2.0),), tip_taper_mm=1.0)
    result = result_of(single(), replace(screw_at(-10, 0, "iso5835-ha-3.5", 16), screw=own))
    assert engaged(result) == pytest.approx([16 - 2 - 1], abs=1e-9)


def test_a_countersunk_screw_engages_deeper_and_one_standing_off_less() -> None:
    for seat_mm in (-6.0, -1.0, 0.0, 5.0):
        result = result_of(single(), screw_at(-10, 0, "iso5835-ha-3.5", 20, seat_depth_mm=seat_mm))
        low, high = max(0.0, seat_mm + 1.25), min(20.0, seat_mm + 16.5)
        assert engaged(result) == pytest.approx([high - low], abs=0.03)


def test_thread_is_counted_in_bone_only_where_bone_is() -> None:
    """A cortex of 3 mm with nothing behind it: the slab is the whole bone."""
    result = result_of(single(3.0), screw_at(-1.5, 0, "iso5835-ha-3.5", 20, seat_depth_mm=-3.0))
    assert engaged(result) == pytest.approx([3.0], abs=0.05)
    assert result.fragments[0].threads_engaged == pytest.approx(3 / 1.25, abs=0.04)


def test_beside_the_edge_the_share_of_the_ring_counts() -> None:
    """An axis in the side face has half of its ring in bone; off it, the annulus is cut by a chord.

    f = (A(R, d) − A(r, d)) / (π(R² − r²)), A the area of a disc beyond a chord at distance d: closed form.
    Lines parallel to an edge are in bone or not: 32 of them are off by 0.40 mm of 11.25 at most here (3.6 %).
    """
    for inside_mm in (0.0, 0.6, 1.4, 2.0):
        entry = np.array([16.0 - inside_mm, 1.0, -10.0])
        screw = placed(entry, entry + np.array([0, 0, 10.0]), "iso5835-ha-3.5", 16)
        if inside_mm == 0:
            screw = placed(entry - [1e-3, 0, 0], entry + np.array([-1e-3, 0, 10.0]), "iso5835-ha-3.5", 16)
        share = (_segment_mm2(1.75, inside_mm) - _segment_mm2(1.2, inside_mm)) / (np.pi * (1.75**2 - 1.2**2))
        assert engaged(result_of(single(), screw))[0] == pytest.approx(11.25 * share, abs=0.42)


def _segment_mm2(radius_mm: float, inside_mm: float) -> float:
    """Area of a disc on the inner side of a straight edge ``inside_mm`` from its centre."""
    if inside_mm >= radius_mm:
        return float(np.pi * radius_mm**2)
    angle = np.arccos(inside_mm / radius_mm)
    return float(radius_mm**2 * (np.pi - angle + np.sin(angle) * np.cos(angle)))


# Across a fracture


@pytest.mark.parametrize("turn", [None, 1, 4])
@pytest.mark.parametrize("degree", [0.0, 20.0, 28.0])
def test_a_full_thread_engages_each_fragment_over_its_axis_path(degree: float, turn: int | None) -> None:
    cosine = np.cos(np.deg2rad(degree))
    total_mm = (LOWER_MM + GAP_MM + UPPER_MM) / cosine
    screw = screw_at(BOTTOM_MM, degree, "iso5835-ha-3.5", total_mm + 9, turn, seat_depth_mm=-4.0)
    result = result_of(broken(turn), screw)
    assert engaged(result) == pytest.approx([LOWER_MM / cosine, UPPER_MM / cosine], abs=0.1)


@pytest.mark.parametrize("degree", [0.0, 15.0, 28.0])
@pytest.mark.parametrize("turn", [None, 1])
def test_a_gliding_hole_ends_where_the_whole_rim_has_left_the_near_fragment(
    degree: float, turn: int | None
) -> None:
    """Axis exit + (major / 2)·tan(angle); 16 lines miss the rim's farthest point by r·tan·(1 − cos 11°)."""
    cosine, tangent = np.cos(np.deg2rad(degree)), np.tan(np.deg2rad(degree))
    screw = screw_at(BOTTOM_MM, degree, "iso5835-ha-3.5", 27, turn, technique="lag")
    result = result_of(broken(turn), screw)
    assert result.gliding_hole_to_mm == pytest.approx(LOWER_MM / cosine + 1.75 * tangent, abs=0.08)
    assert result.threads_bridging_mm == 0
    near, far = engaged(result)
    assert near == 0
    # The far face begins a gap later; what the hole takes of it is little or nothing here.
    far_mm = 27 - 3.5 - (LOWER_MM + GAP_MM) / cosine
    assert far == pytest.approx(far_mm, abs=0.1)


def test_a_gliding_hole_past_an_oblique_fracture_takes_thread_of_the_far_fragment_too() -> None:
    """At 40° the hole ends 1.75·tan 40° past the axis's exit, wider than the gap of 1.2 / cos 40°: the ring's
    far side has begun to bite and is drilled away. Mean over the ring, by integration over its area."""
    angle = np.deg2rad(40)
    screw = screw_at(BOTTOM_MM, 40, "iso5835-ha-3.5", 30, technique="lag")
    result = result_of(broken(), screw)
    hole_mm = LOWER_MM / np.cos(angle) + 1.75 * np.tan(angle)
    radius = np.sqrt(np.linspace(1.2**2, 1.75**2, 401))[:, None]
    around = np.linspace(0, 2 * np.pi, 361)[None, :-1]
    face = (LOWER_MM + GAP_MM) / np.cos(angle) + radius * np.cos(around) * np.tan(angle)
    true_mm = float((26.5 - np.maximum(face, hole_mm)).mean())
    assert result.gliding_hole_to_mm == pytest.approx(hole_mm, abs=0.1)
    assert engaged(result)[1] == pytest.approx(true_mm, abs=0.1)


def test_no_gliding_hole_without_a_lag_screw() -> None:
    for screw in ("iso5835-ha-3.5", HEADLESS):
        assert result_of(broken(), screw_at(BOTTOM_MM, 0, screw, 20)).gliding_hole_to_mm is None


@pytest.mark.parametrize(
    ("length_mm", "near_mm", "far_mm"), [(28.0, 0.0, 10.25), (22.0, 2.25, 6.8), (18.0, 6.25, 2.8)]
)
def test_a_partial_thread_engages_where_it_is(length_mm: float, near_mm: float, far_mm: float) -> None:
    """16 mm of thread 4.0: run-out 1.75, taper 4.0; full from length − 14.25 to length − 4."""
    result = result_of(broken(), screw_at(BOTTOM_MM, 0, PARTIAL, length_mm))
    assert engaged(result) == pytest.approx([near_mm, far_mm], abs=0.06)
    assert result.threads_bridging_mm == pytest.approx(near_mm, abs=0.06)


def test_a_headless_screw_is_counted_zone_by_zone() -> None:
    """Trailing thread 5 mm, full to 4, pitch 1.0; leading 8 mm, full from 1.25 to 6.5, pitch 1.25."""
    result = result_of(broken(), screw_at(BOTTOM_MM, 0, HEADLESS, 21, seat_depth_mm=2.0))
    assert engaged(result) == pytest.approx([4.0, 5.25], abs=1e-6)
    assert [f.threads_engaged for f in result.fragments] == pytest.approx([4.0, 5.25 / 1.25], abs=1e-6)
    assert result.threads_bridging_mm == 0


def test_a_headless_screw_with_both_threads_in_the_far_fragment_counts_both() -> None:
    result = result_of(broken(), screw_at(BOTTOM_MM, 0, HEADLESS, 14, seat_depth_mm=11.2 - 2.0))
    # Trailing thread from 9.2 to 13.2: 0.8 mm in the near, 2.0 mm in the far fragment.
    near, far = result.fragments
    assert near.thread_engagement_mm == pytest.approx(0.8, abs=0.05)
    assert far.thread_engagement_mm == pytest.approx(2.0 + 5.25, abs=0.05)
    assert far.threads_engaged == pytest.approx(2.0 / 1.0 + 5.25 / 1.25, abs=0.06)
    assert result.threads_bridging_mm == pytest.approx(0.8, abs=0.05)


def test_a_thread_of_two_zones_on_one_side_bridges_nothing() -> None:
    """A user's screw with a thread at each end, each wholly in its fragment."""
    family = built_in_screws()[HEADLESS]
    equal = replace(
        family, threads=(family.threads[0], Thread("trailing_end", 5.0, 3.0, 2.0, 1.25, "symmetrical"))
    )
    screw = replace(screw_at(BOTTOM_MM, 0, HEADLESS, 21, seat_depth_mm=2.0), screw=equal)
    assert result_of(broken(), screw).threads_bridging_mm == 0


def test_engagement_never_exceeds_the_full_thread() -> None:
    for name, family in built_in_screws().items():
        length_mm = min(stocked for stocked in family.stocked_lengths_mm if stocked >= 20)
        result = result_of(single(20.0), screw_at(-10, 12, name, length_mm, seat_depth_mm=1.0))
        assert sum(engaged(result)) <= solid_of(family, length_mm).full_thread_mm + 1e-9


def test_a_marrow_cavity_lets_the_ring_count_the_whole_envelope() -> None:
    """Bone is its outer envelope (design): marrow counts as engagement and shows in density alone."""
    grid, hu = slabs(thicknesses_mm=(20.0,), hu=(400.0,))
    own = points_of(grid)
    hollow = step(6 - np.abs(own).max(axis=-1), 0.6)
    bone = ready(segment(as_ct(grid, hu - 460 * hollow), threshold_hu=LEVEL_HU, calibration=CALIBRATION))
    result = result_of(bone, screw_at(-10, 0, "iso5835-ha-3.5", 30, seat_depth_mm=-3.0))
    assert engaged(result) == pytest.approx([20.0], abs=0.05)
    # 8 mm of 400 HU and 12 mm of −60 HU, less what the blur mixes evenly.
    assert result.fragments[0].mean_hu == pytest.approx((8 * 400 - 12 * 60) / 20, abs=6)
