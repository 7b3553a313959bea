"""Options that several commands take, declared once: what is asked of the screws, and which are compared.

A command names each as the type of an argument, with the default of its own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

PlacedHow = Literal["freehand", "guided", "plate-guided"]

Load = Annotated[
    str | None,
    typer.Option(metavar="N,MM", help="A load across each screw and its lever to the weakest section."),
]
Compression = Annotated[
    float | None,
    typer.Option("--compression", metavar="N", help="Compression to reach: tells the torque for it."),
]
Torque = Annotated[
    float | None,
    typer.Option("--torque", metavar="N_M", help="A tightening torque: tells its compression."),
]
UnionWeeks = Annotated[
    int | None, typer.Option(metavar="WEEKS", help="Weeks to union, asked of resorbable screws.")
]
Doubt = Annotated[
    PlacedHow | None,
    typer.Option(help="Draw all that is in doubt, the screw placed so: 5-95 % and how often limits hold."),
]
Draws = Annotated[int, typer.Option(metavar="N", help="Draws for each screw.")]
Seed = Annotated[int, typer.Option(metavar="N", help="The same seed gives the same draws.")]
Site = Annotated[
    str | None,
    typer.Option(
        metavar="NAME|FILE.json", help="Limits and length rule of a site: scaphoid, pelvis … or your own."
    ),
]
Catalogue = Annotated[Path | None, typer.Option(metavar="FILE", help="A catalogue of your own screws.")]
AsScanned = Annotated[
    bool, typer.Option("--as-scanned", help="Take the plan's points as scanned, not as reduced.")
]

ComparedPath = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="Compare on one planned screw's path (default: each of them)."),
]
ComparedScrews = Annotated[
    list[str] | None, typer.Option(metavar="NAME", help="A screw to compare there; give several.")
]
ComparedLengths = Annotated[
    list[float] | None, typer.Option(metavar="MM", help="A marked length to compare; give several.")
]
ComparedTechniques = Annotated[
    list[str] | None,
    typer.Option(metavar="position|lag|locking", help="A technique to compare; give several."),
]
