"""Serves one case to one page of this computer's browser, and keeps every change on the disk.

The page's messages come in over a socket; the newest of a drag is answered and those it overtook are left
out. Numbers are computed on one thread of their own, pictures in another process, so that neither waits for
the other. The plan is written within a second of each change, whole or not at all.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from aiohttp import WSMsgType, web

from segmentation.errors import InputError
from segmentation.files import canonical_json, write_whole
from viewer.bench.desk import Desk
from viewer.bench.drawn import Drawer
from viewer.bench.gate import HOST, Gate, new_key
from viewer.bench.messages import LARGEST_BYTES, Drag, Look, read_message

if TYPE_CHECKING:
    from viewer.bench.painter import Painter

PAGES = {
    "": "bench.html",
    **{
        name: name
        for name in ("bench.css", "bench.js", "draw.js", "hands.js", "focus.js", "open.js", "open.css")
    },
}
"""Path asked for → file of the page. Nothing else is served."""

KINDS = {"html": "text/html", "css": "text/css", "js": "text/javascript"}

ENDS_PX = (140.0, 600.0)
"""Smallest and largest side of the end view."""

KEEP_AFTER_S = 0.4
"""A change is written so soon after it. Our choice: within the second that is promised."""

BUSY_CODE, NOT_ALLOWED_CODE = 4409, 4403
"""Closing codes of our own (4000-4999 are free by RFC 6455): another page is open; not a page of ours."""


@dataclass
class Bench:
    """The server of one case."""

    desk: Desk
    folder: Path | None
    title: str
    write_report: Callable[[Desk], Path] | None = None
    port: int = 0
    painter: Painter | None = None
    frame_origin: str | None = None
    gate: Gate = field(init=False)
    _page: web.WebSocketResponse | None = None
    _pool: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "measure"))
    _pending: Any = None
    _working: bool = False
    _assessments: int = 0
    _saved: str = ""
    _unsaved_since_s: float | None = None
    _socket: socket.socket = field(init=False)

    def __post_init__(self) -> None:
        self.drawer = Drawer(self.desk)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((HOST, self.port))
        except OSError as refusal:
            raise InputError(
                f"port {self.port} cannot be used ({refusal.strerror}); give another with --port"
            ) from None
        self.gate = Gate(new_key(), self._socket.getsockname()[1], self.frame_origin)
        self._on_disk = self.desk.document

    def application(self) -> web.Application:
        """The routes: the page's files and the socket."""
        app = web.Application(middlewares=[self.gate.middleware], client_max_size=LARGEST_BYTES)
        app.router.add_get("/ws", self._socket_asked)
        app.router.add_get("/{name}", self._file_asked)
        app.router.add_get("/", self._file_asked)
        return app

    async def run(self, on_ready: Callable[[str], None], stop: asyncio.Event | None = None) -> None:
        """Serve until ``stop`` or until the task is cancelled; ``on_ready`` gets the address with its key."""
        runner = web.AppRunner(self.application(), access_log=None, handle_signals=False)
        await runner.setup()
        site = web.SockSite(runner, self._socket)
        await site.start()
        if self.painter is not None:
            self.painter.start(asyncio.get_running_loop(), self._picture_ready)
        saver = asyncio.create_task(self._keep())
        try:
            on_ready(self.gate.address)
            await (stop or asyncio.Event()).wait()
        finally:
            saver.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await saver
            self._write_plan()
            if self.painter is not None:
                self.painter.close()
            if self._page is not None and not self._page.closed:
                await self._page.close()
            await runner.cleanup()
            self._pool.shutdown(wait=True, cancel_futures=True)

    # Requests

    async def _file_asked(self, request: web.Request) -> web.Response:
        name = PAGES.get(request.match_info.get("name", ""))
        if name is None:
            raise web.HTTPNotFound(reason="there is no such page")
        content = (files("viewer.bench") / "page" / name).read_bytes()
        return web.Response(body=content, content_type=KINDS[name.rsplit(".", 1)[1]], charset="utf-8")

    async def _socket_asked(self, request: web.Request) -> web.StreamResponse:
        if not self.gate.knows_origin(request):
            raise web.HTTPForbidden(reason="the socket answers only to its own page")
        if not self.gate.knows_key(request):
            raise web.HTTPForbidden(reason="the key is not this run's; use the address that was printed")
        page = web.WebSocketResponse(max_msg_size=LARGEST_BYTES, heartbeat=20, compress=False)
        await page.prepare(request)
        if self._page is not None and not self._page.closed:
            await page.send_json({"closed": "this case is open in another page; close that one first"})
            await page.close(code=BUSY_CODE)
            return page
        self._page = page
        await page.send_json(
            {"hello": self.title, "defs": self._definitions(), "painter": self.painter is not None}
        )
        try:
            async for message in page:
                if message.type is WSMsgType.TEXT:
                    await self._heard(message.data)
                elif message.type is WSMsgType.BINARY:
                    await self._say({"said": "the page may only send text"})
        finally:
            if self._page is page:
                self._page = None
                self.desk.cancel()
        return page

    def _definitions(self) -> str:
        from viewer.bench.themes import themed
        from viewer.report.drawing import pattern_definitions

        return themed(pattern_definitions({one.rank for one in self.desk.posed}))

    # Messages

    async def _heard(self, text: str) -> None:
        try:
            message = read_message(text)
        except InputError as fault:
            await self._say({"said": str(fault)})
            return
        if isinstance(message, Drag | Look):
            # The newest place of the hand is the one that counts.
            if isinstance(self._pending, Look) and isinstance(message, Look):
                message = _together(self._pending, message)
            elif self._pending is not None and type(self._pending) is not type(message):
                await self._settle()
            self._pending = message
            if not self._working:
                self._working = True
                asyncio.get_running_loop().create_task(self._follow())
            return
        await self._settle()
        await self._do(message)

    async def _settle(self) -> None:
        """Wait until what the hand did last is done."""
        while self._working:
            await asyncio.sleep(0.001)

    async def _follow(self) -> None:
        try:
            while self._pending is not None:
                message, self._pending = self._pending, None
                await self._do(message)
        finally:
            self._working = False

    async def _do(self, message: Any) -> None:
        loop = asyncio.get_running_loop()
        answer = await loop.run_in_executor(self._pool, self._done, message)
        await self._say(answer)

    def _done(self, message: Any) -> dict[str, Any]:
        """Carry a message out and tell what the page shows then. Runs on the measuring thread."""
        desk = self.desk
        only_look = False
        try:
            match message.do:
                case "drag":
                    desk.drag(message)
                case "drop":
                    desk.drop()
                case "cancel":
                    desk.cancel()
                case "undo":
                    desk.undo()
                case "redo":
                    desk.redo()
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
                    only_look = message.view is None
                case "show":
                    desk.show(message)
                case "room":
                    self._room(message)
                case "explain":
                    self.drawer.open_field = message.field
                case "report":
                    desk.said = self._report()
                case _:
                    desk.said = "this page cannot do that here"
        except InputError as fault:
            desk.said = str(fault)
        if desk.document != self._on_disk and self._unsaved_since_s is None:
            self._unsaved_since_s = time.monotonic()
        if self.painter is not None:
            self.painter.paint(desk, moving=desk.held is not None or getattr(message, "moving", False))
        note = self.painter.fault if self.painter is not None else None
        if only_look:
            return {"ack": message.seq, "scene": self.drawer.scene(desk.subject()), "note": note}
        self._assessments += 1
        shown = self.drawer.message()
        return shown | {
            "ack": message.seq,
            "assessments": self._assessments,
            "saved": self._saved_words(),
            "note": note,
        }

    def _room(self, room: Any) -> None:
        self.desk.resize((float(room.scene[0]), float(room.scene[1])))
        self.drawer.strip.size_px = (float(room.strip[0]), float(room.strip[1]))
        self.drawer.end_px = float(min(max(room.end, ENDS_PX[0]), ENDS_PX[1]))
        if self.painter is not None:
            self.painter.ratio, self.painter.dark = room.pixel_ratio, room.dark

    def _report(self) -> str:
        if self.write_report is None:
            return "there is no case folder to write a report into"
        self._write_plan()
        return f"report written: {self.write_report(self.desk).name}"

    async def _say(self, answer: dict[str, Any]) -> None:
        page = self._page
        if page is not None and not page.closed:
            with contextlib.suppress(ConnectionError):
                await page.send_str(json.dumps(answer, allow_nan=False, separators=(",", ":")))

    def _picture_ready(self, picture: bytes) -> None:
        page = self._page
        if page is not None and not page.closed:
            asyncio.get_running_loop().create_task(self._send_picture(page, picture))

    async def _send_picture(self, page: web.WebSocketResponse, picture: bytes) -> None:
        with contextlib.suppress(ConnectionError):
            await page.send_bytes(picture)

    # The disk

    async def _keep(self) -> None:
        while True:
            await asyncio.sleep(KEEP_AFTER_S / 4)
            since = self._unsaved_since_s
            if since is not None and time.monotonic() - since >= KEEP_AFTER_S:
                loop = asyncio.get_running_loop()
                await loop.run_in_executor(self._pool, self._write_plan)
                await self._say({"saved": self._saved_words()})

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


def _together(first: Look, second: Look) -> Look:
    """Two movements of the camera as one."""
    turn = [a + b for a, b in zip(first.turn or (0.0, 0.0), second.turn or (0.0, 0.0), strict=True)]
    slide = [a + b for a, b in zip(first.slide or (0.0, 0.0), second.slide or (0.0, 0.0), strict=True)]
    near = min(max((first.near or 1.0) * (second.near or 1.0), 0.2), 5.0)
    if second.view is not None or first.view is not None:
        return second if second.view is not None else first
    return second.model_copy(update={"turn": tuple(turn), "slide": tuple(slide), "near": near})
