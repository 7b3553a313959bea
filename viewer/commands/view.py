"""``pilothole view``: place screws with your hands, in a page of your own browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def view(
    case: Annotated[Path | None, typer.Argument(metavar="[CASE]", help="A case folder.")] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Only print the address; open nothing.")
    ] = False,
    port: Annotated[int, typer.Option(metavar="N", min=0, max=65535, help="Port; 0 takes a free one.")] = 0,
    frame: Annotated[
        str | None,
        typer.Option(
            metavar="ORIGIN", help="A page of this computer, such as a notebook, that may show it in a frame."
        ),
    ] = None,
    catalogue: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A catalogue of your own screws.")
    ] = None,
) -> None:
    """Open a page in which screws are placed, dragged and compared; every number follows the hand.

    The page is served to this computer only, and each change is kept in the case's plan.json. End it with
    Ctrl C.

    \b
    Examples:
      pilothole view case
      pilothole view                      choose a demo bone, a CT or a case
      pilothole view case --no-browser    print the address for a browser of your choice
    """
    from viewer.bench.gate import loopback_origin
    from viewer.bench.start import view_case

    frame_origin = None if frame is None else loopback_origin(frame)
    view_case(case, open_browser=not no_browser, port=port, catalogue=catalogue, frame_origin=frame_origin)
