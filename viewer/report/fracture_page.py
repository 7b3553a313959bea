"""The pages of the fragments: labels on three cuts, each fracture with a map of its gap, and the joints.

All as scanned, with the figures of ``bone.json``. Shown only where a fracture or a joint was found.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from planner.vocabulary import Assessment
from segmentation.asked import Seed
from segmentation.vocabulary import Bone, Floats, FractureSurface, Fragment, Surface
from viewer.report.camera import camera_on
from viewer.report.drawing import BODY, SMALL, written
from viewer.report.found_page import (
    CUT_GAP_PX,
    CUT_WORDS_PX,
    NUM,
    figure,
    main_bone,
    percent,
    places_words,
    table,
    table_height,
)
from viewer.report.gap_map import (
    LEGEND_PX,
    UNMEASURED,
    GapScale,
    gap_legend_svg,
    gap_map_svg,
    gap_scale,
    kinds_of,
)
from viewer.report.label_cuts import guessed_on_cuts, label_cuts, seeds_on_cuts
from viewer.report.overlay import LARGEST_HALF_MM, ROOM_MM, half_side_mm
from viewer.report.scene import posed_scene_svg, seen_from
from viewer.report.seed_marks import IN_THE_CUT_MM, SeedMark
from viewer.report.sheet import (
    GAP_PX,
    ROW_PX,
    SMALL_ROW_PX,
    WIDTH_PX,
    Block,
    Page,
    paged,
    text_height,
)
from viewer.report.view_frame import BODY_DIRECTIONS, posed_fragments, squared_up
from viewer.report.words import capital, ended

FRACTURES_HEAD, JOINTS_HEAD = "Fragments and fractures", "Bones and joints"

COLUMN_PX = (WIDTH_PX - 2 * CUT_GAP_PX) / 2
"""Width of a picture beside its table: half the text less the gap of page.css (7 mm), rounded down."""

MAP_PX, JOINT_SCENE_PX = 196.0, 250.0
"""Heights of a gap map and of the picture of the joints. Our choice."""

UNMEASURED_ROWS_COUNT = 12
"""Fractures without a gap that are listed one by one, the largest first; bone.json has them all."""

JOINT_ROWS_COUNT = 24
"""Joints listed one by one, the largest first; bone.json has them all."""

NAMED_SEEDS_COUNT = 12
"""Seeds on no cut that are named; bone.json has them all."""

CLEARLY_MORE_FACTOR = 1.5
"""The joints are seen from the front unless another side sees so many times as much of them. Our choice."""


def fracture_pages(bone: Bone, assessment: Assessment, title: str) -> list[Page]:
    """Fragments, fractures and joints; none where neither fracture nor joint was found."""
    if not (bone.fractures or bone.joints):
        return []
    own_bone = broken_bone(bone, assessment)
    blocks: list[tuple[Block, float]] = [_lead(bone, own_bone), _cuts(bone, own_bone)]
    measured = [one for one in bone.fractures if one.gap_median_mm is not None]
    if measured:
        scale = gap_scale(measured)
        crossed = any((kinds_of(one) == UNMEASURED).any() for one in measured)
        legend = gap_legend_svg(scale, measured[0].contact_below_mm, unmeasured=crossed, width_px=WIDTH_PX)
        blocks.append(({"kind": "drawing", "svg": Markup(legend)}, LEGEND_PX))
        blocks += [_gap_block(bone, one, scale) for one in measured]
    if len(measured) < len(bone.fractures):
        blocks.append(_unmeasured(bone))
    if bone.joints:
        blocks.append(_joints(bone, own_bone))
    head = FRACTURES_HEAD if bone.fractures else JOINTS_HEAD
    return paged(blocks, head, "as scanned", title)


def broken_bone(bone: Bone, assessment: Assessment) -> str:
    """The bone in most pieces; of several the first screw's."""
    names = [fragment.bone for fragment in bone.fragments]
    first = main_bone(bone, assessment)
    return max(dict.fromkeys(names), key=lambda name: (names.count(name), name == first))


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _lead(bone: Bone, own_bone: str) -> tuple[Block, float]:
    own = [one for one in bone.fragments if one.bone == own_bone]
    bold = f"{capital(own_bone)}: {_counted(len(own), 'piece', 'pieces')}."
    said = _counted(len(bone.fractures), "fracture surface", "fracture surfaces") + " between fragments, "
    said += _counted(len(bone.joints), "joint surface", "joint surfaces") + " found or marked. "
    said += (
        "What was told apart wrongly gives a wrong fracture: look at the labels first. "
        "All figures are as scanned."
    )
    lead: Block = {"kind": "lead", "bold": bold, "words": said, "stop": False}
    return lead, text_height(bold + said, 13, WIDTH_PX, 18)


