"""Nobody but this computer's own page with this run's key gets in: each way in that must say no, says it.

What is held against: RFC 6455 §4.2.2 and §10.2 (a server that is not meant for any page checks the origin),
RFC 9110 §7.2 (Host), W3C Content Security Policy Level 3.
"""

from __future__ import annotations

import asyncio
import http.client
import json
from collections.abc import Awaitable, Callable, Iterator
from typing import Any

import aiohttp
import pytest
from bench_rig import served

from viewer.bench.gate import HOST, new_key
from viewer.bench.messages import LARGEST_BYTES
from viewer.bench.serve import BUSY_CODE, Bench


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with served() as running:
        yield running


def asked(bench: Bench, path: str = "/", method: str = "GET", **headers: str) -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection(HOST, bench.gate.port, timeout=10)
    connection.putrequest(method, path, skip_host="Host" in headers)
    for name, value in headers.items():
        connection.putheader(name, value)
    connection.endheaders()
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer


def talked(bench: Bench, talk: Callable[[Any], Awaitable[Any]], **changes: Any) -> Any:
    """What ``talk`` makes of a socket, or the status with which it was refused."""

    async def run() -> Any:
        given = {"key": bench.gate.key, "origin": f"http://{HOST}:{bench.gate.port}", "host": None} | changes
        headers = {"Host": given["host"]} if given["host"] else {}
        if given["origin"] is not None:
            headers["Origin"] = given["origin"]
        address = f"http://{HOST}:{bench.gate.port}/ws?key={given['key']}"
        async with aiohttp.ClientSession() as session:
            try:
                async with session.ws_connect(address, headers=headers) as page:
                    return await talk(page)
            except aiohttp.WSServerHandshakeError as refusal:
                return refusal.status

    return asyncio.run(run())


async def hello(page: Any) -> Any:
    return (await page.receive_json(timeout=10)).get("hello")


def test_the_page_and_its_socket_answer_with_the_key(bench: Bench) -> None:
    assert asked(bench).status == 200
    assert talked(bench, hello) == "ball"


@pytest.mark.parametrize(
    ("key", "origin", "status"),
    [
        ("right", "own", 404),
        ("wrong", "own", 403),
        (None, "own", 403),
        ("right", "http://evil.example", 403),
        ("right", "null", 403),
        ("right", None, 403),
    ],
)
def test_the_report_is_shown_to_the_own_page_with_the_key_alone(
    bench: Bench, key: str | None, origin: str | None, status: int
) -> None:
    form = {} if key is None else {"key": bench.gate.key if key == "right" else new_key()}
    headers = {"own": {"Origin": f"http://{HOST}:{bench.gate.port}"}, None: {}}.get(
        origin, {"Origin": str(origin)}
    )

    async def posted() -> int:
        async with aiohttp.ClientSession() as session:
            address = f"http://{HOST}:{bench.gate.port}/report"
            async with session.post(address, data=form, headers=headers) as answer:
                return answer.status

    # Nothing was written from this page: the right key finds that there is none.
    assert asyncio.run(posted()) == status
    assert asked(bench, "/report").status == 404


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "localhost:1", "127.0.0.1:80", ""])
def test_a_foreign_host_is_refused_on_page_and_socket(bench: Bench, host: str) -> None:
    assert asked(bench, Host=host).status in (400, 403)
    if host:
        assert talked(bench, hello, host=host) == 403


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1:1", "file://"]
)
def test_a_foreign_origin_is_refused_on_page_and_socket(bench: Bench, origin: str) -> None:
    origin = origin.format(port=bench.gate.port)
    assert asked(bench, Origin=origin).status == 403
    assert talked(bench, hello, origin=origin) == 403


def test_a_socket_without_an_origin_comes_from_no_page(bench: Bench) -> None:
    assert talked(bench, hello, origin=None) == 403


@pytest.mark.parametrize("key", ["", "secret", "x" * 43, "ü"])
def test_a_wrong_key_is_refused(bench: Bench, key: str) -> None:
    assert talked(bench, hello, key=key) == 403
    assert talked(bench, hello, key=new_key()) == 403


def test_keys_are_long_and_made_anew() -> None:
    keys = {new_key() for _ in range(50)}
    assert len(keys) == 50
    # 32 bytes in base 64 without padding.
    assert all(len(key) == 43 for key in keys)


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/..%2fpyproject.toml",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/page/bench.js",
        "/serve.py",
        "//etc/passwd",
        "/bench.js/../gate.py",
        "/ws/../bench.css%00.py",
        "/%00",
    ],
)
def test_no_path_reaches_the_disk(bench: Bench, path: str) -> None:
    assert asked(bench, path).status in (400, 403, 404)


