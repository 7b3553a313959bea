"""Screws side by side in the page, and what a change moves: the values are ``planner.compare``'s own."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_rig import LAG, SCREWS, AtOnce, doors, said, through_ball, told, write_ball_case

from planner.asked import Asked
from planner.assessment_file import assessment_document
from planner.compare import Comparison, Wanted, compare
from planner.doubt_vocabulary import AskedDoubt
from planner.what_if import with_change
from segmentation.errors import InputError
from viewer.bench.case_place import CasePlace
from viewer.bench.work import WorkEvent
from viewer.drawn_words import share_words

LENGTHS_MM = (12.0, 14.0, 16.0)
OTHER = "headless-two-pitch-3.0-3.9"

Opened = tuple[CasePlace, AtOnce]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Opened:
    folder = tmp_path_factory.mktemp("compare") / "ball"
    write_ball_case(folder, through_ball(), through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0))
    opened, work = doors(folder.parent)
    place = opened.case(folder)
    place.painter = None
    return place, work


@pytest.fixture
def opened(made: Opened) -> Iterator[Opened]:
    """The case as it was opened: the plan's first screw in hand, nothing asked, nothing to undo."""
    yield made
    place, work = made
    work.last = None
    while place.desk.history.undo_words:
        place.answer(said('{"do": "undo"}'))
    place.answer(said('{"do": "select", "screw": 0}'))
    place.answer(said('{"do": "ask", "site": null, "placement": null}'))


def asks(**more: Any) -> str:
    return json.dumps(
        {"do": "compare", "lengths_mm": [], "families": [], "techniques": [], "others": [], **more}
    )


def compared(opened: Opened, **more: Any) -> dict[str, Any]:
    place, work = opened
    place.answer(said(asks(**more)))
    return dict(told(place, work)["compared"])


def planned(place: CasePlace, *wanted: Wanted) -> Comparison:
    """What the planner says of the same plan, its rows one after the other."""
    desk = place.desk
    every = [compare(desk.ready, desk.history.plan, SCREWS, one, desk.asked) for one in wanted]
    return Comparison(tuple(row for one in every for row in one.rows), every[0].made_with, every[0].cautions)


def row_of(table: dict[str, Any], words: str, head: bool = False) -> list[dict[str, Any]]:
    return next(list(row["cells"]) for row in table["rows"] if (row["words"], row["head"]) == (words, head))


def test_lengths_screws_and_the_plans_other_screws_stand_side_by_side(opened: Opened) -> None:
    place, _ = opened
    table = compared(opened, lengths_mm=[12.0, 16.0], families=[OTHER], others=["S2"])
    heads = [one["varied"] for one in table["heads"]]
    own = place.desk.history.plan.screws[0].screw.name
    assert heads == [["12 mm"], ["14 mm", own], ["16 mm"], ["14 mm", OTHER], ["S2", "16 mm", LAG]]
    assert [one["in_plan"] for one in table["heads"]] == [False, True, False, False, True]
    rows = planned(
        place,
        Wanted(lengths_mm=LENGTHS_MM, path="S1"),
        Wanted(screws=(OTHER,), path="S1"),
        Wanted(path="S2"),
    ).rows
    for words, of in (
        ("Tip to joint", lambda one: one.leading_end.joint),
        ("Body to surface", lambda one: one.body.outer),
        ("Threads, far half", lambda one: one.fragments[1].threads_engaged),
        ("Tip past the exit", lambda one: one.tip_depth_mm - one.bone_length_mm),
    ):
        of_number: Callable[[Any], float] = of
        for row, cell in zip(rows, row_of(table, words), strict=True):
            if cell.get("value") is not None:
                assert cell["value"] == pytest.approx(of_number(row.result), abs=1e-9), (words, row.name)
    assert [bool(one.get("shown")) for one in row_of(table, "Tip past the exit")] == [False] * 4 + [True]


