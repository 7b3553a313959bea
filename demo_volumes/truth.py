"""What a perfect planner would find for each planned screw, taken from the formulas and never from voxels.

Lengths are zero crossings of the fields along the axis, found by bisection (to 1e-9 mm). Thread engagement is
the area-weighted mean, over lines parallel to the axis that fill the ring between core and major radius, of
each line's length inside the fragment. Clearance is the smallest distance from points of the screw's own
surface to the bone's (``surface_points.py``). Tolerances, each held by a test: lengths 0.001 mm, engagement
0.02 mm, clearance 0.02 mm.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from demo_volumes.scene import PlannedScrew, Scene
from demo_volumes.screw_forms import DemoScrew, DemoThread, stocked_lengths_mm
from demo_volumes.shapes import Array, Field, values_at
from segmentation.vocabulary import Floats

LOOK_MM = 120.0
"""How far before and behind the given point the axis is searched. Our choice: longer than any demo bone is
thick."""

LOOK_STEP_MM = 0.02
"""First sampling of the axis: nothing thinner than this is missed."""

BISECTION_COUNT = 30
"""Halvings of a sampling step: 0.02 mm to 2e-11 mm."""

RING_RADII_COUNT = 16
"""Radii in the ring, at the middles of equal areas. Our choice: with the angles below, engagement to under
0.01 mm."""

RING_ANGLES_COUNT = 120
"""Lines at each radius. Our choice, as above."""

RING_STEP_MM = 0.1
"""Step along each line; the crossing is interpolated between samples."""

SOLID_STEP_MM = 0.5
"""First step along the screw's outline for clearance."""

SOLID_ANGLES_COUNT = 36
"""First points around it."""

ZOOM_PLACES_COUNT = 6
"""So many of the best places are looked at more closely: a screw may be near the surface at more than one."""

ZOOM_COUNT = 9
"""Points each way around such a place, one step of the coarser look to either side."""

ZOOM_ROUNDS_COUNT = 3
"""Closer looks: the last step is 0.5 mm / 64 along the outline and 0.16 degree around it."""

ZOOM_RATIO = 4
"""Each look's steps are finer by this: what ZOOM_COUNT points cover without a hole."""

RIM_ANGLES_COUNT = 360
"""Points of a rim: a chord misses a 4 mm circle by 0.0001 mm."""

SMALLEST_CHANGE_MM = 1e-12
"""Guards a division where two samples of a field are equal."""

Measure = Callable[[Floats], Floats]
"""Of (n, 3) points in anatomical mm: (n,) values."""


class Axis:
    """The line of a planned screw: ``entry_mm`` (3,) on the outer surface, ``direction`` (3,) into the bone.

    ``bone_length_mm`` is None where the line leaves the scan (within ``half_mm`` (3,) of the origin, patient
    mm, by ``placement``) before it leaves the bone. ``seen_mm`` is the depth to which it can be followed.
    """

    def __init__(self, scene: Scene, placement: Floats, plan: PlannedScrew) -> None:
        bone = scene.bones[0]
        direction = np.subtract(plan.towards_mm, plan.from_mm)
        self.direction: Floats = direction / np.linalg.norm(direction)
        self.entry_mm: Floats = np.asarray(plan.from_mm, float)
        fragments = [bone.near_fragment_field(n) for n in range(len(bone.fragment_names))]
        spans = [s for field in fragments for s in self.spans_mm(field, -LOOK_MM, LOOK_MM)]
        start, stop = min(span[0] for span in spans), max(span[1] for span in spans)
        self.entry_mm = self.entry_mm + start * self.direction
        entry, way = placement @ self.entry_mm, placement @ self.direction
        moving = way != 0
        walls = ((np.sign(way) * np.array(scene.size_mm) / 2 - entry)[moving]) / way[moving]
        self.bone_length_mm = float(stop - start) if stop - start < walls.min() else None
        self.seen_mm = float(min(stop - start, walls.min()))

    def points_mm(self, depths_mm: Floats) -> Floats:
        """(n, 3) points at these depths."""
        return np.asarray(self.entry_mm + np.asarray(depths_mm)[:, None] * self.direction)

    def spans_mm(self, field: Field, from_mm: float, to_mm: float) -> list[tuple[float, float]]:
        """Stretches of depth (from, to) inside ``field``, in order."""
        depths = np.arange(from_mm, to_mm + LOOK_STEP_MM, LOOK_STEP_MM)
        inside = field(*self.points_mm(depths).T) < 0
        change = np.flatnonzero(inside[1:] != inside[:-1])
        low, high, inside_low = depths[change], depths[change + 1], inside[change]
        for _ in range(BISECTION_COUNT):
            middle = (low + high) / 2
            same = (field(*self.points_mm(middle).T) < 0) == inside_low
            low, high = np.where(same, middle, low), np.where(same, high, middle)
        ends = ((low + high) / 2).tolist()
        if inside[0]:
            ends.insert(0, from_mm)
        if inside[-1]:
            ends.append(to_mm)
        return list(zip(ends[::2], ends[1::2], strict=True))

    def across(self) -> tuple[Floats, Floats]:
        """Two unit vectors square to the axis and to each other."""
        aside = np.cross(self.direction, np.eye(3)[np.argmin(np.abs(self.direction))])
        aside /= np.linalg.norm(aside)
        return aside, np.cross(self.direction, aside)


