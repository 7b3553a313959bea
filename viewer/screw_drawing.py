"""A screw drawn to scale: in letters for a terminal, and as an SVG file with millimetres as its unit.

Both draw the solid of revolution that is measured with: the core dark, the thread around it light, the head
at the left.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

import numpy as np

from planner.solid import Solid, solid_of
from planner.vocabulary import Screw
from segmentation.vocabulary import Floats

COLUMNS_MAX_COUNT = 96
"""Widest drawing in letters. Our choice: fits a terminal of 100 columns."""

CELL_ASPECT_RATIO = 2.0
"""A letter's height over its width (common practice of terminals)."""

FINEST_COLUMN_MM = 0.25
"""No finer than this a column, so that short screws are not drawn as thick as poles. Our choice."""

CORE, THREAD = "█", "▒"
MARGIN_MM = 2.0
TICK_MM = 5.0


def drawing_in_letters(screw: Screw, length_mm: float) -> list[str]:
    """The screw from the side, a line of text a row, with a scale in mm from the datum plane below it."""
    solid = solid_of(screw, length_mm)
    step_mm = max((solid.tip_mm - solid.top_mm) / COLUMNS_MAX_COUNT, FINEST_COLUMN_MM)
    depths_mm = np.arange(solid.top_mm + step_mm / 2, solid.tip_mm, step_mm)
    outer_mm, core_mm = _radius_mm(solid.outline_mm, depths_mm), _radius_mm(solid.core_outline_mm, depths_mm)
    half = int(np.ceil(outer_mm.max() / (step_mm * CELL_ASPECT_RATIO) - 0.5))
    rows_mm = np.abs(np.arange(-half, half + 1)) * step_mm * CELL_ASPECT_RATIO
    rows = [
        "".join(
            CORE if row_mm <= core else THREAD if row_mm <= outer else " "
            for outer, core in zip(outer_mm, core_mm, strict=True)
        )
        for row_mm in rows_mm
    ]
    return [row.rstrip() for row in rows if row.strip()] + _ruler(solid, step_mm, len(depths_mm))


def drawing_as_svg(screw: Screw, length_mm: float) -> str:
    """The screw from the side as SVG, 1:1 in mm when printed."""
    solid = solid_of(screw, length_mm)
    radius_mm = float(solid.outline_mm[:, 1].max())
    left_mm, top_mm = solid.top_mm - MARGIN_MM, -radius_mm - MARGIN_MM
    width_mm, height_mm = solid.tip_mm - left_mm + MARGIN_MM, 2 * (radius_mm + MARGIN_MM)
    ticks = "".join(
        f'<path d="M{at:g} {radius_mm + 0.3:g}v0.9"/>' for at in np.arange(0.0, solid.tip_mm + 1e-9, TICK_MM)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_mm:.2f}mm" height="{height_mm:.2f}mm" '
        f'viewBox="{left_mm:.3f} {top_mm:.3f} {width_mm:.3f} {height_mm:.3f}" role="img">\n'
        f"<title>{escape(screw.name)}, {length_mm:g} mm</title>\n"
        f'<g stroke="#5b666b" stroke-width="0.1">\n'
        f'<path d="{_closed_path(solid.outline_mm)}" fill="#dde2e2"/>\n'
        f'<path d="{_closed_path(solid.core_outline_mm)}" fill="#9aa6a9"/>\n'
        f'<path d="M{left_mm:.3f} 0H{solid.tip_mm + MARGIN_MM:.3f}" stroke-dasharray="2 0.6 0.4 0.6"/>\n'
        f"{ticks}\n</g>\n</svg>\n"
    )


def _radius_mm(outline_mm: Floats, depths_mm: Floats) -> Floats:
    """(n,) radius of an outline at each depth; 0 beyond its ends."""
    return np.asarray(np.interp(depths_mm, outline_mm[:, 0], outline_mm[:, 1], left=0.0, right=0.0))


def _closed_path(outline_mm: Floats) -> str:
    both_sides = [*outline_mm, *(outline_mm[::-1] * (1, -1))]
    return "M" + "L".join(f"{z:.3f} {radius:.3f}" for z, radius in both_sides) + "Z"


def _ruler(solid: Solid, step_mm: float, columns: int) -> list[str]:
    marks, numbers = [" "] * (columns + 4), [" "] * (columns + 4)
    for at_mm in np.arange(0.0, solid.tip_mm + 1e-9, TICK_MM):
        column = min(int((at_mm - solid.top_mm) / step_mm), columns - 1)
        marks[column] = "|"
        text = f"{at_mm:g}"
        if not "".join(numbers[max(column - 1, 0) : column + len(text)]).strip():
            numbers[column : column + len(text)] = text
    return ["".join(marks).rstrip(), "".join(numbers).rstrip() + " mm"]
