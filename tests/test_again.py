"""A case holds all that made it: read back and taken again, the bone is the same, bit for bit."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from phantoms import CALIBRATION, as_ct, rotation, slabs

from segmentation.again import asked_of, lost_at
from segmentation.asked import Asked, Seed
from segmentation.asked_part import LABELS
from segmentation.case import read_case, write_case
from segmentation.edits import JointBrush, Merge
from segmentation.errors import InputError
from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.sweep import Sweep
from segmentation.vocabulary import Bone, CTVolume, Surface

TURN = rotation(2)


def at(*own_mm: float) -> npt.NDArray[np.float64]:
    """A place of the slab, or a direction, in patient mm."""
    return TURN @ np.array(own_mm)


@cache
def block() -> CTVolume:
    """A slab of 20 × 20 × 24 mm, lying obliquely, and a crumb of 33 mm³ beside it.

    Fortran-ordered, as every scan that is read.
    """
    grid, hu = slabs(thicknesses_mm=(24.0,), hu=(400.0,), half_width_mm=10.0, voxel_mm=(0.8,) * 3, turn=TURN)
    hu[1:5, 1:5, 1:5] = 400.0
    return as_ct(grid, np.asfortranarray(hu), noise_hu=12)


def halves() -> npt.NDArray[np.uint8]:
    """The slab in two labels; the first one's half ends a little outside the bone."""
    ct = block()
    own = np.moveaxis(np.indices(ct.grid.shape), 0, -1)
    z = (ct.grid.ijk_to_mm(own.reshape(-1, 3)) @ TURN)[:, 2].reshape(ct.grid.shape)
    bone = ct.hu >= 180
    bone[:6, :6, :6] = False
    return np.asfortranarray(np.where(bone, np.where(z < -2, 1, 2), 0).astype(np.uint8))


def a_joint() -> Surface:
    """A triangle beside the slab's end, given by a person."""
    return Surface(np.array([at(0, 0, 12.2), at(4, 0, 12.2), at(0, 4, 12.3)]), np.array([[0, 1, 2]]))


DIVIDED = (
    Cut(at(0, 0, 1 / 3), at(0.1, 0, 1)),
    Sweep(np.array([at(-12, 0, -5), at(2, 0, -6), at(12, 0, -5)]), at(0, 1, 0)),
    Merge(1, 3),
)

VARIANTS: dict[str, dict[str, Any]] = {
    "a level": {"threshold_hu": 220.0, "calibration": CALIBRATION, "refine": False},
    "no level": {"calibration_reason": "told by nobody", "find_joints": False},
    "a crumb and foam": {"threshold_hu": 221.5, "keep_small": True, "host": "foam"},
    "edits and names": {
        "threshold_hu": 220.0,
        "edits": DIVIDED,
        "names": [(at(0, 0, 5), "far", "ulna"), (at(1 / 3, 0, -2), "near", None)],
        "joint": a_joint(),
    },
    "labels, then edits": {"labels": halves(), "edits": DIVIDED[:1], "refine": False},
    "a brush": {
        "threshold_hu": 220.0,
        "cuts": DIVIDED[:1],
        "edits": [JointBrush("add", at(0, 0, 12), 1 / 3 + 4, "end")],
    },
}


@cache
def taken(variant: str) -> Bone:
    return segment(block(), **{"calibration_reason": "none was given", **VARIANTS[variant]})


def through_a_case(folder: Path, bone: Bone) -> Bone:
    write_case(folder / "case", bone)
    return read_case(folder / "case")


def assert_the_same(again: Bone, first: Bone) -> None:
    assert (again.labels == first.labels).all()
    for mine, theirs in zip(again.fragments, first.fragments, strict=True):
        assert (mine.name, mine.bone, mine.volume_mm3) == (theirs.name, theirs.bone, theirs.volume_mm3)
        assert (mine.surface.vertices_mm == theirs.surface.vertices_mm).all()
    assert (again.host, again.calibration_reason) == (first.host, first.calibration_reason)
    assert again.calibration is first.calibration
    assert again.segmentation.threshold_reason == first.segmentation.threshold_reason
    assert again.segmentation.notes == first.segmentation.notes
    assert again.edits == first.edits
    assert [joint.name for joint in again.joints] == [joint.name for joint in first.joints]
    assert (again.joint is None) == (first.joint is None)
    if again.joint is not None and first.joint is not None:
        assert (again.joint.vertices_mm == first.joint.vertices_mm).all()


@pytest.mark.parametrize("variant", VARIANTS)
def test_a_bone_is_taken_again_from_its_case(tmp_path: Path, variant: str) -> None:
    made = taken(variant)
    kept = through_a_case(tmp_path, made)
    assert (kept.labels == made.labels).all()
    assert_the_same(segment(kept.ct, **asked_of(kept)), kept)