def _middle(bone: Bone, own_bone: str) -> tuple[Floats, str]:
    """Where the cuts meet: the bone's middle; its fractures', where the bone is too large for a cut."""
    vertices_mm = np.concatenate([f.surface.vertices_mm for f in bone.fragments if f.bone == own_bone])
    low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
    own = [one for one in bone.fractures if bone.fragment(one.between[0]).bone == own_bone]
    if own and float((high - low).max()) / 2 + ROOM_MM > LARGEST_HALF_MM:
        middle_mm = np.mean([one.point_mm for one in own], axis=0)
        return np.asarray(middle_mm), f"the middle of the fractures of the {own_bone}"
    return np.asarray((low + high) / 2), f"the middle of the {own_bone}"


def _cuts(bone: Bone, own_bone: str) -> tuple[Block, float]:
    """The three cuts with the labels, and whose number is whose."""
    centre_mm, through = _middle(bone, own_bone)
    own = [fragment for fragment in bone.fragments if fragment.bone == own_bone]
    side_px = (WIDTH_PX - 2 * CUT_GAP_PX) / 3
    half_mm = half_side_mm(own, centre_mm)
    cuts = label_cuts(bone, own_bone, centre_mm, half_mm, side_px)
    stations: list[dict[str, Any]] = [
        {"svg": Markup(svg), "letter": name, "first": words, "second": at}
        for (name, words, svg), at in zip(cuts, places_words(centre_mm), strict=True)
    ]
    names = ", ".join(_numbered(one) for one in bone.fragments)
    said = f"Through {through}, voxel by voxel, over the unchanged CT. Hatched: the {own_bone}"
    said += "; outlined only: other bones" if len(own) < len(bone.fragments) else ""
    seeds = _seeds_words(*seeds_on_cuts(bone, centre_mm, half_mm, side_px))
    beads = _beads_words(bone, guessed_on_cuts(bone, centre_mm, half_mm, side_px))
    caption, caption_px = figure("The labels.", f"{said}. {names}.{seeds}{beads}")
    block: Block = {"kind": "cuts", "stations": stations, "caption": caption}
    return block, side_px + CUT_WORDS_PX + GAP_PX + caption_px


def _seeds_words(marks: list[list[SeedMark]], left_out: list[Seed]) -> str:
    """What the diamonds are; nothing where no seed was set."""
    drawn = [mark for one in marks for mark in one]
    said = ""
    if drawn:
        said = " Diamonds: the seeds that were set, each on the cut it lies nearest to"
        if any(abs(mark.before_mm) > IN_THE_CUT_MM for mark in drawn):
            said += "; hollow: so far before or behind it"
        said += "."
    if left_out:
        names = list(dict.fromkeys(seed.name for seed in left_out))
        more = f" and {len(names) - NAMED_SEEDS_COUNT} more" if len(names) > NAMED_SEEDS_COUNT else ""
        said += f" {_counted(len(left_out), 'seed lies', 'seeds lie')} elsewhere: "
        said += f"{', '.join(names[:NAMED_SEEDS_COUNT])}{more}."
    return said


