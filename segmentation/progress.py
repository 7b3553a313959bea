"""How long work tells its steps and is stopped by the person who waits for it."""

from __future__ import annotations

from collections.abc import Callable

Cancelled = Callable[[], bool]
"""Asked now and then; True stops the work."""

Progress = Callable[[str], None]
"""Told each step as it begins, in a few words."""


class StoppedError(Exception):
    """The person stopped the work; nothing was changed."""


def check_not_stopped(cancelled: Cancelled | None) -> None:
    """Raise StoppedError when ``cancelled`` says so."""
    if cancelled is not None and cancelled():
        raise StoppedError("stopped")


def silent(_step: str) -> None:
    """Tell nobody."""