def test_the_variants_are_of_effect() -> None:
    """Each asks for something that another bone would come of without it."""
    counts = {name: len(taken(name).fragments) for name in VARIANTS}
    assert counts == {
        "a level": 1,
        "no level": 1,
        "a crumb and foam": 2,
        "edits and names": 2,
        "labels, then edits": 3,
        "a brush": 2,
    }


def test_seeds_are_kept_and_tell_the_same_bones_apart(tmp_path: Path) -> None:
    grid, hu = slabs(gap_mm=0.8, half_width_mm=8.0, voxel_mm=(0.6,) * 3, fwhm_mm=0.9, turn=TURN)
    ct = as_ct(grid, np.asfortranarray(hu), noise_hu=10)
    asked: dict[str, Any] = {"threshold_hu": 150.0, "calibration": CALIBRATION, "refine": False}
    assert len(segment(ct, **asked).fragments) == 1
    seeds = (
        Seed("distal", "scaphoid", at(0, 1 / 3, 6)),
        Seed("proximal", "scaphoid", at(0, 0, -6)),
        Seed("background", "background", at(0, 0, 15)),
    )
    made = segment(ct, seeds=seeds, **asked)
    assert [fragment.name for fragment in made.fragments] == ["distal", "proximal"]
    kept = through_a_case(tmp_path, made)
    told = kept.segmentation.asked
    assert told is not None
    for mine, given in zip(told.seeds, seeds, strict=True):
        assert (mine.name, mine.bone) == (given.name, given.bone)
        assert (mine.point_mm == given.point_mm).all()
    assert_the_same(segment(kept.ct, **asked_of(kept)), kept)


def test_one_more_edit_makes_of_it_what_it_would_have(tmp_path: Path) -> None:
    """Labels are kept as given: the edits made since are not made twice."""
    kept = through_a_case(tmp_path, taken("labels, then edits"))
    asked = asked_of(kept)
    more = segment(kept.ct, **{**asked, "edits": (*asked["edits"], Merge(2, 3))})
    direct = segment(block(), labels=halves(), edits=(*DIVIDED[:1], Merge(2, 3)), refine=False)
    assert len(more.fragments) == 2
    assert (more.labels == direct.labels).all()


def test_a_case_whose_given_labels_are_another_is_refused(tmp_path: Path) -> None:
    kept = through_a_case(tmp_path, taken("labels, then edits"))
    assert kept.segmentation.asked is not None
    (tmp_path / "case" / LABELS).unlink()
    with pytest.raises(InputError, match=f"{LABELS} is missing"):
        read_case(tmp_path / "case")


def test_an_older_case_is_read_and_says_that_it_cannot_be_taken_again(tmp_path: Path) -> None:
    write_case(tmp_path / "case", taken("a level"))
    file = tmp_path / "case" / "bone.json"
    document = json.loads(file.read_text())
    del document["segmentation"]["asked"]
    file.write_text(json.dumps(document))
    with pytest.raises(InputError, match="segment again"):
        asked_of(read_case(tmp_path / "case"))


# Another bone in its place


def test_what_is_gone_with_an_older_case_is_told(tmp_path: Path) -> None:
    case = tmp_path / "case"
    assert lost_at(case, taken("a level")) is None
    seeds = (Seed("ulna", "ulna", at(0, 0, 4)), Seed("background", "background", at(0, 0, 16)))
    asked = Asked(seeds=seeds, joint_given=True, labels=halves())
    made = taken("edits and names")
    pose = np.eye(4)
    pose[0, 3] = 2.0
    old = replace(
        made,
        fragments=(replace(made.fragments[0], pose=pose), *made.fragments[1:]),
        segmentation=replace(made.segmentation, asked=asked),
    )
    write_case(case, old)
    first, second = (fragment.name for fragment in made.fragments)
    assert lost_at(case, taken("a level")) == (
        f"of the older case is gone: the names '{first}', '{second}'; the pose of '{first}'; 3 of 3 edits; "
        "2 of 2 seeds ('ulna'); the labels that were given; the joint surface that was given "
        "(to give again: --name, pilothole reduce, --edits or --cut, --seeds, --labels, --joint)"
    )
    assert lost_at(case, made) == (
        f"of the older case is gone: the pose of '{first}'; 2 of 2 seeds ('ulna'); the labels that were "
        "given (to give again: pilothole reduce, --seeds, --labels)"
    )


def test_nothing_is_lost_by_the_same_again_and_a_broken_case_is_said(tmp_path: Path) -> None:
    case = tmp_path / "case"
    write_case(case, taken("edits and names"))
    assert lost_at(case, taken("edits and names")) is None
    (case / "bone.json").write_text("{")
    told = lost_at(case, taken("a level"))
    assert told is not None
    assert "could not be read" in told
