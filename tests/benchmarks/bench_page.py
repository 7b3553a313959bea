"""How long the page takes from a pointer's move to the full assessment in its numbers, measured in the page.

``python tests/benchmarks/bench_page.py [CASE] [--seconds S] [--big]`` drags the tip of the first screw at
60 Hz in a real Chromium, with and without the scene's picture process, and prints median and 95th percentile
of the delay, updates and pictures a second, and the memory of the program at the first minute and at the end.
``--big`` makes a bone of about 300,000 triangles in 512 × 512 × 300 voxels first. ``--seconds 300`` is the
long drag: nothing may grow, no message be lost at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
# ruff: noqa: E402

from page_rig import BROWSER, FLAGS, PATIENCE_MS

from planner.catalogue import built_in_screws
from planner.plan_file import plan_document
from planner.vocabulary import PlacedScrew, Plan
from segmentation.calibration import parse_calibration
from segmentation.case import write_case
from segmentation.files import canonical_json
from segmentation.recipe import segment
from segmentation.vocabulary import CTVolume, Grid

DRAG = """
async ([seconds, reach]) => {
  const root = document.getElementById("root");
  const handle = document.querySelector("[data-handle='tip'] .hit").getBoundingClientRect();
  const x = handle.x + handle.width / 2, y = handle.y + handle.height / 2;
  const sent = new Map(), delays = [], pictures = Number(root.dataset.pictures || 0);
  const seen = new MutationObserver(() => {
    const ack = Number(root.dataset.ack), at = performance.now();
    if (sent.has(ack)) { delays.push(at - sent.get(ack)); sent.delete(ack); }
  });
  seen.observe(root, { attributes: true, attributeFilter: ["data-ack"] });
  const fire = (kind, target, dx, dy) => target.dispatchEvent(new PointerEvent(kind,
    { bubbles: true, button: 0, buttons: 1, clientX: x + dx, clientY: y + dy }));
  fire("pointerdown", document.querySelector("[data-handle='tip'] .hit"), 0, 0);
  const begun = performance.now();
  let moves = 0;
  await new Promise((done) => {
    const step = () => {
      const now = performance.now() - begun;
      if (now > seconds * 1000) return done();
      fire("pointermove", window, reach * Math.sin(now / 400), reach / 3 * Math.sin(now / 170));
      sent.set(Number(root.dataset.sent), performance.now());
      moves += 1;
      setTimeout(step, 1000 / 60);
    };
    step();
  });
  const drawn = Number(root.dataset.pictures || 0) - pictures;
  fire("pointerup", window, 0, 0);
  const last = Number(root.dataset.sent);
  for (let n = 0; n < 400 && Number(root.dataset.ack) !== last; n++)
    await new Promise((r) => setTimeout(r, 25));
  return { moves, delays, drawn, lost: Number(root.dataset.ack) !== last };
}
"""


def big_case(folder: Path) -> Path:
    """A knobbly rod of 15 mm radius, broken by a cut, in 512 × 512 × 300 voxels of 0.4 × 0.4 × 0.5 mm."""
    shape, spacing = (512, 512, 300), np.array([0.4, 0.4, 0.5])
    affine = np.diag([*spacing, 1.0])
    affine[:3, 3] = -spacing * (np.array(shape) - 1) / 2
    x, y = ((np.arange(n) - (n - 1) / 2) * s for n, s in zip(shape[:2], spacing[:2], strict=True))
    hu = np.empty(shape, np.int16, order="F")
    noise = np.random.default_rng(1)
    angle = np.arctan2(y[None, :], x[:, None])
    away = np.hypot(x[:, None], y[None, :])
    for k in range(shape[2]):
        z = (k - (shape[2] - 1) / 2) * spacing[2]
        radius = 15 + 2 * np.sin(5 * angle + z / 9) + 2 * np.cos(z / 5) - max(abs(z) - 60, 0) ** 2 / 8
        depth = radius - away
        slab = 40 + 900 * np.clip(depth + 0.5, 0, 1) - 600 * np.clip(depth - 2.5, 0, 1)
        hu[:, :, k] = slab + noise.normal(0, 20, slab.shape)
    ct = CTVolume(Grid(shape, affine), hu, digest="none: a benchmark")
    from segmentation.parts import Cut

    bone = segment(
        ct,
        threshold_hu=250.0,
        calibration=parse_calibration("0.8,0"),
        cuts=[Cut(np.array([0.0, 0.0, 1.0]), np.array([0.2, 0.0, 1.0]))],
    )
    print(f"{sum(len(one.surface.faces) for one in bone.fragments):,} triangles")
    write_case(folder, bone)
    screw = built_in_screws()["iso5835-ha-3.5"]
    length_mm = max(screw.stocked_lengths_mm)
    placed = PlacedScrew("S1", screw, length_mm, np.array([-17.0, 1.5, -9.0]), np.array([15.0, 0.0, 10.0]))
    (folder / "plan.json").write_bytes(canonical_json(plan_document(Plan((placed,)))))
    return folder


def memory_mib(process_id: int) -> float:
    """Resident memory of a process and its children."""
    total = 0
    for one in [process_id, *_children(process_id)]:
        status = Path(f"/proc/{one}/status")
        if status.exists():
            lines = status.read_text().splitlines()
            total += sum(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
    return total / 1024


def _children(process_id: int) -> list[int]:
    """Processes begun by any thread of a process: the scene's is begun by one that watches it."""
    listed = Path(f"/proc/{process_id}/task").glob("*/children")
    return [int(word) for one in listed for word in one.read_text().split()]


