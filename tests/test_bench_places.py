"""The places of the page before and beside the screw: what may be opened, a scan's way to a bone, the bone's
tools. Long steps are taken here at once, by the same functions as in their process."""

from __future__ import annotations

import json
import time
from pathlib import Path

import nibabel
import numpy as np
import pytest
from bench_rig import AtOnce, doors, said, told, write_ball_case
from tiny_scan import AFFINE, ball_hu

from segmentation.asked import Seed
from segmentation.case import read_case
from segmentation.errors import InputError
from viewer.bench.case_place import CasePlace
from viewer.bench.listing import below, listing
from viewer.bench.scan_place import ScanPlace
from viewer.bench.start_place import StartPlace
from viewer.bench.work import Work, WorkEvent

# What may be opened


def test_only_what_lies_below_is_listed_and_opened(tmp_path: Path) -> None:
    root = tmp_path / "root"
    for folder in ("b", "a", ".hidden"):
        (root / folder).mkdir(parents=True)
    for file in ("ct.nii.gz", "notes.txt", ".secret.nii"):
        (root / file).touch()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "ct.nii").touch()
    (root / "out").symlink_to(tmp_path / "other")
    assert [(one.name, one.sort) for one in listing(root, []).entries] == [
        ("a", "folder"),
        ("b", "folder"),
        ("out", "folder"),
        ("ct.nii.gz", "scan"),
    ]
    for steps in ([".."], ["a", "..", "..", "other"], ["a/../.."], [""], ["a\0"], ["/etc"]):
        with pytest.raises(InputError, match="plain name"):
            below(root, steps)
    with pytest.raises(InputError, match="leads out"):
        listing(root, ["out"])
    with pytest.raises(InputError, match="not there any more"):
        below(root, ["gone"])


def test_slices_of_a_series_are_opened_by_their_folder(tmp_path: Path) -> None:
    for number in range(3):
        (tmp_path / f"{number}.dcm").touch()
    found = listing(tmp_path, [])
    assert found.scans_here
    assert found.entries == ()


def test_a_case_and_a_scan_are_opened_from_the_start(tmp_path: Path) -> None:
    write_ball_case(tmp_path / "ball")
    opened, _ = doors(tmp_path)
    start = opened.start()
    shown = start.answer(said('{"do": "list", "at": []}'))["start"]
    assert len(shown["sentences"]) == 3
    assert {"name": "ball", "sort": "case"} in shown["entries"]
    assert start.goes_to() is None
    start.answer(said('{"do": "open", "at": ["ball"]}'))
    place = start.goes_to()
    assert isinstance(place, CasePlace)
    # While it is open nobody else gets it; then it is free again, and the way back leads to the start.
    with pytest.raises(InputError, match="open in another page"):
        opened.case(tmp_path / "ball")
    with pytest.raises(InputError, match="no case was open before"):
        start.answer(said('{"do": "again"}'))
    place.answer(said('{"do": "back"}'))
    back = place.goes_to()
    assert isinstance(back, StartPlace)
    place.close()
    opened.case(tmp_path / "ball").close()
    assert back.answer(said('{"do": "list", "at": []}'))["start"]["left"] == "ball"
    back.answer(said('{"do": "again"}'))
    again = back.goes_to()
    assert isinstance(again, CasePlace)
    assert again.title == "ball"
    again.close()


def test_a_demo_is_made_below_the_folder_and_opened(tmp_path: Path) -> None:
    opened, work = doors(tmp_path)
    start = opened.start()
    start.answer(said('{"do": "demo", "name": "foam-block"}'))
    told(start, work)
    place = start.goes_to()
    assert isinstance(place, CasePlace)
    assert place.desk.assessment is not None
    place.close()
    assert (tmp_path / "pilothole-demo" / "foam-block" / "case" / "bone.json").is_file()
    # The second time it is there.
    start.answer(said('{"do": "demo", "name": "foam-block"}'))
    assert work.last is None
    again = start.goes_to()
    assert again is not None
    again.close()
    with pytest.raises(InputError, match="no demo"):
        start.answer(said('{"do": "demo", "name": "no such"}'))


