"""Our objects in a notebook, without one: what formatters give, the frame in a browser, PyVista's forms."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from bench_rig import LAG, ball_bone, through_ball, write_ball_case
from house import ROOT
from page_rig import BROWSER, FLAGS, PATIENCE_MS

import viewer.notebook as notebook
from planner.assess import assess
from planner.limits import Limits
from planner.vocabulary import Assessment, Plan
from segmentation.errors import InputError
from segmentation.vocabulary import CTVolume, Grid
from viewer.bench.gate import HEADERS, Gate, loopback_origin
from viewer.notebook.framed import Framed
from viewer.notebook.shown import assessment_html, bone_html, result_html


@cache
def assessment() -> Assessment:
    lag = through_ball("<S2> & co", LAG, y_mm=-4.0, length_mm=16.0)
    return assess(ball_bone(), Plan((through_ball(), lag)))


class Judge(HTMLParser):
    """Reads HTML as a browser does: its words, what it would load, and that every element is closed."""

    OPEN_ENDED = ("br", "img", "meta", "link")

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words, self.loads, self.tags = "", [], []
        self.count: dict[str, int] = {}
        self.feed(html)
        assert self.tags == []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.count[tag] = self.count.get(tag, 0) + 1
        if tag not in self.OPEN_ENDED:
            self.tags.append(tag)
        for name, value in attributes:
            assert not name.startswith("on")
            if name in ("src", "href", "xlink:href", "action"):
                self.loads.append(value)

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attributes)
        if tag not in self.OPEN_ENDED:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.tags.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def judged(html: str) -> Judge:
    judge = Judge(html)
    assert "script" not in judge.count
    assert all(str(load).startswith(("data:", "#")) for load in judge.loads)
    assert "not a medical device" in judge.words
    return judge


def test_a_bone_shows_a_picture_and_its_fragments() -> None:
    judge = judged(bone_html(ball_bone()))
    assert any(str(load).startswith("data:image/") for load in judge.loads)
    assert judge.count["table"] == 1
    for words in ("near half", "far half", "2.07 cm³", "250 HU"):
        assert words in judge.words


def test_an_assessment_shows_each_screws_numbers_and_nothing_can_be_slipped_in() -> None:
    judge = judged(assessment_html(assessment()))
    assert "<S2> & co" in judge.words
    for result in assessment().screws:
        assert f"{result.body.outer:.1f}" in judge.words
        for fragment in result.fragments:
            assert fragment.pullout_n is not None
            assert f"{fragment.pullout_n.estimate:.0f} N" in judge.words
        for finding in result.findings:
            assert finding.message in judge.words
    assert judge.count["svg"] > 8


def test_a_screws_result_is_that_part_alone() -> None:
    judge = judged(result_html(assessment().screws[0]))
    assert "S1" in judge.words
    assert "<S2> & co: " not in judge.words
    assert "<S2> & co: " in judged(assessment_html(assessment())).words


def test_limits_are_those_that_were_asked() -> None:
    plan = Plan((through_ball(),))
    asked = assess(ball_bone(), plan, limits=Limits(body_clearance_mm=2.7))
    assert "≥ 2.7" in judged(assessment_html(asked)).words
    assert "≥ 2.7" not in judged(assessment_html(assess(ball_bone(), plan))).words


def test_bone_and_assessment_together_are_pictured() -> None:
    alone = assess(ball_bone(), Plan((through_ball(),)))
    judge = judged(notebook.show(ball_bone(), alone)._repr_html_())
    assert sum(str(load).startswith("data:image/") for load in judge.loads) >= 2
    assert "far half" in judge.words
    assert "near half, 10.0 mm" in judge.words


class Formatter:
    """As much of IPython's formatter as is used: types by module and name."""

    def __init__(self) -> None:
        self.known: dict[tuple[str, str], Any] = {}

    def for_type_by_name(self, module: str, name: str, draw: Any) -> None:
        self.known[module, name] = draw

    def __call__(self, thing: Any) -> str:
        drawn: str = self.known[type(thing).__module__, type(thing).__name__](thing)
        return drawn


def test_a_shell_that_is_taught_shows_our_types() -> None:
    html = Formatter()
    shell = SimpleNamespace(display_formatter=SimpleNamespace(formatters={"text/html": html}))
    notebook.load_ipython_extension(shell)
    assert html(ball_bone()) == notebook.show(ball_bone())._repr_html_()
    assert html(assessment()) == assessment_html(assessment())
    assert html(assessment().screws[0]) == result_html(assessment().screws[0])


