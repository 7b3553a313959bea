"""A CT becomes a bone in the page, and the bone is cut and mended, by real events in a real browser."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nibabel
import pytest
from page_rig import BROWSER, FLAGS, PATIENCE_MS, Running, settled
from playwright.sync_api import Page, expect, sync_playwright
from tiny_scan import AFFINE, ball_hu

if BROWSER is None and not os.environ.get("CI"):
    pytest.skip("no Chromium on this machine", allow_module_level=True)

LONG_MS = 4 * PATIENCE_MS
"""A long step on a busy machine."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=BROWSER, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("scans")
    nibabel.save(nibabel.Nifti1Image(ball_hu(), AFFINE), made / "ball.nii.gz")
    return made


@pytest.fixture(scope="module")
def page(browser: Any, folder: Path) -> Iterator[Page]:
    running = Running(None, cwd=folder)
    faults: list[str] = []
    tab = browser.new_page(viewport={"width": 1280, "height": 720})
    tab.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    tab.on("pageerror", lambda fault: faults.append(str(fault)))
    tab.set_default_timeout(PATIENCE_MS)
    tab.goto(running.address)
    yield tab
    tab.close()
    assert running.end() == 0
    assert faults == []


def middle(page: Page, selector: str) -> tuple[float, float]:
    box = page.locator(selector).bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_the_start_explains_itself_in_three_sentences(page: Page) -> None:
    expect(page.locator("#start .first p")).to_have_count(3)
    expect(page.locator("#demos [data-demo='scaphoid-waist'] button")).to_be_visible()
    expect(page.locator("[data-entry='ball.nii.gz'] button")).to_be_visible()


def test_the_level_follows_the_hand_while_the_button_is_down(page: Page) -> None:
    page.click("[data-entry='ball.nii.gz'] button")
    handle = page.locator("#level")
    expect(handle).to_be_visible(timeout=LONG_MS)
    before = page.locator("#cut").inner_html()
    settled(page)
    x, y = middle(page, "#level .core >> nth=0")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 60, y, steps=4)
    settled(page)
    held = float(handle.get_attribute("aria-valuenow") or "nan")
    expect(page.locator("#level-hu")).to_have_value(f"{held:.0f}")
    assert page.locator("#cut").inner_html() != before
    page.mouse.up()
    handle.focus()
    page.keyboard.press("ArrowRight")
    settled(page)
    assert float(handle.get_attribute("aria-valuenow") or "nan") == held + 5
    page.fill("#level-hu", "250")
    page.keyboard.press("Enter")
    settled(page)
    expect(handle).to_have_attribute("aria-valuetext", "250 HU")


def test_the_wheel_turns_pages_and_keys_draw_nearer(page: Page) -> None:
    page.click("[data-view='coronal']")
    settled(page)
    words = page.locator("#look").inner_text()
    page.mouse.move(*middle(page, "#cut"))
    page.mouse.wheel(0, 100)
    settled(page)
    assert page.locator("#look").inner_text() != words
    drawn = page.locator("#cut").inner_html()
    page.locator("#cut").focus()
    page.keyboard.press("+")
    settled(page)
    assert page.locator("#cut").inner_html() != drawn


def test_the_bone_is_made_and_opened(page: Page, folder: Path) -> None:
    page.select_option("#line", "given")
    settled(page)
    page.fill("#slope", "0.8")
    page.keyboard.press("Enter")
    page.fill("#name", "my ball")
    page.click("#make")
    expect(page.locator("#root[data-place='case']")).to_be_attached(timeout=LONG_MS)
    expect(page.locator("#strip-empty")).to_be_visible(timeout=LONG_MS)
    assert (folder / "my ball" / "bone.json").is_file()


def test_a_cut_by_two_clicks_is_undone(page: Page) -> None:
    page.keyboard.press("b")
    fragments = page.locator(".fragment")
    expect(fragments).to_have_count(1)
    page.click("#tool-cut")
    settled(page)
    x, y = middle(page, "#scene")
    page.mouse.click(x - 30, y)
    page.mouse.click(x + 30, y)
    expect(fragments).to_have_count(2, timeout=LONG_MS)
    expect(page.locator("#undo")).to_have_text("Undo: cut")
    page.click("#undo")
    expect(fragments).to_have_count(1, timeout=LONG_MS)
    page.click("#redo")
    expect(fragments).to_have_count(2, timeout=LONG_MS)


def test_a_line_is_drawn_with_the_button_held(page: Page) -> None:
    page.click("#tool-line")
    settled(page)
    x, y = middle(page, "#scene")
    page.mouse.move(x - 20, y - 60)
    page.mouse.down()
    page.mouse.move(x, y - 40, steps=3)
    expect(page.locator("polyline.drawing")).to_have_count(1)
    page.mouse.move(x + 20, y + 60, steps=3)
    page.mouse.up()
    expect(page.locator(".fragment")).to_have_count(3, timeout=LONG_MS)
    page.keyboard.press("Escape")
    settled(page)
    expect(page.locator("#tool-line")).to_have_attribute("aria-pressed", "false")


def test_a_name_is_typed(page: Page, folder: Path) -> None:
    page.fill("#name-1", "head")
    page.keyboard.press("Tab")
    expect(page.locator("#undo")).to_have_text("Undo: name head", timeout=LONG_MS)
    assert '"head"' in (folder / "my ball" / "bone.json").read_text()


def test_back_at_the_start_the_case_is_listed(page: Page) -> None:
    page.click("#open")
    expect(page.locator("[data-entry='my ball'] button")).to_be_visible(timeout=LONG_MS)
    page.click("[data-demo='ball-and-socket'] button")
    expect(page.locator("#work li").first).to_be_visible(timeout=LONG_MS)
    page.click("#stop")
    expect(page.locator("#work")).to_be_hidden(timeout=LONG_MS)
    expect(page.locator("#start")).to_be_visible()
