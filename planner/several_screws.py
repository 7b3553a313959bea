"""What the screws of a plan are to each other, and how far a tip lies from the apex of a ball-shaped head.

Distances, triangle and shares are those of ``screw_group.py``, the tip–apex distance that of ``tip_apex.py``;
here they meet a plan on a bone. A screw bridges a fracture where its tip lies beyond it. The apex is where a
line through the middle of the head, parallel to the screw, meets the joint: for a screw along the neck that
is the textbook's apex.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from planner.collisions import EXACT_BELOW_MM
from planner.fatigue import ranking
from planner.fracture_gaps import Gap
from planner.materials import METALS
from planner.mechanics_vocabulary import BridgedFracture, ScrewPair, SeveralScrews, TipApex
from planner.path import Path
from planner.prepared import PreparedBone
from planner.screw_group import (
    PARALLEL_DEGREE,
    angle_between_degree,
    axes_apart_mm,
    shares_fraction,
    shares_without,
    spread_mm,
    triangle_area_mm2,
)
from planner.tip_apex import (
    BALL_ERROR_MM,
    FRONTAL,
    LATERAL,
    ball_of,
    projected_mm,
    within_limit,
)
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats, FractureSurface

FEWEST_POINTS_COUNT = 50
"""A joint surface with fewer points is no ball to be found. Our choice."""

NO_JOINT = "no joint surface was given or found on this bone"
NO_BALL = "the joint surface is not a ball"
NOT_IN_HEAD = "the tip does not lie in the ball that the joint surface belongs to"


def several_screws(
    prepared: PreparedBone,
    paths: Sequence[Path],
    results: Sequence[ScrewResult],
    gaps: Sequence[Sequence[Gap]],
    apart_mm: Mapping[tuple[int, int], float],
) -> SeveralScrews | None:
    """What the screws of a plan are to each other; None for a single screw.

    ``gaps`` are the fractures on each axis, ``apart_mm`` the gaps between the solids of every two screws.
    """
    if len(paths) < 2:
        return None
    pairs = tuple(_pair(paths[one], paths[other], gap_mm) for (one, other), gap_mm in apart_mm.items())
    largest = max(pair.angle_degree for pair in pairs)
    crossing: dict[tuple[int, int], list[tuple[Path, ScrewResult, Gap]]] = {}
    for path, result, own in zip(paths, results, gaps, strict=True):
        for gap in own:
            if path.tip_depth_mm > gap.to_mm and path.placed.seat_depth_mm < gap.from_mm:
                low, high = sorted(gap.between)
                crossing.setdefault((low, high), []).append((path, result, gap))
    endured = {
        result.placed.name: result.strength.fatigue.endured_factor for result in results if result.strength
    }
    return SeveralScrews(
        pairs=pairs,
        largest_angle_degree=largest,
        parallel=largest <= PARALLEL_DEGREE,
        fractures=tuple(_bridged(prepared, between, those) for between, those in sorted(crossing.items())),
        fatigue_order=ranking(endured),
    )


def tip_apex_of(prepared: PreparedBone, path: Path) -> tuple[TipApex | None, str | None]:
    """The tip–apex distance of a screw in a ball-shaped joint, or why there is none."""
    joint = prepared.joint_of(path.bone_name)
    if joint is None:
        return None, NO_JOINT
    if len(joint.vertices_mm) < FEWEST_POINTS_COUNT:
        return None, NO_BALL
    centre, radius_mm, miss_mm = ball_of(joint.vertices_mm)
    if miss_mm > BALL_ERROR_MM:
        return None, NO_BALL
    tip = path.point_mm(path.tip_depth_mm)
    if np.linalg.norm(tip - centre) > radius_mm:
        return None, NOT_IN_HEAD
    apex = centre + radius_mm * path.direction
    frontal_mm, lateral_mm = projected_mm(tip, apex, FRONTAL), projected_mm(tip, apex, LATERAL)
    return TipApex(
        distance_mm=frontal_mm + lateral_mm,
        frontal_mm=frontal_mm,
        lateral_mm=lateral_mm,
        straight_mm=float(np.linalg.norm(tip - apex)),
        apex_mm=(float(apex[0]), float(apex[1]), float(apex[2])),
        ball_radius_mm=radius_mm,
        within_head_limit=within_limit(frontal_mm + lateral_mm),
    ), None


def _pair(one: Path, other: Path, gap_mm: float) -> ScrewPair:
    angle_degree = angle_between_degree(one.direction, other.direction)
    return ScrewPair(
        screws=(one.placed.name, other.placed.name),
        gap_mm=gap_mm,
        gap_at_least=gap_mm > EXACT_BELOW_MM,
        axes_apart_mm=axes_apart_mm(_ends_mm(one), _ends_mm(other)),
        angle_degree=angle_degree,
        parallel=angle_degree <= PARALLEL_DEGREE,
    )


def _ends_mm(path: Path) -> tuple[Floats, Floats]:
    return path.point_mm(path.placed.seat_depth_mm), path.point_mm(path.tip_depth_mm)


def _bridged(
    prepared: PreparedBone, between: tuple[int, int], those: Sequence[tuple[Path, ScrewResult, Gap]]
) -> BridgedFracture:
    points = np.array([path.point_mm(gap.middle_mm) for path, _, gap in those])
    stiffness = {path.placed.name: _stiffness_n_mm2(path, result) for path, result, _ in those}
    area_mm2 = triangle_area_mm2(points)
    surface = next((one for one in prepared.bone.fractures if set(one.between) == set(between)), None)
    share = off_mm = None
    if surface is not None and all(gap.crossing is not None for _, _, gap in those) and area_mm2 > 0:
        share = area_mm2 / surface.area_mm2
        off_mm = float(np.linalg.norm(points.mean(axis=0) - _middle_mm(surface)))
    return BridgedFracture(
        between=between,
        screws=tuple(stiffness),
        spread_mm=spread_mm(points),
        triangle_area_mm2=area_mm2,
        triangle_of_fracture_fraction=share,
        triangle_off_middle_mm=off_mm,
        shares=shares_fraction(stiffness),
        when_lost=_when_lost(stiffness),
    )


def _when_lost(stiffness: Mapping[str, float]) -> dict[str, dict[str, float]]:
    return {name: shares_without(stiffness, [name]) for name in stiffness}


def _stiffness_n_mm2(path: Path, result: ScrewResult) -> float:
    """E·I of a nominal screw where the fracture is, else at its weakest."""
    if result.strength is None:
        raise ValueError(f"screw {path.placed.name} has no strength to share a load by")
    section = result.strength.at_fracture or result.strength.weakest
    return METALS[path.placed.screw.material].elastic_mpa.estimate * section.second_moment_mm4


def _middle_mm(surface: FractureSurface) -> Floats:
    """Middle of a fracture's surface, by area."""
    corners = surface.surface.vertices_mm[surface.surface.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    weights = np.linalg.norm(across, axis=1)
    return np.asarray(np.average(corners.mean(axis=1), axis=0, weights=weights))
