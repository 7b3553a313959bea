"""Who gets in: this computer's own browser, with the key of this run, from the page's own address.

The server listens on the loopback address only. That alone keeps nobody out who is already on the computer,
nor a web page in the same browser; so every request must name the host the server was started as, every
socket must come from the page's own origin, and every socket must bring a key that is made anew for each run.
The key travels in the fragment of the printed address, which no browser sends anywhere and the page removes.
"""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

HOST = "127.0.0.1"
"""The loopback address; never another."""

KEY_BYTES = 32
"""Random bytes of a key: 256 bits."""

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}
"""Sent with every answer: nothing is loaded from anywhere else, and nothing stays behind in a cache."""


def new_key() -> str:
    """A key for one run."""
    return secrets.token_urlsafe(KEY_BYTES)


@dataclass(frozen=True)
class Gate:
    """What a request must bring: the port's own host name and, for the socket, the origin and the key."""

    key: str
    port: int

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names by which a browser on this computer may call the server."""
        return (f"{HOST}:{self.port}", f"localhost:{self.port}")

    @property
    def address(self) -> str:
        """What is printed once: the address with the key in its fragment."""
        return f"http://{HOST}:{self.port}/#{self.key}"

    def knows_host(self, request: web.Request) -> bool:
        """Whether the request was addressed to this server, and not to a name that was pointed at it."""
        return request.headers.getall("Host", []) in [[host] for host in self.hosts]

    def knows_origin(self, request: web.Request) -> bool:
        """Whether a page of this server asks. A request without an origin comes from no page."""
        origins = request.headers.getall("Origin", [])
        return origins in [[f"http://{host}"] for host in self.hosts]

    def knows_key(self, request: web.Request) -> bool:
        """Whether the key is right; compared in constant time."""
        given = request.query.get("key", "")
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
                answer.headers.update(HEADERS)
            return answer

        return guard


def _refused(sentence: str, status: int = 403) -> web.Response:
    return web.Response(text=sentence, status=status, headers=HEADERS)
