"""Where a screw runs: entry, exit, and what lies on its axis and on the lines around it.

Around the axis stand lines parallel to it: in the *ring* between core and major radius, in the *sleeve* just
outside it, in the *fringe* to 0.5 mm beyond, and on the *rim* at the major radius. Each but the sleeve's is
cut with the fragments' surfaces, so every length is a difference of zero crossings. The mean over the ring's
lines of the length inside a fragment is the integral of the area share f(s) (Fubini), without sampling error
along the depth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.mesh import Bundle, Stretches, bundle_along, stretches_inside
from planner.posed import shared_out
from planner.prepared import PreparedBone
from planner.solid import Solid, solid_of
from planner.vocabulary import PlacedScrew, ThreadZone
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

ANGLES_COUNT = 24
"""Lines around the axis on each circle. Our choice: an oblique cortex is then integrated to under 1 %
(tests/test_truth.py)."""

RING_CIRCLES_COUNT = 2
"""Circles between core and major radius, each standing for the same area. Our choice."""

SLEEVE_MM = 1.0
"""The sleeve reaches this far beyond the major radius (design decision)."""

FRINGE_MM = 0.5
"""The fringe reaches this far beyond the major radius: there shear peaks while a thread is pulled. Published:
Joffre et al. 2017 (image correlation, rabbit); the width is our choice."""

STEP_MM = 0.25
"""Length of a cell of depth (the design asks for at most this)."""

BEFORE_ENTRY_MM = 2.0
"""The profile begins this far before the entry. Our choice, for the picture."""

BEYOND_EXIT_MM = 3.0
"""The profile ends this far beyond the exit and the tip. Our choice, for the picture."""

RING_COUNT = ANGLES_COUNT * RING_CIRCLES_COUNT


@dataclass(frozen=True, eq=False)
class Path:
    """A placed screw's path through the bone; all depths from the entry point.

    ``axis[n]``, ``ring[n][zone]``, ``fringe[n][zone]`` and ``rim[n]`` are the stretches inside fragment n on
    the axis, on the ring's and the fringe's lines of each thread zone, and on the rim of the largest thread.
    ``edges_mm`` are the borders of the cells of depth and ``zone_of_cell`` the nearest thread zone of each.
    """

    placed: PlacedScrew
    solid: Solid
    bone_name: str
    entry_mm: Floats
    entry_moved_mm: float
    direction: Floats
    u: Floats
    v: Floats
    length_mm: float
    axis: dict[int, Stretches]
    ring: dict[int, tuple[Stretches, ...]]
    fringe: dict[int, tuple[Stretches, ...]]
    rim: dict[int, Stretches]
    ring_offsets_mm: Floats
    fringe_offsets_mm: Floats
    sleeve_offsets_mm: Floats
    edges_mm: Floats
    zone_of_cell: npt.NDArray[np.intp]

    @property
    def tip_depth_mm(self) -> float:
        """Depth of the tip: seat depth and the screw's length below its datum plane."""
        return self.placed.seat_depth_mm + self.solid.tip_mm

    @property
    def depth_mm(self) -> Floats:
        """(cells,) middle of each cell."""
        return np.asarray((self.edges_mm[1:] + self.edges_mm[:-1]) / 2)

    def point_mm(self, depth_mm: float) -> Floats:
        """The point of the axis at a depth."""
        return np.asarray(self.entry_mm + depth_mm * self.direction)

    def zone_depths_mm(self, zone: ThreadZone) -> tuple[float, float]:
        """From and to depth of the zone's full-profile thread."""
        return self.placed.seat_depth_mm + zone.full_from_mm, self.placed.seat_depth_mm + zone.full_to_mm

    def nearest_fragment(self, depth_mm: Floats) -> npt.NDArray[np.intp]:
        """(n,) the fragment on the axis at each depth, or the nearest along it."""
        numbers = sorted(number for number, s in self.axis.items() if len(s.line))
        away = [
            np.min(
                [np.maximum(low - depth_mm, depth_mm - high) for low, high in self.axis[n].of_line(0)], axis=0
            )
            for n in numbers
        ]
        return np.asarray(np.array(numbers)[np.argmin(away, axis=0)])

    def axis_in_cells_mm(self, fragment: int) -> Floats:
        """(cells,) length of the axis inside a fragment, between entry and exit."""
        within = self.axis[fragment].within(0.0, self.length_mm)
        return np.asarray(within.lengths_in_cells_mm(1, self.edges_mm)[0])

    def ring_in_cells_mm(self, fragment: int) -> Floats:
        """(RING_COUNT, cells) length of the ring's lines inside a fragment, of the zone nearest to each
        cell."""
        by_zone = [stretch.lengths_in_cells_mm(RING_COUNT, self.edges_mm) for stretch in self.ring[fragment]]
        return np.asarray(np.choose(self.zone_of_cell[None, :], by_zone))


