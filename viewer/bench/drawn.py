"""What the page shows, as one message: drawings ready to be put in place, and every value with its field.

The strip and the end view are the report's own drawings, in the plane the dial has chosen. While a handle is
held the picture they lie on is held too, and the screw is laid over it where the hand has it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from planner.assessment_file import assessment_document
from planner.limits import Limits
from planner.vocabulary import Interval, ScrewResult
from segmentation.vocabulary import Floats
from viewer.bench.desk import Desk
from viewer.bench.hand import dial_degree
from viewer.bench.limit_rows import limit_rows, limit_svg
from viewer.bench.themes import themed
from viewer.report import words
from viewer.report.drawing import element, line, path, px, text, written
from viewer.report.figure_pages import _hold_bar, _swatch
from viewer.report.ruler import GUTTER_PX, ROOM_BEFORE_MM, Ruler, half_height_mm
from viewer.report.scene_labels import directions, scale_bar
from viewer.report.section import WINDOWS_HU
from viewer.report.stations import Station, _part, station_svg
from viewer.report.strip import BONE_PX, LANE_GAP_PX, TOP_PX, strip_height_px, strip_over
from viewer.report.strip_section import ground, screw_over
from viewer.report.subject import Subject
from viewer.report.tokens import CT_CASE, CT_INK, INK, INK_2
from viewer.report.view_frame import direction_words

DENSITY_PX = 62.0
"""Height of the density lane."""

AFTER_MM = 3.0
"""Depth drawn after the exit (design of the page)."""

SMALLEST_SCALE_PX = 6.0
"""Below this the section would be too flat to read; a long screw then loses room beside it, not its shape."""

COLUMN_PX = 130.0
"""Width of a limit's glyph in the column."""


@dataclass(frozen=True)
class Room:
    """How large the page's pictures are, CSS px."""

    strip_px: tuple[float, float] = (1060.0, 330.0)
    end_px: float = 240.0


