"""A scaphoid broken at its waist, among its neighbours in the wrist.

The bone is a bean about 27 mm long, bent around the head of the capitate, with a narrower waist, a larger
proximal and a smaller distal pole, a tubercle in front and a ridge behind. Neighbours are carved to the
scaphoid's own surface moved out by the joint space, so the joints are congruent. Sizes follow common anatomy
(length 25 to 29 mm, waist 8 to 12 mm: from memory); all other numbers are our choice for a bone that looks
like one.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    Triple,
    Waves,
    ball,
    ellipsoid,
    frame_along,
    random_waves,
    rod,
    smooth_difference,
    smooth_step,
    smooth_union,
)

TITLE = "Scaphoid with a waist fracture, among its neighbours; a headless screw along its long axis"
UNEQUAL_TITLE = "The same wrist with joint spaces from 0.8 mm (worn) to 2.5 mm, to find bones and joints in"


@dataclass(frozen=True)
class JointSpaces:
    """Joint spaces with both cartilages in mm, each towards the bone of that name; 1.5 to 2.2 mm in the wrist
    (common practice). Towards the capitate it is the lunate's; the scaphoid's bean may lie farther off.
    """

    capitate_mm: float = 1.8
    lunate_mm: float = 1.7
    radius_mm: float = 2.0
    trapezium_mm: float = 1.7
    trapezoid_mm: float = 1.6


UNEQUAL = JointSpaces(capitate_mm=0.8, lunate_mm=1.2, radius_mm=2.5, trapezium_mm=1.0, trapezoid_mm=2.0)
"""From worn to wide. Our choice."""

DENSE_MG_CM3 = 600.0
"""Cortex of a carpal bone as clinical CT shows it. Our choice, about 780 HU."""

PLATE_MG_CM3 = 575.0
"""Subchondral plate: 400 to 800 HU (common practice)."""

SPONGY_MG_CM3 = 310.0
"""Cancellous bone of a young scaphoid, about 400 HU. Our choice within 100 to 400 HU (common practice)."""

CORTEX_MM = 0.9
"""Mean cortex away from the joints. Our choice."""

LEVEL_HU = 290.0
"""Between bone and soft tissue, low enough for cancellous bone to count and high enough to keep the joints
open."""

AXIS = (0.46, 0.55, -0.70)
"""Long axis from the proximal to the distal pole: to the thumb, forward and down. Our choice, about 45°
flexed."""

TO_CAPITATE = (-0.80, -0.20, -0.55)
"""Towards the capitate, in whose hollow the scaphoid lies."""

BONE = frame_along((0.0, 0.0, 0.0), AXIS, TO_CAPITATE)
"""The scaphoid's own frame: a proximal to distal, b to the capitate, c across."""

BEND_PER_MM = 0.016
"""Bend of the bean: how fast the middle line leaves a straight one. Our choice: a sagitta of about 2 mm."""

CAPITATE_MM = BONE.triple_mm(0.5, 12.2, 0.0)
"""Centre of the capitate's head."""

TRAPEZIUM_MM = BONE.triple_mm(17.8, -3.5, -8.0)
"""Centre of the trapezium."""

TRAPEZOID_MM = BONE.triple_mm(16.5, 7.0, -8.5)
"""Centre of the trapezoid."""


def _capitate(x: Array, y: Array, z: Array) -> Array:
    cx, cy, cz = CAPITATE_MM
    head = ball(x, y, z, (cx, cy, cz), 6.6)
    body = ellipsoid(x, y, z, (cx - 1.5, cy + 0.5, cz - 12.0), (7.4, 7.6, 12.0))
    return smooth_union(head, body, 5.0)


