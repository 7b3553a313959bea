"""What the page shows, as one message: drawings ready to be put in place, and every value with its field."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from planner.assessment_file import assessment_document
from planner.vocabulary import Assessment
from segmentation.vocabulary import Floats
from viewer.bench.column import column
from viewer.bench.desk import Desk
from viewer.bench.hand import dial_degree
from viewer.bench.opened import opened
from viewer.bench.sliders import sliders
from viewer.bench.strip_in_hand import Strip
from viewer.bench.themes import themed
from viewer.report import words
from viewer.report.drawing import element, line, text, written
from viewer.report.figure_pages import swatch
from viewer.report.ruler import half_height_mm
from viewer.report.scene_labels import directions, scale_bar
from viewer.report.stations import Station, part_at, station_svg
from viewer.report.subject import Subject
from viewer.report.tokens import INK, INK_2, PAPER

RIM_PX = 22.0
"""Room for the dial's ticks around the end view."""

AXIS_BEYOND_MM = 6.0
"""The axis is drawn this far beyond the screw and the bone."""

LIST_PX = 58.0
"""Height of the list of screws over the scene's upper edge."""

NAME_PX = 13.0
"""Size of the screw's name in the scene."""


@dataclass
class Drawer:
    """Draws a desk."""

    desk: Desk
    end_px: float = 240.0
    open_field: str | None = None
    strip: Strip = field(init=False)
    marks: Callable[[], list[tuple[str, Floats]]] = list
    """Named places, as the plan sees them, that are to be drawn in the scene."""

    def __post_init__(self) -> None:
        self.strip = Strip(self.desk)

    def message(self, *, in_parts: bool = False) -> dict[str, Any]:
        """Everything the page shows but the scene's picture; ``in_parts`` all that ``rest`` does not tell."""
        desk = self.desk
        subject = desk.subject()
        shown: dict[str, Any] = {
            "screws": self._screws(),
            "selected": desk.selected,
            "undo": desk.history.undo_words,
            "redo": desk.history.redo_words,
            "said": desk.said,
            "holding": desk.held.drag.handle if desk.held else None,
        }
        if not in_parts:
            shown["scene"] = self.scene(subject)
        if subject is None or desk.assessment is None:
            return shown | {"strip": None, "end": None, "read": None, "opened": None}
        told = self._sliders(subject)
        return shown | {
            "strip": self._strip(subject, with_lanes=not in_parts),
            "end": self._end(subject) | {"sliders": told},
            "read": column(subject, sorted(desk.screws), desk.asked),
            "opened": self._opened(desk.assessment),
        }

    def rest(self, subject: Subject) -> dict[str, Any]:
        """The strip's lanes, and what lies over the scene."""
        return {"strip": self._strip(subject, with_lanes=True), "scene": self.scene(subject)}

    def _strip(self, subject: Subject, *, with_lanes: bool) -> dict[str, Any]:
        """The strip and what its handles are."""
        return self.strip.message(subject, with_lanes=with_lanes) | {"sliders": self._sliders(subject)}

    def _opened(self, assessment: Assessment) -> dict[str, Any] | None:
        """The value that the person has opened, explained."""
        if self.open_field is None:
            return None
        return opened(assessment_document(assessment), self.open_field)

    def scene(self, subject: Subject | None) -> dict[str, Any]:
        """Words, axis and handles over the scene's picture."""
        camera = self.desk.camera
        drawn = directions(camera, from_px=LIST_PX) + scale_bar(camera)
        handles: dict[str, Any] = {}
        told: dict[str, Any] = {}
        if subject is not None:
            result, frame = subject.result, subject.frame
            entry_px, tip_px = camera.to_px([result.entry_mm, result.tip_mm]).tolist()
            handles = {"entry": entry_px, "tip": tip_px}
            told = self._sliders(subject)
            before_mm = min(subject.top_depth_mm, 0.0) - AXIS_BEYOND_MM
            after_mm = max(result.bone_length_mm, result.tip_depth_mm) + AXIS_BEYOND_MM
            (x1, y1), (x2, y2) = camera.to_px([frame.at_mm(before_mm), frame.at_mm(after_mm)]).tolist()
            drawn += line(x1, y1, x2, y2, INK, 0.9, stroke_dasharray="14 3 2.5 3")
            name_px = max(y1 - 4, LIST_PX + NAME_PX)
            drawn += text(x1 - 6, name_px, result.placed.name, anchor="end", bold=True, size=NAME_PX)
        if self.desk.first_click_mm is not None:
            drawn += _mark(camera.to_px([self.desk.first_click_mm])[0].tolist())
        for name, place_mm in self.marks():
            at = camera.to_px([place_mm])[0].tolist()
            drawn += _mark(at) + text(at[0] + 11, at[1] + 4, name, size=NAME_PX, halo=PAPER)
        fragments = [
            {
                "number": one.number,
                "name": one.name,
                "swatch": themed(swatch(one.rank)),
                "shown": one.number not in self.desk.faint,
            }
            for one in self.desk.posed
            if subject is None or one.bone == subject.result.bone_name
        ]
        return {
            "svg": themed(drawn),
            "width": camera.width_px,
            "height": camera.height_px,
            "handles": handles,
            "aims_from": None
            if self.desk.first_click_mm is None
            else camera.to_px([self.desk.first_click_mm])[0].tolist(),
            "sliders": told,
            "fragments": fragments,
            "neighbours": self.desk.neighbours,
            "pose": self.desk.pose if self.desk.reduced else None,
        }

    def _sliders(self, subject: Subject) -> dict[str, Any]:
        """What the handles are to those who hear the page."""
        told = sliders(subject, self.desk.cursor_depth_mm, self.desk.cursor_ends_mm(subject.result))
        return {name: vars(one) for name, one in told.items()}

    def _end(self, subject: Subject) -> dict[str, Any]:
        depth_mm = self.desk.cursor_depth_mm
        half_mm = half_height_mm(subject)
        # The station's drawing has a margin of 2 px of its own.
        scale = (self.end_px / 2 - RIM_PX - 4) / half_mm
        station = Station("", depth_mm, part_at(subject, depth_mm))
        svg, clear = station_svg(subject, station, half_mm=half_mm, scale_px=scale, quick=True)
        inner = svg[svg.index(">") + 1 : svg.rindex("</svg>")]
        shift = self.end_px / 2 - half_mm * scale - 2
        name = next((s.name for s in subject.stretches if s.from_mm <= depth_mm <= s.to_mm), None)
        rows = [("across the screw at", f"{written(depth_mm)} mm")]
        if name is not None:
            rows.append(("in", name))
        rows += [("nearest", clear), ("there", station.part)]
        zone = subject.zone_at(depth_mm)
        if zone is not None:
            major, core = written(zone.thread.major_mm), written(zone.thread.core_mm)
            rows.append(("major, core", f"{major}, {core} mm"))
        if density := _ring_words(subject, depth_mm):
            rows.append(("in the thread ring", density))
        degree = dial_degree(subject.frame)
        rows.append(("dial", f"{written(degree, 0)}°"))
        moved = element("g", inner, transform=f"translate({shift:.1f} {shift:.1f})")
        return {
            "svg": themed(moved + _rim(self.end_px)),
            "side": self.end_px,
            "scale_px": scale,
            "dial_degree": degree,
            "rows": rows,
        }

    def _screws(self) -> list[dict[str, Any]]:
        measured = self.desk.assessment.screws if self.desk.assessment else ()
        worst = [
            words.sorted_findings(result.findings)[0].severity if result.findings else None
            for result in measured
        ]
        return [
            {
                "name": placed.name,
                "length_mm": placed.length_mm,
                "worst": worst[number] if number < len(worst) else None,
                "hidden": placed.name in self.desk.hidden,
            }
            for number, placed in enumerate(self.desk.current.screws)
        ]


