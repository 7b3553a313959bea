"""Bring a displaced fragment back onto another by its fracture face and the outer cortex, or say why not.

Faces are found on both fragments (``fracture_face``), fitted from many starts (``rigid_fit``) and questioned
(``reduction_trust``). On phantoms with wavy cuts, displaced by 2 to 10 mm and 5 to 25°, the face comes back
to within 0.3 mm and 1°; see docs/reduction.md. What was lost between the fragments cannot be seen: a gap
of lost bone is closed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from segmentation.errors import InputError
from segmentation.fracture_face import Side, fracture_side
from segmentation.mirrored import template_starts
from segmentation.progress import Cancelled, Progress, check_not_stopped, silent
from segmentation.reduction_certainty import uncertainty
from segmentation.reduction_starts import NO_PAIRS, Pairs, starts
from segmentation.reduction_trust import (
    RIVAL_MM,
    Fit,
    apart_mm,
    fit_of,
    reasons_against,
    spread_mm,
)
from segmentation.rigid_fit import Points, carried, points_of, settled
from segmentation.vocabulary import Bone, Floats, Fragment, Surface, frozen_array

COARSE_COUNTS, FINE_COUNTS = (300, 200), (2500, 1500)
"""Moving face and outer points while starts are sorted out, and for the answer. Our choice: more change the
answer by less than 0.03 mm."""

COARSE_STEPS_COUNT = 6
"""Steps at each reach while starts are sorted out. Our choice."""

FINE_REACHES_MM, FINE_STEPS_COUNT = (1.5, 1.0), 12
"""How the best are settled. Our choice."""

PAIRS_MOST_MM = 8.0
"""A pair's points may end so far from each other. Our choice: twice the error of a hasty pick."""


@dataclass(frozen=True, eq=False)
class Reduction:
    """What came of moving fragment ``move`` onto ``onto``.

    ``pose`` (4, 4) takes the moved fragment from as scanned to where it fits ``onto`` in ``onto``'s pose.
    ``rotation_degree`` and ``shift_mm`` (of the middle of its face) are against where it was before.
    ``step_mm`` and ``bend_degree`` are the outer cortex's, None where too little is seen of it. The pose may
    be off by ``uncertainty_mm`` over the face and ``uncertainty_degree``. ``reasons`` say why it is not
    accepted; empty where it is.
    """

    move: int
    onto: int
    pose: Floats
    rotation_degree: float
    shift_mm: float
    residual_mm: float
    gap_mm: float
    step_mm: float | None
    bend_degree: float | None
    uncertainty_mm: float
    uncertainty_degree: float
    overlap_fraction: float
    spread_mm: float
    relief_mm: float
    agreement_fraction: float | None
    start: str
    reasons: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "pose", frozen_array(self.pose, np.float64))

    @property
    def accepted(self) -> bool:
        """Whether the pose may be used."""
        return not self.reasons


def reduce_fragment(
    bone: Bone,
    move: int,
    onto: int,
    *,
    pairs: Pairs = NO_PAIRS,
    mirror: Sequence[Surface] = (),
    seed: int = 1,
    progress: Progress = silent,
    cancelled: Cancelled | None = None,
) -> Reduction:
    """Fit fragment ``move`` of ``bone`` onto ``onto``; numbers as in ``bone.fragments``.

    ``mirror`` are the surfaces of the healthy side's bone, mirrored already or not: they are mirrored here.
    ``progress`` is told each step, ``cancelled`` asked between them. Raises InputError where no two fracture
    faces are found, and progress.StoppedError.
    """
    if move == onto:
        raise InputError("a fragment cannot be moved onto itself; give two different fragments")
    moving_fragment, fixed_fragment = bone.fragment(move), bone.fragment(onto)
    progress("looking for the fracture faces")
    fixed = fracture_side(bone.ct, fixed_fragment.surface, moving_fragment.surface)
    check_not_stopped(cancelled)
    moving = fracture_side(bone.ct, moving_fragment.surface, fixed_fragment.surface)
    for fragment, side in ((fixed_fragment, fixed), (moving_fragment, moving)):
        if not side.found:
            raise InputError(
                f"no fracture face of {fragment.name!r} looks at the other fragment, so they cannot be "
                "fitted together; choose two fragments that belong together"
            )
    return reduce_sides(
        fixed,
        moving,
        moving_fragment,
        fixed_fragment,
        pairs=pairs,
        mirror=mirror,
        seed=seed,
        progress=progress,
        cancelled=cancelled,
    )


