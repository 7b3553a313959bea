"""What the hand does to a screw, on a ball of 10 mm radius: every place is of closed form."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bench_rig import HEADLESS, LAG, SCREWS, ball_bone, ball_desk, through_ball
from tiny_scan import AFFINE, ball_hu

from planner.assess import assess
from planner.assessment_file import assessment_document
from planner.plan_file import plan_of
from planner.vocabulary import Plan
from segmentation.errors import InputError
from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.vocabulary import CTVolume, Grid
from viewer.bench.case_place import CasePlace
from viewer.bench.desk import Desk
from viewer.bench.drawn import Drawer
from viewer.bench.hand import dial_degree, dialled, frame_of
from viewer.bench.messages import read_message

WITHIN_MM = 0.15
"""The ball's surface from voxels of 1 mm."""


def said(**message: Any) -> Any:
    return read_message(json.dumps(message))


def drag(desk: Desk, handle: str, x: float, y: float = 0.0, **more: Any) -> None:
    desk.drag(said(**{"do": "drag", "handle": handle, "screw": 0, "where": "strip", "x": x, "y": y} | more))


def test_the_tip_draws_out_the_length_and_snaps_to_what_is_stocked() -> None:
    desk = ball_desk()
    drag(desk, "tip", 17.3)
    # Seat 2 mm: 15.3 mm would be left for the screw.
    stocked = SCREWS[HEADLESS].stocked_lengths_mm
    assert desk.current.screws[0].length_mm == min(stocked, key=lambda length: abs(length - 15.3))
    drag(desk, "tip", 17.3, snap=False)
    assert desk.current.screws[0].length_mm == pytest.approx(15.3, abs=0.051)


def test_the_tip_turns_the_axis_about_the_entry() -> None:
    desk = ball_desk()
    entry = desk.assessment.screws[0].entry_mm
    drag(desk, "tip", 12.0, 5.0)
    result = desk.assessment.screws[0]
    assert np.linalg.norm(result.entry_mm - entry) < WITHIN_MM
    assert np.degrees(np.arccos(result.direction[0])) == pytest.approx(
        np.degrees(np.arctan2(5, 12)), abs=0.01
    )
    # A chord of a ball from a point of its surface: 2 r cos of the angle to the diameter.
    assert result.bone_length_mm == pytest.approx(20 * np.cos(np.arctan2(5, 12)), abs=2 * WITHIN_MM)


def test_the_entry_slides_on_the_surface_and_the_tip_stays() -> None:
    desk = ball_desk()
    tip = desk.assessment.screws[0].tip_mm
    drag(desk, "entry", 0.0, 4.0, snap=False)
    result = desk.assessment.screws[0]
    assert np.linalg.norm(result.entry_mm) == pytest.approx(10, abs=WITHIN_MM)
    assert np.linalg.norm(np.cross(tip - result.entry_mm, result.direction)) < 0.01
    assert np.linalg.norm(result.tip_mm - tip) < 2 * WITHIN_MM


def test_the_seat_moves_the_whole_screw_along_its_axis_by_tenths() -> None:
    desk = ball_desk()
    before = desk.assessment.screws[0]
    drag(desk, "seat", 3.14)
    after = desk.assessment.screws[0]
    assert after.placed.seat_depth_mm == 3.1
    assert after.placed.length_mm == before.placed.length_mm
    assert after.tip_depth_mm - before.tip_depth_mm == pytest.approx(1.1)


def test_letting_go_makes_one_step_that_says_what_it_undoes() -> None:
    desk = ball_desk()
    for x in (15.0, 14.0, 13.0, 12.0):
        drag(desk, "tip", x)
    assert desk.history.undo_words is None
    desk.drop()
    assert desk.history.undo_words == "length 14 to 10 mm"
    desk.undo()
    assert desk.current.screws[0].length_mm == 14.0
    assert desk.history.redo_words == "length 14 to 10 mm"
    desk.redo()
    assert desk.current.screws[0].length_mm == 10.0


def test_esc_puts_everything_back() -> None:
    desk = ball_desk()
    before = desk.document
    numbers = assessment_document(desk.assessment)
    drag(desk, "tip", 9.0, 4.0)
    assert assessment_document(desk.assessment) != numbers
    desk.cancel()
    assert desk.document == before
    assert assessment_document(desk.assessment) == numbers
    assert desk.history.undo_words is None


def test_a_tip_pulled_onto_its_entry_leaves_the_screw_and_says_so() -> None:
    desk = ball_desk()
    drag(desk, "tip", 0.3)
    assert "at least 1 mm apart" in desk.said
    assert desk.current.screws[0] == desk.history.plan.screws[0]
    desk.drop()
    assert desk.history.undo_words is None


