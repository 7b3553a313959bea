"""``pilothole scan``: what a file or folder holds and what would be loaded, before anything is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from segmentation.scan import Scan


def scan(
    path: Annotated[
        Path, typer.Argument(metavar="PATH", help="A NIfTI file, DICOM folder, zip file or DICOMDIR.")
    ],
    series: Annotated[
        int | None, typer.Option(metavar="N", help="Ask about series N instead of the one found.")
    ] = None,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write as JSON too (- for standard output).")
    ] = None,
) -> None:
    """Say what is there and what would be loaded, before anything is.

    \b
    Examples:
      pilothole scan dicom/
      pilothole scan study.zip --json -

    Only headers are read, and some slices of what would load for a word on the kernel; nothing that tells
    who the patient is. A series is chosen by its number here:
    pilothole segment dicom/ --series 2 --out case.
    """
    from segmentation.files import canonical_json
    from segmentation.scan import scan_ct, scan_document
    from viewer.console import working
    from viewer.outputs import STANDARD_OUTPUT, check_output, write_output

    check_output(json, inputs=(path,))
    with working("scan") as progress:
        progress("reading headers")
        told = scan_ct(path, series, look=True)
    write_output(json, canonical_json(scan_document(told)))
    if json != STANDARD_OUTPUT:
        _tell(told)


def _tell(told: Scan) -> None:
    from viewer.console import say

    say(f"{told.kind}: {len(told.found)} series")
    for one in told.found:
        say(f"  {one.number}  {one.title}")
        if one.grid is not None:
            shape, spacing_mm = one.grid.shape, one.grid.spacing_mm
            say(
                f"     loads as {'×'.join(map(str, shape))} voxels of"
                f" {'×'.join(f'{edge_mm:.3g}' for edge_mm in spacing_mm)} mm"
            )
        if one.refusal:
            say(f"     does not load: {one.refusal}")
        for note in one.notes:
            say(f"     note: {note}")
    for what, count in told.left_out.items():
        say(f"  left out: {count} × {what}")
    for note in told.notes:
        say(f"  note: {note}")
    say(f"would load {f'nothing: {told.refusal}' if told.loads is None else f'series {told.loads}'}")
