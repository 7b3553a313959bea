"""A case open in the page: its screws under the hand, its bone, and every change kept on the disk.

The plan is written within a second of each change, whole or not at all.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from segmentation.errors import InputError
from segmentation.files import canonical_json, write_whole
from viewer.bench.comparing import TASKS as COMPARED
from viewer.bench.comparing import Comparing
from viewer.bench.desk import Desk
from viewer.bench.doubting import Doubting, asked_of
from viewer.bench.drawn import Drawer
from viewer.bench.mapping import TASK as MAPPED
from viewer.bench.mapping import EntryMapping
from viewer.bench.mending import Mending
from viewer.bench.place import Kind, OnPicture, Place
from viewer.bench.pointed import place_of
from viewer.bench.searching import TASK, Searching
from viewer.bench.strip_in_hand import MOVES_SCREW
from viewer.bench.work import Work, WorkEvent
from viewer.report.words import sorted_findings

if TYPE_CHECKING:
    from planner.compare import Comparison
    from segmentation.vocabulary import Bone
    from viewer.bench.painter import Painter

ENDS_PX = (140.0, 600.0)
"""Smallest and largest side of the end view."""

KEEP_AFTER_S = 0.4
"""A change is written so soon after it. Our choice: within the second that is promised."""


REST_AFTER_S = 0.12
"""While places of a held handle wait to be measured, the strip's lanes and what lies over the scene are
drawn so often. Our choice: eight times a second still follow the hand, and the numbers come sooner."""


class CasePlace:
    """The case in ``folder`` (None: it is not kept), on ``desk``."""

    kind: Kind = "case"

    def __init__(
        self,
        desk: Desk,
        folder: Path | None,
        title: str,
        *,
        painter: Painter | None = None,
        write_report: Callable[[Desk, Comparison | None], Path] | None = None,
        go_back: Callable[[], Place] | None = None,
        let_go: Callable[[], None] = lambda: None,
        work: Work | None = None,
        read_again: Callable[[], Bone] | None = None,
    ) -> None:
        self.desk, self.folder, self.title = desk, folder, title
        self.painter, self.write_report = painter, write_report
        self._go_back, self._let_go = go_back, let_go
        self._next: Place | None = None
        self.drawer = Drawer(desk)
        self.mending = None if folder is None or work is None else Mending(desk, folder, work)
        self.searching = None if folder is None or work is None else Searching(desk, folder, work)
        self.mapping = None if folder is None or work is None else EntryMapping(desk, folder, work)
        self.comparing = None if folder is None or work is None else Comparing(desk, folder, work)
        if self.mending is not None:
            self.drawer.marks = self.mending.marked
        self.doubting = Doubting(desk)
        self._read_again, self.column = read_again, "screws"
        self._assessments = 0
        self._saved = ""
        self._unsaved_since_s: float | None = None
        self._on_disk = desk.document
        self._written: Path | None = None
        self._in_parts = False
        self._owed_since_s: float | None = None

    def begin(self, loop: asyncio.AbstractEventLoop, on_picture: OnPicture) -> None:
        """Start the process that paints; from now on an answer may be followed by its ``rest``."""
        self._in_parts = True
        if self.painter is not None:
            self.painter.start(loop, on_picture)

    def hello(self) -> dict[str, Any]:
        """Patterns for the page's drawings."""
        from viewer.bench.themes import themed
        from viewer.report.drawing import pattern_definitions

        self.drawer.strip.anew()
        if self.comparing is not None:
            self.comparing.anew()
        definitions = themed(pattern_definitions({one.rank for one in self.desk.posed}))
        return {"defs": definitions, "painter": self.painter is not None}

    def answer(self, message: Any) -> dict[str, Any]:
        """Carry a message out and tell what the page shows then."""
        desk = self.desk
        try:
            self._do(message)
        except InputError as fault:
            desk.said = str(fault)
        if desk.document != self._on_disk and self._unsaved_since_s is None:
            self._unsaved_since_s = time.monotonic()
        written = {"written": True} if message.do == "report" and self._written is not None else {}
        moving = desk.held is not None or getattr(message, "moving", False)
        only_look = message.do == "look" and message.view is None
        return self._shown(moving=moving, only_look=only_look) | written

    def _shown(self, *, moving: bool, only_look: bool = False) -> dict[str, Any]:
        desk = self.desk
        if self.painter is not None:
            self.painter.paint(desk, moving=moving)
        note = self.painter.fault if self.painter is not None else None
        if only_look:
            return {"scene": self.drawer.scene(desk.subject()), "note": note}
        self._assessments += 1
        found = None if self.searching is None else self.searching.shown()
        shown = self._drawn() | {"column": self.column, "bone": None, "found": found}
        shown["mapped"] = None if self.mapping is None else self.mapping.shown()
        if self.comparing is not None:
            shown |= self.comparing.shown()
        if self.mending is not None and self.column == "bone":
            mending = self.mending
            shown |= {"bone": mending.shown(), "undo": mending.undo_words, "redo": mending.redo_words}
        return shown | {"assessments": self._assessments, "saved": self._saved_words(), "note": note}

    def _drawn(self) -> dict[str, Any]:
        """What is drawn; while a handle is held, all but the strip's lanes and what lies over the scene."""
        held = self.desk.held
        if not self._in_parts or held is None or held.drag.handle not in MOVES_SCREW:
            self._owed_since_s = None
            return self.drawer.message()
        if self._owed_since_s is None:
            self._owed_since_s = time.monotonic()
        return self.drawer.message(in_parts=True)

    def rest(self, waiting: bool) -> dict[str, Any]:
        """What the last answer left out, where it did; no later than REST_AFTER_S."""
        since_s = self._owed_since_s
        if since_s is None or (waiting and time.monotonic() - since_s < REST_AFTER_S):
            return {}
        self._owed_since_s = None
        subject = self.desk.subject()
        return {} if subject is None else self.drawer.rest(subject)

    def worked(self, event: WorkEvent) -> dict[str, Any]:
        """Take the bone that was made, or say why there is none."""
        if self.mending is None or event.kind == "step":
            return {}
        if self.searching is not None and event.task == TASK:
            self.searching.worked(event)
            return self._shown(moving=False)
        if self.mapping is not None and event.task == MAPPED:
            self.mapping.worked(event)
            return self._shown(moving=False)
        if self.comparing is not None and event.task in COMPARED:
            self.comparing.worked(event)
            return self._shown(moving=False)
        if event.kind == "done" and self._read_again is not None:
            self.desk.take_bone(self._read_again())
            if self.searching is not None:
                self.searching.forget()
            if self.comparing is not None:
                self.comparing.forget()
            self.mending.took(self.desk.bone)
            self.mending.told = tuple(event.value)
            self.desk.said = event.value[0] if event.value else self.desk.said
        else:
            self.mending.failed()
            self.desk.said = str(event.value) if event.kind == "fault" else "cancelled; the bone is as it was"
            self.mending.told = (self.desk.said,)
        return self._shown(moving=False) | self.hello()

    def keep(self) -> dict[str, Any] | None:
        """Write the plan where it has changed a while ago; show what was drawn of its doubt meanwhile."""
        since_s = self._unsaved_since_s
        shown: dict[str, Any] = {}
        if since_s is not None and time.monotonic() - since_s >= KEEP_AFTER_S:
            self._write_plan()
            shown = {"saved": self._saved_words()}
        if self.doubting.keep():
            shown = self._shown(moving=False)
        return shown or None

    def left(self) -> None:
        """Let go of what the page held."""
        self.desk.cancel()

    def close(self) -> None:
        """Write the plan and end the painter."""
        self._write_plan()
        if self.painter is not None:
            self.painter.close()
        self._let_go()

    def goes_to(self) -> Place | None:
        """The start, where that was asked for."""
        following, self._next = self._next, None
        return following

    def _do(self, message: Any) -> None:
        desk = self.desk
        match message.do:
            case "drag":
                desk.drag(message)
            case "drop":
                desk.drop()
            case "cancel":
                desk.cancel()
            case "undo":
                (self._bone() if self.column == "bone" else desk).undo()
            case "redo":
                (self._bone() if self.column == "bone" else desk).redo()
            case "select":
                desk.select(message.screw)
            case "put":
                desk.put(message.x, message.y)
            case "change":
                desk.change(message)
            case "nudge":
                desk.nudge(message)
            case "copy":
                desk.copy(message.screw)
            case "remove":
                desk.remove(message.screw)
            case "hide":
                desk.hide(message.screw)
            case "look":
                desk.look(message)
            case "show":
                desk.show(message)
            case "room":
                self._room(message)
            case "explain":
                self.drawer.open_field = message.field
            case "point":
                self._point(message.finding)
            case "ask":
                desk.ask(asked_of(message.site, message.placement))
            case "search":
                self._searching().begin(message.family, any_angle=message.any_angle)
            case "map":
                self._mapping().begin()
            case "found":
                self._searching().put(message.number)
            case "compare":
                self._comparing().begin(message)
            case "suppose":
                self._comparing().suppose(message)
            case "compared":
                self._comparing().put(message.number)
            case "report":
                desk.said = self._write_report()
            case "back":
                self._next = None if self._go_back is None else self._go_back()
            case "turn":
                self._turn(message.to)
            case "pose":
                desk.pose_as(message.pose)
            case "tool" | "click" | "draw" | "call" | "apart" | "reduce" | "unreduce" | "forget" | "unpair":
                self._mend(message)
            case _:
                desk.said = "this page cannot do that here"

    def _point(self, number: int) -> None:
        desk, result = self.desk, self.desk.result
        findings = [] if result is None else sorted_findings(result.findings)
        if result is None or number >= len(findings):
            raise InputError("there is no such finding any more")
        desk.cursor_mm, toward = place_of(findings[number].code, desk.ready, result)
        if toward is not None:
            desk.turn_to(toward)

    def _bone(self) -> Mending:
        if self.mending is None:
            raise InputError("this bone is not kept, so it cannot be changed")
        return self.mending

    def _searching(self) -> Searching:
        if self.searching is None:
            raise InputError("this bone is not kept, so it cannot be searched")
        return self.searching

    def _mapping(self) -> EntryMapping:
        if self.mapping is None:
            raise InputError("this bone is not kept, so its entries cannot be mapped")
        return self.mapping

    def _comparing(self) -> Comparing:
        if self.comparing is None:
            raise InputError("this bone is not kept, so screws cannot be compared on it")
        return self.comparing

    def _turn(self, to: Literal["screws", "bone"]) -> None:
        if to == "screws" and self.mending is not None:
            self.mending.take(None)
        elif to == "bone":
            self._bone()
        self.column = to

    def _mend(self, message: Any) -> None:
        mending = self._bone()
        match message.do:
            case "tool":
                mending.set_to(message)
            case "click":
                mending.click(message.x, message.y)
            case "draw":
                mending.draw(message.line)
            case "call":
                mending.call(message.fragment, message.name, message.bone)
            case "apart":
                mending.tell_apart()
            case "reduce":
                mending.reduce()
            case "unreduce":
                mending.as_scanned()
            case "forget":
                mending.forget()
            case "unpair":
                mending.unpair()

    def _room(self, room: Any) -> None:
        self.desk.resize((float(room.scene[0]), float(room.scene[1])))
        self.drawer.strip.size_px = (float(room.strip[0]), float(room.strip[1]))
        self.drawer.end_px = float(min(max(room.end, ENDS_PX[0]), ENDS_PX[1]))
        if self.painter is not None:
            self.painter.ratio, self.painter.dark = room.pixel_ratio, room.dark

    def _write_report(self) -> str:
        if self.write_report is None:
            return "there is no case folder to write a report into"
        self._write_plan()
        compared, left_out = (None, "") if self.comparing is None else self.comparing.for_report()
        self._written = self.write_report(self.desk, compared)
        return f"report written: {self._written}" + (f"; {left_out}" if left_out else "")

    def report(self) -> bytes | None:
        """The report that was written last from this page, as it lies on the disk."""
        return self._written.read_bytes() if self._written is not None and self._written.exists() else None

    def _write_plan(self) -> None:
        """Write plan.json where the plan in force is another than the one on the disk."""
        from segmentation.case import PLAN

        document = self.desk.document
        self._unsaved_since_s = None
        if document == self._on_disk or self.folder is None:
            return
        try:
            write_whole(self.folder / PLAN, canonical_json(document))
        except InputError as fault:
            self.desk.said = f"not saved: {fault}"
            self._unsaved_since_s = time.monotonic() + 1
            return
        self._on_disk = document
        self._saved = time.strftime("%H:%M:%S")

    def _saved_words(self) -> str:
        if self.folder is None:
            return "not kept: a demo"
        if self._unsaved_since_s is not None:
            return "saving"
        return f"saved {self._saved}" if self._saved else "as on the disk"
