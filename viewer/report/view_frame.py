"""From which side a screw is looked at, and what the directions of the body are called there.

The strip looks at a plane through the axis: depth to the right, ``up`` upwards, where ``up`` is the
direction of the body's "up" squared to the axis (its "front" when the screw itself runs nearly up or down).
The end view looks along the screw from its head: ``up`` stays up and ``toward`` (= along × up, the strip's
reader) lies to the right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from planner.triangle_tree import TriangleTree, tree_of
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Bone, Floats, Ints, frozen_array

BODY_DIRECTIONS: Mapping[str, tuple[float, float, float]] = {
    "right": (1, 0, 0),
    "left": (-1, 0, 0),
    "front": (0, 1, 0),
    "back": (0, -1, 0),
    "up": (0, 0, 1),
    "down": (0, 0, -1),
}
"""Words for the axes of the RAS+ frame: the patient's own right and left."""

NEARLY_PARALLEL = 0.9
"""Cosine above which an axis counts as running along a body direction. Our choice."""

POSE_ROUNDING_FACTOR = 1e-12
"""A pose whose inverse is this near to none is none: rounding. Our choice."""

SECOND_DIRECTION = 0.5
"""A second body direction is named when it is at least this share of the view's direction (30°). Our
choice."""

LETTERED_FRACTION = 0.26
"""A direction of the body has its letter when at least this share of a view's side lies along it (15°). Our
choice."""


@dataclass(frozen=True, eq=False)
class ScrewFrame:
    """Axes of a screw's pictures, unit vectors (3,); ``origin_mm`` is the entry point."""

    origin_mm: Floats
    along: Floats
    up: Floats

    def __post_init__(self) -> None:
        for name in ("origin_mm", "along", "up"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    @cached_property
    def toward(self) -> Floats:
        """Unit vector to the reader of the strip."""
        return np.asarray(np.cross(self.along, self.up))

    def at_mm(self, depth_mm: float) -> Floats:
        """(3,) point on the axis."""
        return np.asarray(self.origin_mm + depth_mm * self.along)


@dataclass(frozen=True, eq=False)
class PosedFragment:
    """A fragment's surface in the frame the plan is made in, and the way back to the scan.

    ``rank`` is its place among its own bone's fragments, from 1: it chooses ink and hatch.
    """

    number: int
    rank: int
    name: str
    bone: str
    vertices_mm: Floats
    faces: Ints
    to_scan: Floats

    @cached_property
    def box_mm(self) -> tuple[Floats, Floats]:
        """Its lowest and highest coordinates, (3,) each."""
        return self.vertices_mm.min(axis=0), self.vertices_mm.max(axis=0)

    @cached_property
    def tree(self) -> TriangleTree:
        """A tree of its triangles, for pictures of cuts."""
        return tree_of(self.vertices_mm, self.faces)

    @cached_property
    def moved(self) -> bool:
        """Whether the plan sees this fragment elsewhere than the scan did."""
        return bool(np.abs(self.to_scan - np.eye(4)).max() > POSE_ROUNDING_FACTOR)


def posed_fragments(bone: Bone, *, as_scanned: bool) -> tuple[PosedFragment, ...]:
    """Every fragment where the plan sees it: at its reduced pose, or as scanned."""
    posed: list[PosedFragment] = []
    for fragment in bone.fragments:
        pose = np.eye(4) if as_scanned else np.asarray(fragment.pose)
        posed.append(
            PosedFragment(
                number=fragment.number,
                rank=1 + sum(other.bone == fragment.bone for other in posed),
                name=fragment.name,
                bone=fragment.bone,
                vertices_mm=fragment.surface.vertices_mm @ pose[:3, :3].T + pose[:3, 3],
                faces=fragment.surface.faces,
                to_scan=np.asarray(np.linalg.inv(pose), np.float64),
            )
        )
    return tuple(posed)


def squared_up(along: Floats) -> Floats:
    """The unit vector square to ``along`` that is nearest to the body's up (or front, see above)."""
    wanted = np.array([0.0, 0.0, 1.0]) if abs(along[2]) < NEARLY_PARALLEL else np.array([0.0, 1.0, 0.0])
    up = wanted - (wanted @ along) * along
    return np.asarray(up / np.linalg.norm(up))


def screw_frame(result: ScrewResult) -> ScrewFrame:
    """The frame of one screw's pictures."""
    along = np.asarray(result.direction, float)
    return ScrewFrame(result.entry_mm, along, squared_up(along))


def direction_words(vector: npt.ArrayLike) -> str:
    """The body's word for a direction: "front", or "front and left" when it lies between two.

    >>> direction_words([0, 1, 0.1]), direction_words([-0.7, 0.7, 0])
    ('front', 'front and left')
    """
    unit = np.asarray(vector, float) / np.linalg.norm(vector)
    shares = {word: float(unit @ np.asarray(axis)) for word, axis in BODY_DIRECTIONS.items()}
    ranked = sorted(shares, key=lambda word: (-round(shares[word], 6), word))
    if shares[ranked[1]] >= SECOND_DIRECTION:
        return f"{ranked[0]} and {ranked[1]}"
    return ranked[0]


def direction_letters(vector: npt.ArrayLike) -> str:
    """The body's letters for a direction, the largest share first: R and L, A and P (front and back), H and F
    (head and feet), as in DICOM's Patient Orientation (PS3.3 C.7.6.1.1.1).

    >>> direction_letters([-1, 0, 0]), direction_letters([0.4, -0.9, 0])
    ('L', 'PR')
    """
    unit = np.asarray(vector, float) / np.linalg.norm(vector)
    ranked = sorted(range(3), key=lambda axis: -round(abs(float(unit[axis])), 6))
    return "".join(
        ("LR", "PA", "FH")[axis][int(unit[axis] > 0)]
        for axis in ranked
        if abs(unit[axis]) >= LETTERED_FRACTION
    )