def trace(prepared: PreparedBone, placed: PlacedScrew) -> Path:
    """The path of ``placed`` through the bone. Raises InputError when its axis misses every bone."""
    solid = solid_of(placed.screw, placed.length_mm)
    direction = placed.target_mm - placed.entry_mm
    direction = direction / np.linalg.norm(direction)
    zones = solid.zones
    ring = np.stack([_circles(ring_radii_mm(zone)) for zone in zones])
    sleeve = np.stack([_circles([zone.thread.major_mm / 2 + SLEEVE_MM / 2]) for zone in zones])
    fringe = np.stack([_circles([_fringe_radius_mm(zone)]) for zone in zones])
    rim = _circles([placed.screw.largest_thread.major_mm / 2])
    offsets = np.concatenate([np.zeros((1, 2)), rim, ring.reshape(-1, 2), fringe.reshape(-1, 2)])
    bundle = bundle_along(placed.entry_mm, direction, offsets)
    cut = {
        number: stretches_inside(mesh, bundle)
        for number, mesh in prepared.meshes.items()
        if _within_reach(mesh.low_mm, mesh.high_mm, bundle)
    }
    if prepared.reduced:
        cut = shared_out(cut, prepared.meshes, bundle)
    entry, bone_name = _entry(prepared, placed, cut)
    cut = {n: Stretches(s.line, s.from_mm - entry, s.to_mm - entry) for n, s in cut.items()}
    ends = [
        cut[n].of_line(0)[:, 1].max()
        for n in prepared.fragments_of(bone_name)
        if n in cut and (cut[n].line == 0).any()
    ]
    length_mm = float(max(ends))
    rings = 1 + ANGLES_COUNT
    fringes = rings + len(zones) * RING_COUNT
    edges = _edges_mm(max(length_mm, placed.seat_depth_mm + solid.tip_mm))
    return Path(
        placed=placed,
        solid=solid,
        bone_name=bone_name,
        entry_mm=placed.entry_mm + entry * direction,
        entry_moved_mm=abs(entry),
        direction=direction,
        u=bundle.u,
        v=bundle.v,
        length_mm=length_mm,
        axis={n: s.of_lines(0, 1) for n, s in cut.items()},
        ring={
            n: tuple(
                s.of_lines(rings + index * RING_COUNT, rings + (index + 1) * RING_COUNT)
                for index in range(len(zones))
            )
            for n, s in cut.items()
        },
        fringe={
            n: tuple(
                s.of_lines(fringes + index * ANGLES_COUNT, fringes + (index + 1) * ANGLES_COUNT)
                for index in range(len(zones))
            )
            for n, s in cut.items()
        },
        rim={n: s.of_lines(1, rings) for n, s in cut.items()},
        ring_offsets_mm=ring,
        fringe_offsets_mm=fringe,
        sleeve_offsets_mm=sleeve,
        edges_mm=edges,
        zone_of_cell=_nearest_zone(zones, placed.seat_depth_mm, edges),
    )


def crossed_fragments(path: Path, prepared: PreparedBone) -> list[int]:
    """Fragments of the entered bone on the axis between entry and exit, in order."""
    own = prepared.fragments_of(path.bone_name)
    starts = {}
    for number in own:
        if number in path.axis:
            within = path.axis[number].within(0.0, path.length_mm)
            if len(within.from_mm):
                starts[number] = float(within.from_mm.min())
    return sorted(starts, key=lambda number: starts[number])


