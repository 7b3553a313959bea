"""The bone coloured by the thickness of its cortex, hatched where that is not known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.cortex_scale import OTHER_HATCH_PX, THIN_HATCH_PX, CortexScale, Told, colours
from viewer.report.drawing import BODY, element, picture, text, text_width
from viewer.report.ray_target import RayTarget
from viewer.report.scene import embedded
from viewer.report.scene_labels import directions, fragment_labels, leaders, scale_bar
from viewer.report.surface_map import Hatch, MapInks, MappedSurface, cast_map, diagonal_lines, seen_at_px
from viewer.report.tokens import HAIR, INK, INK_2, PAPER
from viewer.report.view_frame import PosedFragment

KNOWN, THIN, UNMEASURED = 1, 2, 3
"""What is told of a place; 0 is no bone."""

THIN_LINE_PX, OTHER_LINE_PX = 2.0, 0.8
"""Width of the hatches' lines, as in the legend."""

ENTRY_ROOM_PX, DIRECTION_PX = 8.0, 62.0
"""Room between an entry and its words, and where a direction at the left edge ends. Our choice."""


def cortex_svg(
    own: Sequence[tuple[PosedFragment, Told]],
    screws: Sequence[ScrewResult],
    scale: CortexScale,
    camera: Camera,
) -> str:
    """The lettered picture of the fragments ``own``; ``screws`` are marked where their entries are seen."""
    surface = MappedSurface(
        target=RayTarget([(piece.rank, piece.vertices_mm, piece.faces) for piece, _ in own]),
        values=np.concatenate([told.thickness_mm for _, told in own]),
        told=np.concatenate([_kinds(told, scale) for _, told in own]),
    )
    cast = cast_map(surface, _inks(scale), camera)
    entries = _entries(surface.target, screws, camera)
    drawn = embedded(cast.rgb, camera) + "".join(_entry(*entry) for entry in entries)
    drawn += leaders(fragment_labels(tuple(piece for piece, _ in own), cast.pieces), camera)
    drawn += directions(camera, _in_the_way(entries, camera)) + scale_bar(camera)
    return picture(camera.width_px, camera.height_px, drawn, "Bone by thickness of its cortex")


def _kinds(told: Told, scale: CortexScale) -> npt.NDArray[np.int64]:
    return np.where(scale.unmeasured(told), UNMEASURED, np.where(scale.thin(told), THIN, KNOWN))


def _inks(scale: CortexScale) -> MapInks:
    return MapInks(
        lambda thickness_mm: colours(thickness_mm, scale),
        {
            THIN: Hatch(
                PAPER, INK_2, lambda px: diagonal_lines(px, THIN_HATCH_PX, THIN_LINE_PX, rising=True)
            ),
            UNMEASURED: Hatch(HAIR, INK_2, _cross_lines),
        },
    )


def _cross_lines(places_px: Floats) -> Floats:
    return np.maximum(
        *(diagonal_lines(places_px, OTHER_HATCH_PX, OTHER_LINE_PX, rising=rising) for rising in (True, False))
    )


def _entries(
    target: RayTarget, screws: Sequence[ScrewResult], camera: Camera
) -> list[tuple[str, float, float]]:
    """Words and place of each entry that is seen from here."""
    places = [(screw, seen_at_px(target, screw.entry_mm, camera)) for screw in screws]
    return [(f"entry of {screw.placed.name}", *place) for screw, place in places if place is not None]


def _entry(words: str, x: float, y: float) -> str:
    """A ring, and the words before it; after it where there is no room before."""
    ring = element("circle", cx=x, cy=y, r="3.4", fill=PAPER, stroke=INK, stroke_width="1.5")
    before = _left_px(words, x) > 0
    place = (x - ENTRY_ROOM_PX, "end") if before else (x + ENTRY_ROOM_PX, "start")
    return ring + text(place[0], y - 7, words, anchor=place[1], size=BODY, bold=True, halo=PAPER)


def _left_px(words: str, x: float) -> float:
    return x - ENTRY_ROOM_PX - text_width(words, BODY, bold=True)


def _in_the_way(entries: Sequence[tuple[str, float, float]], camera: Camera) -> float | None:
    """Height of the words that the direction at the left edge has to keep clear of, if any."""
    heights = [y - 10 for words, x, y in entries if _left_px(words, x) < DIRECTION_PX]
    return min(heights, key=lambda y: abs(y - camera.height_px / 2), default=None)
