"""The Python way, as documented: load, segment, assess in five lines, on files a demo leaves."""

from __future__ import annotations

import doctest

import pytest
from house import ROOT

from viewer.command_line import run

PAGE = ROOT / "viewer/docs/python.md"


@pytest.fixture
def demo_folder(tmp_path, monkeypatch):
    folder = tmp_path / "foam"
    assert run(["demo", "foam-block", "--out", str(folder)]) == 0
    monkeypatch.chdir(folder)
    return folder


def test_the_documented_example_runs(demo_folder):
    assert sorted(path.name for path in demo_folder.iterdir()) == ["ct.nii.gz", "plan.json", "truth.json"]
    result = doctest.testfile(str(PAGE), module_relative=False, encoding="utf-8")
    assert result.failed == 0
    assert result.attempted >= 15


def test_load_segment_assess_are_five_lines():
    first = PAGE.read_text(encoding="utf-8").split("```python")[1].split("```")[0]
    work = [line for line in first.splitlines() if line.startswith(">>> ") and "import" not in line]
    assert [line.split(" = ")[1].split("(")[0] for line in work[:5]] == [
        *("load_ct", "given_calibration", "segment", "read_plan", "assess")
    ]
