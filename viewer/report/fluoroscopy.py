"""The picture of one projection: the bones in greys, the screws' shadows, landmarks, directions, a scale.

Dark is dense, on white, so that it prints. The screws are drawn from their solids, not from the CT: the core
black, the thread out to its major diameter lighter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from planner.projection import Frame, PlacedBones, View, project
from planner.solid import solid_of
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.drawing import (
    BODY,
    SMALL,
    between,
    element,
    outline,
    path,
    picture,
    rect,
    text,
    text_width,
)
from viewer.report.scene_labels import scale_bar
from viewer.report.section import png_uri
from viewer.report.silhouette import silhouette_mm
from viewer.report.tokens import INK, INK_2, PAPER, RULE
from viewer.report.view_frame import direction_letters

PIXELS_PER_PX = 1.5
"""Pixels of a projection in a CSS pixel: 144 to the inch. Our choice: finer shows nothing more of a CT."""

DARKEST_GREY = 70
"""The densest bone, of 255. Our choice: a screw must stand out in it."""

DENSEST_FRACTION = 0.998
"""This share of the bone's pixels is not denser than the darkest grey. Our choice: a speck must not pale the
rest."""

NAME_AT_PX = (18.0, 26.0, 36.0, 48.0, 64.0, 84.0)
"""From a screw's outer end, or a landmark, to its name, the first that is clear. Our choice."""

NAME_TURNS = tuple(float(np.pi) / 8 * turn for turn in (0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6))
"""Off the straight way there, the first that is clear. Our choice."""

LEGEND_PX = 130.0
"""Width of the legend's greys."""

NOT_AN_XRAY = "computed from the CT, not an X-ray"


@dataclass(frozen=True, eq=False)
class Landmark:
    """A place ``at_mm`` (3,) that a person named, in the frame of the plan."""

    name: str
    at_mm: Floats


@dataclass(frozen=True, eq=False)
class Shot:
    """A projection in its place: what is seen through ``camera``, mm of water (rows, columns)."""

    camera: Camera
    water_mm: Floats

    @property
    def view(self) -> View:
        """From where it looks."""
        return View(self.camera.right, self.camera.up)


def shot_of(bones: PlacedBones, camera: Camera) -> Shot:
    """The projection of the bones that fills the camera's picture."""
    view = View(camera.right, camera.up)
    middle = view.flat_mm(camera.centre_mm)
    half = np.array([camera.width_px, camera.height_px]) / 2 / camera.scale_px
    (left, bottom), (right, top) = middle - half, middle + half
    frame = Frame(float(left), float(right), float(bottom), float(top))
    return Shot(camera, project(bones, view, frame, 1 / (PIXELS_PER_PX * camera.scale_px)))


def densest_mm(shots: Sequence[Shot]) -> float:
    """What the darkest grey stands for in all of ``shots``."""
    values = np.concatenate([shot.water_mm.ravel() for shot in shots])
    return float(np.quantile(values[values > 0], DENSEST_FRACTION)) if (values > 0).any() else 1.0


def shot_svg(shot: Shot, screws: Sequence[ScrewResult], landmarks: Sequence[Landmark], dark_mm: float) -> str:
    """The picture of one projection; ``dark_mm`` of water is the darkest grey."""
    camera = shot.camera
    width, height = camera.width_px, camera.height_px
    rows, columns = (count / PIXELS_PER_PX for count in shot.water_mm.shape)
    uri = png_uri(_greys(np.clip(shot.water_mm / dark_mm, 0, 1)))
    drawn = element("image", x=0.0, y=0.0, width=columns, height=rows, href=uri)
    # The nearest last, over the others.
    for screw in sorted(screws, key=lambda one: float(np.asarray(one.tip_mm) @ camera.toward)):
        drawn += _screw(screw, camera)
    seen = [landmark for landmark in landmarks if in_picture(landmark, camera)]
    drawn += "".join(_cross(landmark, camera) for landmark in seen)
    drawn += _letters(camera) + _names(screws, seen, camera)
    drawn += text(6, height - 5, NOT_AN_XRAY, fill=INK_2, halo=PAPER)
    drawn += element("g", scale_bar(camera), transform="translate(0 -2)")
    drawn += rect(0.5, 0.5, width - 1, height - 1, stroke=RULE)
    return picture(width, height, drawn, f"Projection of the bone and the screws, {NOT_AN_XRAY}")


def legend_svg(dark_mm: float, width_px: float) -> str:
    """What the greys stand for."""
    ramp = _greys(np.broadcast_to(np.linspace(0, 1, round(LEGEND_PX)), (9, round(LEGEND_PX))))
    drawn = element("image", x=0.0, y=1.0, width=LEGEND_PX, height=9.0, href=png_uri(ramp))
    drawn += rect(0, 1, LEGEND_PX, 9, stroke=RULE)
    drawn += text(0, 21, "0") + text(LEGEND_PX, 21, f"{dark_mm:.0f} mm", anchor="end")
    said = "grey: how much more than without bone a ray meets, as mm of water"
    return picture(width_px, 24, drawn + text(LEGEND_PX + 10, 9.5, said, fill=INK_2), said)


def screw_ends_mm(screw: ScrewResult) -> Floats:
    """(2, 3) the middles of a screw's outer end and of its tip."""
    solid = solid_of(screw.placed.screw, screw.placed.length_mm)
    depths = np.array([solid.top_mm, solid.tip_mm]) + screw.placed.seat_depth_mm
    return np.asarray(screw.entry_mm + depths[:, None] * screw.direction)


