"""``kill -9`` at any moment of ``segment`` or ``measure`` leaves the old files or the new ones.

Tried on the command itself, on a process killed after a seeded time of its work, and on one killed just
before each call with which it touches the file system (told by Python's audit events), so that no gap
between two calls goes untried. The last two are children of a process that has loaded all they need: what is
killed is work, not loading.
"""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from tiny_scan import PLAN, ball_hu, write_nifti, write_plan

from segmentation.case import read_case
from viewer.command_line import run

LOADED = """
import os, pathlib, shutil, signal, sys, time
import planner.assess, planner.screws_csv
import segmentation.case, segmentation.ct, segmentation.nifti, segmentation.recipe
from viewer.command_line import run
"""

KILL_WHEN_TOLD = """
words = sys.argv[1:]
for told in sys.stdin:
    child = os.fork()
    if child == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os._exit(run(words))
    began_s = time.perf_counter()
    if told.strip() != "never":
        time.sleep(float(told))
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status) and status:
        sys.exit("the command failed")
    print(time.perf_counter() - began_s, flush=True)
"""

KILL_BEFORE_EACH_CALL = '''
TOUCHES = {"open", "os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.link", "os.chmod", "shutil.rmtree"}
cases, spare, results, words = *map(pathlib.Path, sys.argv[1:4]), sys.argv[4:]

def run_until(call):
    """Run the command in a child that dies before its ``call``-th touch; says whether it came so far."""
    child = os.fork()
    if child == 0:
        seen = 0
        def hook(event, arguments):
            nonlocal seen
            # The exchange of two names is a foreign call: it follows the loading of the C library.
            if event == "ctypes.dlopen" or event in TOUCHES and any(str(cases) in str(a) for a in arguments):
                seen += 1
                if seen == call:
                    os.kill(os.getpid(), signal.SIGKILL)
        sys.addaudithook(hook)
        os._exit(run(words))
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status) and status:
        sys.exit("the command failed")
    return os.WIFSIGNALED(status)

call = 1
while run_until(call):
    # What is found now, and what the next run makes of it.
    shutil.copytree(cases, results / f"{call:03}" / "killed")
    run(words)
    shutil.copytree(cases, results / f"{call:03}" / "again")
    shutil.rmtree(cases)
    shutil.copytree(spare, cases)
    call += 1
'''


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def without_temporary(files: dict[str, bytes]) -> dict[str, bytes]:
    return {name: content for name, content in files.items() if not name.endswith(".tmp")}


class Situation:
    """A case that a command is about to change, with the bytes before and after."""

    def __init__(self, folder: Path, command: str) -> None:
        ct = str(write_nifti(folder / "ct.nii", ball_hu()))
        self.cases, self.spare = folder / "cases", folder / "spare"
        self.cases.mkdir()
        self.case = self.cases / "case"
        assert run(["segment", ct, "--out", str(self.case), "--threshold", "250"]) == 0
        write_plan(self.case / "plan.json")
        assert run(["measure", str(self.case)]) == 0
        if command == "segment":
            self.words = ["segment", ct, "--out", str(self.case), "--threshold", "300", "--replace"]
        else:
            write_plan(
                self.case / "plan.json", {**PLAN, "screws": [{**PLAN["screws"][0], "length_mm": 14.0}]}
            )
            self.words = ["measure", str(self.case)]
        shutil.copytree(self.cases, self.spare)
        self.old = contents(self.case)
        assert run(self.words) == 0
        self.new = contents(self.case)
        assert self.old != self.new
        self.reset()
        self.names = {path.name for path in self.cases.rglob("*")}

    def reset(self) -> None:
        shutil.rmtree(self.cases)
        shutil.copytree(self.spare, self.cases)

    def is_new(self, case: Path) -> bool:
        """Whether the new files are there; fails on a mixture or on a case that cannot be read."""
        bone = read_case(case)
        found = without_temporary(contents(case))
        is_whole = found in (self.old, self.new)
        assert is_whole, sorted(found)
        assert bone.segmentation.threshold_hu == (
            300.0 if b'"threshold_hu": 300' in found["bone.json"] else 250.0
        )
        return found == self.new


@pytest.fixture(params=["segment", "measure"], scope="module")
def begun(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Situation:
    return Situation(tmp_path_factory.mktemp(request.param), request.param)


@pytest.fixture
def situation(begun: Situation) -> Situation:
    begun.reset()
    return begun


def test_killed_after_a_while(situation: Situation) -> None:
    command = [sys.executable, "-c", LOADED + KILL_WHEN_TOLD, *situation.words]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as running:

        def took_s(told: object) -> float:
            print(told, file=running.stdin, flush=True)
            assert running.stdout is not None
            return float(running.stdout.readline())

        # The first of all loads a last few modules.
        took_s("never")
        situation.reset()
        whole_s = took_s("never")
        situation.reset()
        for fraction in np.random.default_rng(5).permutation((np.arange(6) + 0.5) / 6):
            took_s(fraction * whole_s)
            if situation.is_new(situation.case):
                situation.reset()
        assert running.stdin is not None
        running.stdin.close()
    assert running.returncode == 0


def test_the_command_itself_killed_in_its_work(situation: Situation) -> None:
    running = subprocess.Popen(
        [sys.executable, "-m", "viewer.command_line", *situation.words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    # Its work has begun when the first file beside the case is there.
    while running.poll() is None and {path.name for path in situation.cases.rglob("*")} == situation.names:
        time.sleep(0.001)
    running.send_signal(signal.SIGKILL)
    running.wait()
    situation.is_new(situation.case)


def test_killed_before_each_call_that_touches_the_case(situation: Situation, tmp_path: Path) -> None:
    places = [str(situation.cases), str(situation.spare), str(tmp_path / "results")]
    words = [sys.executable, "-c", LOADED + KILL_BEFORE_EACH_CALL, *places, *situation.words]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    outcomes = []
    for result in sorted((tmp_path / "results").iterdir()):
        outcomes.append(situation.is_new(result / "killed" / "case"))
        # The next run ends what the killed one began, and nothing is left over.
        assert [path.name for path in (result / "again").iterdir()] == ["case"]
        # Said as a plain no: to show how a scan's bytes differ takes minutes.
        is_whole = contents(result / "again" / "case") == situation.new
        assert is_whole, result.name
    assert len(outcomes) > 5
    # Once new, always new; and the moment of change was among those tried.
    assert outcomes == sorted(outcomes)
    assert set(outcomes) == {False, True}
