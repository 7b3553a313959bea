"""The page of the cortex: the bone coloured by its thickness from two sides, and each fragment's figures.

A thickness is told only where it is known. Elsewhere stands what it is below, if that is known, and its mass,
which the blur leaves as it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from markupsafe import Markup

from planner.vocabulary import Assessment
from segmentation.vocabulary import Bone, Calibration, Floats
from viewer.report.camera import camera_on, view_axes
from viewer.report.cortex_map import cortex_svg
from viewer.report.cortex_scale import CortexScale, Told, legend_svg, scale_of, told_of
from viewer.report.drawing import written
from viewer.report.found_page import NUM, RANGE, listed, main_bone, percent, table
from viewer.report.scene import seen_from
from viewer.report.sheet import WIDTH_PX, Block, Page
from viewer.report.view_frame import posed_fragments, screw_frame

HEAD = "The cortex"

SCENE_PX = 262.0
"""Height of each picture. Our choice."""

SMALLEST_SCALE_PX = 4.0
"""A bone that is whole only at fewer px per mm is shown around the screw. Our choice."""

ROOM_FRACTION = 0.93
"""The bone is drawn this much smaller than it could be, to keep clear of the body's directions."""

LONG_RATIO = 1.3
"""A bone is long when it spreads so many times as far along itself as across. Our choice."""

SEEN_ALONG_FACTOR = 0.5
"""A bone is not laid along the picture when it points towards the reader more than this (60°). Our choice."""

MM_PER_CM = 10

NOTHING = "not measured"

LOW_PERCENT, HIGH_PERCENT = 5, 95


def cortex_pages(bone: Bone, assessment: Assessment, title: str, *, as_scanned: bool) -> list[Page]:
    """The cortex of the first screw's bone, or of the bone of the first fragment; none where none was
    measured."""
    own_bone = main_bone(bone, assessment)
    posed = [one for one in posed_fragments(bone, as_scanned=as_scanned) if one.bone == own_bone]
    if all(bone.fragment(one.number).cortex is None for one in posed):
        return []
    told = {one.number: told_of(bone, bone.fragment(one.number)) for one in posed}
    scale = scale_of(list(told.values()))
    screws = [screw for screw in assessment.screws if screw.bone_name == own_bone]
    if screws:
        right, up = view_axes(screw_frame(screws[0]))
    else:
        right, up = np.array([-1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    right, up = _lying(np.concatenate([one.vertices_mm for one in posed]), right, up)
    blocks: list[Block] = [_lead(list(told.values()), own_bone)]
    for way in (right, -right):
        camera = camera_on(way, up, posed, None, WIDTH_PX, SCENE_PX)
        if screws and camera.scale_px < SMALLEST_SCALE_PX:
            camera = camera_on(way, up, posed, screws[0], WIDTH_PX, SCENE_PX)
        camera = replace(camera, scale_px=ROOM_FRACTION * camera.scale_px)
        svg = cortex_svg([(one, told[one.number]) for one in posed], screws, scale, camera)
        blocks.append({"kind": "drawing", "svg": Markup(svg)})
        blocks.append({"kind": "figure", "bold": f"The {own_bone} from {seen_from(camera)}.", "words": ""})
    unmeasured = any(scale.unmeasured(one).any() for one in told.values())
    legend = legend_svg(scale, unmeasured=unmeasured, width_px=WIDTH_PX)
    blocks.append({"kind": "drawing", "svg": Markup(legend)})
    fragments, others = listed(bone)
    rows = [(fragment.name, told.get(fragment.number) or told_of(bone, fragment)) for fragment in fragments]
    blocks.append(_table(rows, others, scale, bone.calibration if bone.host == "bone" else None))
    return [Page(HEAD, f"thickness of the {own_bone}'s cortex, where it is known", title, blocks)]


def _lying(vertices_mm: Floats, right: Floats, up: Floats) -> tuple[Floats, Floats]:
    """Right and up of the picture, turned so that a long bone lies along it, seen from the same side."""
    spread, ways = np.linalg.eigh(np.cov((vertices_mm - vertices_mm.mean(axis=0)).T))
    along = ways[:, 2] * (1 if ways[:, 2] @ right >= 0 else -1)
    toward = np.cross(right, up)
    toward = toward - (toward @ along) * along
    if spread[2] < LONG_RATIO**2 * spread[1] or np.linalg.norm(toward) < SEEN_ALONG_FACTOR:
        return right, up
    return along, np.asarray(np.cross(toward / np.linalg.norm(toward), along))


def _lead(told: list[Told], own_bone: str) -> Block:
    known = percent(float(np.concatenate([np.isfinite(one.thickness_mm) for one in told]).mean()))
    return {
        "kind": "lead",
        "bold": f"The {own_bone}'s cortex is known at {known} of its points.",
        "words": "What is not known is hatched, never coloured: thin cortex, the face of a fracture or a "
        "cut, and where the scan ends.",
        "stop": False,
    }


def _table(told: list[tuple[str, Told]], others: str, scale: CortexScale, line: Calibration | None) -> Block:
    unit = "HU·mm" if line is None else "mg HA/cm²"
    thin = "thin, not<br>measured" if scale.thin_mm is None else f"below<br>{written(scale.thin_mm)} mm"
    heads = [("fragment", ""), ("known", NUM), ("median<br>mm", NUM), ("5 to 95 %<br>mm", RANGE)]
    heads += [(thin, RANGE), ("not<br>measured", RANGE), (f"mass, median<br>{unit}", NUM)]
    heads += [(f"5 to 95 %<br>{unit}", RANGE)]
    rows = [_row(name, one, scale, line) for name, one in told]
    foot = (
        "Median and range of the known places only: the thinnest are missing there, so they lean thick. A "
        "fracture's face has no cortex: what was fitted there counts as not measured. Mass: grey value above "
        f"its surroundings times thickness, wherever an edge was found, thin cortex included. {others}"
    )
    if line is not None:
        foot += f"Error of the mass's scale: {percent(line.standard_error_fraction)}."
    return table("Fragment by fragment", "share of the points", heads, rows, foot.strip())


def _row(name: str, told: Told, scale: CortexScale, line: Calibration | None) -> list[str]:
    known, bounds = (values[np.isfinite(values)] for values in (told.thickness_mm, told.bound_mm))
    thickness = _middle(known, 1)
    if thickness is None:
        at_most = NOTHING
        if len(bounds):
            at_most = f"below {written(float(np.percentile(bounds, HIGH_PERCENT)))}"
        thickness = (at_most, "")
    mass = told.mass_hu_mm[np.isfinite(told.mass_hu_mm)]
    if line is not None:
        mass = mass * line.slope_mg_cm3_per_hu / MM_PER_CM
    shares = (len(known) / len(told.thickness_mm), scale.thin(told).mean(), scale.unmeasured(told).mean())
    known_words, thin_words, unmeasured_words = (percent(float(share)) for share in shares)
    return [name, known_words, *thickness, thin_words, unmeasured_words, *(_middle(mass, 0) or (NOTHING, ""))]


def _middle(values: Floats, digits: int) -> tuple[str, str] | None:
    """Median and the range of most, as words; None of nothing."""
    if not len(values):
        return None
    low, median, high = (
        written(float(value), digits) for value in np.percentile(values, [LOW_PERCENT, 50, HIGH_PERCENT])
    )
    return median, f"{low} to {high}"