# A scan on its way to a bone


@pytest.fixture
def scan(tmp_path: Path) -> tuple[ScanPlace, AtOnce, Path]:
    nibabel.save(nibabel.Nifti1Image(ball_hu(), AFFINE), tmp_path / "ball.nii.gz")
    opened, work = doors(tmp_path)
    start = opened.start()
    start.answer(said('{"do": "open", "at": ["ball.nii.gz"]}'))
    place = start.goes_to()
    assert isinstance(place, ScanPlace)
    place.begin(None, lambda _picture: None)  # type: ignore[arg-type]
    place.answer(said('{"do": "room", "scene": [600, 400], "strip": [600, 200]}'))
    told(place, work)
    assert told(place, work)["scan"]["read"]["shape"] == [33, 33, 33]
    return place, work, tmp_path


def test_the_level_moves_over_the_histogram_and_the_cut(scan: tuple[ScanPlace, AtOnce, Path]) -> None:
    place, _, _ = scan
    shown = place.answer(said('{"do": "level", "hu": 250.0}'))["scan"]
    assert shown["level"] == {"hu": 250.0, "given": True, "found_hu": shown["level"]["found_hu"]}
    drawn = shown["histogram"]
    assert 0 < drawn["x0_px"] + 250 * drawn["scale_px"] < drawn["width"]
    other = place.answer(said('{"do": "level", "hu": 400.0}'))["scan"]
    assert other["section"]["svg"] != shown["section"]["svg"]
    assert place.answer(said('{"do": "level", "hu": null}'))["scan"]["level"]["given"] is False


def test_pages_turn_by_a_slice_and_views_change(scan: tuple[ScanPlace, AtOnce, Path]) -> None:
    place, _, _ = scan
    before = place.answer(said('{"do": "page", "view": 0}'))["scan"]["section"]["words"]
    after = place.answer(said('{"do": "page", "turn": 1}'))["scan"]["section"]["words"]
    numbers = [float(words.split(" at ")[1].split(" mm")[0]) for words in (before, after)]
    assert abs(numbers[1] - numbers[0]) == pytest.approx(float(np.linalg.norm(AFFINE[:3, 2])), abs=0.051)
    assert place.answer(said('{"do": "page", "view": 2}'))["scan"]["section"]["words"].startswith("sagittal")


def test_the_bone_is_made_as_the_command_line_makes_it(scan: tuple[ScanPlace, AtOnce, Path]) -> None:
    from viewer.pipeline import SegmentOptions, bone_from_ct

    place, work, root = scan
    place.answer(said('{"do": "level", "hu": 250.0}'))
    place.answer(said('{"do": "line", "kind": "given", "slope": 0.8, "intercept": 5.0}'))
    place.answer(said('{"do": "make", "name": "my ball"}'))
    told(place, work)
    case = place.goes_to()
    assert isinstance(case, CasePlace)
    case.close()
    asked = SegmentOptions(threshold_hu=250.0, calibration="0.8,5")
    same = bone_from_ct(root / "ball.nii.gz", asked, lambda _step: None)
    made = read_case(root / "my ball")
    assert (made.labels == same.labels).all()
    assert made.calibration is not None
    assert same.calibration is not None
    assert made.calibration.density_mg_cm3(700.0) == same.calibration.density_mg_cm3(700.0) == 565.0


@pytest.mark.parametrize("name", ["../out", "a/b", "..", "ball.nii.gz"])
def test_a_case_gets_a_plain_and_new_name(scan: tuple[ScanPlace, AtOnce, Path], name: str) -> None:
    place, work, _ = scan
    with pytest.raises(InputError):
        place.answer(said(f'{{"do": "make", "name": "{name}"}}'))
    assert work.last is None


def test_a_rods_file_comes_from_beside_the_scan_only(scan: tuple[ScanPlace, AtOnce, Path]) -> None:
    place, _, _ = scan
    with pytest.raises(InputError, match="plain name"):
        place.answer(said('{"do": "line", "kind": "rods", "file": "../rods.json"}'))
    with pytest.raises(InputError, match="slope"):
        place.answer(said('{"do": "line", "kind": "given", "slope": 0.0, "intercept": 1.0}'))


