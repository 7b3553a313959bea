"""What leads where: from a finding to its place, from words to parts of the column, from entry to aim.

The case is the ball of bench_rig.py. Skipped with its reason only where no Chromium is.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from bench_rig import through_ball, write_ball_case
from page_rig import BROWSER, FLAGS, Running, opened, press, settled
from playwright.sync_api import Page, expect, sync_playwright

if BROWSER is None and not os.environ.get("CI"):
    pytest.skip("no Chromium on this machine", allow_module_level=True)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    running = Running(write_ball_case(tmp_path_factory.mktemp("leads") / "ball", through_ball(y_mm=7.0)))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=FLAGS)
        yield from opened(browser, running.address)
        browser.close()
    assert running.end() == 0


def test_a_finding_leads_to_its_place_and_words_lead_to_parts_of_the_column(page: Page) -> None:
    cursor = page.locator("#strip [data-handle='cursor']")
    before = cursor.get_attribute("aria-valuenow")
    page.locator(".finding button.place").first.click()
    settled(page)
    assert cursor.get_attribute("aria-valuenow") != before
    page.click("#way-search")
    column = page.locator("#read").bounding_box()
    head = page.locator("#read h2", has_text="Search").bounding_box()
    assert column is not None
    assert head is not None
    assert column["y"] <= head["y"] < column["y"] + column["height"]
    # The page itself never scrolls.
    assert page.evaluate("document.scrollingElement.scrollTop") == 0


def test_a_line_follows_the_pointer_from_the_entry_that_was_clicked(page: Page) -> None:
    box = page.locator("#scene").bounding_box()
    assert box is not None
    press(page, "a")
    x, y = box["x"] + box["width"] / 2 - 25, box["y"] + box["height"] / 2 - 20
    press(page, "n")
    page.mouse.click(x, y)
    expect(page.locator("#said")).to_contain_text("entry on")
    page.mouse.move(x + 40, y + 30)
    line = page.locator("#scene-over line.aim")
    expect(line).to_have_count(1)
    scale = box["width"] / float(str(page.locator("#scene-over").get_attribute("viewBox")).split()[2])
    for name, offset in (("x", 40.0), ("y", 30.0)):
        one, two = (float(line.get_attribute(f"{name}{end}") or 0) * scale for end in (1, 2))
        assert two - one == pytest.approx(offset, abs=2)
    press(page, "Escape")
    expect(line).to_have_count(0)


def test_m_begins_the_entry_map_and_it_can_be_cancelled(page: Page) -> None:
    under_way = page.locator("#work")
    press(page, "m")
    expect(under_way).to_contain_text("looking what each entry could reach")
    page.get_by_role("button", name="Cancel").click()
    expect(page.locator("#said")).to_contain_text("no map was drawn")
    expect(page.locator("#mapped")).to_be_hidden()
    # The button does what the key does.
    page.click("#map")
    expect(under_way).to_contain_text("looking what each entry could reach")
    page.get_by_role("button", name="Cancel").click()
    expect(under_way).to_be_hidden()


@pytest.mark.slow
def test_the_entry_map_lies_over_the_page_until_it_is_closed(page: Page) -> None:
    """Twenty seconds and more: every entry of the ball."""
    sheet = page.locator("#mapped")
    press(page, "m")
    expect(sheet).to_be_visible(timeout=180_000)
    expect(sheet.locator("svg[role='img']")).to_have_count(3)
    expect(sheet).to_contain_text("These numbers choose where to look")
    page.keyboard.press("Escape")
    expect(sheet).to_be_hidden()
