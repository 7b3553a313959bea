"""How long one warm assessment takes, beside the obvious way with general libraries, in the same run.

The obvious way measures the same screw on the same meshes: rays by trimesh (embree), clearance by trimesh's
closest points, grey values by scipy's map_coordinates, all batched as far as they batch. Both results
must agree before a time is told. Run it alone: ``python tests/benchmarks/bench_assess.py [DEMO]``.
"""

from __future__ import annotations

import os
import platform
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from scipy import ndimage

from demo_volumes.make import make_demo
from planner.assess import ReadyBone, assess_screws, ready
from planner.catalogue import built_in_screws
from planner.clearance import ANGLES_COUNT, OUTLINE_STEP_MM
from planner.path import Path, crossed_fragments, trace
from planner.plan_file import plan_of
from planner.vocabulary import Plan, ScrewResult
from segmentation.calibration import given_calibration
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, Floats, Surface

OURS_REPEATS, OTHER_REPEATS = 200, 5


@dataclass(frozen=True)
class Measured:
    """What both ways measure."""

    bone_length_mm: float
    engagements_mm: tuple[float, ...]
    mean_ring_hu: float
    leading_outer_mm: float
    leading_joint_mm: float | None

    def agrees_with(self, other: Measured) -> bool:
        """Whether lengths agree to 0.02 mm and grey values to 1 HU."""
        mine, theirs = (
            np.array([m.bone_length_mm, *m.engagements_mm, m.leading_outer_mm, m.leading_joint_mm or 0.0])
            for m in (self, other)
        )
        return bool(np.abs(mine - theirs).max() < 0.02 and abs(self.mean_ring_hu - other.mean_ring_hu) < 1)


class ObviousWay:
    """The same measurement put together from general libraries."""

    def __init__(self, bone: ReadyBone, bone_name: str, fragments: tuple[int, ...]) -> None:
        prepared = bone.prepared
        self.bone: Bone = prepared.bone
        self.whole = {f.number: _mesh(f.surface) for f in self.bone.fragments}
        self.joint = None if self.bone.joint is None else _mesh(self.bone.joint)
        # The outer surface without the fracture faces the screw goes through, found beforehand as ours is.
        surface = prepared.outer_surface(bone_name, fragments)
        self.outer = trimesh.Trimesh(surface.vertices_mm, surface.faces[~surface.passed], process=False)
        for mesh in (*self.whole.values(), self.outer, *filter(None, [self.joint])):
            # Trees and normals are built before the clock starts, as ours are.
            trimesh.proximity.closest_point(mesh, mesh.vertices[:1])
            mesh.ray.intersects_location([mesh.bounds[0] - 1], [[0, 0, 1.0]])
            _ = mesh.face_normals

    def measure(self, path: Path, fragments: tuple[int, ...]) -> Measured:
        """All of ``path``, given as its screw, entry and direction."""
        axis = {n: self._inside(n, path.entry_mm[None], path.direction) for n in fragments}
        length = float(max(stretch[0][-1][1] for stretch in axis.values() if stretch[0]))
        engagements = []
        for number in fragments:
            engaged = 0.0
            for index, zone in enumerate(path.solid.zones):
                low, high = path.zone_depths_mm(zone)
                lines = path.entry_mm + path.ring_offsets_mm[index] @ np.stack([path.u, path.v])
                for stretches in self._inside(number, lines, path.direction):
                    engaged += sum(max(0.0, min(b, high) - max(a, low)) for a, b in stretches) / len(lines)
            engagements.append(engaged)
        depth = path.depth_mm
        offsets = np.concatenate([path.ring_offsets_mm, path.sleeve_offsets_mm], axis=1)[path.zone_of_cell]
        across = np.concatenate([np.zeros((len(depth), 1, 2)), offsets], axis=1) @ np.stack([path.u, path.v])
        points = path.entry_mm + depth[:, None, None] * path.direction + across
        ijk = self.bone.ct.grid.mm_to_ijk(points.reshape(-1, 3)).T
        hu = ndimage.map_coordinates(self.bone.ct.hu, ijk, output=np.float64, order=1).reshape(
            points.shape[:2]
        )
        ring = hu[(depth >= 0) & (depth <= length), 1 : 1 + path.ring_offsets_mm.shape[1]]
        solid = self._solid_points(path)
        outer = self._signed_mm(self.outer, solid)
        leading = self._leading(path, solid)
        joint = None if self.joint is None else float(self._signed_mm(self.joint, solid)[leading].min())
        return Measured(
            length,
            tuple(engagements),
            float(ring.mean()),
            float(outer[leading].min()),
            joint,
        )

    def _inside(self, number: int, origins_mm: Floats, direction: Floats) -> list[list[tuple[float, float]]]:
        """For each line the stretches inside a fragment, as depths."""
        start = origins_mm - 100 * direction
        where, line, _ = self.whole[number].ray.intersects_location(
            start, np.tile(direction, (len(start), 1))
        )
        depth = np.einsum("ij,j->i", where - origins_mm[line], direction)
        found = []
        for index in range(len(start)):
            crossings = np.sort(depth[line == index])
            found.append(list(zip(crossings[::2], crossings[1::2], strict=False)))
        return found

    def _solid_points(self, path: Path) -> Floats:
        """Points on the screw's solid, as densely as ours could be asked for."""
        z, radius = path.solid.outline_mm.T
        steps = np.arange(z[0], z[-1] + OUTLINE_STEP_MM / 2, OUTLINE_STEP_MM)
        around = 2 * np.pi * np.arange(ANGLES_COUNT) / ANGLES_COUNT
        circle = np.stack([np.cos(around), np.sin(around)], axis=1) @ np.stack([path.u, path.v])
        on_axis = path.entry_mm + (path.placed.seat_depth_mm + steps)[:, None] * path.direction
        return (on_axis[:, None] + np.interp(steps, z, radius)[:, None, None] * circle).reshape(-1, 3)

    def _leading(self, path: Path, points_mm: Floats) -> np.ndarray:
        last = path.solid.zones[-1]
        taper = last.to_mm - last.full_to_mm
        depth = (points_mm - path.entry_mm) @ path.direction
        return depth >= path.tip_depth_mm - taper - 2 * last.thread.pitch_mm - 1e-9

    @staticmethod
    def _signed_mm(mesh: trimesh.Trimesh, points_mm: Floats) -> Floats:
        closest, distance, triangle = trimesh.proximity.closest_point(mesh, points_mm)
        side = np.einsum("ij,ij->i", mesh.face_normals[triangle], closest - points_mm)
        return np.where(side >= 0, distance, -distance)


