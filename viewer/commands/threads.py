"""``pilothole threads``: which thread holds best on a planned path, where coarse and fine change places."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from viewer.commands.options import AsScanned, Catalogue


def threads(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="A case folder.")],
    plan: Annotated[
        Path | None, typer.Option(metavar="PLAN.json", help="Another plan than the case's own.")
    ] = None,
    path: Annotated[
        str | None, typer.Option(metavar="NAME", help="On this planned screw's path (default: the first).")
    ] = None,
    screw: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="A screw to compare; several times. Default: all of that length."),
    ] = None,
    length: Annotated[
        float | None, typer.Option(metavar="MM", help="One length for all (default: the planned one).")
    ] = None,
    count: Annotated[int, typer.Option(metavar="N", min=1, help="So many lines.")] = 10,
    as_scanned: AsScanned = False,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write as JSON (- for standard output).")
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a table, a row per thread (- likewise).")
    ] = None,
    catalogue: Catalogue = None,
) -> None:
    """Set threads side by side on one path: what the host holds, what the core bears, and why.

    \b
    Examples:
      pilothole threads case                            every family on the first screw's path
      pilothole threads case --path S1 --screw iso5835-ha-4.0 --screw iso5835-hb-4.0
    """
    from planner.assess import assess
    from planner.threads_on_path import (
        crossing_words,
        threads_csv,
        threads_document,
        threads_on_path,
        unchanged_words,
    )
    from segmentation.documents import nearest
    from segmentation.errors import InputError
    from segmentation.files import canonical_json, shown
    from viewer.console import say, working
    from viewer.outputs import check_output, write_output
    from viewer.pipeline import bone_and_plan, screws_known

    if json is not None and json == csv:
        raise InputError(
            f"--json and --csv must not be the same file (got {json.name!r} twice); give two names"
        )
    for output in (json, csv):
        check_output(output, inputs=(plan, catalogue))
    known = screws_known(catalogue)
    for name in screw or ():
        if name not in known:
            raise InputError(
                f"unknown screw {shown(name)} ({nearest(name, known)}); 'pilothole screws' lists all"
            )
    with working("threads") as progress:
        bone, in_frame = bone_and_plan(case, plan, catalogue, progress, as_scanned=as_scanned)
        progress("measuring")
        assessment = assess(bone, in_frame)
        results = {one.placed.name: one for one in assessment.screws}
        if not results:
            raise InputError("the plan has no screw, so there is no path to put threads on; place one first")
        if path is not None and path not in results:
            raise InputError(f"the plan has no screw {shown(path)} ({nearest(path, results)})")
        result = results[path] if path is not None else assessment.screws[0]
        wanted = [known[name] for name in screw] if screw else list(known.values())
        told = threads_on_path(
            result,
            bone.host,
            wanted,
            result.placed.length_mm if length is None else length,
            named=bool(screw),
        )
    write_output(json, canonical_json(threads_document(told, assessment.cautions), decimals=6))
    write_output(csv, threads_csv(told).encode())
    if Path("-") in (json, csv):
        return
    where = "" if told.fragment_name is None else f" in {told.fragment_name}"
    say(
        f"Path of {told.screw}{where}: {told.mean_density_mg_cm3:.0f} mg/cm³ on average; "
        f"threads at {told.length_mm:g} mm"
    )
    heads = ("holds, N", "host, N", "core tears, N", "engaged, mm", "flank, mm²/mm", "pitch, mm", "in cortex")
    lines = [("", *heads)]
    for one in told.holds[:count]:
        figures = (
            f"{one.force_n:.0f}",
            f"{one.host_n:.0f}",
            f"{one.screw_n:.0f}",
            f"{one.engaged_mm:.1f}",
            f"{one.flank_mm2_per_mm:.1f}",
            f"{one.pitch_mm:.2f}",
            f"{one.threads_in_cortex_count:.1f}",
        )
        lines.append((one.screw, *figures))
    widths = [max(len(line[column]) for line in lines) for column in range(len(lines[0]))]
    for line in lines:
        say("  ".join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip())
    if told.why is not None:
        say(f"{told.holds[0].screw} before {told.holds[1].screw}: {told.why}.")
    for found in told.crossings:
        say(f"{crossing_words(found)}.")
    if (none := unchanged_words(told)) is not None:
        say(f"{none}.")
    say("Threads alone: whether a screw fits the bone and keeps its limits tells 'pilothole compare'.")
    for caution in assessment.cautions:
        say(caution)
