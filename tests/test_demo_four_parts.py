"""An arm bone in four parts: what the formulas say of the pieces, and that a segmentation finds them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from demo_volumes import shoulder
from demo_volumes.scanner import centred_grid, scan
from demo_volumes.scene import DemoBone, Scene
from demo_volumes.truth_document import truth_document
from segmentation.recipe import segment
from segmentation.vocabulary import CTVolume, Floats


@cache
def scene(gap_mm: float = 1.5) -> Scene:
    return shoulder.humerus_four_parts(np.random.default_rng(3), gap_mm, None, None)


def bone() -> DemoBone:
    return scene().bones[0]


@cache
def ct() -> CTVolume:
    """The patient not turned, in coarse voxels."""
    grid = centred_grid(scene().size_mm, (0.8,) * 3)
    hu = scan(scene(), np.eye(3), grid, (0.7,) * 3, 14.0, np.random.default_rng(1))
    return CTVolume(grid, hu, "phantom")


def truth(scene: Scene) -> dict[str, Any]:
    return truth_document(scene, np.eye(3), None, {})


@cache
def points(count: int = 40_000) -> Floats:
    """Random points within the bone."""
    low, high = np.array([-31.0, -28, -47]), np.array([27.0, 25, 38])
    drawn = np.random.default_rng(0).uniform(low, high, (count, 3))
    return drawn[bone().outside(*drawn.T) < 0]


def test_every_place_lies_in_one_piece_or_in_one_gap() -> None:
    """Count of the pieces by the fractures' own words: head, or above the waist, and then either side."""
    whole = bone()
    inside = np.array([whole.fragment_field(n)(*points().T) < 0 for n in range(4)])
    assert inside.sum(axis=0).max() == 1
    neck, waist, groove = (division.fracture.side(*points().T) for division in whole.divisions)
    half = 0.75
    expected = np.array(
        [
            (neck < -half) & (waist < -half),
            neck > half,
            (neck < -half) & (waist > half) & (groove < -half),
            (neck < -half) & (waist > half) & (groove > half),
        ]
    )
    assert (inside == expected).all()
    assert inside.sum(axis=1).min() > 1000


def test_the_quick_field_has_the_same_sign_and_zeros() -> None:
    for index in range(4):
        exact, quick = (
            field(*points().T) for field in (bone().fragment_field(index), bone().near_fragment_field(index))
        )
        near = quick < 1.0
        assert near.any()
        assert not near.all()
        assert (quick[near] == exact[near]).all()
        assert (exact[~near] >= 1.0).all()


def test_a_fracture_ends_on_the_face_of_an_earlier_one() -> None:
    """Beyond the neck, in the head, the CT shows nothing of the other two."""
    at = points()
    neck, waist, groove = (division.fracture.side(*at.T) for division in bone().divisions)
    deep = bone().outside(*at.T) < -4
    in_head = deep & (neck > 2.5) & (np.abs(groove) < 0.3)
    in_gap = deep & (neck < -2.5) & (waist > 2.5) & (np.abs(groove) < 0.3)
    assert min(in_head.sum(), in_gap.sum()) > 30
    hu = ct().hu[tuple(ct().grid.mm_to_ijk(at).round().astype(int).T)]
    assert hu[in_head].mean() > 300
    assert hu[in_gap].mean() < 190


def test_the_truth_names_what_each_fracture_parts() -> None:
    document = truth(replace(scene(), plan=()))
    told = [(one["near"], one["far"]) for one in document["fractures"]]
    shaft, head, greater, lesser = shoulder.FRAGMENTS
    assert told == [
        ([shaft, greater, lesser], [head]),
        ([shaft], [greater, lesser]),
        ([greater], [lesser]),
    ]
    assert document["fractures"][0]["normal"] == document["fracture"]["normal"]


def test_a_screw_loses_the_gap_over_the_cosine() -> None:
    """Bone length less the paths is the neck's gap along the axis, but for the slope of its waves."""
    document = truth(replace(scene(), plan=scene().plan[1:]))
    neck, (screw,) = document["fracture"], document["screws"]
    way = np.subtract(screw["exit_mm"], screw["entry_mm"])
    cosine = abs(way @ neck["normal"]) / np.linalg.norm(way)
    lost = screw["bone_length_mm"] - sum(one["axis_path_mm"] for one in screw["fragments"])
    assert lost == pytest.approx(neck["gap_mm"] / cosine, rel=0.35)
    crossed = [one["fragment_name"] for one in screw["fragments"] if one["axis_path_mm"] > 0]
    assert crossed == ["head", "lesser tuberosity"]


def test_the_four_are_told_apart_without_a_click() -> None:
    found = segment(ct(), threshold_hu=scene().level_hu, names=scene().inside_points_mm)
    assert {one.name for one in found.fragments} == set(shoulder.FRAGMENTS)
    assert {one.bone for one in found.fragments} == {"humerus"}
    indices = np.moveaxis(np.indices(ct().grid.shape), 0, -1).reshape(-1, 3)
    at = ct().grid.ijk_to_mm(indices)
    number_of = {one.name: one.number for one in found.fragments}
    for index, name in enumerate(shoulder.FRAGMENTS):
        exact = bone().near_fragment_field(index)(*at.T) < 0
        mine = found.labels.reshape(-1) == number_of[name]
        assert 2 * (exact & mine).sum() / (exact.sum() + mine.sum()) > 0.97
    pairs = {frozenset(found.fragments[n - 1].name for n in one.between) for one in found.fractures}
    shaft, head, greater, lesser = shoulder.FRAGMENTS
    assert pairs == {
        frozenset(pair)
        for pair in ((head, greater), (head, lesser), (shaft, greater), (shaft, lesser), (greater, lesser))
    }


def test_without_a_gap_it_is_whole() -> None:
    whole = scene(0.0).bones[0]
    assert whole.divisions == ()
    assert whole.fragment_names == ("humerus",)
