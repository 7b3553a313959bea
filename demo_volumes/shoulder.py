"""The upper end of an arm bone in four parts: head, greater and lesser tuberosity, and shaft.

Three wavy fractures, none displaced: round the head (the far side is the head), below the tuberosities (the
shaft is left below), and between them at the groove of the tendon; the later ones end on the face of the
earlier. Sizes follow common anatomy (head 43 to 50 mm across, its axis 130 to 140° to the shaft and turned
back by 20 to 30°: from memory); all other numbers are our choice.
"""

from __future__ import annotations

import numpy as np

from demo_volumes.scene import (
    SLOPE_MG_CM3_PER_HU,
    SOFT_TISSUE_HU,
    DemoBone,
    Division,
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
    random_waves,
    rod,
    smooth_difference,
    smooth_step,
    smooth_union,
)
from segmentation.vocabulary import Floats

TITLE = "Upper end of an arm bone in four parts, told apart without a click; two screws into the head"

HEAD_MM: Triple = (-7.0, -3.0, 14.0)
"""Middle of the head's ball."""

RADIUS_MM = 22.5
"""Of the head."""

TO_HEAD = (-0.66, -0.27, 0.70)
"""From the neck into the head: inwards, back and up."""

NECK_MM = -5.0
"""The head breaks off so far along TO_HEAD from the middle of its ball: a little more than half of it."""

WAIST_Z_MM = -17.0
"""Height of the fracture below the tuberosities."""

GROOVE_MM: Triple = (14.5, 17.5, 6.0)
"""A place in the groove between the tuberosities, through which the third fracture runs."""

CORTEX_MM = 1.1
"""Cortex of head and tuberosities; it grows to about three times that down the shaft."""

DENSE_MG_CM3 = 740.0
"""Cortex as clinical CT shows it. Our choice, about 960 HU."""

SPONGY_MG_CM3 = 270.0
"""Cancellous bone of the head, about 350 HU. Our choice within 100 to 400 HU (common practice)."""

LEVEL_HU = 240.0
"""Between bone and soft tissue, low enough for cancellous bone at the fractures to count."""

WAVE_HEIGHTS_MM, WAVELENGTHS_MM = (0.7, 0.25, 0.10), (17.0, 8.5, 5.5)
"""Of each fracture's waves. Our choice."""

FRAGMENTS = ("shaft", "head", "greater tuberosity", "lesser tuberosity")
"""In the order in which the fractures leave them."""


def _outside(bumps: Waves) -> Field:
    def outside(x: Array, y: Array, z: Array) -> Array:
        head = ball(x, y, z, HEAD_MM, RADIUS_MM)
        shaft = rod(x, y, z, (5.0, 0.0, -4.0), (7.0, 1.0, -34.0), (17.0, 12.2))
        shaft = smooth_union(shaft, rod(x, y, z, (7.0, 1.0, -32.0), (8.0, 1.0, -90.0), (12.4, 11.6)), 8.0)
        greater = ellipsoid(x, y, z, (13.5, -4.0, 7.0), (11.5, 15.5, 17.0))
        lesser = ellipsoid(x, y, z, (3.5, 16.0, 3.0), (7.5, 7.0, 10.5))
        neck = smooth_union(head, shaft, 9.0)
        body = smooth_union(smooth_union(neck, greater, 5.0), lesser, 5.0) + 0.3 * bumps(x, y, z)
        groove = rod(x, y, z, (15.0, 20.5, 26.0), (13.0, 17.5, -34.0), (4.4, 3.4))
        return smooth_difference(body, groove, 3.0)

    return outside


def _wall(texture: Waves, slow: Waves, cortex_mm: float, spongy_mg_cm3: float) -> WallHU:
    """HU inside: thin cortex above that thickens down the shaft, cancellous bone densest in the head."""

    def wall(x: Array, y: Array, z: Array, depth: Array) -> Array:
        variation, downwards = slow(x, y, z), smooth_step(z, -8.0, -42.0)
        in_head = smooth_step(ball(x, y, z, HEAD_MM, RADIUS_MM), 3.0, -8.0)
        thickness = cortex_mm * (1 + 2.0 * downwards) * (1 + 0.2 * np.clip(variation, -1.5, 1.5))
        dense = DENSE_MG_CM3 + 170 * downwards + 25 * variation
        inner = spongy_mg_cm3 * (0.94 + 0.14 * in_head - 0.06 * downwards + 0.3 * np.exp(-depth / 3.0))
        inner = inner * (1 + 0.05 * variation) * (1 + 0.13 * np.clip(texture(x, y, z * 0.8), -1.6, 2.5))
        return layered_hu(depth, thickness, dense, inner)

    return wall


