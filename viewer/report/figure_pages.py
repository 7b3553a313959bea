"""The page of figures of one screw: what holds, what is clear, what to drill, what was found, and whence."""

from __future__ import annotations

from datetime import date

from markupsafe import Markup

from planner.vocabulary import Assessment, Interval
from segmentation.vocabulary import Bone
from viewer.report import words
from viewer.report.asked_block import asked_blocks
from viewer.report.drawing import BODY, PX_PER_MM, SMALL, line, picture, rect
from viewer.report.drill_block import drill_block
from viewer.report.provenance import DEFINITIONS, provenance_rows
from viewer.report.sheet import ROOM_PX, ROW_PX, SMALL_ROW_PX, WIDTH_PX, Block, Page, paged, text_height
from viewer.report.subject import Subject
from viewer.report.tokens import INK, INK_3

BAR_PX = 36 * PX_PER_MM - 8
"""Width of the bar of a pull-out force."""

RANGE_PX = 11.0
"""Height of the interval under a figure in a table."""


def figure_pages(
    subject: Subject, assessment: Assessment, title: str, made_on: date | None = None
) -> list[Page]:
    """The figures of one screw; after the first screw's also where all figures come from."""
    result = subject.result
    foam = subject.bone.host == "foam"
    unit = "mg/cm³" if foam else "mg HA/cm³"
    stop = words.has_stop(result)
    notes = words.Footnotes(result.reasons)
    measures: Block = {
        "kind": "measures",
        "clearances": words.clearance_rows(result, notes),
        "geometry": words.geometry_rows(result, notes),
        "layers": [] if foam else words.layer_rows(result, notes),
        "unit": unit,
    }
    measures["notes"] = notes.words
    height = ROW_PX * max(
        len(measures["clearances"]) + len(measures["layers"]) + 4, len(measures["geometry"]) + 1
    )
    height += RANGE_PX * sum(bool(row["outer_range"] or row["joint_range"]) for row in measures["clearances"])
    fragments = _fragment_block(subject, unit, stop=stop)
    blocks: list[tuple[Block, float]] = []
    findings = _finding_blocks(subject)
    if stop:
        blocks += findings
    notes_px = text_height(fragments["notes"], SMALL, WIDTH_PX, SMALL_ROW_PX)
    rows_px = (1.1 * ROW_PX + RANGE_PX) * len(fragments["rows"])
    blocks.append((fragments, 58 + rows_px + notes_px))
    blocks.append((measures, height + 20 + text_height(notes.words, SMALL, WIDTH_PX, SMALL_ROW_PX)))
    if not stop:
        blocks += findings
    blocks.append(drill_block(subject))
    blocks += asked_blocks(result)
    blocks.append(_check_block(words.check_words(result)))
    if subject.number == 1:
        blocks += _provenance_blocks(subject.bone, assessment, made_on)
    return paged(blocks, result.placed.name, words.title_words(result), title)


def provenance_pages(
    bone: Bone, assessment: Assessment, title: str, made_on: date | None = None
) -> list[Page]:
    """Where the figures come from, on pages of its own."""
    return paged(_provenance_blocks(bone, assessment, made_on), "Provenance", "", title)


def _fragment_block(subject: Subject, unit: str, *, stop: bool) -> Block:
    result = subject.result
    notes = words.Footnotes(result.reasons)
    holds = [words.bitten_hold(fragment) for fragment in result.fragments]
    # Thread in bone of no density holds 0 N: any scale will do for that.
    longest_n = max((hold.high for hold in holds if hold is not None), default=0.0) or 1.0
    rows = []
    for fragment, hold in zip(result.fragments, holds, strict=True):
        row = words.fragment_row(result, fragment, notes)
        row["swatch"] = Markup(swatch(subject.rank(fragment.fragment)))
        row["bar"] = Markup(
            "" if hold is None else hold_bar(subject.rank(fragment.fragment), hold, longest_n, muted=stop)
        )
        rows.append(row)
    note = "forces not for comparison while a stop stands" if stop else "hold from density: see the law below"
    below = " ".join(said for said in (words.kernel_words(result), notes.words) if said)
    return {"kind": "fragments", "rows": rows, "unit": unit, "stop": stop, "note": note, "notes": below}


def swatch(rank: int) -> str:
    """A small field in a fragment's hatch."""
    inside = rect(0.5, 0.5, 15, 9, f"url(#fragment-{rank})", stroke=INK, stroke_width="0.8")
    return picture(16, 10, inside, f"hatch of fragment {rank}").replace("<svg ", '<svg class="swatch" ', 1)


def hold_bar(rank: int, hold: Interval, longest_n: float, *, muted: bool) -> str:
    """The estimate as a hatched bar from 0 N and its interval as a whisker; hollow while a stop stands."""
    middle = 8.0
    scale = (BAR_PX - 4) / longest_n
    ink = INK_3 if muted else INK
    fill = "none" if muted else f"url(#fragment-{rank})"
    low, high = 1 + hold.low * scale, 1 + hold.high * scale
    named = {"stroke_dasharray": "3 2"} if muted else {}
    inside = rect(1, middle - 4, hold.estimate * scale, 8, fill, stroke=ink, stroke_width="0.8", **named)
    inside += line(low, middle, high, middle, ink, 1.4)
    inside += "".join(line(x, middle - 4, x, middle + 4, ink, 1.4) for x in (low, high))
    inside += line(1, 0, 1, 2 * middle, ink, 1.4)
    return picture(BAR_PX, 2 * middle, inside, f"{hold.estimate:.0f} N")


def _finding_blocks(subject: Subject) -> list[tuple[Block, float]]:
    """Findings, as many to a block as fit a page, each with its facts in small type."""
    rows = words.finding_rows(subject.result)
    note = words.counted_words(subject.result.findings)
    blocks: list[tuple[Block, float]] = []
    block: Block = {"kind": "findings", "rows": [], "note": note}
    height = 20.0
    for row in rows:
        facts = "; ".join(
            part for part in (row["value"], row["limit"], f"source: {row['source']}", row["code"]) if part
        )
        row = {**row, "facts": facts}
        room_px = WIDTH_PX - 17 * PX_PER_MM
        needs = (
            text_height(row["message"], BODY, room_px, 15.2)
            + text_height(facts, SMALL, room_px, SMALL_ROW_PX)
            + 9
        )
        if block["rows"] and height + needs > ROOM_PX / 2:
            blocks.append((block, height))
            block, height = {"kind": "findings", "rows": [], "note": "continued"}, 20.0
        block["rows"].append(row)
        height += needs
    if block["rows"] or not blocks:
        blocks.append((block, height))
    return blocks


def _check_block(said: str) -> tuple[Block, float]:
    return {"kind": "check", "words": said}, text_height(said, BODY, WIDTH_PX - 20, 15.2) + 3


def _provenance_blocks(bone: Bone, assessment: Assessment, made_on: date | None) -> list[tuple[Block, float]]:
    rows = [
        *provenance_rows(assessment, removed=bone.segmentation.removed, made_on=made_on),
        ("definitions", DEFINITIONS),
    ]
    room_px = WIDTH_PX - 25 * PX_PER_MM
    height = 24 + sum(text_height(value, SMALL, room_px, SMALL_ROW_PX) + 1 for _, value in rows)
    return [({"kind": "provenance", "rows": rows}, height)]
