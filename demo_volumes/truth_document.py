"""The document that goes beside a demo CT: what is planned, and what a perfect planner would measure.

Points are given in patient mm (RAS), numbers in the units of their names. A null has its reason in
``reasons``. ``tolerances_mm`` says how exact the truth itself is.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from demo_volumes.pieces import where_scanned
from demo_volumes.scene import DemoBone, Fracture, PlannedScrew, Scene, naming_point
from demo_volumes.screw_forms import DemoScrew, demo_screw
from demo_volumes.shapes import Field, Triple
from demo_volumes.surface_points import (
    area_mm2,
    outer_surface,
    points_on,
    rough_signed_distance_mm,
    signed_distance_mm,
)
from demo_volumes.truth import (
    Axis,
    Measure,
    chosen_length_mm,
    engagement_mm,
    gliding_hole_to_mm,
    rim_points_mm,
    ring_density_mg_cm3,
    smallest_on_solid_mm,
)
from segmentation.vocabulary import Floats, Surface

ROUNDING_COUNT = 4
"""Decimals kept in the documents: 0.0001 mm, far below every tolerance."""

FIRST_LOOK_COUNT = 11
"""One joint point of so many is asked in the first look: about one per triangle."""

LEAF_COUNT = 200
"""Joint points looked at one by one. Our choice: where none is nearer than the others, looking is five times
as fast as sorting."""

POSE_ROUNDING_COUNT = 9
"""Decimals of a pose: a turn is then exact to a millionth of a degree."""

TOLERANCES_MM = {"length": 0.001, "thread_engagement": 0.02, "clearance": 0.02, "gliding_hole": 0.02}
"""How exact the truth is; each is held by a test."""

SURFACE_BEYOND_MM = 16.0
"""The surface is meshed this far around the screw. Our choice: more than any screw here lies deep."""

NO_JOINT = "this demo bone has no joint surface"
LEAVES = "the axis leaves the scan before it leaves the bone"
HEADED = "a headed screw's head sits outside the bone"


def plan_document(scene: Scene, placement: npt.NDArray[np.float64]) -> dict[str, Any]:
    """plan.json for the scene's screws, points in patient mm."""
    screws = []
    for plan in scene.plan:
        axis = Axis(scene, placement, plan)
        length_mm = chosen_length_mm(plan, axis)
        ends = axis.points_mm(np.array([0.0, axis.bone_length_mm or plan.seat_depth_mm + length_mm]))
        screws.append(
            {
                "name": plan.name,
                "screw": plan.screw,
                "length_mm": length_mm,
                "entry_mm": _point(placement, ends[0]),
                "target_mm": _point(placement, ends[1]),
                "technique": plan.technique,
                "seat_depth_mm": plan.seat_depth_mm,
            }
        )
    return {
        "format": "pilothole-plan",
        "version": 1,
        "frame": "RAS-mm",
        "pose": "as-scanned" if scene.displaced is None else "reduced",
        "screws": screws,
    }


def truth_document(
    scene: Scene, placement: npt.NDArray[np.float64], joint: Surface | None, settings: Mapping[str, Any]
) -> dict[str, Any]:
    """truth.json. ``joint`` is in anatomical mm."""
    bone = scene.bones[0]
    joint_points_mm = None if joint is None else points_on(joint)
    bones = {bone.name: bone for bone in scene.bones}
    return {
        "format": "pilothole-truth",
        "version": 1,
        "frame": "RAS-mm",
        "settings": dict(settings),
        "tolerances_mm": TOLERANCES_MM,
        "host": scene.host,
        "calibration": {
            "slope_mg_cm3_per_hu": scene.slope_mg_cm3_per_hu,
            "intercept_mg_cm3": round(scene.intercept_mg_cm3, ROUNDING_COUNT),
        },
        "densities_mg_cm3": {
            name: round(value, ROUNDING_COUNT) for name, value in scene.densities_mg_cm3.items()
        },
        "level_hu": round(scene.level_hu, ROUNDING_COUNT),
        "half_level_hu": round((scene.surface_hu + scene.outside_hu) / 2, ROUNDING_COUNT),
        "fracture": None if bone.fracture is None else _fracture_truth(bone.fracture, placement),
        "fractures": [
            {
                **_fracture_truth(division.fracture, placement),
                **{
                    key: [
                        name
                        for number, name in enumerate(bone.fragment_names)
                        if any(face is division.fracture and to == sign for face, to in bone.sides(number))
                    ]
                    for key, sign in (("near", 1), ("far", -1))
                },
            }
            for division in bone.divisions
        ],
        "joint_area_mm2": None if joint is None else _number(area_mm2(joint)),
        "displacement": _displacement_truth(scene, placement),
        "fragments": [
            {
                "name": name,
                "bone": owner,
                "inside_mm": _point(placement, _named_at(scene, bones[owner], name, point)),
            }
            for point, name, owner in scene.inside_points_mm
        ],
        "screws": [_screw_truth(scene, placement, plan, joint_points_mm) for plan in scene.plan],
    }