def touched_fragments(path: Path, prepared: PreparedBone) -> list[int]:
    """The crossed fragments, then those beside the axis that only the ring around the screw meets."""
    crossed = crossed_fragments(path, prepared)
    seat, tip = path.placed.seat_depth_mm, path.tip_depth_mm
    beside = [
        number
        for number in prepared.fragments_of(path.bone_name)
        if number not in crossed
        and number in path.ring
        and any(len(stretch.within(seat, tip).from_mm) for stretch in path.ring[number])
    ]
    return crossed + beside


def ring_radii_mm(zone: ThreadZone) -> list[float]:
    """Radii of circles that each stand for an equal area between core and major radius."""
    core, major = zone.thread.core_mm / 2, zone.thread.major_mm / 2
    shares = (np.arange(RING_CIRCLES_COUNT) + 1 / 2) / RING_CIRCLES_COUNT
    return [float(np.sqrt(core**2 + share * (major**2 - core**2))) for share in shares]


def _fringe_radius_mm(zone: ThreadZone) -> float:
    """Radius that halves the fringe's area."""
    major = zone.thread.major_mm / 2
    return float(np.sqrt((major**2 + (major + FRINGE_MM) ** 2) / 2))


def _circles(radii_mm: list[float]) -> Floats:
    """(len · ANGLES_COUNT, 2) points on circles, every second circle turned by half a step."""
    turns = np.arange(ANGLES_COUNT) / ANGLES_COUNT
    points = []
    for index, radius in enumerate(radii_mm):
        angles = 2 * np.pi * (turns + (index % 2) / (2 * ANGLES_COUNT))
        points.append(radius * np.stack([np.cos(angles), np.sin(angles)], axis=1))
    return np.concatenate(points)


def _within_reach(low_mm: Floats, high_mm: Floats, bundle: Bundle) -> bool:
    """Whether the bundle may touch the box: its axis passes the box's bounding ball."""
    centre, radius = (low_mm + high_mm) / 2, np.linalg.norm(high_mm - low_mm) / 2
    away = centre - bundle.origin_mm
    off_axis = np.linalg.norm(away - (away @ bundle.direction) * bundle.direction)
    widest = np.sqrt((bundle.offsets_mm**2).sum(axis=1).max())
    return bool(off_axis <= radius + widest)


def _entry(prepared: PreparedBone, placed: PlacedScrew, cut: dict[int, Stretches]) -> tuple[float, str]:
    """Depth of the outside→inside crossing nearest the given entry, from that point, and the bone entered."""
    crossings = [
        (abs(float(start)), float(start), number)
        for number, stretches in cut.items()
        for start in stretches.of_line(0)[:, 0]
    ]
    if not crossings:
        x, y, z = placed.entry_mm
        raise InputError(
            f"the axis of screw {placed.name!r} misses the bone: no fragment lies on the line from its entry "
            f"({x:.1f}, {y:.1f}, {z:.1f}) to its target; correct the points or their frame (RAS+ mm)"
        )
    _, depth, number = min(crossings)
    return depth, prepared.bone.fragment(number).bone


def _edges_mm(end_mm: float) -> Floats:
    """Cell borders such that the middles are whole multiples of STEP_MM."""
    first = -round(BEFORE_ENTRY_MM / STEP_MM)
    last = int(np.ceil((end_mm + BEYOND_EXIT_MM) / STEP_MM))
    return np.asarray((np.arange(first, last + 2) - 1 / 2) * STEP_MM)


def _nearest_zone(zones: tuple[ThreadZone, ...], seat_mm: float, edges_mm: Floats) -> npt.NDArray[np.intp]:
    """(cells,) index of the thread zone nearest to each cell."""
    middle = (edges_mm[1:] + edges_mm[:-1]) / 2 - seat_mm
    away = np.stack([np.maximum(zone.from_mm - middle, middle - zone.to_mm) for zone in zones])
    return np.asarray(np.argmin(np.maximum(away, 0), axis=0))
