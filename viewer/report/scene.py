"""The picture of the bone with its words: names with leader lines, directions of the body, scale bar, axis.

The picture itself is cast by ``scene_render``; here it is framed, and lettered with what colour alone must not say.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy.spatial import cKDTree

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Bone, Floats
from viewer.report import drawing
from viewer.report.camera import MARGINS_PX, Camera, camera_on, view_axes
from viewer.report.drawing import BODY, element, line, outline, path, text, text_width, written
from viewer.report.scene_render import PIXELS_PER_PX, Scene, render
from viewer.report.strip_lanes import bone_edges_mm
from viewer.report.subject import Subject
from viewer.report.thread_teeth import radius_mm
from viewer.report.tokens import ALARM, INK, INK_2, PAPER
from viewer.report.view_frame import BODY_DIRECTIONS, PosedFragment, direction_words

JPEG_QUALITY = 90
"""Quality of the picture in the file. Our choice: no blocks to be seen at twice the size."""

SHORTEST_DIRECTION = 0.55
"""A direction of the body is lettered when at least this much of it lies in the picture's plane (as in the mock)."""

RAIL_PX = 12.0
"""Distance of the directions from the picture's edge."""

FEWEST_PIXELS = 60
"""A fragment seen on fewer pixels has no label: a leader could not be followed to it. Our choice."""

SCALE_BAR_MM = 10.0


@dataclass(frozen=True)
class Label:
    """Words tied to a place in the picture."""

    words: str
    x: float
    y: float
    bold: bool = False
    ink: str = INK


def scene_svg(subject: Subject, *, width_px: float, height_px: float) -> tuple[str, str]:
    """The lettered picture for one screw as SVG, and from where it looks, in words."""
    right, up = view_axes(subject.frame)
    screws = [subject.result, *subject.others]
    camera = camera_on(right, up, subject.own, screws, width_px, height_px)
    image, pieces = _cast(subject.bone, subject.posed, subject.result.bone_name, camera, subject)
    inside = image + _other_screws(subject, camera) + _axis(subject, camera)
    labels = (
        _fragment_labels(subject.own, pieces)
        + _fracture_label(subject, camera)
        + _clearance_label(subject, camera)
    )
    inside += (
        _clearance_line(subject, camera) + _leaders(labels, camera) + _directions(camera) + _scale_bar(camera)
    )
    words = f"The bone from {_seen_from(camera)}."
    return drawing.picture(width_px, height_px, inside, f"Bone with {subject.result.placed.name}"), words


def bare_scene_svg(
    bone: Bone, fragments: tuple[PosedFragment, ...], *, width_px: float, height_px: float
) -> tuple[str, str]:
    """The lettered picture of a bone without any screw, seen from the front."""
    up, toward = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    own = tuple(fragment for fragment in fragments if fragment.bone == fragments[0].bone)
    camera = camera_on(np.cross(up, toward), up, own, [], width_px, height_px)
    image, pieces = _cast(bone, fragments, own[0].bone, camera, None)
    inside = (
        image + _leaders(_fragment_labels(own, pieces), camera) + _directions(camera) + _scale_bar(camera)
    )
    return drawing.picture(width_px, height_px, inside, "Bone"), f"The bone from {_seen_from(camera)}."


def _seen_from(camera: Camera) -> str:
    sides = {"up": "above", "down": "below"}
    return " and ".join(sides.get(word, f"the {word}") for word in direction_words(camera.toward).split(" and "))


