"""A cut along a line drawn by hand: the line is swept along a direction and divides the fragment it passes.

Seen along the direction the line divides the plane; the signed distance to it, exact, bounds the field of the
fragment as a plane cut does, so faces are as sub-voxel as a plane's. Beyond its ends the line goes on
straight. Which fragment: the one that most of the line lies in or nearest to.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.errors import InputError
from segmentation.parts import Part, divided
from segmentation.vocabulary import CTVolume, Floats, frozen_array

SHORTEST_MM = 1e-3
"""Points of the line nearer to each other than this, seen along the direction, are one. Our choice."""

PICK_MM = 3.0
"""A line on a fragment's surface lies within this of its voxels. Our choice: pictures are clicked so well."""

SAMPLE_MM = 0.5
"""Places of the line are asked so densely which fragment they are in. Our choice: about a voxel."""

ROUNDING_MM = 1e-6
"""Nearer to a straight line a point lies on it. Our choice: far above rounding, far below a voxel."""

FAR_MM = 1e4
"""So far the line goes on beyond its ends: farther than any scan."""


@dataclass(frozen=True, eq=False)
class Sweep:
    """A line (n, 3) swept both ways along ``direction``; the new fragment lies on the side of direction ×
    line."""

    polyline_mm: Floats
    direction: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "polyline_mm", frozen_array(self.polyline_mm, np.float64))
        object.__setattr__(self, "direction", frozen_array(self.direction, np.float64))


def sweep_in_two(parts: list[Part], sweep: Sweep, ct: CTVolume) -> list[Part]:
    """``parts`` with the one that the line passes divided; the side of direction × line comes last.

    Raises InputError where the line crosses itself, lies in no fragment, or leaves one side empty.
    """
    line, frame = _line_seen_along(sweep)
    index = _passed(parts, sweep, ct)
    if index is None:
        x, y, z = (float(value) for value in sweep.polyline_mm[0])
        raise InputError(
            f"the line drawn from {x:g}, {y:g}, {z:g} lies in or near no fragment: draw it on the bone to "
            "divide"
        )
    box = parts[index].box
    axes = [np.arange(span.start, span.stop) for span in box]
    # Places seen along the direction are affine in (i, j, k): outer sums instead of a coordinate array.
    slope = frame @ ct.grid.affine[:3, :3]
    level = frame @ ct.grid.affine[:3, 3]
    across, up = (
        (
            slope[row, 0] * axes[0][:, None, None]
            + slope[row, 1] * axes[1][None, :, None]
            + slope[row, 2] * axes[2][None, None, :]
            + level[row]
        ).astype(np.float64)
        for row in (0, 1)
    )
    ahead = _signed_distance_mm(line, across, up).astype(np.float32)
    return divided(
        parts, index, ahead, "the drawn line leaves one side empty: draw it through the bone to divide"
    )


def _line_seen_along(sweep: Sweep) -> tuple[Floats, Floats]:
    """The line (n, 2) in a frame (2, 3) square to the direction, carried on straight beyond its ends."""
    length = float(np.linalg.norm(sweep.direction))
    if not np.isfinite(length) or length == 0 or not np.isfinite(sweep.polyline_mm).all():
        raise InputError("a swept line needs finite points and a direction that is not 0, 0, 0; correct it")
    direction = sweep.direction / length
    start = np.zeros(3)
    start[int(np.argmin(np.abs(direction)))] = 1
    across = np.cross(direction, start)
    across /= np.linalg.norm(across)
    frame = np.stack([across, np.cross(direction, across)])
    line = sweep.polyline_mm @ frame.T
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    line = line[np.concatenate([[True], steps > SHORTEST_MM])]
    if len(line) < 2:
        raise InputError(
            "a swept line must not run along its own direction only: draw it across, or turn the direction"
        )
    ends = [
        line[0] + FAR_MM * _unit(line[0] - line[1]),
        line[-1] + FAR_MM * _unit(line[-1] - line[-2]),
    ]
    line = np.concatenate([ends[:1], line, ends[1:]])
    _refuse_crossings(line)
    return line, frame


