"""What a report tells of a case: the numbers of ``measure``, and what is asked beside them.

The bone is made ready once for the screws of the plan, the variants that are set side by side, how forgiving
each screw is and what each entry could reach.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from viewer.console import Progress

if TYPE_CHECKING:
    from planner.asked import Asked
    from planner.assess import ReadyBone
    from planner.compare import Comparison, Wanted
    from planner.entry_map import EntryMap
    from planner.forgiveness import Forgiveness
    from planner.limits import Limits
    from planner.search_space import SearchSpace
    from planner.vocabulary import Assessment, PlacedScrew, Plan
    from segmentation.vocabulary import Bone


@dataclass(frozen=True, eq=False)
class Told:
    """The bone of a case, the assessment of its plan, what was compared (None: nothing), how
    forgiving each screw is and what each entry could reach, in the plan's order (empty: not asked)."""

    bone: Bone
    assessment: Assessment
    comparison: Comparison | None = None
    forgiven: tuple[Forgiveness, ...] = ()
    mapped: tuple[EntryMap, ...] = ()


def told_of_case(
    folder: Path,
    plan: Path | None,
    catalogue: Path | None,
    asked: Asked,
    compared: tuple[Wanted, Asked] | None,
    progress: Progress,
    *,
    forgiving: bool,
    mapping: bool,
    as_scanned: bool,
) -> Told:
    """What a report tells of the case in ``folder`` and ``plan`` (None: its own), with all that is ``asked``.

    ``compared`` are the variants to be set side by side and what is asked of them, whose doubt is drawn.
    ``forgiving``: how far each screw may be off is looked for too, ``mapping``: what each entry could reach
    with a screw's family; both with a cache of distances in the case.
    Raises InputError as ``measure`` and ``compare`` do.
    """
    from planner.asked import assess_asked
    from planner.assess import ready
    from planner.compare import compare
    from viewer.pipeline import bone_and_plan, screws_known

    bone, read = bone_and_plan(folder, plan, catalogue, progress, as_scanned=as_scanned)
    progress("measuring")
    prepared = ready(bone, as_scanned=read.pose == "as-scanned")
    told = Told(bone, assess_asked(prepared, read, asked))
    if compared is not None:
        progress("comparing")
        told = replace(told, comparison=compare(prepared, read, screws_known(catalogue), *compared))
    if not (forgiving or mapping):
        return told
    spaces = _spaces(folder, prepared, told.assessment)
    if forgiving:
        progress("looking how forgiving the screws are")
        told = replace(told, forgiven=_forgiven(spaces, prepared, read, told.assessment, asked.limits))
    if mapping:
        progress("looking what each entry could reach")
        told = replace(told, mapped=_mapped(spaces, prepared, read, told.assessment, asked.limits))
    return told


def _spaces(folder: Path, bone: ReadyBone, assessment: Assessment) -> dict[str, SearchSpace]:
    """The search space of each bone that has a screw."""
    from viewer.searching import space_of_case

    names = dict.fromkeys(result.bone_name for result in assessment.screws)
    return {name: space_of_case(folder, bone, name) for name in names}


def _forgiven(
    spaces: dict[str, SearchSpace], bone: ReadyBone, plan: Plan, assessment: Assessment, limits: Limits
) -> tuple[Forgiveness, ...]:
    """How forgiving each screw is with the others where they stand."""
    from planner.forgiveness import forgiveness
    from planner.search import rods_of
    from planner.search_measure import measure_of
    from planner.search_screws import screw_table

    found = []
    for result in assessment.screws:
        placed = result.placed
        # Its own length alone is looked at, stocked or not.
        screw = replace(placed.screw, stocked_lengths_mm=(placed.length_mm,))
        measure = measure_of(
            bone.prepared,
            spaces[result.bone_name],
            screw_table([screw]),
            limits,
            rods_of(bone, _without(plan, placed)),
            across_fracture=sum(fragment.axis_path_mm > 0 for fragment in result.fragments) > 1,
            safe=False,
        )
        found.append(forgiveness(measure, replace(placed, screw=screw)))
    return tuple(found)


def _mapped(
    spaces: dict[str, SearchSpace], bone: ReadyBone, plan: Plan, assessment: Assessment, limits: Limits
) -> tuple[EntryMap, ...]:
    """What each entry could reach with each screw's family, the others where they stand."""
    from planner.entry_map import entry_map

    return tuple(
        entry_map(
            bone,
            spaces[result.bone_name],
            [result.placed.screw],
            limits=limits,
            kept=_without(plan, result.placed),
        )
        for result in assessment.screws
    )


def _without(plan: Plan, placed: PlacedScrew) -> Plan:
    return replace(plan, screws=tuple(other for other in plan.screws if other is not placed))