def _fracture_truth(fracture: Fracture, placement: npt.NDArray[np.float64]) -> dict[str, Any]:
    return {
        "gap_mm": fracture.gap_mm,
        "centre_mm": _point(placement, fracture.centre_mm),
        "normal": _point(placement, fracture.normal),
        "wave_heights_mm": list(fracture.wave_heights_mm),
    }


def _displacement_truth(scene: Scene, placement: npt.NDArray[np.float64]) -> dict[str, Any] | None:
    """Which fragment lies elsewhere, and the pose (4, 4) that takes it back, in patient mm."""
    moved, fracture = scene.displaced, scene.bones[0].fracture
    if moved is None or fracture is None:
        return None
    around = np.eye(4)
    around[:3, :3] = placement
    pose = around @ np.linalg.inv(moved.motion) @ around.T
    names = scene.bones[0].fragment_names
    shift = moved.motion[:3, :3] @ fracture.centre_mm + moved.motion[:3, 3] - fracture.centre_mm
    turn_cosine = (np.trace(pose[:3, :3]) - 1) / 2
    return {
        "move": names[moved.fragment],
        "onto": names[1 - moved.fragment],
        "pose": [[round(float(value), POSE_ROUNDING_COUNT) for value in row] for row in pose],
        "shift_mm": _number(float(np.linalg.norm(shift))),
        "rotation_degree": _number(float(np.degrees(np.arccos(turn_cosine)))),
    }


def _named_at(scene: Scene, bone: DemoBone, name: str, near_mm: Triple) -> Floats:
    """(3,) a place well inside a fragment, where it is scanned."""
    return np.asarray(where_scanned(scene, name, np.array([naming_point(bone, near_mm)]))[0])


def _screw_truth(
    scene: Scene, placement: npt.NDArray[np.float64], plan: PlannedScrew, joint_points_mm: Floats | None
) -> dict[str, Any]:
    bone = scene.bones[0]
    axis = Axis(scene, placement, plan)
    length_mm = chosen_length_mm(plan, axis)
    screw = demo_screw(plan.screw, length_mm)
    widest = max(screw.threads, key=lambda thread: thread.major_mm)
    fields = [bone.near_fragment_field(n) for n in range(len(bone.fragment_names))]
    spans = [axis.spans_mm(field, 0.0, axis.seen_mm) for field in fields]
    near = min(range(len(fields)), key=lambda n: spans[n][0][0] if spans[n] else np.inf)
    glide_mm = gliding_hole_to_mm(axis, fields[near], widest.major_mm) if plan.technique == "lag" else None
    fragments = []
    for name, field, inside in zip(bone.fragment_names, fields, spans, strict=True):
        bites = [
            engagement_mm(axis, thread, field, plan.seat_depth_mm, glide_mm or 0.0)
            for thread in screw.threads
        ]
        cut_off = axis.bone_length_mm is None and bool(inside) and inside[-1][1] >= axis.seen_mm
        density = None if cut_off else ring_density_mg_cm3(scene, axis, widest, field, inside)
        fragments.append(
            {
                "fragment_name": name,
                "axis_path_mm": None if cut_off else _number(sum(b - a for a, b in inside)),
                "thread_engagement_mm": _number(sum(bites)),
                "threads_engaged": _number(
                    sum(bite / thread.pitch_mm for bite, thread in zip(bites, screw.threads, strict=True))
                ),
                "mean_density_mg_cm3": None if density is None else _number(density),
            }
        )
    tip_depth_mm = plan.seat_depth_mm + screw.tip_mm
    entry, exit_, tip = axis.points_mm(np.array([0.0, axis.seen_mm, tip_depth_mm]))
    clearance, reasons = _clearance(scene, axis, plan, screw, joint_points_mm)
    leaves = axis.bone_length_mm is None
    if leaves:
        reasons["bone_length_mm"] = reasons["exit_mm"] = reasons["axis_path_mm"] = LEAVES
    return {
        "name": plan.name,
        "screw": plan.screw,
        "length_mm": length_mm,
        "seat_depth_mm": plan.seat_depth_mm,
        "technique": plan.technique,
        "threads": [
            {
                "full_from_mm": t.full_from_mm,
                "full_to_mm": t.full_to_mm,
                "major_mm": t.major_mm,
                "core_mm": t.core_mm,
                "pitch_mm": t.pitch_mm,
            }
            for t in screw.threads
        ],
        "leading_end_from_mm": screw.leading_end_from_mm,
        "bone_length_mm": None if axis.bone_length_mm is None else _number(axis.bone_length_mm),
        "entry_mm": _point(placement, entry),
        "exit_mm": None if leaves else _point(placement, exit_),
        "tip_mm": _point(placement, tip),
        "tip_depth_mm": _number(tip_depth_mm),
        "gliding_hole_to_mm": None if glide_mm is None else _number(glide_mm),
        "fragments": fragments,
        "clearance_mm": clearance,
        "reasons": reasons,
    }


