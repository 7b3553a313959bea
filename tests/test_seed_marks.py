"""Seeds on the cuts of the labels: where each diamond stands, what it says, which seeds are only named."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from two_slabs import two_slabs

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.asked import Asked, Seed
from segmentation.vocabulary import Bone
from viewer.report.drawing import text_width
from viewer.report.fracture_page import fracture_pages
from viewer.report.label_cuts import label_cuts
from viewer.report.section import Plane
from viewer.report.seed_marks import SeedMark, marks_on, seed_marks_svg, taken_boxes

PLANES = [
    Plane(np.zeros(3), np.array([-1.0, 0, 0]), np.array([0, 1.0, 0])),
    Plane(np.zeros(3), np.array([-1.0, 0, 0]), np.array([0, 0, 1.0])),
]
HALF_MM, SIDE_PX = 15.0, 300.0


def seed(name: str, *point_mm: float) -> Seed:
    return Seed(name, name, np.array(point_mm, float))


def with_seeds(*seeds: Seed) -> Bone:
    bone = two_slabs()
    return replace(bone, segmentation=replace(bone.segmentation, asked=Asked(seeds=seeds)))


def test_a_seed_stands_on_the_nearest_cut_at_its_place() -> None:
    """10 px to the mm, the middle at 150: right of the reader is the patient's left (closed form)."""
    seeds = (seed("low", 4, 3, -1), seed("high", 2, -0.2, 6))
    (axial, coronal), left = marks_on(seeds, PLANES, HALF_MM, SIDE_PX)
    assert not left
    assert [mark.words for mark in axial] == ["low, 1 mm before"]
    assert axial[0].at_px == pytest.approx([150 - 40, 150 - 30])
    assert [mark.words for mark in coronal] == ["high"]
    assert coronal[0].at_px == pytest.approx([150 - 20, 150 - 60])


def test_before_is_towards_the_reader() -> None:
    """Seen from the feet and from the front: down, and to the front, is towards the reader... of the plane's
    own normal, right × up."""
    for plane in PLANES:
        (marks,), _ = marks_on([seed("a", *(3 * plane.normal))], [plane], HALF_MM, SIDE_PX)
        assert marks[0].words == "a, 3 mm before"


def test_what_lies_far_from_every_cut_is_only_named() -> None:
    seeds = (seed("far", 0, 7, 7), seed("outside", 40, 0, 0), seed("near", 1, 1, 1))
    marks, left = marks_on(seeds, PLANES, HALF_MM, SIDE_PX)
    assert [one.name for one in left] == ["far", "outside"]
    assert sum(map(len, marks)) == 1
    many = [seed("x", 0.1 * n, 0, 0.1 * n) for n in range(25)]
    marks, left = marks_on(many, PLANES[:1], HALF_MM, SIDE_PX)
    assert (len(marks[0]), len(left)) == (10, 15)
    assert max(abs(mark.before_mm) for mark in marks[0]) < min(one.point_mm[2] for one in left)


@pytest.mark.parametrize("x", [30.0, 150.0, 270.0])
def test_words_stay_within_the_cut_and_off_each_other(x: float) -> None:
    names = ["a", "a name of middling length", "n" * 64, "<b>"]
    marks = [SeedMark(seed(name, 0, 0, 0), np.array([x, 100.0 + n]), 0.0) for n, name in enumerate(names)]
    svg = seed_marks_svg(marks, SIDE_PX)
    words = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]*)</text>', svg)
    assert len(words) == len(names)
    assert words[3][2] == "&lt;b&gt;"
    for left, _, said in words:
        assert float(left) >= 2
        assert float(left) + text_width(said.replace("&lt;", "<").replace("&gt;", ">")) <= SIDE_PX
    baselines = [float(y) for _, y, _ in words]
    assert min(np.diff(baselines)) >= 11.9
    assert len(taken_boxes(marks, SIDE_PX)) == 2 * len(names)


def test_a_full_diamond_lies_in_the_cut_and_a_hollow_one_beside_it() -> None:
    full, hollow = (
        seed_marks_svg([SeedMark(seed("a", 0, 0, 0), np.array([100.0, 100.0]), away)], SIDE_PX)
        for away in (0.2, 2.0)
    )
    assert 'fill="none"' not in full.split("/>")[1]
    assert 'fill="none"' in hollow.split("/>")[1]


def test_the_number_gives_way_to_the_diamond() -> None:
    """In the middle of the upper slab there is first its number, then the seed."""
    plain = {name: svg for name, _, svg in label_cuts(two_slabs(), "bone 1", np.zeros(3), 15.0, 200.0)}

    def number_at(svg: str, number: str) -> np.ndarray:
        found = re.search(rf'<text x="([\d.]+)" y="([\d.]+)"[^>]*>{number}</text>', svg)
        assert found is not None
        return np.array([float(found[1]), float(found[2])])

    before_px = number_at(plain["coronal"], "1")
    mm = (before_px - [0, 11 / 3]) * 30 / 200 - 15
    bone = with_seeds(seed("upper", -mm[0], 0, -mm[1]))
    after = {name: svg for name, _, svg in label_cuts(bone, "bone 1", np.zeros(3), 15.0, 200.0)}
    assert ">upper</text>" in after["coronal"]
    assert np.linalg.norm(number_at(after["coronal"], "1") - before_px) > 8


def test_the_page_says_what_the_diamonds_are() -> None:
    def words(bone: Bone) -> str:
        (page, *_) = fracture_pages(bone, assess(bone, Plan(())), "T")
        return next(block["caption"]["words"] for block in page.blocks if block["kind"] == "cuts")

    said = words(with_seeds(seed("upper", 1.5, 1.6, 6), seed("lost", 300, 0, 0), seed("lost", 301, 0, 0)))
    assert "Diamonds: the seeds that were set" in said
    assert "hollow: so far before or behind it" in said
    assert said.endswith("2 seeds lie elsewhere: lost.")
    assert "Diamonds" not in words(two_slabs())
