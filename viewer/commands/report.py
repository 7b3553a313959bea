"""``pilothole report``: one self-contained page for a case."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from viewer.asking import COMPARED_HOW
from viewer.commands.options import (
    AsScanned,
    Catalogue,
    ComparedLengths,
    ComparedPath,
    ComparedScrews,
    ComparedTechniques,
    Compression,
    Doubt,
    Draws,
    Load,
    Seed,
    Site,
    Torque,
    UnionWeeks,
)


def report(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="A case folder.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.html", help="Where to write (default: CASE/report.html)."),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.json", help="Another plan than the case's own; give --out with it."),
    ] = None,
    as_scanned: AsScanned = False,
    projections: Annotated[
        list[str] | None,
        typer.Option(
            "--projection",
            metavar="YAW,PITCH",
            help="A picture as fluoroscopy should show it, in degrees from the front to the patient's left "
            "and towards the head; repeat (default: 0,0 and 90,0, frontal and lateral).",
        ),
    ] = None,
    landmarks: Annotated[
        list[str] | None,
        typer.Option(
            "--landmark",
            metavar="x,y,z=NAME",
            help="A place in the plan's frame, RAS+ mm: how far each entry lies from it; repeat.",
        ),
    ] = None,
    load: Load = None,
    compression_n: Compression = None,
    torque_n_m: Torque = None,
    union_weeks: UnionWeeks = None,
    doubt: Doubt = None,
    draws: Draws = 2000,
    seed: Seed = 1,
    site: Site = None,
    compare: Annotated[
        bool,
        typer.Option(
            "--compare", help="A table of variants side by side, as 'pilothole compare' makes them."
        ),
    ] = False,
    path: ComparedPath = None,
    screw: ComparedScrews = None,
    length: ComparedLengths = None,
    technique: ComparedTechniques = None,
    forgiveness: Annotated[
        bool,
        typer.Option(
            "--forgiveness", help="How far entry and direction may be off before a limit breaks, as two maps."
        ),
    ] = False,
    entry_map: Annotated[
        bool,
        typer.Option(
            "--entry-map",
            help="The bone from two sides, coloured by the best hold that each entry could reach.",
        ),
    ] = False,
    catalogue: Catalogue = None,
) -> None:
    """Write the report of a case: one HTML file that prints on A4.

    \b
    Examples:
      pilothole report case
      pilothole report case --plan other.json --out other.html
      pilothole report case --site scaphoid --doubt freehand --forgiveness
      pilothole report case --site scaphoid --entry-map
      pilothole report case --compare --path S1 --length 17 --length 19 --length 21
      pilothole report case --projection 0,0 --projection 45,10 --landmark "12,-3,40=styloid"
    """
    from segmentation.case import REPORT
    from segmentation.errors import InputError
    from viewer.asking import asked_of, compared_of, fluoroscopy_of
    from viewer.console import say, working
    from viewer.outputs import check_output
    from viewer.pipeline import write_report
    from viewer.reporting import told_of_case

    if plan is not None and out is None:
        raise InputError("--plan reports of another plan than the case's own; name its file with --out")
    target = case / REPORT if out is None else out
    if case.is_dir() or out is not None:
        check_output(target, inputs=(plan, catalogue))
    fluoroscopy = fluoroscopy_of(projections or (), landmarks or ())
    asked = asked_of(load, compression_n, torque_n_m, union_weeks, site, doubt, draws, seed)
    wanted = compared_of(compare, path, screw or (), length or (), technique or ())
    compared = None
    if wanted is not None:
        drawn = asked_of(None, None, None, None, site, doubt or COMPARED_HOW, draws, seed)
        compared = (wanted, drawn)
    with working("report") as progress:
        told = told_of_case(
            case,
            plan,
            catalogue,
            asked,
            compared,
            progress,
            forgiving=forgiveness,
            mapping=entry_map,
            as_scanned=as_scanned,
        )
        progress("drawing")
        write_report(
            target, told.bone, told.assessment, fluoroscopy, told.comparison, told.forgiven, told.mapped
        )
    say(f"{target}")
