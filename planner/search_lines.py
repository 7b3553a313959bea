"""Which lines a search looks at: entry points on the allowed part of the bone, directions into it, and the
neighbours of a line that is already good."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from planner.distance_field import trilinear
from planner.prepared import PreparedBone
from planner.search_space import SearchSpace
from segmentation.errors import InputError
from segmentation.vocabulary import Floats

STEEPEST_DEGREE = 65.0
"""A drill enters no farther from square to the surface than this. Our choice: a drill skids from about 60°
(common practice)."""

GOLDEN_RADIAN = math.pi * (3 - math.sqrt(5))
"""Turn from one point of a spiral on a sphere to the next (mathematics)."""


@dataclass(frozen=True, eq=False)
class Approach:
    """A cone that the screw's direction, from entry to tip, must lie in."""

    direction: Floats
    within_degree: float

    def holds(self, directions: Floats) -> npt.NDArray[np.bool_]:
        """(n,) which directions (n, 3) lie in the cone."""
        axis = self.direction / np.linalg.norm(self.direction)
        return np.asarray(directions @ axis >= math.cos(math.radians(self.within_degree)) - 1e-12)


@dataclass(frozen=True, eq=False)
class Entries:
    """Places on a bone (n, 3) and the way square into it (n, 3)."""

    points_mm: Floats
    inward: Floats


def entries(
    prepared: PreparedBone,
    space: SearchSpace,
    *,
    spacing_mm: float,
    fragments: Sequence[int] | None = None,
    from_joint_mm: float = 0.0,
) -> Entries:
    """Places about ``spacing_mm`` apart on the outer surface of ``fragments`` (default: all of the bone).

    Faces in a fracture are left out, and places nearer than ``from_joint_mm`` to the joint surface. Raises
    InputError where nothing is left.
    """
    points, inward = [], []
    for number in space.fragments:
        if fragments is not None and number not in fragments:
            continue
        mesh = prepared.meshes[number]
        free = (prepared.looks_at[number] == 0) & ~prepared.touches[number]
        if space.has_joint:
            free &= trilinear(space.distances_mm[..., 1], space.grid, mesh.middles_mm) >= from_joint_mm
        free = np.flatnonzero(free & (np.abs(mesh.normals).sum(axis=1) > 0))
        chosen = free[_spread(mesh.middles_mm[free], spacing_mm)]
        points.append(mesh.middles_mm[chosen])
        inward.append(
            _square_in(mesh.middles_mm[free], -mesh.normals[free], mesh.middles_mm[chosen], spacing_mm)
        )
    if not points or not sum(map(len, points)):
        raise InputError("no part of the bone's surface is left to enter by; allow more of it")
    return Entries(np.concatenate(points), np.concatenate(inward))


def lines_from(
    at: Entries, *, spacing_degree: float, approach: Approach | None = None
) -> tuple[Floats, Floats]:
    """Every line (n, 3), (n, 3): from each entry, directions about ``spacing_degree`` apart, none steeper
    than STEEPEST_DEGREE to the way square in."""
    least = math.cos(math.radians(STEEPEST_DEGREE))
    directions = _sphere(spacing_degree)
    if approach is not None:
        axis = approach.direction / np.linalg.norm(approach.direction)
        directions = np.concatenate([axis[None], directions[approach.holds(directions)]])
    entry, direction = np.nonzero(at.inward @ directions.T >= least)
    return at.points_mm[entry], directions[direction]


NEIGHBOURS = np.array([step for step in product((-1.0, 0.0, 1.0), repeat=4) if 1 <= np.abs(step).sum() <= 2])
"""(32, 4) steps aside (two) and turns (two): one of them, or two at once."""


def neighbours(
    points_mm: Floats,
    directions: Floats,
    *,
    step_mm: Floats,
    turn_degree: Floats,
    pivot_mm: Floats,
    steps: Floats = NEIGHBOURS,
) -> tuple[Floats, Floats]:
    """(n · k, 3) lines around each of n: moved aside by its step (n,) and turned (n,), about a place
    ``pivot_mm`` (n,) deep on each, as ``steps`` (k, 4) or (n, k, 4) say."""
    u, v = _across(directions)
    pivots = points_mm + pivot_mm[:, None] * directions
    aside = step_mm[:, None, None] * steps[..., :2]
    turns = np.tan(np.radians(turn_degree))[:, None, None] * steps[..., 2:]
    moved = pivots[:, None] + aside[..., :1] * u[:, None] + aside[..., 1:] * v[:, None]
    turned = directions[:, None] + turns[..., :1] * u[:, None] + turns[..., 1:] * v[:, None]
    turned /= np.linalg.norm(turned, axis=2, keepdims=True)
    return (moved - pivot_mm[:, None, None] * turned).reshape(-1, 3), turned.reshape(-1, 3)


def _across(directions: Floats) -> tuple[Floats, Floats]:
    helper = np.eye(3)[np.argmin(np.abs(directions), axis=1)]
    u = np.cross(helper, directions)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(directions, u)


def _spread(points_mm: Floats, spacing_mm: float) -> npt.NDArray[np.intp]:
    """One of the points in each cube of a lattice: the one nearest to the mean of the cube's points."""
    if not len(points_mm):
        return np.zeros(0, np.intp)
    cubes = np.floor(points_mm / spacing_mm).astype(np.int64)
    _, cube = np.unique(cubes, axis=0, return_inverse=True)
    cube = cube.reshape(-1)
    count = np.bincount(cube)
    means = np.stack([np.bincount(cube, points_mm[:, axis]) / count for axis in range(3)], axis=1)
    away = np.linalg.norm(points_mm - means[cube], axis=1)
    order = np.lexsort((np.arange(len(away)), away, cube))
    return order[np.unique(cube[order], return_index=True)[1]]


def _square_in(points_mm: Floats, inward: Floats, at_mm: Floats, radius_mm: float) -> Floats:
    """(n, 3) mean way square in around places."""
    found = []
    for near in cKDTree(points_mm).query_ball_point(at_mm, radius_mm):
        mean = inward[sorted(near)].sum(axis=0)
        found.append(mean / max(float(np.linalg.norm(mean)), 1e-12))
    return np.array(found).reshape(-1, 3)


def _sphere(spacing_degree: float) -> Floats:
    """(n, 3) directions spread evenly over the sphere (Fibonacci's spiral)."""
    count = max(12, math.ceil(4 * math.pi / math.radians(spacing_degree) ** 2))
    z = 1 - 2 * (np.arange(count) + 0.5) / count
    turn = GOLDEN_RADIAN * np.arange(count)
    radius = np.sqrt(1 - z * z)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), z], axis=1)
