"""The healthy side as a pattern: its bone, mirrored left to right, laid under each fragment.

A mirrored bone tells how the fragments stood to each other, not where along a smooth shaft they broke: it is
used for the start and the turn. Registered to the outer surface point to plane, from the four ways a bone may
lie along its own long axes; on phantoms of the same shape within 0.5° and, along a shaft, 2 mm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from segmentation.rigid_fit import Points, carried, settled
from segmentation.surface_shape import Rings, smooth_directions
from segmentation.vocabulary import Floats, Surface

PATTERN_COUNT, FRAGMENT_COUNT, COARSE_COUNT = 6000, 1500, 300
"""Points of the mirrored bone, of a fragment, and of a fragment while starts are sorted out. Our choice."""

ALONG_COUNT = 5
"""Places along the mirrored bone at which a fragment is begun. Our choice."""

REACHES_MM = (15.0, 6.0, 3.0)
"""The fragment's surface is paired across so much, in turns. Our choice."""

NEAR_MM = 1.0
"""A point lies on the pattern when so near. Our choice: twice what sides of one person differ."""


def template_starts(
    mirror: Sequence[Surface], fixed: Surface, moving: Surface, seed: int
) -> tuple[Points, Floats]:
    """The mirrored bone's surface in the frame of ``fixed``, and (1, 4, 4) where it puts ``moving``."""
    pattern = _pattern(mirror, seed)
    fixed_on_pattern = _laid_on(pattern, _sampled(fixed, seed))
    moving_on_pattern = _laid_on(pattern, _sampled(moving, seed))
    back = np.asarray(np.linalg.inv(fixed_on_pattern), np.float64)
    points = carried(back[None], pattern.face)[0]
    normals = pattern.face_normals @ back[:3, :3].T
    template = Points(points, normals, points, normals)
    return template, (back @ moving_on_pattern)[None]


def _pattern(mirror: Sequence[Surface], seed: int) -> Points:
    points, normals = (
        np.concatenate(part) for part in zip(*(_directed(surface) for surface in mirror), strict=True)
    )
    rows = np.random.default_rng(seed).permutation(len(points))[:PATTERN_COUNT]
    left_right = np.array([-1.0, 1.0, 1.0])
    points, normals = points[rows] * left_right, normals[rows] * left_right
    return Points(points, -normals, points, normals)


def _directed(surface: Surface) -> tuple[Floats, Floats]:
    _, normals = smooth_directions(surface.vertices_mm, Rings(surface.faces, len(surface.vertices_mm)))
    return surface.vertices_mm, normals


def _sampled(surface: Surface, seed: int) -> Points:
    points, normals = _directed(surface)
    rows = np.random.default_rng(seed).permutation(len(points))[:FRAGMENT_COUNT]
    return Points(points[rows], normals[rows], points[:0], normals[:0])


def _laid_on(pattern: Points, fragment: Points) -> Floats:
    """(4, 4) fragment mm → pattern mm where most of the fragment's surface lies on the pattern."""
    # A face of the pattern looks inward here, so that it opposes the fragment's as fracture faces do.
    target = Points(pattern.face, pattern.face_normals, pattern.outer[:0], pattern.outer_normals[:0])
    begun = _beginnings(pattern.face, fragment.face)
    rested = settled(target, fragment.thinned(COARSE_COUNT, 0, 1), begun, REACHES_MM)
    tree = cKDTree(pattern.face)
    away, _ = tree.query(carried(rested, fragment.face))
    best = int(np.argmax((away < NEAR_MM).mean(axis=1)))
    return np.asarray(settled(target, fragment, rested[best][None], REACHES_MM[1:])[0])


def _beginnings(pattern: Floats, fragment: Floats) -> Floats:
    """(k, 4, 4) as scanned, and along the bone's axes the four right-handed ways, at places along it."""
    centre, own = pattern.mean(axis=0), fragment.mean(axis=0)
    axes, own_axes = _axes(pattern - centre), _axes(fragment - own)
    along = (pattern - centre) @ axes[0]
    signs = [(one, two, one * two) for one in (1.0, -1.0) for two in (1.0, -1.0)]
    turns = [np.eye(3), *(axes.T @ np.diag(sign) @ own_axes for sign in signs)]
    result = []
    for place in np.quantile(along, (np.arange(ALONG_COUNT) + 1 / 2) / ALONG_COUNT):
        for turn in turns:
            pose = np.eye(4)
            pose[:3, :3] = turn
            pose[:3, 3] = centre + place * axes[0] - turn @ own
            result.append(pose)
    return np.stack(result)


def _axes(points: Floats) -> Floats:
    """(3, 3) rows: the long axis first, right-handed."""
    _, _, axes = np.linalg.svd(points, full_matrices=False)
    if np.linalg.det(axes) < 0:
        axes[2] = -axes[2]
    return np.asarray(axes)
