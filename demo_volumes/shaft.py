"""A piece of a long bone's shaft, broken obliquely, with its marrow; it leaves the scan at both ends.

The section is a rounded triangle, ``r(θ) = r₀ (1 + e₂ cos 2θ + e₃ cos 3θ)``, a little wider upwards; the
field is ``(ρ - r) / √(1 + (r'/ρ)²)``, first order in the distance. Cortex 4 to 5 mm, marrow mostly fat. Sizes
follow the middle of a tibia (width 22 to 28 mm: from memory); the rest is our choice.
"""

from __future__ import annotations

import numpy as np

from demo_volumes.scene import (
    FAT_HU,
    SLOPE_MG_CM3_PER_HU,
    SOFT_TISSUE_HU,
    DemoBone,
    Fracture,
    Limb,
    PlannedScrew,
    Scene,
    WallHU,
    fracture_waves,
)
from demo_volumes.shapes import Array, Waves, random_waves, smooth_step

TITLE = "Shaft of a long bone with an oblique fracture; a lag screw across it and a position screw"

RADIUS_MM = 12.6
"""Mean outer radius at the middle of the scan."""

FLATTENING_RATIO = 0.05
"""e₂ of the section."""

TRIANGLE_RATIO = 0.055
"""e₃ of the section: the crest lies in front."""

TAPER_PER_MM = 0.0015
"""How the outer radius grows with height."""

CORTEX_MM = 4.5
"""Mean cortex; thickest under the crest."""

DENSE_MG_CM3 = 1080.0
"""Cortical bone, about 1400 HU; 900 to 1900 HU (common practice)."""

MARROW_HU = -60.0
"""Yellow marrow: fat with some blood and cells (common practice)."""


def section_radius_mm(theta_radian: Array) -> Array:
    """Outer radius at mid height in each direction (0 = front)."""
    shape = 1 + FLATTENING_RATIO * np.cos(2 * theta_radian) + TRIANGLE_RATIO * np.cos(3 * theta_radian)
    return np.asarray(RADIUS_MM * shape)


def outside(x: Array, y: Array, z: Array) -> Array:
    """Field of the shaft's outer surface."""
    rho = np.sqrt(x * x + y * y)
    theta = np.arctan2(x, y)
    widening = 1 + TAPER_PER_MM * z
    slope = -RADIUS_MM * widening * (
        2 * FLATTENING_RATIO * np.sin(2 * theta) + 3 * TRIANGLE_RATIO * np.sin(3 * theta)
    )  # fmt: skip
    steep = slope / np.maximum(rho, RADIUS_MM / 2)
    return np.asarray((rho - section_radius_mm(theta) * widening) / np.sqrt(1 + steep * steep))


def _wall(texture: Waves, slow: Waves, cortex_mm: float, dense_mg_cm3: float) -> WallHU:
    """HU inside: cortex, a rough inner rim of struts, marrow."""

    def wall(x: Array, y: Array, z: Array, depth: Array) -> Array:
        theta = np.arctan2(x, y)
        grain = texture(x, y, z * 0.35)
        thickness = cortex_mm * (1 + 0.10 * np.cos(theta) + 0.05 * np.cos(3 * theta) + 0.05 * slow(x, y, z))
        inward = depth - thickness
        dense = (dense_mg_cm3 + 12 * grain) / SLOPE_MG_CM3_PER_HU
        # The endosteal rim is partly resorbed: struts reach a millimetre or two into the marrow.
        marrow = MARROW_HU + 8 * grain + 260 * np.clip(grain, 0, None) * np.exp(-np.maximum(inward, 0) / 0.9)
        return np.asarray(dense + (marrow - dense) * smooth_step(inward + 0.25 * grain, -0.45, 0.45))

    return wall


def diaphysis(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The scene; ``gap_mm`` 0 leaves the bone whole. ``density_mg_cm3`` is that of the cortex."""
    dense = DENSE_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    cortex = CORTEX_MM if cortex_mm is None else cortex_mm
    slow, texture = random_waves(rng, 8, (12.0, 26.0)), random_waves(rng, 16, (1.2, 3.0))
    fracture = _fracture(rng, gap_mm)
    names = ("lower shaft", "upper shaft") if fracture else ("shaft",)
    bone = DemoBone(
        "shaft",
        outside,
        _wall(texture, slow, cortex, dense),
        (-17.5, -17.5, -90.0),
        (17.5, 17.5, 90.0),
        fracture,
        names,
    )
    limb = Limb(
        centre_mm=(3.0, -12.0),
        half_mm=(44.0, 36.0),
        fat_mm=4.0,
        tendons_mm=((22.0, 2.0, 5.0), (-18.0, -14.0, 4.0), (4.0, -22.0, 6.0)),
        texture=random_waves(rng, 6, (5.0, 14.0)),
        tendon_hu=62.0,
    )
    points = (((10.3, 0.0, -24.0), names[0], "shaft"), ((10.3, 0.0, 24.0), names[-1], "shaft"))
    return Scene(
        bones=(bone,),
        background_hu=limb,
        plan=_plan(),
        inside_points_mm=points if fracture else points[:1],
        size_mm=(64.0, 64.0, 80.0),
        level_hu=float(round((dense / SLOPE_MG_CM3_PER_HU + SOFT_TISSUE_HU) / 2)),
        surface_hu=dense / SLOPE_MG_CM3_PER_HU,
        outside_hu=SOFT_TISSUE_HU,
        densities_mg_cm3={
            "cortex": dense,
            "marrow": MARROW_HU * SLOPE_MG_CM3_PER_HU,
            "fat": FAT_HU * SLOPE_MG_CM3_PER_HU,
        },
    )


NORMAL = (0.80, 0.20, 0.566)
"""Square to the fracture, towards the upper piece. Our choice: an oblique fracture about 55° to the
section."""


def _fracture(rng: np.random.Generator, gap_mm: float) -> Fracture | None:
    """Oblique, with waves of a third of a millimetre. The far side is the upper piece."""
    if gap_mm <= 0:
        return None
    normal = np.array(NORMAL) / np.linalg.norm(NORMAL)
    turns = tuple(rng.uniform(0, 180, 3).tolist())
    waves = fracture_waves(normal, (16.0, 7.0, 3.6), turns)
    return Fracture(np.zeros(3), normal, gap_mm, (0.35, 0.16, 0.08), waves)


def _plan() -> tuple[PlannedScrew, ...]:
    """A lag screw through the fracture, between square to it and square to the shaft; a screw through both
    walls above."""
    lag = np.array(NORMAL) / np.linalg.norm(NORMAL) + np.array([0.45, 0.05, 0.0])
    return (
        PlannedScrew(
            name="lag",
            screw="iso5835-ha-4.5",
            from_mm=-20 * lag,
            towards_mm=20 * lag,
            beyond_mm=1.0,
            technique="lag",
        ),
        PlannedScrew(
            name="position",
            screw="iso5835-ha-4.5",
            from_mm=np.array([-20.0, 3.0, 24.5]),
            towards_mm=np.array([20.0, -2.0, 24.5]),
            beyond_mm=1.0,
        ),
    )
