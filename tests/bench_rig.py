"""A small case for the bench, and a bench that serves it in a thread of the test.

The bone is a ball of 10 mm radius cut in two, with a joint that is a cap of it: numbers of closed form.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from tiny_scan import AFFINE, ball_hu

from planner.catalogue import built_in_screws
from planner.vocabulary import PlacedScrew, Plan
from segmentation.calibration import parse_calibration
from segmentation.case import write_case
from segmentation.errors import InputError
from segmentation.files import canonical_json
from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, CTVolume, Grid, Surface
from viewer.bench.case_place import CasePlace
from viewer.bench.desk import Desk
from viewer.bench.messages import read_message
from viewer.bench.serve import Bench
from viewer.bench.start import Doors
from viewer.bench.work import Work, WorkEvent
from viewer.bench.work_process import TASKS

SCREWS = built_in_screws()
HEADLESS, LAG = "headless-two-pitch-2.2-2.8", "iso5835-hb-4.0-partial"


@cache
def ball_bone() -> Bone:
    """Two halves of a ball, parted at x = 0, with the cap beyond x = 8 mm as its joint."""
    ct = CTVolume(Grid((33, 33, 33), AFFINE), ball_hu(), digest="none: a test")
    whole = segment(ct, threshold_hu=250)
    surface = whole.fragments[0].surface
    cap = surface.vertices_mm[:, 0][surface.faces].min(axis=1) > 8
    joint = Surface(surface.vertices_mm, surface.faces[cap])
    return segment(
        ct,
        threshold_hu=250,
        calibration=parse_calibration("0.8,0"),
        cuts=[Cut(np.array([0.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]))],
        joint=joint,
        names=[((5.0, 0.0, 0.0), "far half", "ball"), ((-5.0, 0.0, 0.0), "near half", "ball")],
    )


def through_ball(
    name: str = "S1", family: str = HEADLESS, y_mm: float = 0.0, length_mm: float = 14.0
) -> PlacedScrew:
    """A screw along x through the ball."""
    seat_mm = 2.0 if SCREWS[family].headless else 0.0
    return PlacedScrew(
        name,
        SCREWS[family],
        length_mm,
        np.array([-10.0, y_mm, 0.0]),
        np.array([10.0, y_mm, 0.0]),
        seat_depth_mm=seat_mm,
    )


def ball_desk(*placed: PlacedScrew) -> Desk:
    """A desk with the ball and these screws."""
    return Desk(ball_bone(), SCREWS, Plan(placed or (through_ball(),)))


def write_ball_case(folder: Path, *placed: PlacedScrew) -> Path:
    """The ball as a case with a plan."""
    from planner.plan_file import plan_document

    write_case(folder, ball_bone())
    (folder / "plan.json").write_bytes(canonical_json(plan_document(Plan(placed or (through_ball(),)))))
    return folder


@contextmanager
def served(desk: Desk | None = None, folder: Path | None = None) -> Iterator[Bench]:
    """A bench that answers on a free port while the block runs."""
    bench = Bench(CasePlace(desk or ball_desk(), folder, "ball"))
    answers, loop, stop = threading.Event(), asyncio.new_event_loop(), asyncio.Event()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(bench.run(lambda _address: answers.set(), stop))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert answers.wait(20)
    try:
        yield bench
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(20)
        loop.close()
        assert not thread.is_alive()


class AtOnce(Work):
    """Takes each step where it is asked for; ``last`` is what it said."""

    def __init__(self) -> None:
        super().__init__()
        self.last: WorkEvent | None = None
        self.asked: list[str] = []

    def begin(self, task: str, words: str, arguments: Mapping[str, Any]) -> None:
        self.asked.append(words)
        try:
            self.last = WorkEvent("done", task, TASKS[task](lambda _step: None, **arguments))
        except InputError as fault:
            self.last = WorkEvent("fault", task, str(fault))


def said(text: str) -> Any:
    return read_message(text)


def doors(root: Path) -> tuple[Doors, AtOnce]:
    opened, work = Doors(SCREWS, root), AtOnce()
    opened.work = work
    return opened, work


def told(place: Any, work: AtOnce) -> dict[str, Any]:
    """The page after the step that was asked for."""
    assert work.last is not None
    event, work.last = work.last, None
    return dict(place.worked(event))
