"""What every test process begins with, before numpy is loaded, and the order of the files.

Each worker has a core of its own, and its matrices are long and three wide: BLAS threads would only wait for
each other. Compiled loops are kept where the command keeps them, so that each is compiled once for the tests
and for the commands they start.
"""

from __future__ import annotations

import pytest

from viewer.command_line import keep_compiled_loops_with_the_user, take_one_blas_thread

take_one_blas_thread()
keep_compiled_loops_with_the_user()

FIRST = (
    "test_again.py",
    "test_demo_volumes.py",
    "test_api.py",
    "test_bench_compare.py",
    "test_bench_search.py",
)
"""The first file compiles nearly all loops of segmenting; the second takes longest and needs none of them.
While one worker is at it, the other goes on to the three that compile the loops of measuring, of doubt and of
searching: no loop is compiled twice."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """FIRST before all others, which stay in order (for this xdist must not order them by their length)."""
    items.sort(key=lambda item: FIRST.index(item.path.name) if item.path.name in FIRST else len(FIRST))
