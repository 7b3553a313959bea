"""Screws side by side: the same draws for all, what cannot be told why, and what a change moves."""

from __future__ import annotations

import csv
import io
from functools import cache

import pytest
from bench_rig import LAG, ball_bone, through_ball

from planner.asked import Asked
from planner.assess import ReadyBone, ready
from planner.catalogue import built_in_screws
from planner.compare import Comparison, Wanted, compare, techniques_of, variants
from planner.compare_file import column, compare_csv, compare_document
from planner.doubt_vocabulary import AskedDoubt, Doubt
from planner.vocabulary import Plan
from planner.what_if import changed_bone, changed_screw, moves, parse_changes
from segmentation.errors import InputError
from segmentation.files import canonical_json

SCREWS = built_in_screws()
ASKED = Asked(doubt=AskedDoubt("guided", 200, 3))
PLAN = Plan((through_ball(), through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0)))


@cache
def ball() -> ReadyBone:
    return ready(ball_bone())


@cache
def compared(*lengths_mm: float, path: str | None = None, technique: str = "") -> Comparison:
    techniques = techniques_of([technique] if technique else [])
    return compare(ball(), PLAN, SCREWS, Wanted((), lengths_mm, techniques, path), ASKED)


def doubts(comparison: Comparison) -> list[Doubt]:
    return [row.result.doubt for row in comparison.rows if row.result is not None and row.result.doubt]


def estimates(doubt: Doubt) -> dict[str, float]:
    return {one.number: one.estimate for one in doubt.numbers if one.fragment is None}


def test_without_wishes_the_plans_own_screws_stand_side_by_side() -> None:
    assert [row.path for row in compared().rows] == ["S1", "S2"]
    assert len(doubts(compared())) == 2


def test_a_longer_screw_on_the_same_path_comes_nearer_to_the_far_end_draw_by_draw() -> None:
    short, long = doubts(compared(14.0, 16.0, path="S1"))
    before, after = estimates(short), estimates(long)
    assert after["tip_beyond_exit_mm"] - before["tip_beyond_exit_mm"] == pytest.approx(2.0, abs=1e-9)
    ends = {one.number: (one.low, one.high) for one in short.numbers if one.fragment is None}
    longer = {one.number: (one.low, one.high) for one in long.numbers if one.fragment is None}
    # The same hand, so the very same spread, 2 mm farther.
    assert longer["tip_beyond_exit_mm"][0] - ends["tip_beyond_exit_mm"][0] == pytest.approx(2.0, abs=0.1)
    kept = [{one.limit: one.holds_fraction for one in doubt.limits} for doubt in (short, long)]
    assert kept[1]["leading_end_clearance_mm"] < kept[0]["leading_end_clearance_mm"]


def test_variants_are_paths_then_screws_lengths_and_techniques() -> None:
    wanted = Wanted(("iso5835-ha-3.5", LAG), (16.0, 18.0), ("position", "lag"))
    found = variants(PLAN, SCREWS, wanted)
    assert len(found) == 2 * 2 * 2 * 2
    assert [path for path, _ in found[:8]] == ["S1"] * 8
    # A headless screw's depth below the surface is not a headed one's.
    assert {placed.seat_depth_mm for _, placed in found} == {0.0}


def test_what_cannot_be_is_told_beside_what_can() -> None:
    comparison = compared(14.0, 2.0, path="S1")
    assert [row.fault is None for row in comparison.rows] == [True, False]
    assert "must be at least" in str(comparison.rows[1].fault)
    row = compare_document(comparison)["rows"][1]
    assert (row["numbers"], row["breach_fraction"]) == ([], None)
    with pytest.raises(InputError, match="not one variant can be measured"):
        compared(path="S1", technique="lag")


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (Wanted(path="S9"), "the plan has no screw 'S9'"),
        (Wanted(screws=("iso5835-ha-35",)), "unknown screw 'iso5835-ha-35'.*did you mean"),
        (Wanted(lengths_mm=tuple(range(10, 50))), r"at most 60 variants are compared \(got 80\)"),
    ],
)
def test_wishes_that_cannot_be_met_are_refused(wanted: Wanted, says: str) -> None:
    with pytest.raises(InputError, match=says):
        variants(PLAN, SCREWS, wanted)


