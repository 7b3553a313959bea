"""The bone coloured by the thickness of its cortex, hatched where that is not known.

The bone is opaque here, and its shade stays weak: lightness is the scale's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.cortex_scale import OTHER_HATCH_PX, THIN_HATCH_PX, CortexScale, Told, colours
from viewer.report.drawing import BODY, element, picture, text, text_width
from viewer.report.ray_target import RayTarget
from viewer.report.scene import embedded
from viewer.report.scene_edges import ink_edges, sharp_pixels
from viewer.report.scene_labels import directions, fragment_labels, leaders, scale_bar
from viewer.report.scene_render import FAR_MM, PIXELS_PER_PX, SUBSAMPLES
from viewer.report.tokens import HAIR, INK, INK_2, PAPER, rgb_fraction
from viewer.report.view_frame import PosedFragment

KNOWN, THIN, UNMEASURED = 1, 2, 3
"""What is told of a place; 0 is no bone."""

SHADE_DARKEST_FRACTION, SHADE_RANGE_FRACTION = 0.80, 0.24
"""Shade of a place that turns from the light, and what full light adds. Our choice: weaker than a third of
the scale."""

THIN_LINE_PX, OTHER_LINE_PX = 2.0, 0.8
"""Width of the hatches' lines, as in the legend."""

SEEN_MM = 0.6
"""An entry this near to what a ray meets first is seen. Our choice."""


ENTRY_ROOM_PX, DIRECTION_PX = 8.0, 62.0
"""Room between an entry and its words, and where a direction at the left edge ends. Our choice."""


@dataclass(frozen=True, eq=False)
class _Surface:
    """All pieces as one target, with thickness (NaN where unknown) and what is told at each vertex."""

    target: RayTarget
    thickness_mm: Floats
    told: npt.NDArray[np.int64]


def cortex_svg(
    own: Sequence[tuple[PosedFragment, Told]],
    screws: Sequence[ScrewResult],
    scale: CortexScale,
    camera: Camera,
) -> str:
    """The lettered picture of the fragments ``own``; ``screws`` are marked where their entries are seen."""
    surface = _Surface(
        target=RayTarget([(piece.rank, piece.vertices_mm, piece.faces) for piece, _ in own]),
        thickness_mm=np.concatenate([told.thickness_mm for _, told in own]),
        told=np.concatenate([_kinds(told, scale) for _, told in own]),
    )
    rgb, pieces = _cast(surface, scale, camera)
    entries = _entries(surface.target, screws, camera)
    drawn = embedded(rgb, camera) + "".join(_entry(*entry) for entry in entries)
    drawn += leaders(fragment_labels(tuple(piece for piece, _ in own), pieces), camera)
    drawn += directions(camera, _in_the_way(entries, camera)) + scale_bar(camera)
    return picture(camera.width_px, camera.height_px, drawn, "Bone by thickness of its cortex")


def _kinds(told: Told, scale: CortexScale) -> npt.NDArray[np.int64]:
    return np.where(scale.unmeasured(told), UNMEASURED, np.where(scale.thin(told), THIN, KNOWN))


def _cast(
    surface: _Surface, scale: CortexScale, camera: Camera
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]:
    """The picture (rows, columns, 3), and the rank of the fragment at each pixel."""
    rows, columns = round(camera.height_px * PIXELS_PER_PX), round(camera.width_px * PIXELS_PER_PX)
    X, Y = np.meshgrid((np.arange(columns) + 0.5) / PIXELS_PER_PX, (np.arange(rows) + 0.5) / PIXELS_PER_PX)
    places_px = np.column_stack([X.ravel(), Y.ravel()])
    image, layers, distance_mm = _look(surface, scale, camera, places_px)
    shape = (rows, columns)
    distance_mm = distance_mm.reshape(shape)
    plain = np.zeros(shape, np.bool_)
    sharp = np.flatnonzero(
        sharp_pixels(layers.reshape(-1, *shape), distance_mm, image.reshape(*shape, 3), plain)
    )
    finer_px = places_px[sharp][:, None, :] + SUBSAMPLES / PIXELS_PER_PX
    finer, _, _ = _look(surface, scale, camera, finer_px.reshape(-1, 2))
    image[sharp] = finer.reshape(len(sharp), len(SUBSAMPLES), 3).mean(1)
    pieces = layers[0].reshape(shape)
    edges = ink_edges(pieces, distance_mm)[..., None]
    image = image.reshape(*shape, 3) * (1 - edges) + np.array(rgb_fraction(INK)) * edges
    return np.rint(np.clip(image, 0, 1) * 255).astype(np.uint8), pieces


