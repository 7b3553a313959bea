"""The points a person set inside bones, drawn on flat cuts: a diamond with its name.

Each seed stands once, on the cut it lies nearest to: the diamond is full where it lies in the cut, and hollow
a little before or behind it, which is told. A seed far from every cut is named in words and not drawn: it
would seem to lie in another bone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from segmentation.asked import Seed
from segmentation.vocabulary import Floats
from viewer.report.drawing import SMALL, path, px, text, text_width, written
from viewer.report.section import Plane
from viewer.report.tokens import CT_CASE, CT_INK

IN_THE_CUT_MM, BESIDE_MM = 0.5, 5.0
"""A seed this near to the plane lies in the cut, or so near beside it that it is drawn. Our choice: half a
slice, and less than half of a small bone."""

HALF_PX = 4.0
"""Half a diamond's height."""

FRAME_PX = 22.0
"""Nearer to the frame no seed is drawn: letters and scale stand there."""

EDGE_PX, ROOM_PX = 2.0, 3.0
"""Least room between words and the frame, and between words and their diamond."""

LINE_PX = 12.0
"""Names keep this far from each other, baseline to baseline."""

MOST_ON_A_CUT_COUNT = 10
"""More names would hide the cut; the nearest to it are drawn. Our choice."""


@dataclass(frozen=True, eq=False)
class SeedMark:
    """A seed on a cut: its place (2,) in px, and how far it lies before the plane (negative: behind)."""

    seed: Seed
    at_px: Floats
    before_mm: float

    @property
    def words(self) -> str:
        """Its name, and how far it lies from the cut unless it lies in it."""
        off = abs(self.before_mm)
        if off <= IN_THE_CUT_MM:
            return self.seed.name
        return f"{self.seed.name}, {written(off, 0)} mm {'before' if self.before_mm > 0 else 'behind'}"


@dataclass(frozen=True)
class Label:
    """Words that begin at ``x_px`` on a baseline."""

    words: str
    x_px: float
    baseline_px: float


def marks_on(
    seeds: Sequence[Seed], planes: Sequence[Plane], half_mm: float, side_px: float
) -> tuple[list[list[SeedMark]], list[Seed]]:
    """For each of the square cuts its seeds, nearest to the plane first, and the seeds that are on none."""
    marks: list[list[SeedMark]] = [[] for _ in planes]
    for seed in seeds:
        away = [float((seed.point_mm - plane.origin_mm) @ plane.normal) for plane in planes]
        for n in sorted(range(len(planes)), key=lambda n: abs(away[n])):
            right, up = planes[n].flat_mm(seed.point_mm[None])[0].tolist()
            at_px = (np.array([right, -up]) + half_mm) * side_px / (2 * half_mm)
            seen = (at_px >= FRAME_PX).all() and (at_px <= side_px - FRAME_PX).all()
            if seen and abs(away[n]) <= BESIDE_MM:
                marks[n].append(SeedMark(seed, at_px, away[n]))
                break
    marks = [sorted(one, key=lambda mark: abs(mark.before_mm))[:MOST_ON_A_CUT_COUNT] for one in marks]
    drawn = {id(mark.seed) for one in marks for mark in one}
    return marks, [seed for seed in seeds if id(seed) not in drawn]


def taken_boxes(marks: Sequence[SeedMark], side_px: float) -> list[tuple[float, float, float, float]]:
    """(left, top, right, bottom) in px of every diamond and name: nothing else should stand there."""
    boxes = []
    for mark, label in zip(_downwards(marks), _labels(marks, side_px), strict=True):
        (x, y), h = mark.at_px.tolist(), HALF_PX + 1
        boxes.append((x - h, y - h, x + h, y + h))
        right = label.x_px + text_width(label.words)
        boxes.append((label.x_px, label.baseline_px - SMALL, right, label.baseline_px + SMALL / 3))
    return boxes


def seed_marks_svg(marks: Sequence[SeedMark], side_px: float) -> str:
    """The diamonds with their names."""
    drawn, words = "", ""
    for mark, label in zip(_downwards(marks), _labels(marks, side_px), strict=True):
        (x, y), h = mark.at_px.tolist(), HALF_PX
        full = abs(mark.before_mm) <= IN_THE_CUT_MM
        d = f"M{px(x)} {px(y - h)}L{px(x + h)} {px(y)}L{px(x)} {px(y + h)}L{px(x - h)} {px(y)}Z"
        drawn += path(d, stroke=CT_CASE, stroke_width="3.4", stroke_linejoin="round")
        drawn += path(d, fill=CT_INK if full else "none", stroke=CT_INK, stroke_width="1.3")
        words += text(label.x_px, label.baseline_px, label.words, fill=CT_INK, halo=CT_CASE)
    return drawn + words


def _downwards(marks: Sequence[SeedMark]) -> list[SeedMark]:
    return sorted(marks, key=lambda mark: float(mark.at_px[1]))


def _labels(marks: Sequence[SeedMark], side_px: float) -> list[Label]:
    """Words beside each diamond, from the top down: right of it, or left, or where neither fits below it."""
    labels: list[Label] = []
    last_px = -LINE_PX
    for mark in _downwards(marks):
        x, y = mark.at_px.tolist()
        said = _shortened(mark.words, side_px - 2 * EDGE_PX)
        wide, beside = text_width(said), HALF_PX + ROOM_PX
        baseline = y + SMALL / 3
        if x + beside + wide <= side_px - EDGE_PX:
            start = x + beside
        elif x - beside - wide >= EDGE_PX:
            start = x - beside - wide
        else:
            start, baseline = max(min(x - wide / 2, side_px - EDGE_PX - wide), EDGE_PX), y + beside + SMALL
        last_px = max(baseline, last_px + LINE_PX)
        labels.append(Label(said, start, last_px))
    return labels


def _shortened(words: str, width_px: float) -> str:
    while text_width(words) > width_px:
        words = words.rstrip("…")[:-1] + "…"
    return words
