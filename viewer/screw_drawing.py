"""A screw drawn to scale: in block characters for a terminal, and as an engineering drawing in SVG.

Both draw the solid of revolution that is measured with, and its real teeth. The SVG is a half section (upper
half cut and hatched, lower half seen from outside) on a chain-line axis with dimension lines, at the largest
of the standard scales of ISO 5455 (from memory) that fits A4 when printed at 96 px to the inch. Lines are
true to 0.1 px.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from planner.solid import Solid, solid_of
from planner.vocabulary import Screw, ThreadZone
from segmentation.vocabulary import Floats
from viewer.report import drawing
from viewer.report.thread_teeth import Tooth, radius_mm, teeth
from viewer.report.tokens import HAIR, INK, INK_2, INK_3, PAPER

COLUMNS_COUNT = 92
"""Widest drawing in characters. Our choice: with its ruler it fits a terminal of 100 columns."""

CELL_ASPECT_RATIO = 2.0
"""A character's height over its width (common practice of terminals)."""

FINEST_COLUMN_MM = 0.25
"""No column is finer than this, so that short screws are not drawn as thick as poles. Our choice."""

RESOLVED_COLUMNS_COUNT = 2.0
"""Columns a pitch needs for its teeth to be seen apart; below it the envelope is drawn. Our choice."""

QUADRANTS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"
"""Block characters by which of their quarters are full: upper left 1, upper right 2, lower left 4, lower
right 8."""

SHORT_RULER_MM = 60.0
"""Up to this length a ruler counts by 5 mm, beyond by 10 (the rule of the depth axis)."""

SCALES_FACTOR = (20, 10, 5, 2, 1)
"""Enlargements of ISO 5455, from memory."""

PAPER_WIDTH_MM = 180.0
"""Width a drawing may take: A4 less its margins of about 15 mm."""

SECTION_PITCH_PX, SECTION_DEGREE = 6.0, 45.0
"""Hatching of a cut: spacing is our choice, 45° is common practice in machine drawing."""

MARGIN_PX, LINE_PX = 34.0, 26.0
"""Space around the screw and between dimension lines. Our choice."""

CONTOUR = "2.4"
"""Stroke of the contour in px; half of it is covered by the fill. Our choice."""

CREST_POINTS_COUNT = 7
"""Points of a crest's curve from rim to axis. Our choice: smooth at 20:1."""


def text_drawing(solid: Solid) -> str:
    """The screw from the side in block characters, to scale, with a ruler in mm from the datum plane; no
    line over 100 columns."""
    length_mm = solid.tip_mm - solid.top_mm
    column_mm = max(length_mm / COLUMNS_COUNT, FINEST_COLUMN_MM)
    row_mm = column_mm * CELL_ASPECT_RATIO
    columns = int(np.ceil(length_mm / column_mm))
    # Two samples a character both ways; the axis lies between two rows of samples, so both halves are alike.
    rows = int(np.ceil(solid.outline_mm[:, 1].max() / row_mm))
    z_mm = solid.top_mm + (np.arange(2 * columns) + 0.5) * column_mm / 2
    y_mm = (np.arange(2 * 2 * rows) - 2 * rows + 0.5) * row_mm / 2
    resolved = all(z.thread.pitch_mm >= RESOLVED_COLUMNS_COUNT * column_mm for z in solid.zones)
    inside = _inside(solid, z_mm, y_mm) if resolved else _inside_envelope(solid, z_mm, y_mm)
    lines = ["".join(QUADRANTS[quarters] for quarters in row) for row in _cells(inside)]
    drawn = [line.rstrip() for line in lines if line.strip()]
    return "\n".join([*drawn, *_ruler(solid, column_mm, columns)])


def svg_drawing(screw: Screw, length_mm: float) -> str:
    """The screw of that marked length as a dimensioned half section, one SVG document."""
    solid = solid_of(screw, length_mm)
    return _Sheet(screw, length_mm, solid).document()


