"""The page for theatre: what fluoroscopy should show of the bone and its screws, computed from the CT.

Two projections side by side to one scale, the screws drawn in; how long and how turned each screw appears in
each; and how far each entry lies from landmarks a person named, straight and along the picture's two axes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from planner.posed import moves
from planner.projection import FRONTAL_DEGREE, LATERAL_DEGREE, PlacedBones, View, placed_bones, view_from
from planner.solid import solid_of
from planner.vocabulary import Assessment, ScrewResult
from segmentation.vocabulary import Bone, Floats
from viewer.report.camera import Camera
from viewer.report.drawing import written
from viewer.report.fluoroscopy import (
    Landmark,
    Shot,
    densest_mm,
    in_picture,
    legend_svg,
    screw_ends_mm,
    shot_of,
    shot_svg,
)
from viewer.report.found_page import NUM, RANGE, figure, table, table_height
from viewer.report.scene import seen_from
from viewer.report.sheet import WIDTH_PX, Block, Page, paged, text_height
from viewer.report.view_frame import direction_letters
from viewer.report.words import capital

HEAD = "What fluoroscopy should show"

GAP_PX = 14.0
"""Between the two pictures, as between three cuts."""

SHOT_PX = (WIDTH_PX - GAP_PX) / 2
"""Width of a picture."""

TALLEST_PX = 430.0
"""Height of a picture at most. Our choice: the tables have to stand on the page."""

ROOM_PX = 22.0
"""Kept free of bone at each edge, for the directions' letters, where the scale allows it."""

LARGEST_SCALE_PX = 10.0
"""A small bone is not blown up beyond this many px per mm, about 2.6 times life size. Our choice."""

AROUND_MM = 32.0
"""Of a long bone this much is pictured around the screws. Our choice: a C-arm sees about as far."""

END_ON_FRACTION = 0.17
"""A screw that appears shorter than this share of its length is seen end-on (10°): its turn says nothing."""

USUAL = ("frontal", "lateral")
"""Names of views that need no angles."""

