"""``pilothole measure``: every number for each screw of a plan."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from viewer.commands.options import (
    AsScanned,
    Catalogue,
    Compression,
    Doubt,
    Draws,
    Load,
    Seed,
    Site,
    Torque,
    UnionWeeks,
)


def measure(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="A case folder.")],
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.json", help="Another plan; nothing is then written into the case."),
    ] = None,
    as_scanned: AsScanned = False,
    json: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the assessment as JSON (- for standard output)."),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a table, a row per screw and fragment (- likewise)."),
    ] = None,
    load: Load = None,
    compression_n: Compression = None,
    torque_n_m: Torque = None,
    union_weeks: UnionWeeks = None,
    doubt: Doubt = None,
    draws: Draws = 2000,
    seed: Seed = 1,
    site: Site = None,
    catalogue: Catalogue = None,
    explain: Annotated[
        str | None,
        typer.Option(
            metavar="FIELD",
            help="Tell of one value what it is and how it comes about, by its path in the JSON.",
        ),
    ] = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 1 when a screw has a stop finding.")
    ] = False,
) -> None:
    """Measure the screws of a plan on a case.

    \b
    Examples:
      pilothole measure case                            the case's plan.json; writes its assessment.json
      pilothole measure case --plan other.json --csv screws.csv
      pilothole measure case --json - --strict
      pilothole measure case --explain "screws[0].fragments[1].pullout_n"
      pilothole measure case --site scaphoid --doubt freehand
      pilothole measure case --load 100,10 --compression 200 --union-weeks 12
    """
    from planner.assessment_file import assessment_document
    from planner.explain import explain as explain_value
    from planner.screws_csv import csv_text
    from segmentation.case import ASSESSMENT
    from segmentation.errors import InputError
    from segmentation.files import canonical_json, write_whole
    from viewer.asking import asked_of
    from viewer.console import working
    from viewer.explaining import tell_explanation
    from viewer.outputs import check_output, write_output
    from viewer.pipeline import assess_case
    from viewer.summary import tell_assessment

    if json is not None and json == csv:
        raise InputError(
            f"--json and --csv must not be the same file (got {json.name!r} twice); give two names"
        )
    for output in (json, csv):
        check_output(output, inputs=(plan, catalogue))
    asked = asked_of(load, compression_n, torque_n_m, union_weeks, site, doubt, draws, seed)
    with working("measure") as progress:
        _, assessment = assess_case(case, plan, catalogue, progress, as_scanned=as_scanned, asked=asked)
    document = assessment_document(assessment)
    told = None if explain is None else explain_value(document, explain)
    content = canonical_json(document)
    if plan is None:
        write_whole(case / ASSESSMENT, content)
    write_output(json, content)
    write_output(csv, csv_text(assessment).encode())
    if told is not None and Path("-") not in (json, csv):
        tell_explanation(told)
    elif Path("-") not in (json, csv):
        tell_assessment(assessment)
    if strict and any(f.severity == "stop" for result in assessment.screws for f in result.findings):
        raise typer.Exit(1)
