"""``pilothole schema``: the published form of every JSON file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer


def schema(
    what: Annotated[
        Literal["plan", "bone", "assessment", "screws", "rods", "pairs", "seeds", "site"] | None,
        typer.Argument(
            metavar="[plan|bone|assessment|screws|rods|pairs|seeds|site]",
            help="One of them (default: all).",
        ),
    ] = None,
    json: Annotated[
        Path, typer.Option(metavar="FILE", help="Where to write (- for standard output).")
    ] = Path("-"),
) -> None:
    """Print the JSON Schema (2020-12) of what is read and written.

    \b
    Examples:
      pilothole schema plan
      pilothole schema --json schemas.json
    """
    from planner.assessment_file import assessment_schema
    from planner.catalogue import catalogue_schema
    from planner.plan_file import plan_schema
    from planner.site_file import site_schema
    from segmentation.bone_file import bone_schema
    from segmentation.files import canonical_json
    from segmentation.pairs_file import pairs_schema
    from segmentation.rods_file import rods_schema
    from segmentation.seeds import seeds_schema
    from viewer.outputs import check_output, write_output

    schemas = {
        "plan": plan_schema,
        "bone": bone_schema,
        "assessment": assessment_schema,
        "screws": catalogue_schema,
        "rods": rods_schema,
        "pairs": pairs_schema,
        "seeds": seeds_schema,
        "site": site_schema,
    }
    check_output(json)
    document = {name: make() for name, make in schemas.items()} if what is None else schemas[what]()
    write_output(json, canonical_json(document))