class _Sheet:
    """One drawing: where mm lie on it, and its parts in the order they are laid down."""

    def __init__(self, screw: Screw, length_mm: float, solid: Solid) -> None:
        self.screw, self.length_mm, self.solid = screw, length_mm, solid
        self.radius_mm = float(solid.outline_mm[:, 1].max())
        whole_mm = solid.tip_mm - solid.top_mm
        self.scale = next((s for s in SCALES_FACTOR if s * whole_mm <= PAPER_WIDTH_MM), 1)
        self.px_per_mm = self.scale * drawing.PX_PER_MM
        self.axis_px = MARGIN_PX + LINE_PX + self.radius_mm * self.px_per_mm
        self.width_px = 2 * MARGIN_PX + whole_mm * self.px_per_mm
        # Full-profile thread, then partial threads' lengths where there are any, then the marked length.
        self.levels = 2 if all(zone.thread.length_mm is None for zone in solid.zones) else 3
        self.height_px = self.axis_px + self.radius_mm * self.px_per_mm + (self.levels + 2) * LINE_PX

    def x(self, z_mm: float) -> float:
        return float(MARGIN_PX + (z_mm - self.solid.top_mm) * self.px_per_mm)

    def y(self, radius_mm: float) -> float:
        """Upper half positive."""
        return float(self.axis_px - radius_mm * self.px_per_mm)

    def outline(self, points_mm: npt.ArrayLike, *, closed: bool) -> str:
        placed = [(self.x(z), self.y(r)) for z, r in np.asarray(points_mm, float)]
        return drawing.outline(placed, closed=closed)

    def document(self) -> str:
        words = f"{self.screw.title}, {self.length_mm:g} mm, half section"
        parts = [
            drawing.rect(0, 0, self.width_px, self.height_px, PAPER),
            drawing.element(
                "defs",
                drawing.hatch("cut", SECTION_DEGREE, PAPER, INK_2, pitch=SECTION_PITCH_PX, width=1),
            ),
            *self._body(),
            *self._crests(),
            *self._head_edges(),
            self._axis(),
            *self._sizes_above(),
            *self._lengths_below(),
            self._title(),
        ]
        inside = drawing.element("g", "".join(parts), font_family="system-ui, sans-serif")
        return drawing.picture(self.width_px, self.height_px, inside, words) + "\n"

    def _body(self) -> Iterator[str]:
        """Both halves, upper cut and lower from outside. All strokes come first and are then covered by the
        fills, so that only the contour of core and teeth together stays, and nothing on the axis."""
        halves = ((self._shapes(upper=True), "url(#cut)"), (self._shapes(upper=False), HAIR))
        for shapes, _ in halves:
            for shape in shapes:
                yield drawing.path(shape, stroke=INK, stroke_width=CONTOUR, stroke_linejoin="round")
        for shapes, fill in halves:
            for shape in shapes:
                yield drawing.path(shape, fill=fill)

    def _shapes(self, *, upper: bool) -> list[str]:
        """Core, from the bore (cut) or the axis (outside) on, and the teeth of one side."""
        core_mm, bore_mm = np.asarray(self.solid.core_outline_mm), self.screw.cannula_mm / 2 if upper else 0.0
        side = 1 if upper else -1
        closed = [(core_mm[0, 0], bore_mm), *(core_mm * [1, side]), (core_mm[-1, 0], bore_mm)]
        tooth_points = [tooth.points_mm for tooth in self._teeth(upper=upper)]
        return [self.outline(closed, closed=True), *(self.outline(p, closed=True) for p in tooth_points)]

    def _crests(self) -> Iterator[str]:
        for tooth in self._teeth(upper=False):
            yield drawing.path(self._crest(tooth), stroke=INK_3, stroke_width="0.9")

    def _teeth(self, *, upper: bool) -> list[Tooth]:
        return [tooth for tooth in teeth(self.solid) if tooth.upper == upper]

    def _crest(self, tooth: Tooth) -> str:
        """A right-handed crest from the lower rim to the axis: a quarter of a turn back towards the head."""
        zone = next(zone for zone in self.solid.zones if zone.from_mm <= tooth.at_mm <= zone.to_mm)
        turn_fraction = np.linspace(0, 0.25, CREST_POINTS_COUNT)
        points = np.column_stack(
            [
                tooth.points_mm[1:3, 0].mean() - turn_fraction * zone.thread.pitch_mm,
                tooth.points_mm[1:3, 1].mean() * np.cos(2 * np.pi * turn_fraction),
            ]
        )
        return self.outline(points, closed=False)

    def _head_edges(self) -> Iterator[str]:
        """The edge where the head's rim ends, and the plane under the head."""
        if self.screw.head is None:
            return
        for z_mm, edge_mm in self.solid.outline_mm[1 : len(self.solid.outline_mm)]:
            if z_mm > 0:
                return
            if z_mm == 0 or edge_mm == self.solid.outline_mm[0, 1]:
                x, last = self.x(z_mm), self.y(-edge_mm)
                yield drawing.line(x, self.axis_px, x, last, stroke=INK_3, width=0.9)

    def _axis(self) -> str:
        over = MARGIN_PX / 3
        return drawing.line(
            self.x(self.solid.top_mm) - over,
            self.axis_px,
            self.x(self.solid.tip_mm) + over,
            self.axis_px,
            stroke=INK,
            width=0.9,
            stroke_dasharray="14 3 2.5 3",
        )

    def _sizes_above(self) -> Iterator[str]:
        """Diameters and pitch, over the part they belong to, each with a leader to its surface."""
        if self.screw.head is not None:
            yield from self._leader(self.solid.top_mm, self.screw.head.diameter_mm, "start")
        gaps = [(a.to_mm, b.from_mm) for a, b in zip(self.solid.zones, self.solid.zones[1:], strict=False)]
        first_mm = self.solid.zones[0].from_mm
        for from_mm, to_mm in [(0.0, first_mm), *gaps] if self.screw.shaft_mm else []:
            if to_mm - from_mm > 0:
                yield from self._leader((from_mm + to_mm) / 2, self.screw.shaft_mm, "middle")
        for zone in self.solid.zones:
            yield from self._thread_size(zone)

    def _leader(self, z_mm: float, diameter_mm: float, anchor: str, words: str = "") -> Iterator[str]:
        x, top = self.x(z_mm), MARGIN_PX
        yield drawing.line(x, top + 4, x, self.y(diameter_mm / 2) - 2, stroke=INK_3, width=0.8)
        yield drawing.text(x, top, words or f"Ø{diameter_mm:g}", anchor=anchor, size=drawing.BODY)

    def _thread_size(self, zone: ThreadZone) -> Iterator[str]:
        thread = zone.thread
        words = f"Ø{thread.major_mm:g} / {thread.core_mm:g}, pitch {thread.pitch_mm:g}"
        yield from self._leader(
            (zone.full_from_mm + zone.full_to_mm) / 2, thread.major_mm, "middle", words=words
        )

    def _lengths_below(self) -> Iterator[str]:
        """Full-profile thread, then threads, then the marked length, nearest first."""
        level_px = self.y(-self.radius_mm) + LINE_PX
        for zone in self.solid.zones:
            yield from self._length(zone.full_from_mm, zone.full_to_mm, level_px, "full ")
            if zone.thread.length_mm is not None:
                yield from self._length(zone.from_mm, zone.to_mm, level_px + LINE_PX, "")
        start_mm = self.solid.top_mm if self.screw.length_datum == "overall" else 0.0
        lowest_px = level_px + (self.levels - 1) * LINE_PX
        yield from self._length(start_mm, self.solid.tip_mm, lowest_px, "")

    def _length(self, from_mm: float, to_mm: float, level_px: float, prefix: str) -> Iterator[str]:
        for z_mm in (from_mm, to_mm):
            edge = self.y(-float(radius_mm(self.solid.outline_mm, z_mm)))
            yield drawing.line(self.x(z_mm), edge + 3, self.x(z_mm), level_px + 4, stroke=INK_3, width=0.6)
        yield drawing.dimension(self.x(from_mm), self.x(to_mm), level_px, stroke=INK_2)
        middle = (self.x(from_mm) + self.x(to_mm)) / 2
        words = f"{prefix}{round(to_mm - from_mm, 2):g}"
        yield drawing.text(middle, level_px - 4, words, anchor="middle", size=drawing.BODY, halo=PAPER)

    def _title(self) -> str:
        bore = f", bore Ø{self.screw.cannula_mm:g}" if self.screw.cannula_mm else ""
        words = (
            f"{self.screw.name}, {self.length_mm:g} mm, {self.screw.material}{bore}. Scale {self.scale}:1, mm"
        )
        return drawing.text(MARGIN_PX, self.height_px - LINE_PX / 2, words, size=drawing.BODY, fill=INK_2)


