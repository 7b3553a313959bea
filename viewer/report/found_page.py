"""The page that shows how the bone was found.

Grey values and level, blur, noise, what was measured where, what was left out, and the surface over the CT.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup

from planner.vocabulary import Assessment
from segmentation.how_found import Blur, PointSpread
from segmentation.record import shares_of
from segmentation.vocabulary import Bone, Floats, Fragment, Removed
from viewer.report.drawing import BODY, SMALL, written
from viewer.report.histogram import histogram_svg
from viewer.report.overlay import half_side_mm, overlays
from viewer.report.sheet import GAP_PX, ROW_PX, SMALL_ROW_PX, WIDTH_PX, Block, Page, paged, text_height
from viewer.report.words import capital, ended

HEADS = {"bone": "How the bone was found", "foam": "How the foam was found"}

HISTOGRAM_PX = 146.0
"""Height of the histogram. Our choice."""

CUT_GAP_PX = 14.0
"""Gap between two cuts."""

CUT_WORDS_PX = 34.0
"""Height of the words under a cut, measured in a browser."""

LISTED_COUNT = 8
"""Fragments listed one by one, the largest first; bone.json has them all. Our choice."""

KINDS_COUNT = 6
"""Kinds of removed pieces listed."""

FWHM_PER_SIGMA_RATIO = float(2 * np.sqrt(2 * np.log(2)))
"""Full width at half maximum of a Gaussian over its deviation (closed form)."""

NUM, RANGE = "num", "num range"

CELL_GAP = "   "
"""As wide as the room between two cells."""


def found_pages(bone: Bone, assessment: Assessment, title: str) -> list[Page]:
    """How the bone was found, on pages of its own."""
    facts, removed = _scan_table(bone), _removed_table(bone.segmentation.removed)
    shares = _shares_table(bone)
    pair: Block = {"kind": "pair", "left": facts, "right": removed}
    blocks: list[tuple[Block, float]] = [_lead(bone)]
    if (record := bone.segmentation.record) is not None:
        svg = histogram_svg(record, width_px=WIDTH_PX, height_px=HISTOGRAM_PX)
        blocks.append(({"kind": "drawing", "svg": Markup(svg)}, HISTOGRAM_PX))
        blocks.append(figure("Grey values.", _histogram_words(bone)))
    blocks.append(
        (pair, max(table_height(facts, WIDTH_PX / 2 - 14), table_height(removed, WIDTH_PX / 2 - 14)))
    )
    blocks.append((shares, table_height(shares, WIDTH_PX)))
    blocks.append(_cuts(bone, assessment))
    return paged(blocks, HEADS[bone.host], "the scan, the level and the surface", title)


def table(
    title: str,
    note: str,
    heads: list[tuple[str, str]],
    rows: list[list[str]],
    foot: str = "",
    *,
    small: bool = False,
) -> Block:
    """A table: each head with the class of its column; ``small`` in the type of captions."""
    told = {"title": title, "note": note, "heads": heads, "rows": rows, "foot": foot, "small": small}
    return {"kind": "table", **told}


def table_height(one: Block, width_px: float) -> float:
    """Likely height of a table: columns give way, so that a row wraps when all of it is wide."""
    lines = sum(text_height(CELL_GAP.join(row), BODY, width_px, 1) for row in one["rows"])
    headed = 2 * SMALL_ROW_PX if any(said for said, _ in one["heads"]) else 0.0
    return 24 + headed + ROW_PX * lines + text_height(one["foot"], SMALL, width_px, SMALL_ROW_PX)


def figure(bold: str, said: str) -> tuple[Block, float]:
    """A caption and its likely height."""
    height = text_height(bold + " " + said, SMALL, WIDTH_PX, SMALL_ROW_PX)
    return {"kind": "figure", "bold": bold, "words": said}, height


def _blur(bone: Bone) -> Blur | None:
    record = bone.segmentation.record
    return None if record is None else record.blur


def _lead(bone: Bone) -> tuple[Block, float]:
    taken, blur = bone.segmentation, _blur(bone)
    bold = f"{capital(bone.host)} begins at {written(taken.threshold_hu, 0)} HU."
    cortices = [fragment.cortex for fragment in bone.fragments if fragment.cortex is not None]
    if not cortices:
        said = (
            "The surface is that level itself: blur was not taken out, and no cortex was measured. "
            "A fixed level can lie 0.2 to 0.8 mm beside the true surface; look at the cuts."
        )
    else:
        known = float(np.concatenate([one.thickness_known for one in cortices]).mean())
        said = "From there each point of the surface was moved to the edge its own grey values show"
        if (measured := _measured_fraction(bone)) is not None:
            said += f", which succeeded at {percent(measured)} of the points"
        said += f". The cortex's thickness is known at {percent(known)}, elsewhere at most what it is below."
        if blur is not None and (blur.point_spread.xy_assumed or blur.point_spread.z_assumed):
            said += " The blur is assumed, so thickness is known at fewer points."
    lead: Block = {"kind": "lead", "bold": bold, "words": said, "stop": False}
    return lead, text_height(bold + said, 13, WIDTH_PX, 18)


def _measured_fraction(bone: Bone) -> float | None:
    """Share of all vertices of all fragments that lie at their own edge."""
    shares = [shares_of(fragment) for fragment in bone.fragments]
    counted = [one for one in shares if one is not None]
    if len(counted) < len(shares):
        return None
    total = sum(one.vertices_count for one in counted)
    return sum(one.measured_fraction * one.vertices_count for one in counted) / max(total, 1)


def _histogram_words(bone: Bone) -> str:
    record = bone.segmentation.record
    assert record is not None
    counted = record.histogram
    total = f"{int(counted.counts.sum()):,}".replace(",", "\u2009")
    thinned = f", every {counted.every}th along each axis" if counted.every > 1 else ""
    return (
        f"{total} voxels{thinned}, in bins of {counted.bin_hu:g} HU on a logarithmic scale; hatched: inside "
        f"the fragments, cavities included. The level: {ended(capital(bone.segmentation.threshold_reason))}"
    )


def _scan_table(bone: Bone) -> Block:
    blur = _blur(bone)
    voxel = " × ".join(f"{step:.2f}" for step in bone.ct.grid.spacing_mm)
    rows = [["voxel", f"{voxel} mm"]]
    foot = "Width of the blur at half height, the voxel's own extent included."
    if blur is None:
        why = "not kept in this case" if bone.segmentation.record is None else "not measured: a plain level"
        rows += [["blur", why], ["noise", why]]
        foot = ""
    else:
        rows += _blur_rows(blur.point_spread)
        rows.append(["noise, one deviation", f"{written(blur.noise_hu)} HU, in {blur.noise_where}"])
        foot += "".join(f" {ended(capital(note))}" for note in blur.point_spread.notes)
    return table("The scan", "", [("", ""), ("", NUM)], rows, foot)


def _blur_rows(spread: PointSpread) -> list[list[str]]:
    def width(sigma_mm: float) -> str:
        return f"{written(FWHM_PER_SIGMA_RATIO * sigma_mm, 2)} mm"

    rows = [
        [f"blur {where}", width(sigma) + (", assumed" if assumed else ", from the bone")]
        for where, sigma, assumed in (
            ("in the slice", spread.sigma_xy_mm, spread.xy_assumed),
            ("along the slices' axis", spread.sigma_z_mm, spread.z_assumed),
        )
    ]
    if spread.skin_sigma_xy_mm is None:
        rows.append(["checked on skin and air", "no such edge in the scan"])
    else:
        than = spread.skin_sigma_xy_mm / (spread.bone_sigma_xy_mm or spread.sigma_xy_mm) - 1
        compared = f"{abs(than):.0%} {'wider' if than > 0 else 'narrower'}".replace("%", " %")
        rows.append(["checked on skin and air", f"{width(spread.skin_sigma_xy_mm)}, {compared}"])
    if spread.bone_sigma_xy_mm is not None and spread.xy_assumed:
        rows.append(["what bone alone shows", width(spread.bone_sigma_xy_mm)])
    if spread.undershoot_fraction is not None:
        rows.append(["dip beside the cortex", f"{percent(spread.undershoot_fraction)} of its contrast"])
    return rows


def _removed_table(removed: tuple[Removed, ...]) -> Block:
    """What was left out, by kind, the largest first."""
    kinds: dict[str, list[Removed]] = {}
    for piece in removed:
        kinds.setdefault(piece.what, []).append(piece)
    heads = [("what", ""), ("pieces", NUM), ("mm³", NUM), ("the largest, at", RANGE)]
    rows = []
    ranked = sorted(kinds.items(), key=lambda one: -sum(piece.volume_mm3 for piece in one[1]))
    for what, pieces in ranked[:KINDS_COUNT]:
        place = max(pieces, key=lambda piece: piece.volume_mm3).centre_mm
        at = ", ".join(written(float(x), 0) for x in place)
        rows.append([what, str(len(pieces)), written(sum(p.volume_mm3 for p in pieces)), at])
    if not rows:
        return table("Left out", "", [("", "")], [["nothing"]])
    return table("Left out", "above the level, not taken for bone", heads, rows, "Places in mm, RAS.")


def listed(bone: Bone) -> tuple[list[Fragment], str]:
    """The fragments that are listed, and a sentence about the others."""
    largest = sorted(bone.fragments, key=lambda fragment: -fragment.volume_mm3)[:LISTED_COUNT]
    left = len(bone.fragments) - len(largest)
    shown = sorted(largest, key=lambda fragment: fragment.number)
    return shown, f"{left} smaller ones are in bone.json and their surfaces. " if left else ""


def _shares_table(bone: Bone) -> Block:
    heads = [("fragment", ""), ("points", NUM), ("measured at<br>their own edge", NUM)]
    heads += [("edge doubtful,<br>as neighbours", RANGE), ("no edge,<br>as neighbours", RANGE)]
    heads += [("left on<br>the level", RANGE), ("thickness<br>known", NUM)]
    rows: list[list[str]] = []
    fragments, others = listed(bone)
    for fragment in fragments:
        shares = shares_of(fragment)
        if shares is None:
            assert fragment.cortex is not None
            known = percent(float(fragment.cortex.thickness_known.mean()))
            rows.append([fragment.name, str(len(fragment.surface.vertices_mm)), *["not kept"] * 4, known])
            continue
        parts = (
            shares.measured_fraction,
            shares.repaired_fraction,
            shares.no_edge_fraction,
            shares.level_fraction,
            shares.thickness_known_fraction,
        )
        rows.append([fragment.name, str(shares.vertices_count), *(percent(part) for part in parts)])
    foot = (
        others
        + "Left on the level: cuts, closed cavities, and fragments of which too little could be measured."
    )
    return table("The surface, point by point", "share of the points", heads, rows, foot)


def percent(share_fraction: float) -> str:
    """A share for people: "0 %" only where there is none, and "100 %" only where it is all.

    >>> percent(0.004), percent(0.0), percent(0.996), percent(0.42)
    ('under 1 %', '0 %', 'over 99 %', '42 %')
    """
    said = f"{share_fraction:.0%}"[:-1]
    if said == "0" and share_fraction > 0:
        return "under 1 %"
    if said == "100" and share_fraction < 1:
        return "over 99 %"
    return f"{said} %"


def _cuts(bone: Bone, assessment: Assessment) -> tuple[Block, float]:
    """The three cuts with their caption, in one block: neither says much without the other."""
    centre_mm, own_bone, through = _middle(bone, assessment)
    own = [fragment for fragment in bone.fragments if fragment.bone == own_bone]
    half_mm = half_side_mm(own, centre_mm)
    side_px = (WIDTH_PX - 2 * CUT_GAP_PX) / 3
    stations: list[dict[str, Any]] = [
        {"svg": Markup(svg), "letter": name, "first": words, "second": at}
        for (name, words, svg), at in zip(
            overlays(bone, own_bone, centre_mm, half_mm, side_px), places_words(centre_mm), strict=True
        )
    ]
    said = f"Through {through}, over the unchanged CT. " + _line_words(bone)
    if len({fragment.bone for fragment in bone.fragments}) > 1:
        said += " Pale: other bones."
    said += " Where the line leaves the middle of the grey rim, do not trust the numbers there."
    caption, caption_px = figure("The surface on the CT.", said)
    block: Block = {"kind": "cuts", "stations": stations, "caption": caption}
    return block, side_px + CUT_WORDS_PX + GAP_PX + caption_px


def _line_words(bone: Bone) -> str:
    if all(fragment.cortex is None for fragment in bone.fragments):
        return "The line is the grey level itself; no point of it was measured."
    if any(f.cortex is not None and f.cortex.place is None for f in bone.fragments):
        return "Which points of the line were measured was not kept in this case."
    return "Full line: measured. Broken: not measured, taken from neighbours or left on the level."


def places_words(centre_mm: Floats) -> tuple[str, str, str]:
    """Where the axial, coronal and sagittal cut lies."""
    x, y, z = (written(float(value)) for value in centre_mm)
    return f"z = {z} mm", f"y = {y} mm", f"x = {x} mm"


def main_bone(bone: Bone, assessment: Assessment) -> str:
    """The first screw's bone, or the one in most pieces: a plan will be made for that."""
    if assessment.screws:
        return assessment.screws[0].bone_name
    names = [fragment.bone for fragment in bone.fragments]
    return max(names, key=names.count)


def _middle(bone: Bone, assessment: Assessment) -> tuple[Floats, str, str]:
    """Where the cuts meet, whose bone is meant, and that place in words."""
    own_bone = main_bone(bone, assessment)
    if assessment.screws:
        first = assessment.screws[0]
        middle_mm = (np.asarray(first.entry_mm) + np.asarray(first.tip_mm)) / 2
        return middle_mm, own_bone, f"the middle of screw {first.placed.name}"
    vertices = np.concatenate([f.surface.vertices_mm for f in bone.fragments if f.bone == own_bone])
    return (vertices.min(axis=0) + vertices.max(axis=0)) / 2, own_bone, f"the middle of the {own_bone}"