def chosen_length_mm(plan: PlannedScrew, axis: Axis) -> float:
    """The stocked length that ends where the plan wants its tip: never deeper if short of the exit, never
    shorter if past."""
    lengths = stocked_lengths_mm(plan.screw)
    if plan.wanted_length_mm is not None:
        return plan.wanted_length_mm
    wanted = axis.seen_mm + plan.beyond_mm - plan.seat_depth_mm
    if plan.beyond_mm > 0:
        return min(length for length in lengths if length >= wanted)
    return max(length for length in lengths if length <= wanted)


def engagement_mm(
    axis: Axis, thread: DemoThread, field: Field, seat_depth_mm: float, after_mm: float
) -> float:
    """Thread engagement of one thread in ``field``: the ring's mean length inside it, deeper than
    ``after_mm``."""
    start = max(thread.full_from_mm + seat_depth_mm, after_mm)
    stop = thread.full_to_mm + seat_depth_mm
    if stop <= start:
        return 0.0
    values = values_at(field, _line_points_mm(axis, _ring_radii_mm(thread), start, stop))
    step = (stop - start) / (values.shape[1] - 1)
    a, b = values[:, :-1], values[:, 1:]
    # The share of a step that lies inside, if the field runs straight over it.
    crossing = np.maximum(-a, -b) / np.maximum(np.abs(a - b), SMALLEST_CHANGE_MM)
    share = np.where((a < 0) == (b < 0), a < 0, crossing)
    return float(share.sum(axis=1).mean() * step)


def gliding_hole_to_mm(axis: Axis, near: Field, major_mm: float) -> float:
    """Depth at which the whole major circle has left the near fragment."""
    start, stop = -major_mm, axis.seen_mm + major_mm
    values = values_at(near, _line_points_mm(axis, np.array([major_mm / 2]), start, stop))
    step = (stop - start) / (values.shape[1] - 1)
    leaving = (values[:, :-1] < 0) & (values[:, 1:] >= 0)
    line, index = np.nonzero(leaving)
    a, b = values[line, index], values[line, index + 1]
    return float((start + step * (index + a / (a - b))).max())


def ring_density_mg_cm3(
    scene: Scene, axis: Axis, thread: DemoThread, field: Field, spans: list[tuple[float, float]]
) -> float | None:
    """Mean density, unblurred, of what of the ring lies inside ``field`` over these stretches of depth; None
    if nothing."""
    bone = scene.bones[0]

    def wall_hu(x: Array, y: Array, z: Array) -> Array:
        return bone.wall_hu(x, y, z, np.maximum(-bone.outside(x, y, z), 0))

    found = []
    for start, stop in spans:
        points = _line_points_mm(axis, _ring_radii_mm(thread), start, stop).reshape(-1, 3)
        inside = points[values_at(field, points) < 0]
        found.append(values_at(wall_hu, inside))
    hu = np.concatenate(found) if found else np.zeros(0)
    return float(hu.mean()) * scene.slope_mg_cm3_per_hu + scene.intercept_mg_cm3 if hu.size else None


