"""The page that sets variants side by side: a column each, a row for each limit and number, and no total.

How often a limit is kept stands above the numbers that it is held against, in figures and as a bar from none
to all of the draws, so that variants are compared by looking along a row.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from planner.compare import Comparison, Row
from planner.limits import Limits
from planner.vocabulary import ScrewResult
from viewer.drawn_words import NUMBERS, digits_of, number_of, share_words
from viewer.report import words
from viewer.report.drawing import SMALL, picture, rect, written
from viewer.report.found_page import NUM, table, table_height
from viewer.report.limits_across import limits_across
from viewer.report.sheet import SMALL_ROW_PX, WIDTH_PX, Block, Page, paged, text_height
from viewer.report.sure_rows import SureRow, value_words
from viewer.report.tokens import INK, INK_3
from viewer.report.words import length_words, technique_words

COLUMNS_COUNT, ROOMY_COUNT = 6, 4
"""Variants side by side in a table, and up to how many a number has its interval beside it, not below. Our
choice."""

BAR_PX, BAR_HEIGHT_PX = 56.0, 7.0
"""Size of the bar of a share."""

ROW_OF_ROOMY_PX, ROW_OF_NARROW_PX, FINDINGS_PX = 21.0, 33.0, 48.0
"""Heights of a row where it has room, where it wraps, and of the row of findings, measured in a browser."""

FORCES = ("pull_out.force_n", "torque.stripping_n_m", "torque.compression_at_advised_n")
"""Numbers without a limit that are compared."""

HEAD = "Side by side"


def compare_pages(comparison: Comparison, title: str) -> list[Page]:
    """The pages of a comparison whose doubt was drawn: the variants, then a table of COLUMNS_COUNT each."""
    named = [(str(number), row) for number, row in enumerate(comparison.rows, start=1)]
    known = [(name, row) for name, row in named if row.result is not None and row.result.doubt is not None]
    settings = comparison.made_with["settings"]
    starts = range(0, len(known), COLUMNS_COUNT)
    blocks = [_variants_block(named)]
    blocks += [_columns_block(known[at : at + COLUMNS_COUNT], comparison, settings) for at in starts]
    drawn = settings["doubt"]
    draws = f"the same {drawn['draws_count']:,} draws for each (seed {drawn['seed']})"
    return paged(blocks, HEAD, f"placed {drawn['placement']}, {draws}", title)


def _variants_block(named: Sequence[tuple[str, Row]]) -> tuple[Block, float]:
    heads = [
        ("", NUM),
        ("path", ""),
        ("screw", ""),
        ("length, mm", NUM),
        ("technique", ""),
        ("seat, mm", NUM),
    ]
    rows = []
    for name, row in named:
        placed = row.placed
        length, seat = f"{placed.length_mm:g}", written(placed.seat_depth_mm)
        how = technique_words(placed.screw, placed.technique)
        rows.append([name, row.path, placed.screw.title, length, how, seat])
    foot = (
        "Each is measured as if it were the only screw. There is no total score: what a millimetre is worth "
    )
    foot += "in threads is for a surgeon to say."
    for name, row in named:
        if row.fault:
            foot += f" Not measured: {name}, {words.ended(row.fault)}"
    block = table("Variants", "", heads, rows, foot)
    return block, table_height(block, WIDTH_PX)


def _columns_block(
    columns: Sequence[tuple[str, Row]], comparison: Comparison, settings: Mapping[str, Any]
) -> tuple[Block, float]:
    """The table of some variants."""
    results = [row.result for _, row in columns if row.result is not None]
    limit_rows, untold = _limit_rows(results, settings)
    rows = limit_rows + _free_rows(results)
    foot = (
        "In heavy rows the share of draws that keep the limit in every number below it, or in which a part "
    )
    foot += (
        "planned inside the bone does not stay there, with a bar from none to all. In light rows estimates "
    )
    foot += "and 5 to 95 % of the draws; ◇ broken as planned."
    if any(words.has_stop(one) for one in results):
        foot += " Stop: a stop stands against the variant, whose forces are not for comparison."
    foot = " ".join([foot, *untold])
    names = [{"name": name, "varied": _varied(row, comparison)} for name, row in columns]
    block: Block = {"kind": "compared", "names": names, "rows": rows, "foot": foot}
    row_px = ROW_OF_ROOMY_PX if len(columns) <= ROOMY_COUNT else ROW_OF_NARROW_PX
    head_px = 44 + SMALL_ROW_PX * max(len(one["varied"]) for one in names)
    height = head_px + row_px * len(rows) + FINDINGS_PX
    return block, height + text_height(foot, SMALL, WIDTH_PX, SMALL_ROW_PX)


def _varied(row: Row, comparison: Comparison) -> list[str]:
    """What sets a variant apart from the others, for the head of its column."""

    def said(one: Row) -> list[str]:
        placed = one.placed
        how = technique_words(placed.screw, placed.technique)
        return [one.path, placed.screw.name, length_words(placed.length_mm), how]

    return [
        own
        for place, own in enumerate(said(row))
        if any(said(other)[place] != own for other in comparison.rows)
    ]


def _limit_rows(
    results: Sequence[ScrewResult], settings: Mapping[str, Any]
) -> tuple[list[dict[str, Any]], list[str]]:
    """A heavy row for each limit and the numbers below it; and of each limit without a number why."""
    site = settings.get("site")
    apex_mm = None if site is None else site["tip_apex_mm"]
    found, untold = limits_across(results, Limits(**settings["limits"]), apex_mm)
    rows: list[dict[str, Any]] = []
    for one in found:
        shares = [_share(group[0].kept_fraction) if group else _cell("no number") for group in one.groups]
        rows.append({"words": f"{one.words} {_held(one.asked)}", "limit": True, "cells": shares})
        for said, numbers in one.numbers:
            rows.append({"words": said, "limit": False, "cells": [_value(number) for number in numbers]})
    return rows, untold


def _free_rows(results: Sequence[ScrewResult]) -> list[dict[str, Any]]:
    """How often a part leaves the bone, and what no limit stands against."""
    breaches = [_share(None if one.doubt is None else one.doubt.breach_fraction) for one in results]
    rows: list[dict[str, Any]] = [
        {"words": "Leaves the bone or crosses the joint", "limit": True, "cells": breaches},
        {"words": "Without a limit", "limit": True, "cells": [_cell() for _ in results]},
    ]
    for name in FORCES:
        cells = [_force(result, name) for result in results]
        if any(cell["value"] for cell in cells):
            rows.append({"words": words.capital(NUMBERS[name]), "limit": False, "cells": cells})
    found = [_cell(words.counted_words(one.findings)) for one in results]
    rows.append({"words": "Findings, as planned", "limit": False, "cells": found})
    return rows


def _cell(beside: str = "", value: str = "", svg: str = "") -> dict[str, Any]:
    """A cell: its value, what is beside it in small type, its picture."""
    return {"value": value, "beside": beside, "svg": Markup(svg)}


def _held(said: str) -> str:
    """Words that do not part at the end of a line."""
    return said.replace(" ", "\u00a0")


def _share(share_fraction: float | None) -> dict[str, Any]:
    """A share of draws with its bar."""
    if share_fraction is None:
        return _cell("not drawn")
    said = _held(share_words(share_fraction))
    inside = rect(0.5, 0.5, BAR_PX - 1, BAR_HEIGHT_PX - 1, "none", stroke=INK_3, stroke_width="0.8")
    inside += rect(0.5, 0.5, (BAR_PX - 1) * share_fraction, BAR_HEIGHT_PX - 1, INK)
    return _cell("", said, picture(BAR_PX, BAR_HEIGHT_PX, inside, said))


def _value(one: SureRow | None) -> dict[str, Any]:
    if one is None or one.row.value is None:
        return _cell()
    return _cell(_held(one.range), _held(f"{'◇ ' if one.row.broken else ''}{value_words(one.row)}"))


def _force(result: ScrewResult, name: str) -> dict[str, Any]:
    if words.has_stop(result):
        return _cell("", "stop")
    one = None if result.doubt is None else number_of(result.doubt, name)
    if one is None:
        return _cell()
    digits = digits_of(name)
    said = f"{written(one.low, digits)} to {written(one.high, digits)}"
    return _cell(_held(said), written(one.estimate, digits))
