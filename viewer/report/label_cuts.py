"""Three flat cuts through the CT with the labels on it: which voxel belongs to which fragment.

Each fragment has its ink's hatch, an outline and its number; each seed a diamond and its name; where a border
is guessed stand beads. The labels are shown as they are, nearest voxel at each place, so the outline has the
voxels' steps.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.asked import Seed
from segmentation.vocabulary import Bone, Floats
from viewer.report.drawing import BODY, element, picture, rect, text
from viewer.report.guessed_marks import beads_on, beads_svg
from viewer.report.overlay import PIXELS_PER_PX, VIEWS, body_letters, ct_picture, cut_scale_bar
from viewer.report.section import Plane, labels_at, png_uri
from viewer.report.seed_marks import SeedMark, marks_on, seed_marks_svg, taken_boxes
from viewer.report.tokens import CT_CASE, CT_INK, fragment_ink, rgb_fraction

Labels = npt.NDArray[np.uint8]
Box = tuple[float, float, float, float]

HATCH_PITCH_PX, HATCH_LINE_PX = 7.0, 1.0
"""Pitch and width of a fragment's hatch over the CT. Our choice: the grey values stay visible between."""

LINE_OPACITY_FRACTION, HATCH_OPACITY_FRACTION, OTHER_OPACITY_FRACTION = 0.95, 0.5, 0.55
"""How strongly outline, hatch, and the outline of other bones cover the CT. Our choice."""

LINE_PIXELS_COUNT = 2
"""Width of the outline, in pixels of the picture."""

SMALLEST_RADIUS_PX = 3.0
"""Where no circle of this radius fits a region, its number would hide it: it stands beside, another
bone's is left out. Our choice."""

BESIDE_PX = 9.0
"""How far beside."""


def label_cuts(
    bone: Bone, own_bone: str, centre_mm: Floats, half_mm: float, side_px: float
) -> list[tuple[str, str, str]]:
    """The three cuts as (name, words, SVG); other bones are outlined and numbered only."""
    drawn = []
    marks, _ = seeds_on_cuts(bone, centre_mm, half_mm, side_px)
    guessed = guessed_on_cuts(bone, centre_mm, half_mm, side_px)
    for (name, words, right, up, letters), own_marks, beads in zip(VIEWS, marks, guessed, strict=True):
        plane = Plane(centre_mm, right, up)
        seen = labels_in(bone, plane, half_mm, side_px)
        inside = ct_picture(bone, plane, half_mm, side_px)
        inside += element(
            "image",
            href=png_uri(_fields(bone, own_bone, seen)),
            x=0.0,
            y=0.0,
            width=side_px,
            height=side_px,
            preserveAspectRatio="none",
        )
        inside += _numbers(bone, own_bone, seen, side_px, taken_boxes(own_marks, side_px))
        inside += beads_svg(beads)
        inside += seed_marks_svg(own_marks, side_px)
        inside += body_letters(letters, side_px) + cut_scale_bar(half_mm, side_px)
        clip = f"labels-{name}"
        frame = element("clipPath", rect(0, 0, side_px, side_px, "#000"), id=clip)
        inside = frame + element("g", inside, clip_path=f"url(#{clip})")
        drawn.append((name, words, picture(side_px, side_px, inside, f"{name} cut with the labels")))
    return drawn


def seeds_on_cuts(
    bone: Bone, centre_mm: Floats, half_mm: float, side_px: float
) -> tuple[list[list[SeedMark]], list[Seed]]:
    """The marks of the case's seeds on each of the three cuts, and the seeds that are on none."""
    asked = bone.segmentation.asked
    planes = [Plane(centre_mm, right, up) for _, _, right, up, _ in VIEWS]
    return marks_on(() if asked is None else asked.seeds, planes, half_mm, side_px)


