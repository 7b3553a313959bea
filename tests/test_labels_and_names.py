"""Fragments made by labels and by cuts, and how they are named: what is right, and what is refused and why.

The truth is a slab of 20 × 20 × 24 mm divided by planes, turned by 20 to 70° against the voxels.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import trimesh
from phantoms import CALIBRATION, as_ct, placed, points_of, rotation, slabs

from planner.assess import assess
from planner.vocabulary import Plan, ScrewResult
from segmentation.errors import InputError
from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, CTVolume, Floats

LEVEL_HU = 220.0
TURN = rotation(2)
Z, X = TURN @ [0.0, 0.0, 1.0], TURN @ [1.0, 0.0, 0.0]


@cache
def block() -> tuple[CTVolume, Floats]:
    """The CT, and places in the slab's own frame: z from −12 to 12."""
    options = {"thicknesses_mm": (24.0,), "hu": (400.0,), "half_width_mm": 10.0, "voxel_mm": (0.5, 0.5, 0.5)}
    grid, hu = slabs(turn=TURN, **options)  # type: ignore[arg-type]
    return as_ct(grid, hu, noise_hu=12), points_of(grid) @ TURN


def _at(*own_mm: float) -> Floats:
    return np.asarray(TURN @ np.array(own_mm))


@cache
def labels_at(border_mm: float = -2.0, low: int = 1, high: int = 2) -> npt.NDArray[np.uint8]:
    """Bone below the border is ``low``, above it ``high``."""
    ct, own = block()
    return np.where(ct.hu >= LEVEL_HU, np.where(own[..., 2] < border_mm, low, high), 0).astype(np.uint8)


def _bone(**options: Any) -> Bone:
    return segment(block()[0], threshold_hu=LEVEL_HU, calibration=CALIBRATION, **options)


def _measured(bone: Bone, entry_own: Sequence[float], target_own: Sequence[float]) -> ScrewResult:
    screw = placed(_at(*entry_own), _at(*target_own), length_mm=20)
    return assess(bone, Plan((screw,))).screws[0]


# Labels


def test_touching_labels_share_the_bone_without_a_gap_or_an_overlap() -> None:
    bone = _bone(labels=labels_at())
    assert [f.volume_mm3 for f in bone.fragments] == pytest.approx([4000, 5600], rel=0.01)
    result = _measured(bone, (0, 0, -13), (2, 1, 13))
    paths = [fragment.axis_path_mm for fragment in result.fragments]
    assert sum(paths) == pytest.approx(result.bone_length_mm, abs=0.02)
    assert paths == pytest.approx(np.array([10, 14]) * np.sqrt(4 + 1 + 26**2) / 26, abs=0.15)


def test_labels_give_closed_surfaces() -> None:
    for fragment in _bone(labels=labels_at()).fragments:
        mesh = trimesh.Trimesh(fragment.surface.vertices_mm, fragment.surface.faces, process=False)
        assert mesh.is_watertight
        assert mesh.body_count == 1


def test_labels_are_taken_in_rising_order_of_their_values() -> None:
    swapped = _bone(labels=labels_at(-2.0, 7, 3))
    assert [f.number for f in swapped.fragments] == [1, 2]
    assert [f.volume_mm3 for f in swapped.fragments] == pytest.approx([5600, 4000], rel=0.01)
    assert {int(n) for n in np.unique(swapped.labels)} == {0, 1, 2}


def test_a_label_smaller_than_the_bone_ends_where_it_ends() -> None:
    """Only the lower 10 mm are labelled: the rest of the bone goes to nobody."""
    bone = _bone(labels=np.where(labels_at() == 1, 1, 0).astype(np.uint8))
    assert [f.volume_mm3 for f in bone.fragments] == pytest.approx([4000], rel=0.015)


def test_a_label_drawn_a_voxel_too_tight_or_too_wide_still_ends_at_the_level() -> None:
    own = np.abs(block()[1]) - [10, 10, 12]
    for off_mm in (-0.5, 0.5):
        drawn = (own.max(axis=-1) < off_mm).astype(np.uint8)
        assert _bone(labels=drawn).fragments[0].volume_mm3 == pytest.approx(9600, rel=0.01)


def _soft_corner(value: int) -> npt.NDArray[np.uint8]:
    labels = labels_at().copy()
    labels[1:4, 1:4, 1:4] = value
    return labels


@pytest.mark.parametrize(
    ("labels", "told"),
    [
        (labels_at()[1:], "the CT's shape"),
        (-labels_at().astype(int), "0 … 255"),
        (labels_at().astype(int) * 200, "0 … 255"),
        (labels_at() * 0.5, "whole numbers"),
        (np.where(labels_at() > 0, np.nan, 0.0), "whole numbers"),
        (labels_at() * 0, "at least one fragment"),
        (_soft_corner(3), "no voxel at or above"),
    ],
    ids=["shape", "negative", "too large", "fractional", "not a number", "empty", "in soft tissue"],
)
def test_bad_labels_are_refused(labels: npt.NDArray[Any], told: str) -> None:
    with pytest.raises(InputError, match=told):
        _bone(labels=labels)


# Names


