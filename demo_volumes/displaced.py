"""The flaring end of a long bone's shaft, broken by a wavy fracture, its upper part turned and carried away.

The section is a rounded triangle, ``r(θ, z) = r₀ w(z) (1 + e₂ cos 2θ + e₃ cos 3θ)``, that widens downwards
(20 to 33 mm: from memory of a tibia's lower end); inside a thin cortex it is filled with cancellous bone. The
fracture has no gap of its own: the fragments fit without loss, so the bone before the injury is the truth of
the reduced one, and the plan is made in it. The motion is random (``pieces.py``). All else is our choice.
"""

from __future__ import annotations

import numpy as np

from demo_volumes.pieces import displaced
from demo_volumes.scene import (
    SLOPE_MG_CM3_PER_HU,
    SOFT_TISSUE_HU,
    DemoBone,
    Fracture,
    Limb,
    PlannedScrew,
    Scene,
    WallHU,
    fracture_waves,
    layered_hu,
    level_hu,
)
from demo_volumes.shapes import Array, Field, Waves, random_waves, smooth_step

TITLE = "End of a shaft, broken and displaced, to be reduced; two screws across the reduced fracture"

RADIUS_MM = 13.5
"""r₀ of the section."""

FLATTENING_RATIO, TRIANGLE_RATIO = 0.12, 0.07
"""e₂ and e₃ of the section: flatter than the shaft, with an edge in front."""

WIDTH_RATIO = (0.80, 1.22)
"""w at the upper and at the lower end."""

FLARE_MM = (32.0, -36.0)
"""It widens between these heights."""

BUMP_MM = 0.12
"""Height of the bumps."""

CORTEX_MM = 1.3
"""Cortex at the lower end; twice that at the upper one."""

DENSE_MG_CM3 = 760.0
"""Cortex of a bone's end as clinical CT shows it, about 990 HU. Our choice."""

SPONGY_MG_CM3 = 270.0
"""Cancellous bone, about 350 HU. Our choice within 100 to 400 HU (common practice)."""

LEVEL_HU = 230.0
"""Between bone and soft tissue, low enough for cancellous bone at the fracture to count."""

NORMAL = (0.363, 0.094, 0.927)
"""Square to the fracture, towards the upper part. Our choice: 22° oblique; at 35° the reduction slips along
the fracture by 0.3 to 0.5 mm."""

WAVE_HEIGHTS_MM, WAVELENGTHS_MM = (0.8, 0.5, 0.25), (14.0, 8.0, 4.5)
"""Of the fracture's waves. Our choice: rough enough for its relief to be compared."""

ACROSS = (0.7, 0.08, 0.0)
"""What turns the screws from the fracture's normal towards square to the bone. Our choice."""

UPPER = 1
"""The displaced fragment."""


def _outside(bumps: Waves) -> Field:
    def outside(x: Array, y: Array, z: Array) -> Array:
        rho, theta = np.sqrt(x * x + y * y), np.arctan2(x, y)
        flare = smooth_step(z, *FLARE_MM)
        width = RADIUS_MM * (WIDTH_RATIO[0] + (WIDTH_RATIO[1] - WIDTH_RATIO[0]) * flare)
        shape = 1 + FLATTENING_RATIO * np.cos(2 * theta) + TRIANGLE_RATIO * np.cos(3 * theta)
        turning = 2 * FLATTENING_RATIO * np.sin(2 * theta) + 3 * TRIANGLE_RATIO * np.sin(3 * theta)
        steep = width * turning / np.maximum(rho, RADIUS_MM / 2)
        return np.asarray((rho - width * shape) / np.sqrt(1 + steep * steep) + BUMP_MM * bumps(x, y, z))

    return outside


