"""The picture of the bone with its words: names with leader lines, directions of the body, scale bar, axis.

The picture itself is cast by ``scene_render``; here it is framed, and lettered with what colour alone must
not say.
"""

from __future__ import annotations

import base64
import io

import numpy as np
import numpy.typing as npt
from PIL import Image

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Bone, Floats, Surface
from viewer.report import drawing
from viewer.report.camera import Camera, camera_on, view_axes
from viewer.report.drawing import BODY, between, element, outline, path, text, text_width
from viewer.report.scene_labels import (
    clearance_ends,
    clearance_label,
    clearance_line,
    directions,
    fragment_labels,
    gap_labels,
    leaders,
    scale_bar,
)
from viewer.report.scene_render import Scene, render
from viewer.report.subject import Subject
from viewer.report.tokens import INK, PAPER
from viewer.report.view_frame import PosedFragment, direction_words

JPEG_QUALITY = 90
"""Quality of the picture in the file. Our choice: no blocks to be seen at twice the size."""

AXIS_BEYOND_MM = 9.0
"""The axis is drawn this far beyond the screw and the bone. Our choice."""


def scene_svg(subject: Subject, *, width_px: float, height_px: float) -> tuple[str, str]:
    """The lettered picture for one screw as SVG, and from where it looks, in words."""
    right, up = view_axes(subject.frame)
    camera = camera_on(right, up, subject.own, subject.result, width_px, height_px)
    image, pieces = _cast(subject.posed, subject.result.bone_name, camera, subject.bone.joint, subject)
    inside = image + _other_screws(subject, camera) + _axis(subject, camera)
    labels = (
        fragment_labels(subject.own, pieces) + gap_labels(subject, camera) + clearance_label(subject, camera)
    )
    outermost_mm = min(subject.top_depth_mm, 0.0) - AXIS_BEYOND_MM
    name_px = float(camera.to_px([subject.frame.at_mm(outermost_mm)])[0, 1])
    ends = clearance_ends(subject, camera)
    inside += clearance_line(ends) + leaders(labels, camera, ends)
    inside += directions(camera, name_px) + scale_bar(camera)
    words = f"The bone from {seen_from(camera)}."
    return drawing.picture(width_px, height_px, inside, f"Bone with {subject.result.placed.name}"), words


def bare_scene_svg(
    bone: Bone, fragments: tuple[PosedFragment, ...], *, width_px: float, height_px: float
) -> tuple[str, str]:
    """The lettered picture of a bone without any screw, seen from the front."""
    up, toward = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    # The bone in most pieces is the one a plan will be made for.
    broken = max(fragments, key=lambda fragment: (fragment.rank, -fragment.number)).bone
    own = tuple(fragment for fragment in fragments if fragment.bone == broken)
    camera = camera_on(np.cross(up, toward), up, own, None, width_px, height_px)
    svg = posed_scene_svg(fragments, broken, camera, bone.joint, "Bone")
    return svg, f"The bone from {seen_from(camera)}."


def posed_scene_svg(
    posed: tuple[PosedFragment, ...], bone_name: str, camera: Camera, joint: Surface | None, label: str
) -> str:
    """The lettered picture of one bone without any screw, from a camera of one's own; others are ghosts."""
    image, pieces = _cast(posed, bone_name, camera, joint, None)
    own = tuple(one for one in posed if one.bone == bone_name)
    inside = image + leaders(fragment_labels(own, pieces), camera) + directions(camera) + scale_bar(camera)
    return drawing.picture(camera.width_px, camera.height_px, inside, label)


def seen_from(camera: Camera) -> str:
    """From where a picture looks: "the front and the left", "above"."""
    return side_words(camera.toward)


def side_words(toward: Floats) -> str:
    """The side from which one looks against ``toward``.

    >>> side_words(np.array([-0.7, 0.7, 0.0])), side_words(np.array([0.0, 0.0, 1.0]))
    ('the front and the left', 'above')
    """
    sides = {"up": "above", "down": "below"}
    return " and ".join(sides.get(word, f"the {word}") for word in direction_words(toward).split(" and "))


