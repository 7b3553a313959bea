"""Processes of the painter that die, for its tests: a module that a new process loads quickly."""

from __future__ import annotations

import os
import time
from multiprocessing.connection import Connection


def of_the_library(connection: Connection, gl: bool) -> None:
    """A graphics library that is there and broken takes its process with it."""
    from viewer.bench.painter_process import run

    if gl:
        os.abort()
    run(connection, False)


def hanging_in_the_library(connection: Connection, gl: bool) -> None:
    """A graphics library that never comes back."""
    from viewer.bench.painter_process import run

    if gl:
        time.sleep(600)
    run(connection, False)


def always(connection: Connection, gl: bool) -> None:
    """The library works, and then something ends the process."""
    connection.send(("gl", gl))
    os._exit(3)
