"""The README's commands do what it says they do.

The two commands that begin with pip are run as they stand by .ci/run, in a fresh copy; here their parts that
need no new environment, and the path for one's own CT.
"""

from __future__ import annotations

import csv
import json
import re
import shlex
import shutil

import pytest
from house import ROOT
from told_columns import agrees, mechanics_told

from viewer.command_line import run

README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```bash\n(.*?)```", README, re.DOTALL)


def commands() -> list[str]:
    return [line for block in BLOCKS for line in block.splitlines() if line]


def test_the_job_comes_first_in_one_paragraph():
    heading, paragraph = README.split("\n\n")[:2]
    assert heading == "# Pilothole"
    assert paragraph.startswith("Pilothole takes a CT")


def test_the_two_commands_stand_there_to_paste():
    assert commands()[:2] == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/pilothole demo",
        ".venv/bin/pip install -e '.[test]' && .venv/bin/pytest",
    ]


def test_ci_takes_both_commands_from_the_readme():
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    patterns = re.findall(r"grep -m1 '([^']+)' README\.md", script)
    assert [next(line for line in commands() if re.search(p, line)) for p in patterns] == commands()[:2]


@pytest.fixture
def own_scan(tmp_path, monkeypatch):
    """A folder with a scan of one's own, in coarse voxels, and a plan that is not yet in a case."""
    words = ["demo", "scaphoid-waist", "--seed", "3", "--voxel-mm", "0.7"]
    assert run([*words, "--out", str(tmp_path / "scan")]) == 0
    monkeypatch.chdir(tmp_path)
    shutil.move(tmp_path / "scan/ct.nii.gz", tmp_path / "my-ct.nii.gz")
    return tmp_path


def test_the_path_for_ones_own_ct(own_scan, capsys):
    path = [shlex.split(line) for line in BLOCKS[2].splitlines()]
    assert [words[1] for words in path] == ["segment", "screws", "my-plan.json", "measure", "report"]
    shutil.copy(own_scan / "scan/plan.json", own_scan / "my-plan.json")
    for command, *words in path:
        if command == "cp":
            shutil.copy(*words)
        else:
            assert command == ".venv/bin/pilothole"
            assert run(words) == 0, words
    out = capsys.readouterr().out
    assert "not a medical device" in out
    assert "iso5835-ha-3.5" in out
    made = {path.name for path in (own_scan / "case").iterdir()}
    assert {"ct.nii.gz", "bone.json", "plan.json", "assessment.json", "report.html"} <= made
    rows = list(csv.DictReader((own_scan / "screws.csv").read_text().splitlines()))
    assert len(rows) >= 2
    (screw,) = json.loads((own_scan / "case/assessment.json").read_text())["screws"]
    told = list(mechanics_told(screw))
    assert len(told) > 60
    assert [one for one in told for row in rows if not agrees(row, *one)] == []


def test_the_report_the_readme_sends_to_first_is_one_the_demo_makes():
    from viewer.commands.demo import SHOWN_DEMOS

    shown = re.search(r"`pilothole-demo/([\w-]+)/case/report\.html`", README)
    assert shown is not None
    assert shown[1] in SHOWN_DEMOS


def test_the_errors_told_are_the_ones_the_tests_assert():
    truth = (ROOT / "tests/test_truth.py").read_text(encoding="utf-8")
    for told, asserted in {
        "≤ 0.10 mm in 95 of 100, on average ≤ 0.04": (
            r"p95\(length\) < 0\.10\s+assert abs\(np\.mean\(length\)\) < 0\.04"
        ),
        "≤ 0.10 mm in 95 of 100, axes up to 28°": r"p95\(engaged\) < 0\.10",
        "negative outside | ≤ 0.10 mm": r"leading_end\.outer == pytest\.approx\(expected, abs=0\.10\)",
        "≤ 3 %": r"np\.abs\(hu\)\.max\(\) < 0\.03",
    }.items():
        assert told in README
        assert re.search(asserted, truth), asserted


def test_the_picture_is_small_enough_to_clone():
    picture = ROOT / "viewer/docs/report-page.png"
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert picture.stat().st_size < 400_000
