"""The picture of one projection: the bones in greys, the screws' shadows, landmarks, directions, a scale.

Dark is dense, on white, so that it prints. The screws are drawn from their solids, not from the CT: the core
black, the thread out to its major diameter lighter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.projection import Frame, PlacedBones, View, project
from planner.solid import solid_of
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.drawing import BODY, element, outline, path, picture, rect, text, text_width
from viewer.report.scene_labels import scale_bar
from viewer.report.section import png_uri
from viewer.report.silhouette import silhouette_mm
from viewer.report.tokens import INK, INK_2, PAPER, RULE
from viewer.report.view_frame import direction_letters

PIXELS_PER_PX = 2
"""Pixels of a projection in a CSS pixel: 192 to the inch. Our choice: no step is seen on paper."""

DARKEST_GREY = 70
"""The densest bone, of 255. Our choice: a screw must stand out in it."""

DENSEST_FRACTION = 0.998
"""This share of the bone's pixels is not denser than the darkest grey. Our choice: a speck must not pale the
rest."""

NAME_PX = 16.0
"""From a screw's head to its name."""

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
    grey = 255 - np.clip(shot.water_mm / dark_mm, 0, 1) * (255 - DARKEST_GREY)
    layers = np.stack([np.rint(grey), np.full(grey.shape, 255.0)], axis=-1).astype(np.uint8)
    rows, columns = (count / PIXELS_PER_PX for count in grey.shape)
    drawn = element("image", x=0.0, y=0.0, width=columns, height=rows, href=png_uri(layers))
    drawn += "".join(_screw(screw, camera, shot.view) for screw in screws)
    drawn += "".join(_cross(landmark, camera) for landmark in landmarks)
    drawn += _names(screws, camera) + _letters(camera)
    drawn += text(6, height - 5, NOT_AN_XRAY, fill=INK_2, halo=PAPER)
    drawn += element("g", scale_bar(camera), transform="translate(0 -2)")
    drawn += rect(0.5, 0.5, width - 1, height - 1, stroke=RULE)
    return picture(width, height, drawn, f"Projection of the bone and the screws, {NOT_AN_XRAY}")


def legend_svg(dark_mm: float, width_px: float) -> str:
    """What the greys stand for."""
    steps = 32
    drawn = ""
    for step in range(steps):
        level = round(255 - step / (steps - 1) * (255 - DARKEST_GREY))
        colour = f"#{level:02X}{level:02X}{level:02X}"
        # Each a little wider than its step, so that no seam of paper shows.
        drawn += rect(LEGEND_PX * step / steps, 1, LEGEND_PX / steps + 0.6, 9, colour)
    drawn += rect(0, 1, LEGEND_PX, 9, stroke=RULE)
    drawn += text(0, 21, "0") + text(LEGEND_PX, 21, f"{dark_mm:.0f} mm", anchor="end")
    said = "grey: how much more than without bone a ray meets, as mm of water"
    return picture(width_px, 24, drawn + text(LEGEND_PX + 10, 9.5, said, fill=INK_2), said)


def screw_ends_mm(screw: ScrewResult) -> Floats:
    """(2, 3) the middles of a screw's outer end and of its tip."""
    solid = solid_of(screw.placed.screw, screw.placed.length_mm)
    depths = np.array([solid.top_mm, solid.tip_mm]) + screw.placed.seat_depth_mm
    return np.asarray(screw.entry_mm + depths[:, None] * screw.direction)


def _screw(screw: ScrewResult, camera: Camera, view: View) -> str:
    solid = solid_of(screw.placed.screw, screw.placed.length_mm)
    datum = screw.entry_mm + screw.placed.seat_depth_mm * screw.direction

    def filled(outline_mm: Floats, **named: object) -> str:
        pieces = silhouette_mm(outline_mm, datum, np.asarray(screw.direction, float), view)
        d = "".join(outline(_to_px(piece, camera, view), closed=True) for piece in pieces)
        return path(d, **named)

    around = filled(solid.outline_mm, fill=PAPER, stroke=PAPER, stroke_width="2.4", stroke_linejoin="round")
    return around + filled(solid.outline_mm, fill=INK_2) + filled(solid.core_outline_mm, fill=INK)


def _to_px(flat_mm: Floats, camera: Camera, view: View) -> Floats:
    """(n, 2) right and up of the patient's origin → places in the picture."""
    away = (flat_mm - view.flat_mm(camera.centre_mm)) * camera.scale_px
    return np.asarray([camera.width_px / 2, camera.height_px / 2] + away * [1, -1])


def _cross(landmark: Landmark, camera: Camera) -> str:
    x, y = camera.to_px([landmark.at_mm])[0].tolist()
    if not (0 < x < camera.width_px and 0 < y < camera.height_px):
        return ""
    d = f"M{x - 5:.1f} {y:.1f}h10M{x:.1f} {y - 5:.1f}v10"
    marked = path(d, stroke=PAPER, stroke_width="4") + path(d, stroke=INK, stroke_width="1.3")
    left = x + 8 + text_width(landmark.name) > camera.width_px
    anchor, at = ("end", x - 8) if left else ("start", x + 8)
    return marked + text(at, y - 4, landmark.name, anchor=anchor, halo=PAPER)


def _names(screws: Sequence[ScrewResult], camera: Camera) -> str:
    """Each screw's name beyond its outer end, one below the other where they would meet."""
    drawn = ""
    taken: list[tuple[float, float, float]] = []
    for screw in screws:
        head, tip = camera.to_px(screw_ends_mm(screw))
        away = head - tip
        far = float(np.linalg.norm(away))
        way = away / far if far > NAME_PX else np.array([1.0, 0.0])
        radius_mm = float(solid_of(screw.placed.screw, screw.placed.length_mm).outline_mm[:, 1].max())
        half = text_width(screw.placed.name, BODY, bold=True) / 2
        # Words are wider than high: beside the head they stand off by their own half width.
        x, y = head + way * (radius_mm * camera.scale_px * (far <= NAME_PX) + NAME_PX + half * abs(way[0]))
        x, y = (
            float(np.clip(x, half + 4, camera.width_px - half - 4)),
            float(np.clip(y, 26.0, camera.height_px - 30)),
        )
        while any(abs(y - other) < BODY + 1 and abs(x - at) < half + wide for at, other, wide in taken):
            y += BODY + 2
        taken.append((x, y, half))
        drawn += text(x, y + 4, screw.placed.name, anchor="middle", size=BODY, bold=True, halo=PAPER)
    return drawn


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
