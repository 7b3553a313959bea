"""``pilothole reduce``: a displaced fragment is brought back onto another, or it is said why not."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def reduce(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="A case folder.")],
    move: Annotated[str, typer.Option(metavar="FRAGMENT", help="The fragment to move: its name or number.")],
    onto: Annotated[
        str | None, typer.Option(metavar="FRAGMENT", help="The fragment it is brought back onto.")
    ] = None,
    pairs: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Places on both that belong together, as JSON.")
    ] = None,
    mirror: Annotated[
        Path | None, typer.Option(metavar="CASE", help="The healthy side's case; it is mirrored here.")
    ] = None,
    as_scanned: Annotated[
        bool, typer.Option("--as-scanned", help="Put the fragment back to where it was scanned.")
    ] = False,
    json: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the numbers as JSON (- for standard output)."),
    ] = None,
) -> None:
    """Bring a displaced fragment back onto another by their fracture faces and the outer cortex.

    \b
    Examples:
      pilothole reduce case --move distal --onto proximal
      pilothole reduce case --move 2 --onto 1 --pairs pairs.json
      pilothole reduce case --move 2 --onto 1 --mirror healthy-case
      pilothole reduce case --move 2 --as-scanned        the way back

    The pose is kept in the case's bone.json; the assessment and the report made before it are removed. A fit
    that cannot be believed is refused with the reason, and nothing is written.
    """
    import numpy as np

    from segmentation.case import check_case, read_case, write_poses
    from segmentation.errors import InputError
    from segmentation.files import canonical_json
    from viewer.console import say, working
    from viewer.outputs import check_output, write_output
    from viewer.pipeline import check_target
    from viewer.reducing import fragment_called, reduced, reduction_document, reduction_lines
    from viewer.summary import tell_cautions

    check_case(case)
    check_target(case, replace=True)
    check_output(json, inputs=(pairs,))
    if as_scanned:
        given = {"--onto": onto, "--pairs": pairs, "--mirror": mirror, "--json": json}
        if odd := [name for name, value in given.items() if value is not None]:
            raise InputError(f"--as-scanned takes only --move (got {', '.join(odd)} too); leave the rest out")
        fragment = fragment_called(read_case(case), move)
        write_poses(case, {fragment.number: np.eye(4)})
        say(f"{fragment.name} stands where it was scanned")
        return
    if onto is None:
        raise InputError("--onto is missing: name the fragment to bring it back onto, or give --as-scanned")
    with working("reduce") as progress:
        bone, found = reduced(case, move, onto, pairs, mirror, progress)
        progress("writing the pose")
        write_poses(case, {found.move: found.pose}, {found.move: bone.fragment(found.onto).bone})
    write_output(json, canonical_json(reduction_document(bone, found)))
    if json != Path("-"):
        for line in reduction_lines(bone, found):
            say(line)
        tell_cautions()