@dataclass
class Drawer:
    """Draws a desk; remembers the picture that lies under a held handle."""

    desk: Desk
    room: Room = Room()
    _held_ground: tuple[object, Ruler, str] | None = None

    def message(self) -> dict[str, Any]:
        """Everything the page shows but the scene's picture."""
        desk = self.desk
        subject = desk.subject()
        shown: dict[str, Any] = {
            "screws": self._screws(),
            "selected": desk.selected,
            "undo": desk.history.undo_words,
            "redo": desk.history.redo_words,
            "said": desk.said,
            "holding": desk.held.drag.handle if desk.held else None,
            "scene": self._scene(subject),
        }
        if subject is None or desk.assessment is None:
            return shown | {"strip": None, "end": None, "read": None, "assessment": None}
        document = assessment_document(desk.assessment)
        return shown | {
            "strip": self._strip(subject),
            "end": self._end(subject),
            "read": self._read(subject),
            "assessment": _plain(document),
        }

    # The strip

    def ruler(self, subject: Subject) -> Ruler:
        """One scale along and across, as large as the room allows."""
        width, height = self.room.strip_px
        result = subject.result
        from_mm = min(0.0, subject.top_depth_mm) - ROOM_BEFORE_MM
        to_mm = max(result.bone_length_mm, result.tip_depth_mm) + AFTER_MM
        half_mm = half_height_mm(subject)
        lanes = TOP_PX + 2 * LANE_GAP_PX + BONE_PX + DENSITY_PX + 44
        along = (width - GUTTER_PX - 2) / (to_mm - from_mm)
        across = max(height - lanes, 60.0) / (2 * half_mm)
        scale = min(along, across)
        if along < SMALLEST_SCALE_PX:
            scale = along
        spare_mm = (width - GUTTER_PX - 2) / scale - (to_mm - from_mm)
        return Ruler(from_mm - spare_mm / 2, to_mm + spare_mm / 2, scale, half_mm)

    def _strip(self, subject: Subject) -> dict[str, Any]:
        desk = self.desk
        held = desk.held if desk.held and desk.held.drag.handle in ("entry", "tip", "seat") else None
        if held is None:
            self._held_ground = None
            ruler = self.ruler(subject)
            in_frame = ground(subject, ruler, TOP_PX) + self._laid(subject, ruler, np.eye(3))
            frame = subject.frame
        else:
            ruler, ground_svg = self._ground_under(held, subject)
            frame = held.frame
            ghost = _ghost(held.result, ruler, self._turn(held.frame, held.result, ruler))
            in_frame = (
                ground_svg + ghost + self._laid(subject, ruler, self._place(subject, held.frame, ruler))
            )
        width, height = self.room.strip_px
        inside = strip_over(subject, ruler, [], in_frame, density_px=DENSITY_PX, width_px=width)
        middle = TOP_PX + ruler.section_px / 2
        result = subject.result
        points = {
            "entry": result.entry_mm,
            "tip": result.tip_mm,
            "seat": subject.frame.at_mm(subject.seat_mm),
        }
        handles = {name: _in_frame(frame, point, ruler, middle) for name, point in points.items()}
        low, high = (written(value, 0) for value in WINDOWS_HU[subject.bone.host])
        return {
            "svg": themed(inside),
            "width": width,
            "height": strip_height_px(ruler, DENSITY_PX),
            "scale_px": ruler.scale_px,
            "x0_px": ruler.x(0.0),
            "middle_px": middle,
            "section": [GUTTER_PX, TOP_PX, ruler.right_px - GUTTER_PX, ruler.section_px],
            "handles": handles,
            "cursor_mm": desk.cursor_depth_mm,
            "cursor_px": ruler.x(ruler.clipped_mm(desk.cursor_depth_mm)),
            "caption": f"CT in the plane at {written(dial_degree(frame), 0)}°, window {low} to {high} HU",
        }

    def _laid(self, subject: Subject, ruler: Ruler, place: Floats) -> str:
        """The screw over the picture; ``place`` takes its own drawing to where it lies in the held one."""
        drawn = screw_over(subject, ruler, TOP_PX)
        (a, c, e), (b, d, f), _ = place.tolist()
        if np.allclose(place, np.eye(3)):
            return drawn
        return element("g", drawn, transform=f"matrix({a:.5f} {b:.5f} {c:.5f} {d:.5f} {e:.2f} {f:.2f})")

    def _ground_under(self, held: Any, subject: Subject) -> tuple[Ruler, str]:
        if self._held_ground is None or self._held_ground[0] is not held:
            before = replace(subject, result=held.result, frame=held.frame)
            ruler = self.ruler(before)
            self._held_ground = (held, ruler, ground(before, ruler, TOP_PX))
        return self._held_ground[1], self._held_ground[2]

    def _place(self, subject: Subject, frame: Any, ruler: Ruler) -> Floats:
        return self._turn(frame, subject.result, ruler)

    def _turn(self, frame: Any, result: ScrewResult, ruler: Ruler) -> Floats:
        """(3, 3) from a screw's own drawing (axis along the ruler) to where it lies in ``frame``."""
        middle = TOP_PX + ruler.section_px / 2
        from_px = np.array([ruler.x(0.0), middle])
        to_px = np.array(_in_frame(frame, result.entry_mm, ruler, middle))
        along = np.array([result.direction @ frame.along, -(result.direction @ frame.up)])
        along = along / max(float(np.linalg.norm(along)), 1e-9)
        turn = np.array([[along[0], -along[1]], [along[1], along[0]]])
        shift = to_px - turn @ from_px
        return np.array([[*turn[0], shift[0]], [*turn[1], shift[1]], [0, 0, 1]])

    # The end view

    def _end(self, subject: Subject) -> dict[str, Any]:
        desk = self.desk
        depth_mm = desk.cursor_depth_mm
        half_mm = half_height_mm(subject)
        side = self.room.end_px
        scale = (side / 2 - 26) / half_mm
        station = Station("", depth_mm, _part(subject, depth_mm))
        svg, clear = station_svg(subject, station, half_mm=half_mm, scale_px=scale)
        inner = svg[svg.index(">") + 1 : svg.rindex("</svg>")]
        number = next((s.name for s in subject.stretches if s.from_mm <= depth_mm <= s.to_mm), None)
        zone = subject.zone_at(depth_mm)
        rows = [
            ("across the screw at", f"{written(depth_mm)} mm"),
            ("in", number or clear),
            ("nearest", clear),
            ("there", station.part),
        ]
        if zone is not None:
            rows.append(
                ("major, core", f"{written(zone.thread.major_mm)}, {written(zone.thread.core_mm)} mm")
            )
        density = _at(subject, depth_mm)
        if density:
            rows.append(("in the thread ring", density))
        degree = dial_degree(subject.frame)
        rows.append(("dial", f"{written(degree, 0)}°"))
        return {
            "svg": themed(element("g", inner, transform="translate(24 24)") + _rim(side)),
            "side": side,
            "scale_px": scale,
            "dial_degree": degree,
            "rows": rows,
        }

    # The scene's words

    def _scene(self, subject: Subject | None) -> dict[str, Any]:
        camera = self.desk.camera
        drawn = themed(directions(camera) + scale_bar(camera))
        handles: dict[str, Any] = {}
        if subject is not None:
            result = subject.result
            ends = camera.to_px([result.entry_mm, result.tip_mm]).tolist()
            handles = {"entry": ends[0], "tip": ends[1]}
            beyond = camera.to_px(
                [
                    subject.frame.at_mm(min(subject.top_depth_mm, 0.0) - 6.0),
                    subject.frame.at_mm(max(result.bone_length_mm, result.tip_depth_mm) + 6.0),
                ]
            )
            (x1, y1), (x2, y2) = beyond.tolist()
            chain = line(x1, y1, x2, y2, INK, 0.9, stroke_dasharray="14 3 2.5 3")
            drawn = (
                themed(chain)
                + drawn
                + themed(text(x1 - 6, y1 - 4, result.placed.name, anchor="end", bold=True, size=13))
            )
        if self.desk.first_click_mm is not None:
            x, y = camera.to_px([self.desk.first_click_mm])[0].tolist()
            drawn += element(
                "circle", cx=x, cy=y, r="7", fill="none", stroke="var(--marker)", stroke_width="3"
            )
        fragments = [
            {
                "number": one.number,
                "name": one.name,
                "bone": one.bone,
                "swatch": themed(_swatch(one.rank)),
                "shown": one.number not in self.desk.faint,
            }
            for one in self.desk.posed
            if subject is None or one.bone == subject.result.bone_name
        ]
        return {
            "svg": drawn,
            "width": camera.width_px,
            "height": camera.height_px,
            "handles": handles,
            "fragments": fragments,
            "neighbours": self.desk.neighbours,
        }

    # The column

    def _screws(self) -> list[dict[str, Any]]:
        measured = self.desk.assessment.screws if self.desk.assessment else ()
        rows = []
        for number, placed in enumerate(self.desk.current.screws):
            result = measured[number] if number < len(measured) else None
            worst = None
            if result is not None and result.findings:
                worst = words.sorted_findings(result.findings)[0].severity
            rows.append(
                {
                    "name": placed.name,
                    "family": placed.screw.name,
                    "length_mm": placed.length_mm,
                    "worst": worst,
                    "hidden": placed.name in self.desk.hidden,
                }
            )
        return rows

    def _read(self, subject: Subject) -> dict[str, Any]:
        result, number = subject.result, subject.number - 1
        root = f"screws[{number}]"
        placed = result.placed
        stop = words.has_stop(result)
        limits = []
        for row in limit_rows(result, number, Limits()):
            limits.append(
                {
                    "words": row.words,
                    "field": row.field,
                    "value": row.value,
                    "shown": written(row.value, row.digits) if row.value is not None else "",
                    "unit": row.unit,
                    "limit": row.limit_words,
                    "broken": row.broken,
                    "reason": row.reason,
                    "svg": themed(limit_svg(row, COLUMN_PX)),
                }
            )
        holds = []
        longest = max(
            (h.high for f in result.fragments for h in [words.bitten_hold(f)] if h is not None), default=1.0
        )
        for place, fragment in enumerate(result.fragments):
            if fragment.axis_path_mm <= 0:
                continue
            hold = words.bitten_hold(fragment)
            holds.append(
                {
                    "name": fragment.fragment_name,
                    "governs": fragment.fragment == result.governed_by,
                    "field": f"{root}.fragments[{place}].pullout_n.estimate",
                    "value": None if hold is None else hold.estimate,
                    "shown": "" if hold is None else written(hold.estimate, 0),
                    "range": "" if hold is None else f"{written(hold.low, 0)}–{written(hold.high, 0)}",
                    "reason": _hold_reason(result, fragment, hold),
                    "svg": ""
                    if hold is None
                    else themed(_hold_bar(subject.rank(fragment.fragment), hold, longest or 1.0, muted=stop)),
                    "path": {
                        "field": f"{root}.fragments[{place}].axis_path_mm",
                        "value": fragment.axis_path_mm,
                        "shown": written(fragment.axis_path_mm),
                    },
                }
            )
        return {
            "name": placed.name,
            "title": placed.screw.title,
            "stop": stop,
            "family": placed.screw.name,
            "families": sorted(self.desk.screws),
            "length_mm": placed.length_mm,
            "stocked_mm": list(placed.screw.stocked_lengths_mm),
            "technique": placed.technique,
            "techniques": _techniques(placed),
            "technique_words": words.TECHNIQUE_WORDS[placed.technique]
            if not placed.screw.headless
            else "compresses by its own pitches",
            "seat_depth_mm": placed.seat_depth_mm,
            "seat_words": words.seat_words(result),
            "lengths": [
                _value(f"{root}.bone_length_mm", result.bone_length_mm, "bone length", "mm"),
                _value(f"{root}.tip_depth_mm", result.tip_depth_mm, "tip depth", "mm"),
            ],
            "limits": limits,
            "holds": holds,
            "findings": [
                {
                    "severity": finding.severity,
                    "message": finding.message,
                    "code": finding.code,
                    "source": finding.source,
                }
                for finding in words.sorted_findings(result.findings)
            ],
            "counted": words.counted_words(result.findings),
            "check": words.check_words(result),
        }


