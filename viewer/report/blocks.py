"""What stands on which page: blocks in order, and how much room each is likely to take.

Heights are estimated from letter widths so that nothing runs off a sheet; where an estimate falls short the page grows
and the printer breaks it, so that no finding can be lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

from markupsafe import Markup

from planner.vocabulary import Assessment, Interval
from segmentation.vocabulary import Bone
from viewer.report import words
from viewer.report.drawing import BODY, PX_PER_MM, SMALL, line, picture, rect, text_width, written
from viewer.report.ruler import Ruler, rulers
from viewer.report.scene import bare_scene_svg, scene_svg
from viewer.report.section import WINDOW_HU
from viewer.report.stations import station_svg, stations_of
from viewer.report.strip import AXIS_PX, BONE_PX, LANE_GAP_PX, TOP_PX, strip_svg
from viewer.report.subject import Subject
from viewer.report.tokens import INK, INK_3
from viewer.report.view_frame import posed_fragments

WIDTH_PX = 182 * PX_PER_MM
"""Width of the text: A4 less two margins of 14 mm."""

ROOM_PX = 297 * PX_PER_MM - 23 * PX_PER_MM - 30 - 36
"""Height for blocks: A4 less margins, header and footer."""

GAP_PX = 3 * PX_PER_MM
"""Gap between two blocks."""

DENSITY_PX, DENSITY_ROWS_PX = 62.0, 44.0
"""Height of the density lane in a strip of one row and of two. Our choice."""

STATION_SIDE_PX, STATION_ROWS_SIDE_PX = 134.0, 104.0
"""Diameter of an end view beside a strip of one row and of two. Our choice."""

TALLEST_SCENE_PX, SMALLEST_SCENE_PX = 275.0, 170.0
"""Height of the bone's picture. Our choice."""

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


def strip_page(subject: Subject, assessment: Assessment, title: str) -> Page:
    """Summary, bone, depth strip, end views."""
    result = subject.result
    count = len(assessment.screws)
    stop = words.has_stop(result)
    lead = {
        "kind": "lead",
        "bold": f"{result.placed.name}: {words.title_words(result)}.",
        "words": words.summary_words(result),
        "stop": stop,
    }
    rows = rulers(subject, WIDTH_PX)
    density_px = DENSITY_PX if len(rows) == 1 else DENSITY_ROWS_PX
    side_px = STATION_SIDE_PX if len(rows) == 1 else STATION_ROWS_SIDE_PX
    stations = stations_of(subject)
    strips = [strip_svg(subject, row, stations, density_px=density_px, width_px=WIDTH_PX) for row in rows]
    strip_px = sum(_strip_height(row, density_px) + GAP_PX for row in rows)
    caption = _strip_caption(subject, rows)
    used_px = strip_px + side_px + 34 + GAP_PX + 5 * GAP_PX
    used_px += _text_height(lead["bold"] + lead["words"], 13, WIDTH_PX, 18)
    used_px += _text_height(caption, SMALL, WIDTH_PX, SMALL_ROW_PX) + 2 * SMALL_ROW_PX
    scene_px = min(max(ROOM_PX - used_px, SMALLEST_SCENE_PX), TALLEST_SCENE_PX)
    scene, seen_from = scene_svg(subject, width_px=WIDTH_PX, height_px=scene_px)
    blocks: list[Block] = [lead, {"kind": "drawing", "svg": Markup(scene)}]
    blocks.append({"kind": "figure", "bold": seen_from, "words": _scene_caption(subject)})
    blocks += [{"kind": "drawing", "svg": Markup(strip)} for strip in strips]
    half_mm = rows[0].half_mm
    views = []
    for station in stations:
        svg, clear = station_svg(subject, station, half_mm=half_mm, scale_px=side_px / 2 / half_mm)
        first = f"at {written(station.depth_mm)} mm, {station.part}"
        views.append({"svg": Markup(svg), "letter": station.letter, "first": first, "second": clear})
    blocks.append({"kind": "stations", "stations": views})
    blocks.append({"kind": "figure", "bold": "The depth strip.", "words": caption})
    plan = f"plan of {count} screw{'s' if count != 1 else ''}"
    return Page(title, plan, f"screw {subject.number} of {count}", blocks)


def unplanned_page(bone: Bone, title: str, *, as_scanned: bool) -> Page:
    """The bone alone, for a plan without screws."""
    posed = posed_fragments(bone, as_scanned=as_scanned)
    scene, seen_from = bare_scene_svg(bone, posed, width_px=WIDTH_PX, height_px=TALLEST_SCENE_PX * 1.6)
    lead = {
        "kind": "lead",
        "bold": "The plan holds no screw.",
        "words": "There is nothing to measure yet.",
        "stop": False,
    }
    figure = {"kind": "figure", "bold": seen_from, "words": "Fragments differ in hatch and name."}
    return Page(title, "plan of 0 screws", "", [lead, {"kind": "drawing", "svg": Markup(scene)}, figure])


