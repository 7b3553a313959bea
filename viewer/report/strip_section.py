"""The top of the strip: CT in the plane of the axis, the bone's outlines, and the screw's true profile over
it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from segmentation.vocabulary import Floats
from viewer.report.drawing import (
    cased,
    chain_line,
    dimension,
    element,
    line,
    outline,
    path,
    rect,
    text,
    text_width,
    written,
)
from viewer.report.placing import clear_centre
from viewer.report.ruler import GUTTER_PX, Ruler
from viewer.report.screw_mesh import screw_mesh
from viewer.report.section import Plane, Window, outlines_mm, picture_uri, pieces_within, section_hu
from viewer.report.subject import Subject
from viewer.report.thread_teeth import silhouette_mm, teeth
from viewer.report.tokens import CT_ALARM, CT_CASE, CT_INK, CT_JOINT, INK_2, INK_3, fragment_ink
from viewer.report.view_frame import PosedFragment, direction_words
from viewer.report.words import cut_off

DIMENSION_AT_SHARE = 0.72
"""Where the dimension line runs, as a share of the half height above the axis (as in the mock)."""

CORNER_PX, STRAY_PX = 12.0, 40.0
"""Room around the word in the upper left corner, and how far words may stray from a dimension shorter than
they are. Our choice."""

UPWARD = "▴ {}"
"""The direction's word in the upper left corner."""

WORDS_OVER_PX = 18.0
"""A dimension line leaves this much room under the frame for its words. Our choice."""

ALL_ROUND_SHARE = 0.55
"""Height of the marks beside the section, as a share of the half height. Our choice."""


def section(subject: Subject, ruler: Ruler, top: float) -> str:
    """Everything inside the section's frame, for a clip path of that frame."""
    return ground(subject, ruler, top) + screw_over(subject, ruler, top)


def ground(subject: Subject, ruler: Ruler, top: float, *, quick: bool = False) -> str:
    """What the screw lies in: CT, the bone's outlines, the axis, and the plan's other screws; ``quick``
    spares time, not bytes."""
    frame, half = subject.frame, ruler.half_mm
    plane = Plane(frame.origin_mm, frame.along, frame.up)
    middle = top + ruler.section_px / 2
    width = ruler.right_px - GUTTER_PX

    def to_px(points_mm: Floats) -> Floats:
        return ruler.points(points_mm, middle)

    hu = section_hu(subject.bone, plane, Window(ruler.from_mm, ruler.to_mm, -half, half), subject.posed)
    drawn = [
        rect(GUTTER_PX, top, width, ruler.section_px, "url(#no-scan)"),
        element(
            "image",
            href=picture_uri(hu, subject.bone.host, quick=quick),
            x=GUTTER_PX,
            y=top,
            width=width,
            height=ruler.section_px,
            preserveAspectRatio="none",
        ),
        bone_outlines(subject, plane, to_px, bone_loops(subject, plane)),
        chain_line(GUTTER_PX, middle, ruler.right_px, middle),
        other_screw_outlines(subject, plane, to_px),
    ]
    return "".join(drawn)


def screw_over(subject: Subject, ruler: Ruler, top: float) -> str:
    """The screw in its own plane, and its gliding hole."""
    middle = top + ruler.section_px / 2
    return _gliding_hole(subject, ruler, middle) + _screw(subject, ruler, middle)


def bone_loops(subject: Subject, plane: Plane, seen_mm: float = math.inf) -> dict[int, list[Floats]]:
    """Number of each fragment → where a plane meets its surface.

    Other bones that lie farther than ``seen_mm`` from the plane's origin, along each of its axes, are left
    out.
    """
    own = {one.number for one in subject.own}
    return {
        one.number: outlines_mm(plane, one.vertices_mm, one.faces, one.tree)
        if one.number in own or _may_be_seen(one, plane, seen_mm)
        else []
        for one in subject.posed
    }


def _may_be_seen(fragment: PosedFragment, plane: Plane, seen_mm: float) -> bool:
    """Whether the fragment's box reaches a square of the plane about its origin."""
    low_mm, high_mm = fragment.box_mm
    middle, half = (low_mm + high_mm) / 2 - plane.origin_mm, (high_mm - low_mm) / 2
    reaches = ((plane.right, seen_mm), (plane.up, seen_mm), (plane.normal, 0.0))
    return all(abs(middle @ way) <= np.abs(way) @ half + most for way, most in reaches)