def test_importing_it_teaches_the_shell_that_runs_and_loads_nothing_heavy() -> None:
    program = (
        "import sys, types\n"
        "taught = []\n"
        "html = types.SimpleNamespace(for_type_by_name=lambda *told: taught.append(told[:2]))\n"
        "known = types.SimpleNamespace(formatters={'text/html': html})\n"
        "shell = types.SimpleNamespace(display_formatter=known)\n"
        "sys.modules['IPython'] = types.SimpleNamespace(get_ipython=lambda: shell)\n"
        "import viewer.notebook\n"
        "print(taught)\n"
        "print(sorted({'numpy', 'vtk', 'pyvista', 'pydantic'} & set(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    taught, heavy = said.splitlines()
    assert "('segmentation.vocabulary', 'Bone')" in taught
    assert heavy == "[]"


# The frame


@pytest.mark.parametrize(
    "origin",
    [
        *("", "http://example.org", "http://localhost", "http://127.0.0.1:0", "http://localhost:99999"),
        *("http://localhost:8888.evil.example", "http://localhost:8888; script-src *", "*", "null"),
        *("file://localhost:80", "http://localhost:8888/path", "http://user@localhost:8888"),
    ],
)
def test_only_a_page_of_this_computer_may_frame_the_bench(origin: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="address of this computer"):
        loopback_origin(origin)
    with pytest.raises(InputError, match="address of this computer"):
        notebook.bench(tmp_path, origin=origin)


def test_no_other_page_may_frame_it_by_default_and_one_alone_where_it_is_named() -> None:
    """W3C Content Security Policy Level 3, frame-ancestors."""
    assert "frame-ancestors 'self'" in Gate("k", 1).headers["Content-Security-Policy"]
    named = Gate("k", 1, loopback_origin("http://localhost:8888/")).headers
    assert named["Content-Security-Policy"].endswith("frame-ancestors http://localhost:8888")
    same = {name: value for name, value in named.items() if name != "Content-Security-Policy"}
    assert same == {name: HEADERS[name] for name in same}
    before, after = HEADERS["Content-Security-Policy"], named["Content-Security-Policy"]
    assert before.rpartition(";")[0] == after.rpartition(";")[0]


class _Pages(BaseHTTPRequestHandler):
    """A stand-in for a notebook: one page that holds what a cell shows."""

    shown = ""

    def do_GET(self) -> None:
        content = f"<!doctype html><title>notebook</title>{self.shown}".encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture(scope="module")
def pages() -> Iterator[list[ThreadingHTTPServer]]:
    """The notebook's server, and another person's."""
    running = [ThreadingHTTPServer(("127.0.0.1", 0), _Pages) for _ in range(2)]
    for server in running:
        Thread(target=server.serve_forever, daemon=True).start()
    yield running
    for server in running:
        server.shutdown()
        server.server_close()


@pytest.fixture(scope="module")
def framed(tmp_path_factory: pytest.TempPathFactory, pages: list[ThreadingHTTPServer]) -> Iterator[Framed]:
    case = write_ball_case(tmp_path_factory.mktemp("notebook") / "ball")
    with notebook.bench(case, origin=f"http://127.0.0.1:{pages[0].server_port}") as running:
        yield running
    assert not running.running
    assert "closed" in running._repr_html_()


@pytest.mark.skipif(BROWSER is None and not os.environ.get("CI"), reason="no Chromium to open the frame in")
def test_the_frame_works_in_the_notebook_it_was_started_for_and_in_no_other(
    framed: Framed, pages: list[ThreadingHTTPServer]
) -> None:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    _Pages.shown = framed._repr_html_()
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=BROWSER, args=FLAGS)
        tab = browser.new_page(viewport={"width": 1400, "height": 900})
        tab.goto(f"http://127.0.0.1:{pages[1].server_port}")
        tab.wait_for_timeout(1500)
        assert tab.frames[1].locator("#root").count() == 0
        tab.goto(f"http://127.0.0.1:{pages[0].server_port}")
        inside = tab.frame_locator("iframe")
        root = inside.locator("#root:not([data-assessments='0'])")
        playwright.expect(root).to_be_attached(timeout=PATIENCE_MS)
        value = inside.locator("[data-field='screws[0].tip_depth_mm']")
        before = value.get_attribute("data-value")
        inside.locator("[data-length='12']").click()
        playwright.expect(value).not_to_have_attribute("data-value", str(before), timeout=PATIENCE_MS)
        browser.close()