def _beads_words(bone: Bone, drawn: list[Floats]) -> str:
    """What the beads are; where a border is guessed but on none of the cuts, around where."""
    record = bone.segmentation.record
    if record is None or not len(record.guessed_mm):
        return ""
    if any(len(one) for one in drawn):
        return " Beads: here no gap is seen, and the border is guessed."
    middle_mm = record.guessed_mm.mean(axis=0)
    x, y, z = record.guessed_mm[np.argmin(np.linalg.norm(record.guessed_mm - middle_mm, axis=1))]
    return f" A border is guessed off these cuts, around {x:.1f}, {y:.1f}, {z:.1f}."


def _numbered(fragment: Fragment) -> str:
    """Number and name; the name alone where it is the number's."""
    named = fragment.name == f"fragment {fragment.number}"
    return fragment.name if named else f"{fragment.number} {fragment.name}"


def _pair_words(bone: Bone, fracture: FractureSurface) -> str:
    return " and ".join(_numbered(bone.fragment(number)) for number in fracture.between)


def _beside(svg: str, height_px: float, bold: str, said: str, rows: Block) -> tuple[Block, float]:
    """A picture with its words, beside a table."""
    block: Block = {"kind": "beside", "svg": Markup(svg), "bold": bold, "words": said, "table": rows}
    words_px = text_height(f"{bold} {said}", SMALL, COLUMN_PX, SMALL_ROW_PX)
    return block, max(height_px + words_px + 3, table_height(rows, COLUMN_PX))


def _gap_block(bone: Bone, fracture: FractureSurface, scale: GapScale) -> tuple[Block, float]:
    """The map of one fracture's gap beside its figures."""
    one, other = (bone.fragment(number) for number in fracture.between)
    svg = gap_map_svg(fracture, scale, COLUMN_PX, MAP_PX)
    said = f"Seen along its mean normal, from {other.name} onto {one.name}."
    if not fracture.seen.all():
        unseen = percent(float((~fracture.seen).mean()))
        said += (
            f" At {unseen} of its points no gap is seen in the grey values; the surface is carried on there."
        )
    between = f"Between {_pair_words(bone, fracture)}"
    rows = table(between, "", [("", ""), ("", NUM)], fracture_rows(fracture), _fill_words(fracture))
    return _beside(svg, MAP_PX, "The gap.", said, rows)


def fracture_rows(fracture: FractureSurface) -> list[list[str]]:
    """The figures of one fracture, as in ``bone.json``."""
    measured_mm2, contact_mm2 = fracture.measured_area_mm2, fracture.contact_area_mm2
    rows = [
        ["area", f"{written(fracture.area_mm2, 0)} mm²"],
        ["mean plane, its tilt uncertain by", f"±{written(fracture.normal_uncertainty_degree)}°"],
        ["waviness, RMS", f"{written(fracture.waviness_rms_mm, 2)} mm"],
        ["waviness, 95 % below", f"{written(fracture.waviness_p95_mm, 2)} mm"],
    ]
    gaps = (
        ("gap, median", fracture.gap_median_mm),
        ("gap, 95 % below", fracture.gap_p95_mm),
        ("gap, largest", fracture.gap_largest_mm),
    )
    rows += [[name, "not measurable" if gap is None else f"{written(gap, 2)} mm"] for name, gap in gaps]
    rows.append(["gap told on", f"{written(measured_mm2, 0)} mm²"])
    if contact_mm2 is not None:
        contact = f"{written(contact_mm2, 0)} mm²"
        rows.append([f"in contact, gap below {written(fracture.contact_below_mm)} mm", contact])
    how = "measured" if fracture.fill_measured else "assumed"
    return [*rows, ["in the gap", f"{written(fracture.fill_hu, 0)} HU, {how}"]]


def _fill_words(fracture: FractureSurface) -> str:
    if fracture.fill_measured:
        return ""
    return "The gap is too narrow to show what lies in it; denser tissue than assumed would make it wider."


