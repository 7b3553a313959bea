"""Fragments moved by a reduction: their surfaces where the plan sees them, and what two of them share.

A pose takes as-scanned mm to reduced mm. Where reduced fragments overlap, a place belongs to the one in which
it lies deeper; the switch is found between places SWITCH_STEP_MM apart on the line. The shared volume is the
length that lines of a lattice run through both, times the lattice's cell: on a box within 3 %
(tests/test_posed.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from planner.mesh import Bundle, Mesh, Stretches, bundle_along, signed_distance_mm, stretches_inside
from segmentation.vocabulary import Floats, Fragment, Surface

SWITCH_STEP_MM = 0.1
"""An overlap is looked at so often along a line. Our choice: linear in between, it is exact to far less."""

LATTICE_MM = 0.4
"""Largest distance of the lines that measure a shared volume. Our choice: a fine voxel."""

MOVED_MM = 1e-9
"""A pose that changes no entry by more is none: rounding."""

Rows = npt.NDArray[np.intp]


def moves(pose: Floats) -> bool:
    """Whether a pose moves anything."""
    return not bool((np.abs(pose - np.eye(4)) <= MOVED_MM).all())


def carried(pose: Floats, points_mm: Floats) -> Floats:
    """(…, 3) points moved by a pose."""
    return np.asarray(points_mm @ pose[:3, :3].T + pose[:3, 3])


def back_of(pose: Floats) -> Floats:
    """(4, 4) the way back of a pose."""
    return np.asarray(np.linalg.inv(pose), np.float64)


def posed_surface(surface: Surface, pose: Floats) -> Surface:
    """``surface`` moved by a pose; the same object where it moves nothing."""
    return Surface(carried(pose, surface.vertices_mm), surface.faces) if moves(pose) else surface


def posed_joint(joint: Surface, fragments: tuple[Fragment, ...], poses: Mapping[int, Floats]) -> Surface:
    """The joint surface with each triangle moved as the fragment it lies on, the nearest as scanned."""
    if not any(moves(pose) for pose in poses.values()):
        return joint
    middles = joint.vertices_mm[joint.faces].mean(axis=1)
    away = np.stack([cKDTree(f.surface.vertices_mm).query(middles)[0] for f in fragments])
    nearest = np.argmin(away, axis=0)
    vertices, faces, count = [], [], 0
    for index, fragment in enumerate(fragments):
        own = joint.faces[nearest == index]
        used, renumbered = np.unique(own, return_inverse=True)
        vertices.append(carried(poses[fragment.number], joint.vertices_mm[used]))
        faces.append(renumbered.reshape(-1, 3) + count)
        count += len(used)
    return Surface(np.concatenate(vertices), np.concatenate(faces))


@dataclass(frozen=True)
class Shared:
    """What two reduced fragments share: a volume, and the area of the first's surface that lies in it."""

    volume_mm3: float
    area_mm2: float


def shared_by(first: Mesh, second: Mesh) -> Shared:
    """What two closed surfaces share."""
    volume = shared_mm3(first, second)
    if volume == 0:
        return Shared(0.0, 0.0)
    near = ((first.middles_mm >= second.low_mm) & (first.middles_mm <= second.high_mm)).all(axis=1)
    inside = signed_distance_mm(second, first.middles_mm[near])[0] > 0
    corners = first.vertices_mm[first.faces[near][inside]]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return Shared(volume, float(np.linalg.norm(across, axis=1).sum() / 2))


def shared_mm3(first: Mesh, second: Mesh) -> float:
    """Volume that two closed surfaces share."""
    low, high = np.maximum(first.low_mm, second.low_mm), np.minimum(first.high_mm, second.high_mm)
    if (high <= low).any():
        return 0.0
    counts = np.ceil((high - low)[:2] / LATTICE_MM).astype(int)
    cell_mm = (high - low)[:2] / counts
    ticks = [(np.arange(count) + 1 / 2) * step for count, step in zip(counts, cell_mm, strict=True)]
    u, v = np.meshgrid(*ticks, indexing="ij")
    offsets = np.stack([u.ravel(), v.ravel()], axis=1)
    along_z = bundle_along(low, np.array([0.0, 0.0, 1.0]), offsets)
    # The bundle's own frame is right-handed but turned; x and y are what the lattice is laid in.
    lines = Bundle(low, along_z.direction, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), offsets)
    cut = {0: stretches_inside(first, lines), 1: stretches_inside(second, lines)}
    *_, start, stop = _zones(cut[0], cut[1])
    return float((stop - start).sum() * cell_mm.prod())