def _clearance(
    scene: Scene, axis: Axis, plan: PlannedScrew, screw: DemoScrew, joint_points_mm: Floats | None
) -> tuple[dict[str, Any], dict[str, str]]:
    """Clearance of the leading end, of the trailing rim, and of the whole solid without its head to the
    joint."""
    field, seat = scene.bones[0].outside, plan.seat_depth_mm
    ends = axis.points_mm(np.array([seat, seat + screw.tip_mm]))
    surface = outer_surface(
        scene.bones[0], ends.min(axis=0) - SURFACE_BEYOND_MM, ends.max(axis=0) + SURFACE_BEYOND_MM
    )

    def rough(points_mm: Floats) -> Floats:
        return -rough_signed_distance_mm(field, surface, points_mm)

    def exact(points_mm: Floats) -> Floats:
        return -signed_distance_mm(field, surface, points_mm)

    leading = screw.leading_end_from_mm
    outer_mm = _number(smallest_on_solid_mm((rough, exact), axis, screw, seat, leading))
    trailing_mm = _number(exact(rim_points_mm(axis, screw, seat)).min()) if screw.headless else None
    reasons = {} if screw.headless else {"clearance_mm.trailing_end.outer": HEADED}
    joint_mm: list[float | None] = [None, None]
    if joint_points_mm is None:
        reasons["clearance_mm.leading_end.joint"] = reasons["clearance_mm.solid_without_head.joint"] = (
            NO_JOINT
        )
    else:
        # Near the middle of a ball every place of its joint is as far: leaves are large, and the first look
        # takes fewer places.
        fine, few_places = (
            KDTree(places, leafsize=LEAF_COUNT)
            for places in (joint_points_mm, joint_points_mm[::FIRST_LOOK_COUNT])
        )
        outer = KDTree(surface.vertices_mm)
        few = _to_joint(field, few_places, fine, outer)
        measure = _to_joint(field, fine, fine, outer)
        joint_mm = [
            _number(smallest_on_solid_mm((few, measure), axis, screw, seat, start))
            for start in (leading, 0.0)
        ]
    return {
        "leading_end": {"outer": outer_mm, "joint": joint_mm[0]},
        "trailing_end": {"outer": trailing_mm},
        "solid_without_head": {"joint": joint_mm[1]},
    }, reasons


def _to_joint(field: Field, inside: KDTree, joint: KDTree, outer: KDTree) -> Measure:
    """Distance of points to the joint surface; negative for points that came out of the bone through it."""

    def measure(points_mm: Floats) -> Floats:
        distance = inside.query(points_mm)[0]
        outside = np.flatnonzero(field(*points_mm.T) > 0)
        if outside.size:
            distance[outside] = joint.query(points_mm[outside])[0]
            through = outside[distance[outside] <= outer.query(points_mm[outside])[0]]
            distance[through] *= -1
        return np.asarray(distance)

    return measure


def _number(value: float) -> float:
    return round(float(value), ROUNDING_COUNT)


def _point(placement: npt.NDArray[np.float64], point: npt.NDArray[np.float64]) -> list[float]:
    """Anatomical (3,) → patient mm, rounded for the file."""
    return [_number(value) for value in placement @ point]
