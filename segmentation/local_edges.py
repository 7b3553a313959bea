"""Where a bone's edge lies beneath each vertex of its surface: half way between the grey values around it.

A surface at one fixed level lies too far out over cortex and too far in over cancellous bone; on a fracture
face, where the two meet, that shifts parts of it against each other by half a millimetre. The grey values are
averaged over a small disc and read along the normal; the edge is where they first reach half way from the
least outside to the most inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from segmentation.edge_kernels import disc_profiles, gradients
from segmentation.narrow_gap import beside_another
from segmentation.vocabulary import CTVolume, Floats

OUTWARD_MM, INWARD_MM, STEP_MM = 1.8, 1.6, 0.2
"""How far the profile goes out of the bone and into it, and its step. Our choice: twice the blur of a fine
scan, so that both levels are reached."""

DISC_MM, AROUND_COUNT = 0.5, 6
"""Radius of the disc that is averaged and the places on its rim. Our choice: noise of 30 HU falls to about 15
and waves of 7 mm are kept."""

BENEATH_MM = 1.2
"""The brightest grey value is looked for so far beneath the edge. Common practice: a cortex begins at the
surface and is 0.5 to 5 mm thick."""


SLOPE_MM, SQUARE_COSINE_FACTOR = 0.5, 0.7
"""Grey values must fall along the normal, within 45°, over so much to both sides of an edge: where a hollow
was closed the surface lies on none. Our choice: noise of 30 HU turns the fall at a face by 15°."""


@dataclass(frozen=True, eq=False)
class Edges:
    """What lies at each of n vertices: ``out_mm`` from the vertex to the edge along the outward normal (NaN
    where none was found), ``contrast_hu`` across it, ``peak_hu``, the brightest just beneath, and ``narrow``,
    whether another bone is opposite within the blur.
    """

    out_mm: Floats
    contrast_hu: Floats
    peak_hu: Floats
    narrow: npt.NDArray[np.bool_]


def local_edges(ct: CTVolume, points_mm: Floats, normals: Floats) -> Edges:
    """The edges at ``points_mm`` (n, 3) with outward unit ``normals`` (n, 3), both in patient mm."""
    depth = np.arange(-INWARD_MM, OUTWARD_MM + STEP_MM / 2, STEP_MM)
    hu = _profiles_hu(ct, points_mm, normals, depth)
    middle = int(np.argmin(np.abs(depth)))
    inside = hu[:, : middle + 2].max(axis=1)
    outside = hu[:, middle - 1 :].min(axis=1)
    lowest = middle - 1 + np.argmin(hu[:, middle - 1 :], axis=1)
    half = (inside + outside) / 2
    # From the darkest place outside inwards, the first step over the half level.
    columns = np.arange(len(depth) - 1)
    steps_over = (hu[:, :-1] >= half[:, None]) & (hu[:, 1:] < half[:, None]) & (columns < lowest[:, None])
    found = steps_over.any(axis=1)
    at = len(depth) - 2 - np.argmax(steps_over[:, ::-1], axis=1)
    rows = np.arange(len(hu))
    above, below = hu[rows, at], hu[rows, at + 1]
    share = np.where(found, (above - half) / np.where(above > below, above - below, 1), 0.0)
    out = np.where(found, depth[at] + STEP_MM * share, np.nan)
    found &= _square(ct, points_mm + np.where(found, out, 0.0)[:, None] * normals, normals)
    out, outside, narrow = beside_another(hu, depth, np.where(found, out, np.nan), lowest)
    beneath = (depth <= out[:, None]) & (depth >= out[:, None] - BENEATH_MM)
    peak = np.where(beneath, hu, -np.inf).max(axis=1)
    return Edges(out, np.where(found, inside - outside, 0.0), peak, narrow)


def _square(ct: CTVolume, points_mm: Floats, normals: Floats) -> npt.NDArray[np.bool_]:
    """(n,) whether grey values fall along the normals."""
    slope = gradients(ct.hu, np.linalg.inv(ct.grid.affine), np.ascontiguousarray(points_mm), SLOPE_MM)
    fall = -np.einsum("ni,ni->n", slope, normals)
    return np.asarray(fall > SQUARE_COSINE_FACTOR * np.linalg.norm(slope, axis=1))


def _profiles_hu(ct: CTVolume, points_mm: Floats, normals: Floats, depth_mm: Floats) -> Floats:
    """(n, depths) grey values averaged over a disc across the normal."""
    helper = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    u = np.cross(helper, normals)
    u /= np.maximum(np.linalg.norm(u, axis=1, keepdims=True), np.finfo(float).tiny)
    v = np.cross(normals, u)
    turns = 2 * np.pi * np.arange(AROUND_COUNT) / AROUND_COUNT
    rim = DISC_MM * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    return np.asarray(
        disc_profiles(
            ct.hu,
            np.linalg.inv(ct.grid.affine),
            np.ascontiguousarray(points_mm),
            np.ascontiguousarray(normals),
            u,
            v,
            np.concatenate([np.zeros((1, 2)), rim]),
            depth_mm,
        )
    )
