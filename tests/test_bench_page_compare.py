"""Screws side by side and what a change moves, by real events in a real browser.

The case is the ball of bench_rig.py, measured in the process for long steps. Skipped with its reason only
where no Chromium is.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_rig import LAG, SCREWS, ball_bone, through_ball, write_ball_case
from page_rig import BROWSER, FLAGS, PATIENCE_MS, Running, opened, press, settled
from playwright.sync_api import Page, expect, sync_playwright

from planner.asked import Asked
from planner.assess import ready
from planner.compare import Wanted, compare
from planner.doubt_vocabulary import AskedDoubt
from planner.vocabulary import Plan

if BROWSER is None and not os.environ.get("CI"):
    pytest.skip("no Chromium on this machine", allow_module_level=True)

PLANNED = (through_ball(), through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0))


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_ball_case(tmp_path_factory.mktemp("compare") / "ball", *PLANNED)


@pytest.fixture(scope="module")
def page(case: Path) -> Iterator[Page]:
    running = Running(case)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=FLAGS)
        yield from opened(browser, running.address)
        browser.close()
    assert running.end() == 0


def values(page: Page, words: str) -> list[float]:
    """The values of a row of the table, by its words."""
    row = page.locator("#compared .beside tr", has=page.locator("th", has_text=words)).first
    return [
        float(one)
        for one in row.locator("[data-value]").evaluate_all("all => all.map(one => one.dataset.value)")
    ]


def clipped(page: Page) -> list[str]:
    """What of the panel and of its choices cannot be read whole or scrolled to."""
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll('#compared *, #beside *')]
        .filter(one => one.getClientRects().length && !one.closest('svg, select'))
        .filter(one => {
            const own = one.getBoundingClientRect();
            const panel = one.closest('#compared, #read').getBoundingClientRect();
            return own.right > panel.right + 1 || own.left < panel.left - 1;
        }).map(one => one.tagName + ' ' + one.textContent.slice(0, 40))"""
    )
    return found


def test_the_neighbours_are_compared_by_keyboard_and_one_is_put_in_and_taken_back(
    page: Page, case: Path
) -> None:
    page.focus("#compare")
    page.keyboard.press("Enter")
    # It is measured beside the page: the bone can be turned meanwhile.
    assert page.locator("#compared").is_hidden()
    page.click("#look-along")
    settled(page)
    page.focus("#compare")
    expect(page.locator("#compared")).to_be_visible(timeout=2 * PATIENCE_MS)
    expect(page.locator("#compared-name")).to_be_focused()
    lengths_mm = sorted(SCREWS[PLANNED[0].screw.name].stocked_lengths_mm)
    at = lengths_mm.index(14.0)
    three = lengths_mm[at - 1 : at + 2]
    rows = compare(
        ready(ball_bone()), Plan(PLANNED), SCREWS, Wanted(lengths_mm=three, path="S1"), Asked()
    ).rows
    expect(page.locator("#compared .beside thead b")).to_have_text([f"{one:g} mm" for one in three])
    for row, joint_mm, hold_n in zip(
        rows, values(page, "Tip to joint"), values(page, "Pull-out that governs"), strict=True
    ):
        assert row.result is not None
        assert row.result.pullout_n is not None
        assert joint_mm == pytest.approx(row.result.leading_end.joint, abs=1e-4)
        assert hold_n == pytest.approx(row.result.pullout_n.estimate, rel=1e-4)
    expect(page.locator("#compared")).to_contain_text("◇ breaks")
    # Only the planned one's values can be opened.
    fields = page.locator("#compared [data-field]")
    assert fields.count() == page.locator("#compared td:nth-child(3) [data-field]").count() > 8
    fields.first.click()
    expect(page.locator("#opened-name")).to_be_visible()
    press(page, "Escape")
    expect(page.locator("#opened")).to_be_hidden()
    expect(page.locator("#compared")).to_be_visible()
    page.focus("#compared-2")
    page.keyboard.press("Enter")
    settled(page)
    assert float(page.locator("#lengths [aria-pressed='true']").get_attribute("data-length") or 0) == three[2]
    expect(page.locator("#undo")).to_contain_text("length 14 to")
    press(page, "Control+z")
    expect(page.locator("#lengths [data-length='14']")).to_have_attribute("aria-pressed", "true")
    press(page, "Escape")
    expect(page.locator("#compared")).to_be_hidden()
    page.click("#compared-again")
    expect(page.locator("#compared")).to_be_visible()


