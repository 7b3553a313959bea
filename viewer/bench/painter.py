"""The picture of the scene, made in a process of its own, so that no number ever waits for it.

``paint`` takes a look at the desk and returns at once; of several looks the newest is drawn, and the picture
arrives on the server's loop. The process is watched: one that dies is begun anew a few times. Where the
graphics library is missing or broken the process draws by rays instead, and ``fault`` says what to install.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Literal

from segmentation.vocabulary import Bone
from viewer.bench.desk import Desk
from viewer.bench.painter_process import run as _drawing
from viewer.bench.shot import LARGEST_PIXELS_COUNT, Bones, Shot
from viewer.report.camera import Camera
from viewer.report.view_frame import PosedFragment

NO_GL = (
    "the 3D picture is coarse while it moves, because no graphics library (EGL) works here; "
    "install libegl1 and libgl1-mesa-dri and start again"
)
"""What the page says where the library is missing. Names of the Debian packages."""

KEEPS_ENDING = "the 3D picture's process has ended several times and stays off; save and start again"
"""What the page says when there is no picture any more; all else goes on."""

RESTARTS_COUNT = 3
"""A process that died is begun anew so often. Our choice."""

ANSWER_WITHIN_S = 60.0
"""A process that has not told by then whether the library works is taken to hang in it. Our choice: loading
takes 2 s, on a busy machine ten times that."""

ENDS_WITHIN_S = 2.0
"""A process whose pipe was closed is ended by force after so long. Our choice: it may be drawing."""

NO_GL_VARIABLE = "PILOTHOLE_NO_GL"
"""Set to 1, this variable of the environment leaves the graphics library out."""

Last = Literal["silent", "hung", "told"]
"""A process that has said nothing, or nothing for too long, or whether the library works."""

_known_gl: list[bool] = []
"""Whether the library works, once that is known: it is found out once a run."""


class Painter:
    """Draws a desk's scene; ``ratio`` (device px per CSS px) and ``dark`` are the page's."""

    def __init__(self, bone: Bone, posed: tuple[PosedFragment, ...]) -> None:
        self.ratio, self.dark = 1.0, False
        self.fault: str | None = None
        self._joint, self._posed = bone.joint, posed
        self._change, self._sending = threading.Condition(), threading.Lock()
        self._shot: Shot | None = None
        self._number = 0
        self._bones_due = self._shot_due = self._closed = False
        self._connection: Connection | None = None
        self._process: BaseProcess | None = None
        self._threads: list[threading.Thread] = []

    @property
    def process_id(self) -> int | None:
        """Of the process that draws now."""
        process = self._process
        return None if process is None else process.pid

    def start(self, loop: asyncio.AbstractEventLoop, on_picture: Callable[[bytes], None]) -> None:
        """Begin; ``on_picture`` is called on the loop with each picture, as a message for the page."""

        def arrived(picture: bytes) -> None:
            # The loop may have been closed meanwhile: then nobody looks.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(on_picture, picture)

        self._threads = [
            threading.Thread(target=self._watch, args=(arrived,), name="painter-watch", daemon=True),
            threading.Thread(target=self._feed, name="painter-feed", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def paint(self, desk: Desk, *, moving: bool) -> None:
        """Have the desk drawn as it is now. Returns at once; may be called from any one thread at a time."""
        screws = desk.assessment.screws if desk.assessment else ()
        own = desk.result.bone_name if desk.result else _most_broken(desk.posed)
        with self._change:
            if desk.posed is not self._posed:
                self._posed, self._joint, self._bones_due = desk.posed, desk.bone.joint, True
            self._number += 1
            self._shot = Shot(
                self._number,
                desk.camera,
                screws,
                desk.selected,
                own,
                frozenset(desk.hidden),
                frozenset(desk.faint),
                desk.neighbours,
                _within(self.ratio, desk.camera),
                self.dark,
                moving,
            )
            self._shot_due = True
            self._change.notify_all()

    def close(self) -> None:
        """End the process and wait until it is gone."""
        with self._change:
            self._closed = True
            self._change.notify_all()
        for thread in self._threads:
            thread.join(ENDS_WITHIN_S)
        # It may be drawing something long; without it the threads end too.
        if self._process is not None and any(thread.is_alive() for thread in self._threads):
            self._process.kill()
        for thread in self._threads:
            thread.join()

    # The process

    def _watch(self, arrived: Callable[[bytes], None]) -> None:
        """Begin the process, hand on what it sends, begin it anew when it dies."""
        deaths_count = 0
        while True:
            gl = _known_gl[-1] if _known_gl else True
            if os.environ.get(NO_GL_VARIABLE) == "1":
                gl = False
            if not gl:
                self.fault = NO_GL
            process = self._begin(gl=gl)
            if process is None:
                return
            last = self._listen(arrived, gl=gl)
            self._end(process)
            if self._closed:
                return
            ended_from_outside = process.exitcode in (-signal.SIGKILL, -signal.SIGTERM)
            if gl and (last == "hung" or (last == "silent" and not ended_from_outside)):
                # Of the library; a segmentation fault cannot be caught in any other way.
                _known_gl[:] = [False]
                continue
            deaths_count += 1
            if deaths_count > RESTARTS_COUNT:
                self.fault = KEEPS_ENDING
                return

    def _begin(self, *, gl: bool) -> BaseProcess | None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        with self._change:
            if self._closed:
                return None
            process = context.Process(target=_drawing, args=(theirs, gl), name="painter", daemon=True)
            process.start()
            # Only the process may hold its end, or its death would not be heard.
            theirs.close()
            self._connection, self._process = ours, process
            self._bones_due, self._shot_due = True, self._shot is not None
            self._change.notify_all()
        return process

    def _listen(self, arrived: Callable[[bytes], None], *, gl: bool) -> Last:
        """Hand pictures on until the process is gone, or hangs; what was last known of it."""
        connection = self._connection
        assert connection is not None
        last: Last = "silent"
        with contextlib.suppress(EOFError, OSError):
            if gl and not connection.poll(ANSWER_WITHIN_S):
                return "hung"
            while True:
                kind, value = connection.recv()
                if kind == "gl":
                    last = "told"
                    if gl:
                        _known_gl[:] = [value]
                    if not value:
                        self.fault = NO_GL
                else:
                    arrived(value)
        return last

    def _end(self, process: BaseProcess) -> None:
        process.join(ENDS_WITHIN_S)
        if process.is_alive():
            process.kill()
            process.join()
        with self._change:
            connection, self._connection = self._connection, None
        # Closed only here, where nobody reads from it, and when nobody writes to it.
        with self._sending:
            if connection is not None:
                connection.close()

    def _feed(self) -> None:
        """Send the bones and the newest shot; a pipe that is full holds up only this thread."""
        while True:
            with self._change:
                self._change.wait_for(self._to_send)
                connection = self._connection
                bones = Bones(self._posed, self._joint) if self._bones_due else None
                shot = self._shot if self._shot_due else None
                self._bones_due = self._shot_due = False
                messages: list[Bones | Shot | None]
                messages = [None] if self._closed else [one for one in (bones, shot) if one is not None]
            with self._sending, contextlib.suppress(OSError):
                for message in messages:
                    if connection is not None:
                        connection.send(message)
            if self._closed:
                return

    def _to_send(self) -> bool:
        return self._closed or (self._connection is not None and (self._bones_due or self._shot_due))


def _within(pixel_ratio: float, camera: Camera) -> float:
    """The page's ratio, or less where the picture would become too large."""
    return min(pixel_ratio, math.sqrt(LARGEST_PIXELS_COUNT / (camera.width_px * camera.height_px)))


def _most_broken(posed: tuple[PosedFragment, ...]) -> str:
    """The bone in most pieces: the one a plan will be made for."""
    return max(posed, key=lambda one: (one.rank, -one.number)).bone if posed else ""