# The bone's tools


@pytest.fixture
def ball(tmp_path: Path) -> tuple[CasePlace, AtOnce]:
    write_ball_case(tmp_path / "ball")
    opened, work = doors(tmp_path)
    place = opened.case(tmp_path / "ball")
    place.painter = None
    place.answer(said('{"do": "turn", "to": "bone"}'))
    place.answer(said('{"do": "look", "view": "front"}'))
    return place, work


def at(place: CasePlace, *point: float) -> str:
    """The place of the scene under which a point lies, as a message's end."""
    camera = place.desk.camera
    x, y = camera.to_px([np.array(point)])[0].tolist()
    return f'"x": {x / camera.width_px}, "y": {y / camera.height_px}}}'


def names(place: CasePlace) -> list[str]:
    return [fragment.name for fragment in place.desk.bone.fragments]


def test_two_fragments_are_joined_and_parted_again(ball: tuple[CasePlace, AtOnce]) -> None:
    place, work = ball
    before = place.desk.bone.labels.copy()
    place.answer(said('{"do": "tool", "tool": "join"}'))
    place.answer(said('{"do": "click", ' + at(place, -5, 0, 0)))
    place.answer(said('{"do": "click", ' + at(place, 5, 0, 0)))
    assert len(told(place, work)["bone"]["fragments"]) == 1
    place.answer(said('{"do": "undo"}'))
    shown = told(place, work)
    assert (place.desk.bone.labels == before).all()
    assert shown["undo"] is None
    assert shown["redo"] == "join"
    place.answer(said('{"do": "redo"}'))
    told(place, work)
    assert len(place.desk.bone.fragments) == 1
    # The plan was left alone.
    assert len(place.desk.history.plan.screws) == 1


def test_a_flat_cut_goes_in_as_one_looks(ball: tuple[CasePlace, AtOnce]) -> None:
    place, work = ball
    place.answer(said('{"do": "tool", "tool": "cut"}'))
    place.answer(said('{"do": "click", ' + at(place, 1.5, 0, 2)))
    place.answer(said('{"do": "click", ' + at(place, 8, 0, 2)))
    assert len(told(place, work)["bone"]["fragments"]) == 3
    cut = place.desk.bone.edits[-1]["cut"]
    # Looking from the front, a cut from left to right lies flat: its normal is the body's up or down.
    assert abs(cut["normal"][2]) == pytest.approx(1, abs=1e-6)
    assert cut["point_mm"][2] == pytest.approx(2, abs=0.2)


def test_a_line_drawn_by_hand_cuts(ball: tuple[CasePlace, AtOnce]) -> None:
    place, work = ball
    camera = place.desk.camera
    points = [(1.0, 0.0, 0.5), (4.0, 0.0, 1.5), (7.0, 0.0, 0.5), (11.0, 0.0, 0.0)]
    line = [
        [x / camera.width_px, y / camera.height_px] for x, y in camera.to_px([np.array(p) for p in points])
    ]
    place.answer(said('{"do": "tool", "tool": "line"}'))
    place.answer(said(json.dumps({"do": "draw", "line": line})))
    told(place, work)
    assert len(place.desk.bone.fragments) == 3
    assert "sweep" in place.desk.bone.edits[-1]


def test_a_fragment_is_named_and_the_name_is_kept(ball: tuple[CasePlace, AtOnce]) -> None:
    place, work = ball
    place.answer(said('{"do": "call", "fragment": 1, "name": "head", "bone": "ball"}'))
    told(place, work)
    assert "head" in names(place)
    assert place.folder is not None
    assert "head" in [one.name for one in read_case(place.folder).fragments]
    assert "cannot" not in place.desk.said


