"""Where a border is guessed: kept with the bone, and drawn as beads on the cuts of the labels."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from apart_phantoms import SCANS, Phantom, cluster, scanned
from two_slabs import two_slabs

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.asked import Seed
from segmentation.case import read_case, write_case
from segmentation.edits import Merge
from segmentation.recipe import segment
from segmentation.vocabulary import Bone
from viewer.report.fracture_page import fracture_pages
from viewer.report.guessed_marks import APART_PX, beads_on
from viewer.report.label_cuts import label_cuts
from viewer.report.section import Plane

AXIAL = Plane(np.zeros(3), np.array([-1.0, 0, 0]), np.array([0, 1.0, 0]))


@pytest.fixture(scope="module")
def bridged() -> Phantom:
    """Two bones 2 mm apart, joined by a bridge of 4 mm across."""
    return scanned(cluster(2, 2.0, 31, fused_mm=2.0), SCANS["A"], 31)


@pytest.fixture(scope="module")
def parted(bridged: Phantom) -> Bone:
    seeds = [Seed(name, name, at) for name, at in zip("ab", bridged.clicks_mm, strict=True)]
    return segment(
        bridged.ct, seeds=seeds, refine=False, find_joints=False, calibration_reason="a phantom of none"
    )


def with_guessed(*places_mm: tuple[float, float, float]) -> Bone:
    bone = two_slabs()
    record = replace(bone.segmentation.record, guessed_mm=np.array(places_mm, float).reshape(-1, 3))
    return replace(bone, segmentation=replace(bone.segmentation, record=record))


def test_a_bridge_is_told_where_it_is(bridged: Phantom, parted: Bone) -> None:
    """The phantom's bridge is a rod through the middle of the gap, of 2 mm radius."""
    guessed_mm = parted.segmentation.record.guessed_mm
    assert len(guessed_mm) > 10
    at = np.round(parted.ct.grid.mm_to_ijk(guessed_mm)).astype(int)
    for place in at:
        assert {1, 2} <= set(np.unique(parted.labels[tuple(slice(i - 2, i + 3) for i in place)]))
    # In bone, not in the open gap around it; and no farther apart than the bridge is wide, with its blur.
    assert np.quantile(parted.ct.hu[tuple(at.T)], 0.1) > 150
    assert np.linalg.norm(guessed_mm - guessed_mm.mean(axis=0), axis=1).max() < 3.0


def test_it_comes_back_from_a_case_and_older_cases_have_none(parted: Bone, tmp_path: Path) -> None:
    folder = tmp_path / "case"
    write_case(folder, parted)
    back = read_case(folder).segmentation.record.guessed_mm
    np.testing.assert_allclose(back, parted.segmentation.record.guessed_mm, atol=0.005)
    document = json.loads((folder / "bone.json").read_text())
    del document["segmentation"]["record"]["guessed_mm"]
    (folder / "bone.json").write_text(json.dumps(document))
    assert read_case(folder).segmentation.record.guessed_mm.shape == (0, 3)


def test_what_was_merged_is_guessed_no_more(bridged: Phantom) -> None:
    seeds = [Seed(name, name, at) for name, at in zip("ab", bridged.clicks_mm, strict=True)]
    bone = segment(bridged.ct, seeds=seeds, edits=[Merge(1, 2)], refine=False, find_joints=False)
    assert len(bone.fragments) == 1
    assert bone.segmentation.record.guessed_mm.shape == (0, 3)


def test_beads_stand_at_their_place_in_the_cut_and_apart() -> None:
    """10 px to the mm, the middle at 150: right of the reader is the patient's left (closed form)."""
    beads = beads_on(np.array([[4.0, 3.0, -0.4], [4.0, 3.0, 0.6]]), AXIAL, 15.0, 300.0)
    assert beads.tolist() == [pytest.approx([150 - 40, 150 - 30])]
    crowd = np.random.default_rng(3).uniform(-5, 5, (400, 3)) * (1, 1, 0)
    beads = beads_on(crowd, AXIAL, 15.0, 300.0)
    away = np.linalg.norm(beads[:, None] - beads, axis=2) + 1e9 * np.eye(len(beads))
    assert away.min() >= APART_PX
    assert len(beads) > 100
    assert beads_on(np.array([[40.0, 0, 0]]), AXIAL, 15.0, 300.0).shape == (0, 2)


def test_the_page_draws_them_and_says_what_they_are() -> None:
    def words(bone: Bone) -> str:
        (page, *_) = fracture_pages(bone, assess(bone, Plan(())), "T")
        return next(block["caption"]["words"] for block in page.blocks if block["kind"] == "cuts")

    def circles(bone: Bone) -> int:
        return sum(
            len(re.findall("<circle", svg))
            for *_, svg in label_cuts(bone, "bone 1", np.zeros(3), 15.0, 200.0)
        )

    away = with_guessed((9.0, 9.0, 9.0))
    without = circles(two_slabs())
    assert circles(with_guessed((0.0, 0.0, 0.0))) == without + 3
    assert circles(away) == without
    vertices_mm = np.concatenate([one.surface.vertices_mm for one in two_slabs().fragments])
    middle_mm = (vertices_mm.min(axis=0) + vertices_mm.max(axis=0)) / 2
    assert words(with_guessed(tuple(middle_mm))).endswith(
        "Beads: here no gap is seen, and the border is guessed."
    )
    assert words(away).endswith("A border is guessed off these cuts, around 9.0, 9.0, 9.0.")
    assert "uess" not in words(two_slabs())
