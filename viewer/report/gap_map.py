"""The fracture as a map of its gap, seen along its mean normal from the second fragment.

One hue, darker where the gap is wider, so that a grey printer keeps it. The rim, where the gap is less
certain, keeps its shade under a hatch; what could not be measured is crossed out and has no shade. A line
runs around contact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.vocabulary import Floats, FractureSurface
from viewer.report.camera import Camera
from viewer.report.drawing import BODY, element, line, path, picture, rect, text, text_width, written
from viewer.report.ray_target import RayTarget
from viewer.report.scene_labels import directions, scale_bar
from viewer.report.scene_render import FAR_MM, PIXELS_PER_PX
from viewer.report.section import png_uri
from viewer.report.tokens import HAIR, INK, INK_2, PAPER, rgb_fraction
from viewer.report.view_frame import squared_up

RAMP = ("#E3EEF4", "#B4CFDD", "#86B0C6", "#5A91AE", "#307294", "#0C5375", "#003653")
"""Closed to wide. Our choice: one hue, its CIE lightness falls evenly (a test holds it to that)."""

STEPS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
"""Steps of the legend's ticks: the smallest that needs no more than MOST_TICKS_COUNT."""

MOST_TICKS_COUNT = 6

KNOWN, RIM, UNMEASURED = 1, 2, 3
"""What is told of a place; 0 is beside the fracture."""

ROOM_PX = (46.0, 46.0, 20.0, 22.0)
"""Left, right, top, bottom: kept for the body's directions and the scale bar. Our choice."""

LARGEST_SCALE_PX = 16.0
"""A small fracture is not blown up beyond this many px per mm. Our choice."""

RIM_PITCH_PX, RIM_LINE_PX, CROSS_PITCH_PX, CROSS_LINE_PX = 5.0, 1.2, 6.0, 0.8
"""The hatch of the rim and the crossing of what was not measured, as in the legend."""

BAR_PX, BAR_HEIGHT_PX, SWATCH_PX, LEGEND_PX = 190.0, 11.0, 26.0, 42.0
"""Sizes of the legend."""

Kinds = npt.NDArray[np.int64]


@dataclass(frozen=True)
class GapScale:
    """One scale for all maps of a report: from 0 to ``end_mm``, a tick every ``step_mm``."""

    end_mm: float
    step_mm: float


def gap_scale(fractures: Sequence[FractureSurface]) -> GapScale:
    """The scale that spans every gap of ``fractures``."""
    gaps_mm = np.concatenate([np.zeros(1), *(one.gap_mm[np.isfinite(one.gap_mm)] for one in fractures)])
    widest_mm = float(gaps_mm.max())
    step_mm = next((step for step in STEPS_MM if widest_mm <= MOST_TICKS_COUNT * step), STEPS_MM[-1])
    return GapScale(step_mm * max(math.ceil(round(widest_mm / step_mm, 6)), 1), step_mm)


def gap_colours(gap_mm: Floats, scale: GapScale) -> Floats:
    """(n, 3) colours of gaps (n,)."""
    stops = np.array([rgb_fraction(colour) for colour in RAMP])
    place = np.clip(gap_mm / scale.end_mm, 0, 1) * (len(RAMP) - 1)
    return np.column_stack([np.interp(place, np.arange(len(RAMP)), stops[:, i]) for i in range(3)])


def kinds_of(fracture: FractureSurface) -> Kinds:
    """(n,) what is told at each vertex."""
    certain = np.where(fracture.at_rim, RIM, KNOWN)
    return np.asarray(np.where(np.isfinite(fracture.gap_mm), certain, UNMEASURED), np.int64)


def gap_camera(fracture: FractureSurface, width_px: float, height_px: float) -> Camera:
    """The view along the mean normal that shows all of the fracture; the second fragment's side faces the
    reader."""
    toward = np.asarray(fracture.normal)
    up = squared_up(toward)
    right = np.asarray(np.cross(up, toward))
    flat = fracture.surface.vertices_mm @ np.column_stack([right, up])
    low, high = flat.min(axis=0), flat.max(axis=0)
    left_px, right_px, top_px, bottom_px = ROOM_PX
    room_px = np.array([width_px - left_px - right_px, height_px - top_px - bottom_px])
    scale_px = float(min((room_px / np.maximum(high - low, 1.0)).min(), LARGEST_SCALE_PX))
    middle = (low + high) / 2 - np.array([left_px - right_px, bottom_px - top_px]) / 2 / scale_px
    centre_mm = middle[0] * right + middle[1] * up + (fracture.point_mm @ toward) * toward
    return Camera(centre_mm, right, up, scale_px, width_px, height_px)


def gap_map_svg(fracture: FractureSurface, scale: GapScale, width_px: float, height_px: float) -> str:
    """The lettered map."""
    camera = gap_camera(fracture, width_px, height_px)
    image = element(
        "image",
        href=png_uri(_cast(fracture, scale, camera)),
        x=0.0,
        y=0.0,
        width=width_px,
        height=height_px,
        preserveAspectRatio="none",
    )
    one, other = fracture.between
    inside = image + directions(camera) + scale_bar(camera)
    return picture(width_px, height_px, inside, f"Gap between fragments {one} and {other}")