def test_names_are_given_by_points() -> None:
    names = [(_at(0, 0, 5), "distal", "ulna"), (_at(0, 0, -5), "proximal", "radius")]
    bone = _bone(labels=labels_at(), names=names)
    assert [(f.name, f.bone) for f in bone.fragments] == [("proximal", "radius"), ("distal", "ulna")]


def test_what_is_not_named_gets_a_name_and_shares_a_bone_when_near() -> None:
    bone = _bone(labels=labels_at(), names=[(_at(0, 0, 5), "distal", None)])
    assert [(f.name, f.bone) for f in bone.fragments] == [("fragment 1", "bone 1"), ("distal", "bone 1")]


def test_the_screw_takes_its_bone_by_the_names() -> None:
    names = [(_at(0, 0, -5), "proximal", "radius"), (_at(0, 0, 5), "distal", "ulna")]
    result = _measured(_bone(labels=labels_at(), names=names), (0, 0, -13), (0, 0, 13))
    assert result.bone_name == "radius"
    assert result.bone_length_mm == pytest.approx(10, abs=0.15)
    assert "tip-in-other-bone" in {finding.code for finding in result.findings}


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ([((0, 0, 50), "a", None)], "lies in no fragment"),
        ([((0, 0, 13), "a", None)], "lies in no fragment"),
        ([((0, 0, -5), "a", None), ((0, 0, -6), "b", None)], "named twice"),
        ([((0, 0, -5), "a", None), ((0, 0, 6), "a", None)], "names must differ"),
        ([((0, 0, -5), "fragment 2", None)], "names must differ"),
    ],
    ids=["outside the scan", "in soft tissue", "twice", "the same for two", "the default of another"],
)
def test_bad_names_are_refused(names: list[tuple[tuple[float, ...], str, str | None]], told: str) -> None:
    with pytest.raises(InputError, match=told):
        _bone(labels=labels_at(), names=[(tuple(_at(*point)), name, bone) for point, name, bone in names])


# Cuts


def test_successive_cuts_divide_what_their_points_lie_in() -> None:
    first, second = Cut(_at(0, 0, -2), Z), Cut(_at(0, 0, 3), X)
    volumes = [f.volume_mm3 for f in _bone(cuts=[first, second]).fragments]
    # The side of the normal is the new one: above the first cut, then its right half.
    assert volumes == pytest.approx([4000, 2800, 2800], rel=0.01)
    assert [f.volume_mm3 for f in _bone(cuts=[first]).fragments] == pytest.approx([4000, 5600], rel=0.01)


@pytest.mark.parametrize(
    ("point", "normal", "told"),
    [
        (_at(0, 0, 30), Z, "lies in no fragment"),
        (np.array([1e5, 0, 0]), Z, "lies in no fragment"),
        (np.array([np.nan, 0, 0]), Z, "lies in no fragment"),
        (_at(0, 0, 0), np.zeros(3), "normal"),
        (_at(0, 0, 0), np.array([np.nan, 0, 1]), "normal"),
        (_at(0, 0, 0), np.array([np.inf, 0, 1]), "normal"),
    ],
    ids=[
        "off the bone",
        "off the scan",
        "not a number",
        "no normal",
        "normal not a number",
        "infinite normal",
    ],
)
def test_bad_cuts_are_refused(point: Floats, normal: Floats, told: str) -> None:
    with pytest.raises(InputError, match=told):
        _bone(cuts=[Cut(point, normal)])


@pytest.mark.parametrize(
    "cuts",
    [
        [Cut(_at(0, 0, 1), Z)],
        [Cut(_at(0, 0, 1), _at(0.4, -0.3, 1))],
        [Cut(_at(0, 0, -3), Z), Cut(_at(0, 0, 5), Z)],
    ],
    ids=["across", "oblique", "twice"],
)
def test_what_is_divided_adds_up(cuts: list[Cut]) -> None:
    """A plane across which nothing changes changes no sum: the project's invariance, to 0.02 mm."""
    ends = (1, 0.5, -13), (1, 0.5, 13)
    whole, divided = _measured(_bone(), *ends), _measured(_bone(cuts=cuts), *ends)
    crossed_mm = sum(f.axis_path_mm for f in divided.fragments)
    assert divided.bone_length_mm == pytest.approx(whole.bone_length_mm, abs=0.02)
    assert crossed_mm == pytest.approx(whole.fragments[0].axis_path_mm, abs=0.02)
    assert len(divided.fragments) == len(cuts) + 1
    engaged_mm = sum(f.thread_engagement_mm for f in divided.fragments)
    assert engaged_mm == pytest.approx(whole.fragments[0].thread_engagement_mm, abs=0.02)


def test_a_cut_through_the_screws_own_axis_gives_each_side_half_of_the_thread() -> None:
    ends = (1, 0.5, -13), (1, 0.5, 13)
    cut = Cut(_at(1, 0.5, 0), _at(0, 1, 0))
    whole, divided = _measured(_bone(), *ends), _measured(_bone(cuts=[cut]), *ends)
    half_mm = whole.fragments[0].thread_engagement_mm / 2
    assert [f.thread_engagement_mm for f in divided.fragments] == pytest.approx([half_mm, half_mm], abs=0.02)
    # Where a cut meets the surface, voxels round its edges off: an axis in the very cut loses a voxel an end.
    assert divided.bone_length_mm == pytest.approx(whole.bone_length_mm, abs=1.0)
