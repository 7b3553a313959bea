"""From what a person says about two fragments of a case to a reduction, in words and as a document."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from segmentation.errors import InputError
from viewer.console import Progress

if TYPE_CHECKING:
    from segmentation.reduction import Reduction
    from segmentation.reduction_starts import Pairs
    from segmentation.vocabulary import Bone, Fragment, Surface

PAIR_OFF_MM = 10.0
"""A pair's place lies no farther than this from its fragment. Our choice: beyond it the frame is wrong."""

FLAT = (
    "the faces are flat, so nothing in them shows that the two belong together: the outer cortex decides, "
    "look at it"
)
NO_STEP = "too little outer cortex is seen on both sides"
NO_RELIEF = "the faces are too flat to compare their relief"


def fragment_called(bone: Bone, word: str) -> Fragment:
    """The fragment of that name or number. Raises InputError where there is none."""
    from segmentation.documents import nearest
    from segmentation.files import shown

    for fragment in bone.fragments:
        if fragment.name == word:
            return fragment
    if word.isascii() and word.isdigit() and 1 <= int(word) <= len(bone.fragments):
        return bone.fragment(int(word))
    known = nearest(word, [fragment.name for fragment in bone.fragments])
    raise InputError(f"the case has no fragment {shown(word)} ({known}); give a name or a number")


def reduced(
    case: Path, move: str, onto: str, pairs: Path | None, mirror: Path | None, progress: Progress
) -> tuple[Bone, Reduction]:
    """The bone of a case and how fragment ``move`` fits ``onto``; InputError where it may not be believed."""
    from segmentation.case import check_case, read_case
    from segmentation.pairs_file import read_pairs
    from segmentation.reduction import reduce_fragment
    from segmentation.reduction_starts import NO_PAIRS

    check_case(case)
    given = NO_PAIRS if pairs is None else read_pairs(pairs)
    progress("reading the case")
    bone = read_case(case)
    moving, fixed = fragment_called(bone, move), fragment_called(bone, onto)
    check_pairs(given, moving, fixed)
    healthy: Sequence[Surface] = ()
    if mirror is not None:
        progress("reading the healthy side")
        healthy = _mirror_surfaces(mirror, moving.bone)
    found = reduce_fragment(bone, moving.number, fixed.number, pairs=given, mirror=healthy, progress=progress)
    check_accepted(bone, found)
    return bone, found


def check_accepted(bone: Bone, found: Reduction) -> None:
    """Raise InputError with the reasons where a fit may not be believed."""
    if not found.accepted:
        moving, fixed = bone.fragment(found.move), bone.fragment(found.onto)
        raise InputError(
            f"{moving.name!r} was not moved onto {fixed.name!r}: {'; '.join(found.reasons)}; nothing was "
            "written: check that they belong together, or give point pairs or the mirrored side"
        )


def check_pairs(pairs: Pairs, moving: Fragment, fixed: Fragment) -> None:
    """Raise InputError where a pair's place is far from its fragment."""
    for key, points, fragment in (("move_mm", pairs.move_mm, moving), ("onto_mm", pairs.onto_mm, fixed)):
        for number, point in enumerate(points, start=1):
            away = float(np.sqrt(((fragment.surface.vertices_mm - point) ** 2).sum(axis=1).min()))
            if away > PAIR_OFF_MM:
                raise InputError(
                    f"{key} of pair {number} lies {away:.0f} mm from {fragment.name!r} (at most "
                    f"{PAIR_OFF_MM:g}); give a place on it, as scanned, in RAS+ mm"
                )


def _mirror_surfaces(case: Path, bone_name: str) -> list[Surface]:
    """The surfaces of the bone of that name, or of the largest, in the healthy side's case."""
    from segmentation.case import read_case

    healthy = read_case(case)
    volumes: dict[str, float] = {}
    for fragment in healthy.fragments:
        volumes[fragment.bone] = volumes.get(fragment.bone, 0.0) + fragment.volume_mm3
    chosen = bone_name if bone_name in volumes else max(volumes, key=lambda name: volumes[name])
    return [fragment.surface for fragment in healthy.fragments if fragment.bone == chosen]


def reduction_lines(bone: Bone, found: Reduction) -> Iterator[str]:
    """The reduction in words."""
    move, onto = bone.fragment(found.move), bone.fragment(found.onto)
    yield (
        f"{move.name} moved onto {onto.name}: turned by {found.rotation_degree:.1f}°, shifted by "
        f"{found.shift_mm:.1f} mm (begun from {found.start})"
    )
    step = f"unknown ({NO_STEP})" if found.step_mm is None else f"{found.step_mm:.2f} mm"
    yield f"  step of the outer cortex {step}, gap between the faces {found.gap_mm:+.2f} mm (median)"
    yield (
        f"  faces lie {found.residual_mm:.2f} mm off each other (RMS) and cover "
        f"{100 * found.overlap_fraction:.0f} % of each other; restarts end within {found.spread_mm:.2f} mm"
    )
    bend = "" if found.bend_degree is None else f"; the outer cortex bends by {found.bend_degree:.1f}° there"
    yield (
        f"  the pose may be off by {found.uncertainty_mm:.2f} mm and {found.uncertainty_degree:.1f}°{bend}"
    )
    if found.agreement_fraction is None:
        yield f"  note: {FLAT}"
    else:
        yield f"  {100 * found.agreement_fraction:.0f} % of their relief ({found.relief_mm:.2f} mm) agrees"
    if move.bone != onto.bone:
        yield f"  {move.name} is taken as a fragment of {onto.bone} from now on"
    yield "  bone lost between the fragments cannot be seen: its gap would have been closed"


def reduction_document(bone: Bone, found: Reduction) -> dict[str, Any]:
    """The reduction as a JSON document."""
    from planner.findings import CAUTIONS

    reasons = {}
    if found.step_mm is None:
        reasons["step_mm"] = reasons["bend_degree"] = NO_STEP
    if found.agreement_fraction is None:
        reasons["agreement_fraction"] = NO_RELIEF
    move, onto = bone.fragment(found.move), bone.fragment(found.onto)
    return {
        "format": "pilothole-reduction",
        "version": 1,
        "cautions": list(CAUTIONS),
        "move": {"number": move.number, "name": move.name},
        "onto": {"number": onto.number, "name": onto.name},
        "pose": found.pose.tolist(),
        "rotation_degree": found.rotation_degree,
        "shift_mm": found.shift_mm,
        "residual_mm": found.residual_mm,
        "gap_mm": found.gap_mm,
        "step_mm": found.step_mm,
        "bend_degree": found.bend_degree,
        "uncertainty_mm": found.uncertainty_mm,
        "uncertainty_degree": found.uncertainty_degree,
        "overlap_fraction": found.overlap_fraction,
        "spread_mm": found.spread_mm,
        "relief_mm": found.relief_mm,
        "agreement_fraction": found.agreement_fraction,
        "start": found.start,
        "reasons": reasons,
    }
