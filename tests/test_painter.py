"""The bench's 3D picture: what it shows, where it shows it, and the process that makes it.

Where a ball must be seen is a closed form (a parallel view of a ball is a disc around its centre's
projection). The two ways of drawing, by the graphics library and by rays, are checks of each other.
"""

from __future__ import annotations

import asyncio
import io
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import painter_deaths
import pytest
import trimesh
from house import ROOT
from phantoms import placed
from PIL import Image
from two_slabs import ENTRY_MM, TARGET_MM, two_slabs

from planner.catalogue import built_in_screws
from planner.vocabulary import Plan
from segmentation.vocabulary import Bone, Surface
from viewer.bench import painter as painter_module
from viewer.bench import painter_process
from viewer.bench.desk import Desk
from viewer.bench.light_bones import LightBones
from viewer.bench.light_mesh import lightened
from viewer.bench.painter import KEEPS_ENDING, NO_GL, NO_GL_VARIABLE, Painter
from viewer.bench.ray_scene import RayScene
from viewer.bench.shot import DARK, LIGHT, Bones, Shot
from viewer.report.camera import Camera
from viewer.report.scene_render import BITE_STEP_MM, Scene, render
from viewer.report.tokens import rgb_fraction
from viewer.report.view_frame import PosedFragment

LONG_S = 90.0
"""A busy machine may take so long to load the libraries that draw."""

X, Y, Z = np.eye(3)


@cache
def _library_works() -> bool:
    """Asked in a process of its own: a broken library ends the one that asks."""
    program = "from viewer.bench.painter_process import gl_works; print(gl_works())"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )
    return done.stdout.strip() == "True"


@pytest.fixture
def gl() -> None:
    """Skips where there is no graphics library, but never where the tests are the judge."""
    if not _library_works():
        reason = "no graphics library works here; install libegl1 and libgl1-mesa-dri"
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(reason)


@pytest.fixture(params=["gl", "rays"])
def way(request: pytest.FixtureRequest) -> str:
    """Both ways of drawing."""
    if request.param == "gl":
        request.getfixturevalue("gl")
    return str(request.param)


@pytest.fixture(scope="module")
def bone() -> Bone:
    """The two slabs, a joint on the upper one's far side."""
    square = np.array([[-8.0, -8, 9], [8, -8, 9], [8, 8, 9], [-8, 8, 9]])
    slabs = two_slabs()
    top_mm = max(float(one.surface.vertices_mm[:, 2].max()) for one in slabs.fragments)
    square[:, 2] = top_mm
    return replace(slabs, joint=Surface(square, np.array([[0, 1, 2], [0, 2, 3]])))


@pytest.fixture
def desk(bone: Bone) -> Desk:
    screws = (
        placed(ENTRY_MM, TARGET_MM - ENTRY_MM, "headless-two-pitch-3.0-3.9", 22.0),
        replace(placed(ENTRY_MM + 4 * X, Z, "headless-two-pitch-3.0-3.9", 20.0), name="S2"),
    )
    return Desk(bone, built_in_screws(), Plan(screws), (333.0, 217.0))


def _shot(desk: Desk, **changes: object) -> Shot:
    assert desk.assessment is not None
    assert desk.result is not None
    screws = desk.assessment.screws
    nothing: frozenset[str] = frozenset()
    shot = Shot(
        1, desk.camera, screws, 0, desk.result.bone_name, nothing, frozenset(), True, 1.0, False, False
    )
    return replace(shot, **changes)  # type: ignore[arg-type]


def _apart(image: Image.Image, picture: np.ndarray) -> float:
    """Mean difference in levels of 255."""
    return float(np.abs(np.asarray(image, float) - picture).mean())


def _drawing(way: str, bones: Bones) -> painter_process.Drawing:
    if way == "rays":
        return RayScene(LightBones(bones))
    if not os.environ.get("DISPLAY"):
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    from viewer.bench.gl_scene import GLScene

    return GLScene(LightBones(bones))


# --- what is seen, and where ------------------------------------------------------------------------------


