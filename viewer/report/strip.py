"""The depth strip: everything a screw meets, on one ruler of depth.

From top to bottom: a CT section through the axis with the screw's true profile; what the drill meets;
density in the thread's ring; the depth axis; where the tip would land with each stocked length. Entry,
fracture edges and exit run through all lanes; the letters at the top are the stations of the end views.
"""

from __future__ import annotations

from collections.abc import Sequence

from viewer.report import drawing
from viewer.report.drawing import element, line, rect, text
from viewer.report.ruler import GUTTER_PX, Ruler
from viewer.report.stations import Station
from viewer.report.strip_density import density_lane, density_words
from viewer.report.strip_lanes import axis_lane, bone_lane, bone_words, fracture_edges_mm, landing_lane
from viewer.report.strip_section import dimensions, section, side_words
from viewer.report.subject import Subject
from viewer.report.tokens import CT_CASE, CT_INK, INK, INK_2, INK_3
from viewer.report.words import cut_off

TOP_PX, LANE_GAP_PX, BONE_PX, AXIS_PX = 19.0, 5.0, 16.0, 44.0
"""Heights in px: station letters, gap between lanes, bone lane, axis with landing marks (as in the mock)."""


def strip_svg(
    subject: Subject, ruler: Ruler, stations: Sequence[Station], *, density_px: float, width_px: float
) -> str:
    """One row of the strip as SVG; ``density_px`` is the height of the density lane."""
    inside = strip_over(
        subject, ruler, stations, section(subject, ruler, TOP_PX), density_px=density_px, width_px=width_px
    )
    return drawing.picture(
        width_px, strip_height_px(ruler, density_px), inside, f"Depth strip of {subject.result.placed.name}"
    )


def strip_over(
    subject: Subject,
    ruler: Ruler,
    stations: Sequence[Station],
    in_frame: str,
    *,
    density_px: float,
    width_px: float,
) -> str:
    """The lanes and words of a row around ``in_frame``, what the section's frame shows."""
    section_bottom = TOP_PX + ruler.section_px
    bone_top = section_bottom + LANE_GAP_PX
    density_top = bone_top + BONE_PX + LANE_GAP_PX
    axis_y = density_top + density_px
    clip = f"strip-{subject.number}-{round(ruler.from_mm * 100)}"
    frame = (GUTTER_PX, TOP_PX, ruler.right_px - GUTTER_PX, ruler.section_px)
    lines_px = [ruler.x(station.depth_mm) for station in stations if ruler.shows(station.depth_mm)]
    inside = element("clipPath", rect(*frame), id=clip)
    inside += element("g", in_frame, clip_path=f"url(#{clip})")
    inside += rect(*frame, stroke=INK_3, stroke_width="0.8")
    inside += bone_lane(subject, ruler, bone_top, BONE_PX)
    inside += density_lane(subject, ruler, density_top, density_px)
    inside += _verticals(subject, ruler, section_bottom, axis_y)
    inside += _station_marks(ruler, stations, section_bottom, axis_y)
    # Words come last, with a halo: no line may run through them.
    words = dimensions(subject, ruler, TOP_PX, lines_px)
    inside += element("g", words, clip_path=f"url(#{clip})")
    inside += side_words(subject, ruler, TOP_PX)
    edges_px = [ruler.x(z) for z in fracture_edges_mm(subject)]
    inside += bone_words(subject, ruler, bone_top, BONE_PX, lines_px)
    inside += density_words(subject, ruler, density_top, density_px, lines_px + edges_px)
    inside += axis_lane(subject, ruler, axis_y)
    return inside + landing_lane(subject, ruler, axis_y + 21, width_px)


def strip_height_px(ruler: Ruler, density_px: float) -> float:
    """Height of a row of the strip."""
    return TOP_PX + ruler.section_px + 2 * LANE_GAP_PX + BONE_PX + density_px + AXIS_PX


def _verticals(subject: Subject, ruler: Ruler, top: float, bottom: float) -> str:
    """Entry and exit as full lines through all lanes, fracture edges as broken ones."""
    ends_mm = [0.0] if cut_off(subject.result) else [0.0, subject.exit_depth_mm]
    drawn = [line(ruler.x(z), top, ruler.x(z), bottom, INK, 1.1) for z in ends_mm if ruler.shows(z)]
    drawn += [
        line(ruler.x(z), top, ruler.x(z), bottom, INK, 0.8, stroke_dasharray="3 2")
        for z in fracture_edges_mm(subject)
        if ruler.shows(z)
    ]
    return "".join(drawn)


def _station_marks(ruler: Ruler, stations: Sequence[Station], section_bottom: float, axis_y: float) -> str:
    drawn = []
    for station in stations:
        if not ruler.shows(station.depth_mm):
            continue
        x = ruler.x(station.depth_mm)
        drawn += [
            line(x, TOP_PX, x, section_bottom, CT_CASE, 3, stroke_opacity="0.45"),
            line(x, TOP_PX - 2, x, section_bottom, CT_INK, 1, stroke_dasharray="5 2"),
            line(x, section_bottom, x, axis_y, INK_2, 0.7, stroke_dasharray="5 2"),
            text(x, TOP_PX - 6, station.letter, anchor="middle", size=drawing.BODY, bold=True),
        ]
    return "".join(drawn)
