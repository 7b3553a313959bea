"""Three flat cuts through the CT with the surface drawn over the grey values, to judge it by eye.

Seen as radiologists hang them (common practice): axial from the feet, coronal from the front, sagittal from
the left. The line is where the plane meets the triangles; it is broken where a point was not measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from segmentation.vocabulary import Bone, Floats, Fragment, Place
from viewer.report.drawing import element, line, outline, path, picture, rect, text
from viewer.report.section import Plane, Window, outlines_and_ends, picture_uri, section_hu
from viewer.report.tokens import CT_CASE, CT_INK, fragment_ink

RIGHT, FRONT, UP = np.eye(3)

VIEWS = (
    ("axial", "seen from the feet", -RIGHT, FRONT, "RLAP"),
    ("coronal", "seen from the front", -RIGHT, UP, "RLSI"),
    ("sagittal", "seen from the left", -FRONT, UP, "APSI"),
)
"""Name, words, right, up, and the body's letters at the left, right, upper and lower edge."""

SMALLEST_HALF_MM, LARGEST_HALF_MM, ROOM_MM = 8.0, 20.0, 2.0
"""Half side of a cut, and room around the bone. Our choice: a voxel stays visible."""

PIXELS_PER_PX = 2
"""Pixels of a cut per CSS px."""

FEWEST_POINTS_COUNT = 2
"""Points of a line."""

LINE_WIDTH, CASING_WIDTH, CASING_OPACITY, DASHES = "1", "2", "0.55", "3.5 2.5"
"""The surface's line. Our choice: thin, as the grey rim beneath it is to be seen."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Stroke:
    """A stretch (n, 2) [right, up] mm of a fragment's outline, and whether its points were measured."""

    points_mm: Floats
    measured: bool


def half_side_mm(fragments: list[Fragment], centre_mm: Floats) -> float:
    """Half the side of square cuts around ``centre_mm`` that show the fragments, or what fits."""
    away = max(float(np.abs(one.surface.vertices_mm - centre_mm).max()) for one in fragments)
    return min(max(away + ROOM_MM, SMALLEST_HALF_MM), LARGEST_HALF_MM)


def measured_of(fragment: Fragment) -> Bools:
    """(n,) whether each vertex lies at its own edge; all where nothing was refined or that was not kept."""
    cortex = fragment.cortex
    if cortex is None or cortex.place is None:
        return np.ones(len(fragment.surface.vertices_mm), np.bool_)
    return np.asarray(cortex.place == Place.MEASURED)


def strokes(plane: Plane, fragment: Fragment, measured: Bools) -> Iterator[Stroke]:
    """A fragment's outline in a plane, divided where it changes between measured and not."""
    surface = fragment.surface
    for points_mm, ends in outlines_and_ends(plane, surface.vertices_mm, surface.faces):
        sure = measured[ends[:, 0]] & measured[ends[:, 1]]
        both = sure[:-1] & sure[1:]
        borders = [0, *(np.flatnonzero(both[1:] != both[:-1]) + 1).tolist(), len(both)]
        for begin, end in pairwise(borders):
            if end - begin + 1 >= FEWEST_POINTS_COUNT:
                yield Stroke(points_mm[begin : end + 1], bool(both[begin]))


def overlays(
    bone: Bone, own_bone: str, centre_mm: Floats, half_mm: float, side_px: float
) -> list[tuple[str, str, str]]:
    """The three cuts as (name, words, SVG)."""
    refined = any(fragment.cortex is not None for fragment in bone.fragments)
    drawn = []
    for name, words, right, up, letters in VIEWS:
        plane = Plane(centre_mm, right, up)
        inside = ct_picture(bone, plane, half_mm, side_px)
        for fragment in bone.fragments:
            measured = measured_of(fragment)
            if refined and fragment.cortex is None:
                measured = np.zeros(len(measured), np.bool_)
            inside += _outline(bone, fragment, own_bone, strokes(plane, fragment, measured), half_mm, side_px)
        inside += body_letters(letters, side_px) + cut_scale_bar(half_mm, side_px)
        clip = f"cut-{name}"
        frame = element("clipPath", rect(0, 0, side_px, side_px, "#000"), id=clip)
        inside = frame + element("g", inside, clip_path=f"url(#{clip})")
        drawn.append((name, words, picture(side_px, side_px, inside, f"{name} cut with the surface")))
    return drawn


def ct_picture(bone: Bone, plane: Plane, half_mm: float, side_px: float) -> str:
    """The CT of a square cut, hatched where the scan does not reach."""
    hu = section_hu(
        bone,
        plane,
        Window(-half_mm, half_mm, -half_mm, half_mm),
        step_mm=2 * half_mm / (side_px * PIXELS_PER_PX),
    )
    return rect(0, 0, side_px, side_px, "url(#no-scan)") + element(
        "image",
        href=picture_uri(hu, bone.host),
        x=0.0,
        y=0.0,
        width=side_px,
        height=side_px,
        preserveAspectRatio="none",
    )


def _outline(
    bone: Bone,
    fragment: Fragment,
    own_bone: str,
    parts: Iterator[Stroke],
    half_mm: float,
    side_px: float,
) -> str:
    rank = 1 + sum(o.bone == fragment.bone and o.number < fragment.number for o in bone.fragments)
    own = fragment.bone == own_bone
    stroke = fragment_ink(rank).over_ct if own else CT_INK
    solid, broken = "", ""
    for part in parts:
        d = outline((part.points_mm * [1, -1] + half_mm) * side_px / (2 * half_mm), closed=False)
        if part.measured:
            solid += d
        else:
            broken += d
    opacity = None if own else "0.6"
    drawn = ""
    for d, dashes in ((solid, None), (broken, DASHES)):
        if d:
            named = {"stroke_dasharray": dashes, "stroke_linejoin": "round"}
            drawn += path(
                d, stroke=CT_CASE, stroke_width=CASING_WIDTH, stroke_opacity=CASING_OPACITY, **named
            )
            drawn += path(d, stroke=stroke, stroke_width=LINE_WIDTH, stroke_opacity=opacity, **named)
    return drawn


def body_letters(letters: str, side_px: float) -> str:
    """The body's directions as letters at the four edges."""
    middle = side_px / 2
    places = (
        (5.0, middle + 3.5, "start"),
        (side_px - 5.0, middle + 3.5, "end"),
        (middle, 12.0, "middle"),
        (middle, side_px - 5.0, "middle"),
    )
    return "".join(
        text(x, y, letter, anchor=anchor, size=11, bold=True, fill=CT_INK, halo=CT_CASE)
        for letter, (x, y, anchor) in zip(letters, places, strict=True)
    )


def cut_scale_bar(half_mm: float, side_px: float) -> str:
    """Five or ten millimetres at the lower right."""
    long_mm = 10 if half_mm > SMALLEST_HALF_MM else 5
    long_px = long_mm * side_px / (2 * half_mm)
    right, y = side_px - 6, side_px - 7
    left = right - long_px
    bar = "".join(
        line(left, y, right, y, ink, width)
        + "".join(line(x, y - 3, x, y + 3, ink, width) for x in (left, right))
        for ink, width in ((CT_CASE, 3.4), (CT_INK, 1.3))
    )
    return bar + text((left + right) / 2, y - 6, f"{long_mm} mm", anchor="middle", fill=CT_INK, halo=CT_CASE)
