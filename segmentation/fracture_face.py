"""Which part of a fragment's surface is its fracture face, and which the outer cortex beside it.

A fracture face looks towards the other fragment and, unlike the outer surface, has cancellous bone right
beneath it; its rim is the broken cortex. Where a shaft is all cortex, only the direction tells, so a narrower
cone is taken. Places are those of ``local_edges``. Expected error of a place: about 0.1 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from segmentation.local_edges import Edges, local_edges
from segmentation.surface_shape import Rings, smooth_directions
from segmentation.vocabulary import CTVolume, Floats, Surface

CONE_DEGREE, SHAFT_CONE_DEGREE = 68.0, 53.0
"""A face's directions lie within so much of its mean; the second where all is cortex. From a study on
phantoms: a wider cone swallows the wall of a hollow shaft."""

CANCELLOUS_FRACTION = 0.55
"""Beneath a fracture face the brightest is below this share of the cortex's. Our choice: cancellous bone is a
quarter of cortex, a cortex of 1 mm is seen at three quarters."""

SHAFT_FRACTION = 0.3
"""With less of the cone's points over cancellous bone the fragment is a shaft of cortex. Our choice."""

RIM_MM = 2.2
"""The face reaches so far over its rim, the broken cortex. Our choice: a cortex of 2 mm."""

LEAST_CONTRAST_HU = 90.0
"""A place with less contrast is no edge of bone. Our choice: three times the noise of a fine scan."""

BESIDE_MM, OFF_RIM_MM = (0.8, 7.0), 1.0
"""The outer cortex is looked at so far from the face. Our choice."""

REACH_MM = 40.0
"""A face lies no farther than this from the other fragment. Our choice: far beyond any displacement that is
reduced by closing the gap."""

POINTS_COUNT = 12_000
"""Most vertices that are looked at. Our choice: a face of 20 cm² in 0.4 mm steps."""

MEANS_COUNT = 4
"""How often the mean direction is taken anew. Our choice: it settles in two or three."""

FEWEST_COUNT = 60
"""A face of fewer points is none. Our choice: about 10 mm² of a fine scan."""

SAMPLE_COUNT = 1500
"""Vertices from which the cortex's level is taken. Our choice."""

PATCH_MM = 1.2
"""Points of one patch lie no farther apart than this. Our choice: two or three voxels."""

PATCH_FRACTION = 0.25
"""Smaller patches, compared with the largest, are no part of the face. Our choice."""

CORTEX_PERCENT = 70
"""Of all places, the brightness at so many percent stands for the cortex. Our choice."""


@dataclass(frozen=True, eq=False)
class Side:
    """One side of a fracture: points (n, 3) and unit outward normals of the face and of the cortex beside
    it, as scanned, in patient mm. ``looks`` (3,) is the face's mean direction.
    """

    face_mm: Floats
    face_normals: Floats
    outer_mm: Floats
    outer_normals: Floats
    looks: Floats
    all_cortex: bool

    @property
    def found(self) -> bool:
        """Whether there is a face to speak of."""
        return len(self.face_mm) >= FEWEST_COUNT


def fracture_side(ct: CTVolume, own: Surface, other: Surface) -> Side:
    """The side of ``own`` that looks at ``other``; both closed, as scanned."""
    smooth, normals = smooth_directions(own.vertices_mm, Rings(own.faces, len(own.vertices_mm)))
    rng = np.random.default_rng(len(smooth))
    cortex_hu = _cortex_hu(local_edges(ct, *_some(own.vertices_mm, normals, rng)))
    near = np.sort(rng.permutation(len(smooth))[:POINTS_COUNT])
    there, _ = _some(other.vertices_mm, other.vertices_mm, rng)
    away, _ = cKDTree(there).query(smooth[near], distance_upper_bound=REACH_MM)
    near = near[np.isfinite(away)]
    points, normals = own.vertices_mm[near], normals[near]
    looks = _unit(other.vertices_mm.mean(axis=0) - own.vertices_mm.mean(axis=0))
    edges = local_edges(ct, points, normals)
    edge = np.isfinite(edges.out_mm) & (edges.contrast_hu > LEAST_CONTRAST_HU)
    points = points + np.where(edge, edges.out_mm, 0.0)[:, None] * normals
    soft = edges.peak_hu < CANCELLOUS_FRACTION * cortex_hu
    face, looks, all_cortex = _face(points, normals, edge, soft, looks)
    outer = _outer(points, normals, edge, face, looks)
    return Side(points[face], normals[face], points[outer], normals[outer], looks, all_cortex)


def _face(
    points: Floats,
    normals: Floats,
    edge: npt.NDArray[np.bool_],
    soft: npt.NDArray[np.bool_],
    looks: Floats,
) -> tuple[npt.NDArray[np.bool_], Floats, bool]:
    """Which points are the face, its mean direction, and whether it is all cortex."""
    wide, narrow = (np.cos(np.radians(angle)) for angle in (CONE_DEGREE, SHAFT_CONE_DEGREE))
    towards = edge & (normals @ looks > narrow)
    all_cortex = bool((soft & towards).sum() < SHAFT_FRACTION * towards.sum())
    face = towards if all_cortex else towards & soft
    for _ in range(MEANS_COUNT):
        if not face.any():
            break
        looks = _unit(normals[face].mean(axis=0))
        face = edge & (normals @ looks > (narrow if all_cortex else wide))
        if not all_cortex:
            face &= soft
    face = _largest(points, face)
    if face.any() and not all_cortex:
        to_face, _ = cKDTree(points[face]).query(points, distance_upper_bound=RIM_MM)
        face |= edge & np.isfinite(to_face) & (normals @ looks > wide)
    return face, looks, all_cortex


def _largest(points: Floats, chosen: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The patches of ``chosen`` that hold at least a quarter of what the largest holds."""
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return chosen
    pairs = cKDTree(points[rows]).query_pairs(PATCH_MM, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows),) * 2)
    _, patch = connected_components(links, directed=False)
    sizes = np.bincount(patch)
    result = np.zeros(len(points), bool)
    result[rows[sizes[patch] >= sizes.max() * PATCH_FRACTION]] = True
    return result


def _outer(
    points: Floats,
    normals: Floats,
    edge: npt.NDArray[np.bool_],
    face: npt.NDArray[np.bool_],
    looks: Floats,
) -> npt.NDArray[np.bool_]:
    """The outer cortex beside the face."""
    if not face.any():
        return face
    low, high = BESIDE_MM
    to_face, _ = cKDTree(points[face]).query(points, distance_upper_bound=high)
    sideways = np.abs(normals @ looks) < np.cos(np.radians(SHAFT_CONE_DEGREE))
    return np.asarray(edge & ~face & np.isfinite(to_face) & (to_face > low) & sideways)


def _some(points: Floats, normals: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    rows = rng.permutation(len(points))[:SAMPLE_COUNT]
    return points[rows], normals[rows]


def _cortex_hu(edges: Edges) -> float:
    """The usual brightness beneath the outer surface: the fracture face is the smaller part."""
    return float(np.percentile(edges.peak_hu[np.isfinite(edges.out_mm)], CORTEX_PERCENT))


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))
