"""The report on paper: each sheet prints on one A4 page, by a real browser where there is one."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from finding_cases import two_bones
from phantoms import placed
from two_slabs import ENTRY_MM, TARGET_MM, TILTED_MM, two_slabs

from planner.asked import Asked, assess_asked
from planner.assess import assess, ready
from planner.catalogue import built_in_screws
from planner.clearance import PARTS
from planner.compare import Wanted, compare
from planner.doubt_vocabulary import AskedDoubt, DrawnLimit, DrawnNumber
from planner.forgiveness import DIRECTIONS_COUNT, Forgiveness
from planner.site_file import read_site
from planner.vocabulary import Plan, ScrewResult
from viewer.report.page import render_report

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")

A4_PT = (595.28, 841.89)
"""published: ISO 216, 210 × 297 mm; a point is 1/72 inch."""

SHEET = '<section class="a4">'

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no browser to print with (Debian: chromium)")


def printed(html: str, folder) -> bytes:
    page, paper = folder / "report.html", folder / "report.pdf"
    page.write_text(html, encoding="utf-8")
    command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    command += [f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={paper}", page.as_uri()]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return paper.read_bytes()


def page_sizes_pt(pdf: bytes) -> list[tuple[float, float]]:
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", pdf)
    assert len(boxes) == len(re.findall(rb"/Type\s*/Page\b", pdf))
    return [(float(width), float(height)) for width, height in boxes]


TITLE = "A title of its own"


@cache
def two_screws_report() -> str:
    """A report of two screws, whose title is put in its place by each that asks."""
    lag = placed(ENTRY_MM, TILTED_MM, length_mm=22.0, technique="lag")
    position = replace(lag, name="S2", target_mm=TARGET_MM, technique="position")
    return render_report(two_slabs(), assess(two_slabs(), Plan((lag, position))), title=TITLE)


@pytest.mark.parametrize(
    "title", ["Two slabs", "radius, capitate, trapezium, lunate, scaphoid, trapezoid", "W" * 64]
)
def test_every_sheet_is_one_page_of_a4(tmp_path, title):
    html = two_screws_report().replace(TITLE, title)
    assert html.count(title) > 2
    sizes = page_sizes_pt(printed(html, tmp_path))
    assert len(sizes) == html.count(SHEET) > 1
    for width, height in sizes:
        # Browsers print in whole CSS pixels, 0.75 pt each.
        assert (width, height) == pytest.approx(A4_PT, abs=0.75)


def test_a_long_screw_in_two_rows_keeps_to_its_sheet(tmp_path):
    """The fullest page there is: two rows, a gliding hole, another screw, a stop, and a bone cut off."""
    lag = placed(ENTRY_MM, TILTED_MM, "iso5835-ha-4.5", 90.0, technique="lag")
    beside = replace(lag, name="S2", target_mm=TARGET_MM, technique="position")
    assessment = assess(two_slabs(), Plan((lag, beside)))
    cut = {"bone_length_mm": "the bone is cut off by the border of the scan"}
    cut_off = tuple(replace(one, reasons={**one.reasons, **cut}) for one in assessment.screws)
    html = render_report(two_slabs(), replace(assessment, screws=cut_off), title="Two slabs")
    assert html.count("in two rows") == 2
    assert len(page_sizes_pt(printed(html, tmp_path))) == html.count(SHEET)


def test_fragments_fractures_joints_and_a_reduction_keep_to_their_sheets(tmp_path):
    """Eight fractures, of which three could not be measured, forty joints with long names, a moved piece."""
    bone = two_bones(find_joints=True).prepared.bone
    (fracture,) = two_slabs().fractures
    nothing = {"gap_median_mm": None, "gap_p95_mm": None, "gap_largest_mm": None, "contact_area_mm2": None}
    none = replace(fracture, **nothing, gap_reason="not measurable: what lies in it is as dense as bone")
    long = replace(bone.joints[0], name="distal radius / scaphoid, proximal pole")
    pose = np.eye(4)
    pose[2, 3] = -1.0
    moved = (replace(bone.fragments[0], pose=pose), *bone.fragments[1:])
    full = replace(bone, fragments=moved, fractures=(fracture,) * 5 + (none,) * 3, joints=(long,) * 40)
    html = render_report(full, assess(full, Plan(())), title="Two slabs")
    assert html.count("<b>Fragments and fractures</b>") >= 3
    assert html.count("<b>Before and after reduction</b>") == 1
    assert len(page_sizes_pt(printed(html, tmp_path))) == html.count(SHEET)


def test_how_sure_the_variants_and_the_forgiveness_keep_to_their_sheets(tmp_path):
    """A headless screw with all its ten limits, a joint among them, drawn, held against a site, two tables of
    variants, both maps: what is asked most of. How sure it is stands on one sheet, the maps on the next."""
    headless = placed(ENTRY_MM, TILTED_MM, "headless-two-pitch-3.0-3.9", 22.0, seat_depth_mm=1.0)
    asked = Asked(site=read_site("scaphoid"), doubt=AskedDoubt("freehand", 100, 1))
    bone, plan = ready(two_slabs()), Plan((headless,))
    assessment = assess_asked(bone, plan, asked)
    (result,) = assessment.screws
    whole = replace(assessment, screws=(near_a_joint(result),))
    wanted = Wanted(lengths_mm=(18.0, 20.0, 22.0), path="S1")
    comparison = compare(bone, plan, built_in_screws(), wanted, asked)
    two_tables = replace(comparison, rows=comparison.rows * 3)
    each = 1.0 + np.arange(DIRECTIONS_COUNT) / 10
    maps = Forgiveness(1.0, 1.0, each, each, np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), (1, 7))
    html = render_report(two_slabs(), whole, title="Slabs", comparison=two_tables, forgiven=[maps])
    sheets = html.split(SHEET)[1:]
    (sure,) = (sheet for sheet in sheets if "<h2>Against its limits" in sheet)
    assert sure.count("</svg>") == 10
    assert "<h2>What else the draws tell" in sure
    assert "<h2>The site&#39;s length rule" in sure
    assert "Gap closed in" in html
    (forgiving,) = (sheet for sheet in sheets if "<h2>How forgiving" in sheet)
    assert forgiving.count("</svg>") == 2
    assert sum('<table class="compared">' in sheet for sheet in sheets) == 2
    assert len(page_sizes_pt(printed(html, tmp_path))) == len(sheets)


def near_a_joint(result: ScrewResult) -> ScrewResult:
    """``result`` with a joint 2.4 mm from each of its parts, as drawn as the rest."""
    near = DrawnNumber("", None, 2.4, -3.2, 2.9, "placement", 0.97)
    parts = {name: replace(getattr(result, name), joint=2.4) for name in PARTS}
    numbers = tuple(replace(near, number=f"clearance_mm.{name}.joint") for name in PARTS)
    doubt = replace(
        result.doubt,
        numbers=result.doubt.numbers + numbers,
        limits=(*result.doubt.limits, DrawnLimit("joint_clearance_mm", 2.0, 0.31)),
    )
    return replace(result, doubt=doubt, **parts)


def test_a_sheet_too_tall_for_its_page_would_be_seen(tmp_path):
    tall = f'<!doctype html><style>@page{{size:A4}}</style>{SHEET}<p style="height:400mm">x</p></section>'
    assert len(page_sizes_pt(printed(tall, tmp_path))) == 2