def _scaphoid(bumps: Waves, space_mm: float) -> Field:
    def scaphoid(x: Array, y: Array, z: Array) -> Array:
        a, straight, c = BONE.local(x, y, z)
        b = straight - BEND_PER_MM * a * a + 0.9
        c = c + 0.06 * a
        proximal = ellipsoid(a, b, c, (-6.5, 0.2, 0.2), (7.2, 5.5, 7.0))
        distal = ellipsoid(a, b, c, (6.9, -0.2, -0.4), (6.7, 5.6, 6.1))
        waist = ellipsoid(a, b, c, (0.0, -0.1, 0.0), (8.5, 4.0, 4.4))
        tubercle = rod(a, b, c, (7.2, -2.2, 2.2), (9.6, -3.4, 4.6), (3.4, 2.5))
        ridge = rod(a, b, c, (-3.0, -2.4, -3.6), (5.0, -3.4, -2.2), (1.6, 1.5))
        body = smooth_union(smooth_union(proximal, distal, 3.5), waist, 2.5)
        body = smooth_union(smooth_union(body, tubercle, 3.0), ridge, 2.6)
        body = body + 0.16 * bumps(x, y, z)
        return smooth_difference(body, _capitate(x, y, z) - space_mm, 1.5)

    return scaphoid


def _lunate_body(x: Array, y: Array, z: Array) -> Array:
    cx, cy, cz = CAPITATE_MM
    return ellipsoid(x, y, z, (cx - 3.5, cy - 0.5, cz + 9.5), (8.6, 8.4, 7.6))


def _lunate(scaphoid: Field, bumps: Waves, spaces: JointSpaces) -> Field:
    def lunate(x: Array, y: Array, z: Array) -> Array:
        body = _lunate_body(x, y, z) + 0.15 * bumps(x, y, z)
        body = smooth_difference(body, _capitate(x, y, z) - spaces.capitate_mm, 2.4)
        return smooth_difference(body, scaphoid(x, y, z) - spaces.lunate_mm, 2.4)

    return lunate


def _radius_body(x: Array, y: Array, z: Array) -> Array:
    end = ellipsoid(x, y, z, (-4.0, -3.0, 18.0), (16.5, 10.5, 13.0))
    shaft = rod(x, y, z, (-3.0, -3.0, 20.0), (-4.0, -4.0, 50.0), (9.5, 7.5))
    styloid = rod(x, y, z, (8.0, -3.5, 14.0), (10.5, -4.5, 3.5), (4.8, 2.6))
    return smooth_union(smooth_union(end, shaft, 6.0), styloid, 5.0)


def _radius(scaphoid: Field, lunate: Field, bumps: Waves, space_mm: float) -> Field:
    def radius(x: Array, y: Array, z: Array) -> Array:
        body = _radius_body(x, y, z) + 0.2 * bumps(x, y, z)
        carpus = smooth_union(scaphoid(x, y, z), lunate(x, y, z), 3.5)
        return smooth_difference(body, carpus - space_mm, 2.4)

    return radius


def _trapezium_body(x: Array, y: Array, z: Array) -> Array:
    return ellipsoid(x, y, z, TRAPEZIUM_MM, (7.6, 6.6, 7.2))


def _trapezium(scaphoid: Field, bumps: Waves, space_mm: float) -> Field:
    def trapezium(x: Array, y: Array, z: Array) -> Array:
        body = _trapezium_body(x, y, z) + 0.2 * bumps(x, y, z)
        return smooth_difference(body, scaphoid(x, y, z) - space_mm, 1.2)

    return trapezium


def _trapezoid_body(x: Array, y: Array, z: Array) -> Array:
    return ellipsoid(x, y, z, TRAPEZOID_MM, (6.0, 6.6, 6.8))


def _trapezoid(scaphoid: Field, trapezium: Field, bumps: Waves, space_mm: float) -> Field:
    def trapezoid(x: Array, y: Array, z: Array) -> Array:
        body = _trapezoid_body(x, y, z) + 0.2 * bumps(x, y, z)
        others = np.minimum(np.minimum(scaphoid(x, y, z), _capitate(x, y, z)), trapezium(x, y, z))
        return smooth_difference(body, others - space_mm, 1.2)

    return trapezoid


