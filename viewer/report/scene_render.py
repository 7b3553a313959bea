"""The bone as a picture: translucent, with the screw solid inside it.

For each place in the picture parallel rays find the bone's far and near side, the screw, the joint and the
neighbours; their colours are laid over each other from back to front on the ground. Places where the picture
changes sharply are cast again with several rays each (antialiasing). Fine rings lie on the bone every 5 mm
of depth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera
from viewer.report.ray_target import Hits, Piece, RayTarget
from viewer.report.scene_edges import ink_edges, sharp_pixels
from viewer.report.scene_inks import ON_PAPER, Pictured, SceneInks
from viewer.report.screw_mesh import screw_mesh
from viewer.report.thread_teeth import radius_mm
from viewer.report.tokens import fragment_ink, rgb_fraction

PIXELS_PER_PX = 2
"""Pixels of the picture per CSS px: about 190 dots per inch on paper."""

FAR_MM = 2000.0
"""Rays start this far before the picture's plane. Our choice: outside any scan."""

SUBSAMPLES = (np.arange(8)[:, None] * [3, 1] % 8 + 0.5) / 8 - 0.5
"""Eight places within a pixel, no two in one row or column."""

SCREW_LAYER = 2
"""Place of the screw among a cast's layers."""

RING_EVERY_MM, RING_HALF_PX = 5.0, 0.55
"""Depth rings and half their width. Our choice."""

DOT_PITCH_PX, DOT_RADIUS_SHARE = 8.5, 0.22
"""Pitch of the joint's dots and their radius as a share of it. Our choice."""

DOTS_FADE_MM = 2.5
"""Dots fade this near to the screw, so that they do not compete with the thread (advice of the mock)."""

HATCH_PITCH_PX, HATCH_SHARE, HATCH_DEPTH_FRACTION = 14.0, 0.12, 0.10
"""Hatch on the fragments: pitch, share of it that is line, and how much darker. Our choice."""

IN_HAND, PALE_SHARE = 1, 0.5
"""The piece of the screw that the picture is of, and how far other screws are drawn towards the ground."""

BITE_STEP_MM = 0.2
"""Step at which it is looked up which fragment a tooth bites in. Our choice."""


@dataclass(frozen=True, eq=False)
class ScenePicture:
    """``rgb`` (rows, columns, 3) uint8, and ``pieces``: the rank of the fragment seen at each pixel, 0 for
    none."""

    rgb: npt.NDArray[np.uint8]
    pieces: npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Cast:
    """What n rays saw: ``colours`` (n, 3) on the ground, the fragment's rank and its distance, and for each
    of five layers (near side, far side, screw, neighbour, joint) what of it was met: ``layers`` (5, n), 0
    for nothing."""

    colours: Floats
    pieces: npt.NDArray[np.int64]
    distance_mm: Floats
    layers: npt.NDArray[np.int64]


