"""Which fragment lies under a place of the picture, and where on it, as planned and as scanned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.assess import ReadyBone
from planner.mesh import bundle_along, stretches_inside
from segmentation.errors import InputError
from segmentation.vocabulary import Floats
from viewer.bench.camera_hand import in_plane_mm
from viewer.bench.on_bone import FROM_FAR_MM
from viewer.report.camera import Camera


@dataclass(frozen=True, eq=False)
class Picked:
    """Fragment ``number`` first met at ``point_mm``, looked at along ``away``; ``to_scan`` (4, 4) leads from
    there to the scan. ``thick_mm`` is how far the line of sight then runs in it."""

    number: int
    point_mm: Floats
    away: Floats
    to_scan: Floats
    thick_mm: float

    def scan_mm(self, point_mm: Floats | None = None) -> Floats:
        """(3,) a point (the one that was met) as scanned."""
        point = self.point_mm if point_mm is None else point_mm
        return np.asarray(self.to_scan[:3, :3] @ point + self.to_scan[:3, 3])

    def scan_way(self, way: Floats) -> Floats:
        """(3,) a direction as scanned."""
        return np.asarray(self.to_scan[:3, :3] @ way)

    def within_mm(self, deep_mm: float) -> Floats:
        """(3,) as scanned, a point so far under the surface, or half through the fragment at most."""
        return self.scan_mm(self.point_mm + min(deep_mm, self.thick_mm / 2) * self.away)


def picked(bone: ReadyBone, camera: Camera, x_fraction: float, y_fraction: float) -> Picked:
    """What is under a place of the picture. Raises InputError beside the bone."""
    away = -camera.toward
    start = in_plane_mm(camera, x_fraction, y_fraction, camera.centre_mm) - FROM_FAR_MM * away
    line = bundle_along(start, away, np.zeros((1, 2)))
    best: tuple[float, float, int] | None = None
    for number, mesh in bone.prepared.meshes.items():
        for first, last in stretches_inside(mesh, line).of_line(0):
            if best is None or first < best[0]:
                best = float(first), float(last), number
    if best is None:
        raise InputError("there is no bone under that place; click on the bone")
    first, last, number = best
    to_scan = np.asarray(np.linalg.inv(bone.prepared.poses[number]), np.float64)
    return Picked(number, np.asarray(start + first * away), away, to_scan, last - first)
