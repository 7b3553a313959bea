"""The grey values of the scan as a histogram, with the level at which bone begins."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from segmentation.how_found import SegmentationRecord
from viewer.report.drawing import (
    element,
    hatch,
    line,
    outline,
    path,
    picture,
    text,
    text_width,
    written,
)
from viewer.report.tokens import HAIR, INK, INK_2, INK_3, PAPER

LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 46.0, 8.0, 16.0, 17.0
"""Margins for words."""

TICKS_HU, TICKS_COUNT = (50, 100, 200, 500, 1000), 9
"""Distances of ticks, and the most ticks there are. Our choice."""

LEAST_COUNT = 0.7
"""Where the count axis begins: a single voxel is still to be seen. Our choice."""


def histogram_svg(record: SegmentationRecord, *, width_px: float, height_px: float) -> str:
    """Counts of voxels on a logarithmic scale: all of the scan, and hatched those inside the fragments."""
    counted = record.histogram
    low, high = float(counted.edges_hu[0]), float(counted.edges_hu[-1])
    top = math.log10(max(int(counted.counts.max()), 10))
    base = math.log10(LEAST_COUNT)
    bottom_px = height_px - BOTTOM_PX

    def x(level_hu: float) -> float:
        return LEFT_PX + (level_hu - low) / (high - low) * (width_px - LEFT_PX - RIGHT_PX)

    def y(voxels_count: float) -> float:
        return bottom_px - (math.log10(max(voxels_count, LEAST_COUNT)) - base) / (top - base) * (
            bottom_px - TOP_PX
        )

    def steps(counts: npt.NDArray[np.int64]) -> str:
        corners = [(x(low), bottom_px)]
        for left, right, count in zip(
            counted.edges_hu[:-1].tolist(), counted.edges_hu[1:].tolist(), counts.tolist(), strict=True
        ):
            corners += [(x(left), y(count)), (x(right), y(count))]
        return outline([*corners, (x(high), bottom_px)], closed=True)

    drawn = element("defs", hatch("histogram-bone", 45, PAPER, INK_3, pitch=4, width=1.3))
    for power in range(math.floor(top) + 1):
        drawn += line(LEFT_PX, y(10**power), width_px - RIGHT_PX, y(10**power), HAIR)
        if power % 2 == 0:
            words = f"{10**power:,}".replace(",", "\u2009")
            drawn += text(LEFT_PX - 5, y(10**power) + 3.4, words, anchor="end", fill=INK_2)
    drawn += path(steps(counted.counts), fill=HAIR, stroke=INK_3, stroke_width="0.9")
    drawn += path(steps(counted.bone_counts), fill="url(#histogram-bone)", stroke=INK, stroke_width="0.9")
    drawn += line(LEFT_PX, bottom_px, width_px - RIGHT_PX, bottom_px, INK)
    tick_hu = next((hu for hu in TICKS_HU if (high - low) / hu < TICKS_COUNT), TICKS_HU[-1])
    first = math.ceil(low / tick_hu) * tick_hu
    for hu in range(first, math.floor(high) + 1, tick_hu):
        drawn += line(x(hu), bottom_px, x(hu), bottom_px + 4, INK)
        drawn += text(x(hu), bottom_px + 14, written(hu, 0), anchor="middle")
    drawn += text(LEFT_PX - 17, bottom_px + 14, "HU", anchor="end", fill=INK_2)
    drawn += text(LEFT_PX + 6, bottom_px - 6, "all of the scan", fill=INK_2, halo=HAIR)
    if (filled := np.flatnonzero(counted.bone_counts)).size:
        from_hu = max([float(counted.edges_hu[filled[0]]), *(level.level_hu for level in record.levels)])
        middle = (from_hu + float(counted.edges_hu[filled[-1] + 1])) / 2
        half_px = text_width("inside the fragments") / 2
        at = min(max(x(middle), LEFT_PX + half_px), width_px - RIGHT_PX - half_px)
        drawn += text(at, bottom_px - 6, "inside the fragments", anchor="middle", halo=PAPER)
    drawn += text(LEFT_PX - 5, TOP_PX - 6, "voxels", anchor="end", fill=INK_2)
    drawn += _levels(record, x, bottom_px, width_px)
    return picture(width_px, height_px, drawn, "Histogram of the scan")


def _levels(
    record: SegmentationRecord, x: Callable[[float], float], bottom_px: float, width_px: float
) -> str:
    """A line at each level, with its words beside it where there is room."""
    drawn = ""
    for level in record.levels:
        at = x(level.level_hu)
        if not LEFT_PX <= at <= width_px - RIGHT_PX:
            continue
        words = f"{level.what} at {written(level.level_hu, 0)} HU"
        after = at + 5 + text_width(words, bold=True) < width_px - RIGHT_PX
        drawn += line(at, TOP_PX - 9, at, bottom_px, PAPER, 3.4) + line(
            at, TOP_PX - 9, at, bottom_px, INK, 1.5
        )
        drawn += text(
            at + (5 if after else -5),
            TOP_PX - 2,
            words,
            anchor="start" if after else "end",
            bold=True,
            halo=PAPER,
        )
    return drawn