def _cast(
    bone: Bone, posed: tuple[PosedFragment, ...], bone_name: str, camera: Camera, subject: Subject | None
) -> tuple[str, npt.NDArray[np.int64]]:
    """The picture as an SVG image, and the fragment seen at each of its pixels."""
    joint = None if bone.joint is None else (bone.joint.vertices_mm, bone.joint.faces)
    scene = Scene(
        subject,
        camera,
        [(one.rank, one.vertices_mm, one.faces) for one in posed if one.bone == bone_name],
        [(one.rank, one.vertices_mm, one.faces) for one in posed if one.bone != bone_name],
        joint,
    )
    cast = render(scene)
    file = io.BytesIO()
    Image.fromarray(cast.rgb).save(file, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    href = "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode()
    size = {"width": camera.width_px, "height": camera.height_px}
    return element("image", href=href, x=0.0, y=0.0, **size), cast.pieces


def _fragment_labels(own: tuple[PosedFragment, ...], pieces: npt.NDArray[np.int64]) -> list[Label]:
    """A place low on each fragment that is seen."""
    labels = []
    for fragment in own:
        rows, columns = np.nonzero(pieces == fragment.rank)
        if len(rows) < FEWEST_PIXELS:
            continue
        middle = int(np.median(columns))
        own_rows = rows[columns == middle] if (columns == middle).any() else rows
        low = float(np.quantile(own_rows, 0.86))
        labels.append(Label(f"{fragment.name}", middle / PIXELS_PER_PX, low / PIXELS_PER_PX))
    return labels


def _fracture_label(subject: Subject, camera: Camera) -> list[Label]:
    """The first gap on the axis, with its width there."""
    edges_mm = bone_edges_mm(subject)
    if len(edges_mm) < 2:
        return []
    (x, y) = camera.to_px([subject.frame.at_mm((edges_mm[0] + edges_mm[1]) / 2)])[0]
    return [Label(f"fracture, {written(edges_mm[1] - edges_mm[0])} mm on the axis", float(x), float(y))]


def _nearest_mm(subject: Subject) -> tuple[Floats, Floats, str, float] | None:
    """The leading end's nearest place on the joint, or else on the bone: screw point, surface point, words, value."""
    result = subject.result
    clear = result.leading_end
    value_mm, words = (clear.joint, "joint") if clear.joint is not None else (clear.outer, "surface")
    if value_mm is None:
        return None
    if words == "joint" and subject.bone.joint is not None:
        surfaces = [(subject.bone.joint.vertices_mm, subject.bone.joint.faces)]
    else:
        surfaces = [(fragment.vertices_mm, fragment.faces) for fragment in subject.own]
    targets_mm = np.concatenate([np.vstack([v, v[f].mean(1)]) for v, f in surfaces])
    zone_mm = 2 * subject.zones[-1].thread.pitch_mm if subject.zones else 1.0
    heights_mm = np.linspace(max(subject.solid.tip_mm - zone_mm, 0.0), subject.solid.tip_mm, 12)
    radii_mm = radius_mm(subject.solid.outline_mm, heights_mm)
    angles = np.arange(24) * np.pi / 12
    spokes = np.cos(angles)[:, None] * subject.frame.up + np.sin(angles)[:, None] * subject.frame.toward
    centres_mm = np.array([subject.frame.at_mm(h + subject.seat_mm) for h in heights_mm])
    rim_mm = (centres_mm[:, None] + radii_mm[:, None, None] * spokes).reshape(-1, 3)
    away_mm, places = cKDTree(targets_mm).query(rim_mm)
    # Outside, the deepest point of the screw counts, not the one that just crosses the surface.
    nearest = int(np.argmin(away_mm) if value_mm > 0 else np.argmin(np.abs(away_mm + value_mm)))
    return rim_mm[nearest], targets_mm[places[nearest]], words, value_mm


def _clearance_label(subject: Subject, camera: Camera) -> list[Label]:
    found = _nearest_mm(subject)
    if found is None:
        return []
    _, target_mm, words, value_mm = found
    place = "into the joint" if words == "joint" else "out of the bone"
    said = f"{written(value_mm)} mm to {words}" if value_mm >= 0 else f"{written(-value_mm)} mm {place}"
    (x, y) = camera.to_px([target_mm])[0]
    alarm = value_mm < 0 and subject.alarm_past_exit
    return [Label(said, float(x), float(y), bold=True, ink=ALARM if alarm else INK)]


def _clearance_line(subject: Subject, camera: Camera) -> str:
    found = _nearest_mm(subject)
    if found is None:
        return ""
    a, b = camera.to_px([found[0], found[1]])
    ends = "".join(element("circle", cx=float(p[0]), cy=float(p[1]), r="2.2", fill=INK) for p in (a, b))
    return line(*a, *b, PAPER, 4) + line(*a, *b, INK, 1.6) + ends


def _axis(subject: Subject, camera: Camera) -> str:
    """The chain line before the entry and past the exit, the entry's ring, the tip's ring, the screw's name."""
    frame, result = subject.frame, subject.result
    before_mm = min(subject.top_depth_mm, 0.0)
    after_mm = max(result.tip_depth_mm, subject.exit_depth_mm)
    start, near, entry, far, end, tip = camera.to_px(
        [frame.at_mm(z) for z in (before_mm - 9, before_mm, 0.0, after_mm, after_mm + 9, result.tip_depth_mm)]
    )
    chain = {"stroke_dasharray": "14 3 2.5 3"}
    drawn = line(*start, *near, INK, 1, **chain) + line(*far, *end, INK, 1, **chain)
    for x, y in (entry, tip):
        drawn += element(
            "circle", cx=float(x), cy=float(y), r="3", fill=PAPER, stroke=INK, stroke_width="1.5"
        )
    x = max(float(start[0]) - 5, text_width(result.placed.name, BODY, bold=True) + 4)
    drawn += text(x, float(start[1]) + 4, result.placed.name, anchor="end", size=BODY, bold=True, halo=PAPER)
    return drawn + text(float(entry[0]) - 9, float(entry[1]) + 17, "entry", anchor="end", halo=PAPER)


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
        x, y = points[0] + away * 12
        drawn += text(
            float(x), float(y) + 4, other.placed.name, anchor="middle", size=BODY, bold=True, halo=PAPER
        )
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


def _leaders(labels: list[Label], camera: Camera) -> str:
    """Words in one row under the bone, in the order of their places, each with a line to its place."""
    row_y = camera.height_px - 24
    ordered = sorted(labels, key=lambda label: (label.x, label.words))
    widths = [text_width(label.words, BODY, bold=label.bold) + 16 for label in ordered]
    centres = [label.x for label in ordered]
    left_px, right_px = 4.0, camera.width_px - 4
    for place, (centre, width) in enumerate(zip(centres, widths, strict=True)):
        before = centres[place - 1] + widths[place - 1] / 2 if place else left_px
        centres[place] = max(centre, before + width / 2)
    for place in reversed(range(len(centres))):
        after = centres[place + 1] - widths[place + 1] / 2 if place + 1 < len(centres) else right_px
        centres[place] = min(centres[place], after - widths[place] / 2)
    drawn = ""
    for label, centre in zip(ordered, centres, strict=True):
        drawn += line(label.x, label.y, centre, row_y - 12, PAPER, 3, stroke_opacity="0.7")
        drawn += line(label.x, label.y, centre, row_y - 12, INK, 0.8)
        drawn += element("circle", cx=label.x, cy=label.y, r="1.9", fill=INK)
        drawn += text(
            centre,
            row_y,
            label.words,
            anchor="middle",
            size=BODY,
            bold=label.bold,
            fill=label.ink,
            halo=PAPER,
        )
    return drawn


def _directions(camera: Camera) -> str:
    """Directions of the body at the left, right and upper edge, where they leave the frame.

    One that leaves below is left out: its opposite stands above, and the names of the parts stand below.
    """
    drawn = ""
    reach = np.array([camera.width_px / 2 - RAIL_PX, (camera.height_px - MARGINS_PX[3]) / 2 - RAIL_PX])
    centre = reach + RAIL_PX
    for word, axis in BODY_DIRECTIONS.items():
        flat = np.array([np.asarray(axis) @ camera.right, -(np.asarray(axis) @ camera.up)])
        if np.linalg.norm(flat) < SHORTEST_DIRECTION:
            continue
        steps = reach / np.maximum(np.abs(flat), 1e-9)
        if flat[1] > 0 and steps[1] < steps[0]:
            continue
        x, y = (centre + flat * steps.min()).tolist()
        degree = float(np.degrees(np.arctan2(flat[1], flat[0])))
        place = f"translate({x:.1f} {y:.1f}) rotate({degree:.0f})"
        drawn += path("M7 0L-3 -4L-3 4Z", fill=INK_2, transform=place)
        anchor = "end" if x > centre[0] else "start"
        drawn += text(
            x + (-11 if anchor == "end" else 11), y + 3.4, word, anchor=anchor, fill=INK_2, halo=PAPER
        )
    return drawn


def _scale_bar(camera: Camera) -> str:
    """Ten millimetres in the picture's plane, at the lower right."""
    long_px = SCALE_BAR_MM * camera.scale_px
    right, y = camera.width_px - 6, camera.height_px - 3
    left = right - long_px
    ticks = "".join(
        line(left + long_px * i / 10, y, left + long_px * i / 10, y - (6 if i % 5 == 0 else 3), INK, 1.1)
        for i in range(11)
    )
    return line(left, y, right, y, INK, 1.2) + ticks + text(left - 6, y, "10 mm", anchor="end", halo=PAPER)