def _value(field: str, value: float, said: str, unit: str) -> dict[str, Any]:
    return {"field": field, "value": value, "words": said, "shown": written(value), "unit": unit}


def _hold_reason(result: ScrewResult, fragment: Any, hold: Interval | None) -> str:
    if hold is not None:
        return ""
    if fragment.thread_engagement_mm <= 0:
        return words.HELD_BY_HEAD if words.held_by_head(result, fragment) else words.NO_THREAD
    return result.reasons.get(f"fragments.{fragment.fragment}.pullout_n", "not known")


def _techniques(placed: Any) -> list[str]:
    if placed.screw.headless:
        return ["position"]
    if placed.screw.head is not None and placed.screw.head.shape == "locking":
        return ["locking", "position"]
    return ["position", "lag"]


def _at(subject: Subject, depth_mm: float) -> str:
    profile = subject.result.profile
    at = int(np.argmin(np.abs(profile.depth_mm - depth_mm)))
    density = profile.ring.density_mg_cm3
    value = float(profile.ring.hu[at] if density is None else density[at])
    if not math.isfinite(value):
        return ""
    return f"{written(value, 0)} {'HU' if density is None else 'mg/cm³'}"


def _in_frame(frame: Any, point_mm: Floats, ruler: Ruler, middle_px: float) -> list[float]:
    away = np.asarray(point_mm) - frame.origin_mm
    return [
        ruler.x(float(away @ frame.along)),
        middle_px - float(away @ frame.up) * ruler.scale_px,
    ]