def bone_outlines(
    subject: Subject,
    plane: Plane,
    to_px: Callable[[Floats], Floats],
    loops: dict[int, list[Floats]],
    seen_mm: float = math.inf,
) -> str:
    """Outlines in a plane: own fragments in their inks, other bones broken and faint, joint dotted.

    What a square of ``seen_mm`` about the plane's origin does not show is left out.
    """
    drawn = []
    for fragment in subject.posed:
        for loop in _shown(loops[fragment.number], seen_mm):
            d = outline(to_px(loop), closed=False)
            if fragment.bone == subject.result.bone_name:
                drawn.append(cased(d, fragment_ink(fragment.rank).over_ct))
            else:
                drawn.append(path(d, stroke=CT_INK, stroke_opacity="0.5", stroke_dasharray="2 3"))
    joint = subject.bone.joint
    if joint is not None:
        for loop in _shown(outlines_mm(plane, joint.vertices_mm, joint.faces), seen_mm):
            d = outline(to_px(loop), closed=False)
            drawn.append(path(d, stroke=CT_CASE, stroke_width="4.4", stroke_opacity="0.6"))
            drawn.append(
                path(d, stroke=CT_JOINT, stroke_width="3", stroke_dasharray="0.1 5", stroke_linecap="round")
            )
    return "".join(drawn)


def _shown(loops: Sequence[Floats], seen_mm: float) -> list[Floats]:
    return [piece for loop in loops for piece in pieces_within(loop, seen_mm)]


def side_words(subject: Subject, ruler: Ruler, top: float) -> str:
    """Heights at the left edge, and the body's directions at the section's four sides."""
    middle = top + ruler.section_px / 2
    height_mm = max(1, round(ruler.half_mm * ALL_ROUND_SHARE))
    drawn = []
    for value_mm, words in ((height_mm, f"+{height_mm}"), (0, "axis"), (-height_mm, f"−{height_mm}")):
        y = middle - value_mm * ruler.scale_px
        drawn.append(text(GUTTER_PX - 6, y + 3.4, words, anchor="end", fill=INK_2))
        drawn.append(line(GUTTER_PX - 4, y, GUTTER_PX, y, INK_3))
    frame = subject.frame
    bottom = top + ruler.section_px
    for x, y, vector, anchor, arrow in (
        (GUTTER_PX + 5, middle + 13, -frame.along, "start", "◂ {}"),
        (ruler.right_px - 5, middle + 13, frame.along, "end", "{} ▸"),
        (GUTTER_PX + 5, top + 12, frame.up, "start", UPWARD),
        (GUTTER_PX + 5, bottom - 5, -frame.up, "start", "▾ {}"),
    ):
        words = arrow.format(direction_words(vector))
        drawn.append(text(x, y, words, anchor=anchor, fill=CT_INK, halo=CT_CASE))
    return "".join(drawn)


def _gliding_hole(subject: Subject, ruler: Ruler, middle: float) -> str:
    """Two lines at the gliding drill's radius, from the entry to where the hole ends."""
    to_mm = subject.result.gliding_hole_to_mm
    if to_mm is None:
        return ""
    screw = subject.result.placed.screw
    radius_mm = (screw.gliding_mm or screw.largest_thread.major_mm) / 2
    sides = [ruler.points([[0, side * radius_mm], [to_mm, side * radius_mm]], middle) for side in (1, -1)]
    return "".join(cased(outline(side, closed=False), CT_INK, 1.0) for side in sides)


def other_screw_outlines(subject: Subject, plane: Plane, to_px: Callable[[Floats], Floats]) -> str:
    """Where the plan's other screws cut a plane, broken, with their names."""
    drawn = []
    for other in subject.others:
        vertices_mm, faces = screw_mesh(other, threaded=False)
        for loop in outlines_mm(plane, vertices_mm, faces):
            points = to_px(loop)
            drawn.append(cased(outline(points, closed=True), CT_INK, 1.0, stroke_dasharray="4 3"))
            x, y = points.mean(0).tolist()
            drawn.append(text(x, y + 3, other.placed.name, anchor="middle", fill=CT_INK, halo=CT_CASE))
    return "".join(drawn)


def _screw(subject: Subject, ruler: Ruler, middle: float) -> str:
    """Core silhouette, teeth in the ink of the fragment they bite in, cannula; hatched beyond the exit."""
    seat_mm, exit_mm = subject.seat_mm, subject.exit_depth_mm
    seat = np.array([seat_mm, 0.0])
    body = outline(ruler.points(silhouette_mm(subject.solid) + seat, middle), closed=True)
    past = "past-exit-alarm" if subject.alarm_past_exit else "past-exit"
    past_line = CT_ALARM if subject.alarm_past_exit else CT_INK
    drawn = [path(body, stroke=CT_CASE, stroke_width="4", stroke_opacity="0.6", stroke_linejoin="round")]
    every = teeth(subject.solid)
    bitten = subject.bitten_by([tooth.at_mm + seat_mm for tooth in every])
    for tooth, number in zip(every, bitten, strict=True):
        depth_mm = tooth.at_mm + seat_mm
        if number:
            fill, stroke = subject.ink(number).over_ct, CT_CASE
        elif depth_mm > exit_mm:
            fill, stroke = f"url(#{past})", past_line
        else:
            fill, stroke = CT_CASE, CT_INK
        d = outline(ruler.points(tooth.points_mm + seat, middle), closed=True)
        drawn.append(path(d, fill=fill, stroke=stroke, stroke_width="0.9", stroke_linejoin="round"))
    drawn.append(
        path(
            body, fill=CT_INK, fill_opacity="0.26", stroke=CT_INK, stroke_width="1.3", stroke_linejoin="round"
        )
    )
    if subject.result.tip_depth_mm > exit_mm and ruler.shows(exit_mm):
        clip = f"past-{subject.number}-{round(ruler.from_mm * 100)}"
        beyond = rect(ruler.x(exit_mm), middle - ruler.section_px, ruler.section_px * 9, 2 * ruler.section_px)
        drawn.append(element("clipPath", beyond, id=clip))
        drawn.append(
            path(body, fill=f"url(#{past})", stroke=past_line, stroke_width="1.6", clip_path=f"url(#{clip})")
        )
    hollow_mm = subject.result.placed.screw.cannula_mm / 2
    if hollow_mm > 0:
        for side in (1, -1):
            ends = [[subject.top_depth_mm, side * hollow_mm], [subject.result.tip_depth_mm, side * hollow_mm]]
            (x1, y1), (x2, y2) = ruler.points(ends, middle)
            drawn.append(line(x1, y1, x2, y2, CT_INK, 0.8, stroke_dasharray="4 3", stroke_opacity="0.75"))
    return "".join(drawn)