def _cast(
    posed: tuple[PosedFragment, ...],
    bone_name: str,
    camera: Camera,
    joint: Surface | None,
    subject: Subject | None,
) -> tuple[str, npt.NDArray[np.int64]]:
    """The picture as an SVG image, and the fragment seen at each of its pixels."""
    scene = Scene(
        subject,
        camera,
        [(one.rank, one.vertices_mm, one.faces) for one in posed if one.bone == bone_name],
        [(one.rank, one.vertices_mm, one.faces) for one in posed if one.bone != bone_name],
        None if joint is None else (joint.vertices_mm, joint.faces),
    )
    cast = render(scene)
    image = embedded(cast.rgb, camera)
    return image, cast.pieces


def embedded(rgb: npt.NDArray[np.uint8], camera: Camera) -> str:
    """A cast picture (rows, columns, 3) as an SVG image that fills the camera's frame."""
    file = io.BytesIO()
    Image.fromarray(rgb).save(file, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    href = "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode()
    return element("image", href=href, x=0.0, y=0.0, width=camera.width_px, height=camera.height_px)


def _axis(subject: Subject, camera: Camera) -> str:
    """The chain line before the entry and past the exit, the entry's ring, the tip's ring, the screw's
    name."""
    frame, result = subject.frame, subject.result
    before_mm = min(subject.top_depth_mm, 0.0)
    after_mm = max(result.tip_depth_mm, subject.exit_depth_mm)
    depths_mm = (
        before_mm - AXIS_BEYOND_MM,
        before_mm,
        0.0,
        after_mm,
        after_mm + AXIS_BEYOND_MM,
        result.tip_depth_mm,
    )
    start, near, entry, far, end, tip = camera.to_px([frame.at_mm(z) for z in depths_mm])
    ends = ((start, near), (far, end))
    drawn = "".join(between(a, b, INK, 1, stroke_dasharray="14 3 2.5 3") for a, b in ends)
    for x, y in (entry, tip):
        drawn += element(
            "circle", cx=float(x), cy=float(y), r="3", fill=PAPER, stroke=INK, stroke_width="1.5"
        )
    x = max(float(start[0]) - 5, text_width(result.placed.name, BODY, bold=True) + 4)
    drawn += text(x, float(start[1]) + 4, result.placed.name, anchor="end", size=BODY, bold=True, halo=PAPER)
    # Below a head, the word stands clear of it.
    head_px = (
        float(subject.solid.core_outline_mm[0, 1]) * camera.scale_px if subject.solid.top_mm < 0 else 0.0
    )
    return drawn + text(
        float(entry[0]) - 9, float(entry[1]) + max(17.0, head_px + 13), "entry", anchor="end", halo=PAPER
    )


def _other_screws(subject: Subject, camera: Camera) -> str:
    """The plan's other screws as broken outlines with their names."""
    drawn = ""
    for other in subject.others:
        points = _silhouette_px(other, camera)
        d = outline(points, closed=True)
        drawn += path(d, stroke=PAPER, stroke_width="3", stroke_opacity="0.7")
        drawn += path(
            d, stroke=INK, stroke_width="1.1", stroke_dasharray="4 2.5", fill=PAPER, fill_opacity="0.18"
        )
        start, inward = camera.to_px([other.entry_mm, other.entry_mm + np.asarray(other.direction)])
        away = (start - inward) / max(float(np.linalg.norm(start - inward)), 1e-6)
        x, y = (points[[0, -1]].mean(0) + away * 8).tolist()
        anchor = "end" if away[0] < -0.3 else "start" if away[0] > 0.3 else "middle"
        if 0 < x < camera.width_px and 0 < y < camera.height_px:
            name = other.placed.name
            drawn += text(x, y + 4, name, anchor=anchor, size=BODY, bold=True, halo=PAPER)
    return drawn


def _silhouette_px(result: ScrewResult, camera: Camera) -> Floats:
    """(n, 2) outline of a screw's envelope in the picture, from its profile squared to the axis."""
    from planner.solid import solid_of

    solid = solid_of(result.placed.screw, result.placed.length_mm)
    along = np.asarray(result.direction)
    depths_mm = solid.outline_mm[:, 0] + result.placed.seat_depth_mm
    centres = camera.to_px(result.entry_mm + depths_mm[:, None] * along)
    flat = np.array([along @ camera.right, -(along @ camera.up)])
    length = float(np.linalg.norm(flat))
    square = np.array([-flat[1], flat[0]]) / length if length > 1e-6 else np.array([0.0, 1.0])
    radii = solid.outline_mm[:, 1:] * camera.scale_px
    return np.vstack([centres + square * radii, (centres - square * radii)[::-1]])