class Scene:
    """The targets of one picture. ``own`` and ``neighbours`` may be targets that were built before."""

    def __init__(
        self,
        subject: Pictured | None,
        camera: Camera,
        own: Sequence[Piece] | RayTarget,
        neighbours: Sequence[Piece] | RayTarget,
        joint: tuple[Floats, npt.NDArray[np.int32]] | RayTarget | None,
        *,
        others: Sequence[ScrewResult] = (),
        inks: SceneInks = ON_PAPER,
        pixels_per_px: float = PIXELS_PER_PX,
    ) -> None:
        self.subject, self.camera = subject, camera
        self.inks, self.pixels_per_px = inks, pixels_per_px
        self.bone, self.neighbours = _target(own), _target(neighbours)
        if isinstance(joint, tuple):
            joint = RayTarget([(1, *joint)])
        self.joint = _target(joint or [])
        screws = [] if subject is None else [(IN_HAND, *screw_mesh(subject.result))]
        self.screw = RayTarget(screws + [(IN_HAND + 1, *screw_mesh(other)) for other in others])
        self.far_from_screw: Floats | None = None
        self._bites = self._bite_table()
        light = -0.45 * camera.right + 0.75 * camera.up + 0.55 * camera.toward
        self._light = light / np.linalg.norm(light)
        half = self._light + camera.toward
        self._half = half / np.linalg.norm(half)
        self._inks = np.array(
            [rgb_fraction(inks.steel)] + [rgb_fraction(inks.fragment(n)) for n in range(1, 256)]
        )

    def _bite_table(self) -> npt.NDArray[np.int64]:
        """Rank of the fragment bitten at each BITE_STEP_MM of depth from the screw's top."""
        if self.subject is None:
            return np.zeros(1, np.int64)
        depths_mm = np.arange(
            self.subject.top_depth_mm, self.subject.result.tip_depth_mm + BITE_STEP_MM, BITE_STEP_MM
        )
        bitten = [self.subject.bitten_at(depth_mm) for depth_mm in depths_mm.tolist()]
        return np.array([self.subject.rank(number) if number else 0 for number in bitten], np.int64)

    def cast(self, places_px: Floats) -> Cast:
        """What is seen at (n, 2) places."""
        count = len(places_px)
        camera = self.camera
        origins_mm = camera.origins_mm(places_px, FAR_MM)
        away = -camera.toward
        image = np.tile(rgb_fraction(self.inks.ground), (count, 1))
        near = self.bone.first_hits(origins_mm, away)
        # The far side: the same rays from the other end, where a ray that met the near side must meet it too.
        back_origins_mm = origins_mm[near.rays] + 2 * FAR_MM * away
        back = self.bone.first_hits(back_origins_mm, camera.toward)
        back_rays = near.rays[back.rays]
        near_mm, far_mm = np.full(count, np.inf), np.full(count, -np.inf)
        near_mm[near.rays], far_mm[back_rays] = near.distance_mm, 2 * FAR_MM - back.distance_mm
        ghost = self.neighbours.first_hits(origins_mm, away)
        behind = ghost.distance_mm >= np.minimum(near_mm[ghost.rays], 2 * FAR_MM)
        self._lay_ghost(image, ghost, behind, 1.0)
        screw = self.screw.first_hits(origins_mm, away)
        metal = self._metal(screw)
        outside = screw.distance_mm > far_mm[screw.rays]
        hidden = np.isfinite(near_mm[screw.rays]) & outside
        image[screw.rays[hidden]] = metal[hidden]
        self._lay_far_side(image, back, back_rays)
        inside = ~hidden & (screw.distance_mm >= near_mm[screw.rays])
        image[screw.rays[inside]] = metal[inside]
        self._lay_near_side(image, near, places_px)
        joint = self.joint.first_hits(origins_mm, away)
        self._lay_joint(image, joint, places_px)
        before = ~hidden & ~inside
        image[screw.rays[before]] = metal[before]
        self._lay_ghost(image, ghost, ~behind & ~np.isin(ghost.rays, screw.rays[before]), 0.6)
        pieces, layers = np.zeros(count, np.int64), np.zeros((5, count), np.int64)
        pieces[near.rays] = near.pieces
        layers[0], layers[1, back_rays] = pieces, back.pieces
        for layer, hits in enumerate((screw, ghost, joint), 2):
            layers[layer, hits.rays] = 1
        return Cast(np.clip(image, 0, 1), pieces, near_mm, layers)

    def _lay(self, image: Floats, rays: npt.NDArray[np.int64], colour: Floats, opacity: Floats) -> None:
        image[rays] = image[rays] * (1 - opacity[:, None]) + np.clip(colour, 0, 1) * opacity[:, None]

    def _grazing(self, normals: Floats) -> Floats:
        return np.asarray(np.clip(1 - np.abs(normals @ self.camera.toward), 0, 1))

    def _lay_ghost(self, image: Floats, hits: Hits, chosen: npt.NDArray[np.bool_], strength: float) -> None:
        grazing = self._grazing(hits.normals[chosen])
        colour = np.tile(rgb_fraction(self.inks.ghost), (len(grazing), 1))
        self._lay(image, hits.rays[chosen], colour, strength * (0.05 + 0.30 * grazing**2.5))

    def _lay_far_side(self, image: Floats, hits: Hits, rays: npt.NDArray[np.int64]) -> None:
        diffuse = np.clip(-(hits.normals @ self._light), 0, 1)
        colour = self._inks[hits.pieces] * (0.5 + 0.35 * diffuse[:, None])
        self._lay(image, rays, colour, 0.16 + 0.34 * self._grazing(hits.normals) ** 2)

    def _lay_near_side(self, image: Floats, hits: Hits, places_px: Floats) -> None:
        diffuse = np.clip(hits.normals @ self._light, 0, 1)
        shine = np.clip(hits.normals @ self._half, 0, 1) ** 38
        colour = self._inks[hits.pieces] * (0.64 + 0.5 * diffuse[:, None])
        opacity = 0.22 + 0.58 * self._grazing(hits.normals) ** 1.7
        line = self._hatched(hits.pieces, places_px[hits.rays]) * HATCH_DEPTH_FRACTION
        colour, opacity = colour * (1 - 1.5 * line[:, None]), opacity + line
        ring = self._rings(hits.points_mm)
        ink = np.array(rgb_fraction(self.inks.ink))
        colour = colour * (1 - 0.5 * ring[:, None]) + ink * 0.5 * ring[:, None]
        opacity = np.maximum(opacity, 0.32 * ring)
        self._lay(image, hits.rays, colour + 0.4 * shine[:, None], np.clip(opacity + 0.25 * shine, 0, 1))

    def _hatched(self, pieces: npt.NDArray[np.int64], places_px: Floats) -> Floats:
        """How much of each place lies on a line of its fragment's hatch."""
        radians = np.radians(
            [fragment_ink(max(int(n), 1)).hatch_degree for n in range(int(pieces.max(initial=0)) + 1)]
        )
        across = places_px[:, 0] * np.cos(radians[pieces]) + places_px[:, 1] * np.sin(radians[pieces])
        from_middle_px = np.abs(across % HATCH_PITCH_PX - HATCH_PITCH_PX / 2)
        return self._covered(HATCH_SHARE * HATCH_PITCH_PX / 2 - from_middle_px)

    def _rings(self, points_mm: Floats) -> Floats:
        if self.subject is None:
            return np.zeros(len(points_mm))
        depth_mm = (points_mm - self.subject.frame.origin_mm) @ self.subject.frame.along
        off_mm = np.abs((depth_mm + RING_EVERY_MM / 2) % RING_EVERY_MM - RING_EVERY_MM / 2)
        within = (depth_mm > 1) & (depth_mm < self.subject.exit_depth_mm)
        return np.asarray(self._covered(RING_HALF_PX - off_mm * self.camera.scale_px) * within)

    def _lay_joint(self, image: Floats, hits: Hits, places_px: Floats) -> None:
        places = places_px[hits.rays] / DOT_PITCH_PX
        row = np.floor(places[:, 1] / 0.87)
        from_dot = np.hypot(
            (places[:, 0] + 0.5 * (row % 2)) % 1 - 0.5, (places[:, 1] / 0.87 % 1 - 0.5) * 0.87
        )
        dot = self._covered((DOT_RADIUS_SHARE - from_dot) * DOT_PITCH_PX)
        facing = np.where(hits.normals @ self.camera.toward > 0, 1.0, 0.45)
        if self.far_from_screw is not None:
            rows, columns = self.far_from_screw.shape
            pixel = np.clip(
                (places_px[hits.rays] * self.pixels_per_px).astype(int), 0, [columns - 1, rows - 1]
            )
            facing = facing * self.far_from_screw[pixel[:, 1], pixel[:, 0]]
        colour = np.tile(rgb_fraction(self.inks.joint), (len(dot), 1))
        self._lay(image, hits.rays, colour, (0.06 + 0.50 * dot) * facing)

    def _metal(self, hits: Hits) -> Floats:
        """(n, 3) colours of the screw: steel, teeth tinted by the fragment they bite in, what is out in
        alarm."""
        if not len(hits.rays):
            return np.zeros((0, 3))
        base = np.tile(self._inks[0], (len(hits.rays), 1)) if self.subject is None else self._tinted(hits)
        diffuse = np.clip(hits.normals @ self._light, 0, 1)
        shine = np.clip(hits.normals @ self._half, 0, 1) ** 24
        rim = self._grazing(hits.normals) ** 2
        colour = (base * (0.42 + 0.62 * diffuse[:, None]) + 0.5 * shine[:, None]) * (1 - 0.45 * rim[:, None])
        others = hits.pieces != IN_HAND
        if others.any():
            ground = np.array(rgb_fraction(self.inks.ground))
            colour[others] = np.clip(colour[others], 0, 1) * (1 - PALE_SHARE) + ground * PALE_SHARE
        return np.asarray(np.clip(colour, 0, 1))

    def _tinted(self, hits: Hits) -> Floats:
        """(n, 3) the steel, before light falls on it."""
        assert self.subject is not None
        subject, frame = self.subject, self.subject.frame
        away_mm = hits.points_mm - frame.origin_mm
        depth_mm = away_mm @ frame.along
        from_axis_mm = np.linalg.norm(away_mm - depth_mm[:, None] * frame.along, axis=1)
        core_mm = radius_mm(subject.solid.core_outline_mm, depth_mm - subject.seat_mm)
        tooth = np.clip((from_axis_mm - core_mm - 0.05) / 0.15, 0, 1)
        place = np.clip(
            ((depth_mm - subject.top_depth_mm) / BITE_STEP_MM).astype(int), 0, len(self._bites) - 1
        )
        bitten = self._bites[place]
        tint = (tooth * (bitten > 0))[:, None]
        base = self._inks[0] * (1 - tint) + np.clip(self._inks[bitten] * 1.05, 0, 1) * tint
        if subject.alarm_past_exit:
            base[depth_mm > subject.exit_depth_mm] = rgb_fraction(self.inks.alarm)
        others = hits.pieces != IN_HAND
        base[others] = self._inks[0]
        return np.asarray(base)

    def _covered(self, inside_px: Floats) -> Floats:
        """How much of a pixel lies in a shape whose edge is ``inside_px`` away (positive inside): 0 … 1."""
        return np.asarray(np.clip(inside_px * self.pixels_per_px + 0.5, 0, 1))

    def fade_dots_near_screw(self, places_px: Floats, shape: tuple[int, int]) -> None:
        """Learn where the screw is seen, so that dots fade around it."""
        seen = np.zeros(len(places_px), bool)
        seen[self.screw.first_hits(self.camera.origins_mm(places_px, FAR_MM), -self.camera.toward).rays] = (
            True
        )
        if seen.any():
            away_px = distance_transform_edt(~seen.reshape(shape)) / self.pixels_per_px
            self.far_from_screw = np.clip(away_px / self.camera.scale_px / DOTS_FADE_MM, 0.25, 1)


