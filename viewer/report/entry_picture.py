"""The picture of the entry map: the bone coloured by the best reachable hold, with contours, the edge of the
fracture and the entries marked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation

from planner.entry_map import BARE, NEAR_JOINT, NOTHING, EntryMap, over_surface
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.drawing import BODY, picture, text, text_width, written
from viewer.report.entry_scale import (
    JOINT_LINE_PX,
    JOINT_PITCH_PX,
    NOTHING_LINE_PX,
    NOTHING_PITCH_PX,
    EntryScale,
    best_mark,
    colours,
    screw_mark,
)
from viewer.report.ray_target import RayTarget
from viewer.report.scene import embedded
from viewer.report.scene_labels import directions, fragment_labels, leaders, scale_bar
from viewer.report.surface_map import (
    Hatch,
    MapInks,
    MappedSurface,
    MapPicture,
    cast_map,
    diagonal_lines,
    seen_at_px,
)
from viewer.report.tokens import HAIR, INK, INK_2, JOINT, PAPER, rgb_fraction
from viewer.report.view_frame import PosedFragment

FRACTURE_PIXELS = 2
"""Width of the fracture's edge to each side, in pixels of the picture. Our choice: seen beside contours."""

CONTOUR_FRACTION = 0.45
"""How far a contour is drawn from the colour under it towards ink, or paper on dark colours. Our choice."""

MARK_ROOM_PX = 10.0
"""Room between a mark and its words. Our choice."""


@dataclass(frozen=True, eq=False)
class EntryPicture:
    """The lettered picture, the names of the screws whose entries are seen in it, whether the ``best`` is,
    and the kinds of surface (``planner.entry_map``) that are."""

    svg: str
    screws: frozenset[str]
    best: bool
    kinds: frozenset[int]


class MappedBone:
    """A bone's pieces with the map on their surfaces: built once, pictured from more than one side."""

    def __init__(self, own: Sequence[PosedFragment], told: EntryMap) -> None:
        self.own, self.entries = tuple(own), told
        target = RayTarget([(piece.rank, piece.vertices_mm, piece.faces) for piece in own])
        ends = np.cumsum([len(piece.vertices_mm) for piece in own])[:-1]
        lots = [
            over_surface(told, piece.number, piece.vertices_mm, normals)
            for piece, normals in zip(own, np.split(target.vertex_normals, ends), strict=True)
        ]
        kinds = np.concatenate([kinds for _, kinds in lots])
        # What is drawn as no bone has the kind 0.
        self.surface = MappedSurface(target, np.concatenate([values for values, _ in lots]), kinds + 1)


def entry_picture(
    bone: MappedBone,
    screws: Mapping[int, ScrewResult],
    scale: EntryScale | None,
    camera: Camera,
) -> EntryPicture:
    """The bone from ``camera``; the entries of ``screws``, by number, and the best are marked where seen."""
    cast = cast_map(bone.surface, _inks(scale), camera)
    rgb = cast.rgb if scale is None else _with_contours(cast, scale)
    rgb = np.where(_fracture_edge(cast)[..., None], np.rint(255 * np.array(rgb_fraction(INK))), rgb)
    drawn = embedded(rgb.astype(np.uint8), camera)
    seen: set[str] = set()
    marks: list[tuple[float, float, str, str]] = []
    for number, screw in screws.items():
        place = seen_at_px(bone.surface.target, screw.entry_mm, camera)
        if place is not None:
            seen.add(screw.placed.name)
            marks.append((*place, screw_mark(*place), f"{number}: {screw.placed.name}"))
    top, best_seen = bone.entries.top, False
    if top is not None and scale is not None:
        place = seen_at_px(bone.surface.target, bone.entries.at.points_mm[top], camera)
        if place is not None:
            best_seen = True
            value = written(float(bone.entries.best.value[top]), 0)
            marks.append((*place, best_mark(*place), f"best: {value} {scale.unit}"))
    drawn += "".join(mark for _, _, mark, _ in marks) + _mark_words(marks, camera)
    drawn += leaders(fragment_labels(bone.own, cast.pieces), camera)
    left = [y for x, y, _, words in marks if x - MARK_ROOM_PX - text_width(words, BODY, bold=True) < 62]
    drawn += directions(camera, left[0] if left else None) + scale_bar(camera)
    svg = picture(camera.width_px, camera.height_px, drawn, "Bone by the best reachable hold")
    kinds = set(np.unique(cast.told).tolist()) - {0}
    return EntryPicture(svg, frozenset(seen), best_seen, frozenset(kind - 1 for kind in kinds))


