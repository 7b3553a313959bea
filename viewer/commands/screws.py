"""``pilothole screws``: which screws there are, and one of them in words and to scale."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from planner.vocabulary import Screw


def screws(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A screw to describe.")] = None,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write as a catalogue file (- for standard output).")
    ] = None,
    catalogue: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A catalogue of your own screws.")
    ] = None,
    draw: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Draw the screw to scale, with dimensions.")
    ] = None,
    length: Annotated[
        float | None, typer.Option(metavar="MM", help="Length drawn (default: the middle one).")
    ] = None,
) -> None:
    """List the screws, or describe one and draw it to scale.

    \b
    Examples:
      pilothole screws
      pilothole screws iso5835-ha-3.5 --length 24 --draw screw.svg
      pilothole screws --catalogue mine.json --json -
    """
    from planner.catalogue import catalogue_document
    from segmentation.documents import nearest
    from segmentation.errors import InputError
    from segmentation.files import canonical_json, shown
    from viewer.outputs import STANDARD_OUTPUT, check_output, write_output
    from viewer.pipeline import screws_known

    known = screws_known(catalogue)
    for output in (json, draw):
        check_output(output, inputs=(catalogue,))
    if name is None and (draw is not None or length is not None):
        raise InputError("--draw and --length need the NAME of a screw; 'pilothole screws' lists them")
    if name is not None and name not in known:
        raise InputError(
            f"unknown screw {shown(name)} ({nearest(name, known)}); 'pilothole screws' lists all"
        )
    chosen = known if name is None else {name: known[name]}
    write_output(json, canonical_json(catalogue_document(chosen.values())))
    if name is not None:
        _describe(known[name], length, draw, quiet=STANDARD_OUTPUT in (json, draw))
    elif json != STANDARD_OUTPUT:
        _list(chosen)


def _list(chosen: Mapping[str, Screw]) -> None:
    from viewer.console import say

    width = max(map(len, chosen))
    say(f"{'name':<{width}}  major  core  pitch  lengths (mm)   title")
    for screw in chosen.values():
        thread, lengths = screw.largest_thread, screw.stocked_lengths_mm
        stocked = f"{lengths[0]:g} to {lengths[-1]:g}"
        say(
            f"{screw.name:<{width}}  {thread.major_mm:5.2f} {thread.core_mm:5.2f}  {thread.pitch_mm:5.2f}  "
            f"{stocked:<13}  {screw.title}"
        )


def _describe(screw: Screw, length_mm: float | None, draw: Path | None, *, quiet: bool) -> None:
    from planner.solid import solid_of
    from viewer.console import say
    from viewer.outputs import write_output
    from viewer.screw_drawing import svg_drawing, text_drawing

    stocked = screw.stocked_lengths_mm
    drawn_mm = stocked[len(stocked) // 2] if length_mm is None else length_mm
    letters = text_drawing(solid_of(screw, drawn_mm)).splitlines()
    if draw is not None:
        write_output(draw, svg_drawing(screw, drawn_mm).encode())
    if quiet:
        return
    say(f"{screw.name}: {screw.title}")
    say(f"{drawn_mm:g} mm, from the datum plane ({screw.length_datum.replace('_', ' ')}):")
    for line in ("", *letters, ""):
        say(line)
    if screw.head is not None:
        say(
            f"head      {screw.head.shape}, {screw.head.diameter_mm:g} wide, {screw.head.height_mm:g} mm high"
        )
    say(
        f"shaft     {screw.shaft_mm:g} mm"
        + (f", cannula {screw.cannula_mm:g} mm" if screw.cannula_mm else "")
    )
    for thread in screw.threads:
        extent = "over the whole shaft" if thread.length_mm is None else f"{thread.length_mm:g} mm"
        say(
            f"thread    at the {thread.at.replace('_', ' ')}, {extent}: major {thread.major_mm:g}, core "
            f"{thread.core_mm:g}, pitch {thread.pitch_mm:g} mm, {thread.profile}"
        )
    holes = (("pilot hole", screw.pilot_mm), ("gliding hole", screw.gliding_mm))
    say(
        "drills    "
        + ", ".join(f"{what} {'unknown' if size is None else f'{size:g} mm'}" for what, size in holes)
    )
    say(f"material  {screw.material}")
    say("lengths   " + ", ".join(f"{stocked_mm:g}" for stocked_mm in stocked) + " mm")
    say(f"source    {screw.source}")