def guessed_on_cuts(bone: Bone, centre_mm: Floats, half_mm: float, side_px: float) -> list[Floats]:
    """On each of the three cuts the beads where a border is guessed."""
    record = bone.segmentation.record
    planes = [Plane(centre_mm, right, up) for _, _, right, up, _ in VIEWS]
    guessed_mm = np.zeros((0, 3)) if record is None else record.guessed_mm
    return [beads_on(guessed_mm, plane, half_mm, side_px) for plane in planes]


def labels_in(bone: Bone, plane: Plane, half_mm: float, side_px: float) -> Labels:
    """(n, n) fragment number at each pixel of a square cut, row 0 at the top; 0 outside."""
    count = round(side_px * PIXELS_PER_PX)
    steps_mm = ((np.arange(count) + 0.5) / count * 2 - 1) * half_mm
    X, Y = np.meshgrid(steps_mm, -steps_mm)
    points_mm = plane.origin_mm + X[..., None] * plane.right + Y[..., None] * plane.up
    return labels_at(bone, points_mm.reshape(-1, 3)).reshape(count, count)


def ranks_of(bone: Bone) -> dict[int, int]:
    """Each fragment's place among its own bone's, from 1: it chooses ink and hatch."""
    return {
        one.number: 1 + sum(o.bone == one.bone and o.number < one.number for o in bone.fragments)
        for one in bone.fragments
    }


def _fields(bone: Bone, own_bone: str, seen: Labels) -> npt.NDArray[np.uint8]:
    """(rows, columns, 4) hatches and outlines, transparent elsewhere."""
    image = np.zeros((*seen.shape, 4))
    ranks = ranks_of(bone)
    X, Y = np.meshgrid(*(np.arange(n) / PIXELS_PER_PX for n in seen.shape[::-1]))
    for number in np.unique(seen[seen > 0]).tolist():
        here = seen == number
        edge = here & ~ndimage.binary_erosion(here, iterations=LINE_PIXELS_COUNT, border_value=1)
        casing = ndimage.binary_dilation(here) & (seen == 0)
        image[casing] = (*rgb_fraction(CT_CASE), HATCH_OPACITY_FRACTION)
        if bone.fragment(number).bone != own_bone:
            image[edge] = (*rgb_fraction(CT_INK), OTHER_OPACITY_FRACTION)
            continue
        ink = fragment_ink(ranks[number])
        turn = np.radians(ink.hatch_degree)
        across_px = (X * np.cos(turn) + Y * np.sin(turn)) % HATCH_PITCH_PX
        colour = rgb_fraction(ink.over_ct)
        image[here & (across_px < HATCH_LINE_PX)] = (*colour, HATCH_OPACITY_FRACTION)
        image[edge] = (*colour, LINE_OPACITY_FRACTION)
    return np.asarray(np.rint(image * 255), np.uint8)


def _numbers(bone: Bone, own_bone: str, seen: Labels, side_px: float, taken: Sequence[Box]) -> str:
    """Each fragment's number in the middle of its widest place that is not ``taken``, or beside it where that
    is narrow."""
    drawn = ""
    room = np.ones(seen.shape, np.bool_)
    for box in taken:
        left, top, right, bottom = (max(round(edge * PIXELS_PER_PX), 0) for edge in box)
        room[top : bottom + 1, left : right + 1] = False
    for number in np.unique(seen[seen > 0]).tolist():
        own = bone.fragment(number).bone == own_bone
        here = seen == number
        free = here & room
        depth = ndimage.distance_transform_edt(np.pad(free if free.any() else here, 1))[1:-1, 1:-1]
        row, column = np.unravel_index(int(depth.argmax()), depth.shape)
        x, y = (float(column) + 0.5) / PIXELS_PER_PX, (float(row) + 0.5) / PIXELS_PER_PX
        if depth.max() / PIXELS_PER_PX < SMALLEST_RADIUS_PX:
            if not own:
                continue
            x += BESIDE_PX if x < side_px / 2 else -BESIDE_PX
        drawn += text(
            x,
            y + BODY / 3,
            str(number),
            anchor="middle",
            size=BODY,
            bold=own,
            fill=CT_INK,
            halo=CT_CASE,
        )
    return drawn
