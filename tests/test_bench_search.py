"""The search from the page: what it finds is the search's, and takes the place of the screw in hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from bench_rig import HEADLESS, AtOnce, doors, said, through_ball, told, write_ball_case

from planner.entry_map import EntryMap, entry_map
from planner.search import Found
from segmentation.errors import InputError
from viewer.bench.case_place import CasePlace
from viewer.searching import found_in_case


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> tuple[CasePlace, AtOnce, Path]:
    folder = tmp_path_factory.mktemp("search") / "ball"
    write_ball_case(folder, through_ball(), through_ball("S2", y_mm=-5.0, length_mm=12.0))
    made, work = doors(folder.parent)
    place = made.case(folder)
    place.painter = None
    return place, work, folder


def test_what_is_found_is_shown_and_put_in(
    opened: tuple[CasePlace, AtOnce, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, work, _ = opened
    asked: dict[str, Any] = {}
    answers: list[Found] = []

    def spied(*names: Any, **more: Any) -> Any:
        asked.update(more, names=names[1])
        found, kept = found_in_case(*names, **more)
        answers.append(found)
        return found, kept

    monkeypatch.setattr("viewer.searching.found_in_case", spied)
    place.answer(said(f'{{"do": "search", "family": "{HEADLESS}"}}'))
    shown = told(place, work)["found"]
    (found,) = answers
    assert asked["names"] == (HEADLESS,)
    assert asked["any_angle"] is False
    assert [one.name for one in asked["keep"].screws] == ["S2"]
    assert [row["length_mm"] for row in shown["rows"]] == [one.placed.length_mm for one in found.candidates]
    assert [row["reason"] for row in shown["rows"]] == [one.reason for one in found.candidates]
    assert (
        shown["notes"][0]
        == f"{found.evaluated_count:,} candidates, {found.feasible_count:,} keep every limit"
    )
    assert shown["instead_of"] == "S1"
    # Put in its place it is that screw, measured; the other stays, and one step takes it back.
    before = place.desk.document
    place.answer(said('{"do": "found", "number": 0}'))
    first, other = place.desk.history.plan.screws
    best = found.candidates[0].placed
    assert (first.name, first.length_mm) == ("S1", best.length_mm)
    assert first.entry_mm == pytest.approx(best.entry_mm, abs=1e-4)
    assert other.name == "S2"
    assert place.desk.result is not None
    assert place.desk.result.pullout_n.estimate == pytest.approx(
        found.candidates[0].result.pullout_n.estimate, rel=1e-4
    )
    place.answer(said('{"do": "undo"}'))
    assert place.desk.document == before


def test_any_angle_is_asked_for_by_hand(
    opened: tuple[CasePlace, AtOnce, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, work, _ = opened

    def refused(*_: Any, **more: Any) -> Any:
        raise InputError(f"asked with any_angle {more['any_angle']}")

    monkeypatch.setattr("viewer.searching.found_in_case", refused)
    place.answer(said(f'{{"do": "search", "family": "{HEADLESS}", "any_angle": true}}'))
    assert told(place, work)["said"] == "asked with any_angle True"


def test_what_was_not_found_and_what_is_no_screw_is_told(opened: tuple[CasePlace, AtOnce, Path]) -> None:
    place, work, _ = opened
    assert "search once more" in place.answer(said('{"do": "found", "number": 40}'))["said"]
    assert "there is no screw 'spoon'" in place.answer(said('{"do": "search", "family": "spoon"}'))["said"]
    with pytest.raises(InputError):
        said('{"do": "found", "number": -1}')
    work.last = None


def test_the_entry_map_is_the_planner_s_for_the_screw_in_hand(
    opened: tuple[CasePlace, AtOnce, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its family, the other screw kept; the plan stays as it is, and without a screw there is no map."""
    place, work, _ = opened
    maps: list[EntryMap] = []
    kept: list[Any] = []

    def spied(*given: Any, **more: Any) -> EntryMap:
        kept.append(more["kept"])
        maps.append(entry_map(*given, **more))
        return maps[-1]

    monkeypatch.setattr("planner.entry_map.entry_map", spied)
    # Few entries: how many is not what is held here.
    monkeypatch.setattr("planner.entry_map.ENTRIES_COUNT", 60)
    monkeypatch.setattr("planner.entry_map.ENTRY_MOST_MM", 20.0)
    before = place.desk.document
    place.answer(said('{"do": "map"}'))
    shown = told(place, work)["mapped"]
    (made,) = maps
    assert [one.name for one in kept[0].screws] == ["S2"]
    assert [screw.name for screw in made.screws] == [HEADLESS]
    assert (shown["number"], shown["screw"]) == (1, "S1")
    assert made.top is not None
    assert f"reaches {made.best.value[made.top]:.0f}" in shown["blocks"][0]["bold"].replace("\u00a0", " ")
    drawings = [block["svg"] for block in shown["blocks"] if "svg" in block]
    assert len(drawings) == 3
    assert all(svg.startswith("<svg") for svg in drawings)
    assert place.desk.document == before
