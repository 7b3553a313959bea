"""What is needed around one planned screw to measure thousands of moved ones: built once for each screw.

Fields of signed distance stand on nodes in the screw's own frame (across, across, along), no farther out than
the draws reach. How sure the surface is is asked along the planned axis and taken for all draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from planner.clearance import LAST_PITCHES_COUNT, portal_radius_mm, reached
from planner.doubt_draws import KNOT_MM, KNOTS_COUNT
from planner.doubt_kernels import Body, Errors, Fields, Scan, filled
from planner.engagement import gliding_hole_to_mm
from planner.mesh import NO_BALL, Ball, Mesh, signed_distance_mm
from planner.path import Path, crossed_fragments, ring_radii_mm, touched_fragments
from planner.placement import Placed, Placement
from planner.posed import back_of
from planner.prepared import PreparedBone
from planner.pullout import thread_shape_factor
from planner.shear_laws import shear_strength_mpa
from planner.surface_doubt import GIVEN_SURFACE_SD_MM, deviation_at
from segmentation.vocabulary import METAL_ABOVE_HU, NO_DATA_BELOW_HU, Floats, Host

STEP_MM = 2.0
"""Distance of nodes. Our choice: distances of surfaces that curve with 5 mm and more are then right to 0.02
mm (tests/test_doubt.py)."""

MARCH_MM = 0.5
"""Step along a moved axis. Our choice: crossings are found between steps, to about 0.01 mm."""

BEFORE_MM = 4.0
"""Bone is looked for so far before the entry, and two deviations of the entry more. Our choice: an entry
moved on a surface 60° off square."""

STATION_MM = 0.75
"""Distance of stations along the screw's outline. Our choice: what it misses is taken off with the planned
screw's own error."""

WALL_BEYOND_MM = 4.0
"""Around the portal the other walls are asked without the surface within so much more. Our choice: an entry
moved by two deviations."""

SLICE_FRACTION = 0.5
"""Deviation of a plain surface along the scan's axis over the slice's thickness. Our reference's choice."""

DENSEST_MG_CM3, DENSITY_STEP_MG_CM3 = 2500.0, 2.0
"""The shear law is tabled up to here in these steps. Our choice: between steps it misses by under 0.1 %."""

FAR_MM = 6.0
"""Nodes farther from the surface are filled from every second one. Our choice: three steps, so that no value
within a step of the surface comes from there."""

FARTHEST_MM = 1000.0
"""A distance to nothing."""


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What the loop over draws takes, and the fragments in its order."""

    fragments: tuple[int, ...]
    fields: Fields
    errors: Errors
    scan: Scan
    body: Body


def surroundings(
    prepared: PreparedBone, path: Path, placed: Placed, placement: Placement, *, has_no_data: bool
) -> Surroundings:
    """Everything around ``path`` that draws of its placement, ``placed``, may meet."""
    numbers = tuple(touched_fragments(path, prepared))
    numbers += tuple(n for n in prepared.fragments_of(path.bone_name) if n not in numbers and n in path.ring)
    body = _body(prepared, path, BEFORE_MM + 2 * placement.entry_sd_mm)
    nodes = _nodes(path, placed, body)
    outer = prepared.outer_surface(path.bone_name, reached(prepared, path))
    wide = Ball(path.entry_mm, portal_radius_mm(path) + WALL_BEYOND_MM)
    by_portal = nodes.by_screw & (np.abs(nodes.places_mm[..., 2]) < 2 * wide.radius_mm)
    joint = prepared.joint_of(path.bone_name)
    nothing = np.zeros((0, 0, 0, 4), np.float32)
    fields = Fields(
        np.stack([_field(path, prepared.meshes[number], nodes, nodes.by_axis) for number in numbers]),
        _field(path, outer, nodes, nodes.by_screw),
        _field(path, outer, nodes, by_portal, without=wide),
        nothing if joint is None else _field(path, joint, nodes, nodes.by_screw, rim_is_free=True),
        nodes.origin_mm,
        STEP_MM,
    )
    errors = _errors(prepared, path, numbers, body.low_mm)
    scan = _scan(prepared, path, numbers, nodes, has_no_data=has_no_data)
    return Surroundings(numbers, fields, errors, scan, body)


def _body(prepared: PreparedBone, path: Path, margin_mm: float) -> Body:
    zones, seat_mm = path.solid.zones, path.placed.seat_depth_mm
    gliding = gliding_hole_to_mm(path, crossed_fragments(path, prepared)[0])
    per_mm = [
        (
            np.pi
            * zone.thread.major_mm
            * thread_shape_factor(
                major_mm=zone.thread.major_mm, core_mm=zone.thread.core_mm, pitch_mm=zone.thread.pitch_mm
            ),
            1 / zone.thread.pitch_mm,
        )
        for zone in zones
    ]
    end_mm = max(path.length_mm, path.tip_depth_mm) + margin_mm
    return Body(
        np.array([[zone.full_from_mm, zone.full_to_mm, zone.from_mm, zone.to_mm] for zone in zones]),
        np.array([ring_radii_mm(zone) for zone in zones]),
        np.array(per_mm),
        _stations(path),
        seat_mm,
        portal_radius_mm(path),
        -np.inf if gliding is None else gliding,
        path.solid.tip_mm,
        -margin_mm,
        end_mm,
        MARCH_MM,
    )


def _stations(path: Path) -> Floats:
    """(s, 3) height, radius and part of places along the outline, flat ends to their middle."""
    outline, zones = path.solid.outline_mm, path.solid.zones
    tip_mm, last = float(outline[-1, 0]), zones[-1]
    taper_mm = max(0.0, last.to_mm - last.full_to_mm)
    leading_mm = tip_mm - taper_mm - LAST_PITCHES_COUNT * last.thread.pitch_mm
    ends = np.vstack([[outline[0, 0], 0.0], outline, [tip_mm, 0.0]])
    places = []
    for start, stop in pairwise(ends):
        steps = max(1, int(np.ceil(np.linalg.norm(stop - start) / STATION_MM)))
        share = np.linspace(0, 1, steps + 1)
        if stop[0] > start[0] and start[0] < leading_mm < stop[0]:
            cut = (leading_mm - start[0]) / (stop[0] - start[0])
            share = np.sort(np.append(share, [cut, cut + 1e-9]))
        places.append(start + share[:, None] * (stop - start))
    heights = np.concatenate(places)
    part = np.where(heights[:, 0] >= leading_mm, 0.0, 1.0)
    stations = np.column_stack([heights, part])
    if path.placed.screw.headless:
        stations = np.vstack([stations, [0.0, outline[0, 1], 2.0]])
    # The widest first: they find the smallest distance early.
    return np.ascontiguousarray(stations[np.argsort(-stations[:, 1], kind="stable")])


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Nodes' places (nx, ny, nz, 3) in the screw's frame, an odd number each way; which of them an axis may
    meet, and which the screw itself may."""

    places_mm: Floats
    by_axis: npt.NDArray[np.bool_]
    by_screw: npt.NDArray[np.bool_]

    @property
    def origin_mm(self) -> Floats:
        """The first node."""
        return np.ascontiguousarray(self.places_mm[0, 0, 0])


