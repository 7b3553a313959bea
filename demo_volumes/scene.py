"""What lies in front of the scanner: bones, a fracture, and the tissue around them, each a formula.

Everything is told in the *anatomical* frame: x to the patient's right, y to the front, z up, in mm, for the
right side of the body, with the middle of the scan at the origin. ``placement`` (3, 3) then turns the patient
(and mirrors for the left side): patient mm = placement · anatomical mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from demo_volumes.shapes import Array, Field, Triple, Waves, smooth_step

SLOPE_MG_CM3_PER_HU = 0.77
"""HA density per HU at 120 kV: 0.75 to 0.78, derived from mass attenuation and from memory; intercept 0."""

SOFT_TISSUE_HU = 40.0
"""Muscle 40 to 60 HU (common practice)."""

FAT_HU = -90.0
"""Fat -110 to -90 HU (common practice)."""

AIR_HU = -1000.0
"""Air, by the definition of the Hounsfield scale."""

HAEMATOMA_HU = 50.0
"""What fills a fresh fracture: blood, 35 to 50 HU (common practice)."""

SHEATH_SHARE_FRACTION = 0.45
"""How much of the thin layer around a tendon is fat. Our choice, by eye."""

SHEATH_MM = 1.6
"""Thickness of that layer. Our choice, by eye."""

SKIN_EDGE_MM = 0.15
"""Half the width over which skin becomes air. Our choice."""

SHALLOW_MM = 3.0
"""Deeper than fat and skin by this, no skin or fat is drawn: the texture that waves their border stays
within."""

ENDOSTEAL_BLEND_MM = 0.5
"""Cortex gives way to cancellous bone over this depth. Our choice: it has no sharp inner edge either."""

LEVEL_SHARE_FRACTION = 0.74
"""Level over the cancellous bone's HU. Our choice: its texture's dips stay above."""

LOWERED_FRACTION = 0.83
"""No usual level is lowered below this share of it. Our choice: lower, the default gaps close."""

NAMING_REACH_MM = 1.5
"""How far a naming point may move. Our choice: a little more than a trabecular mesh of the texture."""

NAMING_COUNT = 13
"""Points along each edge of the cube searched."""

ASIDE_MM = 1.0
"""Farther beyond a fracture's face the outer surface is not asked for. Our choice: ten steps of the truth."""

WallHU = Callable[[Array, Array, Array, Array], Array]
"""HU inside a bone: of x, y, z and the depth under its surface in mm."""


@dataclass(frozen=True, eq=False)
class Fracture:
    """A slightly wavy plane along which a bone is parted.

    The surface is ``n · (p - c) = waves``, the waves functions of the two coordinates in the plane; both
    faces lie half of ``gap_mm`` from it along the normal. The far side of the normal is the second fragment.
    """

    centre_mm: npt.NDArray[np.float64]
    normal: npt.NDArray[np.float64]
    gap_mm: float
    wave_heights_mm: tuple[float, ...] = ()
    wave_vectors: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))
    filling_hu: float = HAEMATOMA_HU

    def side(self, x: Array, y: Array, z: Array) -> Array:
        """Height above the wavy surface along the normal, in mm."""
        dx, dy, dz = (p - float(c) for p, c in zip((x, y, z), self.centre_mm, strict=True))
        nx, ny, nz = self.normal.tolist()
        height = nx * dx + ny * dy + nz * dz
        for (kx, ky, kz), size in zip(self.wave_vectors.tolist(), self.wave_heights_mm, strict=True):
            height = height - size * np.sin(kx * dx + ky * dy + kz * dz)
        return np.asarray(height)


@dataclass(frozen=True, eq=False)
class Division:
    """A fracture through one of the fragments that those before it left; the far side becomes the last one.

    It ends where that fragment ends: on the face of an earlier fracture.
    """

    fragment: int
    fracture: Fracture