def _mark(at_px: list[float]) -> str:
    x, y = at_px
    ring = {"cx": x, "cy": y, "fill": "none"}
    under = element("circle", r="7", stroke=INK, stroke_width="5", **ring)
    return under + element("circle", r="7", stroke="var(--marker)", stroke_width="3", **ring)


def _ring_words(subject: Subject, depth_mm: float) -> str:
    profile = subject.result.profile
    at = int(np.argmin(np.abs(profile.depth_mm - depth_mm)))
    density = profile.ring.density_mg_cm3
    value = float(profile.ring.hu[at] if density is None else density[at])
    if not math.isfinite(value):
        return ""
    return f"{written(value, 0)} {'HU' if density is None else 'mg/cm³'}"


@lru_cache(maxsize=4)
def _rim(side_px: float) -> str:
    """Ticks of the dial: every 10°, longer at 30°, longest at 90°."""
    centre, inner = side_px / 2, side_px / 2 - RIM_PX
    drawn = ""
    for degree in range(0, 360, 10):
        long = 10 if degree % 90 == 0 else 7 if degree % 30 == 0 else 4
        x, y = math.sin(math.radians(degree)), -math.cos(math.radians(degree))
        ends = [(centre + reach * x, centre + reach * y) for reach in (inner, inner + long)]
        drawn += line(*ends[0], *ends[1], INK_2, 0.9)
    return drawn
