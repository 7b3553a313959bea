"""The page in a real browser, with real events: what a hand does while the button is still down.

The case is the ball of bench_rig.py, served by ``pilothole view`` in a process of its own. Skipped with its
reason only where no Chromium is; where CI is set its absence is a failure.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_rig import LAG, through_ball, write_ball_case

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
if BROWSER is None and not os.environ.get("CI"):
    pytest.skip("no Chromium to open the page in (Debian: chromium)", allow_module_level=True)

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from page_rig import (  # noqa: E402
    FLAGS,
    PATIENCE_MS,
    Running,
    grab,
    let_go,
    opened,
    press,
    put_back,
    settled,
    shown,
)
from playwright.sync_api import Page, expect, sync_playwright  # noqa: E402

from viewer.command_line import run  # noqa: E402


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


@pytest.fixture(scope="module")
def tab(browser: Any, running: Running) -> Iterator[Page]:
    yield from opened(browser, running.address)


@pytest.fixture
def page(tab: Page) -> Iterator[Page]:
    yield tab
    put_back(tab)


def test_the_key_leaves_the_address_bar(page: Page, running: Running) -> None:
    assert running.address.split("#")[1] not in page.url
    assert "key" not in page.url


def test_a_page_without_the_key_is_told_so(browser: Any, running: Running) -> None:
    tab = browser.new_page()
    tab.goto(running.address.split("#")[0] + "#" + "x" * 43)
    expect(tab.locator("#said")).to_contain_text("does not have the key", timeout=PATIENCE_MS)
    assert tab.get_attribute("#root", "data-assessments") == "0"
    tab.close()


def test_every_number_is_that_of_measure_for_the_same_plan(
    page: Page, case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["measure", str(case), "--plan", str(case / "plan.json"), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    for number in range(2):
        page.click(f".screw[data-screw='{number}']")
        settled(page)
        fields = page.evaluate(
            """() => [...document.querySelectorAll('[data-field]')].map(
            one => [one.dataset.field, one.dataset.value, one.textContent])"""
        )
        assert len(fields) >= 6
        for path, value, text in fields:
            assert path.startswith(f"screws[{number}]")
            found: Any = document
            for step in re.findall(r"\w+", path):
                found = found[int(step)] if step.isdigit() else found[step]
            assert float(value) == pytest.approx(found, abs=1e-6), path
            # What is read is the value, rounded.
            read = float(text.split()[0].replace("−", "-"))
            assert abs(read - found) <= 0.5 * 10 ** -(len(text.split()[0].partition(".")[2])) + 1e-9


@pytest.mark.parametrize(
    ("handle", "dx", "dy", "field"),
    [
        ("tip", -60, 0, "screws[0].tip_depth_mm"),
        ("tip", 0, 30, "screws[0].bone_length_mm"),
        ("entry", 0, 30, "screws[0].bone_length_mm"),
        ("seat", 30, 0, "screws[0].tip_depth_mm"),
    ],
)
def test_a_handle_moves_the_numbers_while_the_button_is_down(
    page: Page, handle: str, dx: float, dy: float, field: str
) -> None:
    before = shown(page, field)
    grab(page, handle, dx, dy)
    assert shown(page, field) != before
    assert page.locator("#undo").is_disabled()
    let_go(page)
    expect(page.locator("#undo")).to_be_enabled()
    press(page, "Control+z")
    assert shown(page, field) == pytest.approx(before)
    press(page, "Control+y")
    assert shown(page, field) != pytest.approx(before)


def test_the_dial_turns_the_picture_and_no_number(page: Page) -> None:
    before = shown(page, "screws[0].bone_length_mm")
    picture = page.locator("#strip .ground").inner_html()
    grab(page, "dial", 80, 60)
    assert page.locator("#strip .ground").inner_html() != picture
    let_go(page)
    assert shown(page, "screws[0].bone_length_mm") == before
    assert page.get_attribute("[data-handle='dial']", "aria-valuenow") != "0.0"


def test_the_cursor_cuts_the_screw_elsewhere(page: Page) -> None:
    words = page.locator("#end-words").inner_text()
    grab(page, "cursor", -120, 0)
    let_go(page)
    assert page.locator("#end-words").inner_text() != words


def test_a_handle_in_the_scene_moves_too(page: Page) -> None:
    before = shown(page, "screws[0].bone_length_mm")
    # The scene's handles carry no data-handle; they are the second of their name.
    box = page.locator("#scene-over .handle").nth(1).locator(".hit").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y + 40, steps=4)
    settled(page)
    assert shown(page, "screws[0].bone_length_mm") != before
    let_go(page)


def test_escape_puts_back_what_is_held(page: Page) -> None:
    before = shown(page, "screws[0].tip_depth_mm")
    grab(page, "tip", -60, 20)
    assert shown(page, "screws[0].tip_depth_mm") != before
    press(page, "Escape")
    page.mouse.up()
    assert shown(page, "screws[0].tip_depth_mm") == pytest.approx(before)
    assert page.locator("#undo").is_disabled()


KEYS = [
    ("tip", "ArrowLeft", "screws[0].tip_depth_mm"),
    ("tip", "ArrowUp", "screws[0].bone_length_mm"),
    ("entry", "Shift+ArrowUp", "screws[0].bone_length_mm"),
    ("seat", "ArrowRight", "screws[0].tip_depth_mm"),
]


@pytest.mark.parametrize(("handle", "key", "field"), KEYS)
def test_a_focused_handle_moves_by_keys(page: Page, handle: str, key: str, field: str) -> None:
    before = shown(page, field)
    page.focus(f"[data-handle='{handle}']")
    press(page, key)
    assert shown(page, field) != before
    assert page.evaluate("document.activeElement.getAttribute('data-handle')") == handle


def test_a_row_that_changes_stays_and_does_what_it_says(page: Page) -> None:
    """Nodes are kept while numbers move; a kept button acts by what it says now, not by what it once said."""
    page.evaluate("window.kept = document.querySelector(`[data-field='screws[0].bone_length_mm']`)")
    before = page.evaluate("window.kept.dataset.value")
    page.focus("#strip [data-handle='tip']")
    for _ in range(5):
        press(page, "ArrowUp")
    assert page.evaluate("window.kept.isConnected")
    assert page.evaluate("window.kept.dataset.value") != before
    # The row of lengths moves along with the length in hand.
    for _ in range(4):
        lengths = page.locator("#lengths button")
        pressed = lengths.evaluate_all("all => all.findIndex(one => one.ariaPressed === 'true')")
        other = lengths.nth(pressed + 2 if pressed + 2 < lengths.count() else pressed - 3)
        wanted = other.get_attribute("data-length")
        other.click()
        settled(page)
        assert page.get_attribute("#lengths button[aria-pressed='true']", "data-length") == wanted


def test_every_other_key_does_what_the_list_says(page: Page) -> None:
    length = "screws[0].tip_depth_mm"
    before = shown(page, length)
    press(page, "l")
    assert shown(page, length) > before
    press(page, "Shift+L")
    assert shown(page, length) == pytest.approx(before)
    words = page.locator("#end-words").inner_text()
    press(page, "]")
    assert page.locator("#end-words").inner_text() != words
    press(page, "[")
    dial = float(page.get_attribute("[data-handle='dial']", "aria-valuenow") or 0)
    press(page, ".")
    assert float(page.get_attribute("[data-handle='dial']", "aria-valuenow") or 0) == pytest.approx(
        dial + 1, abs=0.11
    )
    press(page, ",")
    press(page, "d")
    expect(page.locator(".screw")).to_have_count(3)
    press(page, "Delete")
    expect(page.locator(".screw")).to_have_count(2)
    press(page, "2")
    expect(page.locator(".screw[data-screw='1']")).to_have_attribute("aria-current", "true")
    press(page, "t")
    expect(page.locator("#technique")).to_have_value("lag")
    press(page, "h")
    expect(page.locator(".screw[data-screw='1']")).to_contain_text("hidden")
    press(page, "h")
    page.keyboard.press("s")
    assert page.evaluate("document.activeElement.id") == "seat"
    page.keyboard.press("Escape")
    page.locator("#title").click()
    page.evaluate("document.activeElement.blur()")
    press(page, "1")
    over = page.locator("#scene-over .under").inner_html()
    for key in ("a", "x", "p", "f"):
        press(page, key)
        now = page.locator("#scene-over .under").inner_html()
        assert now != over
        over = now
    page.focus("#scene")
    for key in ("ArrowLeft", "+", "-"):
        page.keyboard.press(key)
        page.wait_for_timeout(400)
        now = page.locator("#scene-over .under").inner_html()
        assert now != over
        over = now
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.keyboard.press("Escape")


def test_a_new_screw_from_two_clicks(page: Page) -> None:
    press(page, "a")
    box = page.locator("#scene").bounding_box()
    assert box is not None
    page.keyboard.press("n")
    expect(page.locator("#said")).to_contain_text("should enter")
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.click(middle[0] - 25, middle[1] - 20)
    settled(page)
    expect(page.locator("#said")).to_contain_text("should aim")
    page.mouse.click(middle[0] + 45, middle[1] + 30)
    settled(page)
    expect(page.locator(".screw")).to_have_count(3)
    expect(page.locator("#undo")).to_contain_text("new screw")


def test_typed_numbers_are_taken_exactly_and_nonsense_is_told(page: Page) -> None:
    page.fill("#seat", "3.4")
    page.press("#seat", "Enter")
    settled(page)
    assert shown(page, "screws[0].tip_depth_mm") == pytest.approx(3.4 + 14.0, abs=1e-6)
    page.fill("#seat", "deep")
    page.press("#seat", "Enter")
    expect(page.locator("#said")).to_contain_text("number of millimetres")


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1600, 900), (2560, 1440)])
def test_drilling_and_mechanics_are_whole_at_every_size(page: Page, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    settled(page)
    assert page.locator("#read .row.drill svg").count() == 6
    assert page.locator("#read .row.mechanics").count() >= 8
    cut = page.locator("#read :is(.row.drill, .row.mechanics) *").evaluate_all(
        """all => all.filter(one => {
            const own = one.getBoundingClientRect(), column = read.getBoundingClientRect();
            return own.right > column.right + 1 || own.left < column.left - 1
                || (one.scrollWidth > one.clientWidth + 1 && one.matches('.word, .says, .limit, .figures'));
        }).map(one => one.textContent)"""
    )
    assert cut == []
    assert page.evaluate("(() => { const r = read; return r.scrollWidth <= r.clientWidth; })()")
    # The last row can be scrolled to.
    page.locator("#read .row.mechanics").last.scroll_into_view_if_needed()
    expect(page.locator("#read .row.mechanics").last).to_be_in_viewport()


def test_a_site_and_a_way_of_placing_are_asked(page: Page) -> None:
    """The limits are the site's at once; how often each is kept comes after the hand has let go."""
    page.select_option("#site", "scaphoid")
    settled(page)
    expect(page.locator("#read .controls")).to_contain_text("longest")
    page.select_option("#placement", "guided")
    settled(page)
    rows = page.locator("#read .row.sure")
    expect(rows.first).to_be_visible(timeout=PATIENCE_MS)
    shares = rows.locator("[data-field*='doubt']").evaluate_all(
        "all => all.map(one => Number(one.dataset.value))"
    )
    assert len(shares) >= 4
    assert all(0 <= share <= 1 for share in shares)
    grab(page, "tip", 10, 0)
    expect(page.locator("#read")).to_contain_text("drawn when you let go")
    press(page, "Escape")
    page.mouse.up()
    for which in ("#site", "#placement"):
        page.select_option(which, "")
        settled(page)
    expect(rows).to_have_count(0)


