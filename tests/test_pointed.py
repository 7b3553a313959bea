"""Where along a screw a finding lies, on the ball of bench_rig.py: its nearest places have closed form."""

import json

import numpy as np
import pytest
from bench_rig import LAG, ball_desk, said, through_ball

from planner.finding_codes import CODES
from segmentation.errors import InputError
from viewer.bench.case_place import CasePlace
from viewer.bench.pointed import DEPTHS, NEAREST, has_place, place_of
from viewer.report.words import sorted_findings


def test_every_code_named_is_one() -> None:
    assert {*DEPTHS, *NEAREST} <= set(CODES)
    assert not DEPTHS.keys() & NEAREST.keys()


def test_what_is_close_lies_where_it_is_closest() -> None:
    # Beside the middle of the ball the shaft is nearest on that side.
    desk = ball_desk(through_ball(y_mm=5.0))
    result = desk.result
    assert result is not None
    depth_mm, toward = place_of("clearance-body", desk.ready, result)
    assert toward is not None
    assert toward @ np.array([0.0, 1.0, 0.0]) == pytest.approx(1, abs=0.05)
    place_mm = result.entry_mm + depth_mm * result.direction
    # A ball's surface is nearest to the ends of a chord.
    found_mm = 10.0 - np.linalg.norm(place_mm + toward * result.placed.screw.threads[0].major_mm / 2)
    assert result.body.outer == pytest.approx(found_mm, abs=0.35)


def test_what_lies_at_the_end_or_the_fracture_lies_there() -> None:
    desk = ball_desk(through_ball(family=LAG, length_mm=16.0))
    result = desk.result
    assert result is not None
    assert place_of("tip-outside", desk.ready, result) == (result.tip_depth_mm, None)
    assert place_of("fracture-oblique", desk.ready, result)[0] == pytest.approx(10.0, abs=0.5)
    assert not has_place("density-uncalibrated", result)
    with pytest.raises(InputError, match="no one place"):
        place_of("density-uncalibrated", desk.ready, result)


def test_the_cursor_goes_there_and_the_dial_turns_to_the_side() -> None:
    desk = ball_desk(through_ball(y_mm=7.0))
    place = CasePlace(desk, None, "ball")
    result = desk.result
    assert result is not None
    codes = [one.code for one in sorted_findings(result.findings)]
    number = next(n for n, code in enumerate(codes) if code in NEAREST)
    depth_mm, toward = place_of(codes[number], desk.ready, result)
    shown = place.answer(said(json.dumps({"do": "point", "finding": number})))
    assert shown["read"]["findings"][number]["has_place"] is True
    assert desk.cursor_depth_mm == pytest.approx(depth_mm, abs=1e-9)
    frame = desk.frame()
    assert frame is not None
    assert toward is not None
    assert frame.up @ toward == pytest.approx(1, abs=1e-6)
    assert not desk.history.undo_words
    gone = place.answer(said('{"do": "point", "finding": 200}'))
    assert "no such finding" in gone["said"]
