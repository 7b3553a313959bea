"""What the report says of doubt, sites, variants and forgiveness, against the planner's own numbers."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html import unescape
from typing import Any

import numpy as np
import pytest
from bench_rig import HEADLESS, LAG, SCREWS, ball_bone, through_ball

from planner.asked import Asked, assess_asked
from planner.assess import ReadyBone, ready
from planner.compare import Comparison, Wanted, compare
from planner.demands import Demands
from planner.doubt_vocabulary import AskedDoubt, Doubt
from planner.forgiveness import DIRECTIONS_COUNT, MOST_MM, Forgiveness
from planner.search import LIMIT_WORDS
from planner.site_file import read_site, source_with_mark
from planner.vocabulary import Assessment, Plan
from viewer.drawn_words import LIMITS, limit_of, number_of, share_words
from viewer.report.asked_block import asked_blocks
from viewer.report.compare_page import BAR_PX, COLUMNS_COUNT, compare_pages
from viewer.report.drawing import written
from viewer.report.forgiveness_block import MAP_HEIGHT_PX, MAP_PX, RIM_PX, forgiveness_block
from viewer.report.limit_rows import LimitRow
from viewer.report.page import render_report
from viewer.report.subject import Subject, subject_of
from viewer.report.sure_page import sure_pages
from viewer.report.sure_rows import sure_rows, value_words

DRAWN = AskedDoubt("guided", 200, 3)
PLAN = Plan((through_ball(), through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0)))
TURNS = 2 * np.pi * np.arange(DIRECTIONS_COUNT) / DIRECTIONS_COUNT


@cache
def ball() -> ReadyBone:
    return ready(ball_bone())


@cache
def told(site: str | None = "scaphoid", *, drawn: bool = True) -> Assessment:
    asked = Asked(site=None if site is None else read_site(site), doubt=DRAWN if drawn else None)
    return assess_asked(ball(), PLAN, asked)


@cache
def compared(*lengths_mm: float) -> Comparison:
    asked = Asked(site=read_site("scaphoid"), doubt=DRAWN)
    return compare(ball(), PLAN, SCREWS, Wanted((), lengths_mm, (), "S1"), asked)


def subject(assessment: Assessment, place: int = 0) -> Subject:
    return subject_of(ball_bone(), assessment, assessment.screws[place], as_scanned=False)


def doubt_of(assessment: Assessment, place: int = 0) -> Doubt:
    doubt = assessment.screws[place].doubt
    assert doubt is not None
    return doubt


def blocks_of(assessment: Assessment, place: int = 0) -> dict[str, dict[str, Any]]:
    """The blocks of a screw's page by kind, tables by title."""
    pages = sure_pages(subject(assessment, place), assessment, "ball", [])
    return {block.get("title", block["kind"]): block for page in pages for block in page.blocks}


def forgiven(entry_mm: Any, direction_degree: Any, breaks: tuple[int, int] = (4, -1)) -> Forgiveness:
    """Seen from the head, directions counted from rightwards towards up."""
    frame = subject(told()).frame
    entry, direction = (np.broadcast_to(one, DIRECTIONS_COUNT) * 1.0 for one in (entry_mm, direction_degree))
    return Forgiveness(
        float(entry.min()), float(direction.min()), entry, direction, frame.toward, frame.up, breaks
    )


@pytest.mark.parametrize("place", [0, 1])
def test_every_limit_that_was_drawn_stands_there_with_its_own_share_and_intervals(place: int) -> None:
    assessment, doubt = told(), doubt_of(told(), place)
    limits = subject(assessment, place).limits
    groups = {group[0].row.name: group for group in sure_rows(assessment.screws[place], place, limits)}
    assert {one.limit for one in doubt.limits} <= set(groups)
    assert list(groups) == [name for name in LIMITS if name in groups]
    for name, group in groups.items():
        drawn = limit_of(doubt, name)
        for one in group:
            assert one.kept_fraction == (None if drawn is None else drawn.holds_fraction)
            number = number_of(doubt, *one.row.drawn)
            assert (one.row.interval is None) == (number is None)
            if number is not None and drawn is not None:
                assert one.row.value == pytest.approx(number.estimate, abs=1e-9)
                assert (one.row.interval.low, one.row.interval.high) == (number.low, number.high)
                assert one.row.limit == drawn.asked


