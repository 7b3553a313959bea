"""The depth strip while a hand may hold the screw: the report's own drawing, in the plane the dial chose.

While a handle is held the CT under the screw is held too, with the outlines on it; the screw is laid over it
where the hand has it, and a broken outline stays where it was. The lanes below follow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from planner.solid import solid_of
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.bench.desk import Desk
from viewer.bench.hand import dial_degree
from viewer.bench.held import Held
from viewer.bench.themes import themed
from viewer.report.drawing import element, outline, path, rect, written
from viewer.report.ruler import GUTTER_PX, ROOM_BEFORE_MM, Ruler, half_height_mm
from viewer.report.section import WINDOWS_HU
from viewer.report.strip import AXIS_PX, BONE_PX, LANE_GAP_PX, TOP_PX, strip_height_px, strip_over
from viewer.report.strip_section import ground, screw_over
from viewer.report.subject import Subject
from viewer.report.thread_teeth import silhouette_mm
from viewer.report.tokens import CT_CASE, CT_INK
from viewer.report.view_frame import ScrewFrame

DENSITY_PX = 62.0
"""Height of the density lane."""

AFTER_MM = 3.0
"""Depth drawn after the exit (design of the page)."""

LEAST_SECTION_PX = 60.0
"""However low the window, the section keeps this height."""

SMALLEST_SCALE_PX_PER_MM = 6.0
"""Below this scale a screw is too long for the section's height to matter: the width decides."""


MOVES_SCREW = ("entry", "tip", "seat")
"""Handles that move the screw itself."""


@dataclass
class Strip:
    """Draws the strip of a desk's screw in ``size_px``; remembers what lies under a held handle."""

    desk: Desk
    size_px: tuple[float, float] = (1060.0, 330.0)
    _under: tuple[Held, Ruler, str] | None = None
    _sent: str | None = None

    def anew(self) -> None:
        """The page has nothing yet: all is sent once more."""
        self._sent = None

    def message(self, subject: Subject, *, with_lanes: bool = True) -> dict[str, Any]:
        """The drawing, and what the page needs to lay handles over it. Without its lanes a held screw's
        drawing is left as it is."""
        held = self.desk.held
        if held is None or held.drag.handle not in MOVES_SCREW:
            self._under = None
            ruler, frame = self._ruler(subject), subject.frame
            under = ground(subject, ruler, TOP_PX, quick=True)
            in_frame = screw_over(subject, ruler, TOP_PX)
            with_lanes = True
        else:
            ruler, under = self._ground_under(held, subject)
            frame = held.frame
            in_frame = _ghost(held.result, ruler) + _laid(subject, ruler, frame) if with_lanes else ""
        result = subject.result
        points_mm = {
            "entry": result.entry_mm,
            "tip": result.tip_mm,
            "seat": subject.frame.at_mm(subject.seat_mm),
        }
        # What a held screw moves over stays in the page.
        told: dict[str, Any] = {} if under == self._sent else {"ground": themed(_clipped(under, ruler))}
        self._sent = under
        if with_lanes:
            width_px = self.size_px[0]
            lanes = strip_over(subject, ruler, [], in_frame, density_px=DENSITY_PX, width_px=width_px)
            told["svg"] = themed(lanes)
        low, high = (written(value, 0) for value in WINDOWS_HU[subject.bone.host])
        cursor_mm = self.desk.cursor_depth_mm
        return told | {
            "width": self.size_px[0],
            "height": strip_height_px(ruler, DENSITY_PX),
            "scale_px": ruler.scale_px,
            "x0_px": ruler.x(0.0),
            "middle_px": _middle_px(ruler),
            "section": [GUTTER_PX, TOP_PX, ruler.right_px - GUTTER_PX, ruler.section_px],
            "handles": {name: _place_px(frame, point, ruler) for name, point in points_mm.items()},
            "cursor_mm": cursor_mm,
            "cursor_px": ruler.x(ruler.clipped_mm(cursor_mm)),
            "caption": f"CT in the plane at {written(dial_degree(frame), 0)}°, window {low} to {high} HU",
        }

    def _ruler(self, subject: Subject) -> Ruler:
        """One scale along and across, as large as the room allows."""
        width, height = self.size_px
        result = subject.result
        from_mm = min(0.0, subject.top_depth_mm) - ROOM_BEFORE_MM
        to_mm = max(result.bone_length_mm, result.tip_depth_mm) + AFTER_MM
        half_mm = half_height_mm(subject)
        lanes = TOP_PX + 2 * LANE_GAP_PX + BONE_PX + DENSITY_PX + AXIS_PX
        room_px = width - GUTTER_PX - 2
        scale = room_px / (to_mm - from_mm)
        if scale >= SMALLEST_SCALE_PX_PER_MM:
            scale = min(scale, max(height - lanes, LEAST_SECTION_PX) / (2 * half_mm))
        spare_mm = room_px / scale - (to_mm - from_mm)
        return Ruler(from_mm - spare_mm / 2, to_mm + spare_mm / 2, scale, half_mm)

    def _ground_under(self, held: Held, subject: Subject) -> tuple[Ruler, str]:
        if self._under is None or self._under[0] is not held:
            before = replace(subject, result=held.result, frame=held.frame)
            ruler = self._ruler(before)
            self._under = (held, ruler, ground(before, ruler, TOP_PX, quick=True))
        return self._under[1], self._under[2]


def _clipped(under: str, ruler: Ruler) -> str:
    """The section's picture, no larger than its frame."""
    frame = rect(GUTTER_PX, TOP_PX, ruler.right_px - GUTTER_PX, ruler.section_px)
    return element("clipPath", frame, id="strip-ground") + element("g", under, clip_path="url(#strip-ground)")


def _middle_px(ruler: Ruler) -> float:
    return TOP_PX + ruler.section_px / 2


def _place_px(frame: ScrewFrame, point_mm: Floats, ruler: Ruler) -> list[float]:
    """Where a point lies in the picture of a frame's plane."""
    away = np.asarray(point_mm) - frame.origin_mm
    return [
        ruler.x(float(away @ frame.along)),
        _middle_px(ruler) - float(away @ frame.up) * ruler.scale_px,
    ]


def _laid(subject: Subject, ruler: Ruler, frame: ScrewFrame) -> str:
    """The screw's own drawing, turned and shifted to where it lies in the plane of ``frame``."""
    along = np.array([subject.frame.along @ frame.along, -(subject.frame.along @ frame.up)])
    cosine, sine = (along / max(float(np.linalg.norm(along)), np.finfo(float).tiny)).tolist()
    from_x, from_y = ruler.x(0.0), _middle_px(ruler)
    to_x, to_y = _place_px(frame, subject.result.entry_mm, ruler)
    shift_x = to_x - cosine * from_x + sine * from_y
    shift_y = to_y - sine * from_x - cosine * from_y
    turn = f"matrix({cosine:.5f} {sine:.5f} {-sine:.5f} {cosine:.5f} {shift_x:.2f} {shift_y:.2f})"
    return element("g", screw_over(subject, ruler, TOP_PX), transform=turn)


def _ghost(result: ScrewResult, ruler: Ruler) -> str:
    """Where the screw was when the hand took it: a broken outline."""
    seat = np.array([result.placed.seat_depth_mm, 0.0])
    solid = solid_of(result.placed.screw, result.placed.length_mm)
    d = outline(ruler.points(silhouette_mm(solid) + seat, _middle_px(ruler)), closed=True)
    casing = path(d, stroke=CT_CASE, stroke_width="2.6", stroke_opacity="0.5")
    return casing + path(d, stroke=CT_INK, stroke_width="1", stroke_dasharray="3 3")
