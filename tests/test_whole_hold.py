"""The whole hold of a placed screw: ring, cortex and screw, against closed forms and a known cortex."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from finding_cases import down, slab, two_named
from phantoms import CALIBRATION, as_ct, grid_around, placed, points_of, step

from planner.assess import assess_screws, ready
from planner.assessment_file import assessment_document
from planner.catalogue import built_in_screws
from planner.cortex import CortexOnAxis
from planner.cortex_hold import HoldingCortex, cortex_factor, holding_cortex
from planner.density import sample_each
from planner.engagement import bites
from planner.path import RING_COUNT, trace
from planner.pullout import thread_shape_factor
from planner.shear_laws import shear_strength_mpa
from planner.shear_ring import ring_factor
from planner.vocabulary import PlacedScrew, Plan, ScrewResult
from segmentation.recipe import segment

SCREWS = built_in_screws()


def traced(screw: PlacedScrew):
    path = trace(slab().prepared, screw)
    sampled, _ = sample_each(slab().prepared, path, has_no_data=False)
    return path, sampled, bites(path, 1, None)


def in_slab(**changed) -> ScrewResult:
    screw = replace(down(-10, 18), **changed)
    return assess_screws(slab(), Plan((screw,))).screws[0]


def factors_of(result: ScrewResult) -> dict:
    return {factor.name: factor for factor in result.pull_out.factors}


def test_the_ring_to_half_a_millimetre_beyond_by_hand():
    """Ring 1.2 to 1.75 mm at 400 mg, fringe to 2.25 mm at 100 mg: strengths weighted by the two areas."""
    path, sampled, of = traced(down(-10, 18))
    ring_hu, fringe_hu = 400 / 0.77, 100 / 0.77
    made = replace(
        sampled, ring=np.full_like(sampled.ring, ring_hu), fringe=np.full_like(sampled.fringe, fringe_hu)
    )
    dense, soft = shear_strength_mpa([400.0, 100.0], "bone")
    ring, fringe = 1.75**2 - 1.2**2, 2.25**2 - 1.75**2
    expected = (ring * dense + fringe * soft) / (ring + fringe) / dense
    told = ring_factor(path, made, of, CALIBRATION, "bone")
    assert told.factor == pytest.approx(expected, rel=2e-3)
    assert told.low < told.factor < told.high == 1.0
    unknown = replace(sampled, fringe=np.full_like(sampled.fringe, np.nan))
    assert ring_factor(path, unknown, of, CALIBRATION, "bone").factor is None


def test_the_ring_in_bone_that_hardly_holds_or_not_at_all():
    """30 mg/cm³ about the thread and 10 beyond: the same areas; the far end is the ratio squared (our choice:
    1 mm beyond). Where nothing holds, 1."""
    path, sampled, of = traced(down(-10, 18))
    ring, fringe = 1.75**2 - 1.2**2, 2.25**2 - 1.75**2
    some, less = shear_strength_mpa([30.0, 10.0], "bone")
    expected = (ring * some + fringe * less) / (ring + fringe) / some
    for ring_mg, fringe_mg, factor in ((30, 10, expected), (0, 0, 1.0)):
        made = replace(
            sampled,
            ring=np.full_like(sampled.ring, ring_mg / 0.77),
            fringe=np.full_like(sampled.fringe, fringe_mg / 0.77),
        )
        told = ring_factor(path, made, of, CALIBRATION, "bone")
        assert (told.factor, told.low, told.high) == pytest.approx((factor, factor**2, 1.0), rel=5e-3)


def test_in_a_uniform_host_the_ring_changes_nothing():
    path, sampled, of = traced(down(-10, 18))
    made = replace(sampled, ring=np.full_like(sampled.ring, 300), fringe=np.full_like(sampled.fringe, 300))
    assert ring_factor(path, made, of, CALIBRATION, "bone").factor == pytest.approx(1, abs=1e-9)


def test_a_cortex_by_itself_by_hand():
    """2 mm of 60 MPa at the far side of a uniform slab, all of it threaded: the rest holds as before, but for
    nothing beneath it that reads denser."""
    path, sampled, of = traced(down(-10, 24))
    made = replace(sampled, ring=np.full_like(sampled.ring, 200 / 0.77))
    far = holding_cortex(CortexOnAxis(2.0, 0.0, 0.0, None, 1200 / 0.77, 1.0), 200.0, CALIBRATION)
    assert (far.length_mm, far.shear_mpa) == (2.0, pytest.approx(60.0))
    told = cortex_factor(path, made, of, CALIBRATION, 1, {"far": far})
    engaged = of[0].engagement_mm
    soft = float(shear_strength_mpa(200.0, "bone"))
    assert told.factor == pytest.approx((60 * 2 + soft * (engaged - 2)) / (soft * engaged), rel=1e-3)
    low = (51.6 * 2 + soft * (engaged - 2)) / (soft * engaged)
    assert told.low == pytest.approx(low, rel=1e-3)
    assert cortex_factor(path, made, of, CALIBRATION, 1, {}).factor == 1.0
    assert cortex_factor(path, made, of, CALIBRATION, 1, {"far": None}).factor is None


def test_a_near_cortex_counts_where_full_thread_is_in_it():
    """2 mm from the entry on, of which the run-out of one pitch, 1.25 mm, holds nothing; both ends together
    add up."""
    path, sampled, of = traced(down(-10, 24))
    made = replace(sampled, ring=np.full_like(sampled.ring, 200 / 0.77))
    cortex = HoldingCortex(2.0, 60.0)
    engaged, soft = of[0].engagement_mm, float(shear_strength_mpa(200.0, "bone"))
    for ends, cortex_mm in ((("near",), 0.75), (("near", "far"), 2.75)):
        told = cortex_factor(path, made, of, CALIBRATION, 1, dict.fromkeys(ends, cortex))
        for factor, dense in ((told.factor, 60.0), (told.low, 51.6), (told.high, 79.0)):
            by_hand = 1 + cortex_mm * (dense / soft - 1) / engaged
            assert factor == pytest.approx(by_hand, rel=5e-3), ends


@pytest.mark.parametrize("end", ["near", "far"])
def test_what_reads_too_dense_beneath_a_cortex_is_taken_as_what_lies_deeper(end: str):
    """The scan reads 400 mg/cm³ in the outer 3.5 mm and 100 beyond; 3 mm are cortex of 60 MPa. The half
    millimetre beneath holds as 100 does; denser bone beneath thin cortex stays as it was read."""
    path, sampled, of = traced(down(-10, 24))
    all_mm, (low, high) = path.ring[1][0].to_mm.max(), path.zone_depths_mm(path.solid.zones[0])
    deep = all_mm - path.depth_mm if end == "far" else path.depth_mm
    lengths = of[0].stretches.lengths_in_cells_mm(RING_COUNT, path.edges_mm).sum(axis=0) / RING_COUNT
    engaged, outer_mm = lengths.sum(), lengths[deep < 3.5].sum()
    cortex_mm = 3 - (low if end == "near" else max(0.0, all_mm - high))
    dense, soft = (float(shear_strength_mpa(one, "bone")) for one in (400.0, 100.0))
    for outer_mg, inner_mg, plain, beneath in (
        (400, 100, dense * outer_mm + soft * (engaged - outer_mm), soft * (engaged - cortex_mm)),
        (
            100,
            400,
            soft * outer_mm + dense * (engaged - outer_mm),
            soft * (outer_mm - cortex_mm) + dense * (engaged - outer_mm),
        ),
    ):
        hu = np.where(deep < 3.5, outer_mg / 0.77, inner_mg / 0.77)
        made = replace(sampled, ring=np.broadcast_to(hu, sampled.ring.shape))
        told = cortex_factor(path, made, of, CALIBRATION, 1, {end: HoldingCortex(3.0, 60.0)})
        assert told.factor == pytest.approx((60 * cortex_mm + beneath) / plain, rel=5e-3)


@pytest.mark.parametrize("end", ["near", "far"])
def test_beneath_a_cortex_the_cell_one_millimetre_deeper_decides(end: str):
    """A cortex of 3.03 mm; 400 mg/cm³ as far as the cell 4.03 mm deep, with it or without it."""
    path, sampled, of = traced(down(-10, 24))
    far_mm, (low, high) = path.ring[1][0].to_mm.max(), path.zone_depths_mm(path.solid.zones[0])
    cell = int(np.searchsorted(path.edges_mm, 4.03 if end == "near" else far_mm - 4.03, side="right")) - 1
    lengths = of[0].stretches.lengths_in_cells_mm(RING_COUNT, path.edges_mm).sum(axis=0) / RING_COUNT
    cortex_mm = 3.03 - (low if end == "near" else max(0.0, far_mm - high))
    inwards = np.arange(len(lengths)) - cell if end == "near" else cell - np.arange(len(lengths))
    dense, soft = (float(shear_strength_mpa(one, "bone")) for one in (400.0, 100.0))
    for outer in (inwards <= 0, inwards < 0):
        hu = np.where(outer, 400 / 0.77, 100 / 0.77)
        made = replace(sampled, ring=np.broadcast_to(hu, sampled.ring.shape))
        told = cortex_factor(path, made, of, CALIBRATION, 1, {end: HoldingCortex(3.03, 60.0)})
        outer_mm, engaged = lengths[outer].sum(), lengths.sum()
        plain = dense * outer_mm + soft * (engaged - outer_mm)
        # As it was read, or 1 mm of it as soft as what lies there.
        read_mm = outer_mm - cortex_mm if outer[cell] else 0.0
        beneath = dense * read_mm + soft * (engaged - cortex_mm - read_mm)
        assert told.factor == pytest.approx((60 * cortex_mm + beneath) / plain, rel=5e-3)


def test_where_nothing_holds_a_cortex_changes_nothing():
    path, sampled, of = traced(down(-10, 24))
    made = replace(sampled, ring=np.full_like(sampled.ring, -100.0))
    for ends in ({}, {"far": HoldingCortex(2.0, 60.0)}):
        told = cortex_factor(path, made, of, CALIBRATION, 1, ends)
        assert (told.factor, told.low, told.high) == (1.0, 1.0, 1.0)


def test_a_thin_cortex_holds_by_its_mass():
    """50 mg/cm² over 1200 − 100 mg/cm³ is 0.4545 mm of full mineral; at 60° on the axis twice that."""
    thin = CortexOnAxis(0.9, 650.0, 50.0, "not measured", None, 2.0)
    told = holding_cortex(thin, 200.0, CALIBRATION)
    assert (told.length_mm, told.shear_mpa) == (pytest.approx(2 * 0.4545, rel=1e-3), 60.0)
    assert holding_cortex(None, 200.0, CALIBRATION) is None


def shell(cortex_mm: float):
    """A block of 16 mm with a cortex of 1200 mg HA/cm³ about cancellous bone of 150, blurred by 0.8 mm."""
    fwhm_mm, half = 0.8, 8.0
    grid = grid_around((half + 3,) * 3, (0.5, 0.5, 0.5))
    points = np.abs(points_of(grid))

    def box(reach_mm: float):
        return np.prod([step(reach_mm - points[..., axis], fwhm_mm) for axis in range(3)], axis=0)

    soft, dense, inside = 40.0, 1200 / 0.77, 150 / 0.77
    hu = soft + (dense - soft) * box(half) + (inside - dense) * box(half - cortex_mm)
    return segment(as_ct(grid, hu, noise_hu=10.0), threshold_hu=500.0, calibration=CALIBRATION, refine=True)


def test_the_cortex_by_itself_brings_the_force_nearer_its_truth():
    """HA 3.5 through 1.2 mm of cortex: exact layers against the scan's grey values, with the cortex and
    without it."""
    entry = np.array([0.3, 0.2, -8.0])
    screw = placed(entry, entry + np.array([0, 0, 1.0]), length_mm=22.0)
    bone = ready(shell(1.2))
    result = assess_screws(bone, Plan((screw,))).screws[0]
    low, high = trace(bone.prepared, screw).zone_depths_mm(trace(bone.prepared, screw).solid.zones[0])
    cortex_mm = max(0.0, 1.2 - low) + 1.2
    soft_mm = min(high, 16.0) - low - cortex_mm
    per_shear = math.pi * 3.5 * thread_shape_factor(major_mm=3.5, core_mm=2.4, pitch_mm=1.25)
    truth = per_shear * (60 * cortex_mm + float(shear_strength_mpa(150.0, "bone")) * soft_mm)
    bare = result.pullout_n.estimate
    by_itself = bare * factors_of(result)["cortex by itself"].factor
    assert abs(by_itself - truth) < abs(bare - truth)
    assert by_itself == pytest.approx(truth, rel=0.06)
    document = assessment_document(assess_screws(bone, Plan((screw,))))["screws"][0]
    assert document["pull_out"]["factors"][1]["name"] == "cortex by itself"
    assert document["pull_out"]["limited_by"] == "host"


def test_pull_out_is_the_bare_force_times_its_factors():
    result = in_slab()
    product = math.prod(factor.factor for factor in result.pull_out.factors if factor.factor is not None)
    assert result.pull_out.host_n.estimate == pytest.approx(result.pullout_n.estimate * product)
    assert result.pull_out.force_n == result.pull_out.host_n
    names = [factor.name for factor in result.pull_out.factors]
    assert names == [
        "ring to 0.5 mm beyond",
        "cortex by itself",
        *("pilot hole", "tapping", "taper", "profile", "angle", "head"),
    ]


def test_an_overdrilled_screw_holds_less():
    """The same screw with a pilot hole of 3.2 mm instead of 2.5 mm."""
    screw = SCREWS["iso5835-ha-3.5"]
    matched, over = (in_slab(screw=replace(screw, pilot_mm=pilot)).pull_out for pilot in (2.5, 3.2))
    assert over.force_n.estimate < matched.force_n.estimate


def test_a_cannula_does_not_change_what_bone_holds():
    """Solid and cannulated screws of the same thread: no difference (Clin Orthop 1997;341:241)."""
    screw = SCREWS["iso5835-ha-3.5"]
    solid, hollow = (in_slab(screw=replace(screw, cannula_mm=one)).pull_out for one in (0.0, 1.2))
    assert hollow.host_n == solid.host_n
    assert hollow.screw_n.estimate < solid.screw_n.estimate


def test_the_lower_of_host_and_screw_is_told():
    """A thread whose core is drawn out to 0.6 mm tears at a few hundred N."""
    thread = replace(SCREWS["iso5835-ha-3.5"].threads[0], core_mm=0.6)
    told = in_slab(screw=replace(SCREWS["iso5835-ha-3.5"], threads=(thread,))).pull_out
    assert told.limited_by == "screw"
    assert told.force_n.estimate == told.screw_n.estimate < told.host_n.estimate


def test_foam_is_told_as_moulded():
    bone = slab().prepared.bone
    foam = ready(replace(bone, host="foam"))
    result = assess_screws(foam, Plan((down(-10, 18),))).screws[0]
    assert factors_of(result)["foam as moulded"].factor == pytest.approx(0.925)
    assert "cortex by itself" not in factors_of(result)


def test_without_a_pullout_there_is_no_pull_out_and_a_reason():
    bone = ready(replace(slab().prepared.bone, calibration=None))
    result = assess_screws(bone, Plan((down(-10, 18),))).screws[0]
    assert result.pull_out is None
    assert result.reasons["pull_out"] == result.reasons["pullout_n"]


def test_a_locked_screw_tells_its_angular_stability_and_another_why_not():
    told = in_slab(technique="locking", screw=SCREWS["locking-3.5"], seat_depth_mm=-1.0)
    assert told.angular_stability.stiffness_ratio > 2
    assert "angular_stability" not in told.reasons
    other = in_slab()
    assert other.angular_stability is None
    assert "locked" in other.reasons["angular_stability"]


def test_the_far_fragment_counts_its_own_cortex_only():
    """Through both slabs: the lower one governs, and no cortex was measured at a plain level."""
    screw = replace(down(-13, 24), entry_mm=np.array([0.5, -0.3, -13.0]))
    result = assess_screws(two_named(), Plan((screw,))).screws[0]
    assert result.governed_by == 1
    told = factors_of(result)["cortex by itself"]
    assert told.factor is None
    assert "no cortex was measured" in told.says
