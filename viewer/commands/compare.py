"""``pilothole compare``: screws, lengths and techniques side by side, and what a change moves."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from viewer.asking import COMPARED_HOW
from viewer.commands.options import (
    AsScanned,
    Catalogue,
    ComparedLengths,
    ComparedPath,
    ComparedScrews,
    ComparedTechniques,
    Draws,
    PlacedHow,
    Seed,
    Site,
)

if TYPE_CHECKING:
    from planner.what_if import Move


def compare(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="A case folder.")],
    plan: Annotated[
        Path | None, typer.Option(metavar="PLAN.json", help="Another plan than the case's own.")
    ] = None,
    path: ComparedPath = None,
    screw: ComparedScrews = None,
    length: ComparedLengths = None,
    technique: ComparedTechniques = None,
    what_if: Annotated[
        list[str] | None,
        typer.Option(
            "--what-if",
            metavar="CHANGE",
            help="Change the first variant: pitch, core, major, pilot, length in mm, density as a factor.",
        ),
    ] = None,
    doubt: Annotated[PlacedHow, typer.Option(help="How the screws are placed.")] = COMPARED_HOW,
    draws: Draws = 2000,
    seed: Seed = 1,
    site: Site = None,
    as_scanned: AsScanned = False,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write as JSON (- for standard output).")
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a table, a row per variant (- likewise).")
    ] = None,
    catalogue: Catalogue = None,
) -> None:
    """Set screws, lengths and techniques on one path side by side, or the paths of a plan.

    \b
    Examples:
      pilothole compare case                            the plan's own screws
      pilothole compare case --path S1 --length 20 --length 22 --length 24
      pilothole compare case --screw iso5835-ha-3.5 --screw iso5835-hb-4.0 --csv table.csv
      pilothole compare case --path S1 --what-if "pitch=1.0 core=2.4"
      pilothole compare case --path S1 --what-if density=0.7
    """
    from planner.assess import ready
    from planner.compare import Wanted, techniques_of
    from planner.compare import compare as compared
    from planner.compare_file import compare_csv, compare_document
    from planner.what_if import parse_changes, with_change
    from segmentation.errors import InputError
    from segmentation.files import canonical_json
    from viewer.asking import asked_of
    from viewer.comparison_table import tell_comparison
    from viewer.console import working
    from viewer.outputs import check_output, write_output
    from viewer.pipeline import bone_and_plan, screws_known

    if json is not None and json == csv:
        raise InputError(
            f"--json and --csv must not be the same file (got {json.name!r} twice); give two names"
        )
    for output in (json, csv):
        check_output(output, inputs=(plan, catalogue))
    changes = None if not what_if else parse_changes(what_if)
    asked = asked_of(None, None, None, None, site, doubt, draws, seed)
    wanted = Wanted(screw or (), length or (), techniques_of(technique or ()), path)
    known = screws_known(catalogue)
    with working("compare") as progress:
        bone, in_frame = bone_and_plan(case, plan, catalogue, progress, as_scanned=as_scanned)
        progress("measuring")
        prepared = ready(bone, as_scanned=in_frame.pose == "as-scanned")
        comparison = compared(prepared, in_frame, known, wanted, asked)
        moved: tuple[Move, ...] = ()
        if changes is not None:
            comparison, moved = with_change(prepared, in_frame, comparison, asked, changes)
    write_output(json, canonical_json(compare_document(comparison, changes, moved), decimals=6))
    write_output(csv, compare_csv(comparison).encode())
    if Path("-") not in (json, csv):
        tell_comparison(comparison, changes, moved)