def _cast(fracture: FractureSurface, scale: GapScale, camera: Camera) -> npt.NDArray[np.uint8]:
    """(rows, columns, 4) the map, transparent beside the fracture."""
    rows, columns = round(camera.height_px * PIXELS_PER_PX), round(camera.width_px * PIXELS_PER_PX)
    X, Y = np.meshgrid((np.arange(columns) + 0.5) / PIXELS_PER_PX, (np.arange(rows) + 0.5) / PIXELS_PER_PX)
    places_px = np.column_stack([X.ravel(), Y.ravel()])
    target = RayTarget([(1, fracture.surface.vertices_mm, fracture.surface.faces)])
    hits = target.first_hits(camera.origins_mm(places_px, FAR_MM), -camera.toward)
    nearest = hits.corners[np.arange(len(hits.rays)), hits.weights.argmax(axis=1)]
    kinds = kinds_of(fracture)[nearest]
    corners_mm = fracture.gap_mm[hits.corners]
    weights = np.where(np.isnan(corners_mm), 0.0, hits.weights)
    gap_mm = (weights * np.nan_to_num(corners_mm)).sum(1) / np.maximum(weights.sum(1), 1e-9)
    colour, at_px = gap_colours(gap_mm, scale), places_px[hits.rays]
    falling, rising = ((at_px @ np.array([1.0, sign])) / np.sqrt(2) for sign in (1.0, -1.0))
    rim = _lines(falling, RIM_PITCH_PX, RIM_LINE_PX) * (kinds == RIM)
    crossed = np.maximum(*(_lines(way, CROSS_PITCH_PX, CROSS_LINE_PX) for way in (falling, rising)))
    colour[kinds == UNMEASURED] = rgb_fraction(HAIR)
    colour = _inked(colour, rim, PAPER)
    colour = _inked(colour, rim * 0.5, INK_2)
    colour = _inked(colour, crossed * (kinds == UNMEASURED), INK_2)
    flat = np.zeros((rows * columns, 4))
    flat[hits.rays, :3], flat[hits.rays, 3] = colour, 1.0
    image = flat.reshape(rows, columns, 4)
    touching = np.zeros(rows * columns, np.bool_)
    touching[hits.rays] = (gap_mm < fracture.contact_below_mm) & (kinds != UNMEASURED)
    for region in (touching.reshape(rows, columns), image[..., 3] > 0):
        image[region & ~ndimage.binary_erosion(region, iterations=2)] = (*rgb_fraction(INK), 1.0)
    return np.rint(image * 255).astype(np.uint8)


def _inked(colour: Floats, share: Floats, ink: str) -> Floats:
    return np.asarray(colour * (1 - share[:, None]) + np.array(rgb_fraction(ink)) * share[:, None])


def _lines(across_px: Floats, pitch: float, width: float) -> Floats:
    """How much of each place lies on a line of a hatch: 0 … 1."""
    from_middle = np.abs(across_px % pitch - pitch / 2)
    return np.asarray(np.clip((width / 2 - from_middle) * PIXELS_PER_PX + 0.5, 0, 1))


def gap_legend_svg(scale: GapScale, contact_below_mm: float, *, unmeasured: bool, width_px: float) -> str:
    """Bar with ticks in mm, and in words the rim, what was not measured, and the line around contact."""
    top = 15.0
    stops = "".join(
        element("stop", offset=f"{i / (len(RAMP) - 1):.4f}", stop_color=colour)
        for i, colour in enumerate(RAMP)
    )
    drawn = element("defs", element("linearGradient", stops, id="gap-scale") + _hatches())
    drawn += text(0, 9, "gap between the fragments, mm", fill=INK_2)
    drawn += rect(0.5, top, BAR_PX, BAR_HEIGHT_PX, "url(#gap-scale)", stroke=INK, stroke_width="0.8")
    count = round(scale.end_mm / scale.step_mm)
    for n in range(count + 1):
        x = 0.5 + BAR_PX * n / count
        drawn += line(x, top + BAR_HEIGHT_PX, x, top + BAR_HEIGHT_PX + 3, INK)
        drawn += text(
            x, LEGEND_PX - 3, f"{n * scale.step_mm:g}", anchor="start" if n == 0 else "middle", fill=INK
        )
    shown = [("gap-rim", RAMP[2], "rim: less certain")]
    if unmeasured:
        shown.append(("gap-crossed", HAIR, "not measurable"))
    x = BAR_PX + 34
    for pattern, ground, said in shown:
        drawn += rect(x, top, SWATCH_PX, BAR_HEIGHT_PX, ground)
        drawn += rect(
            x, top, SWATCH_PX, BAR_HEIGHT_PX, f"url(#{pattern})", stroke=INK, stroke_width="0.8"
        ) + text(x + SWATCH_PX + 6, top + 9.5, said, size=BODY)
        x += SWATCH_PX + 6 + text_width(said, BODY) + 14
    said = f"around contact, below {written(contact_below_mm)} mm"
    middle = top + BAR_HEIGHT_PX / 2
    drawn += line(x, middle, x + SWATCH_PX, middle, INK, 1.4)
    drawn += text(x + SWATCH_PX + 6, top + 9.5, said, size=BODY)
    return picture(width_px, LEGEND_PX, drawn, "Legend of the gap maps")


def _hatches() -> str:
    """The two hatches, drawn as in the map."""

    def pattern(name: str, pitch: float, strokes: str) -> str:
        return element(
            "pattern",
            strokes,
            id=name,
            width=f"{pitch:g}",
            height=f"{pitch:g}",
            patternUnits="userSpaceOnUse",
            patternTransform="rotate(45)",
        )

    rim = line(0, 0, 0, RIM_PITCH_PX, PAPER, RIM_LINE_PX) + line(
        0, 0, 0, RIM_PITCH_PX, INK_2, RIM_LINE_PX, stroke_opacity="0.5"
    )
    cross = line(0, 0, 0, CROSS_PITCH_PX, INK_2, CROSS_LINE_PX) + path(
        f"M0 0H{CROSS_PITCH_PX:g}", stroke=INK_2, stroke_width=f"{CROSS_LINE_PX:g}"
    )
    return pattern("gap-rim", RIM_PITCH_PX, rim) + pattern("gap-crossed", CROSS_PITCH_PX, cross)