def test_a_case_that_cannot_be_opened_is_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError) as told:
        notebook.bench(tmp_path / "nothing", origin="http://localhost:8888")
    assert "nothing" in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.skipif(sys.platform == "win32", reason="the signal is POSIX's")
def test_the_bench_ends_with_the_notebook_even_when_it_is_killed(tmp_path: Path) -> None:
    case = write_ball_case(tmp_path / "ball")
    program = (
        "import sys, time\nfrom viewer.notebook import bench\n"
        "print(bench(sys.argv[1], origin='http://localhost:8888').address, flush=True)\ntime.sleep(60)"
    )
    kernel = subprocess.Popen([sys.executable, "-c", program, str(case)], stdout=subprocess.PIPE, text=True)
    assert kernel.stdout is not None
    port = int(kernel.stdout.readline().split(":")[2].split("/")[0])
    kernel.send_signal(signal.SIGKILL)
    kernel.wait()
    kernel.stdout.close()
    until = time.monotonic() + 20
    while time.monotonic() < until:
        with socket.socket() as door:
            if door.connect_ex(("127.0.0.1", port)) != 0:
                return
        time.sleep(0.1)
    raise AssertionError("the bench outlived its notebook")


# PyVista


def test_a_surface_keeps_every_point_and_triangle() -> None:
    surface = ball_bone().fragments[0].surface
    mesh = notebook.as_pyvista(surface)
    assert np.array_equal(mesh.points, surface.vertices_mm)
    assert np.array_equal(mesh.regular_faces, surface.faces)
    assert mesh.volume == pytest.approx(surface.enclosed_mm3, rel=1e-6)


def turned_volume() -> CTVolume:
    """An oblique, mirrored grid with three spacings, each voxel another value."""
    angle = np.radians(30)
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, -1.0]])
    affine = np.eye(4)
    affine[:3, :3] = turn * [0.5, 0.7, 1.25]
    affine[:3, 3] = (12.0, -40.0, 7.5)
    hu = np.arange(4 * 5 * 6, dtype=np.int16).reshape(4, 5, 6)
    return CTVolume(Grid((4, 5, 6), affine), hu, digest="none: a test")


def test_a_volume_lies_where_its_voxels_do_with_their_values() -> None:
    ct = turned_volume()
    image = notebook.as_pyvista(ct)
    assert image.dimensions == (4, 5, 6)
    assert image.spacing == pytest.approx((0.5, 0.7, 1.25))
    points = np.asarray(image.points)
    for index in np.ndindex(4, 5, 6):
        at = np.ravel_multi_index(index, (4, 5, 6), order="F")
        wanted = ct.grid.affine[:3, :3] @ index + ct.grid.affine[:3, 3]
        assert points[at] == pytest.approx(wanted, abs=1e-5)
        assert image.point_data["hu"][at] == ct.hu[index]


def test_a_sheared_grid_is_refused() -> None:
    affine = np.eye(4)
    affine[0, 1] = 0.3
    sheared = CTVolume(Grid((3, 3, 3), affine), np.zeros((3, 3, 3), np.int16), digest="none: a test")
    with pytest.raises(InputError, match="square to each other"):
        notebook.as_pyvista(sheared)


def test_a_bone_is_its_fragments_by_name_and_its_joint() -> None:
    found = notebook.as_pyvista(ball_bone())
    assert found.keys() == ["near half", "far half", "joint"]
    for fragment in ball_bone().fragments:
        assert np.array_equal(found[fragment.name].points, fragment.surface.vertices_mm)
        assert np.array_equal(found[fragment.name].field_data["pose"], fragment.pose)


def test_what_has_no_form_is_told() -> None:
    with pytest.raises(InputError, match="got str"):
        notebook.as_pyvista("bone")


def test_the_documentation_calls_what_is_there() -> None:
    page = (ROOT / "viewer/docs/notebook.md").read_text(encoding="utf-8")
    called = set(re.findall(r"notebook\.(\w+)\(", page))
    assert called == {"show", "bench", "as_pyvista"}
    assert all(callable(getattr(notebook, name)) for name in called)
