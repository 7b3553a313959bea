"""The sheet of the entry map: its colours, key and words against the map, and its place on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from phantoms import placed
from test_print import SHEET, page_sizes_pt, printed
from two_slabs import ENTRY_MM, TILTED_MM, two_slabs

from planner.assess import assess_screws, ready
from planner.catalogue import built_in_screws
from planner.entry_map import BARE, Best, entry_map
from planner.limits import Limits
from planner.search_space import search_space
from planner.vocabulary import Plan
from viewer.report.camera import camera_on
from viewer.report.entry_page import entry_pages
from viewer.report.entry_picture import MappedBone, entry_picture
from viewer.report.entry_scale import RAMP, colours, key_svg, scale_of
from viewer.report.page import document
from viewer.report.subject import subject_of
from viewer.report.tokens import rgb_fraction

FAMILY = "iso5835-ha-2.7"


@pytest.fixture(scope="module")
def made():
    """Two slabs with a screw, and the map of its family: bone, assessment, map."""
    bone = ready(two_slabs())
    plan = Plan((placed(ENTRY_MM, TILTED_MM, FAMILY, 22.0),))
    name = bone.prepared.bone.fragments[0].bone
    space = search_space(bone.prepared, name)
    screw = replace(built_in_screws()[FAMILY], stocked_lengths_mm=(18.0, 20.0, 22.0, 24.0))
    told = entry_map(bone, space, [screw], spacing_mm=3.0, turn_degree=16.0, finest_degree=4.0)
    return bone, assess_screws(bone, plan), told


def subject(made):
    bone, assessment, _ = made
    return subject_of(bone.prepared.bone, assessment, assessment.screws[0], as_scanned=False)


def words_of(page):
    return " ".join(f"{one.get('bold', '')} {one.get('words', '')}" for one in page.blocks)


def lightness(colour):
    """CIE L* of a colour in sRGB (IEC 61966-2-1, CIE 15)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb_fraction(colour)]
    y = float(np.dot([0.2126, 0.7152, 0.0722], linear))
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def test_the_ramp_gets_darker_all_the_way():
    """Bar: 8 of 100 a step, which a grey printer keeps (our choice)."""
    assert (np.diff([lightness(colour) for colour in RAMP]) < -8).all()


def test_the_key_spans_the_map_in_round_steps(made):
    told = made[2]
    scale = scale_of(told)
    low, high = np.nanmin(told.best.value), np.nanmax(told.best.value)
    assert scale.low <= low < high <= scale.high
    assert 2 <= len(scale.ticks) <= 7
    assert scale.ticks[-1] == pytest.approx(scale.high)
    svg = key_svg(scale, frozenset({BARE}), 600.0)
    assert all(f">{tick:g}</text>" in svg for tick in scale.ticks)
    assert "best governing hold, N" in svg
    assert "not an outer surface" in svg
    assert "no screw keeps every limit" not in svg
    assert colours(np.array([scale.low, scale.high]), scale) == pytest.approx(
        np.array([rgb_fraction(RAMP[0]), rgb_fraction(RAMP[-1])])
    )


def test_the_sheet_says_what_was_looked_at_with_which_screw_and_limits(made):
    _, assessment, told = made
    (page,) = entry_pages(subject(made), assessment, told, "slabs")
    said = words_of(page)
    top = told.top
    assert (
        f"The best entry reaches {told.best.value[top]:.0f} N with {told.best.length_mm[top]:g} mm." in said
    )
    assert f"{len(told.fragment):,} entries about 3.0 mm apart" in said
    assert f"from {told.reached.sum():,} a screw keeps every limit" in said
    assert f"{FAMILY} of 18, 20, 22, 24 mm. No other screw is in the plan." in said
    assert f"clearance of the body {Limits().body_clearance_mm:g} mm" in said
    assert "they are not those of 'measure'" in said
    assert sum("<image" in str(one.get("svg", "")) for one in page.blocks) == 2


def test_the_best_entry_and_the_screws_are_marked_where_they_are_seen(made):
    _, assessment, told = made
    own = subject(made).own
    mapped = MappedBone(own, told)
    seen = []
    for sign in (1.0, -1.0):
        right, up = np.array([sign, 0.0, 0.0]), np.array([0.0, sign, 0.0])
        camera = camera_on(right, np.cross([0.0, 0.0, 1.0], right), own, None, 300.0, 200.0)
        assert camera.toward == pytest.approx([0, 0, 1])
        camera = replace(camera, up=up * sign, right=right)
        drawn = entry_picture(mapped, {1: assessment.screws[0]}, scale_of(told), camera)
        assert ("1: S1" in drawn.svg) == bool(drawn.screws)
        assert ("best: " in drawn.svg) == drawn.best
        seen.append((bool(drawn.screws), drawn.best))
    # From above and from below: each entry from one side, not from both.
    assert [sum(side) for side in zip(*seen, strict=True)] == [1, 1]


def test_a_map_that_reaches_nothing_says_what_excluded_it(made):
    _, assessment, told = made
    count = len(told.fragment)
    nothing = Best(np.full(count, np.nan), np.full(count, np.nan), np.full(count, -1))
    (page,) = entry_pages(subject(made), assessment, replace(told, best=nothing), "slabs")
    said = words_of(page)
    assert f"a {FAMILY} keeps every limit. What excluded most: " in said
    assert "<image" in str(page.blocks[1]["svg"])
    assert "best governing hold" not in "".join(str(one.get("svg", "")) for one in page.blocks)


def test_the_sheet_keeps_to_one_page_of_a4(made, tmp_path):
    bone, assessment, told = made
    pages = entry_pages(subject(made), assessment, told, "slabs")
    html = document(pages, bone.prepared.bone, assessment, "slabs")
    assert len(page_sizes_pt(printed(html, tmp_path))) == html.count(SHEET) == 1
