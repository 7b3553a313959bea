"""Measuring at reduced poses. The truth is the closed form of flat slabs, and that moving a bone and its plan
together changes nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from finding_cases import FWHM_MM, down, slab_with_joint, two, two_bones
from phantoms import CALIBRATION, as_ct, rotation, slabs

from planner.assess import assess, assess_screws, ready
from planner.mesh import Stretches, bundle_along, mesh_of
from planner.posed import shared_mm3, shared_out
from planner.prepared import prepare
from planner.vocabulary import Plan, ScrewResult
from segmentation.errors import InputError
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, Surface


def lifted(bone: Bone, shifts_mm: dict[str, tuple[float, float, float]]) -> Bone:
    """``bone`` with fragments of these names shifted."""
    moved = []
    for fragment in bone.fragments:
        pose = np.eye(4)
        pose[:3, 3] = shifts_mm.get(fragment.name, (0, 0, 0))
        moved.append(replace(fragment, pose=pose))
    return replace(bone, fragments=tuple(moved))


def slabs_apart(gap_mm: float = 1.2, hu: tuple[float, float] = (400.0, 800.0)) -> Bone:
    """A slab of 10 mm from z = −12.6 for a gap of 1.2, and one of 14 mm above; fragments of one bone."""
    names = [((0.0, 0.0, z), name, "block") for z, name in ((5.0, "upper"), (-8.0, "lower"))]
    ct = as_ct(*slabs(gap_mm=gap_mm, hu=hu, fwhm_mm=FWHM_MM, voxel_mm=(0.5, 0.5, 0.5)))
    return segment(ct, threshold_hu=220.0, names=names, calibration=CALIBRATION)


def measured(bone: Bone, *, pose: str = "reduced", **options: object) -> ScrewResult:
    screw = replace(down(-12.6, 24.0, **options), name="S1")  # type: ignore[arg-type]
    return assess(bone, Plan((screw,), pose)).screws[0]  # type: ignore[arg-type]


def by_name(result: ScrewResult) -> dict[str, float]:
    return {one.fragment_name: one.axis_path_mm for one in result.fragments}


def test_a_closed_gap_is_gone_and_as_scanned_it_is_there():
    bone = lifted(two().prepared.bone, {})
    upper = max(bone.fragments, key=lambda one: one.volume_mm3).name
    bone = lifted(bone, {upper: (0, 0, -1.2)})
    closed, scanned = measured(bone), measured(bone, pose="as-scanned")
    # 10 and 14 mm by construction; 400 HU is cut at the half level, so lengths are exact to 0.05.
    assert closed.bone_length_mm == pytest.approx(24.0, abs=0.1)
    assert scanned.bone_length_mm == pytest.approx(25.2, abs=0.1)
    for result in (closed, scanned):
        assert sorted(by_name(result).values()) == pytest.approx([10.0, 14.0], abs=0.1)


def test_density_stays_with_its_fragment():
    bone = slabs_apart()
    far = lifted(bone, {"upper": (3.0, 2.0, 1.5), "lower": (0.0, 0.0, -2.0)})
    means = []
    for one in (bone, far):
        screw = replace(down(-14.6 if one is far else -12.6, 30.0), name="S1")
        result = assess(one, Plan((screw,))).screws[0]
        found = {part.fragment_name: part.mean_hu for part in result.fragments}
        means.append(found)
        deep = (result.profile.depth_mm > 4) & (result.profile.depth_mm < 6)
        assert result.profile.axis.hu[deep] == pytest.approx(400, abs=2)
    # The blurred ends are alike, so the means are the same but for where the cells lie.
    assert means[1] == pytest.approx(means[0], rel=0.02)
    assert means[0]["upper"] / means[0]["lower"] == pytest.approx(2, rel=0.05)


def test_moving_bone_and_plan_together_changes_nothing():
    bone = slabs_apart()
    plain = measured(bone)
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = rotation(3), (40.0, -7.0, 11.0)
    moved = replace(bone, fragments=tuple(replace(one, pose=pose) for one in bone.fragments))
    screw = replace(down(-12.6, 24.0), name="S1")
    carried = replace(
        screw,
        entry_mm=pose[:3, :3] @ screw.entry_mm + pose[:3, 3],
        target_mm=pose[:3, :3] @ screw.target_mm + pose[:3, 3],
    )
    there = assess(moved, Plan((carried,))).screws[0]
    assert there.bone_length_mm == pytest.approx(plain.bone_length_mm, abs=1e-6)
    # The ring's lines begin at another angle around the axis, no more.
    assert there.body.outer == pytest.approx(plain.body.outer, abs=0.02)
    for one, other in zip(plain.fragments, there.fragments, strict=True):
        assert other.thread_engagement_mm == pytest.approx(one.thread_engagement_mm, abs=0.01)
        assert other.mean_hu == pytest.approx(one.mean_hu, abs=1.0)
        assert other.pullout_n.estimate == pytest.approx(one.pullout_n.estimate, rel=0.005)
    assert {f.code for f in there.findings} == {f.code for f in plain.findings}


def test_a_sample_in_both_belongs_to_the_one_it_lies_deeper_in():
    bone = slabs_apart(hu=(400.0, 400.0))
    pressed = lifted(bone, {"upper": (0, 0, -3.2)})
    result = measured(pressed)
    # 2 mm shared: each keeps the half that is nearer its own side.
    assert by_name(result)["lower"] == pytest.approx(9.0, abs=0.1)
    assert by_name(result)["upper"] == pytest.approx(13.0, abs=0.1)
    assert result.bone_length_mm == pytest.approx(22.0, abs=0.1)
    assert sum(by_name(result).values()) == pytest.approx(result.bone_length_mm, abs=1e-6)
    (finding,) = [one for one in result.findings if one.code == "fragments-overlap"]
    # 28 × 28 × 2 mm by construction.
    assert finding.value == pytest.approx(1568, rel=0.03)


def test_the_shared_volume_of_two_boxes():
    def box(low, high):  # type: ignore[no-untyped-def]
        import trimesh

        mesh = trimesh.creation.box(bounds=[low, high])
        return mesh_of(Surface(mesh.vertices, mesh.faces))

    one, other = box((0, 0, 0), (10, 10, 10)), box((6, 5, 7.5), (20, 20, 20))
    assert shared_mm3(one, other) == pytest.approx(4 * 5 * 2.5, rel=0.03)
    assert shared_mm3(one, box((11, 0, 0), (12, 1, 1))) == 0
    bundle = bundle_along(np.array([8.0, 7.0, -5.0]), np.array([0.0, 0.0, 1.0]), np.zeros((1, 2)))
    zero = np.zeros(1, np.intp)
    cut = {
        1: Stretches(zero, np.array([5.0]), np.array([15.0])),
        2: Stretches(zero, np.array([12.5]), np.array([25.0])),
    }
    parted = shared_out(cut, {1: one, 2: other}, bundle)
    # At (8, 7, z): 10 − z from the top of the first; in the second min(z − 7.5, 2): they tie at 8.75.
    assert parted[1].to_mm == pytest.approx([13.75], abs=0.01)
    assert parted[2].from_mm == pytest.approx([13.75], abs=0.01)


def test_the_next_bone_is_met_where_a_reduction_puts_it():
    bone = two_bones().prepared.bone
    apart = lifted(bone, {"upper": (0, 0, 8.0)})
    screw = replace(down(-12.6, 12.0), name="S1")
    codes = {
        name: {finding.code for finding in assess(one, Plan((screw,))).screws[0].findings}
        for name, one in (("near", bone), ("apart", apart))
    }
    assert "tip-in-other-bone" in codes["near"]
    assert "tip-in-other-bone" not in codes["apart"]


def test_the_joint_goes_with_its_fragment():
    bone = slab_with_joint().prepared.bone
    pose = np.eye(4)
    pose[:3, 3] = (1.0, 2.0, 30.0)
    moved = replace(bone, fragments=(replace(bone.fragments[0], pose=pose),))
    joint = prepare(moved).joint
    assert joint is not None
    assert np.sort(joint.vertices_mm, axis=0) == pytest.approx(
        np.sort(bone.joint.vertices_mm + pose[:3, 3], axis=0)
    )
    assert prepare(moved, as_scanned=True).joint.vertices_mm == pytest.approx(bone.joint.vertices_mm)


def test_a_bone_made_ready_the_other_way_is_refused():
    bone = lifted(slabs_apart(), {"upper": (0, 0, -1.0)})
    screw = replace(down(-12.6, 24.0), name="S1")
    with pytest.raises(InputError, match="as-scanned"):
        assess_screws(ready(bone), Plan((screw,), "as-scanned"))