def _ghost(result: ScrewResult, ruler: Ruler, place: Floats) -> str:
    """Where the screw was when the hand took it: a broken outline."""
    from planner.solid import solid_of
    from viewer.report.drawing import outline
    from viewer.report.thread_teeth import silhouette_mm

    seat = np.array([result.placed.seat_depth_mm, 0.0])
    middle = TOP_PX + ruler.section_px / 2
    points = ruler.points(
        silhouette_mm(solid_of(result.placed.screw, result.placed.length_mm)) + seat, middle
    )
    d = outline(points, closed=True)
    return path(d, stroke=CT_CASE, stroke_width="2.6", stroke_opacity="0.5") + path(
        d, stroke=CT_INK, stroke_width="1", stroke_dasharray="3 3"
    )


def _rim(side: float) -> str:
    """Ticks of the dial: every 10°, longer at 30°, longest at 90°."""
    centre, inner = side / 2, side / 2 - 22
    drawn = ""
    for degree in range(0, 360, 10):
        long = 10 if degree % 90 == 0 else 7 if degree % 30 == 0 else 4
        angle = math.radians(degree)
        x, y = math.sin(angle), -math.cos(angle)
        drawn += line(
            centre + inner * x,
            centre + inner * y,
            centre + (inner + long) * x,
            centre + (inner + long) * y,
            INK_2,
            0.9,
        )
    return drawn


def _plain(value: Any) -> Any:
    """JSON without NaN."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value


__all__ = ["Drawer", "Room", "direction_words", "px"]
