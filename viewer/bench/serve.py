"""Serves one place to one page of this computer's browser.

The page's messages come in over a socket; the newest of a drag is answered and those it overtook are left
out. Numbers are computed on one thread of their own, pictures and long steps in other processes, so that none
waits for another.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

from aiohttp import WSMsgType, web

from segmentation.errors import InputError
from viewer.bench.gate import HOST, REPORT_POLICY, Gate, new_key
from viewer.bench.messages import LARGEST_BYTES, Drag, Level, Look, read_message
from viewer.bench.place import Place
from viewer.bench.work import Work, WorkEvent

SCRIPTS = (
    "bench.js",
    "beside.js",
    "compared.js",
    "draw.js",
    "find.js",
    "focus.js",
    "hands.js",
    "mapped.js",
    "open.js",
    "settle.js",
    "sure.js",
    "ways.js",
    "start.js",
    "scan.js",
    "bone.js",
    "mechanics.js",
)

PAGES = {"": "bench.html", **{name: name for name in ("bench.css", "open.css", "compared.css", *SCRIPTS)}}
"""Path asked for → file of the page. Nothing else is served."""

KINDS = {"html": "text/html", "css": "text/css", "js": "text/javascript"}

KEEP_EVERY_S = 0.1
"""How often a place is asked whether something is to be written. Our choice."""

WORK_TOLD_EVERY_S = 0.5
"""How often the page is told how long a step has taken so far. Our choice."""

BUSY_CODE, NOT_ALLOWED_CODE = 4409, 4403
"""Closing codes of our own (4000-4999 are free by RFC 6455): another page is open; not a page of ours."""


@dataclass
class Bench:
    """The server of what is open in the page."""

    place: Place
    work: Work = field(default_factory=Work)
    port: int = 0
    frame_origin: str | None = None
    gate: Gate = field(init=False)
    _page: web.WebSocketResponse | None = None
    _pool: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "measure"))
    _pending: Any = None
    _working: bool = False
    _socket: socket.socket = field(init=False)

    def __post_init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((HOST, self.port))
        except OSError as refusal:
            raise InputError(
                f"port {self.port} cannot be used ({refusal.strerror}); give another with --port"
            ) from None
        self.gate = Gate(new_key(), self._socket.getsockname()[1], self.frame_origin)

    def application(self) -> web.Application:
        """The routes: the page's files and the socket."""
        app = web.Application(middlewares=[self.gate.middleware], client_max_size=LARGEST_BYTES)
        app.router.add_get("/ws", self._socket_asked)
        app.router.add_post("/report", self._report_asked)
        app.router.add_get("/{name}", self._file_asked)
        app.router.add_get("/", self._file_asked)
        return app

    async def run(self, on_ready: Callable[[str], None], stop: asyncio.Event | None = None) -> None:
        """Serve until ``stop`` or until the task is cancelled; ``on_ready`` gets the address with its key."""
        runner = web.AppRunner(self.application(), access_log=None, handle_signals=False)
        await runner.setup()
        site = web.SockSite(runner, self._socket)
        await site.start()
        loop = asyncio.get_running_loop()
        self.work.on_event = lambda event: self._hear_work(loop, event)
        self.place.begin(loop, self._picture_ready)
        tasks = [asyncio.create_task(one) for one in (self._keep(), self._tell_work())]
        try:
            on_ready(self.gate.address)
            await (stop or asyncio.Event()).wait()
        finally:
            for task in tasks:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await task
            self.work.close()
            await loop.run_in_executor(self._pool, self.place.close)
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

    async def _report_asked(self, request: web.Request) -> web.Response:
        """The report that was written last. The key comes in the body, so that no address ever holds it."""
        if not self.gate.knows_origin(request):
            raise web.HTTPForbidden(reason="the report answers only to its own page")
        if not self.gate.is_key((await request.post()).get("key", "")):
            raise web.HTTPForbidden(reason="the key is not this run's; use the address that was printed")
        loop = asyncio.get_running_loop()
        content = await loop.run_in_executor(self._pool, self.place.report)
        if content is None:
            raise web.HTTPNotFound(reason="no report was written from this page yet; choose Report")
        headers = {"Content-Security-Policy": REPORT_POLICY}
        return web.Response(body=content, content_type="text/html", charset="utf-8", headers=headers)

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
        await self._say(self._hello())
        try:
            async for message in page:
                if message.type is WSMsgType.TEXT:
                    await self._heard(message.data)
                elif message.type is WSMsgType.BINARY:
                    await self._say({"said": "the page may only send text"})
        finally:
            if self._page is page:
                self._page = None
                await asyncio.get_running_loop().run_in_executor(self._pool, self.place.left)
        return page

    def _hello(self) -> dict[str, Any]:
        return {"hello": self.place.title, "place": self.place.kind, "work": self.work.told} | (
            self.place.hello()
        )

    # Messages

    async def _heard(self, text: str) -> None:
        try:
            message = read_message(text)
        except InputError as fault:
            await self._say({"said": str(fault)})
            return
        if isinstance(message, Drag | Look | Level):
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
                await self._shown_by(lambda: self.place.rest(self._pending is not None))
        finally:
            self._working = False

    async def _do(self, message: Any) -> None:
        await self._shown_by(lambda: self._answer(message))

    async def _shown_by(self, make: Callable[[], dict[str, Any]]) -> None:
        """Let the place make what the page shows, send it, and open the next place where it says so."""
        loop = asyncio.get_running_loop()
        place = self.place
        answer, goes_to = await loop.run_in_executor(self._pool, lambda: (make(), place.goes_to()))
        if goes_to is None:
            if answer:
                await self._say(answer)
            return
        self.place = goes_to
        await loop.run_in_executor(self._pool, place.close)
        goes_to.begin(loop, self._picture_ready)
        await self._say(answer)
        await self._say(self._hello())

    def _answer(self, message: Any) -> dict[str, Any]:
        if message.do == "stop":
            self.work.cancel()
            shown: dict[str, Any] = {}
        else:
            try:
                shown = self.place.answer(message)
            except InputError as fault:
                shown = {"said": str(fault)}
        return {"work": self.work.told} | shown | {"ack": message.seq}

    # Long steps

    def _hear_work(self, loop: asyncio.AbstractEventLoop, event: WorkEvent) -> None:
        # The loop may have been closed meanwhile: then nobody waits.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(lambda: loop.create_task(self._shown_by(lambda: self._worked(event))))

    def _worked(self, event: WorkEvent) -> dict[str, Any]:
        try:
            shown = self.place.worked(event)
        except InputError as fault:
            shown = {"said": str(fault)}
        return {"work": self.work.told} | shown

    async def _tell_work(self) -> None:
        while True:
            await asyncio.sleep(WORK_TOLD_EVERY_S)
            if (told := self.work.told) is not None:
                await self._say({"work": told})

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

    async def _keep(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(KEEP_EVERY_S)
            shown = await loop.run_in_executor(self._pool, self.place.keep)
            if shown is not None:
                await self._say(shown)


def _together(first: Look, second: Look) -> Look:
    """Two movements of the camera as one."""
    turn = [a + b for a, b in zip(first.turn or (0.0, 0.0), second.turn or (0.0, 0.0), strict=True)]
    slide = [a + b for a, b in zip(first.slide or (0.0, 0.0), second.slide or (0.0, 0.0), strict=True)]
    near = min(max((first.near or 1.0) * (second.near or 1.0), 0.2), 5.0)
    if second.view is not None or first.view is not None:
        return second if second.view is not None else first
    return second.model_copy(update={"turn": tuple(turn), "slide": tuple(slide), "near": near})