def humerus_four_parts(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The scene; ``gap_mm`` 0 leaves the bone whole, else it is that of all three fractures.
    ``density_mg_cm3`` is that of the cancellous bone."""
    spongy = SPONGY_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    cortex = CORTEX_MM if cortex_mm is None else cortex_mm
    bumps, slow = random_waves(rng, 7, (11.0, 24.0)), random_waves(rng, 6, (10.0, 24.0))
    texture = random_waves(rng, 16, (1.5, 3.6))
    broken = gap_mm > 0
    first, *further = _fractures(rng, gap_mm) if broken else (None,)
    bone = DemoBone(
        "humerus",
        _outside(bumps),
        _wall(texture, slow, cortex, spongy),
        (-32.0, -30.0, -1e3),
        (28.0, 27.0, 40.0),
        first,
        FRAGMENTS if broken else ("humerus",),
        tuple(Division(parted, one) for parted, one in zip((0, 2), further, strict=broken)),
    )
    limb = Limb(
        centre_mm=(0.0, 0.0),
        half_mm=(54.0, 50.0),
        fat_mm=5.0,
        tendons_mm=((16.0, 22.5, 2.4), (-20.0, 30.0, 4.0), (-6.0, -33.0, 5.0)),
        texture=random_waves(rng, 6, (6.0, 16.0)),
    )
    wall_top_hu = DENSE_MG_CM3 / SLOPE_MG_CM3_PER_HU
    return Scene(
        bones=(bone,),
        background_hu=limb,
        plan=_plan(),
        inside_points_mm=_inside_points(broken=broken),
        size_mm=(76.0, 72.0, 96.0),
        level_hu=level_hu(LEVEL_HU, (wall_top_hu + SOFT_TISSUE_HU) / 2, spongy),
        surface_hu=wall_top_hu,
        outside_hu=SOFT_TISSUE_HU,
        densities_mg_cm3={"cortex": DENSE_MG_CM3, "cancellous": spongy},
    )


def _fractures(rng: np.random.Generator, gap_mm: float) -> tuple[Fracture, Fracture, Fracture]:
    """Round the head; below the tuberosities; between these. The far sides: head, tuberosities, the lesser
    one."""
    to_head = np.array(TO_HEAD) / np.linalg.norm(TO_HEAD)
    along_groove = np.array([GROOVE_MM[0] - 5.0, GROOVE_MM[1], 0.0])
    to_lesser = np.cross(along_groove / np.linalg.norm(along_groove), (0.06, 0.0, -1.0))
    return (
        _fracture(rng, np.array(HEAD_MM) + NECK_MM * to_head, to_head, gap_mm),
        _fracture(rng, np.array([5.0, 0.0, WAIST_Z_MM]), np.array([-0.14, 0.10, 0.98]), gap_mm),
        _fracture(rng, np.array(GROOVE_MM), to_lesser, gap_mm),
    )


def _fracture(rng: np.random.Generator, centre_mm: Floats, normal: Floats, gap_mm: float) -> Fracture:
    normal = normal / np.linalg.norm(normal)
    turns = tuple(rng.uniform(0, 180, 3).tolist())
    return Fracture(centre_mm, normal, gap_mm, WAVE_HEIGHTS_MM, fracture_waves(normal, WAVELENGTHS_MM, turns))


def _inside_points(*, broken: bool) -> tuple[tuple[Triple, str, str], ...]:
    if not broken:
        return ((HEAD_MM, "humerus", "humerus"),)
    return (
        ((6.5, 0.5, -27.0), "shaft", "humerus"),
        ((-11.0, -5.0, 19.0), "head", "humerus"),
        ((17.5, -4.0, 3.0), "greater tuberosity", "humerus"),
        ((2.0, 15.5, -1.0), "lesser tuberosity", "humerus"),
    )


def _plan() -> tuple[PlannedScrew, ...]:
    """One screw from each tuberosity into the head, their tips short of its surface."""
    return tuple(
        PlannedScrew(
            name=name,
            screw="iso5835-hb-4.0-partial",
            from_mm=np.array(start),
            towards_mm=np.array(towards),
            beyond_mm=-6.0,
        )
        for name, start, towards in (
            ("greater", (25.0, -8.0, 7.0), (-12.0, -9.0, 20.0)),
            ("lesser", (3.0, 22.5, -1.0), (-9.0, -3.0, 9.0)),
        )
    )
