"""How a screw meets each fracture it crosses: where, at which angle, across what gap, with how many threads
beyond.

The angle is the true one in space, between the axis and the normal of the fracture's mean plane: 0° square to
the fracture, as a lag screw is wanted. All is as scanned: a pair of fragments that a reduction moved against
each other is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from planner.engagement import Bite
from planner.path import RING_COUNT, Path
from planner.path_kernels import first_hit
from planner.vocabulary import FractureCrossing, MeasuredGap
from segmentation.vocabulary import Bone, Floats, FractureSurface

ALONG_FACTOR = 0.1
"""An axis nearer to lying in the fracture than about 6° does not cross it. Our choice: its depth is then
known to ten times the surface's own error."""

SAME_POSE_MM = 1e-6
"""Two poses are the same when no entry differs by more. Our choice: rounding."""

BESIDE = "the axis passes beside the measured surface of the fracture"
NOT_THERE = "the gap is not measurable where the axis crosses the fracture"


def fracture_crossings(
    bone: Bone, path: Path, crossed: Sequence[int], bites: Mapping[int, Sequence[Bite]]
) -> tuple[tuple[FractureCrossing, ...], dict[str, str]]:
    """Each measured fracture between two ``crossed`` fragments, by depth, and why something of it is not
    known.

    ``bites`` are the threads that bite, by fragment.
    """
    found, reasons = [], {}
    for fracture in bone.fractures:
        if not set(fracture.between) <= set(crossed) or _moved_apart(bone, fracture):
            continue
        square = abs(float(path.direction @ fracture.normal))
        if square < ALONG_FACTOR:
            continue
        hit = _axis_meets(fracture, path)
        depth_mm = _plane_depths_mm(fracture, path, np.zeros((1, 2)))[0] if hit is None else hit[0]
        far = max(fracture.between, key=lambda number: crossed.index(number))
        beyond = crossed[crossed.index(far) :]
        at_axis = None if hit is None else float(fracture.gap_mm[hit[1]])
        if at_axis is not None and not np.isfinite(at_axis):
            at_axis = None
        where = f"fractures.{fracture.between[0]}-{fracture.between[1]}.gap_mm"
        if at_axis is None:
            reasons[f"{where}.at_axis"] = BESIDE if hit is None else NOT_THERE
        if fracture.gap_median_mm is None:
            reasons[f"{where}.median"] = fracture.gap_reason or NOT_THERE
        found.append(
            FractureCrossing(
                between=fracture.between,
                depth_mm=float(depth_mm),
                angle_degree=float(np.degrees(np.arccos(min(1.0, square)))),
                angle_uncertainty_degree=fracture.normal_uncertainty_degree,
                gap_mm=MeasuredGap(fracture.gap_median_mm, at_axis),
                threads_beyond_count=sum(
                    _beyond_count(fracture, path, bite) for number in beyond for bite in bites[number]
                ),
            )
        )
    return tuple(sorted(found, key=lambda crossing: crossing.depth_mm)), reasons


def _moved_apart(bone: Bone, fracture: FractureSurface) -> bool:
    """Whether either fragment was moved: its fracture's surface is known as scanned only."""
    poses = (bone.fragment(number).pose for number in fracture.between)
    return any(float(np.abs(pose - np.eye(4)).max()) > SAME_POSE_MM for pose in poses)


def _axis_meets(fracture: FractureSurface, path: Path) -> tuple[float, int] | None:
    """Depth where the axis crosses the surface, and the nearest vertex; None where it does not."""
    vertices = fracture.surface.vertices_mm
    depth_mm = float(
        first_hit(path.entry_mm, path.direction, path.length_mm, vertices, fracture.surface.faces)
    )
    if not np.isfinite(depth_mm):
        return None
    nearest = np.argmin(np.linalg.norm(vertices - path.point_mm(depth_mm), axis=1))
    return depth_mm, int(nearest)


def _plane_depths_mm(fracture: FractureSurface, path: Path, offsets_mm: npt.NDArray[np.float64]) -> Floats:
    """(n,) depth at which lines beside the axis, at ``offsets_mm`` (n, 2), cross the mean plane."""
    beside = offsets_mm @ np.stack([path.u, path.v]) @ fracture.normal
    away = float((fracture.point_mm - path.entry_mm) @ fracture.normal)
    return np.asarray((away - beside) / float(path.direction @ fracture.normal))


def _beyond_count(fracture: FractureSurface, path: Path, bite: Bite) -> float:
    """Threads of one bite that lie beyond the mean plane, line by line."""
    from_mm = _plane_depths_mm(fracture, path, path.ring_offsets_mm[bite.zone])[bite.stretches.line]
    length = np.maximum(bite.stretches.to_mm - np.maximum(bite.stretches.from_mm, from_mm), 0)
    return float(length.sum() / RING_COUNT / bite.thread.pitch_mm)
