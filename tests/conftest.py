"""What every test process begins with, before numpy is loaded.

Each worker has a core of its own, and its matrices are long and three wide: BLAS threads would only wait for
each other. Compiled loops are kept where the command keeps them, so that each is compiled once for the tests
and for the commands they start.
"""

from __future__ import annotations

import os

from viewer.command_line import keep_compiled_loops_with_the_user

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
keep_compiled_loops_with_the_user()
