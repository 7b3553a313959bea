"""The program a notebook starts its bench in: ``pilothole`` that ends when the notebook does."""

from __future__ import annotations

import os
import signal
from threading import Thread

STANDARD_INPUT = 0
"""Its file descriptor (POSIX)."""


def main() -> None:
    """``pilothole`` with the arguments given, until standard input closes."""
    from viewer.command_line import main as command

    Thread(target=_end_with_the_notebook, daemon=True).start()
    command()


def _end_with_the_notebook() -> None:
    # The notebook's end of the pipe closes with it, even when it is killed. Read without a buffer: its lock
    # would stand in the way of this program's own end.
    while os.read(STANDARD_INPUT, 1024):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
