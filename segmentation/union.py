"""Two fragments in the making put together to one, as if what divided them had never been.

A cut keeps the field from before it: where the two fields are each other's opposite, a cut divides them, and
that field comes back. Pieces with a gap between them become one fragment of two shells.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.components import Box
from segmentation.errors import InputError
from segmentation.parts import Part

OPPOSITE_HU = 1e-3
"""Fields that add up to less are a cut's two sides. Our choice: the rounding of their numbers."""

FAR_OUTSIDE_HU = np.float32(-1e6)
"""What a field is beyond its crop."""

JUST_INSIDE_HU = np.float32(1e-2)
"""A voxel on a border that is no more belongs to the whole. Far below noise."""


def merged(parts: list[Part], first: int, second: int) -> list[Part]:
    """``parts`` with those numbered ``first`` and ``second`` (from 1) as one, at the lower number."""
    low, high = sorted((first, second))
    if low < 1 or high > len(parts) or low == high:
        raise InputError(
            f"a merge needs two different fragments between 1 and {len(parts)} (got {first} and {second}); "
            "numbers are those at its place in the list of edits"
        )
    one, other = parts[low - 1], parts[high - 1]
    box = _around(one.box, other.box)
    fields = [_on(box, part, part.field_hu, FAR_OUTSIDE_HU) for part in (one, other)]
    whole = np.maximum(*fields)
    uncut = None
    if one.uncut_hu is not None and one.uncut_hu is other.uncut_hu:
        uncut = one.uncut_hu
        divided = (np.abs(fields[0] + fields[1]) <= OPPOSITE_HU) & (whole >= 0)
        whole = np.where(divided, np.maximum(_on(box, one, uncut, FAR_OUTSIDE_HU), JUST_INSIDE_HU), whole)
    elif one.box == other.box:
        whole = np.where((fields[0] == 0) & (fields[1] == 0), JUST_INSIDE_HU, whole)
    gradient = max(one.gradient_hu_per_mm, other.gradient_hu_per_mm)
    bodies = [_on(box, part, part.body, np.uint8(0)) for part in (one, other)]
    body = np.where(bodies[0] > 0, *bodies)
    together = Part(box, whole, body, gradient, one.cut_off_by_scan or other.cut_off_by_scan, uncut)
    rest = [part for number, part in enumerate(parts, start=1) if number not in (low, high)]
    return [*rest[: low - 1], together, *rest[low - 1 :]]


def _around(one: Box, other: Box) -> Box:
    i, j, k = (slice(min(a.start, b.start), max(a.stop, b.stop)) for a, b in zip(one, other, strict=True))
    return i, j, k


def _on(box: Box, part: Part, values: npt.NDArray[Any], outside: np.generic) -> npt.NDArray[Any]:
    """A part's values on a larger crop."""
    if part.box == box:
        return values
    larger = np.full([span.stop - span.start for span in box], outside, values.dtype)
    at = tuple(
        slice(own.start - span.start, own.stop - span.start) for own, span in zip(part.box, box, strict=True)
    )
    larger[at] = values
    return larger