SIDE = re.compile(r"\b(left|right)\b", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Fluoroscopy:
    """Which projections are wanted, (yaw, pitch) each, and the landmarks that the entries are told from."""

    projections_degree: tuple[tuple[float, float], ...] = (FRONTAL_DEGREE, LATERAL_DEGREE)
    landmarks: tuple[Landmark, ...] = ()


@dataclass(frozen=True, eq=False)
class _Wanted:
    """A view with its name, in full and as it heads a column."""

    name: str
    head: str
    view: View


def fluoroscopy_pages(
    bone: Bone, assessment: Assessment, title: str, asked: Fluoroscopy, *, as_scanned: bool
) -> list[Page]:
    """The pages for theatre, of each bone that holds a screw; none without screws."""
    if not assessment.screws:
        return []
    bones = placed_bones(bone, as_scanned=as_scanned)
    wanted = [
        _Wanted(name_of(*angles), head_of(*angles), view_from(*angles)) for angles in asked.projections_degree
    ]
    pages: list[Page] = []
    for own_bone in dict.fromkeys(screw.bone_name for screw in assessment.screws):
        screws = [screw for screw in assessment.screws if screw.bone_name == own_bone]
        others = [screw for screw in assessment.screws if screw.bone_name != own_bone]
        blocks = [_lead(own_bone, bones)]
        for first in range(0, len(wanted), 2):
            pair = wanted[first : first + 2]
            blocks += _pictures(bones, own_bone, pair, screws, others, asked.landmarks)
            seen = _seen_table(screws, pair)
            blocks.append((seen, table_height(seen, WIDTH_PX)))
            if asked.landmarks:
                away = _landmark_table(screws, pair, asked.landmarks)
                blocks.append((away, table_height(away, WIDTH_PX)))
        pages += paged(blocks, HEAD, f"{own_bone}: the plan's check in theatre", title)
    return pages


def name_of(yaw_degree: float, pitch_degree: float) -> str:
    """What a projection is called.

    >>> name_of(0, 0), name_of(-90, 0), name_of(45, -10)
    ('frontal', 'lateral', 'turned 45° to the left, 10° towards the feet')
    """
    if pitch_degree == 0 and yaw_degree in (0, 90, -90):
        return USUAL[yaw_degree != 0]
    turned = f"{abs(yaw_degree):g}° to the {'left' if yaw_degree > 0 else 'right'}" if yaw_degree else ""
    lifted = f"{abs(pitch_degree):g}° towards the {'head' if pitch_degree > 0 else 'feet'}"
    return "turned " + ", ".join(part for part in (turned, lifted if pitch_degree else "") if part)


def head_of(yaw_degree: float, pitch_degree: float) -> str:
    """The same for the head of a column.

    >>> head_of(0, 0), head_of(45, -10)
    ('frontal', 'at 45°, −10°')
    """
    name = name_of(yaw_degree, pitch_degree)
    return name if name in USUAL else f"at {yaw_degree:g}°, {pitch_degree:g}°".replace("-", "−")


def side_of(bone_name: str) -> str | None:
    """The side of the body that a bone's name tells, which the scan does not.

    >>> side_of("Left scaphoid"), side_of("scaphoid")
    ('left', None)
    """
    found = {word.lower() for word in SIDE.findall(bone_name)}
    return found.pop() if len(found) == 1 else None


def _lead(own_bone: str, bones: PlacedBones) -> tuple[Block, float]:
    side = side_of(own_bone)
    bold = "Computed from the CT, not an X-ray."
    said = (
        f"{capital(side)} side, by the bone's name. "
        if side
        else "Which side of the body this is the scan does not tell; R and L are the patient's own. "
    )
    if any(moves(pose) for pose in bones.poses.values()):
        said += "Fragments stand as reduced, all other bone as scanned. "
    elif any(moves(fragment.pose) for fragment in bones.bone.fragments):
        said += "Fragments stand as scanned, not as reduced. "
    said += (
        "Rays are parallel, so nothing is enlarged as it is in theatre; soft tissue is left out. Frontal and "
        "lateral are of the body as it lay in the scanner."
    )
    lead: Block = {"kind": "lead", "bold": bold, "words": said, "stop": False}
    return lead, text_height(bold + said, 13, WIDTH_PX, 18)


def _pictures(
    bones: PlacedBones,
    own_bone: str,
    pair: Sequence[_Wanted],
    screws: Sequence[ScrewResult],
    others: Sequence[ScrewResult],
    landmarks: Sequence[Landmark],
) -> list[tuple[Block, float]]:
    cameras = _cameras(_points_mm(bones, own_bone, screws, landmarks), [one.view for one in pair])
    shots = [shot_of(bones, camera) for camera in cameras]
    dark_mm = densest_mm(shots)
    stations = [
        {
            "svg": Markup(shot_svg(shot, [*screws, *others], landmarks, dark_mm)),
            "letter": f"{capital(one.name)}.",
            "first": f"Seen from {seen_from(shot.camera)}.",
            "second": "",
        }
        for one, shot in zip(pair, shots, strict=True)
    ]
    caption, caption_px = figure("", _caption(shots, landmarks))
    block: Block = {"kind": "cuts", "stations": stations, "caption": caption}
    legend: Block = {"kind": "drawing", "svg": Markup(legend_svg(dark_mm, WIDTH_PX))}
    return [(block, cameras[0].height_px + 34.0 + caption_px), (legend, 24.0)]


def _caption(shots: Sequence[Shot], landmarks: Sequence[Landmark]) -> str:
    said = (
        "The screws are drawn from their nominal solids, threads lighter than the core. R, L: the patient's "
        "right and left; A, P: front and back; H, F: towards head and feet."
    )
    if landmarks:
        said += " Crosses: landmarks."
    outside = [
        landmark.name
        for landmark in landmarks
        if not all(in_picture(landmark, shot.camera) for shot in shots)
    ]
    if outside:
        said += f" Not on every picture: {', '.join(outside)}."
    return said


def _points_mm(
    bones: PlacedBones, own_bone: str, screws: Sequence[ScrewResult], landmarks: Sequence[Landmark]
) -> Floats:
    """(n, 3) what has to be in the pictures: the bone, or of a long one what is around the screws."""
    ends = np.concatenate([screw_ends_mm(screw) for screw in screws])
    low, high = ends.min(axis=0) - AROUND_MM, ends.max(axis=0) + AROUND_MM
    vertices = np.concatenate(
        [
            mesh.vertices_mm
            for number, mesh in bones.meshes.items()
            if bones.bone.fragment(number).bone == own_bone
        ]
    )
    known = np.concatenate([vertices, *([landmark.at_mm] for landmark in landmarks)])
    return np.concatenate([known[((known >= low) & (known <= high)).all(axis=1)], ends])


def _cameras(points_mm: Floats, views: Sequence[View]) -> list[Camera]:
    """A camera for each view, all to one scale and of one size."""
    flats = [view.flat_mm(points_mm) for view in views]
    low, high = (np.stack([edge(flat, axis=0) for flat in flats]) for edge in (np.min, np.max))
    wide_mm, tall_mm = (high - low).max(axis=0)
    scale_px = min((SHOT_PX - 2 * ROOM_PX) / wide_mm, (TALLEST_PX - 2 * ROOM_PX) / tall_mm, LARGEST_SCALE_PX)
    height_px = float(np.ceil(tall_mm * scale_px + 2 * ROOM_PX))
    return [
        Camera(
            middle[0] * view.right + middle[1] * view.up,
            np.asarray(view.right),
            np.asarray(view.up),
            float(scale_px),
            SHOT_PX,
            height_px,
        )
        for view, middle in zip(views, (low + high) / 2, strict=True)
    ]


def _seen_table(screws: Sequence[ScrewResult], pair: Sequence[_Wanted]) -> Block:
    heads = [("screw", ""), ("from head or<br>trailing end to tip, mm", NUM)]
    for one in pair:
        heads += [(f"{one.head}:<br>appears, mm", NUM), (f"{one.head}:<br>its tip points", RANGE)]
    rows = []
    for screw in screws:
        long_mm = solid_of(screw.placed.screw, screw.placed.length_mm).tip_mm
        row = [screw.placed.name, written(long_mm)]
        for one in pair:
            flat = one.view.flat_mm(np.asarray(screw.direction))
            row += [written(long_mm * float(np.linalg.norm(flat))), pointing(flat, one.view)]
        rows.append(row)
    foot = "Appears: the length below the head, or of a headless screw, as foreshortened by the view."
    return table("How each screw should appear", "parallel rays", heads, rows, foot)


def pointing(flat: Floats, view: View) -> str:
    """Where a direction, (2,) of a unit vector on a picture, points: degrees off the vertical and letters."""
    if np.linalg.norm(flat) < END_ON_FRACTION:
        return "end-on"
    degree = round(float(np.degrees(np.arctan2(abs(flat[0]), abs(flat[1])))))
    vertical = direction_letters(view.up * (1 if flat[1] >= 0 else -1))
    across = direction_letters(view.right * (1 if flat[0] >= 0 else -1))
    if degree in (0, 90):
        return f"to {across if degree else vertical}"
    return f"{degree}° off {vertical}, to {across}"


def _landmark_table(
    screws: Sequence[ScrewResult], pair: Sequence[_Wanted], landmarks: Sequence[Landmark]
) -> Block:
    heads = [("screw", ""), ("landmark", ""), ("straight,<br>mm", NUM)]
    for one in pair:
        heads += [(f"{one.head}:<br>across, mm", RANGE), (f"{one.head}:<br>up or down, mm", RANGE)]
    rows = []
    for screw in screws:
        for landmark in landmarks:
            away = np.asarray(screw.entry_mm) - landmark.at_mm
            row = [screw.placed.name, landmark.name, written(float(np.linalg.norm(away)))]
            for one in pair:
                row += offsets_words(away, one.view)
            rows.append(row)
    foot = (
        "From the landmark to the entry on the bone's surface, across the picture and up or down in it, "
        "towards the letter. A landmark is as exact as the point that was given."
    )
    return table("Where each entry lies from the landmarks", "mm", heads, rows, foot)


def offsets_words(away_mm: Floats, view: View) -> list[str]:
    """Across and along a picture, each as mm and the letters of its direction."""
    words = []
    for axis in (view.right, view.up):
        said, sign = written(abs(float(away_mm @ axis))), 1 if away_mm @ axis >= 0 else -1
        words.append(said if float(said) == 0 else f"{said} {direction_letters(axis * sign)}")
    return words
