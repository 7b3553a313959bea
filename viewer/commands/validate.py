"""``pilothole validate``: predictions beside what a laboratory measured, row by row."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def validate(
    table: Annotated[
        Path | None,
        typer.Argument(metavar="[TABLE]", help="A CSV of tests (default: the published ones we hold)."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.md", help="Write the words there (- for the screen)."),
    ] = None,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write for machines (- for standard output).")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Draw measured against predicted.")
    ] = None,
) -> None:
    """Set predicted pull-outs and torques beside measurements: yours, or the published ones we hold.

    A row that cannot be predicted is told with what it lacks. The columns are told in the documentation
    (validation).

    \b
    Examples:
      pilothole validate
      pilothole validate our-tests.csv --json validation.json --plot validation.svg
      pilothole validate --out validation.md
    """
    from planner.lab_prediction import prediction_of
    from planner.lab_table import published_rows, read_lab_table
    from planner.validation import validation_report
    from planner.validation_file import validation_document
    from segmentation.files import canonical_json, shown
    from viewer.console import complain
    from viewer.outputs import STANDARD_OUTPUT, check_output, write_output
    from viewer.report.validation_plot import validation_plot

    for output in (out, json, plot):
        check_output(output, inputs=(table,))
    if table is None:
        rows, name = published_rows(), "`planner/published_pullouts.csv`"
    else:
        read = read_lab_table(table)
        rows, name = read.rows, shown(table.name)
        if read.not_read:
            complain(f"columns not read: {', '.join(map(shown, read.not_read))}")
    judged = [prediction_of(row) for row in rows]
    write_output(json, canonical_json(validation_document(judged)))
    write_output(plot, validation_plot(judged).encode())
    if out is None and STANDARD_OUTPUT not in (json, plot):
        out = STANDARD_OUTPUT
    write_output(out, validation_report(judged, name).encode())