@dataclass(frozen=True, eq=False)
class Displacement:
    """Where an injury moved a fragment of the first bone: ``motion`` (4, 4), from its place to as scanned.

    Both ends in anatomical mm. Everything else is told of the bone as it was before.
    """

    fragment: int
    motion: npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DemoBone:
    """One bone: its outer field, its HU inside, and the anatomical box (low, high) that holds it.

    ``fracture`` parts it in two; ``further`` ones part what that left, in order.
    """

    name: str
    outside: Field
    wall_hu: WallHU
    low_mm: Triple
    high_mm: Triple
    fracture: Fracture | None = None
    fragment_names: tuple[str, ...] = ()
    further: tuple[Division, ...] = ()

    @property
    def divisions(self) -> tuple[Division, ...]:
        """Every fracture with the fragment it parts, in order."""
        return () if self.fracture is None else (Division(0, self.fracture), *self.further)

    def sides(self, index: int) -> tuple[tuple[Fracture, int], ...]:
        """The fractures that bound a fragment, each with 1 where it is the near side and -1 the far one."""
        bounds: list[tuple[tuple[Fracture, int], ...]] = [()]
        for division in self.divisions:
            parted = bounds[division.fragment]
            bounds.append((*parted, (division.fracture, -1)))
            bounds[division.fragment] = (*parted, (division.fracture, 1))
        return bounds[index]

    def between_faces(self, index: int) -> Field:
        """Field of the room between the fractures that bound a fragment of a broken bone."""

        def between(x: Array, y: Array, z: Array) -> Array:
            faces = [
                sign * fracture.side(x, y, z) + fracture.gap_mm / 2 for fracture, sign in self.sides(index)
            ]
            return np.asarray(np.max(faces, axis=0))

        return between

    def fragment_field(self, index: int) -> Field:
        """Field of one fragment (of two: 0 the near side of the fracture, 1 the far side); the whole bone
        when intact."""
        if self.fracture is None:
            return self.outside
        between = self.between_faces(index)

        def fragment(x: Array, y: Array, z: Array) -> Array:
            return np.asarray(np.maximum(self.outside(x, y, z), between(x, y, z)))

        return fragment

    def near_fragment_field(self, index: int) -> Field:
        """As ``fragment_field``, but farther than ASIDE_MM beyond a fracture's face only above that: quick,
        and of the same sign and zeros."""
        if self.fracture is None:
            return self.outside
        between = self.between_faces(index)

        def fragment(x: Array, y: Array, z: Array) -> Array:
            values = between(x, y, z)
            near = np.flatnonzero(values < ASIDE_MM)
            values[near] = np.maximum(values[near], self.outside(x[near], y[near], z[near]))
            return values

        return fragment


@dataclass(frozen=True, eq=False)
class PlannedScrew:
    """A screw as a surgeon would ask for it, before its length is chosen.

    ``from_mm`` and ``towards_mm`` (3,) are two points of the axis, anatomical mm. ``beyond_mm`` is how far
    the tip goes past the exit (negative: stays short of it); the nearest stocked length that keeps to that is
    taken.
    """

    name: str
    screw: str
    from_mm: npt.NDArray[np.float64]
    towards_mm: npt.NDArray[np.float64]
    beyond_mm: float
    technique: Literal["position", "lag"] = "position"
    seat_depth_mm: float = 0.0
    wanted_length_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Scene:
    """A patient, or a block, made of formulas. ``bones[0]`` is the one the plan is for."""

    bones: tuple[DemoBone, ...]
    background_hu: Field
    plan: tuple[PlannedScrew, ...]
    inside_points_mm: tuple[tuple[Triple, str, str], ...]
    size_mm: Triple
    level_hu: float
    surface_hu: float
    outside_hu: float
    densities_mg_cm3: dict[str, float]
    slope_mg_cm3_per_hu: float = SLOPE_MG_CM3_PER_HU
    intercept_mg_cm3: float = 0.0
    host: Literal["bone", "foam"] = "bone"
    joint_reach_mm: float | None = None
    displaced: Displacement | None = None


def level_hu(usual_hu: float, half_hu: float, spongy_mg_cm3: float) -> float:
    """The grey level to segment at, for cancellous bone of this density.

    The usual one, or a little lower, while the cancellous bone stays above it; for weaker bone the half level
    of its wall, whose inside is then a hollow.
    """
    spongy_hu = LEVEL_SHARE_FRACTION * spongy_mg_cm3 / SLOPE_MG_CM3_PER_HU
    if spongy_hu < LOWERED_FRACTION * usual_hu:
        return float(round(half_hu))
    return float(round(min(usual_hu, spongy_hu)))


def naming_point(bone: DemoBone, near_mm: Triple) -> Triple:
    """The brightest point within NAMING_REACH_MM of the given one: a name put there never falls into a dark
    mesh."""
    line = np.linspace(-NAMING_REACH_MM, NAMING_REACH_MM, NAMING_COUNT)
    offsets = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(-1, 3)
    x, y, z = (np.array(near_mm) + offsets).T
    depth = -bone.outside(x, y, z)
    hu = np.where(depth > NAMING_REACH_MM, bone.wall_hu(x, y, z, np.maximum(depth, 0)), AIR_HU)
    best = int(np.argmax(hu))
    return float(x[best]), float(y[best]), float(z[best])


