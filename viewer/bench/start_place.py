"""Where nothing is open yet: the demo bones, and what lies in the folder the page was started for."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from segmentation.errors import InputError
from segmentation.files import shown
from viewer.bench.listing import below, listing
from viewer.bench.place import Kind, OnPicture, Place
from viewer.bench.work import Work, WorkEvent

DEMOS = "pilothole-demo"
"""Folder below the page's own in which demos are made."""

SENTENCES = (
    "Pilothole measures bone screws on a CT: how long, how much thread holds in which fragment, how far from "
    "the joint, and the pull-out to be expected, each with its interval.",
    "Open a CT to make a bone of it, or a case that was made before; a demo bone needs no scan.",
    "Then place a screw by two clicks and drag it: every number follows your hand, and every change is kept.",
)
"""The whole of the explanation."""

OpenScan = Callable[[list[str]], Place]
OpenCase = Callable[[Path], Place]


def case_title(folder: Path) -> str:
    """What a case is called: its folder's name, and that of the folder around one that is only called case.

    >>> case_title(Path("scaphoid-waist/case")), case_title(Path("wrist"))
    ('scaphoid-waist, case', 'wrist')
    """
    place = folder.resolve()
    names = [place.parent.name, place.name] if place.name == "case" and place.parent.name else [place.name]
    return ", ".join(shown(name).strip("'\"") for name in names)


class StartPlace:
    """Lists what can be opened below ``root``; ``left`` is the case that was open before."""

    kind: Kind = "start"
    title = "Pilothole"

    def __init__(
        self, root: Path, work: Work, open_case: OpenCase, open_scan: OpenScan, *, left: Path | None = None
    ) -> None:
        self.root, self.work, self._left = root, work, left
        self._open_case, self._open_scan = open_case, open_scan
        self._steps: list[str] = []
        self._next: Place | None = None

    def begin(self, _loop: asyncio.AbstractEventLoop, _on_picture: OnPicture) -> None:
        """Nothing is to be begun."""

    def hello(self) -> dict[str, Any]:
        """Nothing more."""
        return {}

    def answer(self, message: Any) -> dict[str, Any]:
        """List a folder, open what was chosen, or make a demo."""
        match message.do:
            case "list":
                self._steps = list(message.at)
            case "open":
                self._open(list(message.at))
            case "again":
                if self._left is None:
                    raise InputError("no case was open before; choose one of the list")
                self._next = self._open_case(self._left)
            case "demo":
                self._demo(message.name)
            case "room" | "look" | "cancel":
                pass
            case _:
                raise InputError("nothing is open yet; choose a demo bone, a CT or a case")
        return {"start": self._shown(), "said": ""}

    def report(self) -> None:
        """There is none."""

    def rest(self, _waiting: bool) -> dict[str, Any]:
        """Nothing: each answer is whole."""
        return {}

    def worked(self, event: WorkEvent) -> dict[str, Any]:
        """Open the demo that was made."""
        if event.kind == "fault":
            raise InputError(str(event.value))
        if event.kind == "done":
            self._next = self._open_case(Path(event.value))
        return {}

    def keep(self) -> dict[str, Any] | None:
        """Nothing is kept."""
        return None

    def left(self) -> None:
        """Nothing is held."""

    def close(self) -> None:
        """Nothing was begun."""

    def goes_to(self) -> Place | None:
        """What was opened."""
        following, self._next = self._next, None
        return following

    def _open(self, steps: list[str]) -> None:
        from segmentation.case import BONE

        path = below(self.root, steps)
        if (path / BONE).is_file():
            self._next = self._open_case(path)
        else:
            self._next = self._open_scan(steps)

    def _demo(self, name: str) -> None:
        from demo_volumes.make import demo_names
        from segmentation.case import BONE

        if name not in demo_names():
            raise InputError(f"there is no demo {shown(name)}; choose one of the list")
        folder = self.root / DEMOS / name
        if (folder / "case" / BONE).is_file():
            self._next = self._open_case(folder / "case")
        else:
            self.work.begin("make_demo", f"Making the demo bone {name}", {"name": name, "folder": folder})

    def _shown(self) -> dict[str, Any]:
        from demo_volumes.make import demo_names

        found = listing(self.root, self._steps)
        return {
            "sentences": SENTENCES,
            "left": None if self._left is None else case_title(self._left),
            "demos": [{"name": name, "words": words} for name, words in demo_names().items()],
            "folder": self.root.resolve().name or "/",
            "at": self._steps,
            "entries": [{"name": one.name, "sort": one.sort} for one in found.entries],
            "scans_here": found.scans_here,
            "cut_short": found.cut_short,
        }