def test_the_page_tells_the_draws_in_words_and_figures() -> None:
    assessment, doubt = told(), doubt_of(told())
    blocks = blocks_of(assessment)
    assert list(blocks) == [
        "lead",
        "limits",
        "Where the limits come from",
        "The site's length rule",
        "What else the draws tell",
    ]
    assert f"in {share_words(doubt.breach_fraction)} of 200 draws" in blocks["lead"]["bold"]
    assert not re.search(r"\w_\w", blocks["lead"]["words"])
    rows = blocks["limits"]["rows"]
    body = next(row for row in rows if row["words"] == "Body to surface")
    clear, kept = number_of(doubt, "clearance_mm.body.outer"), limit_of(doubt, "body_clearance_mm")
    assert clear is not None
    assert kept is not None
    assert body["value"] == f"{written(clear.estimate)}\u00a0mm"
    assert body["range"] == f"{written(clear.low)} to {written(clear.high)}"
    assert (body["kept"], body["asked"]) == (share_words(kept.holds_fraction), "≥ 1 mm")
    assert sum(row["span"] for row in rows) == len(rows)
    length = number_of(doubt, "bone_length_mm")
    assert length is not None
    assert blocks["What else the draws tell"]["rows"][0][:3] == [
        "bone length, mm",
        written(length.estimate),
        f"{written(length.low)} to {written(length.high)}",
    ]


def test_a_site_gives_its_sources_and_its_rule_beside_the_length() -> None:
    site, result = read_site("scaphoid"), told().screws[0]
    blocks = blocks_of(told())
    sources = {name: (asked, said) for name, asked, said in blocks["Where the limits come from"]["rows"]}
    buried = site.document.limits["trailing_end_buried_mm"]
    assert sources[LIMITS["trailing_end_buried_mm"]] == (
        "≥ 2 mm",
        source_with_mark(buried.source, buried.mark),
    )
    assert sources[LIMITS["body_clearance_mm"]][1].startswith("Our choice")
    (row,) = blocks["The site's length rule"]["rows"]
    rule = result.site_length
    assert rule is not None
    assert rule.longest_mm is not None
    assert row[0].startswith(written(result.bone_length_mm))
    assert row[1:] == [
        "no limit",
        written(rule.longest_mm),
        f"{rule.longest_stocked_mm:g}",
        "14",
        "within the rule",
    ]


def test_without_doubt_a_site_has_its_limits_and_no_share() -> None:
    blocks = blocks_of(told(drawn=False))
    assert list(blocks) == ["limits", "Where the limits come from", "The site's length rule"]
    assert not blocks["limits"]["drawn"]
    tip = next(row for row in blocks["limits"]["rows"] if row["words"] == "Tip to surface")
    own = told(drawn=False).screws[0].intervals.leading_end.outer
    assert own is not None
    assert tip["range"] == f"{written(own.low)} to {written(own.high)}"


def test_without_site_and_doubt_there_is_no_such_page() -> None:
    plain = told(None, drawn=False)
    assert sure_pages(subject(plain), plain, "ball", []) == []


def test_a_broken_limit_is_told_without_colour_and_never_reads_as_kept() -> None:
    rows = sure_rows(told().screws[0], 0, subject(told()).limits)
    row = next(one.row for group in rows for one in group if one.row.words == "Body to surface")
    short = replace(row, value=row.limit - 0.02)
    assert (short.broken, value_words(short)) == (True, "0.98\u00a0mm")
    assert value_words(replace(row, value=row.limit + 0.02)) == "1.0\u00a0mm"
    worse = replace(told().screws[0], body=replace(told().screws[0].body, outer=0.5))
    one = next(
        one
        for group in sure_rows(replace(worse, doubt=None), 0, subject(told()).limits)
        for one in group
        if one.row.words == "Body to surface"
    )
    assert one.row.broken