def _unit(along: Floats) -> Floats:
    return np.asarray(along / np.linalg.norm(along))


def _refuse_crossings(line: Floats) -> None:
    """InputError where two stretches of the line, or its straight ends, cross."""
    stretches = list(pairwise(line))
    for index, (a, b) in enumerate(stretches):
        for c, d in stretches[index + 2 :]:
            sides = _side(a, b, c) * _side(a, b, d), _side(c, d, a) * _side(c, d, b)
            if sides[0] < 0 and sides[1] < 0:
                raise InputError(
                    "the drawn line crosses itself, or its ends do where they go on straight: draw it so "
                    "that it divides the bone once"
                )


def _side(a: Floats, b: Floats, point: Floats) -> float:
    """Distance of ``point`` from the straight line a → b, above 0 on its left; 0 where only rounding
    tells."""
    area = (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0])
    away_mm = float(area / np.linalg.norm(b - a))
    return away_mm if abs(away_mm) > ROUNDING_MM else 0.0


def _signed_distance_mm(line: Floats, across_mm: Floats, up_mm: Floats) -> Floats:
    """Distance of places to the line, positive on the left of its way.

    The side is that of the nearest stretch; where two meet, both are equally near and the side is judged
    across the corner (the sum of their normals).
    """
    least = np.full(across_mm.shape, np.inf)
    result = np.empty(across_mm.shape)
    normals = [np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a) for a, b in pairwise(line)]
    for index, (a, b) in enumerate(pairwise(line)):
        along = b - a
        length2 = float(along @ along)
        share = np.clip(((across_mm - a[0]) * along[0] + (up_mm - a[1]) * along[1]) / length2, 0, 1)
        off_x, off_y = across_mm - a[0] - share * along[0], up_mm - a[1] - share * along[1]
        distance = off_x**2 + off_y**2
        before = normals[index] + normals[max(index - 1, 0)]
        after = normals[index] + normals[min(index + 1, len(normals) - 1)]
        normal_x = np.where(share <= 0, before[0], np.where(share >= 1, after[0], normals[index][0]))
        normal_y = np.where(share <= 0, before[1], np.where(share >= 1, after[1], normals[index][1]))
        side = np.where(off_x * normal_x + off_y * normal_y >= 0, 1.0, -1.0)
        nearer = distance < least
        least = np.where(nearer, distance, least)
        result = np.where(nearer, side * np.sqrt(distance), result)
    return result


def _passed(parts: list[Part], sweep: Sweep, ct: CTVolume) -> int | None:
    """Which part most of the drawn line lies in, or within PICK_MM of."""
    places = [sweep.polyline_mm[:1]]
    for a, b in pairwise(sweep.polyline_mm):
        count = max(1, int(np.ceil(float(np.linalg.norm(b - a)) / SAMPLE_MM)))
        places.append(a + np.arange(1, count + 1)[:, None] / count * (b - a))
    ijk = ct.grid.mm_to_ijk(np.concatenate(places))
    away = np.stack([_distance_mm(part, ijk, ct.grid.spacing_mm) for part in parts])
    nearest = np.argmin(away, axis=0)
    near = away.min(axis=0) <= PICK_MM
    if not near.any():
        return None
    return int(np.argmax(np.bincount(nearest[near], minlength=len(parts))))


def _distance_mm(part: Part, ijk: Floats, spacing_mm: Floats) -> Floats:
    """(n,) distance of voxel places to a part, 0 inside, at most a little over PICK_MM."""
    reach = np.ceil(PICK_MM / spacing_mm).astype(int) + 1
    inside: npt.NDArray[np.bool_] = np.pad(part.field_hu > 0, [(int(n), int(n)) for n in reach])
    away = ndimage.distance_transform_edt(~inside, sampling=spacing_mm)
    local = np.round(ijk).astype(int) - part.offset_ijk + reach
    within = ((local >= 0) & (local < inside.shape)).all(axis=1)
    result = np.full(len(ijk), 2 * PICK_MM)
    result[within] = away[tuple(local[within].T)]
    return result