def layered_hu(
    depth_mm: Array,
    cortex_mm: Array | float,
    cortex_density_mg_cm3: Array | float,
    inner_density_mg_cm3: Array | float,
) -> Array:
    """HU of a bone wall: cortex down to ``cortex_mm``, then what lies within; mg HA/cm³ in, HU out."""
    inward = depth_mm - cortex_mm
    inner = smooth_step(np.asarray(inward), -ENDOSTEAL_BLEND_MM / 2, ENDOSTEAL_BLEND_MM / 2)
    density = cortex_density_mg_cm3 + (inner_density_mg_cm3 - cortex_density_mg_cm3) * inner
    return np.asarray(density / SLOPE_MG_CM3_PER_HU)


def fracture_waves(
    normal: npt.NDArray[np.float64], wavelengths_mm: tuple[float, ...], turns_degree: tuple[float, ...]
) -> npt.NDArray[np.float64]:
    """(n, 3) wave vectors lying in the plane of ``normal``, each turned in it by its angle."""
    aside = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < abs(normal[0]) else [1.0, 0.0, 0.0])
    aside /= np.linalg.norm(aside)
    across = np.cross(normal, aside)
    turns = np.radians(turns_degree)[:, None]
    return np.asarray(
        2 * np.pi / np.asarray(wavelengths_mm)[:, None] * (np.cos(turns) * aside + np.sin(turns) * across)
    )


@dataclass(frozen=True, eq=False)
class Limb:
    """Skin, the fat under it, muscle and tendons around the bones, running along z.

    The section is an ellipse (x, y). A tendon is (x, y, radius) at z = 0.
    """

    centre_mm: tuple[float, float]
    half_mm: tuple[float, float]
    fat_mm: float
    tendons_mm: tuple[tuple[float, float, float], ...]
    texture: Waves
    skin_mm: float = 1.6
    tendon_hu: float = 85.0
    texture_hu: float = 14.0

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """HU at each point: air outside the skin."""
        u, v = (x - self.centre_mm[0]) / self.half_mm[0], (y - self.centre_mm[1]) / self.half_mm[1]
        depth = (1 - np.sqrt(u * u + v * v)) * min(self.half_mm)
        hu = np.full_like(x, AIR_HU)
        within = np.flatnonzero(depth > -SKIN_EDGE_MM)
        x, y, z, depth = x[within], y[within], z[within], depth[within]
        texture = self.texture(x, y, z)
        flesh = SOFT_TISSUE_HU + self.texture_hu * texture
        for tendon in self.tendons_mm:
            self._put_tendon(flesh, x, y, tendon)
        shallow = np.flatnonzero(depth < self.fat_mm + self.skin_mm + SHALLOW_MM)
        flesh[shallow] = self._covered(flesh[shallow], depth[shallow], texture[shallow])
        hu[within] = flesh
        return hu

    def _put_tendon(self, flesh: Array, x: Array, y: Array, tendon_mm: tuple[float, float, float]) -> None:
        """A tendon with a little fat around it, written into ``flesh``."""
        across, forward, radius = tendon_mm
        square = (x - across) ** 2 + (y - forward) ** 2
        near = np.flatnonzero(square < (radius + SHEATH_MM) ** 2)
        beyond = np.sqrt(square[near]) - radius
        sheath = SHEATH_SHARE_FRACTION * smooth_step(np.abs(beyond - SHEATH_MM / 2), SHEATH_MM / 2, 0.2)
        hu = flesh[near] + sheath * (FAT_HU - flesh[near])
        flesh[near] = hu + (self.tendon_hu - hu) * smooth_step(beyond, 0.3, -0.3)

    def _covered(self, flesh: Array, depth: Array, texture: Array) -> Array:
        """Fat over the flesh, skin over the fat, air over the skin."""
        fat_to = self.fat_mm + self.skin_mm
        fatty = smooth_step(depth + 0.5 * texture, fat_to + 0.7, fat_to - 0.7)
        hu = flesh + (FAT_HU - flesh) * fatty
        hu = hu + (SOFT_TISSUE_HU + 20 - hu) * smooth_step(depth, self.skin_mm + 0.3, self.skin_mm - 0.3)
        return np.asarray(hu + (AIR_HU - hu) * smooth_step(depth, SKIN_EDGE_MM, -SKIN_EDGE_MM))
