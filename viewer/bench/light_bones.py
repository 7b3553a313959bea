"""The bones as the painter keeps them: light surfaces of every fragment, and which is drawn how.

The bone of the screw in hand is drawn in its fragments' inks; all else is a faint neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from planner.solid import Solid, solid_of
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats, Ints, Surface
from viewer.bench.light_mesh import lightened
from viewer.bench.shot import Bones, Shot
from viewer.report.ray_target import RayTarget
from viewer.report.scene_render import BITE_STEP_MM
from viewer.report.subject import BITES_FRACTION, RING_ANGLES_COUNT, RING_RADII_COUNT
from viewer.report.view_frame import PosedFragment, ScrewFrame, screw_frame

OWN_TRIANGLES_COUNT, NEIGHBOUR_TRIANGLES_COUNT = 60_000, 24_000
"""Triangles for all fragments of the bone in hand, and for all neighbours. Our choice, by measured times."""

Mesh = tuple[Floats, Ints]


class LightBones:
    """Light surfaces by number of fragment: ``fine`` for the bone in hand, ``coarse`` for a neighbour."""

    def __init__(self, bones: Bones) -> None:
        self.fragments, self.joint = bones.fragments, bones.joint
        all_count = sum(len(one.faces) for one in self.fragments)
        self.fine: dict[int, Mesh] = {}
        self.coarse: dict[int, Mesh] = {}
        for one in self.fragments:
            bone_count = sum(len(other.faces) for other in self.fragments if other.bone == one.bone)
            mesh = np.asarray(one.vertices_mm), np.asarray(one.faces)
            share_count = OWN_TRIANGLES_COUNT * len(one.faces) // max(bone_count, 1)
            self.fine[one.number] = lightened(*mesh, share_count)
            share_count = NEIGHBOUR_TRIANGLES_COUNT * len(one.faces) // max(all_count, 1)
            self.coarse[one.number] = lightened(*mesh, share_count)
        # What was full may go now.
        self.fragments = tuple(
            replace(one, vertices_mm=self.fine[one.number][0], faces=self.fine[one.number][1])
            for one in self.fragments
        )
        self._targets: dict[object, RayTarget] = {}

    def own(self, shot: Shot) -> list[PosedFragment]:
        """The fragments drawn in their inks."""
        return [one for one in self.fragments if one.bone == shot.own and one.number not in shot.faint]

    def neighbours(self, shot: Shot) -> list[PosedFragment]:
        """The fragments drawn faintly: other bones, and what was made faint by hand."""
        return [
            one
            for one in self.fragments
            if (one.bone != shot.own and shot.neighbours)
            or (one.bone == shot.own and one.number in shot.faint)
        ]

    def own_target(self, shot: Shot) -> RayTarget:
        """The fragments in their inks, for rays; a piece is its rank."""
        return self._target([(one.rank, one.number) for one in self.own(shot)], self.fine)

    def neighbour_target(self, shot: Shot) -> RayTarget:
        """The faint ones, for rays."""
        return self._target([(one.rank, one.number) for one in self.neighbours(shot)], self.coarse)

    def joint_target(self) -> RayTarget:
        """The joint, for rays."""
        if self.joint is None:
            return RayTarget([])
        joint: Surface = self.joint
        if "joint" not in self._targets:
            self._targets["joint"] = RayTarget([(1, joint.vertices_mm, joint.faces)])
        return self._targets["joint"]

    def seen(self, result: ScrewResult) -> SeenScrew:
        """A screw with what its thread bites in."""
        own = [one for one in self.fragments if one.bone == result.bone_name]
        target = self._target([(one.rank, one.number) for one in own], self.fine)
        return SeenScrew(result, target)

    def _target(self, pieces: list[tuple[int, int]], meshes: dict[int, Mesh]) -> RayTarget:
        key = (tuple(pieces), meshes is self.fine)
        if key not in self._targets:
            self._targets[key] = RayTarget([(rank, *meshes[number]) for rank, number in pieces])
        return self._targets[key]


@dataclass(frozen=True, eq=False)
class SeenScrew:
    """A screw as its picture needs it. Which fragment a tooth bites is asked of the light surfaces."""

    result: ScrewResult
    bone: RayTarget

    @cached_property
    def frame(self) -> ScrewFrame:
        """The axes of its pictures."""
        return screw_frame(self.result)

    @cached_property
    def solid(self) -> Solid:
        """Its solid of revolution."""
        return solid_of(self.result.placed.screw, self.result.placed.length_mm)

    @property
    def seat_mm(self) -> float:
        """Depth of its datum plane."""
        return self.result.placed.seat_depth_mm

    @property
    def top_depth_mm(self) -> float:
        """Depth of its outermost end."""
        return self.seat_mm + self.solid.top_mm

    @property
    def exit_depth_mm(self) -> float:
        """Depth of the exit."""
        return self.result.bone_length_mm

    @property
    def alarm_past_exit(self) -> bool:
        """Whether leaving the far side is something to be warned of."""
        return any("tip" in finding.code and finding.severity != "note" for finding in self.result.findings)

    def bitten_at(self, depth_mm: float) -> int:
        """Rank of the fragment that holds the thread at a depth, 0 for none."""
        bites = self.bites
        place = round((depth_mm - self.top_depth_mm) / BITE_STEP_MM)
        return int(bites[min(max(place, 0), len(bites) - 1)])

    def rank(self, number: int) -> int:
        """The same: here a fragment is known by its rank."""
        return number

    @cached_property
    def bites(self) -> Ints:
        """Rank of the fragment bitten at each BITE_STEP_MM from the top, 0 for none."""
        solid, frame = self.solid, self.frame
        z_mm = np.arange(solid.top_mm, solid.tip_mm + BITE_STEP_MM, BITE_STEP_MM)
        ranks = np.zeros(len(z_mm), np.int32)
        angles = np.arange(RING_ANGLES_COUNT) * 2 * np.pi / RING_ANGLES_COUNT
        spokes = np.cos(angles)[:, None] * frame.up + np.sin(angles)[:, None] * frame.toward
        shares = (np.arange(RING_RADII_COUNT) + 0.5) / RING_RADII_COUNT
        glide_to_mm = self.result.gliding_hole_to_mm
        for zone in solid.zones:
            on = (z_mm >= zone.from_mm) & (z_mm <= zone.to_mm)
            if glide_to_mm is not None:
                on &= z_mm + self.seat_mm >= glide_to_mm
            core_mm, major_mm = zone.thread.core_mm / 2, zone.thread.major_mm / 2
            radii_mm = np.sqrt(core_mm**2 + shares * (major_mm**2 - core_mm**2))
            ring_mm = (radii_mm[:, None, None] * spokes).reshape(-1, 3)
            centres_mm = frame.origin_mm + (z_mm[on] + self.seat_mm)[:, None] * frame.along
            inside = self._pieces_at((centres_mm[:, None, :] + ring_mm).reshape(-1, 3), frame.up)
            ranks[on] = _most(inside.reshape(-1, len(ring_mm)))
        return ranks

    def _pieces_at(self, points_mm: Floats, way: Floats) -> Ints:
        """Rank of the fragment each point lies in: a ray from within leaves through its surface."""
        hits = self.bone.first_hits(points_mm, way)
        found = np.zeros(len(points_mm), np.int32)
        leaves = hits.normals @ way > 0
        found[hits.rays[leaves]] = hits.pieces[leaves]
        return found


def _most(rows: Ints) -> Ints:
    """(n,) the value that fills at least BITES_FRACTION of each row, 0 for none."""
    best = np.zeros(len(rows), np.int32)
    for value in np.unique(rows):
        best[(rows == value).mean(axis=1) >= BITES_FRACTION] = value
    return best
