"""The bench in a notebook's frame: a program of its own on a free port, ended with the notebook.

Its address holds this run's key and stands in the notebook's output: whoever reads the notebook file while
the bench runs could open it on this computer. Once it is closed the key opens nothing.
"""

from __future__ import annotations

import atexit
import subprocess
import sys
from html import escape
from pathlib import Path
from queue import Empty, Queue
from threading import Thread

from segmentation.errors import InputError
from viewer.bench.gate import loopback_origin

START_S, END_S = 120.0, 20.0
"""So long a bench may take to answer and to end. Our choice: a large case on a slow computer."""


class Framed:
    """A bench that runs. As a cell's value it shows itself; ``close()`` or the notebook's end ends it."""

    def __init__(self, process: subprocess.Popen[str], address: str, height_px: int) -> None:
        self._process = process
        self.address = address
        self.height_px = height_px
        atexit.register(self.close)

    @property
    def running(self) -> bool:
        """Whether it still answers."""
        return self._process.poll() is None

    def close(self) -> None:
        """End the bench; every change is in the case by then. A second time does nothing."""
        atexit.unregister(self.close)
        if self._process.stdin and not self._process.stdin.closed:
            self._process.stdin.close()
        try:
            self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for stream in (self._process.stdout, self._process.stderr):
            if stream:
                stream.close()

    def __enter__(self) -> Framed:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _repr_html_(self) -> str:
        if not self.running:
            return "<p>This bench was closed; start it again with <code>viewer.notebook.bench</code>.</p>"
        return (
            f'<iframe src="{escape(self.address)}" title="Pilothole: the bench" width="100%" '
            f'height="{self.height_px:d}" style="border:1px solid #C6CED0"></iframe>'
        )


def start_framed(
    case: str | Path, *, origin: str, height_px: int, catalogue: str | Path | None = None
) -> Framed:
    """Start a bench that a page of ``origin`` may frame; returns once it answers. Raises InputError."""
    words = ["view", "--no-browser", "--frame", loopback_origin(origin)]
    if catalogue is not None:
        words += ["--catalogue", str(catalogue)]
    process = subprocess.Popen(
        [sys.executable, "-m", "viewer.notebook.child", *words, "--", str(case)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        # Interrupting a cell must not end the bench.
        start_new_session=True,
    )
    return Framed(process, _address(process), height_px)


def _address(process: subprocess.Popen[str]) -> str:
    """The line the bench prints once it answers."""
    said: Queue[str] = Queue()
    assert process.stdout is not None
    Thread(target=lambda: said.put(process.stdout.readline()), daemon=True).start()  # type: ignore[union-attr]
    try:
        line = said.get(timeout=START_S).strip()
    except Empty:
        line = ""
    if line:
        return line
    process.kill()
    _, told = process.communicate()
    raise InputError(
        (told.strip().splitlines() or ["the bench did not start"])[-1].removeprefix("pilothole: ")
    )