def test_while_a_stop_stands_no_force_is_told() -> None:
    result = told().screws[0]
    stop = replace(result.findings[0], severity="stop")
    assessment = replace(told(), screws=(replace(result, findings=(stop,)), told().screws[1]))
    table = blocks_of(assessment)["What else the draws tell"]
    assert "Forces are left out" in table["foot"]
    assert not any(row[0].endswith((", N", ", N·m")) for row in table["rows"])
    assert any(row[0].endswith(", N") for row in blocks_of(told())["What else the draws tell"]["rows"])


def test_what_was_asked_of_the_screw_is_answered() -> None:
    asked = Asked(demands=Demands(50.0, 10.0, 60.0, 0.1, 12))
    result = assess_asked(ball(), Plan(PLAN.screws[1:]), asked).screws[0]
    ((block, _),) = asked_blocks(result)
    torque, strength, twins = result.torque, result.strength, result.resorbable
    assert torque is not None
    assert strength is not None
    assert twins is not None
    share = strength.bending.of_yield_fraction
    assert share is not None
    answers = [
        ("compression at 0.1 N·m", torque.compression_at_given_n, "N", 0),
        ("torque for 60 N", torque.torque_for_wanted_n_m, "N·m", 2),
        ("stress under 50 N, 10 mm from the weakest section", strength.bending.stress_mpa, "MPa", 0),
        ("deflection under it", strength.bending.deflection_mm, "mm", 2),
        *((f"{course.material} at 12 weeks", course.at_union, "×", 2) for course in twins.courses),
    ]
    assert [row[0] for row in block["rows"]] == [words for words, *_ in answers]
    for row, (_, interval, unit, digits) in zip(block["rows"], answers, strict=True):
        if interval is None:
            assert row[1] == "not told"
            assert row[3]
        else:
            assert row[1] == f"{written(interval.estimate, digits)}\u00a0{unit}"
    assert sum(interval is not None for _, interval, *_ in answers) >= 5
    assert block["rows"][2][3].startswith(f"{100 * share.estimate:.0f} % (")
    stopped = replace(result, findings=(replace(result.findings[0], severity="stop"),))
    ((left, _),) = asked_blocks(stopped)
    assert [row[0] for row in left["rows"]] == [words for words, *_ in answers[2:]]
    assert "while a stop stands" in left["foot"]
    assert asked_blocks(told().screws[1]) == []


def test_variants_stand_side_by_side_with_their_own_shares_and_no_total() -> None:
    comparison = compared(12.0, 14.0, 500.0)
    (page,) = compare_pages(comparison, "ball")
    assert page.sub == "placed guided, the same 200 draws for each (seed 3)"
    variants, table = page.blocks
    assert [row[3] for row in variants["rows"]] == ["12", "14", "500"]
    assert "Not measured: 3, the length of" in variants["foot"]
    assert [one["varied"] for one in table["names"]] == [["12 mm"], ["14 mm"]]
    doubts = [row.result.doubt for row in comparison.rows if row.result is not None and row.result.doubt]
    rows = {(row["words"], row["limit"]): row["cells"] for row in table["rows"]}
    for place, doubt in enumerate(doubts):
        joint, clear = (
            limit_of(doubt, "joint_clearance_mm"),
            number_of(doubt, "clearance_mm.leading_end.joint"),
        )
        assert joint is not None
        assert clear is not None
        kept = rows["Clearance to the joint ≥\u00a02\u00a0mm", True][place]
        assert kept["value"].replace("\u00a0", " ") == share_words(joint.holds_fraction)
        tip = rows["Tip to joint", False][place]
        assert tip["value"].endswith(f"{written(clear.estimate)}\u00a0mm")
        assert tip["beside"].split("\u00a0to\u00a0") == [written(clear.low), written(clear.high)]
        breach = rows["Leaves the bone or crosses the joint", True][place]
        assert breach["value"].replace("\u00a0", " ") == share_words(doubt.breach_fraction)
    assert rows["Tip to joint", False][0] != rows["Tip to joint", False][1]
    for cell in (cell for (_, limit), cells in rows.items() if limit for cell in cells if cell["svg"]):
        # The bar is drawn as long as the share in figures says, to the percent.
        filled = [
            float(one) for one in re.findall(r'width="([\d.]+)" height="6.0" fill="#', str(cell["svg"]))
        ]
        share = {"all": 100.0, "none": 0.0}.get(cell["value"]) or re.findall(r"\d+", cell["value"] + "0")[0]
        assert sum(filled) / (BAR_PX - 1) * 100 == pytest.approx(float(share), abs=1.0)