def test_hold_and_weakest_place_are_the_planners_with_their_ends(opened: Opened) -> None:
    place, _ = opened
    table = compared(opened, lengths_mm=[12.0])
    rows = planned(place, Wanted(lengths_mm=(12.0, 14.0), path="S1")).rows
    for row, hold, bends in zip(
        rows, row_of(table, "Pull-out that governs"), row_of(table, "Weakest yields at"), strict=True
    ):
        assert row.result is not None
        assert row.result.pullout_n is not None
        assert row.result.strength is not None
        assert hold["value"] == pytest.approx(row.result.pullout_n.estimate)
        assert hold["range"] == f"{row.result.pullout_n.low:.0f} to {row.result.pullout_n.high:.0f}"
        assert "<svg" in hold["svg"]
        moment_n_m = row.result.strength.bending.yield_moment_n_m.estimate
        assert bends["value"] == pytest.approx(moment_n_m)
    # No number of a single screw stands for all of it.
    assert not [one for one in table["rows"] if "score" in one["words"] or "total" in one["words"]]


def test_fields_are_those_of_the_assessment_and_of_no_other_screw(opened: Opened) -> None:
    place, _ = opened
    table = compared(opened, lengths_mm=[16.0], others=["S2"])
    assert place.desk.assessment is not None
    document = assessment_document(place.desk.assessment)
    found = [cell for row in table["rows"] for cell in row["cells"] if cell.get("field")]
    assert len(found) > 20
    for cell in found:
        value: Any = document
        for step in cell["field"].replace("[", ".").replace("]", "").split("."):
            value = value[int(step)] if step.isdigit() else value[step]
        if not cell["field"].endswith("tip_depth_mm"):
            assert cell["value"] == pytest.approx(value, abs=1e-6), cell["field"]
    for row in table["rows"]:
        assert row["cells"][1].get("field") is None
    # Under the hand the screw is no longer the one that was compared.
    table = {}
    for x in (0.4, 0.9):
        drag = {"do": "drag", "handle": "seat", "screw": 0, "where": "strip", "x": x, "y": 0}
        table = place.answer(said(json.dumps(drag))).get("compared", table)
    cells = [cell for row in table["rows"] for cell in row["cells"] if cell.get("field")]
    assert {cell["field"].split(".")[0] for cell in cells} == {"screws[1]"}
    place.answer(said('{"do": "cancel"}'))


def test_shares_are_of_the_same_draws_as_the_commands(opened: Opened) -> None:
    place, _ = opened
    place.answer(said('{"do": "ask", "site": "scaphoid", "placement": "guided"}'))
    table = compared(opened, lengths_mm=[16.0])
    rows = planned(place, Wanted(lengths_mm=(14.0, 16.0), path="S1")).rows
    cells = row_of(table, "Clearance of the body", head=True)
    for row, cell, breach in zip(rows, cells, row_of(table, "Leaves bone or joint", head=True), strict=True):
        assert row.result is not None
        assert row.result.doubt is not None
        (kept,) = [one for one in row.result.doubt.limits if one.limit == "body_clearance_mm"]
        assert cell["value"] == kept.holds_fraction
        assert cell["shown"] == share_words(kept.holds_fraction)
        assert breach["value"] == row.result.doubt.breach_fraction
    assert "2,000 draws" in table["drawn"]
    assert "a guide on the bone" in table["drawn"]


def test_what_breaks_is_told_in_words_and_a_stop_takes_forces_away(opened: Opened) -> None:
    table = compared(opened, lengths_mm=[20.0])
    verdicts = [one["said"] for one in row_of(table, "Limits")]
    assert "breaks" in verdicts[1]
    assert "clearance to the joint" in verdicts[1]
    assert [bool(one["stops"]) for one in row_of(table, "Findings")] == [False, True]
    assert row_of(table, "Without a limit", head=True)[1]["said"] == "not for comparison: a stop stands"
    at = [row["words"] for row in table["rows"]].index("Without a limit")
    assert len(table["rows"][at + 1 :]) > 4
    for row in table["rows"][at + 1 :]:
        assert row["cells"][1] == {"said": "stop"}


