"""All of the page is within reach: any value opens and explains itself, every control by key and by ear.

The case is the ball of bench_rig.py, served in a thread of the test and without the scene's picture, which
nothing here looks at.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_rig import LAG, SCREWS, served, through_ball, write_ball_case
from house import ROOT

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
from page_rig import (  # noqa: E402
    BROWSER,
    FLAGS,
    grab,
    let_go,
    opened,
    press,
    put_back,
    settled,
    shown,
)
from playwright.sync_api import Page, expect, sync_playwright  # noqa: E402

from planner.assess import assess  # noqa: E402
from planner.assessment_file import assessment_document  # noqa: E402
from planner.explain import explain  # noqa: E402
from planner.plan_file import read_plan  # noqa: E402
from segmentation.case import read_case  # noqa: E402
from viewer.bench.desk import Desk  # noqa: E402
from viewer.bench.serve import Bench  # noqa: E402
from viewer.command_line import run  # noqa: E402
from viewer.report.tokens import rgb_fraction  # noqa: E402

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
def running(case: Path) -> Iterator[Bench]:
    plan = read_plan(case / "plan.json", SCREWS)
    with served(Desk(read_case(case), SCREWS, plan), case) as one:
        yield one


@pytest.fixture(scope="module")
def tab(browser: Any, running: Bench) -> Iterator[Page]:
    yield from opened(browser, running.gate.address)


@pytest.fixture
def page(tab: Page) -> Iterator[Page]:
    yield tab
    put_back(tab)


@pytest.fixture(scope="module")
def measured(case: Path) -> Any:
    """assessment.json as ``measure`` writes it (test_bench_page.py holds the page against the command)."""
    plan = read_plan(case / "plan.json", SCREWS)
    return assessment_document(assess(read_case(case), plan))


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


def test_measure_explains_the_same_on_the_command_line(
    case: Path, measured: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["measure", str(case), "--plan", str(case / "plan.json"), "--explain"]
    assert run([*words, HOLD]) == 0
    said = capsys.readouterr().out
    told = explain(measured, HOLD)
    assert all(step in said for step in told.steps)
    assert f"{told.shown} N ({told.low} to {told.high})" in said
    assert run([*words, "screws[0].colour"]) == 2
    refused = capsys.readouterr()
    assert refused.err.count("\n") == 1
    assert "no value" in refused.err
    assert refused.out == ""


# By key

TABBABLE = "button:not(:disabled), input, select, [tabindex='0']"

NAMED = """one => one.id || one.dataset.field || one.dataset.fragment
  || (one.dataset.handle && 'handle ' + one.dataset.handle)
  || (one.matches('.handle') && 'scene ' + one.getAttribute('aria-label'))
  || (one.dataset.length && 'length ' + one.dataset.length) || 'screw ' + one.dataset.screw"""


def focus_is_seen(page: Page) -> bool:
    """Whether the element in focus carries the ring of the design."""
    return bool(
        page.evaluate(
            """() => { const one = document.activeElement, ring = one.querySelector('.focus');
            if (one.matches('.handle')) return getComputedStyle(ring).display !== 'none';
            const style = getComputedStyle(one);
            return style.outlineStyle === 'solid' && parseFloat(style.outlineWidth) >= 2
              && style.boxShadow !== 'none'; }"""
        )
    )


def test_tab_walks_through_every_control_once_in_order_and_the_focus_is_seen(page: Page) -> None:
    wanted = page.evaluate(
        f"""() => [...document.querySelectorAll("{TABBABLE}")]
        .filter(one => one.getClientRects().length).map({NAMED})"""
    )
    assert len(wanted) > 35
    assert len(set(wanted)) == len(wanted)
    # A click on plain words: Tab goes on from there.
    page.click("#title")
    walked = []
    for _ in range(len(wanted)):
        page.keyboard.press("Tab")
        walked.append(page.evaluate(f"({NAMED})(document.activeElement)"))
        assert focus_is_seen(page), walked[-1]
    assert walked == wanted
    assert {f"handle {name}" for name in ("entry", "tip", "seat", "dial", "cursor")} <= set(walked)
    page.keyboard.press("Shift+Tab")
    assert page.evaluate(f"({NAMED})(document.activeElement)") == wanted[-2]


def test_a_control_keeps_the_focus_when_what_it_did_is_shown(page: Page) -> None:
    for selector in ("[data-length='12']", "#look [data-fragment='1']", ".screw[data-screw='1']"):
        page.locator(selector).focus()
        pressed = page.get_attribute("#root", "data-assessments")
        page.keyboard.press("Enter")
        settled(page)
        assert page.get_attribute("#root", "data-assessments") != pressed
        expect(page.locator(selector)).to_be_focused()
    page.keyboard.press("Shift+Tab")
    expect(page.locator(".screw[data-screw='0']")).to_be_focused()
    page.keyboard.press("Enter")
    settled(page)
    page.locator("#look [data-fragment='1']").press("Enter")
    settled(page)


# By ear


def slider(page: Page, selector: str) -> dict[str, str]:
    found: dict[str, str] = page.locator(selector).evaluate(
        """one => Object.fromEntries(['now', 'min', 'max', 'text'].map(
        what => [what, one.getAttribute('aria-value' + what)]))"""
    )
    return found


@pytest.mark.parametrize(
    ("handle", "key", "by", "says"),
    [
        ("entry", "ArrowUp", 0.1, r"entry point, .* right, .* front, .* head"),
        ("tip", "ArrowRight", 1.0, r"tip, 17\.0 mm deep, 2\.9 mm to joint"),
        ("seat", "ArrowRight", 0.1, r"seat depth, 2\.1 mm, sunk"),
        ("dial", "ArrowRight", 1.0, "dial, 1 degrees"),
        ("cursor", "ArrowLeft", -0.5, r"depth cursor, 7\.5 mm, in near half"),
    ],
)
def test_each_handle_is_a_slider_that_says_what_its_keys_did(
    page: Page, handle: str, key: str, by: float, says: str
) -> None:
    selector = f"[data-handle='{handle}']"
    page.locator(selector).focus()
    assert page.get_attribute(selector, "role") == "slider"
    assert page.get_attribute(selector, "aria-label")
    before = slider(page, selector)
    press(page, key)
    expect(page.locator(selector)).to_be_focused()
    after = slider(page, selector)
    assert float(after["now"]) - float(before["now"]) == pytest.approx(by, abs=0.051)
    for told in (before, after):
        assert float(told["min"]) <= float(told["now"]) <= float(told["max"])
        assert float(told["min"]) < float(told["max"])
    assert re.search(says, after["text"]), after["text"]
    back = {"ArrowRight": "ArrowLeft", "ArrowLeft": "ArrowRight", "ArrowUp": "ArrowDown"}[key]
    press(page, back)


def test_the_scenes_handles_say_what_the_strips_do(page: Page) -> None:
    told = page.locator("#scene-over .handle").evaluate_all(
        "all => all.map(one => [one.getAttribute('role'), one.getAttribute('aria-valuetext')])"
    )
    assert [role for role, _ in told] == ["slider", "slider"]
    assert {text for _, text in told} == {
        slider(page, f"[data-handle='{name}']")["text"] for name in ("entry", "tip")
    }


def test_what_matters_most_is_spoken_once_the_hand_rests(page: Page) -> None:
    assert page.get_attribute("#spoken", "aria-live") == "polite"
    page.locator("[data-length='18']").press("Enter")
    settled(page)
    expect(page.locator("#spoken")).to_contain_text("stop: The leading end", timeout=5000)


# By eye

THEMES = re.findall(
    r"(:root(?:\[data-theme=\"dark\"\])?) \{(.*?)\n\}",
    (ROOT / "viewer/bench/page/bench.css").read_text(encoding="utf-8"),
    re.DOTALL,
)
LEAST_CONTRAST_RATIO = 4.5
"""WCAG 2.2, success criterion 1.4.3, level AA, for text of any size."""

TEXT_ON = {
    **dict.fromkeys(("ink", "ink-2", "ink-3"), ("sheet", "ground", "well")),
    "alarm": ("sheet", "ground"),
    "sheet": ("ink",),
    "on-marker": ("marker",),
    **{f"{one}-ink": ("sheet", "ground") for one in ("sand", "slate", "sage", "umber")},
    "joint": ("sheet",),
}
"""Which ink is text on which ground: the stylesheets and the drawings use no other pair."""


def luminance_fraction(colour: tuple[float, float, float]) -> float:
    """WCAG 2.2, relative luminance of an sRGB colour in fractions."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return sum(weight * c for weight, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast_ratio(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """
    >>> round(contrast_ratio((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)), 1)
    21.0
    """
    low, high = sorted(map(luminance_fraction, (one, other)))
    return (high + 0.05) / (low + 0.05)


def test_black_on_white_is_21_and_a_pale_grey_is_too_pale() -> None:
    """Check values: WCAG 2.2 (21:1); #767676 on white is the palest grey that passes (common practice)."""
    white = (1.0, 1.0, 1.0)
    assert contrast_ratio((0.0, 0.0, 0.0), white) == pytest.approx(21.0)
    assert contrast_ratio(rgb_fraction("#767676"), white) >= LEAST_CONTRAST_RATIO
    assert contrast_ratio(rgb_fraction("#777777"), white) < LEAST_CONTRAST_RATIO


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_every_ink_has_contrast_on_every_ground_it_is_text_on(theme: int) -> None:
    tokens = dict(re.findall(r"--([\w-]+): (#\w{6})", THEMES[0][1]))
    tokens |= dict(re.findall(r"--([\w-]+): (#\w{6})", THEMES[theme][1]))
    faint = {
        (ink, ground): round(found, 2)
        for ink, grounds in TEXT_ON.items()
        for ground in grounds
        if (found := contrast_ratio(rgb_fraction(tokens[ink]), rgb_fraction(tokens[ground])))
        < LEAST_CONTRAST_RATIO
    }
    assert faint == {}