def figure_pages(subject: Subject, assessment: Assessment, title: str) -> list[Page]:
    """The figures of one screw; after the first screw's also where all figures come from."""
    result = subject.result
    unit = "mg/cm³" if subject.bone.host == "foam" else "mg HA/cm³"
    stop = words.has_stop(result)
    measures: Block = {
        "kind": "measures",
        "clearances": words.clearance_rows(result),
        "geometry": words.geometry_rows(result),
        "layers": [_density_class(row) for row in words.layer_rows(result)],
        "unit": unit,
    }
    height = ROW_PX * max(
        len(measures["clearances"]) + len(measures["layers"]) + 4, len(measures["geometry"]) + 1
    )
    fragments = _fragment_block(subject, unit, stop=stop)
    blocks: list[tuple[Block, float]] = []
    findings = _finding_blocks(subject)
    if stop:
        blocks += findings
    blocks.append((fragments, 50 + 1.6 * ROW_PX * len(fragments["rows"])))
    blocks.append((measures, height + 40))
    if not stop:
        blocks += findings
    blocks.append(_check_block(words.check_words(result)))
    if subject.number == 1:
        blocks += _provenance_blocks(subject.bone, assessment)
    return _paged(blocks, result.placed.name, words.title_words(result), title)


def provenance_pages(bone: Bone, assessment: Assessment, title: str) -> list[Page]:
    """Where the figures come from, on pages of its own."""
    return _paged(_provenance_blocks(bone, assessment), "Provenance", "", title)


def _paged(blocks: list[tuple[Block, float]], head: str, sub: str, side: str) -> list[Page]:
    """Blocks dealt onto pages so that each fits."""
    pages: list[list[Block]] = [[]]
    left_px = ROOM_PX
    for block, height_px in blocks:
        if pages[-1] and height_px + GAP_PX > left_px:
            pages.append([])
            left_px = ROOM_PX
        pages[-1].append(block)
        left_px -= height_px + GAP_PX
    return [Page(head, sub, side, page) for page in pages]


def _text_height(said: str, size: float, width_px: float, line_px: float) -> float:
    return ceil(text_width(said, size) * 1.03 / width_px + 0.2) * line_px


def _strip_height(row: Ruler, density_px: float) -> float:
    return TOP_PX + row.section_px + 2 * LANE_GAP_PX + BONE_PX + density_px + AXIS_PX


def _scene_caption(subject: Subject) -> str:
    said = [
        "A parallel view: the bar holds for lengths in the picture's plane. Fine rings lie every 5 mm of depth."
    ]
    said.append("Fragments differ in hatch and name; a tooth has the colour of the fragment it bites in.")
    if subject.bone.joint is not None:
        said.append("Dotted: joint surface.")
    if len({fragment.bone for fragment in subject.posed}) > 1:
        said.append("Other bones are ghosts.")
    if subject.others:
        said.append("Broken outlines: the plan's other screws.")
    return " ".join(said)


def _strip_caption(subject: Subject, rows: list[Ruler]) -> str:
    low, high = (written(value, 0) for value in WINDOW_HU)
    scale = rows[0].scale_px / PX_PER_MM
    said = [
        f"Drawn {written(scale)} : 1 on A4 in both directions{', in two rows' if len(rows) > 1 else ''}; depth runs from "
        f"the entry. Top: CT in the plane of the axis, window {low} to {high} HU, with the screw's true profile; filled "
        "teeth bite, in the colour of their fragment, hollow ones do not."
    ]
    bone = "Bone: what the drill meets; dark caps are the cortices (inner edge broken below 1.5 mm: not reliable)"
    if len(subject.result.fragments) > 1:
        bone += ", a zigzag is a fracture's edge"
    if subject.result.gliding_hole_to_mm is not None:
        bone += ", white between two lines is the gliding hole"
    said.append(bone + ".")
    if subject.bone.calibration is None:
        said.append("HU instead of density, for want of a calibration:")
    else:
        said.append("Density, with the calibration's standard error as a band:")
    said.append(
        "full line, ring between core and major diameter; dotted, on the axis; thread shaded, one notch a thread."
    )
    said.append("Triangles: the tip with each stocked length; hollow and struck, it would leave the bone.")
    said.append(
        "a to d: across the screw, seen from its head; dashed major, full core diameter; chain line: the strip's plane; "
        "figure: from the thread's rim to the nearest surface in that plane, a fracture's face included."
    )
    return " ".join(said)


