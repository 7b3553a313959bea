"""A medial malleolus broken obliquely, over the dome of the talus.

The end of the tibia narrows upwards into the shaft; the malleolus hangs from its inner side with a longer
front and a shorter rear colliculus; the roof of the joint and the malleolus' inner facet are the talus' own
surface moved out by the joint space. Sizes follow common anatomy (joint 40 to 45 mm wide, malleolus 13 to 15
mm deep: from memory); all other numbers are our choice. The fracture starts at the corner of the joint and
climbs to the inner side (common practice).
"""

from __future__ import annotations

import numpy as np

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
from demo_volumes.shapes import (
    Array,
    Field,
    Waves,
    random_waves,
    rod,
    smooth_difference,
    smooth_intersection,
    smooth_step,
    smooth_union,
)

TITLE = "Medial malleolus with an oblique fracture; two partially threaded cancellous screws"

ROOF_MM = -16.0
"""Height of the joint's roof. The scan's middle lies 16 mm above it."""

JOINT_MM = 2.4
"""Joint space of the ankle with both cartilages; 2 to 4 mm (common practice)."""

CORTEX_MM = 1.3
"""Cortex of the malleolus; it grows to about three times that towards the shaft. Our choice."""

DENSE_MG_CM3 = 720.0
"""Cortex of a bone's end as clinical CT shows it. Our choice, about 935 HU."""

PLATE_MG_CM3 = 620.0
"""Subchondral plate, 400 to 800 HU and more under load (common practice)."""

SPONGY_MG_CM3 = 270.0
"""Cancellous bone just above the joint, about 350 HU. Our choice within 100 to 400 HU (common practice)."""

LEVEL_HU = 240.0
"""Between bone and soft tissue, low enough for cancellous bone at the fracture to count."""

SECTION_EXPONENT_FACTOR = 2.6
"""Exponent of the tibia's rounded-square section (2 is an ellipse). Our choice."""

TALUS_RADIUS_MM = 18.5
"""Radius of the dome, about the axis across the ankle. From memory: 17 to 21 mm."""

DIRECTION = (0.28, -0.03, 0.96)
"""The screws' way from the malleolus up into the tibia. Our choice: about 14° from square to the fracture."""


def _talus(x: Array, y: Array, z: Array) -> Array:
    groove = 0.8 * np.exp(-(((x - 4.5) / 6.0) ** 2))
    dome = np.sqrt((y + 1.0) ** 2 + (z - (ROOF_MM - JOINT_MM - TALUS_RADIUS_MM)) ** 2) - (
        TALUS_RADIUS_MM - groove
    )
    # Wider in front than behind, its shoulders rounded; the edge towards the foot does not matter here.
    sides = np.abs(x - 4.5) - (13.2 + 0.05 * (ROOF_MM - z) + 0.09 * y)
    ends = np.sqrt(((x - 4.5) / 1.15) ** 2 + (y + 1.0) ** 2) - 17.6
    return smooth_intersection(smooth_intersection(dome, sides, 3.5), ends, 8.0)


def _fibula(x: Array, y: Array, z: Array) -> Array:
    shaft = rod(x, y, z, (29.0, -7.0, 45.0), (28.5, -6.0, -16.0), (5.5, 7.0))
    return smooth_union(shaft, rod(x, y, z, (28.5, -5.0, -14.0), (27.5, -6.0, -38.0), (7.0, 5.5)), 4.0)


def _tibia(bumps: Waves) -> Field:
    def tibia(x: Array, y: Array, z: Array) -> Array:
        narrow = smooth_step(z, ROOF_MM + 2, ROOF_MM + 56)
        half_x, half_y = 21.5 - 8.0 * narrow, 17.0 - 4.5 * narrow
        u, v = np.abs(x - (4.5 - 0.5 * narrow)) / half_x, np.abs(y - 0.5) / half_y
        section = (u**SECTION_EXPONENT_FACTOR + v**SECTION_EXPONENT_FACTOR) ** (1 / SECTION_EXPONENT_FACTOR)
        end = smooth_intersection((section - 1) * half_y, ROOF_MM - 3.5 - z, 6.0)
        front = rod(x, y, z, (-14.8, 5.5, ROOF_MM + 4), (-16.6, 6.6, ROOF_MM - 11.4), (6.2, 4.4))
        rear = rod(x, y, z, (-14.4, -5.0, ROOF_MM + 4), (-16.0, -6.0, ROOF_MM - 7.5), (6.2, 4.6))
        middle = rod(x, y, z, (-14.6, 0.0, ROOF_MM + 4), (-15.6, 0.2, ROOF_MM - 5.0), (6.2, 4.8))
        malleolus = smooth_union(smooth_union(front, rear, 6.0), middle, 5.0)
        body = smooth_union(end, malleolus, 8.0) + 0.22 * bumps(x, y, z)
        body = smooth_difference(body, _fibula(x, y, z) - 2.0, 2.5)
        return smooth_difference(body, _talus(x, y, z) - JOINT_MM, 1.8)

    return tibia