def test_marks_tell_bones_apart(tmp_path: Path) -> None:
    from apart_phantoms import SCANS, cluster, scanned

    from planner.vocabulary import Plan
    from segmentation.case import write_case
    from segmentation.recipe import segment
    from viewer.bench.bone_state import state_of

    phantom = scanned(cluster(3, 0.8, 1), SCANS["A"], 1)
    write_case(tmp_path / "two", segment(phantom.ct, threshold_hu=300.0, calibration_reason="none"))
    opened, work = doors(tmp_path)
    place = opened.case(tmp_path / "two")
    place.painter = None
    assert place.desk.history.plan == Plan(())
    whole = len(place.desk.bone.fragments)
    assert place.mending is not None
    with pytest.raises(InputError, match="no mark"):
        place.mending.tell_apart()
    place.mending.marks += [
        Seed(name, name, point)
        for name, point in zip(("one", "two", "three"), phantom.clicks_mm, strict=True)
    ]
    place.answer(said('{"do": "apart"}'))
    told(place, work)
    assert whole == 1
    assert names(place) == ["one", "two", "three"]
    assert len(state_of(place.desk.bone).seeds) == 3
    # Joined, the first two keep the first's name, and the third its own.
    place.mending._join(1, 2)
    told(place, work)
    assert names(place) == ["one", "three"]
    place.close()


def test_the_brush_marks_a_joint(ball: tuple[CasePlace, AtOnce], tmp_path: Path) -> None:
    # The ball's joint was given as a file, so that a brush is refused with the reason.
    place, work = ball
    place.answer(said('{"do": "tool", "tool": "add", "radius_mm": 3.0}'))
    place.answer(said('{"do": "click", ' + at(place, -5, 0, 0)))
    shown = told(place, work)
    assert "given joint surface" in shown["said"]
    assert place.desk.bone.joint is not None


def test_a_refused_reduction_is_told_and_changes_nothing(ball: tuple[CasePlace, AtOnce]) -> None:
    place, work = ball
    assert place.folder is not None
    before = (place.folder / "bone.json").read_bytes()
    place.answer(said('{"do": "tool", "tool": "pair", "move": 2, "onto": 1}'))
    place.answer(said('{"do": "reduce"}'))
    shown = told(place, work)
    # A ball cut flat has nothing to be fitted by.
    assert "fit" in shown["said"]
    assert (place.folder / "bone.json").read_bytes() == before


def test_nothing_is_clicked_beside_the_bone(ball: tuple[CasePlace, AtOnce]) -> None:
    place, work = ball
    place.answer(said('{"do": "tool", "tool": "cut"}'))
    assert "no bone under" in place.answer(said('{"do": "click", "x": 0.01, "y": 0.01}'))["said"]
    assert work.last is None


# The process for long steps


def wait_for(events: list[WorkEvent], kind: str) -> WorkEvent:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        for event in events:
            if event.kind == kind:
                return event
        time.sleep(0.02)
    raise AssertionError(f"no {kind} in {events}")


def test_a_step_is_told_cancelled_and_begun_anew(tmp_path: Path) -> None:
    work, events = Work(), []
    work.on_event = events.append
    try:
        work.begin("make_demo", "Making", {"name": "ball-and-socket", "folder": tmp_path / "d" / "b"})
        assert wait_for(events, "step").value == "making the bone"
        assert work.told is not None
        assert work.told["parts"][0]["words"] == "making the bone"
        with pytest.raises(InputError, match="still under way"):
            work.begin("look_into", "Looking", {"path": tmp_path})
        work.cancel()
        assert wait_for(events, "cancelled").task == "make_demo"
        assert work.told is None
        assert not (tmp_path / "d" / "b").exists()
        nibabel.save(nibabel.Nifti1Image(ball_hu(), AFFINE), tmp_path / "ball.nii")
        work.begin("look_into", "Looking", {"path": tmp_path / "ball.nii"})
        assert wait_for(events, "done").value["kind"] == "NIfTI file"
        # A fault is told in its sentence, and the process stays.
        work.begin("look_into", "Looking", {"path": tmp_path / "nothing"})
        assert "nothing" in wait_for(events, "fault").value
        events.clear()
        work.begin("make_demo", "Making", {"name": "ball-and-socket", "folder": tmp_path / "d" / "c"})
        wait_for(events, "step")
        assert work._process is not None
        work._process.kill()
        assert "ended before its time" in wait_for(events, "fault").value
    finally:
        work.close()