def _wall(texture: Waves, slow: Waves, cortex_mm: float, spongy_mg_cm3: float) -> WallHU:
    """HU inside: cortex thickening upwards, cancellous bone that thins out upwards and inwards."""

    def wall(x: Array, y: Array, z: Array, depth: Array) -> Array:
        variation, upwards = slow(x, y, z), smooth_step(z, FLARE_MM[1], FLARE_MM[0])
        thickness = cortex_mm * (1 + upwards) * (1 + 0.18 * np.clip(variation, -1.5, 1.5))
        dense = DENSE_MG_CM3 + 120 * upwards + 25 * variation
        inner = spongy_mg_cm3 * (1.06 - 0.12 * upwards + 0.25 * np.exp(-depth / 3.0) + 0.05 * variation)
        # Trabeculae follow the load: long along z.
        inner = inner * (1 + 0.14 * np.clip(texture(x, y, z * 0.6), -1.6, 2.5))
        return layered_hu(depth, thickness, dense, inner)

    return wall


def displaced_shaft_end(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The scene; ``gap_mm`` 0 leaves the bone whole, else it is the least distance of the displaced
    fragments. ``density_mg_cm3`` is that of the cancellous bone."""
    spongy = SPONGY_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    cortex = CORTEX_MM if cortex_mm is None else cortex_mm
    bumps, slow = random_waves(rng, 7, (14.0, 30.0)), random_waves(rng, 6, (9.0, 20.0))
    texture = random_waves(rng, 16, (1.5, 3.6))
    broken = gap_mm > 0
    names = ("lower part", "upper part") if broken else ("shaft end",)
    bone = DemoBone(
        "shaft end",
        _outside(bumps),
        _wall(texture, slow, cortex, spongy),
        (-22.0, -22.0, -90.0),
        (22.0, 22.0, 90.0),
        _fracture(rng) if broken else None,
        names,
    )
    limb = Limb(
        centre_mm=(2.0, -6.0),
        half_mm=(38.0, 34.0),
        fat_mm=4.0,
        tendons_mm=((22.0, 3.0, 3.4), (-20.0, -12.0, 3.0), (4.0, -24.0, 4.5), (-4.0, 22.0, 2.6)),
        texture=random_waves(rng, 6, (5.0, 14.0)),
    )
    wall_top_hu = DENSE_MG_CM3 / SLOPE_MG_CM3_PER_HU
    points = tuple(((0.0, 0.0, z), name, "shaft end") for z, name in zip((-22.0, 22.0), names, strict=False))
    return Scene(
        bones=(bone,),
        background_hu=limb,
        plan=_plan(),
        inside_points_mm=points,
        size_mm=(66.0, 66.0, 80.0),
        level_hu=level_hu(LEVEL_HU, (wall_top_hu + SOFT_TISSUE_HU) / 2, spongy),
        surface_hu=wall_top_hu,
        outside_hu=SOFT_TISSUE_HU,
        densities_mg_cm3={"cortex": DENSE_MG_CM3, "cancellous": spongy},
        displaced=displaced(rng, bone, UPPER, gap_mm) if broken else None,
    )


def _fracture(rng: np.random.Generator) -> Fracture:
    """Oblique and wavy. The far side is the upper part."""
    normal = np.array(NORMAL) / np.linalg.norm(NORMAL)
    turns = tuple(rng.uniform(0, 180, 3).tolist())
    waves = fracture_waves(normal, WAVELENGTHS_MM, turns)
    return Fracture(np.zeros(3), normal, 0.0, WAVE_HEIGHTS_MM, waves)


def _plan() -> tuple[PlannedScrew, ...]:
    """Two screws side by side through the reduced fracture, between square to it and square to the bone."""
    way = np.array(NORMAL) / np.linalg.norm(NORMAL) + np.array(ACROSS)
    return tuple(
        PlannedScrew(
            name=name,
            screw="iso5835-ha-4.5",
            from_mm=np.array(start) - 20 * way,
            towards_mm=np.array(start) + 20 * way,
            beyond_mm=1.0,
            technique="lag",
        )
        for name, start in (("front", (0.0, 5.0, -1.0)), ("rear", (0.0, -5.0, 1.0)))
    )