def _nodes(path: Path, placed: Placed, body: Body) -> _Nodes:
    widest = float(path.solid.outline_mm[:, 1].max())
    top_mm = path.placed.seat_depth_mm + path.solid.top_mm
    low, high = min(body.low_mm, top_mm) - 3 * STEP_MM, body.high_mm + 3 * STEP_MM
    along = low + STEP_MM * np.arange(2 * np.ceil((high - low) / STEP_MM / 2) + 1)
    angle = np.linalg.norm(placed.tilt_radian, axis=1)
    towards = placed.tilt_radian / np.maximum(angle, 1e-12)[:, None]
    across = placed.shift_mm[:, None] + along[None, :, None] * np.tan(angle)[:, None, None] * towards[:, None]
    reach = np.linalg.norm(across, axis=2).max(axis=0) + STEP_MM * np.sqrt(2)
    # A screw's rim reaches a little beyond its own height: its neighbours' reach covers that.
    reach = np.max([reach, np.append(reach[1:], reach[-1]), np.append(reach[0], reach[:-1])], axis=0)
    half = STEP_MM * np.ceil((reach.max() + widest) / STEP_MM + 1)
    beside = np.arange(-half, half + STEP_MM / 2, STEP_MM)
    x, y, z = np.meshgrid(beside, beside, along, indexing="ij")
    off_axis = np.hypot(x, y)
    # Beyond the tip only the axis goes on, to find the exit.
    last_mm = path.tip_depth_mm + body.high_mm - max(path.length_mm, path.tip_depth_mm)
    return _Nodes(
        np.stack([x, y, z], axis=-1),
        off_axis <= reach + np.where(along < last_mm, widest, 0.0),
        (off_axis <= reach + widest) & (z < last_mm + 2 * STEP_MM),
    )


def _field(
    path: Path,
    mesh: Mesh,
    nodes: _Nodes,
    asked: npt.NDArray[np.bool_],
    *,
    without: Ball = NO_BALL,
    rim_is_free: bool = False,
) -> npt.NDArray[np.float32]:
    """(nx, ny, nz, 4) signed distance and its gradient at the nodes that are asked.

    Every second node is asked first; what lies far from the surface by them is filled from them.
    """
    result = np.zeros((*asked.shape, 4), np.float32)
    every_second = np.zeros_like(asked)
    every_second[::2, ::2, ::2] = ndimage.maximum_filter(asked, 3)[::2, ::2, ::2]
    _ask(path, mesh, nodes, every_second, result, without, rim_is_free=rim_is_free)
    coarse = np.ascontiguousarray(result[::2, ::2, ::2])
    left = filled(coarse, nodes.origin_mm, 2 * STEP_MM, asked & ~every_second, FAR_MM, result)
    _ask(path, mesh, nodes, left, result, without, rim_is_free=rim_is_free)
    return result


