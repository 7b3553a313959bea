"""The sheet of paper: its size, what stands on a page, and how much room a block of it is likely to take.

Heights are estimated from letter widths so that nothing runs off a sheet; where an estimate falls short the
page grows and the printer breaks it, so that no finding can be lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

from viewer.report.drawing import PX_PER_MM, text_width

WIDTH_PX = 182 * PX_PER_MM
"""Width of the text: A4 less two margins of 14 mm."""

GAP_PX = 3 * PX_PER_MM
"""Gap between two blocks, as in page.css."""

HEADER_PX, FOOTER_PX = 28.0, 34.0
"""Height of a page's header and footer, measured in a browser."""

ROOM_PX = 297 * PX_PER_MM - 23 * PX_PER_MM - HEADER_PX - FOOTER_PX - 2 * GAP_PX
"""Height for blocks: A4 less margins, header and footer."""

ROW_PX, SMALL_ROW_PX = 19.0, 13.2
"""Height of a table row, of a line of small type."""

Block = dict[str, Any]


@dataclass(frozen=True)
class Page:
    """A page's header and its blocks, as the template takes them."""

    head: str
    sub: str
    side: str
    blocks: list[Block]


def text_height(said: str, size: float, width_px: float, line_px: float) -> float:
    """Likely height of a paragraph in px."""
    return ceil(text_width(said, size) / width_px + 0.1) * line_px if said else 0.0


def paged(blocks: list[tuple[Block, float]], head: str, sub: str, side: str) -> list[Page]:
    """Blocks dealt onto pages so that each fits."""
    pages: list[list[Block]] = [[]]
    left_px = ROOM_PX
    for block, height_px in blocks:
        needed_px = height_px + (GAP_PX if pages[-1] else 0.0)
        if pages[-1] and needed_px > left_px:
            pages.append([])
            left_px, needed_px = ROOM_PX, height_px
        pages[-1].append(block)
        left_px -= needed_px
    return [Page(head, sub, side, page) for page in pages]