def _unmeasured(bone: Bone) -> tuple[Block, float]:
    """Fractures whose gap could not be measured, with the reason."""
    none = [one for one in bone.fractures if one.gap_median_mm is None]
    ranked = sorted(none, key=lambda one: -one.area_mm2)[:UNMEASURED_ROWS_COUNT]
    heads = [
        ("between", ""),
        ("area<br>mm²", NUM),
        ("tilt uncertain<br>by, degrees", NUM),
        ("waviness, RMS<br>mm", NUM),
    ]
    rows = [
        [
            _pair_words(bone, one),
            written(one.area_mm2, 0),
            f"±{written(one.normal_uncertainty_degree)}",
            written(one.waviness_rms_mm, 2),
        ]
        for one in ranked
    ]
    reasons = dict.fromkeys(one.gap_reason for one in ranked if one.gap_reason)
    foot = " ".join(ended(capital(reason)) for reason in reasons)
    if left := len(none) - len(ranked):
        foot += f" {left} smaller ones are in bone.json."
    one_table = table("Fractures whose gap is not measurable", "no map", heads, rows, foot.strip())
    return one_table, table_height(one_table, WIDTH_PX)


def facing_side(joint: Surface | None) -> Floats:
    """Unit vector to the side of the body that sees most of a joint; the front, unless another sees clearly
    more."""
    front = np.asarray(BODY_DIRECTIONS["front"], float)
    if joint is None:
        return front
    a, b, c = (joint.vertices_mm[joint.faces[:, corner]] for corner in range(3))
    areas_mm2 = np.cross(b - a, c - a) / 2

    def seen_mm2(side: npt.ArrayLike) -> float:
        return float(np.maximum(areas_mm2 @ np.asarray(side, float), 0).sum())

    best = np.asarray(max(BODY_DIRECTIONS.values(), key=seen_mm2), float)
    return best if seen_mm2(best) > CLEARLY_MORE_FACTOR * seen_mm2(front) else front


def _joints(bone: Bone, own_bone: str) -> tuple[Block, float]:
    """The joints dotted on a bone, beside their table."""
    names = {joint.bone for joint in bone.joints}
    shown = own_bone if own_bone in names else bone.joints[0].bone
    posed = posed_fragments(bone, as_scanned=True)
    own = [one for one in posed if one.bone == shown]
    joint = bone.joint_of(shown)
    toward = facing_side(joint)
    up = squared_up(toward)
    camera = camera_on(np.cross(up, toward), up, own, None, COLUMN_PX, JOINT_SCENE_PX)
    svg = posed_scene_svg(posed, shown, camera, joint, "Bone with its joint surfaces")
    said = "Dotted: its joint surfaces, as scanned; weaker where they face away."
    ranked = sorted(bone.joints, key=lambda one: -one.area_mm2)[:JOINT_ROWS_COUNT]
    rows = [
        [one.name, one.bone, written(one.area_mm2, 0), "automatic" if one.automatic else "by hand"]
        for one in ranked
    ]
    left = len(bone.joints) - len(ranked)
    foot = (
        "The surface of the bone below the cartilage, whose thickness a CT does not show. Automatic: found "
        "from bones that face each other, joint or not; look at it."
    )
    foot += f" {left} smaller ones are in bone.json." if left else ""
    heads = [("joint", ""), ("on", ""), ("area<br>mm²", NUM), ("found", "")]
    joints = table("Joints", "", heads, rows, foot)
    block, height_px = _beside(
        svg, JOINT_SCENE_PX, f"{capital(shown)} from {seen_from(camera)}.", said, joints
    )
    # Names wrap in so narrow a column.
    name_px = sum(text_height(one.name, BODY, COLUMN_PX / 3, ROW_PX) - ROW_PX for one in ranked)
    return block, height_px + max(name_px, 0.0)
