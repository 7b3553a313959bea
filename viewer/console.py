"""What a person at a terminal sees while work goes on, and in which encoding.

Progress goes to standard error and only to a terminal, so that a pipe or a log gets results and errors alone.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Progress = Callable[[str], None]


@contextmanager
def working(title: str) -> Iterator[Progress]:
    """Show ``title`` with the step under way and the time it takes; yields what tells the next step."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress as Bar
    from rich.progress import SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn()
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(escape(title))
        yield lambda step: bar.update(task, description=f"{escape(title)}: {escape(step)}")


def say(text: str = "") -> None:
    """Write a line to standard output."""
    emit(text + "\n")


def emit(text: str) -> None:
    """Write ``text`` to standard output. A reader that has seen enough, as ``head`` has, is no fault."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # The work goes on, and with it the exit code, which may tell of a stop finding.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def complain(sentence: str) -> None:
    """Write one line to standard error, whatever the sentence holds."""
    line = " ".join(sentence.split())
    # A file's name may hold what would move the cursor or colour the terminal.
    shown = "".join(letter if letter.isprintable() else "�" for letter in line)
    sys.stderr.write(f"pilothole: {shown}\n")


def tolerate_any_terminal() -> None:
    """Let a terminal that cannot show a character show a substitute instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