def test_the_dial_turns_and_carries_its_direction_along() -> None:
    desk = ball_desk()
    drag(desk, "dial", 35.0, where="end")
    assert dial_degree(desk.frame()) == pytest.approx(35.0)
    desk.drop()
    up = desk.frame().up
    drag(desk, "tip", 14.0, 1.0)
    # Carried along with the axis: no more turn than the axis itself makes.
    assert np.degrees(np.arccos(desk.frame().up @ up)) <= np.degrees(np.arctan2(1, 14)) + 1e-6


def test_the_carried_direction_stays_square_for_any_axis() -> None:
    rng = np.random.default_rng(1)
    up = None
    for along in rng.normal(size=(200, 3)):
        along = along / np.linalg.norm(along)
        frame = frame_of(np.zeros(3), along, up)
        up = frame.up
        assert abs(up @ along) < 1e-9
        assert np.linalg.norm(up) == pytest.approx(1)
        assert dial_degree(dialled(frame, 77.0)) == pytest.approx(77.0)


def test_two_clicks_make_a_screw_from_one_side_to_the_other() -> None:
    desk = ball_desk(through_ball(y_mm=4.0))
    desk.look_from("along")
    # Looking along the screw: the middle of the bone is the middle of the ball.
    middle = desk.camera.to_px([[0.0, 0.0, 0.0]])[0] / desk.size_px
    desk.put(*middle.tolist())
    from viewer.bench.camera_hand import turned

    desk.camera = turned(desk.camera, 180, 0)
    middle = desk.camera.to_px([[0.0, 0.0, 0.0]])[0] / desk.size_px
    desk.put(*middle.tolist())
    result = desk.assessment.screws[1]
    assert result.bone_length_mm == pytest.approx(20, abs=2 * WITHIN_MM)
    assert result.tip_depth_mm <= 20 - 2 + WITHIN_MM
    assert desk.history.undo_words == "new screw S2"


def test_a_click_beside_the_bone_says_so() -> None:
    with pytest.raises(InputError, match="no bone under"):
        ball_desk().put(0.001, 0.001)


def test_screws_are_copied_hidden_and_removed_and_come_back() -> None:
    desk = ball_desk()
    desk.copy(0)
    assert [placed.name for placed in desk.current.screws] == ["S1", "S2"]
    desk.hide(1)
    assert desk.hidden == {"S2"}
    desk.remove(0)
    desk.remove(0)
    assert desk.current.screws == ()
    assert desk.assessment is None
    assert Drawer(desk).message()["read"] is None
    desk.undo()
    desk.undo()
    assert [placed.name for placed in desk.current.screws] == ["S1", "S2"]


def test_undo_has_no_limit_and_forgets_nothing() -> None:
    desk = ball_desk()
    first = desk.document
    lengths = [10.0, 12.0, 14.0, 16.0]
    for n in range(120):
        desk.change(said(do="change", screw=0, length_mm=lengths[n % 4]))
    count = 0
    while desk.history.undo_words:
        desk.undo()
        count += 1
    assert count >= 119
    assert desk.document == first


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"length_mm": 2.0}, "threads"),
        ({"family": "no-such-screw"}, "no screw"),
        ({"technique": "lag"}, "lag"),
        ({"technique": "locking"}, "locking"),
        ({"entry_mm": [0, 0, 0], "target_mm": [0, 0, 0.1]}, "apart"),
        ({"entry_mm": [50, 50, 50], "target_mm": [60, 60, 70]}, "misses the bone"),
        ({"name": "S2"}, "more than once"),
    ],
)
def test_what_does_not_suit_is_refused_and_changes_nothing(change: dict[str, Any], fault: str) -> None:
    desk = ball_desk(through_ball(), through_ball("S2", y_mm=4.0))
    before, numbers = desk.document, assessment_document(desk.assessment)
    with pytest.raises(InputError, match=fault):
        desk.change(said(do="change", screw=0, **change))
    assert desk.document == before
    assert assessment_document(desk.assessment) == numbers


def test_every_number_shown_is_the_assessments_for_the_same_plan() -> None:
    desk = ball_desk(through_ball(), through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0))
    drag(desk, "tip", 13.0, 2.0)
    desk.drop()
    shown = Drawer(desk).message()
    fresh = assess(ball_bone(), plan_of(desk.document, SCREWS))
    document = assessment_document(fresh)

    def looked_up(path: str) -> Any:
        value: Any = document
        for part in path.replace("]", "").replace("[", ".").split("."):
            value = value[int(part)] if part.isdigit() else value[part]
        return value

    values = [*shown["read"]["limits"], *shown["read"]["holds"], *shown["read"]["lengths"]]
    assert len(values) >= 8
    for one in values:
        if one["value"] is not None:
            assert looked_up(one["field"]) == pytest.approx(one["value"], abs=1e-6), one["field"]