def _ask(
    path: Path,
    mesh: Mesh,
    nodes: _Nodes,
    asked: npt.NDArray[np.bool_],
    result: npt.NDArray[np.float32],
    without: Ball,
    *,
    rim_is_free: bool,
) -> None:
    """Write distance and gradient of the asked nodes into ``result``."""
    frame = np.stack([path.u, path.v, path.direction])
    own = nodes.places_mm[asked]
    distance, closest = signed_distance_mm(
        mesh, path.entry_mm + own @ frame, without=without, rim_is_free=rim_is_free
    )
    known = np.isfinite(distance) & (np.abs(distance) > 1e-9)
    away = own - (closest - path.entry_mm) @ frame.T
    gradient = np.divide(away, distance[:, None], out=np.zeros_like(away), where=known[:, None])
    result[asked] = np.column_stack([np.clip(distance, -FARTHEST_MM, FARTHEST_MM), gradient])


def _errors(prepared: PreparedBone, path: Path, numbers: tuple[int, ...], low_mm: float) -> Errors:
    depth_mm = low_mm + KNOT_MM * np.arange(KNOTS_COUNT)
    asked = depth_mm < path.edges_mm[-1] + 3 * KNOT_MM
    points = path.entry_mm + depth_mm[asked, None] * path.direction
    own = prepared.fragments_of(path.bone_name)
    along = [_deviation(prepared, (number,), points) for number in numbers]
    padded = [
        np.append(one, np.full((~asked).sum(), one[-1]))
        for one in (*along, _deviation(prepared, own, points))
    ]
    return Errors(np.stack(padded[:-1]), padded[-1], GIVEN_SURFACE_SD_MM, low_mm, KNOT_MM)


def _deviation(prepared: PreparedBone, numbers: tuple[int, ...], points: Floats) -> Floats:
    """(n,) deviation of the surface nearest to each point; a plain one's by the slices too."""
    sd, normal = deviation_at(prepared, numbers, points)
    if any(prepared.bone.fragment(number).cortex is not None for number in numbers):
        return sd
    grid = prepared.bone.ct.grid
    axis = grid.affine[:3, grid.slice_axis] / grid.spacing_mm[grid.slice_axis]
    thick_mm = float(grid.spacing_mm[grid.slice_axis])
    return np.asarray(np.maximum(sd, SLICE_FRACTION * thick_mm * np.abs(normal @ axis)))


def _scan(
    prepared: PreparedBone, path: Path, numbers: tuple[int, ...], nodes: _Nodes, *, has_no_data: bool
) -> Scan:
    """The part of the scan that a draw may meet, as single floats: one form for the compiled loop."""
    bone = prepared.bone
    frame = np.stack([path.u, path.v, path.direction])
    met = nodes.places_mm[nodes.by_axis]
    to_ijk = []
    for number in numbers:
        whole = np.linalg.inv(bone.ct.grid.affine) @ back_of(prepared.poses[number])
        turned = whole[:3, :3] @ frame.T
        to_ijk.append(np.column_stack([turned, whole[:3, :3] @ path.entry_mm + whole[:3, 3]]))
    last = np.array(bone.ct.grid.shape) - 1
    reach = np.concatenate([met @ one[:, :3].T + one[:, 3] for one in to_ijk])
    first = np.clip(np.floor(reach.min(axis=0)), 0, np.maximum(last - 1, 0)).astype(int)
    stop = np.clip(np.ceil(reach.max(axis=0)), first + 1, last).astype(int) + 1
    box = tuple(slice(low, high) for low, high in zip(first, stop, strict=True))
    for one in to_ijk:
        one[:, 3] -= first
    metal = any(removed.what == "metal" for removed in bone.segmentation.removed)
    return Scan(
        np.ascontiguousarray(bone.ct.hu[box], np.float32),
        np.ascontiguousarray(np.stack(to_ijk)),
        float(NO_DATA_BELOW_HU) if has_no_data else -np.inf,
        float(METAL_ABOVE_HU) if metal else np.inf,
        shear_table_mpa(bone.host),
        DENSITY_STEP_MG_CM3,
    )


def shear_table_mpa(host: Host) -> Floats:
    """The shear law of a host at densities DENSITY_STEP_MG_CM3 apart, from 0."""
    return shear_strength_mpa(np.arange(0.0, DENSEST_MG_CM3, DENSITY_STEP_MG_CM3), host)
