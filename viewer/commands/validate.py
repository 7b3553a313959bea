"""``pilothole validate``: the predictions beside what published studies measured."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def validate(
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE.md", help="Where to write (- for the screen).")
    ] = Path("-"),
) -> None:
    """Set predicted pull-outs beside published measurements.

    \b
    Examples:
      pilothole validate
      pilothole validate --out validation.md
    """
    from planner.validation import validation_report
    from viewer.outputs import check_output, write_output

    check_output(out)
    write_output(out, validation_report().encode())