def _greys(dark_fraction: Floats) -> npt.NDArray[np.uint8]:
    """(rows, columns, 2) grey and opacity of shares of the darkest grey."""
    grey = 255 - dark_fraction * (255 - DARKEST_GREY)
    return np.stack([np.rint(grey), np.full(grey.shape, 255.0)], axis=-1).astype(np.uint8)


def _screw(screw: ScrewResult, camera: Camera) -> str:
    solid = solid_of(screw.placed.screw, screw.placed.length_mm)
    around, core = (
        "".join(outline(piece, closed=True) for piece in _shadow_px(screw, outline_mm, camera))
        for outline_mm in (solid.outline_mm, solid.core_outline_mm)
    )
    halo = path(around, fill=PAPER, stroke=PAPER, stroke_width="2.4", stroke_linejoin="round")
    return halo + path(around, fill=INK_2) + path(core, fill=INK)


def _shadow_px(screw: ScrewResult, outline_mm: Floats, camera: Camera) -> list[Floats]:
    """Convex polygons (k, 2) in the picture that together are the shadow of a screw's solid."""
    view = View(camera.right, camera.up)
    datum_mm = screw.entry_mm + screw.placed.seat_depth_mm * screw.direction
    pieces = silhouette_mm(outline_mm, datum_mm, np.asarray(screw.direction, float), view)
    middle = np.array([camera.width_px / 2, camera.height_px / 2])
    flip = np.array([1, -1]) * camera.scale_px
    return [middle + (piece - view.flat_mm(camera.centre_mm)) * flip for piece in pieces]


def in_picture(landmark: Landmark, camera: Camera) -> bool:
    """Whether a landmark's cross lies in the picture."""
    x, y = camera.to_px([landmark.at_mm])[0]
    return bool(0 < x < camera.width_px and 0 < y < camera.height_px)


def _cross(landmark: Landmark, camera: Camera) -> str:
    x, y = camera.to_px([landmark.at_mm])[0].tolist()
    d = f"M{x - 5:.1f} {y:.1f}h10M{x:.1f} {y - 5:.1f}v10"
    return path(d, stroke=PAPER, stroke_width="4") + path(d, stroke=INK, stroke_width="1.3")


def _names(screws: Sequence[ScrewResult], landmarks: Sequence[Landmark], camera: Camera) -> str:
    """Each screw's name near its outer end, each landmark's near its cross, with a line to it: where no
    screw, no cross and no other words are."""
    taken = Image.new("1", (round(camera.width_px), round(camera.height_px)))
    pen = ImageDraw.Draw(taken)
    for screw in screws:
        outline_mm = solid_of(screw.placed.screw, screw.placed.length_mm).outline_mm
        for piece in _shadow_px(screw, outline_mm, camera):
            pen.polygon([(float(x), float(y)) for x, y in piece], fill=1)
    named: list[tuple[Floats, Floats, str, bool]] = []
    for screw in screws:
        head, tip = camera.to_px(screw_ends_mm(screw))
        named.append((head, head - tip, screw.placed.name, True))
    for landmark in landmarks:
        x, y = cross = camera.to_px([landmark.at_mm])[0]
        pen.rectangle((float(x) - 5, float(y) - 5, float(x) + 5, float(y) + 5), fill=1)
        named.append((cross, np.array([1.0, -0.4]), landmark.name, False))
    drawn = ""
    for at, away, words, bold in named:
        size = BODY if bold else SMALL
        half = text_width(words, size, bold=bold) / 2
        x, y = clear_place(taken, at, away, half)
        pen.rectangle((x - half, y - BODY / 2, x + half, y + BODY / 2), fill=1)
        drawn += between(at, (x, y), PAPER, 3) + between(at, (x, y), INK, 0.8)
        drawn += text(x, y + 4, words, anchor="middle", size=size, bold=bold, halo=PAPER)
    return drawn


def clear_place(taken: Image.Image, at: Floats, away: Floats, half_px: float) -> tuple[float, float]:
    """The middle for words of that half width, near to their place and as much the way ``away`` as may be."""
    low, high = np.array([half_px + 20, 28.0]), np.array([taken.width - half_px - 20, taken.height - 34.0])
    straight = np.arctan2(away[1], away[0])
    for far_px in NAME_AT_PX:
        for turn in NAME_TURNS:
            way = np.array([np.cos(straight + turn), np.sin(straight + turn)])
            place = np.clip(at + way * far_px, low, high)
            x, y = float(place[0]), float(place[1])
            box = taken.crop((round(x - half_px - 3), round(y - 8), round(x + half_px + 3), round(y + 8)))
            if box.getbbox() is None:
                return x, y
    x, y = np.clip(at, low, high).tolist()
    return x, y


def _letters(camera: Camera) -> str:
    """The directions of the body at the four edges."""
    right, up = direction_letters(camera.right), direction_letters(camera.up)
    left, down = direction_letters(-camera.right), direction_letters(-camera.up)
    middle_x, middle_y = camera.width_px / 2, camera.height_px / 2
    places = (
        (7.0, middle_y, left, "start"),
        (camera.width_px - 7, middle_y, right, "end"),
        (middle_x, 17.0, up, "middle"),
        (middle_x, camera.height_px - 20, down, "middle"),
    )
    return "".join(
        text(x, y, letters, anchor=anchor, size=13.0, bold=True, halo=PAPER)
        for x, y, letters, anchor in places
    )
