"""What is open in the page: the start, a scan on its way to a bone, or a case. One at a time.

A place is asked on the measuring thread alone. It answers each message with what the page is to show, and
may hand over to another place; long steps run in a process of their own and tell it when they end.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, Literal, Protocol

from viewer.bench.work import WorkEvent

Kind = Literal["start", "scan", "case"]
"""Which place it is; the page shows a layout for each."""

OnPicture = Callable[[bytes], None]
"""Takes a picture of the scene to the page."""


class Place(Protocol):
    """What is open. ``title`` stands at the head of the page."""

    kind: Kind
    title: str

    def begin(self, _loop: asyncio.AbstractEventLoop, _on_picture: OnPicture, /) -> None:
        """Called once, before anything is asked."""

    def hello(self) -> dict[str, Any]:
        """What a page that has just opened is told beside title and kind."""

    def answer(self, _message: Any, /) -> dict[str, Any]:
        """Carry a message out and tell what the page shows then."""

    def rest(self, _waiting: bool, /) -> dict[str, Any]:
        """What an answer left out for the next to come sooner; where a newer message is ``waiting``, only
        what has been out for long."""
        return {}

    def worked(self, _event: WorkEvent, /) -> dict[str, Any]:
        """A long step went on or ended; what the page shows then."""

    def keep(self) -> dict[str, Any] | None:
        """Write what has to be kept by now; what the page shows of that, or None."""

    def report(self) -> bytes | None:
        """The report that was written last, or None."""

    def left(self) -> None:
        """The page went away: nothing is held any more."""

    def close(self) -> None:
        """Write what is unsaved and end what was begun."""

    def goes_to(self) -> Place | None:
        """The place that is to be opened instead of this one, told once."""