def measured(case: Path, seconds: float, *, picture: bool) -> dict[str, Any]:
    """One drag on a copy of ``case``, in a program and a browser of its own."""
    with tempfile.TemporaryDirectory() as folder:
        copy = shutil.copytree(case, Path(folder) / "case")
        words = [sys.executable, "-m", "viewer.command_line", "view", "--no-browser", str(copy)]
        program = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=os.environ)
        assert program.stdout is not None
        address = program.stdout.readline().strip()
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=BROWSER, args=FLAGS)
                page = browser.new_page(viewport={"width": 1600, "height": 820})
                page.set_default_timeout(PATIENCE_MS)
                page.goto(address)
                page.wait_for_selector("[data-handle='tip']")
                page.wait_for_timeout(6000)
                if not picture:
                    # Without its process the scene stands still; all else goes on.
                    for child in _children(program.pid):
                        os.kill(child, signal.SIGSTOP)
                page.evaluate(DRAG, [3, 40])
                first = page.evaluate(DRAG, [min(seconds, 60.0), 40])
                memory_first = memory_mib(program.pid)
                told = first if seconds <= 60 else page.evaluate(DRAG, [seconds - 60.0, 40])
                memory_last = memory_mib(program.pid)
                browser.close()
        finally:
            program.terminate()
            for child in _children(program.pid):
                os.kill(child, signal.SIGCONT)
            program.wait(60)
    delays = np.array(told["delays"])
    took = min(seconds, 60.0) if told is first else seconds - 60.0
    return {
        "median_ms": float(np.median(delays)),
        "p95_ms": float(np.percentile(delays, 95)),
        "updates_per_s": len(delays) / took,
        "pictures_per_s": told["drawn"] / took,
        "moves_per_s": told["moves"] / took,
        "lost": told["lost"],
        "memory_first_mib": memory_first,
        "memory_last_mib": memory_last,
    }


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser()
    asked.add_argument("case", nargs="?", type=Path)
    asked.add_argument("--seconds", type=float, default=10.0)
    asked.add_argument("--big", action="store_true")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        case = big_case(Path(folder) / "big") if given.big else given.case
        if case is None:
            from viewer.demo_case import write_demo_case

            case = write_demo_case(Path(folder) / "demo", "scaphoid-waist", lambda _step: None)
        for picture in (True, False):
            found = measured(case, given.seconds, picture=picture)
            print("with the scene" if picture else "scene still", json.dumps(found, indent=None))


if __name__ == "__main__":
    main()