def _inside(solid: Solid, z_mm: Floats, y_mm: Floats) -> npt.NDArray[np.bool_]:
    """(y, z) whether a sample lies in the core or in a tooth of its side."""
    core_mm = radius_mm(solid.core_outline_mm, z_mm)
    sides_mm = {True: core_mm.copy(), False: core_mm.copy()}
    for tooth in teeth(solid):
        at_mm, crest_mm = tooth.points_mm[:, 0], np.abs(tooth.points_mm[:, 1])
        reach_mm = np.interp(z_mm, at_mm, crest_mm, left=0.0, right=0.0)
        sides_mm[tooth.upper] = np.maximum(sides_mm[tooth.upper], reach_mm)
    return np.asarray([abs(y) <= sides_mm[bool(y < 0)] for y in y_mm])


def _inside_envelope(solid: Solid, z_mm: Floats, y_mm: Floats) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(y_mm)[:, None] <= radius_mm(solid.outline_mm, z_mm))


def _cells(samples: npt.NDArray[np.bool_]) -> npt.NDArray[np.int_]:
    """(rows, columns) index into QUADRANTS of each two by two samples."""
    quarters = samples.astype(int)
    upper, lower = quarters[0::2], quarters[1::2]
    return np.asarray(upper[:, 0::2] + 2 * upper[:, 1::2] + 4 * lower[:, 0::2] + 8 * lower[:, 1::2])


def _ruler(solid: Solid, column_mm: float, columns: int) -> list[str]:
    step_mm = 5.0 if solid.tip_mm <= SHORT_RULER_MM else 10.0
    marks, numbers = [" "] * (columns + 1), [" "] * (columns + 4)
    for at_mm in np.arange(0.0, solid.tip_mm + column_mm / 2, step_mm):
        column = round((at_mm - solid.top_mm) / column_mm)
        marks[column] = "│"
        numbers[column : column + len(f"{at_mm:g}")] = f"{at_mm:g}"
    return ["".join(marks).rstrip(), "".join(numbers).rstrip() + " mm"]
