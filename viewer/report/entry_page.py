"""The sheet of one screw that shows what every entry of its bone could reach.

The bone is seen from two opposite sides, coloured by the best hold of a screw of the same family that keeps
every limit, the others of the plan where they stand; in words stands how it was looked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from markupsafe import Markup

from planner.entry_map import EntryMap
from planner.finding_mechanics import VERY_OBLIQUE_DEGREE
from planner.limits import Limits
from planner.search_lines import STEEPEST_DEGREE
from planner.vocabulary import Assessment
from segmentation.vocabulary import Floats
from viewer.drawn_words import LIMITS
from viewer.report.camera import camera_on
from viewer.report.drawing import written
from viewer.report.entry_picture import MappedBone, entry_picture
from viewer.report.entry_scale import key_svg, scale_of
from viewer.report.scene import seen_from
from viewer.report.sheet import WIDTH_PX, Block, Page
from viewer.report.subject import Subject
from viewer.report.view_frame import ScrewFrame, direction_words, squared_up

SCENE_PX = 290.0
"""Height of each picture. Our choice: two, the key and the words fill a sheet."""

ENTRY_YAW_DEGREE = 45.0
"""How far the view is turned from the screw's side towards its head. Our choice: the entry faces the reader,
and a bone that runs along the screw keeps 70 % of its length."""

ROOM_FRACTION = 0.93
"""The bone is drawn this much smaller than it could be, to keep clear of the body's directions."""

SMALLEST_SCALE_PX = 4.0
"""A bone that is whole only at fewer px per mm is shown around the screw. Our choice, as for the cortex."""

REASONS_COUNT = 3
"""So many limits are told that excluded most. Our choice."""

NOT_MEASURED = (
    "These numbers choose where to look; they are not those of 'measure': the search takes fewer lines "
    "through the thread, keeps limits by a little more, prefers room between holds within 2 %, and a better "
    "direction may lie between those it looked in. Put the screw in the plan and measure it before it is "
    "believed."
)
"""What the numbers of the map are."""

KEPT = (
    "joint_clearance_mm",
    "leading_end_clearance_mm",
    "body_clearance_mm",
    "trailing_end_buried_mm",
    "tip_through_far_cortex_mm",
    "threads_beyond_fracture_count",
)
"""Limits that the map holds a screw against, beside bone in the way and other screws."""


def entry_pages(subject: Subject, assessment: Assessment, told: EntryMap, title: str) -> list[Page]:
    """The sheet of ``subject``'s screw, for which ``told`` was made with its family and the others kept."""
    bone, scale = MappedBone(subject.own, told), scale_of(told)
    screws = {
        number: one
        for number, one in enumerate(assessment.screws, start=1)
        if one.bone_name == subject.result.bone_name
    }
    blocks: list[Block] = [_lead(subject, told)]
    seen, kinds, best_seen = frozenset[str](), frozenset[int](), False
    right, up = _axes(subject.frame)
    for way in (right, -right):
        camera = camera_on(way, up, subject.own, None, WIDTH_PX, SCENE_PX)
        if camera.scale_px < SMALLEST_SCALE_PX:
            camera = camera_on(way, up, subject.own, subject.result, WIDTH_PX, SCENE_PX)
        camera = replace(camera, scale_px=ROOM_FRACTION * camera.scale_px)
        drawn = entry_picture(bone, screws, scale, camera)
        seen, kinds = seen | drawn.screws, kinds | drawn.kinds
        best_seen = best_seen or drawn.best
        blocks.append({"kind": "drawing", "svg": Markup(drawn.svg)})
        blocks.append(
            {"kind": "figure", "bold": f"The {told.bone_name} from {seen_from(camera)}.", "words": ""}
        )
    blocks.append({"kind": "drawing", "svg": Markup(key_svg(scale, kinds, WIDTH_PX))})
    hidden = [f"the entry of {one.placed.name}" for one in screws.values() if one.placed.name not in seen]
    hidden += ["the best entry"] if told.top is not None and not best_seen else []
    blocks += _words(told, subject.limits, [one.placed.name for one in subject.others], hidden)
    return [Page(subject.result.placed.name, "what each entry could reach", title, blocks)]


