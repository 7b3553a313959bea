"""Who gets in: this computer's own browser, with the key of this run, from the page's own address.

The server listens on the loopback address only. That alone keeps nobody out who is already on the computer,
nor a web page in the same browser; so every request must name the host the server was started as, every
socket must come from the page's own origin, and every socket must bring a key that is made anew for each run.
The key travels in the fragment of the printed address, which no browser sends anywhere and the page removes.
"""

from __future__ import annotations

import hmac
import re
import secrets
from dataclasses import dataclass

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from segmentation.errors import InputError

HOST = "127.0.0.1"
"""The loopback address; never another."""

KEY_BYTES = 32
"""Random bytes of a key: 256 bits."""

NO_FRAME = "frame-ancestors 'self'"
"""No page but our own may show ours in a frame."""

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        f"connect-src 'self'; base-uri 'none'; form-action 'self'; {NO_FRAME}"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}
"""Sent with every answer: nothing is loaded from anywhere else, and nothing stays behind in a cache."""

REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""Of a report: it holds all it shows, and runs nothing."""


def new_key() -> str:
    """A key for one run."""
    return secrets.token_urlsafe(KEY_BYTES)


def loopback_origin(text: str) -> str:
    """``text`` as the origin of a page of this computer, such as http://localhost:8888. Raises InputError.

    >>> loopback_origin("http://localhost:8888/")
    'http://localhost:8888'
    """
    found = re.fullmatch(r"(https?://(?:localhost|127\.0\.0\.1|\[::1\]):(\d{1,5}))/?", text.strip())
    if found is None or not 0 < int(found[2]) < 65536:
        raise InputError(
            "a frame's origin must be an address of this computer with its port, such as "
            f"http://localhost:8888 (got {text[:80]!r})"
        )
    return found[1]


@dataclass(frozen=True)
class Gate:
    """What a request must bring: the port's own host name and, for the socket, the origin and the key.

    A page of ``frame_origin`` may show ours in a frame; by default no other page may.
    """

    key: str
    port: int
    frame_origin: str | None = None

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names by which a browser on this computer may call the server."""
        return (f"{HOST}:{self.port}", f"localhost:{self.port}")

    @property
    def address(self) -> str:
        """What is printed once: the address with the key in its fragment."""
        return f"http://{HOST}:{self.port}/#{self.key}"

    @property
    def headers(self) -> dict[str, str]:
        """HEADERS, with the one origin that may frame the page."""
        policy = HEADERS["Content-Security-Policy"]
        if self.frame_origin is not None:
            policy = policy.replace(NO_FRAME, f"frame-ancestors {self.frame_origin}")
        return HEADERS | {"Content-Security-Policy": policy}

    def knows_host(self, request: web.Request) -> bool:
        """Whether the request was addressed to this server, and not to a name that was pointed at it."""
        return request.headers.getall("Host", []) in [[host] for host in self.hosts]

    def knows_origin(self, request: web.Request) -> bool:
        """Whether a page of this server asks. A request without an origin comes from no page."""
        origins = request.headers.getall("Origin", [])
        return origins in [[f"http://{host}"] for host in self.hosts]

    def knows_key(self, request: web.Request) -> bool:
        """Whether the key is right; compared in constant time."""
        return self.is_key(request.query.get("key", ""))

    def is_key(self, given: object) -> bool:
        """Whether this is the key; compared in constant time."""
        if not isinstance(given, str):
            return False
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.key.encode())

    @property
    def middleware(self) -> Middleware:
        """Refuses what is addressed to another host or comes from another origin; adds HEADERS."""

        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            if not self.knows_host(request):
                return _refused("this server answers only to the address it printed")
            if "Origin" in request.headers and not self.knows_origin(request):
                return _refused("this server answers only to its own page")
            try:
                answer = await handler(request)
            except web.HTTPException as fault:
                return _refused(fault.reason, fault.status)
            if not answer.prepared:
                for name, value in self.headers.items():
                    answer.headers.setdefault(name, value)
            return answer

        return guard


def _refused(sentence: str, status: int = 403) -> web.Response:
    return web.Response(text=sentence, status=status, headers=HEADERS)
