"""One long step at a time, in a process of its own: told step by step, and ended at once when cancelled.

The process stays for the next step, with what it has read; one that was cancelled or died is begun anew then.
Whatever a step writes it writes whole or not at all, so that ending it anywhere leaves the disk as it was.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Literal

from segmentation.errors import InputError
from viewer.bench.work_process import run as _working

ENDED = "the step ended before its time (was the memory enough?); nothing was changed"
"""What is said where the process died."""

ENDS_WITHIN_S = 5.0
"""A process that was killed is waited for so long. Our choice."""


@dataclass(frozen=True, eq=False)
class WorkEvent:
    """What a long step says: a ``step`` it has begun, that it is ``done``, or why it is not (``fault``)."""

    kind: Literal["step", "done", "fault", "cancelled"]
    task: str
    value: Any = None


class Work:
    """The process for long steps. ``on_event`` is called from a thread of its own."""

    def __init__(self) -> None:
        self.on_event: Callable[[WorkEvent], None] = lambda _event: None
        self._lock = threading.Lock()
        self._process: BaseProcess | None = None
        self._connection: Connection | None = None
        self._task: str | None = None
        self._words = self._step = ""
        self._began_s = 0.0
        self._steps: list[tuple[str, float]] = []

    @property
    def told(self) -> dict[str, Any] | None:
        """What the page shows of the step under way, or None: its words, its parts so far, seconds."""
        with self._lock:
            if self._task is None:
                return None
            now_s = time.monotonic()
            ends_s = [at_s for _, at_s in self._steps[1:]] + [now_s]
            parts = [
                {"words": words, "took_s": round(end_s - at_s, 1)}
                for (words, at_s), end_s in zip(self._steps, ends_s, strict=False)
            ]
            return {"words": self._words, "parts": parts, "for_s": round(now_s - self._began_s, 1)}

    @property
    def busy(self) -> bool:
        """Whether a step is under way."""
        return self._task is not None

    def begin(self, task: str, words: str, arguments: Mapping[str, Any]) -> None:
        """Begin ``task`` of ``viewer.bench.work_process`` with ``arguments``; InputError while one runs."""
        with self._lock:
            if self._task is not None:
                raise InputError(f"{self._words} is still under way; wait for it or cancel it")
            if self._process is None or not self._process.is_alive():
                self._start()
            self._task, self._words, self._steps = task, words, []
            self._began_s = time.monotonic()
            connection = self._connection
        assert connection is not None
        try:
            connection.send((task, dict(arguments)))
        except OSError:
            self._lost(connection)

    def cancel(self) -> None:
        """End the step under way, at once. Nothing happens where there is none."""
        with self._lock:
            task, self._task = self._task, None
            if task is None:
                return
            self._end()
        self.on_event(WorkEvent("cancelled", task))

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._task = None
            self._end()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        self._process = context.Process(target=_working, args=(theirs,), name="work", daemon=True)
        self._process.start()
        theirs.close()
        self._connection = ours
        threading.Thread(target=self._listen, args=(ours,), name="work-listen", daemon=True).start()

    def _end(self) -> None:
        process, self._process = self._process, None
        self._connection = None
        if process is not None:
            process.kill()
            process.join(ENDS_WITHIN_S)

    def _listen(self, connection: Connection) -> None:
        with contextlib.suppress(EOFError, OSError):
            while True:
                kind, value = connection.recv()
                event = self._event(connection, kind, value)
                if event is not None:
                    self.on_event(event)
        self._lost(connection)
        with contextlib.suppress(OSError):
            connection.close()

    def _event(self, connection: Connection, kind: Any, value: Any) -> WorkEvent | None:
        with self._lock:
            if connection is not self._connection or self._task is None:
                return None
            task = self._task
            if kind == "step":
                self._steps.append((str(value), time.monotonic()))
            else:
                self._task = None
        return WorkEvent(kind, task, value)

    def _lost(self, connection: Connection) -> None:
        """The process is gone; a step that was under way is told so."""
        with self._lock:
            if connection is not self._connection:
                return
            task, self._task = self._task, None
            self._process = self._connection = None
        if task is not None:
            self.on_event(WorkEvent("fault", task, ENDED))
