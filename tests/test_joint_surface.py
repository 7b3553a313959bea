"""Joints against a ball in a socket, whose caps have a closed form; what is no joint; and edits of a joint.

The bars (area within 8 %, border within 1 mm at the 95th percentile) are the project's own.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from fracture_phantoms import A, BallInSocket, C, ball_in_socket
from phantoms import CALIBRATION, as_ct, placed, slabs

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.case import read_case, write_case
from segmentation.edits import JointBrush
from segmentation.errors import InputError
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, Surface

LEVEL_HU = 620.0
"""Half-way between soft tissue and cortex: the unbiased place of its edge."""


@cache
def hip(gap_mm: float, half_angle_degree: float, scan: str) -> tuple[BallInSocket, Bone]:
    phantom = ball_in_socket(
        gap_mm=gap_mm, half_angle_degree=half_angle_degree, seed=int(2 * gap_mm), **{"A": A, "C": C}[scan]
    )
    return phantom, segmented(phantom)


def segmented(phantom: BallInSocket, **options: object) -> Bone:
    cup = (phantom.ball_mm + phantom.gap_mm + 2.5) * phantom.axis
    names = [(tuple(phantom.centre_mm), "head", "femur"), (tuple(cup), "cup", "pelvis")]
    return segment(
        phantom.ct,
        threshold_hu=LEVEL_HU,
        labels=phantom.labels,
        names=names,
        calibration=CALIBRATION,
        **options,  # type: ignore[arg-type]
    )


def border_mm(surface: Surface) -> np.ndarray:
    """(n, 3) vertices on edges that only one triangle has."""
    faces = surface.faces
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    once, count = np.unique(edges, axis=0, return_counts=True)
    return surface.vertices_mm[np.unique(once[count == 1])]


@pytest.mark.parametrize(
    ("gap_mm", "half_angle_degree", "scan"),
    [
        (1.0, 60.0, "A"),
        (2.5, 60.0, "A"),
        (4.0, 60.0, "A"),
        (1.0, 40.0, "A"),
        (4.0, 40.0, "A"),
        (1.0, 40.0, "C"),
        (4.0, 60.0, "C"),
    ],
)
@pytest.mark.parametrize("bone_name", ["femur", "pelvis"])
def test_a_ball_and_its_socket_are_found(
    gap_mm: float, half_angle_degree: float, scan: str, bone_name: str
) -> None:
    phantom, bone = hip(gap_mm, half_angle_degree, scan)
    assert [joint.name for joint in bone.joints] == ["femur / pelvis", "pelvis / femur"]
    radius_mm = phantom.ball_mm + (0 if bone_name == "femur" else gap_mm)
    joint = next(joint for joint in bone.joints if joint.bone == bone_name)
    assert joint.area_mm2 == pytest.approx(phantom.cap_mm2(radius_mm), rel=0.08)
    surface = bone.joint_of(bone_name)
    border = border_mm(surface)
    angle = np.arccos(border @ phantom.axis / np.linalg.norm(border, axis=1))
    off_mm = np.abs(angle - np.radians(half_angle_degree)) * radius_mm
    assert np.percentile(off_mm, 95) <= 1.0


def test_a_joint_faces_out_of_its_bone_and_is_whole() -> None:
    _, bone = hip(2.5, 60.0, "A")
    for joint in bone.joints:
        surface = bone.joint_of(joint.bone)
        assert len(surface.faces) == joint.triangle_count
        a, b, c = (surface.vertices_mm[surface.faces[:, corner]] for corner in range(3))
        outward = np.einsum("ij,ij->i", np.cross(b - a, c - a), a)
        away = 1 if joint.bone == "femur" else -1
        assert (away * outward > 0).mean() > 0.99
        # One border, one patch: a disc has the Euler number 1 (closed form).
        edges = np.unique(
            np.sort(np.concatenate([surface.faces[:, [i, (i + 1) % 3]] for i in range(3)]), axis=1), axis=0
        )
        used = len(np.unique(surface.faces))
        assert used - len(edges) + len(surface.faces) == 1


def test_it_is_told_that_a_joint_was_found_and_is_no_cartilage() -> None:
    _, bone = hip(2.5, 60.0, "A")
    notes = " ".join(bone.segmentation.notes)
    assert "femur / pelvis" in notes
    assert "cartilage, whose thickness a CT does not show" in notes
    assert all(joint.automatic for joint in bone.joints)


def test_clearance_is_to_the_joint_of_the_bone_that_is_entered() -> None:
    """A screw up the neck, its tip 3 mm below the ball's joint: closed form, ball of 9 mm.

    The socket's own joint lies across the space and looks the other way: it must not count.
    """
    phantom, bone = hip(1.0, 60.0, "A")
    for beyond_mm in (-3.0, 3.0):
        length_mm = 14.0 + phantom.ball_mm + beyond_mm
        screw = placed(-15.0 * phantom.axis, phantom.axis, "iso5835-ha-2.0", length_mm + 1)
        (told,) = assess(bone, Plan((screw,))).screws
        wanted = -beyond_mm
        assert told.leading_end.joint == pytest.approx(wanted, abs=0.45)
        codes = {finding.code for finding in told.findings}
        assert "joint-automatic" in codes
        assert ("joint-penetrated" in codes) == (beyond_mm > 0)


@pytest.mark.parametrize(("gap_mm", "found"), [(4.5, True), (6.0, False)])
def test_nothing_is_marked_beyond_five_millimetres(gap_mm: float, found: bool) -> None:
    ct = as_ct(*slabs(gap_mm=gap_mm, voxel_mm=(0.5, 0.5, 0.5)))
    names = [((0.0, 0.0, z), name, name) for z, name in ((7.0, "upper"), (-10.0, "lower"))]
    bone = segment(ct, threshold_hu=220, names=names)
    assert bool(bone.joints) == found
    assert any("no facing bone within 5 mm" in note for note in bone.segmentation.notes) != found


def test_fragments_of_one_bone_are_not_each_others_joint() -> None:
    ct = as_ct(*slabs(gap_mm=1.2, voxel_mm=(0.5, 0.5, 0.5)))
    bone = segment(ct, threshold_hu=220)
    assert len({fragment.bone for fragment in bone.fragments}) == 1
    assert bone.joints == ()
    assert bone.joint is None


def test_a_given_joint_takes_the_place_of_a_found_one() -> None:
    phantom, bone = hip(2.5, 60.0, "A")
    given = bone.joint_of("femur")
    again = segmented(phantom, joint=given)
    assert again.joints == ()
    np.testing.assert_array_equal(again.joint.vertices_mm, given.vertices_mm)
    brush = JointBrush("add", phantom.axis, 3.0, "femur / pelvis")
    with pytest.raises(InputError, match="given joint"):
        segmented(phantom, joint=given, edits=[brush])


def test_a_brush_removes_a_ball_and_adds_it_again() -> None:
    """A ball of radius r on a sphere takes away a cap of area π r² (closed form, any sphere)."""
    phantom, bone = hip(2.5, 60.0, "A")
    (before,) = (joint.area_mm2 for joint in bone.joints if joint.bone == "femur")
    place = phantom.ball_mm * phantom.axis
    remove = JointBrush("remove", place, 4.0, "femur / pelvis")
    removed = segmented(phantom, edits=[remove])
    area = next(joint.area_mm2 for joint in removed.joints if joint.bone == "femur")
    assert before - area == pytest.approx(np.pi * 16, rel=0.06)
    restored = segmented(phantom, edits=[remove, JointBrush("add", place, 4.5, "femur / pelvis")])
    area = next(joint.area_mm2 for joint in restored.joints if joint.bone == "femur")
    assert area == pytest.approx(before, rel=0.01)
    assert [next(iter(edit)) for edit in restored.edits] == ["joint", "joint"]


def test_a_brush_of_a_new_name_makes_a_joint_by_hand(tmp_path: Path) -> None:
    phantom, _ = hip(2.5, 60.0, "A")
    neck = -12.0 * phantom.axis + 5.0 * np.cross(phantom.axis, [0.0, 0.6, 0.8])
    bone = segmented(phantom, edits=[JointBrush("add", neck, 3.0, "neck")])
    made = bone.joints[-1]
    assert (made.name, made.bone, made.neighbour, made.automatic) == ("neck", "femur", None, False)
    # The other side of the 10 mm neck is not brushed; a ball on a rod takes about a disc.
    assert 0.6 * np.pi * 9 < made.area_mm2 < 1.4 * np.pi * 9
    write_case(tmp_path / "case", bone)
    back = read_case(tmp_path / "case")
    assert [vars(joint) for joint in back.joints] == [vars(joint) for joint in bone.joints]
    np.testing.assert_array_equal(back.joint.faces, bone.joint.faces)


@pytest.mark.parametrize(
    ("brush", "told"),
    [
        (JointBrush("remove", np.zeros(3), 3.0, "knee"), "no joint 'knee'"),
        (JointBrush("add", np.array([90.0, 0, 0]), 3.0, "knee"), "does not reach"),
        (JointBrush("add", np.zeros(3), -1.0, "knee"), "radius"),
    ],
)
def test_a_brush_that_cannot_be_is_refused(brush: JointBrush, told: str) -> None:
    phantom, _ = hip(2.5, 60.0, "A")
    with pytest.raises(InputError, match=told):
        segmented(phantom, edits=[brush])
