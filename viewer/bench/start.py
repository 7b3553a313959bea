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
from typing import TYPE_CHECKING

from planner.vocabulary import Plan, Screw
from segmentation.errors import InputError
from viewer.bench.case_place import CasePlace
from viewer.bench.desk import Desk
from viewer.bench.painter import Painter
from viewer.bench.place import Place
from viewer.bench.scan_place import ScanPlace
from viewer.bench.serve import Bench
from viewer.bench.start_place import StartPlace, case_title
from viewer.bench.work import Work
from viewer.console import Progress, say, working

if TYPE_CHECKING:
    from planner.compare import Comparison

LOCK = ".bench"
"""File in a case that a running page holds. It stays, empty, when the page ends."""


def view_case(
    folder: Path | None,
    *,
    open_browser: bool,
    port: int,
    catalogue: Path | None,
    frame_origin: str | None = None,
) -> None:
    """Serve ``folder`` (None: the start, from which one is chosen) until the program is ended."""
    from viewer.pipeline import screws_known

    doors = Doors(screws_known(catalogue), Path.cwd() if folder is None else folder.resolve().parent)
    if folder is None:
        place: Place = doors.start()
    else:
        with working("view") as progress:
            place = doors.case(folder, progress)
    bench = Bench(place, doors.work, port=port, frame_origin=frame_origin)
    _serve(bench, open_browser=open_browser)


class Doors:
    """Opens the places of the page: the start, a scan, a case. What a case holds it holds while open."""

    def __init__(self, screws: Mapping[str, Screw], root: Path) -> None:
        self.screws, self.root = screws, root
        self.work = Work()

    def start(self, left: Path | None = None) -> StartPlace:
        """The list of what can be opened, and the way back to the case that was ``left``."""
        return StartPlace(self.root, self.work, self.case, self.scan, left=left)

    def scan(self, steps: list[str]) -> ScanPlace:
        """A scan below the root."""
        return ScanPlace(self.root, steps, self.work, self.case, self.start)

    def case(self, folder: Path, progress: Progress = lambda _step: None) -> CasePlace:
        """A case, held so that a second page on it is refused until it is closed."""
        from planner.plan_file import read_plan
        from segmentation.case import PLAN, read_case

        with contextlib.ExitStack() as held:
            held.enter_context(_held(folder))
            progress("reading the case")
            bone = read_case(folder)
            plan = Plan(())
            if (folder / PLAN).is_file():
                plan = read_plan(folder / PLAN, self.screws)
            progress("making ready")
            desk = Desk(bone, self.screws, plan)
            return CasePlace(
                desk,
                folder,
                case_title(folder),
                painter=Painter(bone, desk.posed),
                write_report=_reporter(folder),
                go_back=lambda: self.start(folder),
                let_go=held.pop_all().close,
                work=self.work,
                read_again=lambda: read_case(folder),
            )


def _reporter(folder: Path) -> Callable[[Desk, Comparison | None], Path]:
    def report(desk: Desk, compared: Comparison | None) -> Path:
        from planner.asked import assess_asked
        from segmentation.case import REPORT
        from viewer.pipeline import write_report

        if desk.assessment is None:
            raise InputError("the plan holds no screw; place one before writing a report")
        target = folder / REPORT
        # The page draws the doubt of the screw in hand, the report tells that of each.
        told = assess_asked(desk.ready, desk.history.plan, desk.asked)
        write_report(target, desk.bone, told, comparison=compared)
        return target

    return report


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Hold the case, so that a second page on it is refused."""
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