def reduce_sides(
    fixed: Side,
    moving: Side,
    moving_fragment: Fragment,
    fixed_fragment: Fragment,
    *,
    pairs: Pairs = NO_PAIRS,
    mirror: Sequence[Surface] = (),
    seed: int = 1,
    progress: Progress = silent,
    cancelled: Cancelled | None = None,
) -> Reduction:
    """The same for sides already found."""
    check_not_stopped(cancelled)
    progress("fitting the faces from many starts")
    onto_points, move_points = points_of(fixed), points_of(moving)
    coarse, fine = (
        move_points.thinned(*counts, seed + order)
        for order, counts in enumerate((COARSE_COUNTS, FINE_COUNTS))
    )
    begun, how = [starts(fixed, moving)], ["the faces"] * len(starts(fixed, moving))
    if len(pairs.move_mm):
        begun.append(starts(fixed, moving, pairs))
        how += [f"{len(pairs.move_mm)} pairs"] * len(begun[-1])
    template = None
    if mirror:
        template, from_mirror = template_starts(mirror, fixed_fragment.surface, moving_fragment.surface, seed)
        begun.append(from_mirror)
        how += ["the mirrored side"] * len(from_mirror)
        check_not_stopped(cancelled)
    rested = settled(
        onto_points, coarse, np.concatenate(begun), steps_count=COARSE_STEPS_COUNT, template=template
    )
    fits = [fit_of(onto_points, coarse, pose) for pose in rested]
    scores = np.array([fit.score_ratio for fit in fits])
    check_not_stopped(cancelled)
    progress("settling the best fit")
    best = int(np.argmax(scores))
    pose = settled(
        onto_points, fine, rested[best][None], FINE_REACHES_MM, FINE_STEPS_COUNT, template=template
    )[0]
    check_not_stopped(cancelled)
    progress("questioning the fit")
    all_cortex = fixed.all_cortex and moving.all_cortex
    fit = fit_of(onto_points, move_points, pose, all_cortex=all_cortex)
    restarts_mm = spread_mm(onto_points, coarse, pose, template)
    off = uncertainty(onto_points, fine, pose, template)
    away = apart_mm(coarse, rested, pose)
    rivals = scores[away > RIVAL_MM]
    reasons = reasons_against(
        fit,
        restarts_mm,
        off,
        best_score_ratio=float(scores[best]),
        rival_score_ratio=float(rivals.max()) if len(rivals) else None,
    )
    reasons += _pairs_against(pairs, pose)
    return _result(
        moving_fragment, fixed_fragment, move_points, pose, fit, restarts_mm, off, how[best], reasons
    )


def _pairs_against(pairs: Pairs, pose: Floats) -> tuple[str, ...]:
    if not len(pairs.move_mm):
        return ()
    off = np.linalg.norm(carried(pose[None], pairs.move_mm)[0] - pairs.onto_mm, axis=1)
    worst = int(np.argmax(off))
    if off[worst] <= PAIRS_MOST_MM:
        return ()
    return (
        f"the points of pair {worst + 1} would lie {off[worst]:.1f} mm apart "
        f"(at most {PAIRS_MOST_MM:g} is believed)",
    )


def _result(
    moving: Fragment,
    fixed: Fragment,
    points: Points,
    pose: Floats,
    fit: Fit,
    restarts_mm: float,
    off: tuple[float, float],
    start: str,
    reasons: tuple[str, ...],
) -> Reduction:
    composed = fixed.pose @ pose
    change = composed @ np.linalg.inv(moving.pose)
    middle = points.face.mean(axis=0)[None]
    before, after = carried(moving.pose[None], middle)[0, 0], carried(composed[None], middle)[0, 0]
    return Reduction(
        move=moving.number,
        onto=fixed.number,
        pose=composed,
        rotation_degree=float(np.degrees(Rotation.from_matrix(change[:3, :3]).magnitude())),
        shift_mm=float(np.linalg.norm(after - before)),
        residual_mm=fit.residual_mm,
        gap_mm=fit.gap_mm,
        step_mm=fit.step_mm,
        bend_degree=fit.bend_degree,
        uncertainty_mm=off[0],
        uncertainty_degree=off[1],
        overlap_fraction=fit.overlap_fraction,
        spread_mm=restarts_mm,
        relief_mm=fit.relief_mm,
        agreement_fraction=fit.agreement_fraction,
        start=start,
        reasons=reasons,
    )


def with_reduction(bone: Bone, found: Reduction) -> Bone:
    """``bone`` with the moved fragment in its new pose: faces that fit make it one bone with the other."""
    moved = tuple(
        replace(one, pose=found.pose, bone=bone.fragment(found.onto).bone)
        if one.number == found.move
        else one
        for one in bone.fragments
    )
    return replace(bone, fragments=moved)
