"""Where the screw is cut across, and the round end views at those depths.

Four stations: the start of the thread or of the bone, the fracture, the middle of the thread that holds,
and the last full thread. An end view looks along the screw from its head: circle at the strip's scale,
dashed the major, full the core diameter, black the cannula, chain line the plane of the strip, and a line
from the major circle to the nearest surface of bone (a fracture's face included, so that the figure is
never too kind).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from segmentation.vocabulary import Floats
from viewer.report import drawing
from viewer.report.drawing import BODY, between, chain_line, element, rect, text, written
from viewer.report.section import Plane, Window, encloses, nearest_on, picture_uri, section_hu
from viewer.report.strip_lanes import fracture_edges_mm, gaps
from viewer.report.strip_section import bone_loops, bone_outlines, other_screw_outlines
from viewer.report.subject import Subject
from viewer.report.thread_teeth import radius_mm
from viewer.report.tokens import CT_CASE, CT_INK, INK_3
from viewer.report.view_frame import direction_words

STATIONS_COUNT = 4
"""Stations a page has room for."""

CLOSEST_SHARE = 0.06
"""Two stations are at least this share of the path apart. Our choice: their letters must not collide."""

LETTERS = "abcd"

ASIDE = 0.7
"""A figure nearer than 45° to a direction's word makes it stand on the other side."""


@dataclass(frozen=True)
class Station:
    """A depth at which the screw is cut across; ``part`` says what of the screw is there."""

    letter: str
    depth_mm: float
    part: str


def stations_of(subject: Subject) -> list[Station]:
    """The stations of a screw, by depth."""
    length_mm = max(subject.exit_depth_mm, subject.result.tip_depth_mm)
    apart_mm = CLOSEST_SHARE * length_mm
    chosen: list[float] = []
    for depth_mm in _wanted_mm(subject):
        if all(abs(depth_mm - other) >= apart_mm for other in chosen):
            chosen.append(depth_mm)
        if len(chosen) == STATIONS_COUNT:
            break
    return [
        Station(letter, depth_mm, part_at(subject, depth_mm))
        for letter, depth_mm in zip(LETTERS, sorted(chosen), strict=False)
    ]


def _wanted_mm(subject: Subject) -> list[float]:
    """Depths worth a section, the most telling first; the last ones fill up."""
    seat_mm, tip_mm, exit_mm = subject.seat_mm, subject.result.tip_depth_mm, subject.exit_depth_mm
    wanted: list[float] = []
    if subject.zones:
        leading = subject.zones[-1]
        last_mm = min(leading.full_to_mm + seat_mm, exit_mm)
        wanted.append(last_mm - leading.thread.pitch_mm / 2)
        edges_mm = [z for z in fracture_edges_mm(subject) if z < tip_mm]
        start_mm = max([leading.full_from_mm + seat_mm, *edges_mm, subject.result.gliding_hole_to_mm or 0.0])
        if edges_mm:
            before_mm = edges_mm[0] - leading.thread.pitch_mm
            wanted.append(before_mm if before_mm > max(seat_mm, 0) else edges_mm[0] / 2)
        if start_mm < last_mm:
            wanted.append((start_mm + last_mm) / 2)
        if len(subject.zones) > 1:
            trailing = subject.zones[0]
            wanted.append(seat_mm + (trailing.full_from_mm + trailing.full_to_mm) / 2)
    near = next((layer for layer in subject.result.layers if layer.layer == "near cortex"), None)
    if near is not None:
        wanted.append(max((near.from_mm + near.to_mm) / 2, seat_mm + 0.1))
    from_mm, to_mm = max(0.0, seat_mm), min(tip_mm, exit_mm)
    wanted += [from_mm + (to_mm - from_mm) * share for share in (0.15, 0.4, 0.6, 0.8)]
    return [depth_mm for depth_mm in wanted if from_mm <= depth_mm <= tip_mm]


def part_at(subject: Subject, depth_mm: float) -> str:
    """What of the screw is at a depth, in words."""
    zone = subject.zone_at(depth_mm)
    if depth_mm < subject.seat_mm:
        return "head" if subject.solid.top_mm < 0 and depth_mm >= subject.top_depth_mm else "above the screw"
    if zone is None:
        return "shaft"
    z = depth_mm - subject.seat_mm
    if z > zone.full_to_mm and zone is subject.zones[-1]:
        return "tip"
    name = "thread"
    if len(subject.zones) > 1:
        name = "leading thread" if zone is subject.zones[-1] else "trailing thread"
    if not zone.full_from_mm <= z <= zone.full_to_mm:
        return f"run-out of the {name}"
    return name