def _look(
    surface: _Surface, scale: CortexScale, camera: Camera, places_px: Floats
) -> tuple[Floats, npt.NDArray[np.int64], Floats]:
    """Colours (n, 3), layers (2, n) of piece and of what is told, and distances (n,) at (n, 2) places."""
    hits = surface.target.first_hits(camera.origins_mm(places_px, FAR_MM), -camera.toward)
    image, layers = np.ones((len(places_px), 3)), np.zeros((2, len(places_px)), np.int64)
    distance_mm = np.full(len(places_px), np.inf)
    nearest = hits.corners[np.arange(len(hits.rays)), hits.weights.argmax(axis=1)]
    told = surface.told[nearest]
    corner_mm = surface.thickness_mm[hits.corners]
    weights = np.where(np.isnan(corner_mm), 0.0, hits.weights)
    thickness_mm = (weights * np.nan_to_num(corner_mm)).sum(1) / np.maximum(weights.sum(1), 1e-9)
    colour = colours(thickness_mm, scale)
    at_px = places_px[hits.rays]
    ink = np.array(rgb_fraction(INK_2))
    for what, ground, lines in ((THIN, PAPER, _thin_lines(at_px)), (UNMEASURED, HAIR, _cross_lines(at_px))):
        here = told == what
        share = lines[here, None]
        colour[here] = np.array(rgb_fraction(ground)) * (1 - share) + ink * share
    light = -0.45 * camera.right + 0.75 * camera.up + 0.55 * camera.toward
    diffuse = np.clip(hits.normals @ (light / np.linalg.norm(light)), 0, 1)
    image[hits.rays] = colour * (SHADE_DARKEST_FRACTION + SHADE_RANGE_FRACTION * diffuse[:, None])
    layers[0, hits.rays], layers[1, hits.rays] = hits.pieces, told
    distance_mm[hits.rays] = hits.distance_mm
    return np.clip(image, 0, 1), layers, distance_mm


def _thin_lines(places_px: Floats) -> Floats:
    return _lines(places_px @ np.array([1.0, 1.0]) / np.sqrt(2), THIN_HATCH_PX, THIN_LINE_PX)


def _cross_lines(places_px: Floats) -> Floats:
    along, across = (places_px @ np.array([1.0, sign]) / np.sqrt(2) for sign in (1.0, -1.0))
    return np.maximum(*(_lines(way, OTHER_HATCH_PX, OTHER_LINE_PX) for way in (along, across)))


def _lines(across_px: Floats, pitch: float, width: float) -> Floats:
    """How much of each place lies on a line of a hatch: 0 … 1."""
    from_middle = np.abs(across_px % pitch - pitch / 2)
    return np.asarray(np.clip((width / 2 - from_middle) * PIXELS_PER_PX + 0.5, 0, 1))


def _entries(
    target: RayTarget, screws: Sequence[ScrewResult], camera: Camera
) -> list[tuple[str, float, float]]:
    """Words and place of each entry that is seen from here."""
    seen = []
    for screw in screws:
        (x, y) = camera.to_px([screw.entry_mm])[0].tolist()
        if not (0 < x < camera.width_px and 0 < y < camera.height_px):
            continue
        hits = target.first_hits(camera.origins_mm(np.array([[x, y]]), FAR_MM), -camera.toward)
        if len(hits.rays) and abs((hits.points_mm[0] - screw.entry_mm) @ camera.toward) > SEEN_MM:
            continue
        seen.append((f"entry of {screw.placed.name}", x, y))
    return seen


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
