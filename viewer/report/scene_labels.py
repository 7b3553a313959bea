"""The words around the picture of the bone: names with leader lines, directions of the body, a scale bar.

They say what colour alone must not say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from segmentation.vocabulary import Floats
from viewer.report.camera import MARGINS_PX, Camera
from viewer.report.drawing import BODY, between, element, line, path, text, text_width, written
from viewer.report.placing import Point, uncrossed_row
from viewer.report.scene_render import PIXELS_PER_PX
from viewer.report.strip_lanes import gaps
from viewer.report.subject import Subject
from viewer.report.thread_teeth import radius_mm
from viewer.report.tokens import ALARM, INK, INK_2, PAPER
from viewer.report.view_frame import BODY_DIRECTIONS, PosedFragment

SHORTEST_DIRECTION = 0.55
"""A direction of the body is lettered when at least this much of it lies in the picture's plane (as in the
mock)."""

RAIL_PX = 12.0
"""Distance of the directions from the picture's edge."""

FEWEST_PIXELS = 60
"""A fragment seen on fewer pixels has no label: a leader could not be followed to it. Our choice."""

GIVE_WAY_PX = 20.0
"""Room between a direction and the screw's name. Our choice: two lines of small type."""

WORD_ROOM_PX = 42.0
"""Room of a direction's arrow and word along the line. Our choice: the longest, "right", and a little."""

SCALE_BAR_MM = 10.0

SMALLEST_GAP_MM = 0.1
"""A narrower gap between the surfaces on the axis is said to be closed. Our choice: below what a surface is
true to."""


@dataclass(frozen=True)
class Label:
    """Words tied to a place in the picture."""

    words: str
    x: float
    y: float
    bold: bool = False
    ink: str = INK


def fragment_labels(own: tuple[PosedFragment, ...], pieces: npt.NDArray[np.int64]) -> list[Label]:
    """A place low on each fragment that is seen."""
    labels = []
    for fragment in own:
        # The lowest part of the picture belongs to the words.
        clear = pieces[: pieces.shape[0] - round(MARGINS_PX[3] * PIXELS_PER_PX * 1.4)]
        rows, columns = np.nonzero(clear == fragment.rank)
        if len(rows) < FEWEST_PIXELS:
            continue
        middle = int(np.median(columns))
        own_rows = rows[columns == middle] if (columns == middle).any() else rows
        low = float(np.quantile(own_rows, 0.86))
        labels.append(Label(f"{fragment.name}", middle / PIXELS_PER_PX, low / PIXELS_PER_PX))
    return labels


def gap_labels(subject: Subject, camera: Camera) -> list[Label]:
    """The first fracture on the axis and the widest hollow inside a fragment, with their widths there."""
    found = gaps(subject)
    shown = [gap for gap in found if gap.is_fracture][:1]
    hollows = [gap for gap in found if not gap.is_fracture and gap.to_mm - gap.from_mm >= SMALLEST_GAP_MM]
    shown += sorted(hollows, key=lambda gap: gap.from_mm - gap.to_mm)[:1]
    labels = []
    for gap in shown:
        x, y = camera.to_px([subject.frame.at_mm((gap.from_mm + gap.to_mm) / 2)])[0].tolist()
        gap_mm = gap.to_mm - gap.from_mm
        width = "closed" if gap_mm < SMALLEST_GAP_MM else f"{written(gap_mm)} mm"
        labels.append(Label(f"{'fracture' if gap.is_fracture else 'hollow'}, {width} on the axis", x, y))
    return labels


def _nearest_mm(subject: Subject) -> tuple[Floats, Floats, str, float] | None:
    """The leading end's nearest place on the joint, or else on the bone: screw point, surface point, words,
    value."""
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


def clearance_label(subject: Subject, camera: Camera) -> list[Label]:
    """The measured clearance of the leading end, at the place it is nearest to."""
    found = _nearest_mm(subject)
    if found is None:
        return []
    _, target_mm, words, value_mm = found
    place = "into the joint" if words == "joint" else "out of the bone"
    said = f"{written(value_mm)} mm to {words}" if value_mm >= 0 else f"{written(-value_mm)} mm {place}"
    (x, y) = camera.to_px([target_mm])[0]
    if not (0 < x < camera.width_px and 0 < y < camera.height_px - MARGINS_PX[3]):
        (x, y) = camera.to_px([found[0]])[0]
    alarm = value_mm < 0 and subject.alarm_past_exit
    return [Label(said, float(x), float(y), bold=True, ink=ALARM if alarm else INK)]


