"""Which part of a fragment's surface is its fracture face, and which the outer cortex beside it.

A fracture face looks towards the other fragment and, unlike the outer surface, has cancellous bone right
beneath it; its rim is the broken cortex, which goes on from it without a bend. Where a shaft is all cortex,
only the direction tells: a face lies across the shaft. Places are those of ``local_edges``. Expected error of
a place: about 0.1 mm on the face, 0.02 mm on the outer cortex.
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
"""A face's directions lie within so much of its mean; where all is cortex, within so much of the shaft's
axis. From a study on phantoms: a wider cone swallows the wall of a hollow shaft."""

CANCELLOUS_FRACTION = 0.55
"""Beneath a fracture face the brightest is below this share of the cortex's. Our choice: cancellous bone is a
quarter of cortex, a cortex of 1 mm is seen at three quarters."""

SHAFT_FRACTION = 0.3
"""With less of the cone's points over cancellous bone the fragment is a shaft of cortex. Our choice."""

RIM_MM = 2.2
"""The face reaches so far over its rim, the broken cortex. Our choice: a cortex of 2 mm."""

RIM_BEND_DEGREE = 40.0
"""The rim bends no more from the face beside it. Our choice: the waves of a face bend by 25° in 2 mm, the
outer surface turns from an oblique cut by 45° and more."""

LEAST_CONTRAST_HU = 90.0
"""A place with less contrast is no edge of bone. Our choice: three times the noise of a fine scan."""

BESIDE_MM, SIDEWAYS_DEGREE = (1.3, 7.0), 37.0
"""The outer cortex is looked at so far from the face, where its direction is so far from the face's or more.
Our choice: a cut that is 45° oblique leaves walls at 45° to it."""

PLANE_COUNT = 40
"""Its direction is that of the plane through so many places. Our choice: a disc of 1.6 mm, on which places
good to 0.02 mm tell it to 0.5°; the surface's own directions scatter by 5°."""

ALIKE_COSINE_FACTOR = 0.5
"""Places whose directions agree less are no part of that plane. Our choice: 60°."""

AXES_COUNT = 1000
"""Directions tried for a shaft's axis, evenly over half a sphere (golden angle). Our choice: 4° apart."""

WALL_SINE_FACTOR, WALL_FRACTION, OFF_AXIS_DEGREE = 0.2, 0.4, 60.0
"""A shaft's wall leans less than this against its axis and is at least so much of the surface; the other
fragment's middle lies within so much of the axis. Our choice: walls that flare by 10°."""

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

BEFORE_MM, SECTORS_COUNT = 3.0, 12
"""A patch with the fragment's own surface so far before it, in every sector around it, lies at the bottom of
a hollow. Our choice: the waves of a face stand 2 mm above it."""

CORTEX_PERCENT = 70
"""Of all places, the brightness at so many percent stands for the cortex. Our choice."""


@dataclass(frozen=True, eq=False)
class Side:
    """One side of a fracture: points (n, 3) and unit outward normals of the face and of the cortex beside
    it, as scanned, in patient mm. ``looks`` (3,) is the face's mean direction; ``narrow`` (n,) tells which of
    the face look at another bone within the blur, where places scatter most.
    """

    face_mm: Floats
    face_normals: Floats
    outer_mm: Floats
    outer_normals: Floats
    looks: Floats
    all_cortex: bool
    narrow: npt.NDArray[np.bool_]

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
    across = _planes(points[outer], normals[outer])
    return Side(points[face], normals[face], points[outer], across, looks, all_cortex, edges.narrow[face])


def _face(
    points: Floats,
    normals: Floats,
    edge: npt.NDArray[np.bool_],
    soft: npt.NDArray[np.bool_],
    looks: Floats,
) -> tuple[npt.NDArray[np.bool_], Floats, bool]:
    """Which points are the face, its mean direction, and whether it is all cortex."""
    wide, narrow = (np.cos(np.radians(angle)) for angle in (CONE_DEGREE, SHAFT_CONE_DEGREE))
    along = _shaft_axis(normals, looks)
    # A short fragment runs along its fracture rather than across it, and one moved sideways may lie that way:
    # it is all cortex only if that is so towards the other fragment too.
    seen = [edge & (normals @ way > narrow) for way in (along, looks)]
    shares = [(soft & towards).sum() / max(towards.sum(), 1) for towards in seen]
    all_cortex = max(shares) < SHAFT_FRACTION
    face = seen[0] if all_cortex else seen[int(np.argmax(shares))] & soft
    for _ in range(0 if all_cortex else MEANS_COUNT):
        if not face.any():
            break
        looks = _unit(normals[face].mean(axis=0))
        face = edge & soft & (normals @ looks > wide)
    if all_cortex:
        face = _open(points, face, along)
    face = _largest(points, face)
    if not face.any():
        return face, looks, all_cortex
    looks = _unit(normals[face].mean(axis=0))
    return face if all_cortex else face | _rim(points, normals, edge, face), looks, all_cortex


