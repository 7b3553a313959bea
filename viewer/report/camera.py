"""From where the bone is pictured: a parallel view with the screw from left to right, a little from its
head and above.

Parallel, so that one scale holds all over the picture. Lengths that lie in the picture's plane are to
scale; the screw itself is turned out of it by ``YAW_DEGREE``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.view_frame import PosedFragment, ScrewFrame

YAW_DEGREE, PITCH_DEGREE = 16.0, 10.0
"""Turned towards the screw's head, and lifted, so that the thread shows its turns. Our choice."""

AROUND_SCREW_MM = 11.0
"""Bone farther than this from the screw may leave the frame. Our choice: a long bone is not shown whole."""

LARGEST_SCALE_PX = 16.0
"""A small bone is not blown up beyond this many px per mm. Our choice."""

EDGE_FRACTION = 0.004
"""Share of a surface's vertices that may lie outside the frame at each side: a speck must not shrink the
bone."""

MARGINS_PX = (70.0, 60.0, 14.0, 44.0)
"""Left, right, top, bottom: kept free of bone where it can be, for words. Our choice."""


@dataclass(frozen=True, eq=False)
class Camera:
    """A parallel view of ``width_px`` × ``height_px``, y downwards; ``centre_mm`` is pictured in the
    middle."""

    centre_mm: Floats
    right: Floats
    up: Floats
    scale_px: float
    width_px: float
    height_px: float

    @property
    def toward(self) -> Floats:
        """Unit vector to the reader."""
        return np.asarray(np.cross(self.right, self.up))

    def to_px(self, points_mm: npt.ArrayLike) -> Floats:
        """(n, 3) points → (n, 2) places in the picture."""
        away_mm = np.asarray(points_mm, float) - self.centre_mm
        return np.column_stack(
            [
                self.width_px / 2 + away_mm @ self.right * self.scale_px,
                self.height_px / 2 - away_mm @ self.up * self.scale_px,
            ]
        )

    def origins_mm(self, places_px: Floats, far_mm: float) -> Floats:
        """(n, 3) points ``far_mm`` in front of the picture's plane, over (n, 2) places."""
        x = (places_px[:, 0] - self.width_px / 2) / self.scale_px
        y = (self.height_px / 2 - places_px[:, 1]) / self.scale_px
        return np.asarray(
            self.centre_mm + x[:, None] * self.right + y[:, None] * self.up + far_mm * self.toward
        )


def view_axes(frame: ScrewFrame) -> tuple[Floats, Floats]:
    """Right and up of the picture for a screw's frame."""
    yaw, pitch = np.radians([YAW_DEGREE, PITCH_DEGREE])
    toward = np.cos(yaw) * frame.toward - np.sin(yaw) * frame.along
    right = np.cos(yaw) * frame.along + np.sin(yaw) * frame.toward
    return np.asarray(right), np.asarray(np.cos(pitch) * frame.up - np.sin(pitch) * toward)


def camera_on(
    right: Floats,
    up: Floats,
    fragments: Sequence[PosedFragment],
    screw: ScrewResult | None,
    width_px: float,
    height_px: float,
    largest_scale_px: float = LARGEST_SCALE_PX,
) -> Camera:
    """The camera that shows the fragments, but of a long bone only what is around the screw."""
    corners = np.concatenate([fragment.vertices_mm for fragment in fragments]) @ np.column_stack([right, up])
    low, high = np.quantile(corners, [EDGE_FRACTION, 1 - EDGE_FRACTION], axis=0)
    if screw is not None:
        ends = np.array([screw.entry_mm, screw.tip_mm, screw.exit_mm])
        seen = ends @ np.column_stack([right, up])
        low = np.maximum(low, seen.min(0) - AROUND_SCREW_MM)
        high = np.minimum(high, seen.max(0) + AROUND_SCREW_MM)
        low, high = np.minimum(low, seen.min(0)), np.maximum(high, seen.max(0))
    left_px, right_px, top_px, bottom_px = MARGINS_PX
    room_px = np.array([width_px - left_px - right_px, height_px - top_px - bottom_px])
    scale_px = float(min((room_px / np.maximum(high - low, 1.0)).min(), largest_scale_px))
    middle = (low + high) / 2 - np.array([left_px - right_px, bottom_px - top_px]) / 2 / scale_px
    toward = np.cross(right, up)
    depth_mm = float(np.mean(np.concatenate([f.vertices_mm for f in fragments]) @ toward))
    centre_mm = middle[0] * right + middle[1] * up + depth_mm * toward
    return Camera(centre_mm, right, up, scale_px, width_px, height_px)