def smallest_on_solid_mm(
    measures: tuple[Measure, Measure], axis: Axis, screw: DemoScrew, seat_depth_mm: float, from_mm: float
) -> float:
    """The smallest value of a measure over the screw's surface from a height to the tip, head left out.

    ``measures`` are a rough and an exact one, each of (n, 3) points. The outline is walked in coarse steps;
    around the best places the steps are then made four times finer, three times.
    """
    outline = np.array([*screw.outline_mm, (screw.tip_mm, 0.0)])
    walked = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(outline, axis=0), axis=1))])
    first = float(np.interp(from_mm, outline[:, 0], walked)) if from_mm > 0 else 0.0
    walk_step, turn_step = SOLID_STEP_MM, 2 * np.pi / SOLID_ANGLES_COUNT
    walks = np.union1d(
        np.linspace(first, walked[-1], _count(walked[-1] - first, walk_step)), walked[walked >= first]
    )
    places = np.stack(
        np.meshgrid(walks, np.arange(SOLID_ANGLES_COUNT) * turn_step, indexing="ij"), -1
    ).reshape(-1, 2)

    def measured(measure: Measure) -> Floats:
        height, radius = (np.interp(places[:, 0], walked, column) for column in outline.T)
        aside, across = axis.across()
        turn = places[:, 1:]
        sideways = radius[:, None] * (np.cos(turn) * aside + np.sin(turn) * across)
        return measure(axis.points_mm(height + seat_depth_mm) + sideways)

    values = measured(measures[0])
    around = np.stack(np.meshgrid(*[np.linspace(-1, 1, ZOOM_COUNT)] * 2, indexing="ij"), -1).reshape(-1, 2)
    for _ in range(ZOOM_ROUNDS_COUNT):
        best = places[np.argsort(values)[:ZOOM_PLACES_COUNT]]
        places = (best[:, None] + around * (walk_step, turn_step)).reshape(-1, 2)
        places[:, 0] = np.clip(places[:, 0], first, walked[-1])
        values = measured(measures[1])
        walk_step, turn_step = walk_step / ZOOM_RATIO, turn_step / ZOOM_RATIO
    return float(values.min())


def rim_points_mm(axis: Axis, screw: DemoScrew, seat_depth_mm: float) -> Floats:
    """(n, 3) points of the trailing end's rim."""
    radius = screw.outline_mm[0][1]
    return np.asarray(axis.points_mm(np.array([seat_depth_mm])) + radius * _round(axis, RIM_ANGLES_COUNT))


def _count(length_mm: float, step_mm: float) -> int:
    return max(2, int(np.ceil(length_mm / step_mm)) + 1)


def _round(axis: Axis, count: int) -> Floats:
    """(count, 3) unit vectors square to the axis, evenly around it."""
    angles = np.arange(count) * (2 * np.pi / count)
    first, second = axis.across()
    return np.asarray(np.cos(angles)[:, None] * first + np.sin(angles)[:, None] * second)


def _ring_radii_mm(thread: DemoThread) -> Floats:
    """Radii at the middles of RING_RADII_COUNT equal areas between core and major radius."""
    core, major = thread.core_mm / 2, thread.major_mm / 2
    return np.asarray(
        np.sqrt(core**2 + (np.arange(RING_RADII_COUNT) + 0.5) / RING_RADII_COUNT * (major**2 - core**2))
    )


def _line_points_mm(axis: Axis, radii_mm: Floats, start_mm: float, stop_mm: float) -> Floats:
    """(lines, depths, 3) points on lines parallel to the axis, at these radii around it."""
    offsets = (radii_mm[:, None, None] * _round(axis, RING_ANGLES_COUNT)).reshape(-1, 3)
    depths = np.linspace(start_mm, stop_mm, _count(stop_mm - start_mm, RING_STEP_MM))
    return np.asarray(axis.points_mm(depths)[None] + offsets[:, None])
