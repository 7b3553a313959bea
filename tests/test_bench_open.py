"""Any value of the page opens, by pointer and by key, and what it says is what the planner explains.

The case is the ball of bench_rig.py, served by ``pilothole view`` in a process of its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_rig import LAG, through_ball, write_ball_case

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from page_rig import (  # noqa: E402
    BROWSER,
    FLAGS,
    Running,
    grab,
    let_go,
    opened,
    press,
    settled,
    shown,
    undo_all,
)
from playwright.sync_api import Page, expect, sync_playwright  # noqa: E402

from planner.explain import explain  # noqa: E402

if BROWSER is None and not os.environ.get("CI"):
    pytest.skip("no Chromium to open the page in (Debian: chromium)", allow_module_level=True)

LENGTH = "screws[0].bone_length_mm"
HOLD = "screws[0].fragments[1].pullout_n.estimate"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_playwright() as started:
        running = started.chromium.launch(executable_path=BROWSER, args=FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench") / "ball"
    return write_ball_case(folder, through_ball(), through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0))


@pytest.fixture(scope="module")
def running(case: Path) -> Iterator[Running]:
    one = Running(case)
    yield one
    assert one.end() == 0


@pytest.fixture
def page(browser: Any, running: Running) -> Iterator[Page]:
    for tab in opened(browser, running.address, 1280, 720):
        yield tab
        tab.mouse.up()
        undo_all(tab)


@pytest.fixture(scope="module")
def measured(case: Path, running: Running) -> Any:
    words = [sys.executable, "-m", "viewer.command_line", "measure", str(case), "--json", "-"]
    said = subprocess.run(
        [*words, "--plan", str(case / "plan.json")], capture_output=True, text=True, check=True
    )
    return json.loads(said.stdout)


def value(field: str) -> str:
    return f"#read [data-field='{field}']"


def test_every_value_opens_with_its_words_and_this_screws_numbers(page: Page, measured: Any) -> None:
    fields = page.locator("#read [data-field]").evaluate_all("all => all.map(one => one.dataset.field)")
    assert len(fields) >= 8
    for field in fields:
        page.click(value(field))
        settled(page)
        expect(page.locator("#opened")).to_be_visible()
        told = explain(measured, field)
        said = page.locator("#opened").inner_text()
        for words in (
            told.name,
            told.definition,
            told.shown,
            told.low,
            told.high,
            *told.steps,
            *told.sources,
        ):
            assert words in said, field
        assert told.not_modelled in said
        for one in told.inputs:
            assert one.shown in said
        # What stands in the column is what stands in the panel, rounded.
        assert float(told.shown.replace("−", "-")) == pytest.approx(shown(page, field), rel=6e-5)


def test_the_panel_hides_neither_strip_nor_column_and_nothing_runs_out_of_it(page: Page) -> None:
    for width, height in ((1280, 720), (2560, 1440)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(200)
        if not page.locator("#opened").is_visible():
            page.click(value(HOLD))
        expect(page.locator("#opened .formula").first).to_be_visible()
        boxes = {
            name: page.locator(name).bounding_box() for name in ("#opened", "#strip-area", "#read", "#scene")
        }
        panel = boxes["#opened"]
        assert panel is not None
        for name in ("#strip-area", "#read"):
            other = boxes[name]
            assert other is not None
            below = panel["y"] + panel["height"] <= other["y"] + 1
            beside = panel["x"] + panel["width"] <= other["x"] + 1
            assert below or beside, (name, width)
        scene = boxes["#scene"]
        assert scene is not None
        assert panel["x"] > scene["x"] + scene["width"] * 0.25
        assert page.evaluate("(() => { const o = opened; return o.scrollWidth <= o.clientWidth; })()")


def test_enter_opens_esc_closes_and_the_focus_comes_back(page: Page) -> None:
    page.locator(value(LENGTH)).focus()
    page.keyboard.press("Enter")
    expect(page.locator("#opened-name")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator("#opened")).to_be_hidden()
    expect(page.locator(value(LENGTH))).to_be_focused()
    page.keyboard.press("Space")
    expect(page.locator("#opened")).to_be_visible()
    page.locator("#opened-close").press("Enter")
    expect(page.locator("#opened")).to_be_hidden()
    expect(page.locator(value(LENGTH))).to_be_focused()
    # The same value once more closes what it opened.
    page.click(value(LENGTH))
    expect(page.locator("#opened")).to_be_visible()
    settled(page)
    page.click(value(LENGTH))
    expect(page.locator("#opened")).to_be_hidden()


def test_an_input_opens_in_its_place_and_back_leads_back(page: Page) -> None:
    page.click(value(HOLD))
    settled(page)
    page.click("#opened dt button >> nth=0")
    settled(page)
    expect(page.locator("#opened-name")).to_contain_text("thread zone")
    page.click("#opened-back")
    settled(page)
    expect(page.locator("#opened-name")).to_contain_text("pull-out")
    page.keyboard.press("Escape")
    expect(page.locator(value(HOLD))).to_be_focused()


def test_it_follows_the_hand_and_esc_first_puts_back_what_is_held(page: Page) -> None:
    depth = "screws[0].tip_depth_mm"
    page.click(value(depth))
    settled(page)
    before = page.locator("#opened").inner_text()
    grab(page, "seat", 20, 0)
    assert page.locator("#opened").inner_text() != before
    moved = shown(page, depth)
    assert float(page.locator("#opened-name + p b").inner_text()) == pytest.approx(moved, rel=6e-5)
    page.keyboard.press("Escape")
    settled(page)
    expect(page.locator("#opened")).to_be_visible()
    assert page.locator("#opened").inner_text() == before
    let_go(page)
    page.keyboard.press("Escape")
    expect(page.locator("#opened")).to_be_hidden()


def test_it_closes_when_what_it_is_of_is_gone(page: Page) -> None:
    press(page, "2")
    page.click("#read [data-field='screws[1].tip_depth_mm']")
    settled(page)
    page.locator("#scene").focus()
    press(page, "Delete")
    expect(page.locator("#opened")).to_be_hidden()
    press(page, "Control+z")


def test_measure_explains_the_same_on_the_command_line(case: Path, measured: Any, running: Running) -> None:
    words = [sys.executable, "-m", "viewer.command_line", "measure", str(case), "--explain"]
    plan = ["--plan", str(case / "plan.json")]
    said = subprocess.run([*words, HOLD, *plan], capture_output=True, text=True, check=True).stdout
    told = explain(measured, HOLD)
    assert all(step in said for step in told.steps)
    assert f"{told.shown} N ({told.low} to {told.high})" in said
    refused = subprocess.run([*words, "screws[0].colour", *plan], capture_output=True, text=True)
    assert refused.returncode == 2
    assert refused.stderr.count("\n") == 1
    assert "no value" in refused.stderr
    assert refused.stdout == ""
