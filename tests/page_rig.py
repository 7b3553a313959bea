"""A real browser on a page that ``pilothole view`` serves, and the hands and eyes of a test."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 30_000
SIZE_PX = {"width": 1280, "height": 720}


class Running:
    """``pilothole view`` on a case, until it is ended."""

    def __init__(self, case: Path | None, *more: str, cwd: Path | None = None) -> None:
        words = [sys.executable, "-m", "viewer.command_line", "view", "--no-browser", *more]
        self.process = subprocess.Popen(
            words + ([str(case)] if case else []),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=cwd,
        )
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/#[\w-]{43}", self.address), self.process.communicate()

    def end(self, sign: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(sign)
        code = self.process.wait(30)
        for stream in (self.process.stdout, self.process.stderr):
            if stream:
                stream.close()
        return code


def opened(browser: Any, address: str) -> Iterator[Page]:
    faults: list[str] = []
    foreign: list[str] = []
    tab = browser.new_page(viewport=SIZE_PX)
    tab.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    tab.on("pageerror", lambda fault: faults.append(str(fault)))
    own = address.split("#")[0]
    tab.on(
        "request",
        lambda asked: None if asked.url.startswith((own, "blob:", "data:")) else foreign.append(asked.url),
    )
    tab.set_default_timeout(PATIENCE_MS)
    tab.goto(address)
    expect(tab.locator("#root:not([data-assessments='0'])")).to_be_attached(timeout=PATIENCE_MS)
    yield tab
    tab.close()
    assert faults == []
    assert foreign == []
    # The server has to see the page go before it lets the next one in.
    time.sleep(0.3)


def shown(page: Page, path: str) -> float:
    return float(page.get_attribute(f"[data-field='{path}']", "data-value") or "nan")


def count(page: Page) -> int:
    return int(page.get_attribute("#root", "data-assessments") or 0)


def settled(page: Page) -> None:
    """Wait until what the page said last was answered."""
    until = time.monotonic() + PATIENCE_MS / 1000
    while time.monotonic() < until:
        sent, ack = page.get_attribute("#root", "data-sent"), page.get_attribute("#root", "data-ack")
        if sent == ack and sent is not None:
            return
        page.wait_for_timeout(30)
    raise AssertionError("the page was not answered")


def centre(page: Page, selector: str) -> tuple[float, float]:
    box = page.locator(selector).locator(".hit").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def grab(page: Page, handle: str, dx: float, dy: float) -> None:
    """Take a handle and move it, the button still down afterwards."""
    x, y = centre(page, f"[data-handle='{handle}']")
    page.mouse.move(x, y)
    page.mouse.down()
    for part in range(1, 6):
        page.mouse.move(x + dx * part / 5, y + dy * part / 5)
    settled(page)


def let_go(page: Page) -> None:
    page.mouse.up()
    settled(page)


def press(page: Page, key: str) -> None:
    page.keyboard.press(key)
    settled(page)


def undo_all(page: Page) -> None:
    for _ in range(30):
        if page.locator("#undo").is_disabled():
            return
        press(page, "Control+z")


def put_back(page: Page) -> None:
    """A page as it was opened: nothing held, open or done, the first screw in hand, its size."""
    page.mouse.up()
    if page.locator("#opened").is_visible():
        page.keyboard.press("Escape")
    undo_all(page)
    page.evaluate("document.activeElement.blur()")
    press(page, "1")
    page.set_viewport_size(SIZE_PX)
    settled(page)