def render(scene: Scene, between: Callable[[], None] = lambda: None, *, quick: bool = False) -> ScenePicture:
    """Cast the whole picture once, then its sharp places several times; draw fragments' edges in ink.

    ``between`` is called between the steps; what it raises ends the picture. ``quick`` casts once only.
    """
    camera, fine = scene.camera, scene.pixels_per_px
    rows, columns = round(camera.height_px * fine), round(camera.width_px * fine)
    X, Y = np.meshgrid((np.arange(columns) + 0.5) / fine, (np.arange(rows) + 0.5) / fine)
    places_px = np.column_stack([X.ravel(), Y.ravel()])
    if len(scene.joint) and not quick:
        scene.fade_dots_near_screw(places_px, (rows, columns))
        between()
    cast = scene.cast(places_px)
    between()
    image = cast.colours
    shape = (rows, columns)
    layers = cast.layers.reshape(-1, *shape)
    distance_mm = cast.distance_mm.reshape(shape)
    if not quick:
        metal = layers[SCREW_LAYER] > 0
        sharp = np.flatnonzero(sharp_pixels(layers, distance_mm, image.reshape(*shape, 3), metal))
        finer_px = places_px[sharp][:, None, :] + SUBSAMPLES / fine
        finer = scene.cast(finer_px.reshape(-1, 2)).colours
        between()
        image[sharp] = finer.reshape(len(sharp), len(SUBSAMPLES), 3).mean(1)
    seen = cast.pieces.reshape(rows, columns)
    edges = ink_edges(seen, distance_mm)
    image = image.reshape(rows, columns, 3)
    image = image * (1 - edges[..., None]) + np.array(rgb_fraction(scene.inks.edge)) * edges[..., None]
    return ScenePicture(np.rint(image * 255).astype(np.uint8), seen)


def _target(pieces: Sequence[Piece] | RayTarget) -> RayTarget:
    return pieces if isinstance(pieces, RayTarget) else RayTarget(pieces)