def test_only_reading_is_answered(bench: Bench) -> None:
    for method in ("POST", "PUT", "DELETE", "OPTIONS", "TRACE"):
        assert asked(bench, "/", method).status in (403, 405)


def test_every_answer_forbids_what_is_foreign(bench: Bench) -> None:
    for path in ("/", "/bench.js", "/nothing"):
        answer = asked(bench, path)
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["Referrer-Policy"] == "same-origin"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_it_listens_on_the_loopback_address_alone(bench: Bench) -> None:
    assert bench._socket.getsockname()[0] == "127.0.0.1"


def test_a_second_page_is_refused_politely_and_the_first_goes_on(bench: Bench) -> None:
    async def talk(page: Any) -> Any:
        await page.receive_json(timeout=10)
        async with (
            aiohttp.ClientSession() as session,
            session.ws_connect(
                f"http://{HOST}:{bench.gate.port}/ws?key={bench.gate.key}",
                headers={"Origin": f"http://{HOST}:{bench.gate.port}"},
            ) as second,
        ):
            said = await second.receive_json(timeout=10)
            closed = await second.receive(timeout=10)
        await page.send_json({"do": "select", "screw": 0, "seq": 7})
        return said, closed.data, (await page.receive_json(timeout=20))["ack"]

    said, code, ack = talked(bench, talk)
    assert "open in another page" in said["closed"]
    assert (code, ack) == (BUSY_CODE, 7)


MALFORMED = [
    "",
    "null",
    "[]",
    "{}",
    '{"do": "format the disk"}',
    '{"do": "drag"}',
    '{"do": "drag", "handle": "tip", "screw": 0, "where": "strip", "x": NaN, "y": 0}',
    '{"do": "drag", "handle": "tip", "screw": 0, "where": "strip", "x": 1e999, "y": 0}',
    '{"do": "drag", "handle": "tip", "screw": 0, "where": "strip", "x": 6000, "y": 0}',
    '{"do": "drag", "handle": "tip", "screw": -1, "where": "strip", "x": 1, "y": 0}',
    '{"do": "drag", "handle": "tip", "screw": "0", "where": "strip", "x": 1, "y": 0}',
    '{"do": "drag", "handle": "../../x", "screw": 0, "where": "strip", "x": 1, "y": 0}',
    '{"do": "change", "screw": 0, "name": ""}',
    '{"do": "change", "screw": 0, "length_mm": "20"}',
    '{"do": "change", "screw": 0, "length_mm": -3}',
    '{"do": "undo", "file": "/etc/passwd"}',
    '{"do": "room", "scene": [0, 1], "strip": [1, 1]}',
    '{"do": "room", "scene": [999999, 1], "strip": [1, 1]}',
    '{"do": "look", "turn": [1, null]}',
    '{"do": "open", "entry": 1e9}',
    '{"do": "explain", "field": ""}',
    '{"do": "explain", "field": 7}',
    '{"do": "explain", "field": "' + "x" * 241 + '"}',
]


def test_what_is_no_message_is_told_and_changes_nothing(bench: Bench) -> None:
    async def talk(page: Any) -> Any:
        await page.receive_json(timeout=10)
        said = []
        for text in MALFORMED:
            await page.send_str(text)
            said.append(await page.receive_json(timeout=10))
        await page.send_bytes(b"\x00\x01")
        said.append(await page.receive_json(timeout=10))
        return said

    before = json.dumps(bench.place.desk.document)
    said = talked(bench, talk)
    assert all(set(one) == {"said"} and one["said"] for one in said)
    assert json.dumps(bench.place.desk.document) == before


def test_a_message_too_large_ends_the_socket_and_not_the_server(bench: Bench) -> None:
    async def talk(page: Any) -> Any:
        await page.receive_json(timeout=10)
        await page.send_str('{"do": "select", "screw": 0, "x": "' + "x" * LARGEST_BYTES + '"}')
        answer = await page.receive(timeout=10)
        return answer.type, answer.data

    kind, code = talked(bench, talk)
    # 1009: message too big (RFC 6455 §7.4.1).
    assert kind in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)
    assert code == 1009
    assert talked(bench, hello) == "ball"


def test_a_screw_that_is_not_there_is_told(bench: Bench) -> None:
    async def talk(page: Any) -> Any:
        await page.receive_json(timeout=10)
        await page.send_json({"do": "remove", "screw": 99})
        return (await page.receive_json(timeout=20))["said"]

    assert "no such screw" in talked(bench, talk)
