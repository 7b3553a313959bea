"""The head of a thigh bone in its socket: a ball in a hollow, the space between them the same all over.

The head is a ball, the socket's hollow a ball about the same centre, larger by the joint space and cut off by
a plane, so that the area that faces is a cap, ``2 π r² (1 - h / (r + space))`` but for the rounded rim. Sizes
follow common anatomy (head 42 to 52 mm across, neck at about 130° to the shaft, the socket a little less than
half a ball: from memory); all other numbers are our choice.
"""

from __future__ import annotations

import numpy as np

from demo_volumes.scene import (
    SLOPE_MG_CM3_PER_HU,
    SOFT_TISSUE_HU,
    DemoBone,
    Limb,
    PlannedScrew,
    Scene,
    WallHU,
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
    smooth_intersection,
    smooth_step,
    smooth_union,
)
from segmentation.errors import InputError

TITLE = "Head of a thigh bone in its socket; two cancellous screws up the neck, short of the joint"

SPACE_MM = 3.0
"""Joint space with both cartilages; 3 to 5 mm in the hip (common practice)."""

LEAST_SPACE_MM = 0.5
"""No narrower one is drawn. Our choice: below, nothing parts the bones in a CT."""

HEAD_MM: Triple = (-22.0, 0.0, 18.0)
"""Middle of the head, and of the socket's hollow."""

RADIUS_MM = 23.0
"""Of the head; 21 to 26 mm (from memory)."""

SOCKET_MM = 6.5
"""Thickness of the socket's wall."""

RIM_MM = 3.0
"""The socket ends so far short of its middle: a little less than half a ball."""

RIM_ROUND_MM = 1.0
"""Rounding of the rim."""

INTO_SOCKET = (-0.70, -0.22, 0.68)
"""From the middle of the head into the socket: inwards, back and up."""

FACING_BEYOND_MM = 0.15
"""The head is joint where the socket lies within the joint space and so much more. Our choice."""

CORTEX_MM = 1.4
"""Cortex of the neck; it grows to about three times that down the shaft. Our choice."""

DENSE_MG_CM3 = 760.0
"""Cortex as clinical CT shows it. Our choice, about 990 HU."""

PLATE_MG_CM3 = 640.0
"""Subchondral plate, 400 to 800 HU and more under load (common practice)."""

SPONGY_MG_CM3 = 290.0
"""Cancellous bone of the head, about 375 HU. Our choice within 100 to 400 HU (common practice)."""

LEVEL_HU = 240.0
"""Between bone and soft tissue, low enough for cancellous bone to count."""


def _into_socket_mm(x: Array, y: Array, z: Array) -> Array:
    """How far a point lies from the middle of the head into the socket."""
    way = np.array(INTO_SOCKET) / np.linalg.norm(INTO_SOCKET)
    along = sum(float(w) * (p - c) for w, p, c in zip(way, (x, y, z), HEAD_MM, strict=True))
    return np.asarray(along)


def _femur(bumps: Waves) -> Field:
    def femur(x: Array, y: Array, z: Array) -> Array:
        neck = rod(x, y, z, HEAD_MM, (24.0, 0.0, -24.0), (14.0, 17.0))
        shaft = rod(x, y, z, (29.0, 0.0, -20.0), (31.0, 0.0, -90.0), (16.5, 13.5))
        trochanter = ellipsoid(x, y, z, (35.0, -5.0, -7.0), (11.5, 13.5, 16.0))
        body = smooth_union(smooth_union(neck, shaft, 10.0), trochanter, 9.0)
        # The bumps stay off the head, whose roundness is the point.
        away = smooth_step(ball(x, y, z, HEAD_MM, RADIUS_MM), 1.0, 9.0)
        head = ball(x, y, z, HEAD_MM, RADIUS_MM)
        return smooth_union(head, body + 0.25 * away * bumps(x, y, z), 5.0)

    return femur


def _socket(space_mm: float, bumps: Waves) -> Field:
    def socket(x: Array, y: Array, z: Array) -> Array:
        shell = ball(x, y, z, HEAD_MM, RADIUS_MM + space_mm + SOCKET_MM)
        wing = rod(x, y, z, (-40.0, -6.0, 44.0), (-38.0, -8.0, 90.0), (12.0, 9.0))
        branch = rod(x, y, z, (-48.0, 8.0, 6.0), (-90.0, 14.0, -10.0), (9.0, 7.0))
        body = smooth_union(smooth_union(shell, wing, 9.0), branch, 8.0) + 0.25 * bumps(x, y, z)
        hollow = -ball(x, y, z, HEAD_MM, RADIUS_MM + space_mm)
        # A true distance around the rim: it tells where the head is still faced.
        beyond = [np.maximum(a + RIM_ROUND_MM, 0) for a in (hollow, RIM_MM - _into_socket_mm(x, y, z))]
        within = np.minimum(np.maximum(hollow, RIM_MM - _into_socket_mm(x, y, z)) + RIM_ROUND_MM, 0)
        open_side = np.sqrt(beyond[0] ** 2 + beyond[1] ** 2) + within - RIM_ROUND_MM
        return smooth_intersection(body, open_side, RIM_ROUND_MM)

    return socket