def test_more_variants_than_columns_fill_further_tables() -> None:
    comparison = compared(12.0, 14.0)
    count = COLUMNS_COUNT // 2 + 1
    pages = compare_pages(replace(comparison, rows=comparison.rows * count), "ball")
    tables = [block for page in pages for block in page.blocks if block["kind"] == "compared"]
    assert [len(table["names"]) for table in tables] == [COLUMNS_COUNT, 2]
    assert all(len(row["cells"]) == len(table["names"]) for table in tables for row in table["rows"])


def corners(svg: str) -> np.ndarray:
    """(n, 2) the dots of a map from its centre, rightwards and up, as shares of the outer ring."""
    dots = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="2\.[06]" fill="#\w+" stroke=', svg)
    away = np.array(dots, float) - [MAP_PX / 2, MAP_HEIGHT_PX / 2]
    return np.asarray(away * [1, -1] / RIM_PX)


def test_the_maps_are_drawn_as_far_as_is_forgiven_each_way() -> None:
    reach_mm = 2.0 + 1.5 * np.cos(TURNS)
    block, _ = forgiveness_block(forgiven(reach_mm, 15.0), subject(told()).frame)
    entry, direction = (str(one) for one in block["maps"])
    expected = reach_mm[:, None] / MOST_MM * np.stack([np.cos(TURNS), np.sin(TURNS)], axis=1)
    assert corners(entry) == pytest.approx(expected, abs=0.1 / RIM_PX + 1e-3)
    assert np.linalg.norm(corners(direction), axis=1) == pytest.approx(1.0, abs=0.01)
    assert re.findall(r">(\d\.\d)</text>", entry) == [written(one) for one in reach_mm]
    assert direction.count("&gt; 15") == DIRECTIONS_COUNT
    assert direction.count('fill="#FFFFFF"') == DIRECTIONS_COUNT
    first, second = block["says"]
    assert first.startswith("Entry off: 0.5\u00a0mm is forgiven every way.")
    assert LIMIT_WORDS[4] in first
    assert second == "Direction off: more than 15° is forgiven every way; no farther was looked."


def test_degrees_are_rounded_down_to_what_is_known() -> None:
    block, _ = forgiveness_block(
        forgiven(1.0, np.where(np.cos(TURNS) > 0.9, 1.75, 4.0)), subject(told()).frame
    )
    assert "Direction off: 1.5° is forgiven every way." in block["says"][1]


def test_what_forgives_nothing_has_no_map() -> None:
    block, _ = forgiveness_block(forgiven(0.0, 0.0, (7, 7)), subject(told()).frame)
    assert block["maps"] == []
    assert block["says"] == [f"As planned the screw breaks a limit: {LIMIT_WORDS[7]}. Nothing is forgiven."]


def test_the_whole_report_holds_it_all_and_every_page_its_cautions() -> None:
    assessment = replace(told(), screws=told().screws[:1])
    html = render_report(
        ball_bone(), assessment, title="ball", comparison=compared(12.0, 14.0), forgiven=[forgiven(1.0, 5.0)]
    )
    pages = html.split('<section class="a4">')[1:]
    assert all(caution in unescape(page) for page in pages for caution in assessment.cautions)
    for said in (
        "Against its limits",
        "What else the draws tell",
        "How forgiving <span>",
        "Limits and numbers",
    ):
        assert html.count(said) == 1
    assert SCREWS[HEADLESS].title in html


@pytest.mark.parametrize(
    ("limit", "unit", "says"),
    [
        (2.0, "mm", "≥ 2.0"),
        (2.25, "mm", "≥ 2.25"),
        (3.0, "", "≥ 3"),
        (3.5, "", "≥ 3.5"),
        (1 / 3, "mm", "≥ 0.333"),
    ],
)
def test_a_limit_is_written_as_fine_as_it_is_asked(limit: float, unit: str, says: str) -> None:
    assert LimitRow("", "", 1.0, unit, limit, 3.0, 1.0, 1).limit_words == says