def _wall(
    neighbours: tuple[Field, ...], texture: Waves, slow: Waves, cortex_mm: float, spongy_mg_cm3: float
) -> WallHU:
    """HU inside a carpal bone: plate where a neighbour faces the surface, cortex elsewhere, cancellous
    within."""

    def wall(x: Array, y: Array, z: Array, depth: Array) -> Array:
        facing = np.zeros_like(depth)
        outer = np.flatnonzero(depth < 5.0)
        if outer.size and neighbours:
            px, py, pz = x[outer], y[outer], z[outer]
            nearest = neighbours[0](px, py, pz)
            for neighbour in neighbours[1:]:
                nearest = np.minimum(nearest, neighbour(px, py, pz))
            facing[outer] = smooth_step(nearest - depth[outer], 3.4, 2.0)
        variation = slow(x, y, z)
        thickness = cortex_mm * (1 + 0.22 * np.clip(variation, -1.5, 1.5)) + 0.35 * facing
        dense = DENSE_MG_CM3 + (PLATE_MG_CM3 - DENSE_MG_CM3) * facing + 25 * variation
        # Denser under the joints and towards the wall, as load asks for; trabeculae as a texture.
        inner = spongy_mg_cm3 * (0.93 + (0.16 + 0.34 * facing) * np.exp(-depth / 2.2) + 0.06 * variation)
        inner = inner * (1 + 0.14 * np.clip(texture(x, y, z), -1.6, 2.5))
        return layered_hu(depth, thickness, dense, inner)

    return wall


def scaphoid_waist(
    rng: np.random.Generator,
    gap_mm: float,
    cortex_mm: float | None,
    density_mg_cm3: float | None,
    spaces: JointSpaces = JointSpaces(),
) -> Scene:
    """The scene; ``gap_mm`` 0 leaves the bone whole. ``density_mg_cm3`` is that of the cancellous bone."""
    spongy = SPONGY_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    cortex = CORTEX_MM if cortex_mm is None else cortex_mm
    wall_top_hu = DENSE_MG_CM3 / SLOPE_MG_CM3_PER_HU
    bumps, slow = random_waves(rng, 7, (6.0, 11.0)), random_waves(rng, 6, (7.0, 14.0))
    texture = random_waves(rng, 16, (1.3, 3.2))
    scaphoid = _scaphoid(bumps, spaces.capitate_mm)
    lunate = _lunate(scaphoid, bumps, spaces)
    radius = _radius(scaphoid, lunate, bumps, spaces.radius_mm)
    trapezium = _trapezium(scaphoid, bumps, spaces.trapezium_mm)
    trapezoid = _trapezoid(scaphoid, trapezium, bumps, spaces.trapezoid_mm)
    cx, cy, cz = CAPITATE_MM

    def wall(*neighbours: Field) -> WallHU:
        return _wall(neighbours, texture, slow, cortex, spongy)

    def around(centre: Triple, half: Triple) -> tuple[Triple, Triple]:
        low, high = np.subtract(centre, half).tolist(), np.add(centre, half).tolist()
        return (low[0], low[1], low[2]), (high[0], high[1], high[2])

    bones = (
        DemoBone(
            "scaphoid",
            scaphoid,
            wall(_capitate, _radius_body, _lunate_body, _trapezium_body, _trapezoid_body),
            *around((0.0, 0.0, 0.0), (14.5, 14.5, 15.5)),
            _fracture(rng, gap_mm),
            ("distal scaphoid", "proximal scaphoid") if gap_mm > 0 else ("scaphoid",),
        ),
        DemoBone("radius", radius, wall(scaphoid, _lunate_body), (-22.0, -15.0, 0.0), (15.0, 9.0, 60.0)),
        DemoBone(
            "lunate",
            lunate,
            wall(scaphoid, _radius_body, _capitate),
            *around((cx - 3.5, cy - 0.5, cz + 9.5), (9.5, 9.4, 8.6)),
        ),
        DemoBone(
            "capitate",
            _capitate,
            wall(scaphoid, _lunate_body, _trapezoid_body),
            *around((cx, cy, cz - 9.0), (11.0, 9.5, 18.0)),
        ),
        DemoBone(
            "trapezium", trapezium, wall(scaphoid, _trapezoid_body), *around(TRAPEZIUM_MM, (8.6, 7.6, 8.2))
        ),
        DemoBone(
            "trapezoid",
            trapezoid,
            wall(scaphoid, _trapezium_body, _capitate),
            *around(TRAPEZOID_MM, (7.0, 7.6, 7.8)),
        ),
    )
    limb = Limb(
        centre_mm=(-9.0, -1.0),
        half_mm=(32.0, 22.0),
        fat_mm=2.2,
        tendons_mm=(
            (8.0, 13.0, 2.2),
            (1.0, 14.5, 2.4),
            (-8.0, 15.0, 3.0),
            (-15.0, 13.0, 2.6),
            (-13.0, -18.0, 1.8),
            (-3.0, -18.0, 1.6),
            (5.0, -17.0, 1.7),
            (17.0, 4.0, 1.6),
            (-24.0, 11.0, 2.0),
        ),
        texture=random_waves(rng, 6, (3.5, 9.0)),
    )
    points = _inside_points(gap_mm)
    return Scene(
        bones=bones,
        background_hu=limb,
        plan=_plan(),
        inside_points_mm=points,
        size_mm=(56.0, 56.0, 56.0),
        level_hu=level_hu(LEVEL_HU, (wall_top_hu + SOFT_TISSUE_HU) / 2, spongy),
        surface_hu=wall_top_hu,
        outside_hu=SOFT_TISSUE_HU,
        densities_mg_cm3={"cortex": DENSE_MG_CM3, "subchondral_plate": PLATE_MG_CM3, "cancellous": spongy},
        joint_reach_mm=3.2,
    )