def station_svg(
    subject: Subject, station: Station, *, half_mm: float, scale_px: float, quick: bool = False
) -> tuple[str, str]:
    """The end view at a station as SVG, and the line of words under it; ``quick`` for a page that is drawn
    often."""
    frame = subject.frame
    plane = Plane(frame.at_mm(station.depth_mm), frame.toward, frame.up)
    radius_px = half_mm * scale_px
    centre = radius_px + 2
    all_loops = bone_loops(subject, plane, half_mm)
    loops = {fragment.number: all_loops[fragment.number] for fragment in subject.own}
    inside_of = next((number for number, own in loops.items() if encloses(own, 0.0, 0.0)), 0)

    def to_px(points_mm: Floats) -> Floats:
        return np.asarray(points_mm * [scale_px, -scale_px] + centre)

    clip = f"end-{subject.number}-{station.letter}"
    hu = section_hu(subject.bone, plane, Window(-half_mm, half_mm, -half_mm, half_mm), subject.posed)
    side = 2 * radius_px
    inside = element("clipPath", element("circle", cx=centre, cy=centre, r=radius_px), id=clip)
    picture = rect(2.0, 2.0, side, side, "url(#no-scan)")
    picture += element(
        "image", href=picture_uri(hu, subject.bone.host, quick=quick), x=2.0, y=2.0, width=side, height=side
    )
    picture += bone_outlines(subject, plane, to_px, all_loops, half_mm) + other_screw_outlines(
        subject, plane, to_px
    )
    picture += chain_line(centre, 2.0, centre, 2.0 + side)
    inside += element("g", picture, clip_path=f"url(#{clip})")
    inside += _circle(centre, radius_px, INK_3, 0.8) + _circles(subject, station, centre, scale_px)
    foot = nearest_on([loop for own in loops.values() for loop in own])
    broken_here = sum(bool(own) for own in loops.values()) > 1
    words, nearest = _nearest(subject, station, foot, inside_of, centre, scale_px, broken_here=broken_here)
    inside += nearest + _direction_marks(subject, centre, radius_px, foot if nearest else None)
    label = f"Section {station.letter} across {subject.result.placed.name}"
    return drawing.picture(2 * centre, 2 * centre, inside, label), words


def _radii_mm(subject: Subject, depth_mm: float) -> tuple[float, float]:
    """Envelope and core radius of the screw at a depth."""
    z = depth_mm - subject.seat_mm
    return float(radius_mm(subject.solid.outline_mm, z)), float(radius_mm(subject.solid.core_outline_mm, z))


def _circles(subject: Subject, station: Station, centre: float, scale_px: float) -> str:
    outer_mm, core_mm = _radii_mm(subject, station.depth_mm)
    number = subject.bitten_at(station.depth_mm)
    drawn = ""
    if outer_mm > core_mm:
        fill = subject.ink(number).over_ct if number else CT_CASE
        drawn += _circle(
            centre, outer_mm * scale_px, CT_CASE, 3, fill=fill, fill_opacity="0.5", stroke_opacity="0.5"
        )
        drawn += _circle(centre, outer_mm * scale_px, CT_INK, 1.3, stroke_dasharray="4 2")
    drawn += _circle(centre, core_mm * scale_px, CT_INK, 1.3, fill="#20272C", fill_opacity="0.5")
    hollow_mm = subject.result.placed.screw.cannula_mm / 2
    if hollow_mm > 0:
        drawn += _circle(centre, hollow_mm * scale_px, CT_INK, 0.7, fill=CT_CASE)
    return drawn


def _circle(centre: float, radius: float, stroke: str, width: float, **named: object) -> str:
    named.setdefault("fill", "none")
    return element(
        "circle", cx=centre, cy=centre, r=radius, stroke=stroke, stroke_width=f"{width:g}", **named
    )


def _nearest(
    subject: Subject,
    station: Station,
    foot: Floats | None,
    inside_of: int,
    centre: float,
    scale_px: float,
    *,
    broken_here: bool,
) -> tuple[str, str]:
    """Words on the nearest surface in this plane, and the line to it."""
    outer_mm, _ = _radii_mm(subject, station.depth_mm)
    if not inside_of:
        gap = next((g for g in gaps(subject) if g.from_mm <= station.depth_mm <= g.to_mm), None)
        if gap is None:
            return "axis outside the bone", ""
        return ("axis in the fracture gap" if gap.is_fracture else "axis in a hollow of the bone"), ""
    if foot is None:
        return "no surface in this plane", ""
    away_mm = float(np.hypot(*foot))
    # Where two fragments lie in the plane the nearest may be what a screw is meant to cross.
    surface = "surface or the fracture's face" if broken_here else "surface"
    clear_mm = away_mm - outer_mm
    unit = foot / max(away_mm, 1e-9) * [1, -1]
    start, end = centre + unit * outer_mm * scale_px, centre + unit * away_mm * scale_px
    words = (
        f"{written(clear_mm)} mm to the {surface}"
        if clear_mm >= 0
        else f"{written(-clear_mm)} mm through the {surface}"
    )
    limit = centre - 14
    if np.abs(end - centre).max() > centre:
        return words, ""
    drawn = between(start, end, CT_CASE, 4, stroke_opacity="0.6") + between(start, end, CT_INK, 1.5)
    place = (
        centre + unit * min((outer_mm + clear_mm / 2) * scale_px, limit) + np.array([-unit[1], unit[0]]) * 11
    )
    x, y = place.tolist()
    figure = written(clear_mm)
    drawn += text(x, y, figure, anchor="middle", size=BODY, bold=True, fill=CT_INK, halo=CT_CASE)
    return words, drawn


def _direction_marks(subject: Subject, centre: float, radius: float, foot: Floats | None) -> str:
    """The body's directions at the top and the right of the circle, or opposite where the figure stands
    there."""
    frame = subject.frame
    x, y = (0.0, 0.0) if foot is None else (foot / max(float(np.hypot(*foot)), 1e-9)).tolist()
    upward, rightward = y < ASIDE, x < ASIDE
    top = centre - radius + 11 if upward else centre + radius - 5
    drawn = _word(frame.up if upward else -frame.up, centre, top, "middle")
    side, anchor = (centre + radius - 5, "end") if rightward else (centre - radius + 5, "start")
    return drawn + _word(frame.toward if rightward else -frame.toward, side, centre + 3.4, anchor)


def _word(direction: Floats, x: float, y: float, anchor: str) -> str:
    """The main direction only: there is no room for two."""
    word = direction_words(direction).split(" and ")[0]
    return text(x, y, word, anchor=anchor, fill=CT_INK, halo=CT_CASE)
