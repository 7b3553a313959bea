"""The surface a screw must not come near, with a side: inside the bone is positive.

The *outer surface* of a bone is every fragment's surface but the fracture faces the screw itself passes
through, so it is open where the fracture is. A point nearest to such an open rim is inside when it lies in a
fragment or in the gap between the two faces. Beside the rim of a joint surface there is no through: the
distance is then positive.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.mesh import Mesh, signed_distance_mm, without_ball
from planner.prepared import FACING_MM, PreparedBone
from segmentation.vocabulary import Floats


@dataclass(frozen=True, eq=False)
class Boundary:
    """Surfaces that together bound; ``solids`` and ``gaps`` tell the side of points nearest to an open rim.

    ``gaps`` are pairs of faces that look at each other. Where both are empty, points beside a rim count as
    inside.
    """

    meshes: tuple[Mesh, ...]
    solids: tuple[Mesh, ...] = ()
    gaps: tuple[tuple[Mesh, Mesh], ...] = ()

    def without_ball(self, centre_mm: Floats, radius_mm: float) -> Boundary:
        """The same surfaces with what lies in a ball left out."""
        left = (without_ball(mesh, centre_mm, radius_mm) for mesh in self.meshes)
        return replace(self, meshes=tuple(mesh for mesh in left if mesh is not None))

    def distance_mm(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Signed distance (n,) of points (n, 3) to the nearest of the surfaces, and closest points (n, 3).

        Infinite where there is no surface.
        """
        best = np.full(len(points_mm), np.inf)
        where = np.zeros_like(points_mm)
        beside = np.zeros(len(points_mm), bool)
        for mesh in self.meshes:
            distance, closest, on_rim = signed_distance_mm(mesh, points_mm)
            nearer = np.abs(distance) < np.abs(best)
            best = np.where(nearer, distance, best)
            beside = np.where(nearer, on_rim, beside)
            where[nearer] = closest[nearer]
        if beside.any():
            inside = self._inside(points_mm[beside])
            best[beside] = np.where(inside, np.abs(best[beside]), -np.abs(best[beside]))
        return best, where

    def _inside(self, points_mm: Floats) -> npt.NDArray[np.bool_]:
        """Whether points lie in one of the solids or between two faces."""
        if not self.solids:
            return np.ones(len(points_mm), bool)
        inside = np.zeros(len(points_mm), bool)
        for mesh in self.solids:
            inside |= signed_distance_mm(mesh, points_mm)[0] >= 0
        for first, second in self.gaps:
            before, after = (signed_distance_mm(face, points_mm)[0] for face in (first, second))
            inside |= (before <= 0) & (after <= 0) & (before + after >= -FACING_MM)
        return inside


def outer_boundary(prepared: PreparedBone, bone_name: str, reached: Iterable[int]) -> Boundary:
    """The outer surface of a bone for a screw that lies in the fragments ``reached``."""
    own, through = set(prepared.fragments_of(bone_name)), set(reached)
    meshes = [prepared.free[number] for number in sorted(own)]
    gaps = []
    for (first, second), mesh in sorted(prepared.facing.items(), key=lambda item: item[0]):
        if first not in own:
            continue
        if not (first in through and second in through):
            meshes.append(mesh)
        elif first < second and (second, first) in prepared.facing:
            gaps.append((mesh, prepared.facing[second, first]))
    solids = tuple(prepared.whole[number] for number in sorted(own))
    return Boundary(tuple(mesh for mesh in meshes if len(mesh.faces)), solids, tuple(gaps))


def joint_boundary(joint: Mesh) -> Boundary:
    """The joint surface, beside whose rim nothing is through."""
    return Boundary((joint,))
