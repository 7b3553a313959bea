"""The screw as triangles: its solid of revolution, with a real helix for the thread.

Radius at height z and angle θ: the core, plus the tooth's height where the phase (z / pitch − θ / 2π) lies
on a tooth, never beyond the envelope. Made for pictures: the facets miss the round by under 1 % of the
radius.
"""

from __future__ import annotations

import numpy as np

from planner.solid import Solid, solid_of
from planner.vocabulary import ScrewResult, ThreadZone
from segmentation.vocabulary import Floats, Ints
from viewer.report.thread_teeth import CREST_MM, flank_widths_mm, radius_mm, tooth_share
from viewer.report.view_frame import squared_up

ANGLES_COUNT = 48
"""Facets around the screw. Our choice: the chord misses the arc by 0.2 % of the radius."""

STEP_MM = 0.06
"""Step along a thread. Our choice: half of a crest's width."""

MERGED_MM = 1e-6
"""Heights nearer than this are one ring of vertices. Our choice."""


def screw_mesh(result: ScrewResult, *, threaded: bool = True) -> tuple[Floats, Ints]:
    """(n, 3) vertices in mm and (m, 3) faces of a placed screw; the bare envelope unless ``threaded``."""
    solid = solid_of(result.placed.screw, result.placed.length_mm)
    heights_mm = _heights_mm(solid, threaded=threaded)
    angles = np.arange(ANGLES_COUNT) * 2 * np.pi / ANGLES_COUNT
    if threaded:
        radii_mm = _threaded_radii_mm(solid, heights_mm, angles)
    else:
        radii_mm = np.repeat(radius_mm(solid.outline_mm, heights_mm)[:, None], ANGLES_COUNT, axis=1)
    along = np.asarray(result.direction, float)
    up = squared_up(along)
    spokes = np.cos(angles)[:, None] * up + np.sin(angles)[:, None] * np.cross(along, up)
    centres_mm = result.entry_mm + (heights_mm + result.placed.seat_depth_mm)[:, None] * along
    rings_mm = centres_mm[:, None, :] + radii_mm[..., None] * spokes
    vertices_mm = np.vstack([rings_mm.reshape(-1, 3), centres_mm[[0, -1]]])
    return vertices_mm, _faces(len(heights_mm))


def _heights_mm(solid: Solid, *, threaded: bool) -> Floats:
    """Heights of the rings of vertices: every corner of the outline, and fine steps along threads."""
    corners = np.concatenate([solid.outline_mm[:, 0], solid.core_outline_mm[:, 0]])
    # A step of the radius is rings just before and just after it, so that its wall is steep.
    knots = [corners - 2 * MERGED_MM, corners, corners + 2 * MERGED_MM]
    if threaded:
        knots += [np.arange(zone.from_mm, zone.to_mm, STEP_MM) for zone in solid.zones]
    heights = np.unique(np.round(np.concatenate(knots) / MERGED_MM)) * MERGED_MM
    return np.asarray(heights[(heights >= solid.top_mm - MERGED_MM) & (heights <= solid.tip_mm + MERGED_MM)])


def _threaded_radii_mm(solid: Solid, heights_mm: Floats, angles: Floats) -> Floats:
    core_mm = radius_mm(solid.core_outline_mm, heights_mm)
    radii_mm = np.repeat(core_mm[:, None], len(angles), axis=1)
    envelope_mm = radius_mm(solid.outline_mm, heights_mm)
    for zone in solid.zones:
        on = (heights_mm >= zone.from_mm) & (heights_mm <= zone.to_mm)
        room_mm = np.minimum(
            zone.thread.depth_mm * tooth_share(zone, heights_mm[on]), envelope_mm[on] - core_mm[on]
        )
        radii_mm[on] += np.maximum(room_mm, 0)[:, None] * _tooth_profile(zone, heights_mm[on], angles)
    return radii_mm


def _tooth_profile(zone: ThreadZone, heights_mm: Floats, angles: Floats) -> Floats:
    """(n, a) height of the helix as a share of the tooth, 0 on the core and 1 on the crest."""
    thread = zone.thread
    behind_mm, ahead_mm = flank_widths_mm(thread, thread.depth_mm)
    turns = (heights_mm - zone.from_mm)[:, None] / thread.pitch_mm - angles / (2 * np.pi)
    place_mm = (turns % 1.0) * thread.pitch_mm
    rising = place_mm / max(behind_mm, STEP_MM)
    falling = (max(behind_mm, STEP_MM) + CREST_MM + ahead_mm - place_mm) / ahead_mm
    return np.asarray(np.clip(np.minimum(rising, falling), 0, 1))


def _faces(rings: int) -> Ints:
    """(m, 3) faces of a tube of rings with both ends closed by a fan, facing outward."""
    ring, place = np.meshgrid(np.arange(rings - 1), np.arange(ANGLES_COUNT), indexing="ij")
    following = (place + 1) % ANGLES_COUNT
    a, b = ring * ANGLES_COUNT + place, ring * ANGLES_COUNT + following
    c, d = a + ANGLES_COUNT, b + ANGLES_COUNT
    sides = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([b, d, c], -1).reshape(-1, 3)])
    first = np.arange(ANGLES_COUNT)
    after = (first + 1) % ANGLES_COUNT
    near = np.stack([np.full(ANGLES_COUNT, rings * ANGLES_COUNT), after, first], -1)
    last = (rings - 1) * ANGLES_COUNT
    far = np.stack([np.full(ANGLES_COUNT, rings * ANGLES_COUNT + 1), last + first, last + after], -1)
    return np.concatenate([sides, near, far]).astype(np.int32)
