"""The report's page against what was measured: nothing left out, nothing fetched, nothing made up.

The words checked are those of the assessment.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html import unescape
from itertools import pairwise

import numpy as np
import pytest
from phantoms import CALIBRATION, as_ct, placed, slabs
from PIL import ImageFont
from two_slabs import ENTRY_MM, TARGET_MM, TILTED_MM, two_slabs

from planner.assess import assess
from planner.one_screw import NOT_ASKED
from planner.vocabulary import Plan
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, Grid, Surface
from viewer.asking import fluoroscopy_of
from viewer.report import provenance, words
from viewer.report.drawing import text_width, written
from viewer.report.figure_pages import figure_pages
from viewer.report.fluoroscopy_page import fluoroscopy_pages
from viewer.report.page import document, render_report
from viewer.report.sheet import ROOM_PX, paged
from viewer.report.strip_page import strip_page
from viewer.report.subject import subject_of
from viewer.report.tokens import FRAGMENT_INKS, fragment_ink

X = np.eye(3)[0]


@pytest.fixture(scope="module")
def bone() -> Bone:
    return two_slabs()


def hollow(bone: Bone) -> Bone:
    """The same two slabs as one fragment: what lies between them is then a hollow inside it."""
    first, second = bone.fragments
    shift = len(first.surface.vertices_mm)
    vertices_mm = np.vstack([first.surface.vertices_mm, second.surface.vertices_mm])
    faces = np.vstack([first.surface.faces, second.surface.faces + shift])
    volume_mm3 = first.volume_mm3 + second.volume_mm3
    both = replace(first, surface=Surface(vertices_mm, faces), volume_mm3=volume_mm3)
    # Of one fragment there is no fracture.
    return replace(bone, fragments=(both,), labels=np.minimum(bone.labels, 1), fractures=())


def report_of(bone: Bone, *screws, title: str = "Two slabs"):
    assessment = assess(bone, Plan(tuple(screws)))
    return render_report(bone, assessment, title=title), assessment


def screw_pages_of(bone: Bone, result, assessment) -> str:
    """The pages of one screw alone, as they stand in the report."""
    subject = subject_of(bone, assessment, result, as_scanned=False)
    pages = [strip_page(subject, assessment, "t"), *figure_pages(subject, assessment, "t", None)]
    return document(pages, bone, assessment, "t")


@pytest.fixture(scope="module")
def lag_report(bone):
    """A lag screw, its tip inside."""
    screw = placed(ENTRY_MM, TILTED_MM, length_mm=22.0, technique="lag")
    beside = {"entry_mm": ENTRY_MM + 5 * X, "target_mm": TILTED_MM + 5 * X}
    return report_of(bone, screw, replace(screw, name="S2", technique="position", **beside))


def plain(html: str) -> str:
    """The words of a page, without markup and pictures."""
    html = re.sub(r'(?:href|src)="data:[^"]*"', "", html)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", html)))


def foreign_addresses(html: str) -> list[str]:
    """What a browser would fetch from elsewhere."""
    named = re.findall(r"""(?:href|src|srcset|action|data)=["']?([^"'>\s]*)""", html)
    styled = re.findall(r"""(?:url\(|@import)\s*["']?([^"')\s]*)""", html)
    return [address for address in named + styled if not address.startswith(("data:image/", "#"))]


def test_the_page_needs_nothing_else_and_is_well_formed(lag_report):
    html, _ = lag_report
    assert "<script" not in html
    assert html.count("data:image/") >= 12
    assert foreign_addresses(html) == []
    for drawing in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ET.fromstring(drawing)
    names = re.findall(r'\bid="([^"]+)"', html)
    assert len(names) == len(set(names))
    assert set(re.findall(r"url\(#([^)]+)\)", html)) <= set(names)


@pytest.mark.parametrize(
    "planted",
    ['<img src="a.png">', "<link href=//x/y.css>", "<style>@import 'z';", "<p style='fill:url(f.svg#a)'>"],
)
def test_a_foreign_address_would_be_seen(planted):
    assert len(foreign_addresses(planted)) == 1


def test_the_same_input_gives_the_same_bytes(bone, lag_report):
    html, assessment = lag_report
    assert render_report(bone, assessment, title="Two slabs") == html


def test_every_page_carries_the_cautions(lag_report):
    html, assessment = lag_report
    pages = html.split('<section class="a4">')[1:]
    # Pictures and figures of two screws, the second one's mechanics on a page of their own,
    # where all comes from, what fluoroscopy should show, how the bone was found, and its fracture.
    assert len(pages) == 9
    for number, page in enumerate(pages, 1):
        said = plain(page)
        assert all(caution in said for caution in assessment.cautions)
        assert f"{number} of 9" in said


def test_the_page_for_theatre_says_what_it_is_and_tells_the_landmarks(bone, lag_report):
    _, assessment = lag_report
    only = replace(assessment, screws=assessment.screws[:1])
    entry = assessment.screws[0].entry_mm
    asked = fluoroscopy_of((), [f"{entry[0] + 3},{entry[1]},{entry[2] - 4}=<notch>"])
    (page,) = fluoroscopy_pages(bone, only, "t", asked, as_scanned=False)
    assert [block["kind"] for block in page.blocks] == ["lead", "cuts", "drawing", "table", "table"]
    assert "not an X-ray" in page.blocks[0]["bold"]
    pictures = [str(one["svg"]) for one in page.blocks[1]["stations"]]
    for drawn, letters in zip(pictures, ("RLHF", "APHF"), strict=True):
        assert "computed from the CT, not an X-ray</text>" in drawn
        assert all(f">{letter}</text>" in drawn for letter in letters)
        assert "&lt;notch&gt;" in drawn
        assert ">S1</text>" in drawn
        assert "10 mm" in drawn
    assert page.blocks[3]["rows"] == [["S1", "22.0", "22.0", "6° off H, to R", "21.9", "to H"]]
    assert page.blocks[4]["rows"] == [["S1", "<notch>", "5.0", "3.0 L", "4.0 H", "0.0", "4.0 H"]]
    assert fluoroscopy_pages(bone, replace(only, screws=()), "t", asked, as_scanned=False) == []


def test_every_finding_stands_there_with_its_word_limit_and_source(bone):
    screw = placed(ENTRY_MM, TARGET_MM, length_mm=28.0, seat_depth_mm=-1.5)
    assessment = assess(bone, Plan((screw,)))
    said = plain(screw_pages_of(bone, assessment.screws[0], assessment))
    findings = assessment.screws[0].findings
    assert {finding.severity for finding in findings} >= {"warn", "note"}
    for finding in findings:
        assert f"{finding.severity} {finding.message}" in said
        assert f"source: {finding.source}; {finding.code}" in said
        if finding.limit is not None:
            assert f"limit {finding.limit:g}" in said


def with_interval(figure, interval):
    """The figure and what stands under it; nothing where the interval is a point (to a hundredth)."""
    if round(interval.low, 2) == round(interval.high, 2):
        return figure
    digits = 2 if round(interval.low, 1) == round(interval.high, 1) else 1
    return f"{figure} {written(interval.low, digits)} to {written(interval.high, digits)}"


def test_figures_are_those_of_the_assessment(lag_report):
    html, assessment = lag_report
    said = plain(html)
    for result in assessment.screws:
        for fragment in result.fragments:
            hold = words.bitten_hold(fragment)
            ranges = fragment.intervals
            path = with_interval(written(fragment.axis_path_mm), ranges.axis_path_mm)
            engaged = with_interval(written(fragment.thread_engagement_mm), ranges.thread_engagement_mm)
            figures = f"{path} {engaged} {written(fragment.threads_engaged)}"
            assert f"{figures} {written(fragment.mean_hu, 0)}" in said
            if fragment.thread_engagement_mm > 0:
                interval = f"{written(hold.low, 0)} to {written(hold.high, 0)}"
                assert f"{written(hold.estimate, 0)} N {interval}" in said
            else:
                # The gliding hole frees the fragment under the head of the lag screw: no 0 N is told of it.
                assert (result.placed.technique, hold) == ("lag", None)
                low, high = (
                    written(end, 0)
                    for end in (ranges.mean_density_mg_cm3.low, ranges.mean_density_mg_cm3.high)
                )
                density = written(fragment.mean_density_mg_cm3, 0)
                assert f"{density} {low} to {high} held by the head" in said
        ends = result.intervals.bone_length_mm
        assert f"{written(result.bone_length_mm)} ({written(ends.low)} to {written(ends.high)}) mm" in said
        body = result.intervals.body.outer
        assert with_interval(written(result.body.outer), body) in said
        assert f"{written(result.leading_end.outer)}" in said


def test_a_lag_screw_in_an_unbroken_bone_has_its_page(bone):
    """All of the path is near fragment and so gliding hole: no thread bites anywhere (closed form)."""
    one = replace(bone, fragments=tuple(replace(f, bone=f.name) for f in bone.fragments))
    html, assessment = report_of(one, placed(ENTRY_MM, TARGET_MM, length_mm=10.0, technique="lag"))
    (fragment,) = assessment.screws[0].fragments
    assert fragment.thread_engagement_mm == 0
    said = plain(html)
    assert "no thread bites" in said
    assert "held by the head" not in said
    assert not re.search(r"(?<![\d.])0 to 0(?![\d.])", said)
    assert not re.search(r"\b0 N\b", said)


def test_bone_without_density_holds_nothing_and_has_its_page(bone):
    """A calibration that makes every density 0 makes every force 0 (closed form); the thread still bites."""
    calibration = replace(bone.calibration, slope_mg_cm3_per_hu=1e-9, intercept_mg_cm3=-1.0)
    empty = replace(bone, calibration=calibration)
    assessment = assess(empty, Plan((placed(ENTRY_MM, TARGET_MM, length_mm=22.0),)))
    (result,) = assessment.screws
    assert all(fragment.pullout_n.high == 0 for fragment in result.fragments)
    assert "0 N 0 to 0" in plain(screw_pages_of(empty, result, assessment))


def test_the_head_holds_only_where_it_presses_on_a_fragment_and_the_screw_goes_on(bone):
    """Common practice: a lag screw presses the near fragment under its head against the one it bites in."""
    screws = [
        placed(ENTRY_MM, TILTED_MM, length_mm=22.0, technique="lag"),
        placed(ENTRY_MM, TILTED_MM, length_mm=22.0),
        placed(ENTRY_MM, TILTED_MM, "headless-two-pitch-3.0-3.9", 22.0),
    ]
    held = []
    for screw in screws:
        result = assess(bone, Plan((screw,))).screws[0]
        held.append([words.held_by_head(result, fragment) for fragment in result.fragments])
    assert held == [[True, False], [False, False], [False, False]]


def test_a_bone_that_the_scan_cuts_off_is_at_least_so_long_and_has_no_exit():
    """Slabs whose upper end lies beyond the scan: the bone is seen up to the last voxel's centre (by
    construction)."""
    grid, hu = slabs(voxel_mm=(0.6, 0.6, 0.6), fwhm_mm=0.8, half_width_mm=10.0)
    kept = 42
    seen = Grid((*grid.shape[:2], kept), grid.affine)
    bone = segment(as_ct(seen, hu[:, :, :kept]), threshold_hu=220.0, calibration=CALIBRATION)
    html, assessment = report_of(bone, placed(ENTRY_MM, TARGET_MM, length_mm=16.0))
    (result,) = assessment.screws
    last_mm = seen.ijk_to_mm([[0, 0, kept - 1]])[0, 2]
    assert result.bone_length_mm == pytest.approx(last_mm - result.entry_mm[2], abs=0.6)
    assert result.bone_length_mm < 24
    said = plain(html)
    length = f"at least {written(result.bone_length_mm)}"
    mark = re.search(f"bone length, entry to the scan's end {length} mm ([¹²³])", said)[1]
    drawn = plain("".join(re.findall(r"<svg.*?</svg>", html)))
    assert f"{length} " in drawn
    assert "exit" not in drawn
    assert f"far cortex {f'not told {mark} ' * 4}" in said
    assert f"{mark} the bone is cut off by the border of the scan" in said
    # The upper slab goes on beyond the scan, the lower one does not.
    ends = [words.axis_path_words(result, f.fragment, f.axis_path_mm) for f in result.fragments]
    assert [end.startswith("at least ") for end in ends] == [False, True]


def test_of_a_cortex_not_told_apart_no_depth_is_told(lag_report):
    """Uniform slabs have no cortex: the density never falls by half (by construction)."""
    html, assessment = lag_report
    notes = words.Footnotes(assessment.screws[0].reasons)
    near, cancellous, far = words.layer_rows(assessment.screws[0], notes)
    assert {near["span"], near["thick"], near["hu"], near["density"]} == {"not told ¹"}
    assert far["span"] == cancellous["thick"] == "not told ¹"
    assert "near cortex not told" in plain(html)


def test_both_densities_say_what_they_are_of(bone):
    html, _ = report_of(bone, placed(ENTRY_MM, TARGET_MM, "iso5835-hb-4.0-partial", 22.0))
    drawn = plain("".join(re.findall(r"<svg.*?</svg>", html)))
    assert re.search(r"thread \d+", drawn)
    assert "mean" not in drawn
    said = plain(html)
    assert "density, whole path mg HA/cm³" in said
    assert "bar, mean over full thread (the table's density: whole path)" in said


def test_only_a_gap_between_two_fragments_is_a_fracture(bone):
    """The slabs lie 1.2 mm apart (closed form), met squarely; in one fragment that gap is a hollow."""
    screw = placed(ENTRY_MM, TARGET_MM, length_mm=22.0)
    broken, _ = report_of(bone, screw)
    whole, _ = report_of(hollow(bone), screw)
    assert re.search(r"fracture, 1\.[12] mm on the axis", plain(broken))
    assert "hollow" not in plain(broken)
    assert re.search(r"hollow, 1\.[12] mm on the axis", plain(whole))
    assert "a plain gap is a hollow" in plain(whole)
    assert "fracture, 1" not in plain(whole)
    assert "zigzag" not in plain(whole)


def test_a_stop_takes_the_forces_out_of_the_summary(bone):
    screw = placed(ENTRY_MM, TARGET_MM, length_mm=22.0)
    assessment = assess(bone, Plan((screw,)))
    result = assessment.screws[0]
    assert "N (" in words.summary_words(result).replace("\u00a0", " ")
    stop = replace(result.findings[0], severity="stop", message="A planted stop.")
    stopped = replace(result, findings=(*result.findings, stop))
    summary = words.summary_words(stopped)
    assert summary.startswith("Stop: A planted stop.")
    assert "not for comparison" in summary
    assert not re.search(r"\d\s*N\b", summary)
    html = screw_pages_of(bone, stopped, replace(assessment, screws=(stopped,)))
    figures = html.split('<section class="a4">')[2]
    assert 'class="muted"' in figures
    assert "not for comparison" in figures
    assert figures.index("A planted stop.") < figures.index("What holds in each fragment")


def test_what_is_not_known_is_told_with_its_reason(bone):
    reason = "neither a calibration nor a tube voltage was given"
    bare = replace(bone, calibration=None, calibration_reason=reason)
    html, assessment = report_of(bare, placed(ENTRY_MM, TARGET_MM, length_mm=22.0))
    said = plain(html)
    assert reason in said
    assert said.count("not told ¹") >= 4
    assert "None" not in said
    assert "nan" not in said.lower()
    # Of mechanics there is a row for what there is: what a screw has not and nobody asked has none.
    absent = ("strength.", "resorbable.", "tip_apex", "two_pitch", "lag", "angular_stability", "site")
    asked = re.compile(r"torque\.(given|wanted|compression_at_given|torque_for)\w*")
    assert "torque.stripping_n_m" in assessment.screws[0].reasons
    for key, reason in assessment.screws[0].reasons.items():
        if key.startswith(absent) or asked.fullmatch(key):
            continue
        # That a position screw has no gliding hole needs no line on paper.
        # Of a thick cortex at a plain level the layers tell what the level shows.
        # Nobody asked for a site or for draws of what is in doubt, and a report shows neither yet.
        left_out = ("the hold in", "no cortex was measured", *NOT_ASKED.values())
        if not reason.startswith(left_out) and "gliding hole" not in reason:
            assert reason in said


def test_a_name_never_becomes_markup(bone):
    screw = replace(placed(ENTRY_MM, TARGET_MM, length_mm=22.0), name='<b>"S"&1</b>')
    fragments = tuple(replace(f, name=f"<i>{f.number}</i>") for f in bone.fragments)
    html, _ = report_of(replace(bone, fragments=fragments), screw, title="<script>alert(1)</script>")
    assert "<script" not in html
    assert "<i>" not in html
    assert "<b>&#34;" not in html
    assert '<b>"S"&1</b>' in plain(html)


def test_a_plan_without_screws_still_has_its_page(bone):
    html, assessment = report_of(bone)
    assert assessment.screws == ()
    said = plain(html)
    assert "The plan holds no screw." in said
    assert "220 HU" in said


def test_fragments_are_told_apart_without_colour():
    hatches = [fragment_ink(rank).hatch_degree % 180 for rank in range(1, 9)]
    apart = [abs(a - b) for i, a in enumerate(hatches) for b in hatches[:i]]
    assert min(min(d, 180 - d) for d in apart) >= 5
    first_four = [ink.hatch_degree for ink in FRAGMENT_INKS]
    assert min(abs(a - b) for a, b in pairwise(first_four)) >= 45


def test_words_are_as_wide_as_they_are_taken_to_be():
    """Against Pillow's own sans serif: within 12 % (another face than the page's, so not nearer)."""
    face = ImageFont.load_default(40)
    for said in (provenance.DEFINITIONS, "Cancellous screw 6.5 mm, 32 mm thread", "12.3 mm to joint"):
        assert text_width(said, 40) == pytest.approx(face.getlength(said), rel=0.12)


def test_blocks_fill_pages_in_order_and_none_is_lost():
    sizes = [0.4, 0.4, 0.4, 1.3, 0.2]
    blocks = [({"kind": str(place)}, share * ROOM_PX) for place, share in enumerate(sizes)]
    pages = paged(blocks, "head", "sub", "side")
    assert [[block["kind"] for block in page.blocks] for page in pages] == [["0", "1"], ["2"], ["3"], ["4"]]


@pytest.mark.parametrize(
    ("value", "digits", "said"), [(-0.04, 1, "0.0"), (-1.25, 2, "−1.25"), (7.0, 0, "7"), (0.05, 0, "0")]
)
def test_figures_for_people(value, digits, said):
    assert written(value, digits) == said