def test_nothing_is_cut_off_with_doubt_in_both_themes_and_the_report_holds_it(page: Page, case: Path) -> None:
    page.select_option("#placement", "guided")
    settled(page)
    page.select_option("#beside-screw", "headless-two-pitch-3.0-3.9")
    page.select_option("#beside-screw", "iso5835-ha-3.5")
    page.click("#beside-plan-S2")
    for one in page.locator("#beside [id^='beside-1'][aria-pressed='false']").all()[:2]:
        one.click()
    page.click("#compare")
    expect(page.locator("#compared .share").first).to_be_visible(timeout=2 * PATIENCE_MS)
    assert page.locator("#compared .beside thead th").count() == 8
    shares = values(page, "Clearance of the body")
    assert len(shares) == 8
    doubt = compare(
        ready(ball_bone()), Plan(PLANNED), SCREWS, Wanted(path="S1"), Asked(doubt=AskedDoubt("guided"))
    ).rows[0]
    assert doubt.result is not None
    assert doubt.result.doubt is not None
    kept = {one.limit: one.holds_fraction for one in doubt.result.doubt.limits}
    assert kept["body_clearance_mm"] in shares
    for width, height in ((1280, 720), (1600, 1000)):
        page.set_viewport_size({"width": width, "height": height})
        for _ in range(2):
            page.click("#theme")
            settled(page)
            assert clipped(page) == [], (width, height)
            assert page.evaluate("compared.scrollWidth <= compared.clientWidth")
    page.locator("#compared > p").last.scroll_into_view_if_needed()
    expect(page.locator("#compared > p").last).to_be_in_viewport()
    page.click("#report")
    expect(page.locator("#said")).to_contain_text("report.html", timeout=PATIENCE_MS)
    expect(page.locator("#said")).not_to_contain_text("left out")
    assert "Side by side" in (case / "report.html").read_text("utf-8")
    page.click("#compared-close")
    expect(page.locator("#compared-again")).to_be_focused()
    page.select_option("#placement", "")
    settled(page)


def test_what_if_is_typed_and_told_and_refused_and_the_plan_stays(page: Page, case: Path) -> None:
    before = (case / "plan.json").read_text()
    page.fill("#suppose-density", "0,8")
    page.press("#suppose-density", "Enter")
    rows = page.locator("#compared .moved tbody tr")
    expect(rows.first).to_be_visible(timeout=2 * PATIENCE_MS)
    expect(page.locator("#compared")).to_contain_text("density 1 to 0.8 times")
    changes = [
        abs(float(one.removesuffix(" %").replace("−", "-")))
        for one in rows.locator("td:last-child").all_text_contents()
        if one.endswith("%")
    ]
    assert changes == sorted(changes, reverse=True)
    assert changes[0] > 20
    # What was typed stays, and is typed on without the page taking it away.
    expect(page.locator("#suppose-density")).to_have_value("0,8")
    page.fill("#suppose-core", "9")
    page.click("#suppose")
    expect(page.locator("#said")).to_contain_text("0 < core < major")
    page.fill("#suppose-core", "wide")
    page.click("#suppose")
    expect(page.locator("#said")).to_contain_text("core must be a number above 0")
    page.click("#suppose-none")
    expect(page.locator("#suppose-core")).to_have_value("")
    page.click("#suppose")
    expect(page.locator("#said")).to_contain_text("nothing is changed")
    assert page.locator("#undo").is_disabled()
    assert (case / "plan.json").read_text() == before


def test_a_comparison_is_cancelled_at_once(page: Page) -> None:
    page.select_option("#placement", "freehand")
    settled(page)
    page.click("#compare")
    settled(page)
    page.click("#suppose-none")
    page.fill("#suppose-pitch", "1")
    page.click("#suppose")
    expect(page.locator("#said")).to_contain_text("comparing is still under way")
    page.click("#stop", timeout=PATIENCE_MS)
    expect(page.locator("#said")).to_contain_text("cancelled; the plan is as it was")
    expect(page.locator("#work")).to_be_hidden()
    expect(page.locator("#compared-name")).to_contain_text("What if")
