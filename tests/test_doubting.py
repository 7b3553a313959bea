"""What a page asks of the screw in hand: a site's limits, and its doubt, drawn beside the page."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bench_rig import ball_desk, doors, said, through_ball, write_ball_case

from planner.asked import Asked, assess_asked
from planner.doubt_vocabulary import AskedDoubt
from planner.site_file import read_site
from segmentation.errors import InputError
from viewer.bench.desk import Desk
from viewer.bench.doubting import Doubting, asked_of
from viewer.bench.drawn import Drawer
from viewer.bench.messages import read_message


def drag_tip(desk: Desk, away: float) -> None:
    assert desk.result is not None
    desk.drag(
        read_message(
            f'{{"do": "drag", "handle": "tip", "screw": 0, "where": "strip", '
            f'"x": {desk.result.tip_depth_mm + away}, "y": 0.4}}'
        )
    )


def waited(doubting: Doubting) -> bool:
    """What ``keep`` says once the draws under way are done."""
    until = time.monotonic() + 120
    while doubting.busy and time.monotonic() < until:
        time.sleep(0.02)
    return doubting.keep()


@pytest.fixture
def desk() -> Desk:
    made = ball_desk()
    made.ask(Asked(doubt=AskedDoubt("freehand", 200)))
    return made


def test_the_doubt_is_the_planners_and_comes_once(desk: Desk) -> None:
    doubting = Doubting(desk)
    assert desk.result is not None
    assert desk.result.doubt is None
    assert not doubting.keep()
    assert waited(doubting)
    fresh = assess_asked(desk.ready, desk.current, desk.asked).screws[0]
    assert desk.result.doubt == fresh.doubt
    assert "doubt" not in desk.result.reasons
    assert not doubting.keep()
    assert not doubting.busy
    read: dict[str, Any] = Drawer(desk).message()["read"]["doubt"]
    assert [row["value"] for row in read["rows"]] == [one.holds_fraction for one in fresh.doubt.limits]
    assert read["breach"]["value"] == fresh.doubt.breach_fraction


def test_the_report_from_the_page_tells_what_was_asked(tmp_path: Path) -> None:
    """Of each screw, not of the one in hand alone; with one drawn already, and with none."""
    write_ball_case(tmp_path / "ball", through_ball(), through_ball("S2", y_mm=-5.0, length_mm=12.0))
    opened, _ = doors(tmp_path)
    place = opened.case(tmp_path / "ball")
    place.painter = None
    place.answer(said('{"do": "ask", "site": "scaphoid", "placement": "guided"}'))
    place.desk.asked = replace(place.desk.asked, doubt=AskedDoubt("guided", 200))
    assert not place.doubting.keep()
    assert waited(place.doubting)
    assert "report written" in place.answer(said('{"do": "report"}'))["said"]
    html = (tmp_path / "ball" / "report.html").read_text()
    assert html.count("how sure: limits and numbers over the draws") >= 2
    assert place.desk.assessment is not None
    assert place.desk.assessment.made_with["settings"]["doubt"]["draws_count"] == 200


def test_nothing_is_drawn_of_what_is_held_and_nothing_old_is_shown(desk: Desk) -> None:
    doubting = Doubting(desk)
    drag_tip(desk, -1.0)
    assert not doubting.keep()
    assert not doubting.busy
    desk.drop()
    assert not doubting.keep()
    # While it is drawn the hand takes the screw again: what comes is of another plan.
    drag_tip(desk, -2.0)
    desk.drop()
    assert not waited(doubting)
    assert desk.result is not None
    assert desk.result.doubt is None
    assert waited(doubting)
    assert desk.result.doubt == assess_asked(desk.ready, desk.current, desk.asked).screws[0].doubt


def test_what_cannot_be_drawn_is_told_once(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any) -> Any:
        raise InputError("no line is left")

    monkeypatch.setattr("viewer.bench.doubting.doubt_of", refused)
    doubting = Doubting(desk)
    assert not doubting.keep()
    assert waited(doubting)
    assert desk.said == "the doubt cannot be drawn: no line is left"
    assert desk.asked.doubt is None
    assert not doubting.keep()
    assert not doubting.busy


def test_a_site_is_asked_by_its_name_and_never_by_a_file(desk: Desk, tmp_path: Any) -> None:
    desk.ask(asked_of("scaphoid", None))
    assert desk.assessment is not None
    fresh = assess_asked(desk.ready, desk.current, Asked(site=read_site("scaphoid")))
    assert desk.assessment.made_with == fresh.made_with
    shown = Drawer(desk).message()["read"]
    assert shown["site"] == "scaphoid"
    limit = read_site("scaphoid").limits.trailing_end_buried_mm
    assert any(row["limit"] == f"≥ {limit:.1f}" for row in shown["limits"])
    (tmp_path / "mine.json").write_text("{}")
    for name in (str(tmp_path / "mine.json"), "../scaphoid.json", "atlantis", ""):
        with pytest.raises(InputError, match="there is no site"):
            asked_of(name, None)


def test_only_known_ways_of_placing_are_taken() -> None:
    asked = read_message('{"do": "ask", "site": null, "placement": "guided"}')
    assert asked_of(asked.site, asked.placement).doubt == AskedDoubt("guided")
    with pytest.raises(InputError):
        read_message('{"do": "ask", "site": null, "placement": "by eye"}')