def test_a_plan_without_screws_can_be_begun() -> None:
    desk = Desk(ball_bone(), SCREWS, Plan(()))
    message = Drawer(desk).message()
    assert message["strip"] is None
    assert json.dumps(message, allow_nan=False)


def test_the_lanes_of_a_held_screw_follow_its_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    place = CasePlace(ball_desk(), None, "ball")
    now_s = [0.0]
    monkeypatch.setattr("viewer.bench.case_place.time.monotonic", lambda: now_s[0])
    loop = asyncio.new_event_loop()
    place.begin(loop, lambda _: None)
    loop.close()
    tip = {"do": "drag", "handle": "tip", "screw": 0, "where": "strip", "y": 0.0, "snap": False}
    first = place.answer(said(**tip, x=15.0))
    assert first["read"]["length_mm"] == 13.0
    assert "svg" not in first["strip"]
    # While another place of the hand waits nothing is drawn, but not for longer than REST_AFTER_S.
    assert place.rest(True) == {}
    now_s[0] = 0.13
    lanes = place.rest(True)["strip"]["svg"]
    assert place.rest(False) == {}
    now_s[0] = 0.14
    second = place.answer(said(**tip, x=16.0))
    assert "svg" not in second["strip"]
    rest = place.rest(False)["strip"]
    assert rest["svg"] != lanes
    assert rest["handles"] == second["strip"]["handles"]
    assert "svg" in place.answer(said(do="drop"))["strip"]
    assert place.rest(False) == {}


def two_bones_desk() -> Desk:
    """The ball's halves as two bones, seen so that x runs across the picture, and the left one in hand."""
    ct = CTVolume(Grid((33, 33, 33), AFFINE), ball_hu(), digest="none: a test")
    bone = segment(
        ct,
        threshold_hu=250,
        cuts=[Cut(np.array([0.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]))],
        names=[((-5.0, 0.0, 0.0), "left half", "left"), ((5.0, 0.0, 0.0), "right half", "right")],
    )
    placed = replace(through_ball(), entry_mm=np.array([-10.0, 0, 0]), target_mm=np.array([-1.0, 0, 0]))
    desk = Desk(bone, SCREWS, Plan((placed,)))
    desk.look_from("front")
    return desk


def place_of(desk: Desk, point_mm: tuple[float, float, float]) -> tuple[float, float]:
    x, y = desk.camera.to_px([point_mm])[0]
    return float(x / desk.camera.width_px), float(y / desk.camera.height_px)


def test_a_new_screw_enters_the_bone_in_hand_unless_another_is_asked_for_twice() -> None:
    desk = two_bones_desk()
    with pytest.raises(InputError, match="that is right, not left: click it once more"):
        desk.put(*place_of(desk, (6, 0, 2)))
    desk.put(*place_of(desk, (-6, 0, 2)))
    assert "entry on left" in desk.said
    with pytest.raises(InputError, match="there is no left under that place"):
        desk.put(*place_of(desk, (6, 0, 2)))
    # A click on the right one, another elsewhere: the second right one is the first again.
    for _ in range(2):
        with pytest.raises(InputError):
            desk.put(*place_of(desk, (6, 0, 2)))
        with pytest.raises(InputError, match="no bone under"):
            desk.put(0.001, 0.001)
    with pytest.raises(InputError, match="click it once more"):
        desk.put(*place_of(desk, (6, 0, 2)))
    desk.put(*place_of(desk, (6, 0, 2)))
    assert "entry on right" in desk.said
    desk.put(*place_of(desk, (3, 0, -3)))
    assert desk.result is not None
    assert desk.result.bone_name == "right"


def test_the_bone_in_hand_is_entered_through_a_pale_one_before_it() -> None:
    desk = two_bones_desk()
    desk.camera = replace(desk.camera, right=np.array([0, 1.0, 0]), up=np.array([0, 0, 1.0]))
    desk.put(*place_of(desk, (0, 2, 2)))
    assert "entry on left" in desk.said
    assert desk.first_click_mm is not None
    # The left half is first met at the cut, not at the right half's far side.
    assert abs(desk.first_click_mm[0]) < WITHIN_MM


def test_a_new_screw_aims_half_way_through_the_bone() -> None:
    desk = ball_desk()
    desk.look_from("front")
    desk.put(*place_of(desk, (-6, 0, 0)))
    entry_mm = desk.first_click_mm
    assert entry_mm is not None
    desk.put(*place_of(desk, (4, 0, 5)))
    assert desk.result is not None
    # Half-way through a ball lies in the plane through its middle, square to the line of sight.
    away = np.array([4.0, 0, 5]) - desk.result.entry_mm
    off = away - (away @ desk.result.direction) * desk.result.direction
    assert np.linalg.norm(off) < WITHIN_MM
    assert np.linalg.norm(desk.result.entry_mm - entry_mm) < WITHIN_MM
