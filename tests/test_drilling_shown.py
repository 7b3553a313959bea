"""Drilling and mechanics as they are drawn and told: to scale, with the assessment's figures, and not at all
while a stop stands.

The bone is two slabs with a gap, its screw a lag screw through both: each depth is drawn where it is.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from phantoms import placed
from two_slabs import ENTRY_MM, TARGET_MM, TILTED_MM, two_slabs

from planner.asked import Asked
from planner.assess import assess
from planner.vocabulary import Assessment, Plan, ScrewResult
from viewer.bench.column import column
from viewer.report.drawing import written
from viewer.report.drill_rows import EDGE_PX, ROW_PX, WITHHELD, DrillRow, drill_rows
from viewer.report.figure_pages import figure_pages
from viewer.report.mechanics_rows import (
    foot_words,
    hold_row,
    insertion_limit_n_m,
    mechanics_rows,
    torque_svg,
)
from viewer.report.subject import Subject, subject_of
from viewer.summary import tell_assessment

WIDTH_PX = 400.0


@cache
def assessed(stop: bool = False) -> tuple[Assessment, Subject]:
    screw = placed(ENTRY_MM, TILTED_MM, length_mm=22.0, technique="lag", seat_depth_mm=1.0)
    assessment = assess(two_slabs(), Plan((screw,)))
    (result,) = assessment.screws
    if stop:
        planted = replace(result.findings[0], severity="stop", message="A planted stop.")
        result = replace(result, findings=(*result.findings, planted))
        assessment = replace(assessment, screws=(result,))
    assert any(one.severity == "stop" for one in result.findings) == stop
    return assessment, subject_of(two_slabs(), assessment, result, as_scanned=False)


def rows() -> dict[str, DrillRow]:
    return {row.step.step: row for row in drill_rows(assessed()[1], WIDTH_PX)}


def numbers(text: str) -> list[float]:
    return [float(one) for one in re.findall(r"-?\d+(?:\.\d+)?", text)]


def uprights_px(svg: str) -> list[float]:
    """Where the upright lines of a drawing stand: fracture, entry, exit."""
    ends = re.findall(r'<line x1="([\d.]+)" y1="0.0" x2="([\d.]+)" y2="20.0"', svg)
    assert all(one == other for one, other in ends)
    return [float(one) for one, _ in ends]


def test_every_step_is_drawn_on_one_depth_in_the_order_of_the_hand() -> None:
    result = assessed()[1].result
    told = drill_rows(assessed()[1], WIDTH_PX)
    assert [row.step for row in told] == list(result.drilling)
    assert list(rows()) == ["gliding hole", "pilot hole", "countersink", "gauge", "tap", "screw"]
    assert len({tuple(uprights_px(row.svg)) for row in told}) == 1
    fracture, entry, leaves = uprights_px(told[0].svg)
    scale = (leaves - entry) / result.bone_length_mm
    gap = result.fractures[0].depth_mm
    assert fracture == pytest.approx(entry + gap * scale, abs=1.0 * scale)
    for name in ("gliding hole", "pilot hole"):
        step = rows()[name].step
        (shape,) = re.findall(r'd="(M[^"]*z)"', rows()[name].svg)
        # From the start along the wall to the shoulder, and to the point.
        start, _, _, point, *_ = numbers(shape)
        assert start == pytest.approx(entry + step.from_mm * scale, abs=0.11)
        assert point == pytest.approx(entry + step.to_mm * scale, abs=0.11)


def test_diameters_share_a_scale_and_nothing_leaves_its_row() -> None:
    def height_px(name: str) -> float:
        (shape,) = re.findall(r'd="M[\d.]+ ([\d.]+)H', rows()[name].svg)
        return ROW_PX - 2 * float(shape)

    gliding, pilot = (rows()[name].step.diameter_mm or 0.0 for name in ("gliding hole", "pilot hole"))
    assert height_px("gliding hole") / height_px("pilot hole") == pytest.approx(gliding / pilot, rel=0.03)
    (screw,) = re.findall(r'd="(M[^"]*)"', rows()["screw"].svg)
    y = numbers(screw.replace("M", " ").replace("L", " ").replace("Z", " "))[1::2]
    assert min(y) >= 0
    assert max(y) <= ROW_PX
    assert min(numbers(screw)[0::2]) >= EDGE_PX - 0.1


def test_figures_are_those_of_the_assessment() -> None:
    for row in rows().values():
        shown = written(row.step.reading_mm)
        assert row.reading == (f"{row.step.reading_mm:g}" if row.words == "screw" else shown)
        assert row.diameter == ("" if row.step.diameter_mm is None else f"{row.step.diameter_mm:g}")
    result = assessed()[1].result
    known = {row.words: row for row in mechanics_rows(result)}
    torque, lag, strength = result.torque, result.lag, result.strength
    assert torque
    assert torque.insertion_n_m
    assert lag
    assert lag.pressing_n
    assert strength
    assert known["Insertion torque"].value == torque.insertion_n_m.estimate
    assert known["Insertion torque"].told == torque.insertion_against_limit
    assert known["80 % of stripping"].interval is torque.eighty_percent_n_m
    assert known["Lags by technique"].value == lag.pressing_n.estimate
    assert known["Weakest to fracture"].value == strength.weakest.to_fracture_mm
    hold = hold_row(result, "bone")
    assert hold
    assert result.pull_out
    assert (hold.value, hold.told) == (result.pull_out.force_n.estimate, "limited by bone")
    torn = replace(result, pull_out=replace(result.pull_out, limited_by="screw"))
    assert getattr(hold_row(torn, "bone"), "told", "") == "limited by screw"


def test_torques_share_one_scale_with_the_line_of_the_floor() -> None:
    result = assessed()[1].result
    known, limit = mechanics_rows(result), insertion_limit_n_m(result)
    assert limit
    drawn = {row.words: (row, torque_svg(row, known, limit, 130.0)) for row in known if row.torque}
    assert len(drawn) == 4
    for row, svg in drawn.values():
        start, floor = uprights_px(svg)
        (x,) = re.findall(r'd="M([\d.]+) 5.5', svg)
        assert row.value is not None
        assert (float(x) - start) / (floor - start) == pytest.approx(row.value / limit, abs=0.003)


def test_a_verdict_against_it_is_seen() -> None:
    result = assessed()[1].result
    assert result.torque
    assert result.lag
    worse = replace(
        result,
        torque=replace(result.torque, insertion_against_limit="beyond"),
        lag=replace(result.lag, sliding="slides"),
    )
    # Countersunk by 1 mm the screw of 22 mm no longer reaches the far cortex: its own fault.
    fault = "Too short when countersunk"
    assert [row.words for row in mechanics_rows(result) if row.broken] == [fault]
    broken = [row for row in mechanics_rows(worse) if row.broken]
    assert [row.words for row in broken] == ["Insertion torque", "Off square", fault]
    svg = torque_svg(broken[0], mechanics_rows(worse), insertion_limit_n_m(worse), 130.0)
    assert 'fill="none"' in svg


def shown(stop: bool) -> dict[str, Any]:
    return column(assessed(stop)[1], [], Asked())


def test_a_stop_withholds_the_drilling_in_the_column_and_on_paper() -> None:
    assert (len(shown(False)["drilling"]), shown(True)["drilling"]) == (6, [])
    assert shown(True)["withheld"] == WITHHELD
    for stop in (False, True):
        assessment, subject = assessed(stop)
        blocks = [one for page in figure_pages(subject, assessment, "t") for one in page.blocks]
        (block,) = [one for one in blocks if one["kind"] == "drilling"]
        assert (block["withheld"] == WITHHELD, block["muted"], block["steps"] == []) == (stop, stop, stop)
        assert len(block["rows"]) == 1 + len(mechanics_rows(subject.result))


def test_a_hold_that_is_not_known_is_told_with_its_reason() -> None:
    result: ScrewResult = assessed()[1].result
    assert result.torque
    bare = replace(
        result,
        pull_out=None,
        torque=replace(result.torque, stripping_n_m=None),
        reasons={**result.reasons, "torque.stripping_n_m": "the hold of the thread is not known"},
    )
    first = mechanics_rows(bare)[0]
    assert (first.words, first.value, first.shown) == ("Torque", None, "")
    assert first.told == "the hold of the thread is not known"
    assert hold_row(bare, "bone") is None


def test_square_through_both_slabs_the_angle_is_none() -> None:
    screw = placed(ENTRY_MM, TARGET_MM, length_mm=22.0, technique="lag")
    (result,) = assess(two_slabs(), Plan((screw,))).screws
    (row,) = [row for row in mechanics_rows(result) if row.words == "Off square"]
    assert (row.shown, row.told) == ("0", "held by friction")


def test_what_the_hold_leaves_out_is_told_beside_it(capsys: pytest.CaptureFixture[str]) -> None:
    assessment, subject = assessed()
    whole = subject.result.pull_out
    assert whole is not None
    left = [factor.name for factor in whole.factors if factor.factor is None]
    assert {"tapping", "profile", "head"} <= set(left)
    said = f"ot modelled in the hold: {', '.join(left)}. "
    assert said in foot_words(subject.result)
    tell_assessment(assessment)
    assert f"; not modelled: {', '.join(left)}" in capsys.readouterr().out
    every = tuple(replace(factor, factor=1.0, low=1.0, high=1.0) for factor in whole.factors)
    bare = replace(subject.result, pull_out=replace(whole, factors=every))
    assert "ot modelled" not in foot_words(bare)
