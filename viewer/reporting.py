"""What a report tells of a case: the numbers of ``measure``, and what is asked beside them.

The bone is made ready once for the screws of the plan, the variants that are set side by side and how
forgiving each screw is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from viewer.console import Progress

if TYPE_CHECKING:
    from planner.asked import Asked
    from planner.compare import Comparison, Wanted
    from planner.vocabulary import Assessment
    from segmentation.vocabulary import Bone


@dataclass(frozen=True, eq=False)
class Told:
    """The bone of a case, the assessment of its plan, and what was compared (None: nothing)."""

    bone: Bone
    assessment: Assessment
    comparison: Comparison | None = None


def told_of_case(
    folder: Path,
    catalogue: Path | None,
    asked: Asked,
    compared: tuple[Wanted, Asked] | None,
    progress: Progress,
) -> Told:
    """What a report tells of the case in ``folder`` and its own plan, with all that is ``asked`` of it.

    ``compared`` are the variants to be set side by side and what is asked of them, whose doubt is drawn.
    Raises InputError as ``measure`` and ``compare`` do.
    """
    from planner.asked import assess_asked
    from planner.assess import ready
    from planner.compare import compare
    from viewer.pipeline import bone_and_plan, screws_known

    bone, plan = bone_and_plan(folder, None, catalogue, progress, as_scanned=False)
    progress("measuring")
    prepared = ready(bone, as_scanned=plan.pose == "as-scanned")
    told = Told(bone, assess_asked(prepared, plan, asked))
    if compared is not None:
        progress("comparing")
        told = replace(told, comparison=compare(prepared, plan, screws_known(catalogue), *compared))
    return told