def test_a_compared_screw_is_put_in_by_a_step_and_its_neighbour_stays(opened: Opened) -> None:
    place, _ = opened
    before = place.desk.document
    compared(opened, lengths_mm=[12.0], families=[OTHER])
    # Another screw is in hand meanwhile: the path's own screw is the one that changes.
    place.answer(said('{"do": "select", "screw": 1}'))
    shown = place.answer(said('{"do": "compared", "number": 0}'))
    first, other = place.desk.history.plan.screws
    assert (first.name, first.length_mm, other.name, other.length_mm) == ("S1", 12.0, "S2", 16.0)
    assert shown["undo"] == "length 14 to 12 mm"
    assert [one["in_plan"] for one in shown["compared"]["heads"]] == [True, False, False]
    place.answer(said('{"do": "undo"}'))
    assert place.desk.document == before
    shown = place.answer(said('{"do": "change", "screw": 0, "seat_depth_mm": 1.0}'))
    assert "S1 changed since" in shown["compared"]["notes"][0]
    place.answer(said('{"do": "compared", "number": 2}'))
    assert place.desk.history.plan.screws[0].screw.name == OTHER


def test_what_if_tells_what_moved_and_changes_no_plan(opened: Opened) -> None:
    place, work = opened
    before = place.desk.document
    place.answer(said('{"do": "suppose", "pitch": 0.8, "density": 0.7, "length": 14.0}'))
    table = told(place, work)["compared"]
    desk = place.desk
    asked = Asked(doubt=AskedDoubt("freehand"))
    changes = {"pitch": 0.8, "density": 0.7}
    own = compare(desk.ready, desk.history.plan, SCREWS, Wanted(path="S1"), asked)
    whole, moves = with_change(desk.ready, desk.history.plan, own, asked, changes)
    rows = table["moved"]["rows"]
    assert len(rows) == len(moves) > 5
    # In the planner's order, which is by how far each moved.
    for row, move in zip(rows, moves, strict=True):
        if move.change_fraction is not None and row["change"].endswith("%"):
            read = float(row["change"].removesuffix(" %").replace("−", "-"))
            assert read == pytest.approx(100 * move.change_fraction, abs=0.051)
    (hold,) = [row for row in rows if row["words"] == "Pull-out that governs"]
    after = whole.rows[1].result
    assert after is not None
    assert after.pullout_n is not None
    assert hold["after"] == f"{after.pullout_n.estimate:.0f} N"
    # The length that is its own already is no change.
    assert [one.split()[0] for one in table["moved"]["changes"]] == ["pitch", "density"]
    assert place.desk.document == before
    assert not any(one["put"] for one in table["heads"])
    assert "compare once more" in place.answer(said('{"do": "compared", "number": 1}'))["said"]
    assert place.desk.document == before


def test_forces_of_a_supposed_screw_that_sticks_out_are_not_told(opened: Opened) -> None:
    place, work = opened
    place.answer(said('{"do": "suppose", "length": 20.0}'))
    rows = {row["words"]: row for row in told(place, work)["compared"]["moved"]["rows"] if not row["of"]}
    assert rows["Pull-out that governs"]["after"] == "stop"
    assert "not for comparison" in rows["Pull-out that governs"]["change"]
    assert rows["Tip beyond exit"]["after"].endswith("mm")


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ('{"do": "suppose", "core": 9.0}', "0 < core < major"),
        ('{"do": "suppose", "core": 0.2}', "wider than the cannula"),
        ('{"do": "suppose", "length": 2.0}', "must be at least"),
        ('{"do": "suppose", "technique": "lag"}', "technique 'lag' needs a head"),
        ('{"do": "suppose"}', "nothing is changed"),
        (asks(), "nothing stands beside S1"),
        (asks(families=["spoon"]), "there is no screw 'spoon'"),
        (asks(others=["S9"]), "the plan has no screw 'S9'"),
        (asks(lengths_mm=[10.0 + n for n in range(9)]), "at most 8 screws stand side by side"),
        ('{"do": "compared", "number": 90}', "compare once more"),
    ],
)
def test_what_cannot_be_is_refused_at_once_in_a_sentence(opened: Opened, message: str, says: str) -> None:
    place, work = opened
    before = place.desk.document
    assert says in place.answer(said(message))["said"]
    assert work.last is None
    assert place.desk.document == before


