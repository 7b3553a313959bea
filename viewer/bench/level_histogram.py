"""The scan's grey values as a strip of the page, with the level that a hand moves over them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from segmentation.how_found import Histogram
from viewer.bench.themes import themed
from viewer.report.drawing import element, hatch, line, outline, path, rect, text, written
from viewer.report.histogram import LEAST_COUNT, TICKS_COUNT, TICKS_HU
from viewer.report.tokens import HAIR, INK, INK_2, INK_3, PAPER

LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 76.0, 24.0, 30.0, 26.0
"""Margins for words."""


def histogram_drawn(
    counted: Histogram, level_hu: float | None, size_px: tuple[float, float]
) -> dict[str, Any]:
    """SVG content, and how HU lie on it: ``x = x0_px + hu · scale_px``."""
    width, height = size_px
    low, high = float(counted.edges_hu[0]), float(counted.edges_hu[-1])
    scale = (width - LEFT_PX - RIGHT_PX) / (high - low)
    top, base = math.log10(max(int(counted.counts.max()), 10)), math.log10(LEAST_COUNT)
    floor = height - BOTTOM_PX

    def x(grey_hu: float) -> float:
        return LEFT_PX + (grey_hu - low) * scale

    heights = (np.log10(np.maximum(counted.counts, LEAST_COUNT)) - base) / (top - base) * (floor - TOP_PX)
    corners = [(x(low), floor)]
    for left, right, tall in zip(
        counted.edges_hu[:-1].tolist(), counted.edges_hu[1:].tolist(), heights.tolist(), strict=True
    ):
        corners += [(x(left), floor - tall), (x(right), floor - tall)]
    shape = outline([*corners, (x(high), floor)], closed=True)
    drawn = element("defs", hatch("bone-hatch", 45, PAPER, INK_3, pitch=6, width=1.4))
    drawn += path(shape, fill=HAIR, stroke=INK_3, stroke_width="0.9")
    if level_hu is not None:
        at = min(max(x(level_hu), LEFT_PX), width - RIGHT_PX)
        box = element("clipPath", rect(at, 0, width - RIGHT_PX - at, height, INK), id="bone-side")
        side = path(shape, fill="url(#bone-hatch)", stroke=INK, stroke_width="1")
        drawn += element("defs", box) + element("g", side, clip_path="url(#bone-side)")
    drawn += line(LEFT_PX, floor, width - RIGHT_PX, floor, INK)
    step = next((hu for hu in TICKS_HU if (high - low) / hu < 2 * TICKS_COUNT), TICKS_HU[-1])
    for hu in range(math.ceil(low / step) * step, math.floor(high) + 1, step):
        drawn += line(x(hu), floor, x(hu), floor + 5, INK)
        drawn += text(x(hu), floor + 18, written(hu, 0), anchor="middle", size=12)
    drawn += text(LEFT_PX - 14, floor + 18, "HU", anchor="end", fill=INK_2, size=12)
    return {
        "svg": themed(drawn),
        "width": width,
        "height": height,
        "x0_px": LEFT_PX - low * scale,
        "scale_px": scale,
        "floor_px": floor,
        "low_hu": low,
        "high_hu": high,
    }
