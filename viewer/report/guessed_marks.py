"""Where a cut between two parts is guessed, drawn on flat cuts: a row of beads.

Each place at which no gap was seen lies on the border of two voxels. Those within half a slice of the cut are
drawn, thinned until each bead stands for itself.
"""

from __future__ import annotations

import numpy as np

from segmentation.vocabulary import Floats
from viewer.report.drawing import element
from viewer.report.section import Plane
from viewer.report.tokens import CT_CASE, CT_INK

IN_THE_CUT_MM = 0.5
"""A place this near to the plane lies in the cut. Our choice: half a slice."""

APART_PX, RADIUS_PX = 5.0, 1.7
"""Beads are this far apart at least, and this large."""


def beads_on(guessed_mm: Floats, plane: Plane, half_mm: float, side_px: float) -> Floats:
    """(m, 2) px of the beads on a square cut, from the places (n, 3)."""
    if not len(guessed_mm):
        return np.zeros((0, 2))
    near_mm = guessed_mm[np.abs((guessed_mm - plane.origin_mm) @ plane.normal) <= IN_THE_CUT_MM]
    at_px = (plane.flat_mm(near_mm) * (1, -1) + half_mm) * side_px / (2 * half_mm)
    at_px = at_px[((at_px >= 0) & (at_px <= side_px)).all(axis=1)]
    kept: list[Floats] = []
    for place in at_px[np.lexsort(at_px.T)]:
        if all(np.hypot(*(place - other)) >= APART_PX for other in kept):
            kept.append(place)
    return np.array(kept).reshape(-1, 2)


def beads_svg(at_px: Floats) -> str:
    """The beads."""
    return "".join(
        element("circle", cx=x, cy=y, r=RADIUS_PX, fill=CT_CASE, stroke=CT_INK, stroke_width="1")
        for x, y in at_px.tolist()
    )
