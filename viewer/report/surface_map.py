"""A bone coloured by what is known at the points of its surface, hatched where it is not known.

The bone is opaque here, and its shade stays weak: lightness is the scale's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.ray_target import RayTarget
from viewer.report.scene_edges import ink_edges, sharp_pixels
from viewer.report.scene_render import FAR_MM, PIXELS_PER_PX, SUBSAMPLES
from viewer.report.tokens import INK, rgb_fraction

SHADE_DARKEST_FRACTION, SHADE_RANGE_FRACTION = 0.80, 0.24
"""Shade of a place that turns from the light, and what full light adds. Our choice: weaker than a third of
the scale."""

SEEN_MM = 0.6
"""A place this near to what a ray meets first is seen. Our choice."""


@dataclass(frozen=True, eq=False)
class MappedSurface:
    """All pieces as one target, with a value (NaN where unknown) and what is told at each vertex."""

    target: RayTarget
    values: Floats
    told: npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Hatch:
    """How places of one kind are drawn instead of in colour: ground, ink, and how much of each place (n, 2)
    in px lies on a line."""

    ground: str
    ink: str
    lines: Callable[[Floats], Floats]


@dataclass(frozen=True, eq=False)
class MapInks:
    """Colours (n, 3) of values (n,), and the hatch of each kind that has no colour."""

    colours: Callable[[Floats], Floats]
    hatches: Mapping[int, Hatch]


@dataclass(frozen=True, eq=False)
class MapPicture:
    """``rgb`` (rows, columns, 3); at each pixel the rank of the ``pieces`` seen (0: none), what is ``told``
    there (0: no bone) and the value (NaN: none)."""

    rgb: npt.NDArray[np.uint8]
    pieces: npt.NDArray[np.int64]
    told: npt.NDArray[np.int64]
    values: Floats


@dataclass(frozen=True, eq=False)
class _Look:
    """What n rays saw: colours (n, 3), layers (2, n) of piece and of what is told, distances and values."""

    image: Floats
    layers: npt.NDArray[np.int64]
    distance_mm: Floats
    values: Floats


def cast_map(surface: MappedSurface, inks: MapInks, camera: Camera) -> MapPicture:
    """The picture of ``surface``, its sharp places finer, its edges in ink."""
    rows, columns = round(camera.height_px * PIXELS_PER_PX), round(camera.width_px * PIXELS_PER_PX)
    X, Y = np.meshgrid((np.arange(columns) + 0.5) / PIXELS_PER_PX, (np.arange(rows) + 0.5) / PIXELS_PER_PX)
    places_px = np.column_stack([X.ravel(), Y.ravel()])
    look = _look(surface, inks, camera, places_px)
    image = look.image
    shape = (rows, columns)
    distance_mm = look.distance_mm.reshape(shape)
    plain = np.zeros(shape, np.bool_)
    sharp = np.flatnonzero(
        sharp_pixels(look.layers.reshape(-1, *shape), distance_mm, image.reshape(*shape, 3), plain)
    )
    finer_px = places_px[sharp][:, None, :] + SUBSAMPLES / PIXELS_PER_PX
    finer = _look(surface, inks, camera, finer_px.reshape(-1, 2)).image
    image[sharp] = finer.reshape(len(sharp), len(SUBSAMPLES), 3).mean(1)
    pieces, told = (layer.reshape(shape) for layer in look.layers)
    edges = ink_edges(pieces, distance_mm)[..., None]
    image = image.reshape(*shape, 3) * (1 - edges) + np.array(rgb_fraction(INK)) * edges
    rgb = np.rint(np.clip(image, 0, 1) * 255).astype(np.uint8)
    return MapPicture(rgb, pieces, told, look.values.reshape(shape))


def lines_px(across_px: Floats, pitch: float, width: float) -> Floats:
    """How much of each place lies on a line of a hatch, 0 … 1, from places (n,) across it."""
    from_middle = np.abs(across_px % pitch - pitch / 2)
    return np.asarray(np.clip((width / 2 - from_middle) * PIXELS_PER_PX + 0.5, 0, 1))


def diagonal_lines(places_px: Floats, pitch: float, width: float, *, rising: bool) -> Floats:
    """The same for lines at 45° at places (n, 2), ``rising`` to the right or falling."""
    return lines_px(places_px @ np.array([1.0, 1.0 if rising else -1.0]) / np.sqrt(2), pitch, width)


def seen_at_px(target: RayTarget, point_mm: Floats, camera: Camera) -> tuple[float, float] | None:
    """Where a place of the surface is pictured; None where it lies behind or outside the picture."""
    (x, y) = camera.to_px([point_mm])[0].tolist()
    if not (0 < x < camera.width_px and 0 < y < camera.height_px):
        return None
    hits = target.first_hits(camera.origins_mm(np.array([[x, y]]), FAR_MM), -camera.toward)
    if len(hits.rays) and abs((hits.points_mm[0] - point_mm) @ camera.toward) > SEEN_MM:
        return None
    return x, y


def _look(surface: MappedSurface, inks: MapInks, camera: Camera, places_px: Floats) -> _Look:
    """What is seen at (n, 2) places."""
    hits = surface.target.first_hits(camera.origins_mm(places_px, FAR_MM), -camera.toward)
    image, layers = np.ones((len(places_px), 3)), np.zeros((2, len(places_px)), np.int64)
    distance_mm, values = np.full(len(places_px), np.inf), np.full(len(places_px), np.nan)
    nearest = hits.corners[np.arange(len(hits.rays)), hits.weights.argmax(axis=1)]
    told = surface.told[nearest]
    corner = surface.values[hits.corners]
    weights = np.where(np.isnan(corner), 0.0, hits.weights)
    value = (weights * np.nan_to_num(corner)).sum(1) / np.maximum(weights.sum(1), 1e-9)
    colour = inks.colours(value)
    at_px = places_px[hits.rays]
    for what, hatch in inks.hatches.items():
        here = told == what
        share = hatch.lines(at_px)[here, None]
        colour[here] = np.array(rgb_fraction(hatch.ground)) * (1 - share) + (
            np.array(rgb_fraction(hatch.ink)) * share
        )
        value[here] = np.nan
    light = -0.45 * camera.right + 0.75 * camera.up + 0.55 * camera.toward
    diffuse = np.clip(hits.normals @ (light / np.linalg.norm(light)), 0, 1)
    image[hits.rays] = colour * (SHADE_DARKEST_FRACTION + SHADE_RANGE_FRACTION * diffuse[:, None])
    layers[0, hits.rays], layers[1, hits.rays] = hits.pieces, told
    distance_mm[hits.rays], values[hits.rays] = hits.distance_mm, value
    return _Look(np.clip(image, 0, 1), layers, distance_mm, values)
