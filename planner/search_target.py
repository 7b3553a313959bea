"""Where a screw should cross, and how: a bone's centre, its fractures as planes, how lines meet them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.prepared import PreparedBone
from planner.search_space import centre_mm, surface_centre_mm
from segmentation.vocabulary import Floats


@dataclass(frozen=True, eq=False)
class Target:
    """Where a screw should cross, and how: the bone's centre, and of each fracture what it lies between, its
    centre, its normal and how far from the centre a line still crosses it."""

    centre_mm: Floats
    fractures: tuple[tuple[tuple[int, int], Floats, Floats, float], ...]

    def angle_and_offset(
        self, entry_mm: Floats, direction: Floats, length_mm: Floats
    ) -> tuple[Floats, Floats]:
        """Largest angle in degrees from square to the fractures that lines cross (NaN: none), and the largest
        distance in mm from their axes to these fractures' centres, or to the bone's centre where none is
        crossed."""
        angle, offset = np.full(len(entry_mm), np.nan), np.full(len(entry_mm), -1.0)
        for _, centre, normal, reach_mm in self.fractures:
            square = direction @ normal
            with np.errstate(divide="ignore", invalid="ignore"):
                depth = ((centre - entry_mm) @ normal) / square
                crossing = entry_mm + depth[:, None] * direction
                near = np.linalg.norm(crossing - centre, axis=1) <= reach_mm
            crosses = near & (depth > 0) & (depth < length_mm)
            own = np.degrees(np.arccos(np.minimum(np.abs(square), 1)))
            angle = np.where(crosses, np.fmax(angle, own), angle)
            offset = np.where(crosses, np.maximum(offset, off_axis_mm(centre, entry_mm, direction)), offset)
        return angle, np.where(offset < 0, off_axis_mm(self.centre_mm, entry_mm, direction), offset)


REACH_FACTOR = 1.5
"""A line crosses a fracture within this many radii of a disc of its area about its centre. Our choice."""


def target_of(prepared: PreparedBone, bone_name: str) -> Target:
    """The target in a bone. Fractures between fragments that a reduction moved apart are left out."""
    own = prepared.fragments_of(bone_name)
    found = []
    for fracture in prepared.bone.fractures:
        poses = [prepared.poses[number] for number in fracture.between if number in own]
        if len(poses) == 2 and all(np.allclose(pose, np.eye(4), atol=1e-6) for pose in poses):
            # A line through both pieces of a bone crosses its one fracture, wherever that is.
            reach = np.inf if len(own) == 2 else REACH_FACTOR * float(np.sqrt(fracture.area_mm2 / np.pi))
            found.append((fracture.between, surface_centre_mm(fracture.surface), fracture.normal, reach))
    return Target(centre_mm(prepared, bone_name), tuple(found))


def off_axis_mm(point_mm: Floats, entry_mm: Floats, direction: Floats) -> Floats:
    """(n,) distance of a place (3,) from axes (n, 3), (n, 3)."""
    away = point_mm - entry_mm
    along = (away * direction).sum(axis=1)
    return np.asarray(np.linalg.norm(away - along[:, None] * direction, axis=1))
