"""Machine code kept on disk goes with the code that it was made of."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from segmentation.compiled import forget_stale


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy that is worked in: a loop that calls another file's, which takes a number from a third."""
    (tmp_path / "pyproject.toml").touch()
    planner = tmp_path / "planner"
    (planner / "__pycache__").mkdir(parents=True)
    sources = {
        "outer_kernels": "from planner.inner_kernels import inner\n",
        "inner_kernels": "import numpy as np\nfrom planner.numbers import STEP_MM\n",
        "numbers": "from planner.words import HELLO\nSTEP_MM = 0.25\n",
        "words": "HELLO = 'hello'\n",
    }
    for name, text in sources.items():
        (planner / f"{name}.py").write_text(text)
        os.utime(planner / f"{name}.py", (100, 100))
    for name in ("outer_kernels", "inner_kernels"):
        for end in ("nbi", "1.nbc"):
            path = planner / "__pycache__" / f"{name}.loop-12.py311.{end}"
            path.touch()
            os.utime(path, (200, 200))
    return tmp_path


def kept(copy: Path) -> set[str]:
    return {path.name.partition(".")[0] for path in (copy / "planner" / "__pycache__").iterdir()}


@pytest.mark.parametrize(
    ("changed", "gone"),
    [
        (None, []),
        ("outer_kernels", ["outer_kernels"]),
        ("inner_kernels", ["inner_kernels", "outer_kernels"]),
        ("numbers", ["inner_kernels", "outer_kernels"]),
        ("words", []),
    ],
)
def test_what_is_older_than_what_it_was_made_of_goes(copy, changed, gone) -> None:
    if changed:
        os.utime(copy / "planner" / f"{changed}.py", (300, 300))
    assert forget_stale(copy) == gone
    assert kept(copy) == {"outer_kernels", "inner_kernels"} - set(gone)
    assert forget_stale(copy) == []


def test_an_installation_is_left_alone(copy) -> None:
    (copy / "pyproject.toml").unlink()
    os.utime(copy / "planner" / "numbers.py", (300, 300))
    assert forget_stale(copy) == []
    assert kept(copy) == {"outer_kernels", "inner_kernels"}