def dimensions(subject: Subject, ruler: Ruler, top: float, lines_px: Sequence[float]) -> str:
    """Seat, marked length, tip to exit, on one line; their words keep clear of the verticals ``lines_px``."""
    middle = top + ruler.section_px / 2
    y = max(middle - DIMENSION_AT_SHARE * ruler.half_mm * ruler.scale_px, top + WORDS_OVER_PX)
    spans = _spans(subject, ruler)
    ends_mm = sorted({round(z, 3) for span in spans for z in (span.from_mm, span.to_mm)})
    drawn = [
        line(ruler.x(z), y - 4, ruler.x(z), middle - 0.2 * ruler.scale_px, CT_INK, 0.8, stroke_opacity="0.75")
        for z in ends_mm
        if ruler.shows(z)
    ]
    # The upper left corner belongs to the direction's word.
    corner = CORNER_PX + text_width(UPWARD.format(direction_words(subject.frame.up)))
    room = (GUTTER_PX + corner, ruler.right_px)
    written_words = []
    taken: list[tuple[float, float]] = []
    for span in spans:
        if span.to_mm < ruler.from_mm or span.from_mm > ruler.to_mm:
            continue
        x1, x2 = ruler.x(ruler.clipped_mm(span.from_mm)), ruler.x(ruler.clipped_mm(span.to_mm))
        drawn.append(dimension(x1, x2, y, stroke=span.ink))
        half = text_width(span.words, bold=span.bold) / 2 + 2
        reach = max((x2 - x1) / 2, half + STRAY_PX)
        at = (x1 + x2) / 2
        around = (max(at - reach, room[0]), min(at + reach, room[1]))
        if around[1] - around[0] < 2 * half:
            around = room
        at = clear_centre(at, half, around, lines_px, taken)
        # Where there is no room beside another's words, they stand under the line.
        under = any(at - half < right and at + half > left for left, right in taken)
        taken.append((at - half, at + half))
        written_words.append(
            text(
                at,
                y + (12 if under else -5),
                span.words,
                anchor="middle",
                fill=span.ink,
                halo=CT_CASE,
                bold=span.bold,
            )
        )
    return "".join(drawn + written_words)


@dataclass(frozen=True)
class _Span:
    """A stretch of depth with its dimension in words."""

    from_mm: float
    to_mm: float
    words: str
    ink: str = CT_INK
    bold: bool = False


def _spans(subject: Subject, ruler: Ruler) -> list[_Span]:
    result = subject.result
    seat_mm, exit_mm, tip_mm = subject.seat_mm, subject.exit_depth_mm, result.tip_depth_mm
    start_mm = subject.top_depth_mm if result.placed.screw.length_datum == "overall" else seat_mm
    length = written(result.placed.length_mm, 1).removesuffix(".0")
    spans = [_Span(start_mm, tip_mm, f"screw {length} mm")]
    if abs(seat_mm) >= 0.05:
        words = written(seat_mm) if seat_mm > 0 else f"{written(-seat_mm)} off"
        spans.append(_Span(min(0.0, seat_mm), max(0.0, seat_mm), words))
    if tip_mm > exit_mm:
        ink = CT_ALARM if subject.alarm_past_exit else CT_INK
        beyond = "past the scan" if cut_off(result) else "past exit"
        spans.append(_Span(exit_mm, tip_mm, f"{written(tip_mm - exit_mm)} {beyond}", ink, bold=True))
    elif not cut_off(result):
        beyond = "" if exit_mm <= ruler.to_mm else " to exit"
        spans.append(_Span(tip_mm, exit_mm, written(exit_mm - tip_mm) + beyond))
    return spans