@pytest.mark.parametrize(
    "message",
    [
        '{"do": "suppose", "pitch": 0}',
        '{"do": "suppose", "pitch": NaN}',
        '{"do": "suppose", "density": 1e999}',
        '{"do": "suppose", "major": "4"}',
        '{"do": "suppose", "length": 201}',
        '{"do": "suppose", "technique": "glue"}',
        '{"do": "compared", "number": -1}',
        '{"do": "compared", "number": 0.5}',
        '{"do": "compare"}',
        asks(lengths_mm=[0.1]),
        asks(lengths_mm=["14"]),
        asks(lengths_mm=[14.0] * 33),
        asks(families=["x" * 65]),
        asks(techniques=["glue"]),
        asks(others=["S1"] * 101),
        asks(more=1),
    ],
)
def test_a_message_out_of_bounds_is_no_message(message: str) -> None:
    with pytest.raises(InputError):
        said(message)


def test_a_report_holds_what_stands_side_by_side_or_says_why_not(opened: Opened) -> None:
    place, _ = opened
    assert place.comparing is not None
    place.comparing.forget()
    written: list[Comparison | None] = []

    def written_to(_: Any, comparison: Comparison | None) -> Path:
        written.append(comparison)
        return Path("report.html")

    place.write_report = written_to
    assert place.answer(said('{"do": "report"}'))["said"] == "report written: report.html"
    compared(opened, lengths_mm=[12.0])
    assert "choose “Placed by” and compare once more" in place.answer(said('{"do": "report"}'))["said"]
    place.answer(said('{"do": "ask", "site": null, "placement": "guided"}'))
    compared(opened, lengths_mm=[12.0])
    assert "left out" not in place.answer(said('{"do": "report"}'))["said"]
    assert [None if one is None else len(one.rows) for one in written] == [None, None, 2]
    place.answer(said('{"do": "change", "screw": 0, "length_mm": 16.0}'))
    assert "changed since" in place.answer(said('{"do": "report"}'))["said"]
    assert written[3] is None


def test_cancelled_or_failed_leaves_what_was_compared(opened: Opened) -> None:
    place, work = opened
    compared(opened, lengths_mm=[12.0])
    for kind, value, says in (("cancelled", None, "as it was"), ("fault", "it broke", "it broke")):
        place.answer(said(asks(lengths_mm=[16.0])))
        work.last = WorkEvent(kind, "compare", value)  # type: ignore[arg-type]
        shown = told(place, work)
        assert says in shown["said"]
        assert shown["compare"]["open"]
        # The page has the table already.
        assert "compared" not in shown


def test_the_neighbours_are_offered_and_the_plan_without_a_screw_offers_nothing(opened: Opened) -> None:
    place, _ = opened
    choices = place.answer(said('{"do": "select", "screw": 0}'))["compare"]
    stocked_mm = place.desk.history.plan.screws[0].screw.stocked_lengths_mm
    near = [one["mm"] for one in choices["lengths"] if one["near"]]
    assert near == [max(mm for mm in stocked_mm if mm < 14), min(mm for mm in stocked_mm if mm > 14)]
    assert choices["others"] == ["S2"]
    assert {one["name"]: one["own"] for one in choices["own"]}["density"] == "1"
    for _ in range(2):
        shown = place.answer(said('{"do": "remove", "screw": 0}'))
    assert shown["compare"] is None
    assert "no screw" in place.answer(said(asks(lengths_mm=[12.0])))["said"]