def test_the_theme_changes_and_nothing_runs_out_of_the_page(page: Page) -> None:
    for width, height in ((1280, 720), (1600, 900), (2560, 1440)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(400)
        for _ in range(2):
            page.click("#theme")
            out = page.evaluate(
                """() => [...document.querySelectorAll(
                  'header *, #read *, footer, .caption, #end-words *, #look *')]
                .filter(one => one.getClientRects().length && !one.closest('svg, select, dialog'))
                .filter(one => { const box = one.getBoundingClientRect();
                  return box.right > innerWidth + 1 || box.left < -1
                    || (one.closest('header, footer') && box.bottom > innerHeight + 1); })
                .map(one => one.tagName + ' ' + one.textContent.slice(0, 40))"""
            )
            assert out == [], (width, height)
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.set_viewport_size({"width": 1600, "height": 900})


def test_a_second_page_and_a_second_program_are_refused_and_reading_is_not(
    browser: Any, page: Page, running: Running, case: Path
) -> None:
    tab = browser.new_page()
    tab.goto(running.address)
    expect(tab.locator("#said")).to_contain_text("open in another page", timeout=PATIENCE_MS)
    tab.close()
    second = subprocess.run(
        [sys.executable, "-m", "viewer.command_line", "view", "--no-browser", str(case)],
        capture_output=True,
        text=True,
    )
    assert second.returncode == 2
    assert second.stderr.count("\n") == 1
    assert "open in another page" in second.stderr
    # The server holds the case from a process of its own; this one only reads.
    assert run(["measure", str(case), "--plan", str(case / "plan.json")]) == 0


def test_the_report_is_written_beside_the_case(page: Page, case: Path) -> None:
    page.click("#report")
    expect(page.locator("#said")).to_contain_text("report written", timeout=PATIENCE_MS)
    assert b"<html" in (case / "report.html").read_bytes()[:300]
    with page.context.expect_page() as asked:
        page.click("#open-report")
    report = asked.value
    report.wait_for_load_state()
    assert report.url.endswith("/report")
    assert report.content().count("<section") == (case / "report.html").read_text("utf-8").count("<section")
    expect(report.locator("body")).to_contain_text("S1")
    report.close()


def test_what_was_done_is_on_the_disk_within_a_second_and_outlives_a_kill(
    browser: Any, tmp_path: Path
) -> None:
    case = write_ball_case(tmp_path / "ball", through_ball())
    first = Running(case)
    for page in opened(browser, first.address):
        grab(page, "tip", -60, 0)
        page.mouse.up()
        expect(page.locator("#undo")).to_be_enabled()
        page.wait_for_timeout(1000)
        wanted = shown(page, "screws[0].tip_depth_mm")
        assert first.end(signal.SIGKILL) == -signal.SIGKILL
        page.wait_for_timeout(300)
    kept = json.loads((case / "plan.json").read_text())
    assert kept["screws"][0]["length_mm"] != 14.0
    second = Running(case)
    for page in opened(browser, second.address):
        assert shown(page, "screws[0].tip_depth_mm") == pytest.approx(wanted, abs=1e-6)
    assert second.end() == 0


def test_a_case_without_a_plan_opens_and_says_how_to_begin(browser: Any, tmp_path: Path) -> None:
    case = write_ball_case(tmp_path / "ball")
    (case / "plan.json").unlink()
    one = Running(case)
    for page in opened(browser, one.address):
        expect(page.locator("#strip-empty")).to_contain_text("No screw yet")
        page.keyboard.press("n")
        box = page.locator("#scene").bounding_box()
        assert box is not None
        for dx in (-40, 30):
            page.mouse.click(box["x"] + box["width"] / 2 + dx, box["y"] + box["height"] / 2)
            settled(page)
        expect(page.locator(".screw")).to_have_count(1)
    assert one.end() == 0
    assert json.loads((case / "plan.json").read_text())["screws"][0]["screw"] != ""


def test_bad_words_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["view", str(tmp_path / "nothing")], ["view", "--port", "99999"], ["view", str(tmp_path)]):
        assert run([*words, "--no-browser"]) == 2
        said = capsys.readouterr()
        assert said.err.strip().count("\n") == 0
        assert said.err.strip()
        assert said.out == ""