def _wall(
    neighbours: tuple[Field, ...], texture: Waves, slow: Waves, cortex_mm: float, spongy_mg_cm3: float
) -> WallHU:
    """HU inside: plate over the joint, cortex thickening up the shaft, cancellous bone thinning out
    upwards."""

    def wall(x: Array, y: Array, z: Array, depth: Array) -> Array:
        facing = np.zeros_like(depth)
        outer = np.flatnonzero(depth < 7.0)
        if outer.size:
            nearest = neighbours[0](x[outer], y[outer], z[outer])
            facing[outer] = smooth_step(nearest - depth[outer], 4.4, 2.8)
        variation = slow(x, y, z)
        upwards = smooth_step(z, ROOF_MM + 6, ROOF_MM + 60)
        thickness = cortex_mm * (1 + 1.9 * upwards) * (1 + 0.2 * np.clip(variation, -1.5, 1.5)) + 0.4 * facing
        dense = DENSE_MG_CM3 + 180 * upwards + (PLATE_MG_CM3 - DENSE_MG_CM3) * facing + 25 * variation
        inner = spongy_mg_cm3 * (
            1 - 0.15 * upwards + (0.25 + 0.5 * facing) * np.exp(-depth / 3.0) + 0.05 * variation
        )
        # Trabeculae follow the load: long along z.
        inner = inner * (1 + 0.16 * np.clip(texture(x, y, z * 0.55), -1.6, 2.5))
        return layered_hu(depth, thickness, dense, inner)

    return wall


def malleolus_oblique(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The scene; ``gap_mm`` 0 leaves the bone whole. ``density_mg_cm3`` is that of the cancellous bone."""
    spongy = SPONGY_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    cortex = CORTEX_MM if cortex_mm is None else cortex_mm
    wall_top_hu = DENSE_MG_CM3 / SLOPE_MG_CM3_PER_HU
    bumps, slow = random_waves(rng, 7, (9.0, 18.0)), random_waves(rng, 6, (9.0, 20.0))
    texture = random_waves(rng, 16, (1.5, 3.6))
    tibia = _tibia(bumps)
    broken = gap_mm > 0
    names = ("malleolus", "tibia") if broken else ("tibia",)
    far = (1e3, 1e3, 1e3)
    bones = (
        DemoBone(
            "tibia",
            tibia,
            _wall((_talus,), texture, slow, cortex, spongy),
            (-27.0, -23.0, -34.0),
            (26.0, 23.0, far[2]),
            _fracture(rng, gap_mm),
            names,
        ),
        DemoBone(
            "talus",
            _talus,
            _wall((tibia,), texture, slow, cortex, spongy * 1.2),
            (-15.0, -25.0, -far[2]),
            (24.0, 23.0, -15.0),
        ),
        DemoBone(
            "fibula",
            _fibula,
            _wall((_talus,), texture, slow, cortex * 1.3, spongy),
            (19.0, -18.0, -far[2]),
            (40.0, 6.0, far[2]),
        ),
    )
    limb = Limb(
        centre_mm=(7.0, -3.0),
        half_mm=(36.0, 33.0),
        fat_mm=3.0,
        tendons_mm=(
            (-2.0, 22.0, 3.4),
            (9.0, 22.5, 2.6),
            (-16.0, -16.5, 2.8),
            (-12.0, -20.5, 2.4),
            (4.0, -28.0, 4.2),
        ),
        texture=random_waves(rng, 6, (4.0, 11.0)),
    )
    fragment_points = [
        ((-16.8, 4.0, ROOF_MM - 8.0), "malleolus", "tibia"),
        ((4.0, 0.0, 10.0), "tibia", "tibia"),
    ]
    return Scene(
        bones=bones,
        background_hu=limb,
        plan=_plan(),
        inside_points_mm=(
            *(fragment_points if broken else fragment_points[1:]),
            ((4.5, -1.0, -28.0), "talus", "talus"),
            ((28.5, -6.5, 0.0), "fibula", "fibula"),
        ),
        size_mm=(66.0, 60.0, 74.0),
        level_hu=level_hu(LEVEL_HU, (wall_top_hu + SOFT_TISSUE_HU) / 2, spongy),
        surface_hu=wall_top_hu,
        outside_hu=SOFT_TISSUE_HU,
        densities_mg_cm3={"cortex": DENSE_MG_CM3, "subchondral_plate": PLATE_MG_CM3, "cancellous": spongy},
        joint_reach_mm=4.2,
    )


def _fracture(rng: np.random.Generator, gap_mm: float) -> Fracture | None:
    """From the corner of the joint upwards to the inner side. The far side is the tibia."""
    if gap_mm <= 0:
        return None
    normal = np.array([0.50, -0.05, 0.865])
    normal /= np.linalg.norm(normal)
    turns = tuple(rng.uniform(0, 180, 3).tolist())
    return Fracture(
        np.array([-12.5, 0.0, ROOF_MM + 0.8]),
        normal,
        gap_mm,
        (0.5, 0.26, 0.12),
        fracture_waves(normal, (14.0, 7.5, 4.0), turns),
    )


def _plan() -> tuple[PlannedScrew, ...]:
    """Two screws side by side, the front one through the front colliculus; their threads lie beyond the
    fracture."""
    return tuple(
        PlannedScrew(
            name=name,
            screw="iso5835-hb-4.0-partial",
            from_mm=np.array(start),
            towards_mm=np.array(start) + 30 * np.array(DIRECTION),
            beyond_mm=-5.0,
            wanted_length_mm=length,
        )
        for name, start, length in (
            ("front", (-17.4, 5.6, ROOF_MM - 8.0), 40.0),
            ("rear", (-16.8, -4.2, ROOF_MM - 6.0), 40.0),
        )
    )