def shared_out(
    cut: Mapping[int, Stretches], meshes: Mapping[int, Mesh], bundle: Bundle
) -> dict[int, Stretches]:
    """``cut`` without what lies deeper in another fragment."""
    result = dict(cut)
    for one, other in combinations(sorted(cut), 2):
        result[one], result[other] = _parted(result[one], result[other], meshes[one], meshes[other], bundle)
    return result


def _zones(one: Stretches, other: Stretches) -> tuple[Rows, Rows, Rows, Floats, Floats]:
    """Rows of both that share a stretch of a line, that line, and from and to depth."""
    rows, columns = [], []
    for line in np.intersect1d(one.line, other.line):
        a, b = np.flatnonzero(one.line == line), np.flatnonzero(other.line == line)
        p, q = (grid.ravel() for grid in np.meshgrid(a, b, indexing="ij"))
        rows.append(p)
        columns.append(q)
    if not rows:
        none = np.zeros(0, np.intp)
        return none, none, none, np.zeros(0), np.zeros(0)
    row, column = np.concatenate(rows), np.concatenate(columns)
    start = np.maximum(one.from_mm[row], other.from_mm[column])
    stop = np.minimum(one.to_mm[row], other.to_mm[column])
    shared = stop > start
    return row[shared], column[shared], one.line[row[shared]], start[shared], stop[shared]


def _parted(
    one: Stretches, other: Stretches, mesh: Mesh, other_mesh: Mesh, bundle: Bundle
) -> tuple[Stretches, Stretches]:
    """Both, each without the parts of shared stretches that lie deeper in the other."""
    rows, columns, lines, starts, stops = _zones(one, other)
    lost: tuple[list[tuple[int, float, float]], ...] = ([], [])
    for row, column, line, start, stop in zip(rows, columns, lines, starts, stops, strict=True):
        depth = np.linspace(start, stop, max(2, int(np.ceil((stop - start) / SWITCH_STEP_MM)) + 1))
        foot = bundle.origin_mm + bundle.offsets_mm[line] @ np.stack([bundle.u, bundle.v])
        places = foot + depth[:, None] * bundle.direction
        deeper = signed_distance_mm(mesh, places)[0] - signed_distance_mm(other_mesh, places)[0]
        # A place as deep in both is a border too.
        sides = np.flatnonzero((deeper[:-1] >= 0) != (deeper[1:] >= 0))
        share = deeper[sides] / (deeper[sides] - deeper[sides + 1])
        borders = [start, *(depth[sides] + share * (depth[sides + 1] - depth[sides])), stop]
        for low, high in pairwise(borders):
            middle = np.interp((low + high) / 2, depth, deeper)
            # What the first keeps, the second loses.
            lost[int(middle >= 0)].append((int(column if middle >= 0 else row), float(low), float(high)))
    return _without(one, lost[0]), _without(other, lost[1])


def _without(stretches: Stretches, lost: list[tuple[int, float, float]]) -> Stretches:
    """The stretches less pieces of some of them (row, from, to)."""
    if not lost:
        return stretches
    line, start, stop = [], [], []
    for row, (low, high) in enumerate(zip(stretches.from_mm, stretches.to_mm, strict=True)):
        at = float(low)
        for _, from_mm, to_mm in sorted(piece for piece in lost if piece[0] == row):
            if from_mm > at:
                line.append(stretches.line[row])
                start.append(at)
                stop.append(from_mm)
            at = max(at, to_mm)
        if high > at:
            line.append(stretches.line[row])
            start.append(at)
            stop.append(float(high))
    return Stretches(np.array(line, np.intp), np.array(start, float), np.array(stop, float))