COLOURS = """() => [...document.querySelectorAll('body *')]
  .filter(one => one.getClientRects().length && !one.closest('svg, #picture')
    && [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim()))
  .map(one => { let under = one;
    const clear = colour => /, 0\\)$|transparent/.test(colour);
    while (under.parentElement && clear(getComputedStyle(under).backgroundColor)) under = under.parentElement;
    return [one.textContent.trim().slice(0, 30), getComputedStyle(one).color,
      getComputedStyle(under).backgroundColor]; })"""


def test_every_text_on_the_page_has_contrast_in_both_themes(page: Page) -> None:
    page.locator("[data-handle='seat']").focus()
    press(page, "ArrowRight")
    assert page.locator(".row .value.just small").count() > 0
    page.click(value(HOLD))
    settled(page)
    for _ in range(2):
        page.click("#theme")
        settled(page)
        seen = page.evaluate(COLOURS)
        assert len(seen) > 80
        for text, *colours in seen:
            ink, ground = (tuple(int(c) / 255 for c in re.findall(r"\d+", one)[:3]) for one in colours)
            assert contrast_ratio(ink, ground) >= LEAST_CONTRAST_RATIO, (text, colours)
    page.keyboard.press("Escape")


def test_a_findings_severity_does_not_run_into_its_words(page: Page) -> None:
    for width, height in ((1280, 720), (1600, 900), (2560, 1440)):
        page.set_viewport_size({"width": width, "height": height})
        over = page.locator("#read .severity").evaluate_all(
            """all => all.filter(one => { const words = document.createRange();
            words.selectNodeContents(one);
            return words.getBoundingClientRect().right > one.nextSibling.getBoundingClientRect().left;
            }).map(one => one.textContent)"""
        )
        assert over == [], width


def test_reduced_motion_is_honoured(page: Page) -> None:
    page.evaluate("() => { document.querySelector('#said').style.transition = 'opacity 3s'; }")
    took = "getComputedStyle(document.querySelector('#said')).transitionDuration"
    assert page.evaluate(took) == "3s"
    page.emulate_media(reduced_motion="reduce")
    assert page.evaluate(took) == "0s"
    assert page.evaluate("document.getAnimations().length") == 0
    page.emulate_media(reduced_motion="no-preference")