def _mark_words(marks: Sequence[tuple[float, float, str, str]], camera: Camera) -> str:
    """Words beside the marks: to the side with more room, the lower of two that are near below its mark."""
    drawn, taken = "", list[tuple[float, float]]()
    for x, y, _, words in sorted(marks, key=lambda mark: mark[1]):
        after = x < camera.width_px / 2
        words_y = y - 7
        while any(abs(x - other_x) < 90 and abs(words_y - other_y) < 13 for other_x, other_y in taken):
            words_y += 13
        taken.append((x, words_y))
        place = (x + MARK_ROOM_PX, "start") if after else (x - MARK_ROOM_PX, "end")
        drawn += text(place[0], words_y, words, anchor=place[1], size=BODY, bold=True, halo=PAPER)
    return drawn


def _inks(scale: EntryScale | None) -> MapInks:
    def coloured(values: Floats) -> Floats:
        return np.ones((len(values), 3)) if scale is None else colours(values, scale)

    return MapInks(
        coloured,
        {
            BARE + 1: Hatch(HAIR, HAIR, lambda px: np.zeros(len(px))),
            NOTHING + 1: Hatch(
                PAPER,
                INK_2,
                lambda px: diagonal_lines(px, NOTHING_PITCH_PX, NOTHING_LINE_PX, rising=True),
            ),
            NEAR_JOINT + 1: Hatch(
                HAIR, JOINT, lambda px: diagonal_lines(px, JOINT_PITCH_PX, JOINT_LINE_PX, rising=False)
            ),
        },
    )


def _with_contours(cast: MapPicture, scale: EntryScale) -> npt.NDArray[np.uint8]:
    """A fine line wherever a tick of the key is crossed, light on dark colours."""
    step = np.floor((cast.values - scale.low) / scale.step)
    line = np.zeros(step.shape, np.bool_)
    for axis in (0, 1):
        before = (slice(None),) * axis + (slice(None, -1),)
        after = (slice(None),) * axis + (slice(1, None),)
        known = np.isfinite(step[before]) & np.isfinite(step[after])
        own = cast.pieces[before] == cast.pieces[after]
        line[before] |= known & own & (step[before] != step[after])
    rgb = cast.rgb.astype(float)
    dark = np.nan_to_num(cast.values, nan=scale.low) > (scale.low + scale.high) / 2
    towards = np.where(dark[..., None], 255.0, 255 * np.array(rgb_fraction(INK)))
    rgb[line] += CONTOUR_FRACTION * (towards - rgb)[line]
    return np.asarray(np.rint(rgb), np.uint8)


def _fracture_edge(cast: MapPicture) -> npt.NDArray[np.bool_]:
    """Where one piece of the bone ends against another."""
    edge = np.zeros(cast.pieces.shape, np.bool_)
    for axis in (0, 1):
        before = (slice(None),) * axis + (slice(None, -1),)
        after = (slice(None),) * axis + (slice(1, None),)
        one, other = cast.pieces[before], cast.pieces[after]
        edge[before] |= (one != other) & (one > 0) & (other > 0)
    return np.asarray(binary_dilation(edge, iterations=FRACTURE_PIXELS - 1))
