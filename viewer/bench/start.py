"""Starts the page: reads the case, holds it against a second page, serves until it is ended.

The address with its key is printed once, on standard output, when the page answers. A browser is opened by
way of a small file that only its owner can read, so that the key stands in no list of processes.
"""

from __future__ import annotations

import asyncio
import contextlib
import html
import os
import secrets
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from planner.vocabulary import Plan, Screw
from segmentation.errors import InputError
from segmentation.vocabulary import Bone
from viewer.bench.desk import Desk
from viewer.bench.painter import Painter
from viewer.bench.serve import Bench
from viewer.console import Progress, say, working

LOCK = ".bench"
"""File in a case that a running page holds. It stays, empty, when the page ends."""

DEMO = "scaphoid-waist"
"""The bone that is shown where no case was given."""


def view_case(
    folder: Path | None,
    *,
    open_browser: bool,
    port: int,
    catalogue: Path | None,
    frame_origin: str | None = None,
) -> None:
    """Serve ``folder`` (None: a demo bone that is not kept) until the program is ended."""
    from viewer.pipeline import screws_known

    screws = screws_known(catalogue)
    with _held(folder):
        with working("view") as progress:
            bone, plan, title = _demo(progress) if folder is None else _case(folder, screws, progress)
            progress("making ready")
            desk = Desk(bone, screws, plan)
            bench = Bench(
                desk,
                folder,
                title,
                painter=Painter(bone, desk.posed),
                write_report=None if folder is None else _reporter(folder, bone),
                port=port,
                frame_origin=frame_origin,
            )
        _serve(bench, open_browser=open_browser)


def _case(folder: Path, screws: Mapping[str, Screw], progress: Progress) -> tuple[Bone, Plan, str]:
    from planner.plan_file import read_plan
    from segmentation.case import PLAN, read_case
    from segmentation.files import shown

    progress("reading the case")
    bone = read_case(folder)
    plan = Plan(())
    if (folder / PLAN).is_file():
        plan = read_plan(folder / PLAN, screws)
    return bone, plan, shown(folder.resolve().name).strip("'\"")


def _demo(progress: Progress) -> tuple[Bone, Plan, str]:
    from demo_volumes.make import make_demo
    from planner.catalogue import built_in_screws
    from planner.plan_file import plan_of
    from segmentation.calibration import parse_calibration
    from segmentation.recipe import segment

    progress("making a demo bone")
    demo = make_demo(DEMO)
    told = demo.segment_options
    slope, intercept = told["calibration"]
    bone = segment(
        demo.ct,
        threshold_hu=told["threshold_hu"],
        calibration=parse_calibration(f"{slope},{intercept}"),
        host=told["host"],
        names=told["names"],
        joint=demo.joint,
    )
    return bone, plan_of(demo.plan, built_in_screws()), "Scaphoid, waist fracture (invented demo)"


def _reporter(folder: Path, bone: Bone) -> Callable[[Desk], Path]:
    def report(desk: Desk) -> Path:
        from segmentation.case import REPORT
        from viewer.pipeline import write_report

        if desk.assessment is None:
            raise InputError("the plan holds no screw; place one before writing a report")
        target = folder / REPORT
        write_report(target, bone, desk.assessment)
        return target

    return report


@contextlib.contextmanager
def _held(folder: Path | None) -> Iterator[None]:
    """Hold the case, so that a second page on it is refused."""
    if folder is None:
        yield
        return
    from segmentation.case import check_case
    from segmentation.files import hold, shown

    check_case(folder)
    lock = folder / LOCK
    with contextlib.suppress(OSError):
        lock.touch()
    if not os.access(lock, os.R_OK):
        raise InputError(f"the case {shown(folder.name)} is not yours to write to; copy it first")
    with hold(lock) as free:
        if not free:
            raise InputError(
                f"the case {shown(folder.name)} is open in another page; end that one (Ctrl C where it runs)"
            )
        yield


def _serve(bench: Bench, *, open_browser: bool) -> None:
    async def main() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for name in (signal.SIGINT, signal.SIGTERM):
            with contextlib.suppress(NotImplementedError):
                loop.add_signal_handler(name, stop.set)

        def ready(address: str) -> None:
            say(address)
            if open_browser:
                _open(address)

        await bench.run(ready, stop)

    asyncio.run(main())


def _open(address: str) -> None:
    """Open the address in the person's browser by way of a file, which is removed soon after."""
    import threading
    import webbrowser

    folder = Path(tempfile.mkdtemp(prefix="pilothole-"))
    door = folder / f"{secrets.token_hex(4)}.html"
    door.touch(mode=0o600)
    door.write_text(f'<!doctype html><meta http-equiv="refresh" content="0;url={html.escape(address)}">')

    def remove() -> None:
        with contextlib.suppress(OSError):
            door.unlink()
            folder.rmdir()

    timer = threading.Timer(20, remove)
    timer.daemon = True
    timer.start()
    if not webbrowser.open(door.as_uri()):
        sys.stderr.write("pilothole: no browser was found; open the address above in one\n")
