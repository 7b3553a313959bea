"""The one scale of a depth strip: px per mm, the same along and across the screw.

A strip is never squeezed in one direction. A short screw fills the width by showing more of its
surroundings; one too long for a row is drawn in two rows that overlap a little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from segmentation.vocabulary import Floats
from viewer.report.subject import Subject

GUTTER_PX = 66.0
"""Room at the left for the names of the lanes."""

ROOM_BEFORE_MM, ROOM_AFTER_MM = 3.2, 4.0
"""Depth drawn before the outermost and after the innermost end. Our choice."""

HALF_MM = 5.5
"""Half height of the section; more for thick screws. Our choice."""

ROOM_BESIDE_THREAD_MM, ROOM_BESIDE_HEAD_MM = 3.5, 1.0
"""Room beside the largest thread and beside the head. Our choice."""

TALLEST_SECTION_PX = 205.0
"""A short screw is not blown up beyond this height of its section: the page has to hold the rest. Our
choice."""

SMALLEST_SCALE_PX_PER_MM = 9.0
"""Below this scale fine threads cannot be told apart on paper and two rows are tried. Our choice."""

TWO_ROWS_GAIN_RATIO = 1.4
"""Two rows are drawn only where they enlarge the strip by at least this. Our choice: a break costs more."""

TALLEST_ROW_PX = 88.0
"""Highest section in a strip of two rows: both have to fit the page. Our choice."""

ROW_BESIDE_THREAD_MM, ROW_BESIDE_HEAD_MM = 1.5, 0.5
"""Room beside the largest thread and beside the head in a strip of two rows. Our choice."""

FARTHEST_MM = 14.0
"""Of a path that goes on beyond the tip this much is drawn; where it ends is told in words. Our choice."""

ROW_OVERLAP_MM = 2.0
"""Depth that both rows of a long strip show. Our choice."""


@dataclass(frozen=True)
class Ruler:
    """The scale of one row: depth ``from_mm`` … ``to_mm`` lies right of the gutter at ``scale_px`` per mm."""

    from_mm: float
    to_mm: float
    scale_px: float
    half_mm: float

    def x(self, depth_mm: float) -> float:
        """Horizontal place of a depth, px."""
        return GUTTER_PX + (depth_mm - self.from_mm) * self.scale_px

    def points(self, depth_height_mm: npt.ArrayLike, middle_px: float) -> Floats:
        """(n, 2) [depth, height] in mm → (n, 2) px, with the axis at ``middle_px``."""
        points = np.asarray(depth_height_mm, float)
        return np.column_stack(
            [self.x(0.0) + points[:, 0] * self.scale_px, middle_px - points[:, 1] * self.scale_px]
        )

    def shows(self, depth_mm: float) -> bool:
        """Whether a depth lies in this row."""
        return self.from_mm <= depth_mm <= self.to_mm

    def clipped_mm(self, depth_mm: float) -> float:
        """A depth moved to the nearer end of the row when it lies outside."""
        return min(max(depth_mm, self.from_mm), self.to_mm)

    @property
    def right_px(self) -> float:
        """Right end of the row."""
        return self.x(self.to_mm)

    @property
    def section_px(self) -> float:
        """Height of the CT section."""
        return 2 * self.half_mm * self.scale_px


def half_height_mm(subject: Subject) -> float:
    """Half height of the strip's section in one row, and of the end views of this screw."""
    return max(HALF_MM, _needed_mm(subject, ROOM_BESIDE_THREAD_MM, ROOM_BESIDE_HEAD_MM))


def _needed_mm(subject: Subject, beside_thread_mm: float, beside_head_mm: float) -> float:
    head_mm = float(subject.solid.core_outline_mm[:, 1].max()) + beside_head_mm
    return max(subject.result.placed.screw.largest_thread.major_mm / 2 + beside_thread_mm, head_mm)


def rulers(subject: Subject, width_px: float) -> list[Ruler]:
    """The rows, one or two, in which the strip of this screw is drawn on a page of that width."""
    tip_mm = subject.result.tip_depth_mm
    from_mm = min(0.0, subject.top_depth_mm) - ROOM_BEFORE_MM
    to_mm = max(min(subject.exit_depth_mm + ROOM_AFTER_MM, tip_mm + FARTHEST_MM), tip_mm + ROOM_AFTER_MM)
    room_px = width_px - GUTTER_PX - 1
    one_row = room_px / (to_mm - from_mm)
    half_mm = _needed_mm(subject, ROW_BESIDE_THREAD_MM, ROW_BESIDE_HEAD_MM)
    row_mm = (to_mm - from_mm + ROW_OVERLAP_MM) / 2
    two_rows = min(room_px / row_mm, TALLEST_ROW_PX / (2 * half_mm))
    if one_row < SMALLEST_SCALE_PX_PER_MM and two_rows >= TWO_ROWS_GAIN_RATIO * one_row:
        # Both rows equally long: paper is left white beside them rather than filled with what lies beyond.
        return [
            Ruler(from_mm, from_mm + row_mm, two_rows, half_mm),
            Ruler(to_mm - row_mm, to_mm, two_rows, half_mm),
        ]
    half_mm = half_height_mm(subject)
    scale_px = min(one_row, TALLEST_SECTION_PX / (2 * half_mm))
    spare_mm = room_px / scale_px - (to_mm - from_mm)
    return [Ruler(from_mm - spare_mm / 2, to_mm + spare_mm / 2, scale_px, half_mm)]
