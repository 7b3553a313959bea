"""The page of the reduction: the bone as scanned and as reduced, seen alike, and each motion in words.

Shown only where a fragment's pose moves it.
"""

from __future__ import annotations

import numpy as np
from markupsafe import Markup
from scipy.spatial.transform import Rotation

from segmentation.vocabulary import Bone, Floats, Fragment
from viewer.report.camera import Camera, camera_on
from viewer.report.drawing import written
from viewer.report.found_page import NUM, RANGE, figure, table, table_height
from viewer.report.scene import posed_scene_svg, seen_from, side_words
from viewer.report.sheet import WIDTH_PX, Block, Page, paged, text_height
from viewer.report.view_frame import PosedFragment, direction_words, posed_fragments
from viewer.report.words import capital

HEAD = "Before and after reduction"

SCENE_PX = 300.0
"""Height of each picture. Our choice."""

SEEN_ALONG_FACTOR = 0.8
"""A shift that points to the front or back more than this is looked at from the left. Our choice."""

SMALLEST_SHIFT_MM, SMALLEST_TURN_DEGREE = 0.05, 0.05
"""A direction or an axis is told only of more: below it is rounding of what is printed."""

FRONT, UP = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])


def reduction_pages(bone: Bone, title: str) -> list[Page]:
    """One page for each bone with a fragment that was moved; none where nothing was."""
    after = posed_fragments(bone, as_scanned=False)
    moved = [one for one in after if one.moved]
    if not moved:
        return []
    before = posed_fragments(bone, as_scanned=True)
    pages: list[Page] = []
    for name in dict.fromkeys(one.bone for one in moved):
        own = [bone.fragment(one.number) for one in moved if one.bone == name]
        camera = _camera(before, after, name, own)
        blocks = [_lead(own, name)]
        for posed, when in ((before, "as scanned"), (after, "as reduced")):
            svg = posed_scene_svg(posed, name, camera, None, f"Bone {when}")
            blocks.append(({"kind": "drawing", "svg": Markup(svg)}, SCENE_PX))
            blocks.append(figure(f"{capital(when)}.", f"{capital(name)} from {seen_from(camera)}."))
        moves = _table(own)
        blocks.append((moves, table_height(moves, WIDTH_PX)))
        pages += paged(blocks, HEAD, f"{name}, both from the same side and to one scale", title)
    return pages


def turn_degree(fragment: Fragment) -> float:
    """By how much the pose turns the fragment."""
    return float(np.degrees(Rotation.from_matrix(fragment.pose[:3, :3]).magnitude()))


def shift_mm(fragment: Fragment) -> Floats:
    """(3,) how far the pose takes the middle of the fragment's surface."""
    middle_mm = fragment.surface.vertices_mm.mean(axis=0)
    return np.asarray(fragment.pose[:3, :3] @ middle_mm + fragment.pose[:3, 3] - middle_mm)


def move_words(fragment: Fragment) -> str:
    """The pose in a sentence."""
    degree, shift = turn_degree(fragment), shift_mm(fragment)
    said = f"{fragment.name} was turned by {written(degree)}°"
    if degree >= SMALLEST_TURN_DEGREE:
        # About an axis that points at the reader a positive turn goes against the clock.
        axis = Rotation.from_matrix(fragment.pose[:3, :3]).as_rotvec()
        said += f", against the clock as seen from {side_words(axis)},"
    far_mm = float(np.linalg.norm(shift))
    said += f" and its middle shifted by {written(far_mm)} mm"
    if far_mm >= SMALLEST_SHIFT_MM:
        said += f" ({direction_words(shift)})"
    return capital(said) + "."


def _lead(own: list[Fragment], name: str) -> tuple[Block, float]:
    bold = f"{capital(name)}: {', '.join(one.name for one in own)} moved."
    said = " ".join(move_words(one) for one in own)
    said += " Bone lost between the fragments cannot be seen: the bone would end too short."
    lead: Block = {"kind": "lead", "bold": bold, "words": said, "stop": False}
    return lead, text_height(bold + said, 13, WIDTH_PX, 18)


def _camera(
    before: tuple[PosedFragment, ...], after: tuple[PosedFragment, ...], name: str, own: list[Fragment]
) -> Camera:
    """From the front; from the left where the largest shift runs to the front or back."""
    largest = max((shift_mm(one) for one in own), key=lambda shift: float(np.linalg.norm(shift)))
    along = abs(float(largest @ FRONT)) > SEEN_ALONG_FACTOR * float(np.linalg.norm(largest))
    toward = np.array([-1.0, 0.0, 0.0]) if along else FRONT
    both = [one for one in (*before, *after) if one.bone == name]
    return camera_on(np.cross(UP, toward), UP, both, None, WIDTH_PX, SCENE_PX)


def _table(own: list[Fragment]) -> Block:
    heads = [("fragment", ""), ("turned by,<br>degrees", NUM), ("middle shifted by,<br>mm", NUM)]
    heads += [("to the right,<br>mm", RANGE), ("to the front,<br>mm", RANGE), ("upwards,<br>mm", RANGE)]
    rows = []
    for one in own:
        shift = shift_mm(one)
        far_mm = float(np.linalg.norm(shift))
        parts = [written(float(part)) for part in shift]
        rows.append([one.name, written(turn_degree(one)), written(far_mm), *parts])
    foot = "Middle: of the fragment's surface. Right is the patient's. The whole pose is in bone.json."
    return table("What was moved", "as scanned to reduced", heads, rows, foot)