def clearance_ends(subject: Subject, camera: Camera) -> list[tuple[Point, Point]]:
    """The line from the leading end to that place, px; none where no clearance is told."""
    found = _nearest_mm(subject)
    if found is None:
        return []
    (x1, y1), (x2, y2) = camera.to_px([found[0], found[1]]).tolist()
    return [((x1, y1), (x2, y2))]


def clearance_line(ends: Sequence[tuple[Point, Point]]) -> str:
    """That line as drawn."""
    drawn = ""
    for a, b in ends:
        dots = "".join(element("circle", cx=x, cy=y, r="2.2", fill=INK) for x, y in (a, b))
        drawn += between(a, b, PAPER, 4) + between(a, b, INK, 1.6) + dots
    return drawn


def leaders(labels: list[Label], camera: Camera, obstacles: Sequence[tuple[Point, Point]] = ()) -> str:
    """Words in one row under the bone, ordered so that their lines do not cross, each with a line to its
    place; ``obstacles`` are other lines that they should not cross."""
    row_y = camera.height_px - 24
    widths = [text_width(label.words, BODY, bold=label.bold) + 16 for label in labels]
    anchors = [(label.x, label.y) for label in labels]
    centres = uncrossed_row(anchors, widths, row_y - 12, (4.0, camera.width_px - 4), obstacles)
    drawn = ""
    for label, centre in zip(labels, centres, strict=True):
        drawn += line(label.x, label.y, centre, row_y - 12, PAPER, 3, stroke_opacity="0.7")
        drawn += line(label.x, label.y, centre, row_y - 12, INK, 0.8)
        drawn += element("circle", cx=label.x, cy=label.y, r="1.9", fill=INK)
    for label, centre in zip(labels, centres, strict=True):
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


def directions(camera: Camera, taken_px: float | None = None, *, from_px: float = 0.0) -> str:
    """Directions of the body at the left, right and upper edge, where they leave the frame.

    One that leaves below is left out: its opposite stands above, and the names of the parts stand below.
    One that would meet the screw's name, which stands at the left at the height ``taken_px``, gives way
    upwards. The frame begins ``from_px`` below the picture's upper edge, where other words stand.
    """
    drawn = ""
    taken: list[Point] = []
    high_px = camera.height_px - MARGINS_PX[3] - from_px
    reach = np.array([camera.width_px / 2 - RAIL_PX, high_px / 2 - RAIL_PX])
    centre = reach + RAIL_PX + np.array([0.0, from_px])
    flats = {
        word: np.array([np.asarray(axis) @ camera.right, -(np.asarray(axis) @ camera.up)])
        for word, axis in BODY_DIRECTIONS.items()
    }
    # Of two that would be written over each other the one that lies more in the picture stays.
    for word, flat in sorted(flats.items(), key=lambda one: -round(float(np.linalg.norm(one[1])), 6)):
        if np.linalg.norm(flat) < SHORTEST_DIRECTION:
            continue
        steps = reach / np.maximum(np.abs(flat), 1e-9)
        if flat[1] > 0 and steps[1] < steps[0]:
            continue
        x, y = (centre + flat * steps.min()).tolist()
        if taken_px is not None and x < centre[0] and abs(y - taken_px) < GIVE_WAY_PX:
            y = taken_px - GIVE_WAY_PX
        if any(abs(x - other[0]) < WORD_ROOM_PX and abs(y - other[1]) < GIVE_WAY_PX / 2 for other in taken):
            continue
        taken.append((x, y))
        degree = float(np.degrees(np.arctan2(flat[1], flat[0])))
        place = f"translate({x:.1f} {y:.1f}) rotate({degree:.0f})"
        drawn += path("M7 0L-3 -4L-3 4Z", fill=INK_2, transform=place)
        anchor = "end" if x > centre[0] else "start"
        drawn += text(
            x + (-11 if anchor == "end" else 11), y + 3.4, word, anchor=anchor, fill=INK_2, halo=PAPER
        )
    return drawn


def scale_bar(camera: Camera) -> str:
    """Ten millimetres in the picture's plane, at the lower right."""
    long_px = SCALE_BAR_MM * camera.scale_px
    right, y = camera.width_px - 6, camera.height_px - 3
    left = right - long_px
    ticks = "".join(
        line(left + long_px * i / 10, y, left + long_px * i / 10, y - (6 if i % 5 == 0 else 3), INK, 1.1)
        for i in range(11)
    )
    return line(left, y, right, y, INK, 1.2) + ticks + text(left - 6, y, "10 mm", anchor="end", halo=PAPER)
