"""From a bone and a plan to the numbers: the steps in order, for every screw."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from importlib.metadata import version
from typing import Any

from planner.angular_stability import with_stability
from planner.collisions import gaps_between_mm, gaps_to_others
from planner.demands import Demands
from planner.findings import CAUTIONS, findings_of
from planner.fracture_gaps import Gap, gaps_on_axis
from planner.limits import Limits
from planner.mechanics import with_mechanics
from planner.one_screw import measured
from planner.path import Path, crossed_fragments, trace
from planner.posed import moves
from planner.prepared import PreparedBone, prepare
from planner.several_screws import several_screws
from planner.shear_laws import LAW_NAMES
from planner.vocabulary import Assessment, PlacedScrew, Plan, ScrewResult
from planner.whole_hold import LAW
from segmentation.errors import InputError
from segmentation.vocabulary import NO_DATA_BELOW_HU, Bone


@dataclass(frozen=True, eq=False)
class ReadyBone:
    """A prepared bone and what is asked of its CT for every screw: build it once, measure many screws.

    ``known`` keeps what was measured last of each screw by itself: a screw that is not moved, such as the
    others of a plan while one is dragged, is not measured again.
    """

    prepared: PreparedBone
    has_no_data: bool
    as_scanned: bool = False
    known: list[_Alone] = field(default_factory=list, repr=False)


@dataclass(frozen=True, eq=False)
class _Alone:
    """One screw measured by itself: without the plan's others, and without findings."""

    placed: PlacedScrew
    demands: Demands
    path: Path
    result: ScrewResult
    gaps: tuple[Gap, ...]


def ready(bone: Bone, *, as_scanned: bool = False) -> ReadyBone:
    """``bone`` ready for ``assess_screws``, reduced or ``as_scanned``. Takes about a second for a large bone;
    then a screw takes milliseconds."""
    return ReadyBone(
        prepare(bone, as_scanned=as_scanned), bool((bone.ct.hu < NO_DATA_BELOW_HU).any()), as_scanned
    )


def assess(
    bone: Bone, plan: Plan, *, limits: Limits | None = None, demands: Demands | None = None
) -> Assessment:
    """Every number the project exists for, for every screw of ``plan`` on ``bone``.

    Raises InputError when an axis misses the bone. See ``planner.vocabulary`` for what is in the result.

    >>> from demo_volumes.make import make_demo
    >>> from planner.catalogue import built_in_screws
    >>> from planner.plan_file import plan_of
    >>> from segmentation.recipe import segment
    >>> demo = make_demo("foam-block", voxel_mm=1.0)
    >>> bone = segment(demo.ct, threshold_hu=demo.truth["level_hu"], host="foam")
    >>> screw = assess(bone, plan_of(demo.plan, built_in_screws())).screws[0]
    >>> print(f"{screw.bone_length_mm:.0f} mm of bone, {screw.fragments[0].threads_engaged:.1f} threads")
    42 mm of bone, 7.5 threads
    >>> screw.pullout_n is None, screw.reasons["pullout_n"]
    (True, 'the hold in fragment 1 is not known')
    """
    return assess_screws(
        ready(bone, as_scanned=plan.pose == "as-scanned"), plan, limits=limits, demands=demands
    )


def assess_screws(
    bone: ReadyBone, plan: Plan, *, limits: Limits | None = None, demands: Demands | None = None
) -> Assessment:
    """The same as ``assess``, on a bone made ready before."""
    limits, demands = limits or Limits(), demands or Demands()
    moved = any(moves(fragment.pose) for fragment in bone.prepared.bone.fragments)
    if moved and bone.as_scanned != (plan.pose == "as-scanned"):
        raise InputError(
            f"the plan's points are {plan.pose}, the bone was made ready the other way: make it ready so too"
        )
    every = [_alone(bone, placed, demands) for placed in plan.screws]
    bone.known[:] = every
    paths, all_gaps = [one.path for one in every], [one.gaps for one in every]
    apart_mm = gaps_between_mm(paths)
    screws = []
    for index, one in enumerate(every):
        others = gaps_to_others(paths, index, apart_mm)
        found = findings_of(bone.prepared, one.path, one.result, others, limits)
        screws.append(replace(one.result, findings=found))
    return Assessment(
        tuple(screws),
        _bone_facts(bone.prepared.bone, plan),
        _made_with(bone.prepared.bone, limits, demands),
        CAUTIONS,
        several_screws(bone.prepared, paths, screws, all_gaps, apart_mm),
    )


def _alone(bone: ReadyBone, placed: PlacedScrew, demands: Demands) -> _Alone:
    """One screw by itself, measured or known from the call before."""
    for one in bone.known:
        if one.placed is placed and one.demands == demands:
            return one
    prepared = bone.prepared
    path = trace(prepared, placed)
    by_itself = measured(prepared, path, has_no_data=bone.has_no_data)
    stable = with_stability(by_itself, prepared.bone.host)
    gaps = gaps_on_axis(path, crossed_fragments(path, prepared), stable.fractures)
    return _Alone(placed, demands, path, with_mechanics(prepared, path, stable, gaps, demands), gaps)


def _bone_facts(bone: Bone, plan: Plan) -> dict[str, Any]:
    """What a reader of the numbers must know of the bone."""
    calibration = bone.calibration
    return {
        "host": bone.host,
        "threshold_hu": bone.segmentation.threshold_hu,
        "threshold_reason": bone.segmentation.threshold_reason,
        "voxel_mm": [float(step) for step in bone.ct.grid.spacing_mm],
        "calibration": None
        if calibration is None
        else {
            "kind": calibration.kind,
            "slope_mg_cm3_per_hu": calibration.slope_mg_cm3_per_hu,
            "intercept_mg_cm3": calibration.intercept_mg_cm3,
            "standard_error_fraction": calibration.standard_error_fraction,
            "source": calibration.source,
            "slope_standard_error_mg_cm3_per_hu": calibration.slope_standard_error_mg_cm3_per_hu,
            "intercept_standard_error_mg_cm3": calibration.intercept_standard_error_mg_cm3,
            "slope_intercept_correlation_ratio": calibration.slope_intercept_correlation_ratio,
        },
        "calibration_reason": bone.calibration_reason,
        "fragments": [
            {"number": f.number, "name": f.name, "bone": f.bone, "volume_mm3": f.volume_mm3}
            for f in bone.fragments
        ],
        "pose": plan.pose,
        "reduced": [f.number for f in bone.fragments if moves(f.pose)],
        "joint": bone.joint is not None,
        "notes": list(bone.segmentation.notes) + list(bone.ct.notes),
    }


def _made_with(bone: Bone, limits: Limits, demands: Demands) -> dict[str, Any]:
    """Versions, digests and settings: what another person needs to get the same numbers."""
    return {
        **_versions(),
        "digests": dict(bone.digests) or {"ct": bone.ct.digest},
        "settings": {
            "shear_law": LAW_NAMES[bone.host].name,
            "shear_law_source": LAW_NAMES[bone.host].source,
            "pull_out": LAW,
            "limits": dict(vars(limits)),
            "demands": dict(vars(demands)),
        },
    }


@cache
def _versions() -> dict[str, str]:
    return {package: version(package) for package in ("pilothole", "numpy", "scipy")}