def wrist_unequal_joints(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The same wrist with joint spaces from 0.8 to 2.5 mm."""
    return scaphoid_waist(rng, gap_mm, cortex_mm, density_mg_cm3, UNEQUAL)


def _fracture(rng: np.random.Generator, gap_mm: float) -> Fracture | None:
    """Across the waist, about 20° oblique to the long axis, waves of half a millimetre. The far side is
    proximal."""
    if gap_mm <= 0:
        return None
    normal = -(BONE.axes[0] + 0.30 * BONE.axes[1] + 0.22 * BONE.axes[2])
    normal /= np.linalg.norm(normal)
    turns = tuple(rng.uniform(0, 180, 3).tolist())
    return Fracture(
        BONE.point_mm(0.6, 0.0, 0.0),
        normal,
        gap_mm,
        (0.42, 0.22, 0.12),
        fracture_waves(normal, (9.0, 5.2, 3.1), turns),
    )


def _inside_points(gap_mm: float) -> tuple[tuple[Triple, str, str], ...]:
    """A point in each piece, with its name and its bone."""
    cx, cy, cz = CAPITATE_MM
    own = [
        (BONE.triple_mm(7.0, 0.0, 0.0), "distal scaphoid", "scaphoid"),
        (BONE.triple_mm(-6.5, 0.0, 0.0), "proximal scaphoid", "scaphoid"),
    ]
    if gap_mm <= 0:
        own = [(own[0][0], "scaphoid", "scaphoid")]
    return (
        *own,
        ((-3.0, -3.0, 22.0), "radius", "radius"),
        ((cx - 4.0, cy - 0.5, cz + 11.5), "lunate", "lunate"),
        ((cx, cy, cz - 1.0), "capitate", "capitate"),
        (TRAPEZIUM_MM, "trapezium", "trapezium"),
        (TRAPEZOID_MM, "trapezoid", "trapezoid"),
    )


def _plan() -> tuple[PlannedScrew, ...]:
    """A central headless screw from the tubercle side to the proximal pole, its trailing end buried 2.8
    mm."""
    return (
        PlannedScrew(
            name="S1",
            screw="headless-two-pitch-3.0-3.9",
            from_mm=BONE.point_mm(8.0, -0.9, 2.0),
            towards_mm=BONE.point_mm(-7.0, 0.05, -0.2),
            beyond_mm=-2.9,
            seat_depth_mm=3.2,
        ),
    )
