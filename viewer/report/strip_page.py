"""The page of pictures of one screw: summary, bone, depth strip, end views, and their captions."""

from __future__ import annotations

from markupsafe import Markup

from planner.vocabulary import Assessment
from segmentation.vocabulary import Bone
from viewer.report import words
from viewer.report.drawing import PX_PER_MM, SMALL, written
from viewer.report.ruler import Ruler, half_height_mm, rulers
from viewer.report.scene import bare_scene_svg, scene_svg
from viewer.report.section import WINDOWS_HU
from viewer.report.sheet import GAP_PX, ROOM_PX, SMALL_ROW_PX, WIDTH_PX, Block, Page, text_height
from viewer.report.stations import Station, station_svg, stations_of
from viewer.report.strip import strip_height_px, strip_svg
from viewer.report.strip_lanes import THINNEST_CORTEX_MM, gaps
from viewer.report.subject import Subject
from viewer.report.view_frame import posed_fragments

DENSITY_PX, DENSITY_ROWS_PX = 62.0, 44.0
"""Height of the density lane in a strip of one row and of two. Our choice."""

STATION_SIDE_PX, STATION_ROWS_SIDE_PX = 134.0, 104.0
"""Diameter of an end view beside a strip of one row and of two. Our choice."""

STATION_WORDS_PX = 34.0
"""Height of the words under an end view."""

TALLEST_SCENE_PX, SMALLEST_SCENE_PX = 275.0, 130.0
"""Height of the bone's picture. Our choice."""


def strip_page(subject: Subject, assessment: Assessment, title: str) -> Page:
    """Summary, bone, depth strip, end views."""
    rows = rulers(subject, WIDTH_PX)
    one_row = len(rows) == 1
    density_px = DENSITY_PX if one_row else DENSITY_ROWS_PX
    side_px = STATION_SIDE_PX if one_row else STATION_ROWS_SIDE_PX
    stations = stations_of(subject)
    lead = _lead(subject)
    caption = _strip_caption(subject, rows)
    used_px = text_height(lead["bold"] + lead["words"], 13, WIDTH_PX, 18)
    used_px += sum(strip_height_px(row, density_px) for row in rows) + side_px + STATION_WORDS_PX
    used_px += text_height(caption, SMALL, WIDTH_PX, SMALL_ROW_PX) + 2 * SMALL_ROW_PX
    used_px += (4 + len(rows)) * GAP_PX
    scene_px = min(max(ROOM_PX - used_px, SMALLEST_SCENE_PX), TALLEST_SCENE_PX)
    scene, seen_from = scene_svg(subject, width_px=WIDTH_PX, height_px=scene_px)
    strips = [strip_svg(subject, row, stations, density_px=density_px, width_px=WIDTH_PX) for row in rows]
    blocks: list[Block] = [
        lead,
        {"kind": "drawing", "svg": Markup(scene)},
        {"kind": "figure", "bold": seen_from, "words": _scene_caption(subject)},
        *({"kind": "drawing", "svg": Markup(strip)} for strip in strips),
        {"kind": "stations", "stations": [_end_view(subject, station, side_px) for station in stations]},
        {"kind": "figure", "bold": "The depth strip.", "words": caption},
    ]
    count = len(assessment.screws)
    plan = f"plan of {count} screw{'s' if count != 1 else ''}"
    return Page(title, plan, f"screw {subject.number} of {count}", blocks)


def unplanned_page(bone: Bone, title: str, *, as_scanned: bool) -> Page:
    """The bone alone, for a plan without screws."""
    posed = posed_fragments(bone, as_scanned=as_scanned)
    scene, seen_from = bare_scene_svg(bone, posed, width_px=WIDTH_PX, height_px=TALLEST_SCENE_PX * 1.6)
    nothing = "There is nothing to measure yet."
    lead = {"kind": "lead", "bold": "The plan holds no screw.", "words": nothing, "stop": False}
    figure = {"kind": "figure", "bold": seen_from, "words": "Fragments differ in hatch and name."}
    return Page(title, "plan of 0 screws", "", [lead, {"kind": "drawing", "svg": Markup(scene)}, figure])


def _lead(subject: Subject) -> Block:
    result = subject.result
    return {
        "kind": "lead",
        "bold": f"{result.placed.name}: {words.title_words(result)}.",
        "words": words.summary_words(result),
        "stop": words.has_stop(result),
    }


def _end_view(subject: Subject, station: Station, side_px: float) -> dict[str, object]:
    half_mm = half_height_mm(subject)
    svg, clear = station_svg(subject, station, half_mm=half_mm, scale_px=side_px / 2 / half_mm)
    first = f"at {written(station.depth_mm)} mm, {station.part}"
    return {"svg": Markup(svg), "letter": station.letter, "first": first, "second": clear}


def _scene_caption(subject: Subject) -> str:
    said = [
        "A parallel view: the bar holds for lengths in the picture's plane.",
        "Fine rings lie every 5 mm of depth.",
        "Fragments differ in hatch and name; a tooth has the colour of the fragment it bites in.",
    ]
    if subject.bone.joint is not None:
        said.append("Dotted: joint surface.")
    if len({fragment.bone for fragment in subject.posed}) > 1:
        said.append("Other bones are ghosts.")
    if subject.others:
        said.append("Broken outlines: the plan's other screws.")
    return " ".join(said)


def _strip_caption(subject: Subject, rows: list[Ruler]) -> str:
    low, high = (written(value, 0) for value in WINDOWS_HU[subject.bone.host])
    scale = written(rows[0].scale_px / PX_PER_MM)
    in_rows = ", in two rows" if len(rows) > 1 else ""
    said = [
        f"Drawn {scale} : 1 on A4 in both directions{in_rows}; depth runs from the entry.",
        f"Top: CT in the plane of the axis, window {low} to {high} HU, with the screw's true profile;",
        "filled teeth bite, in the colour of their fragment, empty ones do not.",
        _bone_caption(subject),
        "HU instead of density, for want of a calibration:"
        if subject.bone.calibration is None
        else "Density, with the calibration's standard error as a band:",
        "full line, ring between core and major diameter; dotted, on the axis;",
        "thread shaded, one notch a thread;",
        "bar, mean over full thread (the table's density: whole path).",
        "Triangles: the tip with each stocked length; empty and struck, it would break the tip's limit.",
        "a to d: across the screw, seen from its head; dashed major, full core diameter;",
        "chain line: the strip's plane; figure: from the screw's rim to the nearest surface in that plane,",
        "a fracture's face included.",
    ]
    if words.kernel_words(subject.result):
        said.append("A sharp kernel: thin bone reads too dense.")
    if words.cut_off(subject.result):
        said.append("The scan ends before the bone.")
    return " ".join(said)


def _bone_caption(subject: Subject) -> str:
    said = "Bone: what the drill meets"
    if subject.bone.host == "bone":
        said += f"; dark caps are the cortices (inner edge broken below {THINNEST_CORTEX_MM:g} mm, "
        said += "which CT does not tell reliably)"
    kinds = {gap.is_fracture for gap in gaps(subject)}
    if True in kinds:
        said += ", a zigzag is a fracture's edge"
    if False in kinds:
        said += ", a plain gap is a hollow inside one fragment"
    if subject.result.gliding_hole_to_mm is not None:
        said += ", white between two lines is the gliding hole"
    return said + "."