def _wall(neighbour: Field, texture: Waves, slow: Waves, cortex_mm: float, spongy_mg_cm3: float) -> WallHU:
    """HU inside: plate where the neighbour faces, cortex thickening down the shaft, cancellous inside."""

    def wall(x: Array, y: Array, z: Array, depth: Array) -> Array:
        facing = np.zeros_like(depth)
        outer = np.flatnonzero(depth < 7.0)
        if outer.size:
            nearest = neighbour(x[outer], y[outer], z[outer])
            facing[outer] = smooth_step(nearest - depth[outer], 5.5, 3.5)
        variation, downwards = slow(x, y, z), smooth_step(z, -12.0, -50.0)
        thickness = cortex_mm * (1 + 1.6 * downwards) * (1 + 0.2 * np.clip(variation, -1.5, 1.5))
        dense = DENSE_MG_CM3 + 160 * downwards + (PLATE_MG_CM3 - DENSE_MG_CM3) * facing + 25 * variation
        inner = spongy_mg_cm3 * (1 - 0.12 * downwards + (0.2 + 0.5 * facing) * np.exp(-depth / 3.0))
        inner = inner * (1 + 0.05 * variation) * (1 + 0.13 * np.clip(texture(x, y, z), -1.6, 2.5))
        return layered_hu(depth, thickness, dense, inner)

    return wall


def ball_and_socket(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The scene; ``gap_mm`` is the joint space. ``density_mg_cm3`` is that of the cancellous bone.

    Raises InputError for a joint space below LEAST_SPACE_MM.
    """
    if gap_mm < LEAST_SPACE_MM:
        raise InputError(
            f"gap_mm of this demo is its joint space, at least {LEAST_SPACE_MM:g} (got {gap_mm:g}); "
            "give a wider one"
        )
    spongy = SPONGY_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    cortex = CORTEX_MM if cortex_mm is None else cortex_mm
    bumps, slow = random_waves(rng, 7, (11.0, 24.0)), random_waves(rng, 6, (10.0, 24.0))
    texture = random_waves(rng, 16, (1.5, 3.6))
    femur, socket = _femur(bumps), _socket(gap_mm, bumps)
    far = 1e3
    bones = (
        DemoBone(
            "femur",
            femur,
            _wall(socket, texture, slow, cortex, spongy),
            (-48.0, -27.0, -far),
            (54.0, 27.0, 44.0),
            fragment_names=("femur",),
        ),
        DemoBone(
            "socket",
            socket,
            _wall(femur, texture, slow, cortex, spongy),
            (-far, -34.0, -20.0),
            (14.0, 34.0, far),
        ),
    )
    limb = Limb(
        centre_mm=(-12.0, -4.0),
        half_mm=(86.0, 60.0),
        fat_mm=9.0,
        tendons_mm=((-8.0, 33.0, 5.0), (14.0, -31.0, 4.0)),
        texture=random_waves(rng, 6, (6.0, 16.0)),
    )
    wall_top_hu = DENSE_MG_CM3 / SLOPE_MG_CM3_PER_HU
    return Scene(
        bones=bones,
        background_hu=limb,
        plan=_plan(),
        inside_points_mm=(
            (HEAD_MM, "femur", "femur"),
            ((-41.0, -6.0, 39.0), "socket", "socket"),
        ),
        size_mm=(108.0, 72.0, 110.0),
        level_hu=level_hu(LEVEL_HU, (wall_top_hu + SOFT_TISSUE_HU) / 2, spongy),
        surface_hu=wall_top_hu,
        outside_hu=SOFT_TISSUE_HU,
        densities_mg_cm3={"cortex": DENSE_MG_CM3, "subchondral_plate": PLATE_MG_CM3, "cancellous": spongy},
        joint_reach_mm=gap_mm + FACING_BEYOND_MM,
    )


def _plan() -> tuple[PlannedScrew, ...]:
    """Two screws, one above the other, from the outer wall up the neck into the head, their tips some
    millimetres under the joint."""
    return tuple(
        PlannedScrew(
            name=name,
            screw="iso5835-hb-6.5",
            from_mm=np.array((42.0, 0.0, -42.0 + up)),
            towards_mm=np.array((-20.0, side, 18.0 + up)),
            beyond_mm=-7.0,
        )
        for name, up, side in (("lower", -5.0, 0.0), ("upper", 8.0, 0.0))
    )