def _shaft_axis(normals: Floats, looks: Floats) -> Floats:
    """The direction, towards ``looks``, that most of the surface runs along; or that, where none does."""
    number = np.arange(AXES_COUNT)
    high, around = (number + 1 / 2) / AXES_COUNT, number * np.pi * (3 - np.sqrt(5))
    flat = np.sqrt(1 - high**2)
    tried = np.stack([flat * np.cos(around), flat * np.sin(around), high], axis=1)
    some = normals[:: 1 + len(normals) // SAMPLE_COUNT]
    axis = tried[np.argmax((np.abs(some @ tried.T) < WALL_SINE_FACTOR).sum(axis=0))]
    wall = normals
    for _ in range(MEANS_COUNT):
        wall = normals[np.abs(normals @ axis) < WALL_SINE_FACTOR]
        axis = np.linalg.eigh(wall.T @ wall)[1][:, 0]
    axis = axis * np.sign(axis @ looks)
    is_shaft = len(wall) > WALL_FRACTION * len(normals) and axis @ looks > np.cos(np.radians(OFF_AXIS_DEGREE))
    return np.asarray(axis if is_shaft else looks)


def _rim(
    points: Floats, normals: Floats, edge: npt.NDArray[np.bool_], face: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """What goes on from the face over its rim."""
    to_face, nearest = cKDTree(points[face]).query(points, distance_upper_bound=RIM_MM)
    beside = normals[face][np.where(np.isfinite(to_face), nearest, 0)]
    straight = np.einsum("ni,ni->n", normals, beside) > np.cos(np.radians(RIM_BEND_DEGREE))
    return np.asarray(edge & np.isfinite(to_face) & straight)


def _largest(points: Floats, chosen: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The patches of ``chosen`` that hold at least a quarter of what the largest holds."""
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return chosen
    patch = _patches(points[rows])
    sizes = np.bincount(patch)
    result = np.zeros(len(points), bool)
    result[rows[sizes[patch] >= sizes.max() * PATCH_FRACTION]] = True
    return result


def _patches(points: Floats) -> npt.NDArray[np.int32]:
    """(n,) the number of the patch each point is of."""
    pairs = cKDTree(points).query_pairs(PATCH_MM, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    return np.asarray(connected_components(links, directed=False)[1])


def _open(points: Floats, chosen: npt.NDArray[np.bool_], along: Floats) -> npt.NDArray[np.bool_]:
    """``chosen`` without patches that have the fragment's own wall before them all round: the bottom of a
    marrow cavity that was not closed."""
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return chosen
    patch = _patches(points[rows])
    across = np.linalg.svd(along[None])[2][1:]
    result = np.zeros(len(points), bool)
    for number in range(patch.max() + 1):
        of_patch = rows[patch == number]
        away = points - points[of_patch].mean(axis=0)
        before = away[away @ along > BEFORE_MM] @ across.T
        sector = np.floor((np.arctan2(before[:, 1], before[:, 0]) / (2 * np.pi) % 1) * SECTORS_COUNT)
        result[of_patch] = len(np.unique(sector)) < SECTORS_COUNT
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
    lean = normals @ looks
    aside = np.cos(np.radians(SIDEWAYS_DEGREE))
    # Also where no edge was found in the face, as where the fragments touch, its rim is not to be trusted.
    to_break, _ = cKDTree(points[face | (lean > aside)]).query(points, distance_upper_bound=low)
    beside = np.isfinite(to_face) & ~np.isfinite(to_break)
    # The wall of an open marrow is a patch of its own.
    return _largest(points, edge & ~face & beside & (np.abs(lean) < aside))


def _planes(points: Floats, normals: Floats) -> Floats:
    """(n, 3) directions of the planes through each point's PLANE_COUNT nearest that face as it does."""
    if len(points) <= PLANE_COUNT:
        return normals
    _, nearest = cKDTree(points).query(points, k=PLANE_COUNT)
    alike = np.einsum("nki,ni->nk", normals[nearest], normals) > ALIKE_COSINE_FACTOR
    weight = alike[..., None] / alike.sum(axis=1)[:, None, None]
    centre = (points[nearest] * weight).sum(axis=1)
    away = (points[nearest] - centre[:, None]) * alike[..., None]
    across = np.linalg.eigh(away.transpose(0, 2, 1) @ away)[1][:, :, 0]
    return np.asarray(across * np.sign(np.einsum("ni,ni->n", across, normals))[:, None])


def _some(points: Floats, normals: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    rows = rng.permutation(len(points))[:SAMPLE_COUNT]
    return points[rows], normals[rows]


def _cortex_hu(edges: Edges) -> float:
    """The usual brightness beneath the outer surface: the fracture face is the smaller part."""
    return float(np.percentile(edges.peak_hu[np.isfinite(edges.out_mm)], CORTEX_PERCENT))


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))