def _mesh(surface: Surface) -> trimesh.Trimesh:
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)


def _ours(result: ScrewResult) -> Measured:
    hu = result.profile.ring.hu
    inside = (result.profile.depth_mm >= 0) & (result.profile.depth_mm <= result.bone_length_mm)
    outer = result.leading_end.outer
    assert outer is not None
    return Measured(
        result.bone_length_mm,
        tuple(fragment.thread_engagement_mm for fragment in result.fragments),
        float(hu[inside].mean()),
        outer,
        result.leading_end.joint,
    )


def _median_s(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median and best of ``repeats`` runs."""
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return statistics.median(took), min(took)


def main(name: str = "scaphoid-waist") -> None:
    """Measure and print."""
    demo = make_demo(name)
    told = demo.segment_options
    bone = segment(
        demo.ct,
        threshold_hu=told["threshold_hu"],
        calibration=given_calibration(*told["calibration"]),
        host=told["host"],
        names=told["names"],
        joint=demo.joint,
    )
    began = time.perf_counter()
    prepared = ready(bone)
    ready_s = time.perf_counter() - began
    plan = plan_of(demo.plan, built_in_screws())
    one = Plan(plan.screws[:1], plan.pose)
    result = assess_screws(prepared, one).screws[0]
    path = trace(prepared.prepared, one.screws[0])
    fragments = tuple(crossed_fragments(path, prepared.prepared))

    load = os.getloadavg()[0]
    ours_s, ours_best_s = _median_s(lambda: assess_screws(prepared, one), OURS_REPEATS)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}; Python {platform.python_version()}"
    )
    print(
        f"{name}, screw {result.placed.name}: {sum(len(f.surface.faces) for f in bone.fragments):,} triangles"
    )
    print(f"made ready once in {ready_s:.2f} s")
    print(
        f"ours: one warm assessment {1000 * ours_s:.1f} ms (median of {OURS_REPEATS}; "
        f"best {1000 * ours_best_s:.1f})"
    )
    try:
        other = ObviousWay(prepared, path.bone_name, fragments)
    except ModuleNotFoundError as missing:
        print(f"no comparison: trimesh's closest points need {missing.name}; install it and run again")
        return
    theirs, mine = other.measure(path, fragments), _ours(result)
    if not mine.agrees_with(theirs):
        sys.exit(f"the two ways disagree, so their times mean nothing:\n  ours    {mine}\n  obvious {theirs}")
    other_s, other_best_s = _median_s(lambda: other.measure(path, fragments), OTHER_REPEATS)
    print(f"obvious way: {1000 * other_s:.0f} ms (median of {OTHER_REPEATS}; best {1000 * other_best_s:.0f})")
    print(f"ratio {other_s / ours_s:.0f} (of the best runs {other_best_s / ours_best_s:.0f})")
    print(f"both: {mine}")


if __name__ == "__main__":
    main(*sys.argv[1:2])