def _fragment_block(subject: Subject, unit: str, *, stop: bool) -> Block:
    result = subject.result
    holds = [fragment.pullout_n for fragment in result.fragments]
    longest_n = max((hold.high for hold in holds if hold is not None), default=1.0)
    rows = []
    for fragment in result.fragments:
        row = _density_class(words.fragment_row(result, fragment))
        row["swatch"] = Markup(_swatch(subject.rank(fragment.fragment)))
        hold = fragment.pullout_n
        row["bar"] = Markup(
            "" if hold is None else _hold_bar(subject.rank(fragment.fragment), hold, longest_n, muted=stop)
        )
        rows.append(row)
    note = (
        "forces not for comparison while a stop stands"
        if stop
        else "hold from density: see below for the law"
    )
    return {"kind": "fragments", "rows": rows, "unit": unit, "stop": stop, "note": note}


def _density_class(row: dict[str, Any]) -> dict[str, Any]:
    """A figure stands at the right, a reason reads as words."""
    figure = row["density"].lstrip("−").replace(".", "").isdigit()
    return {**row, "density_class": "num" if figure else "why"}


def _swatch(rank: int) -> str:
    inside = rect(0.5, 0.5, 15, 9, f"url(#fragment-{rank})", stroke=INK, stroke_width="0.8")
    return picture(16, 10, inside, f"hatch of fragment {rank}").replace("<svg ", '<svg class="swatch" ', 1)


def _hold_bar(rank: int, hold: Interval, longest_n: float, *, muted: bool) -> str:
    """The estimate as a hatched bar from 0 N and its interval as a whisker; hollow while a stop stands."""
    width, middle = 36 * PX_PER_MM - 8, 8.0
    scale = (width - 4) / longest_n
    ink = INK_3 if muted else INK
    fill = "none" if muted else f"url(#fragment-{rank})"
    low, high = 1 + hold.low * scale, 1 + hold.high * scale
    named = {"stroke_dasharray": "3 2"} if muted else {}
    inside = rect(1, middle - 4, hold.estimate * scale, 8, fill, stroke=ink, stroke_width="0.8", **named)
    inside += line(low, middle, high, middle, ink, 1.4)
    inside += "".join(line(x, middle - 4, x, middle + 4, ink, 1.4) for x in (low, high))
    inside += line(1, 0, 1, 2 * middle, ink, 1.4)
    return picture(width, 2 * middle, inside, f"{hold.estimate:.0f} N")


def _finding_blocks(subject: Subject) -> list[tuple[Block, float]]:
    """Findings, as many to a block as fit a page, each with its facts in small type."""
    rows = words.finding_rows(subject.result)
    note = words.counted_words(subject.result.findings)
    blocks: list[tuple[Block, float]] = []
    block: Block = {"kind": "findings", "rows": [], "note": note}
    height = 24.0
    for row in rows:
        facts = "; ".join(
            part for part in (row["value"], row["limit"], f"source: {row['source']}", row["code"]) if part
        )
        row = {**row, "facts": facts}
        room_px = WIDTH_PX - 17 * PX_PER_MM
        needs = (
            _text_height(row["message"], BODY, room_px, 15.2)
            + _text_height(facts, SMALL, room_px, SMALL_ROW_PX)
            + 9
        )
        if block["rows"] and height + needs > ROOM_PX / 2:
            blocks.append((block, height))
            block, height = {"kind": "findings", "rows": [], "note": "continued"}, 24.0
        block["rows"].append(row)
        height += needs
    if block["rows"] or not blocks:
        blocks.append((block, height))
    return blocks


def _check_block(said: str) -> tuple[Block, float]:
    return {"kind": "check", "words": said}, _text_height(said, BODY, WIDTH_PX - 20, 15.2) + 6


def _provenance_blocks(bone: Bone, assessment: Assessment) -> list[tuple[Block, float]]:
    removed = [
        f"{found.what}, {found.volume_mm3:.0f} mm³ at ({', '.join(written(float(x), 0) for x in found.centre_mm)})"
        for found in bone.segmentation.removed
    ]
    rows = [*words.provenance_rows(assessment, removed=removed), ("definitions", words.DEFINITIONS)]
    room_px = WIDTH_PX - 25 * PX_PER_MM
    height = 24 + sum(_text_height(value, SMALL, room_px, SMALL_ROW_PX) + 1 for _, value in rows)
    return [({"kind": "provenance", "rows": rows}, height)]