def test_a_ball_is_seen_where_the_camera_says(way):
    """Centre of the disc within 0.6 px of the projection, radius within 1.5 px (closed forms;
    the rays' picture has a line of ink around it)."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=1.2)
    right = np.array([0.6, 0.64, 0.48])
    up = np.cross([0.48, -0.75, 0.4], right)
    up /= np.linalg.norm(up)
    camera = Camera(np.array([40.0, -25, 300]), right / np.linalg.norm(right), up, 9.0, 333.0, 217.0)
    assert camera.right @ camera.up == pytest.approx(0, abs=1e-9)
    for across_mm, high_mm, ratio in ((-16, 9, 1.0), (15.5, -10, 1.5), (3, 2, 2.0), (-14, -9, 1.0)):
        centre = camera.centre_mm + across_mm * camera.right + high_mm * camera.up + 7 * camera.toward
        pieces = tuple(
            PosedFragment(number, 1, "ball", "ball", ball.vertices + at, ball.faces, np.eye(4))
            for number, at in ((1, centre), (2, camera.centre_mm + 500 * camera.right))
        )
        shot = Shot(1, camera, (), 0, "ball", frozenset(), frozenset(), True, ratio, False, False)
        picture = _drawing(way, Bones(pieces, None)).picture(shot, ratio)
        assert picture.shape == (round(217 * ratio), round(333 * ratio), 3)
        ground = np.array(rgb_fraction(LIGHT.ground)) * 255
        seen = np.abs(picture - ground).max(-1) > 30
        rows, columns = np.nonzero(seen)
        found = (np.array([columns.mean(), rows.mean()]) + 0.5) / ratio
        assert found == pytest.approx(camera.to_px([centre])[0], abs=0.6)
        assert np.sqrt(seen.sum() / np.pi) / ratio == pytest.approx(1.2 * 9, abs=1.5)


@pytest.mark.usefixtures("gl")
def test_both_ways_of_drawing_show_the_same(desk):
    """Two independent renderers: the same picture but for antialiasing, ink edges and light surfaces."""
    bones = Bones(desk.posed, desk.bone.joint)
    gl, rays = _drawing("gl", bones), _drawing("rays", bones)
    for changes in ({}, {"dark": True}, {"hidden": frozenset({"S2"})}, {"selected": 1}):
        shot = _shot(desk, **changes)
        both = [np.asarray(way.picture(shot, 1.0), float) for way in (gl, rays)]
        apart = np.abs(both[0] - both[1]).max(-1)
        assert np.median(apart) <= 3
        assert np.mean(apart > 40) < 0.05
        empty = np.abs(both[0] - both[0][0, 0]).max(-1)
        assert np.mean(empty > 12) > 0.1


def test_ground_and_inks_follow_the_theme(way, desk):
    drawing = _drawing(way, Bones(desk.posed, desk.bone.joint))
    for dark, inks in ((False, LIGHT), (True, DARK)):
        picture = drawing.picture(_shot(desk, dark=dark), 1.0)
        assert picture[0, 0].tolist() == [round(255 * share) for share in rgb_fraction(inks.ground)]


def test_what_is_hidden_is_not_drawn(way, desk):
    drawing = _drawing(way, Bones(desk.posed, desk.bone.joint))
    all_of_it = drawing.picture(_shot(desk), 1.0)
    without = drawing.picture(_shot(desk, hidden=frozenset({"S1", "S2"})), 1.0)
    bare = drawing.picture(_shot(desk, screws=()), 1.0)
    assert (without == bare).all()
    assert np.abs(all_of_it.astype(int) - bare).max() > 60
    faint = drawing.picture(_shot(desk, faint=frozenset({1, 2})), 1.0)
    ground = np.array(rgb_fraction(LIGHT.ground)) * 255
    assert np.abs(faint - ground).mean() < 0.6 * np.abs(all_of_it - ground).mean()


def test_the_report_is_drawn_on_paper_unless_told_otherwise(desk):
    """The ground is the only thing that a picture of nothing shows."""
    camera = Camera(np.zeros(3), X, Y, 5.0, 40.0, 30.0)
    assert (render(Scene(None, camera, [], [], None)).rgb == 255).all()
    dark = render(Scene(None, camera, [], [], None, inks=DARK)).rgb
    assert (dark == np.rint(255 * np.array(rgb_fraction(DARK.ground)))).all()


def test_a_tooth_bites_what_the_labels_say(desk):
    """Asked of the surfaces here, of the labelled voxels in ``Subject``: the same but at the rims."""
    subject = desk.subject()
    assert subject is not None
    seen = LightBones(Bones(desk.posed, None)).seen(subject.result)
    depths_mm = subject.top_depth_mm + np.arange(len(seen.bites)) * BITE_STEP_MM
    by_labels = [subject.bitten_at(float(depth_mm)) for depth_mm in depths_mm]
    ranks = [subject.rank(number) if number else 0 for number in by_labels]
    assert {0, 1, 2} == set(ranks)
    assert np.mean(np.array(ranks) == seen.bites) > 0.95


def test_a_light_surface_lies_where_the_full_one_does():
    """A ball's vertices stay within a box's diagonal of its radius, and it stays closed (Euler's formula)."""
    ball = trimesh.creation.icosphere(subdivisions=6, radius=20.0)
    vertices_mm, faces = lightened(np.asarray(ball.vertices), np.asarray(ball.faces, np.int32), 20_000)
    assert 10_000 < len(faces) < 30_000
    box_mm = np.sqrt(ball.area * 2 / 20_000)
    off_mm = np.abs(np.linalg.norm(vertices_mm, axis=1) - 20)
    assert off_mm.max() < box_mm * np.sqrt(3) / 2
    assert off_mm.mean() < box_mm / 10
    assert lightened(np.asarray(ball.vertices), np.asarray(ball.faces), 10**6)[1] is not None
    assert trimesh.Trimesh(vertices_mm, faces).euler_number == 2


# --- the process ------------------------------------------------------------------------------------------


class Page:
    """A loop of its own that keeps what arrives."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()
        self.arrived: list[bytes] = []

    def keep(self, picture: bytes) -> None:
        assert threading.current_thread() is self.thread
        self.arrived.append(picture)

    def until(self, holds: Callable[[], bool]) -> None:
        began_s = time.monotonic()
        while not holds():
            assert time.monotonic() - began_s < LONG_S, "it did not come"
            time.sleep(0.01)

    @property
    def numbers(self) -> list[int]:
        return [int.from_bytes(picture[1:8], "big") for picture in self.arrived]

    def image(self, place: int = -1) -> Image.Image:
        assert self.arrived[place][:1] == painter_process.KIND_SCENE
        return Image.open(io.BytesIO(self.arrived[place][8:]))

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


@pytest.fixture
def page() -> Iterator[Page]:
    page = Page()
    yield page
    page.close()


@pytest.fixture
def painter(desk: Desk, page: Page) -> Iterator[Painter]:
    painter = Painter(desk.bone, desk.posed)
    yield painter
    process = painter._process
    painter.close()
    assert process is None or not process.is_alive()
    assert "painter" not in {child.name for child in multiprocessing.active_children()}


@pytest.mark.usefixtures("gl")
def test_of_many_looks_the_newest_is_drawn_then_finer_then_again_after_a_death(painter, page, desk):
    painter.ratio = 1.5
    painter.start(page.loop, page.keep)
    painter.paint(desk, moving=False)
    page.until(lambda: len(page.arrived) >= 2)
    assert painter.fault is None
    assert page.image().size == (round(333 * 1.5), round(217 * 1.5))
    del page.arrived[:]

    before = desk.camera
    for step in range(100):
        desk.camera = replace(before, centre_mm=before.centre_mm + 0.03 * step * before.up)
        began_s = time.perf_counter()
        painter.paint(desk, moving=True)
        assert time.perf_counter() - began_s < 0.5
    page.until(lambda: page.numbers[-2:] == [101, 101])
    assert page.numbers == sorted(page.numbers)
    assert len(page.arrived) < 40
    fine = np.asarray(page.image(), float)
    assert fine.shape == (round(217 * 1.5), round(333 * 1.5), 3)
    truth = np.asarray(_drawing("gl", Bones(desk.posed, desk.bone.joint)).picture(_shot(desk), 1.5), float)
    earlier = _drawing("gl", Bones(desk.posed, desk.bone.joint)).picture(_shot(desk, camera=before), 1.5)
    assert np.abs(fine - truth).mean() < 4 < np.abs(fine - earlier).mean()

    first = painter.process_id
    assert first is not None
    del page.arrived[:]
    os.kill(first, signal.SIGKILL)
    page.until(lambda: len(page.arrived) >= 2)
    assert painter.process_id != first
    assert painter.fault is None
    assert set(page.numbers) == {101}
    assert np.abs(np.asarray(page.image(), float) - fine).mean() < 2


def test_no_page_can_ask_for_a_picture_too_large_to_hold(painter, desk):
    desk.resize((16384.0, 12000.0))
    painter.ratio = 4.0
    painter.paint(desk, moving=False)
    assert painter._shot is not None
    columns, rows = painter._shot.size_px
    assert 15e6 < columns * rows < 16.1e6
    assert columns / rows == pytest.approx(16384 / 12000, rel=0.001)


def test_without_the_library_rays_draw_and_it_is_said_what_to_install(monkeypatch, painter, page, desk):
    monkeypatch.setenv(NO_GL_VARIABLE, "1")
    painter.dark = True
    painter.start(page.loop, page.keep)
    painter.paint(desk, moving=False)
    page.until(lambda: len(page.arrived) >= 2)
    assert painter.fault == NO_GL
    assert "install libegl1 and libgl1-mesa-dri" in NO_GL
    assert page.image(0).size == (round(333 / 2), round(217 / 2))
    assert page.image().size == (333, 217)
    rays = RayScene(LightBones(Bones(desk.posed, desk.bone.joint)))
    nearer = replace(desk.camera, scale_px=desk.camera.scale_px * 1.15)
    shots = [
        _shot(desk, **{"dark": True, **changes}) for changes in ({}, {"camera": nearer}, {"dark": False})
    ]
    right, *wrong = [_apart(page.image(), rays.picture(shot, 1.0)) for shot in shots]
    assert right < 0.6 * min(wrong)


@pytest.mark.parametrize("broken", [painter_deaths.of_the_library, painter_deaths.hanging_in_the_library])
def test_a_library_that_kills_or_holds_its_process_is_left_out(broken, monkeypatch, painter, page, desk):
    monkeypatch.setattr(painter_module, "_drawing", broken)
    monkeypatch.setattr(painter_module, "ANSWER_WITHIN_S", 4.0)
    monkeypatch.setattr(painter_module, "ENDS_WITHIN_S", 0.2)
    monkeypatch.setattr(painter_module, "_known_gl", [])
    painter.paint(desk, moving=False)
    painter.start(page.loop, page.keep)
    page.until(lambda: len(page.arrived) >= 1)
    assert painter.fault == NO_GL
    assert painter_module._known_gl == [False]


def test_a_process_that_keeps_dying_is_given_up(monkeypatch, painter, page, desk):
    monkeypatch.setattr(painter_module, "_drawing", painter_deaths.always)
    monkeypatch.setattr(painter_module, "_known_gl", [])
    painter.start(page.loop, page.keep)
    page.until(lambda: painter.fault is not None)
    assert painter.fault == KEEPS_ENDING
    painter.paint(desk, moving=True)
    assert page.arrived == []


PARENT = """
import sys, time, os
sys.path.insert(0, "tests")
import asyncio
from viewer.bench.painter import Painter
drawing = [name for name in sys.modules if name.startswith(("vtkmodules.vtkRendering", "pyvista", "embreex"))]
assert not drawing, drawing
class Nothing:
    joint = None
if __name__ == "__main__":
    painter = Painter(Nothing, ())
    painter.start(asyncio.new_event_loop(), print)
    while painter.process_id is None:
        time.sleep(0.01)
    print(painter.process_id, flush=True)
    time.sleep(600)
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="only Linux tells of processes in files")
def test_the_process_ends_with_its_parent_however_that_ends(tmp_path):
    """And the parent loads nothing that draws."""
    script = tmp_path / "parent.py"
    script.write_text(PARENT)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), NO_GL_VARIABLE: "1"}
    parent = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, text=True, cwd=ROOT, env=environment
    )
    try:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert Path(f"/proc/{child}").exists()
    finally:
        parent.kill()
        parent.wait()
    parent.stdout.close()
    began_s = time.monotonic()
    while _runs(child):
        assert time.monotonic() - began_s < LONG_S
        time.sleep(0.02)


def _runs(process_id: int) -> bool:
    """Whether there is such a process, and it is no corpse that nobody has asked about."""
    try:
        state = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"