def _axes(frame: ScrewFrame) -> tuple[Floats, Floats]:
    """Right and up of the first picture; the other looks from the opposite side."""
    yaw = np.radians(ENTRY_YAW_DEGREE)
    toward = np.cos(yaw) * frame.toward - np.sin(yaw) * frame.along
    up = squared_up(toward)
    return np.asarray(np.cross(up, toward)), up


def _lead(subject: Subject, told: EntryMap) -> Block:
    family = subject.result.placed.screw.name
    top = told.top
    if top is None:
        bold = f"From no entry of the {told.bone_name} a {family} keeps every limit."
        return {
            "kind": "lead",
            "bold": bold,
            "words": f"What excluded most: {_reasons(told)}.",
            "stop": False,
        }
    entry_mm = told.at.points_mm[top]
    away = entry_mm - subject.result.entry_mm
    away_mm = float(np.linalg.norm(away))
    bold = f"The best entry reaches {_value(told, top)} with {told.best.length_mm[top]:g} mm."
    near = int(np.argmin(np.linalg.norm(told.at.points_mm - subject.result.entry_mm, axis=1)))
    said = f"It lies {written(away_mm)} mm from the planned one"
    said += f", towards {direction_words(away)}" if away_mm > told.spacing_mm else ""
    said += f", at {', '.join(written(x) for x in entry_mm.tolist())} mm. "
    said += "The entry looked at nearest to the planned "
    if told.reached[near]:
        said += f"one reaches {_value(told, near)} with {told.best.length_mm[near]:g} mm."
    elif told.near_joint[near]:
        said += "one is nearer to the joint than the limit."
    else:
        said += "one reaches nothing: no screw keeps every limit from there."
    return {"kind": "lead", "bold": bold, "words": said, "stop": False}


def _value(told: EntryMap, place: int) -> str:
    return f"{written(float(told.best.value[place]), 0)} {'N' if told.in_n else 'HU'}"


def _words(told: EntryMap, limits: Limits, others: list[str], hidden: list[str]) -> Iterator[Block]:
    """How it was looked: entries, screws, limits, and what the numbers are."""
    count, near_count, reached_count = len(told.fragment), int(told.near_joint.sum()), int(told.reached.sum())
    looked = f"{count:,} entries about {written(told.spacing_mm)} mm apart over the outer surface"
    looked += f", {near_count:,} of them nearer to the joint than the limit" if near_count else ""
    looked += f"; from {reached_count:,} a screw keeps every limit. Directions {told.turn_degree:g}° apart, "
    looked += (
        f"at most {STEEPEST_DEGREE:.0f}° off square to the surface, and from those that come nearest by "
    )
    looked += f"turns down to {told.finest_degree:g}°; {told.evaluated_count:,} candidates"
    looked += f". What excluded most: {_reasons(told)}." if told.excluded else "."
    looked += f" Hidden here or outside the pictures: {', '.join(hidden)}." if hidden else ""
    yield {"kind": "figure", "bold": "Looked at:", "words": looked}
    screw = told.screws[0]
    lengths = ", ".join(f"{length:g}" for length in screw.stocked_lengths_mm)
    yield {"kind": "figure", "bold": "With:", "words": f"{screw.name} of {lengths} mm. {_stays(others)}"}
    kept = [
        f"{LIMITS[name]} {getattr(limits, name):g}{'' if name.endswith('_count') else ' mm'}" for name in KEPT
    ]
    kept.append(f"bone in the way {limits.in_the_way_mm:g} mm")
    kept.append(f"between screws {limits.between_screws_mm:g} mm")
    said = ", ".join(kept) + ", each where it applies to the screw"
    said += f"; a fracture crossed no more than {VERY_OBLIQUE_DEGREE:.0f}° off square. "
    yield {"kind": "figure", "bold": "Kept:", "words": said + NOT_MEASURED}


def _stays(others: list[str]) -> str:
    if not others:
        return "No other screw is in the plan."
    return f"The others of the plan stay where they are: {', '.join(others)}."


def _reasons(told: EntryMap) -> str:
    most = sorted(told.excluded.items(), key=lambda one: -one[1])[:REASONS_COUNT]
    return "; ".join(f"{words} ({100 * share:.0f} %)" for words, share in most)
