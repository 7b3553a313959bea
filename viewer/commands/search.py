"""``pilothole search``: where a screw should go, how long, which one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from viewer.commands.options import PlacedHow


def search(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="A case folder.")],
    screw: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help="A screw to look for; several times. Default: all without a plate."
        ),
    ] = None,
    site: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE.json", help="Limits of a site: scaphoid, pelvis … or your own."),
    ] = None,
    keep: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.json", help="Screws that stay; the new one keeps clear of them."),
    ] = None,
    count: Annotated[int, typer.Option(metavar="N", help="At most so many answers.")] = 5,
    bone: Annotated[
        str | None, typer.Option(metavar="NAME", help="The bone. Default: the one in most pieces.")
    ] = None,
    from_fragment: Annotated[
        list[str] | None, typer.Option("--from", metavar="FRAGMENT", help="Enter here only; several times.")
    ] = None,
    approach: Annotated[
        str | None,
        typer.Option(metavar="X,Y,Z,DEGREES", help="Direction from entry to tip, and how far off it may be."),
    ] = None,
    any_angle: Annotated[
        bool,
        typer.Option("--any-angle", help="Also screws more than 30° off square to the fracture."),
    ] = False,
    together: Annotated[
        int,
        typer.Option(metavar="N", help="Seek 2 or 3 screws that are best together."),
    ] = 1,
    parallel_degree: Annotated[
        float | None,
        typer.Option(
            "--parallel", metavar="DEGREES", help="With --together: axes within so much of each other."
        ),
    ] = None,
    placed: Annotated[
        PlacedHow,
        typer.Option("--placed", help="How screws will be placed: how often each answer keeps every limit."),
    ] = "freehand",
    as_scanned: Annotated[
        bool, typer.Option("--as-scanned", help="Search the bone as scanned, not as reduced.")
    ] = False,
    exhaustive: Annotated[
        bool, typer.Option("--exhaustive", help="Look at about sixteen times as many lines.")
    ] = False,
    catalogue: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A catalogue of your own screws.")
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            "--plan", metavar="OUT", help="Write the best (screw or set), beside what stays, as a plan."
        ),
    ] = None,
    json: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write what was found as JSON (- for standard output)."),
    ] = None,
) -> None:
    """Search the best screws for a bone: where they enter, in which direction, how long.

    \b
    Examples:
      pilothole search case
      pilothole search case --screw headless-two-pitch-3.0-3.9 --plan best.json
      pilothole search case --from distal --approach 0,1,0,40 --json -
      pilothole search case --together 2 --parallel 10 --plan pair.json
      pilothole search case --site scaphoid --keep case/plan.json --count 3

    A bone in pieces is searched for screws that cross from one to another. Every limit of 'pilothole measure'
    is kept; what is told are its numbers. Nothing is written into the case but a cache of distances.
    """
    from planner.plan_file import plan_document
    from planner.search_file import best_plan, search_document
    from planner.site_file import site_limits
    from segmentation.case import check_case
    from segmentation.errors import InputError
    from segmentation.files import canonical_json, shown
    from viewer.console import complain, say, working
    from viewer.outputs import check_output, write_output
    from viewer.searching import found_in_case, search_lines
    from viewer.summary import tell_cautions

    check_case(case)
    if not 1 <= count <= 50:
        raise InputError(f"--count must be 1 to 50 (got {count}); a handful is easier to compare")
    if together not in (1, 2, 3):
        raise InputError(f"--together must be 2 or 3 screws (got {together}); more are not searched")
    if parallel_degree is not None and together == 1:
        raise InputError("--parallel is about screws sought together; add --together 2 or 3")
    if parallel_degree is not None and not 0 < parallel_degree <= 90:
        raise InputError(f"--parallel must be above 0 and at most 90 degrees (got {parallel_degree:g})")
    if json is not None and json == plan:
        raise InputError(f"--json and --plan must not be the same file (got {json.name!r} twice)")
    for output in (json, plan):
        check_output(output, inputs=(keep, catalogue))
    limits = None if site is None else site_limits(site)
    with working("search") as progress:
        found, kept = found_in_case(
            case,
            screw or (),
            keep=keep,
            count=count,
            bone=bone,
            fragments=from_fragment or (),
            approach=approach,
            catalogue=catalogue,
            as_scanned=as_scanned,
            exhaustive=exhaustive,
            limits=limits,
            progress=progress,
            any_angle=any_angle,
            together=together,
            parallel_degree=parallel_degree,
            placing=placed,
        )
    best = best_plan(found, kept, as_scanned=as_scanned)
    if plan is not None and best is not None:
        write_output(plan, canonical_json(plan_document(best)))
    write_output(json, canonical_json(search_document(found)))
    if Path("-") not in (json, plan):
        for line in search_lines(found):
            say(line)
        tell_cautions()
    if plan is not None and best is None:
        complain(f"{shown(plan.name)} was not written: nothing keeps every limit")