def test_an_unknown_technique_is_refused() -> None:
    with pytest.raises(InputError, match="there is no technique 'lagg'"):
        techniques_of(["lagg"])


def test_the_document_and_the_table_say_the_same_and_there_is_no_total() -> None:
    comparison = compared()
    document = compare_document(comparison)
    assert (document["format"], document["version"], document["what_if"]) == ("pilothole-compare", 1, None)
    assert canonical_json(document, decimals=6) == canonical_json(compare_document(comparison), decimals=6)
    rows = list(csv.DictReader(io.StringIO(compare_csv(comparison))))
    assert len(rows) == 2
    assert not [name for name in rows[0] if "score" in name or "total" in name]
    for told, row in zip(document["rows"], rows, strict=True):
        assert row["variant"] == told["variant"]
        for one in told["numbers"]:
            if one["fragment"] is None:
                assert float(row[column(one["number"], "low")]) == pytest.approx(one["low"], abs=1e-6)
        for one in told["limits"]:
            assert float(row[f"{one['limit']}_holds_fraction"]) == pytest.approx(one["holds_fraction"])


def what_if(**changes: float) -> dict[str, float]:
    first = PLAN.screws[0]
    before = doubts(compared(path="S1"))[0]
    bone, plan = changed_bone(ball(), changes), Plan((changed_screw(first, changes),))
    (after,) = doubts(compare(bone, plan, SCREWS, Wanted(), ASKED))
    return {
        f"{move.number} {move.fragment or ''}".strip(): move.after / move.before
        for move in moves(before, after)
        if move.before
    }


def test_a_thinner_bone_holds_less_and_is_no_shorter() -> None:
    moved = what_if(density=0.7)
    assert moved["mean_density_mg_cm3 1"] == pytest.approx(0.7)
    assert moved["pullout_n"] < 0.7
    assert "bone_length_mm" not in moved
    assert not [name for name in moved if name.startswith("clearance_mm")]


def test_a_finer_pitch_has_more_turns_and_no_other_density() -> None:
    first = PLAN.screws[0].screw
    pitch_mm = next(thread.pitch_mm for thread in first.threads if thread.at == "tip")
    moved = what_if(pitch=pitch_mm * 0.9)
    # The run-out is one pitch: a tenth of a pitch more is full thread.
    far = next(
        one
        for one in doubts(compared(path="S1"))[0].numbers
        if one.number == "threads_engaged" and one.fragment == 2
    )
    assert moved["threads_engaged 2"] == pytest.approx((far.estimate + 0.1) / 0.9 / far.estimate, rel=1e-3)
    assert "mean_density_mg_cm3 2" not in moved


def test_nothing_changed_moves_nothing() -> None:
    assert what_if(length=PLAN.screws[0].length_mm) == {}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["ptich=1.0"], "did you mean 'pitch'"),
        (["pitch"], "must be a number above 0"),
        (["pitch=-1"], "must be a number above 0"),
        (["pitch=1", "pitch=2"], "names pitch twice"),
    ],
)
def test_changes_that_cannot_be_read_are_refused(words: list[str], says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_changes(words)


def test_of_no_screw_nothing_is_compared() -> None:
    with pytest.raises(InputError, match="the plan has no screw, so there is nothing to compare"):
        variants(Plan(()), SCREWS, Wanted())


def test_a_screw_that_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match="0 < core < major"):
        changed_screw(PLAN.screws[0], {"core": 9.0})
    with pytest.raises(InputError, match="wider than the cannula"):
        changed_screw(PLAN.screws[0], {"core": 0.2})
