"""Twelve states of the page at three sizes in both themes, as pictures to look at.

``python tests/benchmarks/screens.py OUT [--size W] [--theme light|dark]`` makes the demo cases below OUT,
opens the page in a real Chromium and writes one PNG a state, size and theme. Look at each at full size:
nothing may be cut off or lie over another.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
# ruff: noqa: E402

from page_rig import BROWSER, FLAGS, PATIENCE_MS, Running, grab, press, settled

from viewer.demo_case import write_demo_case

SIZES = {1280: 720, 1600: 900, 2560: 1440}
LONG_MS = 4 * PATIENCE_MS

State = Callable[[Page], None]


def _start(page: Page) -> None:
    page.wait_for_selector("#start:visible")


def _scan(page: Page) -> None:
    page.click("#start button:has-text('ct.nii.gz')")
    page.wait_for_selector("#root[data-place='scan']", timeout=LONG_MS)
    page.wait_for_timeout(4000)


def _ready(page: Page) -> None:
    page.wait_for_selector("[data-handle='tip']", timeout=LONG_MS)
    page.wait_for_timeout(5000)


def _held(page: Page) -> None:
    _ready(page)
    grab(page, "tip", 24, 14)
    page.wait_for_timeout(800)


def _stop(page: Page) -> None:
    _ready(page)
    page.fill("#seat", "-2")
    page.press("#seat", "Enter")
    settled(page)
    page.locator("#lengths button").last.click()
    settled(page)
    page.wait_for_timeout(1500)


def _opened(page: Page) -> None:
    _ready(page)
    page.locator("#read .row.hold [data-field]").first.click()
    page.wait_for_selector("#opened-name")
    page.wait_for_timeout(800)


def _four(page: Page) -> None:
    """Four screws side by side: what lies too near is told."""
    _ready(page)
    for step in range(3):
        press(page, "d")
        page.focus("#strip [data-handle='entry']")
        for _ in range(2 + step):
            press(page, "Shift+ArrowUp")
    page.wait_for_timeout(2000)


def _empty(page: Page) -> None:
    page.wait_for_selector("#strip-empty:visible", timeout=LONG_MS)
    page.wait_for_timeout(4000)


def _bone(page: Page) -> None:
    _ready(page)
    press(page, "b")
    page.wait_for_selector("#tool-mark")
    page.wait_for_timeout(1500)


def _along(page: Page) -> None:
    _ready(page)
    page.click("#look-along")
    settled(page)
    page.focus("#end [data-handle='dial']")
    for _ in range(3):
        press(page, "Shift+ArrowRight")
    page.wait_for_timeout(2000)


def _compared(page: Page) -> None:
    """Three lengths placed by a guide, side by side."""
    _ready(page)
    page.select_option("#placement", "guided")
    settled(page)
    page.click("#compare")
    page.wait_for_selector("#compared .share", timeout=LONG_MS)
    page.wait_for_timeout(800)


def _what_if(page: Page) -> None:
    _ready(page)
    page.fill("#suppose-pitch", "0.8")
    page.press("#suppose-pitch", "Enter")
    page.wait_for_selector("#compared .moved", timeout=LONG_MS)
    page.wait_for_timeout(800)


def states(folder: Path) -> dict[str, tuple[Path | None, State]]:
    """Name → the case it is shown on (None: the folder) and how the page gets there."""
    scaphoid = write_demo_case(folder / "scaphoid-waist", "scaphoid-waist", lambda _step: None)
    shaft = write_demo_case(folder / "diaphysis", "diaphysis", lambda _step: None)
    empty = folder / "no-plan" / "case"
    shutil.copytree(scaphoid, empty)
    (empty / "plan.json").unlink()
    return {
        "01-start": (None, _start),
        "02-scan": (None, _scan),
        "03-no-screw": (empty, _empty),
        "04-one-screw": (scaphoid, _ready),
        "05-in-the-hand": (scaphoid, _held),
        "06-stop": (scaphoid, _stop),
        "07-opened": (scaphoid, _opened),
        "08-four-screws": (scaphoid, _four),
        "09-bone": (scaphoid, _bone),
        "10-shaft-along": (shaft, _along),
        "11-compared": (scaphoid, _compared),
        "12-what-if": (shaft, _what_if),
    }


def shoot(
    browser: Browser, out: Path, name: str, case: Path | None, state: State, width: int, theme: str
) -> None:
    """One picture of a fresh copy of the case."""
    work = out / "work"
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(case.parent if case is not None else out / "demos" / "scaphoid-waist", work)
    running = Running(None if case is None else work / case.name, cwd=work)
    page = browser.new_page(viewport={"width": width, "height": SIZES[width]}, color_scheme=theme)  # type: ignore[arg-type]
    page.set_default_timeout(PATIENCE_MS)
    try:
        page.goto(running.address)
        state(page)
        page.screenshot(path=out / f"{name}-{width}-{theme}.png")
        print(f"{name} {width} {theme}", flush=True)
    finally:
        page.mouse.up()
        page.close()
        running.end()


def main() -> None:
    """Make all that is asked for."""
    asked = argparse.ArgumentParser()
    asked.add_argument("out", type=Path)
    asked.add_argument("--size", type=int, choices=SIZES)
    asked.add_argument("--theme", choices=["light", "dark"])
    asked.add_argument("--state")
    given = asked.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(given.out / "demos", ignore_errors=True)
    every = states(given.out / "demos")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=FLAGS)
        for name, (case, state) in every.items():
            if given.state and given.state not in name:
                continue
            for width in SIZES if given.size is None else (given.size,):
                for theme in ("light", "dark") if given.theme is None else (given.theme,):
                    shoot(browser, given.out, name, case, state, width, theme)
        browser.close()


if __name__ == "__main__":
    main()
