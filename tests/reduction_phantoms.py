"""Broken bones whose way back is known exactly, as a scanner would show them.

A bone is a formula: an outline about its own z axis, a cortex, and inside it textured cancellous bone or an
empty marrow. A wavy surface without thickness cuts it in two; the upper piece is moved rigidly, and both are
shown in one CT: filled on a grid finer than the voxels, blurred by a Gaussian, averaged over each voxel, with
white noise. The bone stands at a random angle to the voxels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from phantoms import FWHM_PER_SIGMA, grid_around
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.spatial.transform import Rotation

from segmentation.reduction_starts import Pairs
from segmentation.seeds import Seed
from segmentation.vocabulary import Bone, CTVolume, Floats, Grid

FINE_MM = 0.25
"""Fine cells are no longer than this; edges are filled in shares, so that they lie where the formula says."""

SCANS = {
    "A": {"voxel_mm": (0.4, 0.4, 0.4), "fwhm_mm": 0.8, "noise_hu": 30.0},
    "B": {"voxel_mm": (0.4, 0.4, 0.4), "fwhm_mm": 1.0, "noise_hu": 40.0},
    "C": {"voxel_mm": (0.5, 0.5, 1.0), "fwhm_mm": 0.8, "noise_hu": 30.0},
}
"""Three scanners, coarser from one to the next."""

SOFT_HU, CANCELLOUS_HU, CORTEX_HU, MARROW_HU = 45.0, 270.0, 1200.0, -20.0
TEXTURE_SD_HU, GRAIN_MM = 40.0, 0.7
CLEAR_MM = (1.7, np.inf)
"""Displaced pieces lie so far apart where they are nearest: bone is seen as two."""

CLOSE_MM = (0.2, 0.6)
"""The same for pieces that run together in the scan: they must first be told apart."""

MARGIN_MM = 4.0
LEVEL_HU = 160.0
"""About half way from soft tissue to cancellous bone."""


@dataclass(frozen=True)
class Shape:
    """A bone along its own z axis: ``radius_mm``, corners where ``box``, ``cortex_mm``, hollow or not."""

    radius_mm: float = 8.5
    half_length_mm: float = 13.0
    cortex_mm: float = 1.2
    hollow: bool = False
    box: bool = False
    round: bool = False

    def depth_mm(self, own: Floats) -> Floats:
        """About how deep points (…, 3) lie below the outer surface."""
        x, y, z = own[..., 0], own[..., 1], own[..., 2]
        if self.box:
            half = np.array([11.0, 8.0])
            q = np.abs(own[..., :2]) - half + 3.0
            side = 3.0 - np.hypot(*np.moveaxis(np.maximum(q, 0), -1, 0)) - np.minimum(q.max(axis=-1), 0)
        else:
            turn = np.arctan2(y, x)
            wide = 0.0 if self.round else 0.13 * np.cos(2 * turn) + 0.08 * np.cos(3 * turn + 0.7)
            side = self.radius_mm * (1 + wide) * (1 + 0.06 * z / self.half_length_mm) - np.hypot(x, y)
        return np.asarray(np.minimum(side, self.half_length_mm - np.abs(z)))


SOLID = Shape()
HOLLOW = Shape(radius_mm=10.0, half_length_mm=14.0, cortex_mm=3.5, hollow=True)
BLOCK = Shape(half_length_mm=12.0, cortex_mm=1.0, box=True)
ROUND = Shape(round=True)
SHAPES = {"solid": SOLID, "hollow": HOLLOW, "block": BLOCK, "round": ROUND}


@dataclass(frozen=True)
class Cut:
    """A height over the shape's own x and y: an oblique plane and three waves. Upper piece: above it."""

    slopes: tuple[float, float]
    waves: tuple[tuple[float, float, float, float], ...]

    def height_mm(self, own: Floats) -> Floats:
        x, y = own[..., 0], own[..., 1]
        height = self.slopes[0] * x + self.slopes[1] * y
        for amplitude, kx, ky, phase in self.waves:
            height = height + amplitude * np.cos(kx * x + ky * y + phase)
        return np.asarray(height)


def random_cut(rng: np.random.Generator, wave_mm: float, *, oblique_degree: float = 20.0) -> Cut:
    """An oblique cut with three waves of 7 to 14 mm whose deviation is that of one wave of ``wave_mm``."""
    lean, turn = np.tan(np.radians(rng.uniform(0, oblique_degree))), rng.uniform(0, 2 * np.pi)
    waves = []
    for _ in range(3):
        k, way = 2 * np.pi / rng.uniform(7, 14), rng.uniform(0, np.pi)
        waves.append((wave_mm / np.sqrt(3), k * np.cos(way), k * np.sin(way), rng.uniform(0, 2 * np.pi)))
    return Cut((lean * np.cos(turn), lean * np.sin(turn)), tuple(waves) if wave_mm else ())


def leaning(cut: Cut, degree: float) -> Cut:
    """``cut`` in its own direction, but leaning by so much."""
    slopes = np.array(cut.slopes)
    slopes *= np.tan(np.radians(degree)) / np.hypot(*slopes)
    return Cut((float(slopes[0]), float(slopes[1])), cut.waves)


@dataclass(frozen=True, eq=False)
class Broken:
    """A CT of two pieces and how the upper one came to lie where it is.

    ``placement`` (4, 4) takes the shape's own mm to the patient's, ``moved`` (4, 4) the upper piece from its
    place to where it was scanned, both in patient mm. The way back is ``back``.
    """

    shape: Shape
    cut: Cut
    upper_shape: Shape
    upper_cut: Cut
    placement: Floats
    moved: Floats
    ct: CTVolume

    @property
    def back(self) -> Floats:
        return np.asarray(np.linalg.inv(self.moved))

    @cached_property
    def face_mm(self) -> Floats:
        """(n, 3) places all over the cut, in the patient's frame, where they belong."""
        x, y = np.meshgrid(np.arange(-14, 14.1, 0.7), np.arange(-14, 14.1, 0.7))
        own = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
        own[:, 2] = self.cut.height_mm(own)
        own = own[self.shape.depth_mm(own) > 0]
        return moved_by(self.placement, own)

    def error(self, pose: Floats) -> tuple[float, float]:
        """RMS distance in mm over the face, and degrees, by which ``pose`` misses the way back."""
        off = pose @ self.moved
        apart = moved_by(off, self.face_mm) - self.face_mm
        turned = Rotation.from_matrix(off[:3, :3]).magnitude()
        return float(np.sqrt((apart**2).sum(axis=1).mean())), float(np.degrees(turned))

    def lower_seed_mm(self) -> Floats:
        """A place well inside the lower piece."""
        return moved_by(self.placement, self._inside(-1))

    def upper_seed_mm(self) -> Floats:
        """A place well inside the upper piece, as scanned."""
        return moved_by(self.moved @ self.placement, self._inside(1))

    def _inside(self, side: int) -> Floats:
        """In the cortex where there is no other bone."""
        depth = self.shape.cortex_mm / 2
        return np.array([[0, 0, side * (self.shape.half_length_mm - depth)]])


def moved_by(pose: Floats, points_mm: Floats) -> Floats:
    return np.asarray(points_mm @ pose[:3, :3].T + pose[:3, 3])


def broken(
    kind: str,
    seed: int,
    *,
    wave_mm: float = 0.8,
    voxel_mm: tuple[float, float, float] = (0.4, 0.4, 0.4),
    fwhm_mm: float = 0.8,
    noise_hu: float = 30.0,
    shift_mm: tuple[float, float] = (2.0, 10.0),
    turn_degree: tuple[float, float] = (5.0, 25.0),
    whole: bool = False,
    foreign: str | None = None,
    oblique_degree: float = 20.0,
    lean_degree: float | None = None,
    clear_mm: tuple[float, float] = CLEAR_MM,
) -> Broken:
    """A broken bone; with ``whole`` the same bone unbroken, of the same texture, in the same kind of CT.

    ``foreign`` is the shape of another bone, broken another way, whose upper piece lies there instead. The
    pieces are ``clear_mm`` apart where they are nearest. The cut leans by ``lean_degree``, else by up to
    ``oblique_degree``.
    """
    rng = np.random.default_rng([seed, 77])
    shape, cut = SHAPES[kind], random_cut(rng, wave_mm, oblique_degree=oblique_degree)
    if lean_degree is not None:
        cut = leaning(cut, lean_degree)
    upper_shape, upper_cut = shape, cut
    if foreign is not None:
        upper_shape = SHAPES[foreign]
        upper_cut = random_cut(rng, wave_mm, oblique_degree=oblique_degree)
    placement = np.eye(4)
    placement[:3, :3] = Rotation.random(random_state=int(rng.integers(2**31))).as_matrix()
    moved = np.eye(4)
    if not whole:
        moved = _apart(rng, shape, cut, upper_shape, upper_cut, placement, shift_mm, turn_degree, clear_mm)
    made = Broken(shape, cut, upper_shape, upper_cut, placement, moved, None)  # type: ignore[arg-type]
    return replace(made, ct=_scanned(made, seed, rng, voxel_mm, fwhm_mm, noise_hu))


def _apart(rng, shape, cut, upper_shape, upper_cut, placement, shift_mm, turn_degree, clear_mm) -> Floats:  # type: ignore[no-untyped-def]
    """A random rigid motion within the ranges that leaves ``clear_mm`` between the pieces."""
    steps = [np.arange(-14, 14.1, 0.8), np.arange(-14, 14.1, 0.8), np.arange(-3, 22, 0.8)]
    own = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3)
    own = own[(upper_shape.depth_mm(own) > 0) & (own[:, 2] > upper_cut.height_mm(own))]
    for _ in range(4000):
        turn = np.eye(4)
        axis = rng.normal(size=3)
        angle = np.radians(rng.uniform(*turn_degree))
        turn[:3, :3] = Rotation.from_rotvec(axis / np.linalg.norm(axis) * angle).as_matrix()
        way = rng.normal(size=3)
        turn[:3, 3] = way / np.linalg.norm(way) * rng.uniform(*shift_mm)
        there = moved_by(turn, own)
        above = there[:, 2] - cut.height_mm(there)
        nearest = -np.minimum(shape.depth_mm(there), -above).max()
        if clear_mm[0] < nearest < clear_mm[1]:
            return np.asarray(placement @ turn @ np.linalg.inv(placement))
    raise ValueError("no motion within these ranges leaves the pieces apart")


def _scanned(made: Broken, seed, rng, voxel_mm, fwhm_mm, noise_hu) -> CTVolume:  # type: ignore[no-untyped-def]
    ends = np.stack(
        np.meshgrid(*[[-12.0, 12.0]] * 2, [-made.shape.half_length_mm, made.shape.half_length_mm]), axis=-1
    ).reshape(-1, 3)
    ends = np.concatenate([moved_by(made.placement, ends), moved_by(made.moved @ made.placement, ends)])
    low, high = ends.min(axis=0) - MARGIN_MM, ends.max(axis=0) + MARGIN_MM
    grid = grid_around((high - low) / 2, voxel_mm)
    affine = grid.affine.copy()
    affine[:3, 3] += (low + high) / 2
    grid = Grid(grid.shape, affine)
    fine_counts = np.ceil(np.array(voxel_mm) / FINE_MM).astype(int)
    cells_mm = np.array(voxel_mm) / fine_counts
    shape = np.array(grid.shape) * fine_counts
    fine_mm = float(cells_mm.mean())
    axes = [affine[a, 3] + (np.arange(shape[a]) - (fine_counts[a] - 1) / 2) * cells_mm[a] for a in range(3)]
    cell = GRAIN_MM / 2
    size = int(56 / cell)
    # Of their own seed, so that the unbroken bone has the same.
    grains = gaussian_filter(
        np.random.default_rng([seed, 78]).standard_normal((size, size, size), dtype=np.float32),
        GRAIN_MM / FWHM_PER_SIGMA / cell,
    )
    grains *= TEXTURE_SD_HU / grains.std()
    hu = np.full(shape, SOFT_HU, np.float32)
    pieces = [(made.shape, made.cut, -1, made.placement)]
    pieces.append((made.upper_shape, made.upper_cut, 1, made.moved @ made.placement))
    back = [np.linalg.inv(placement) for *_, placement in pieces]
    for i, x in enumerate(axes[0]):
        layer = np.stack(np.meshgrid([x], axes[1], axes[2], indexing="ij"), axis=-1)[0]
        for (own_shape, cut, side, _), to_own in zip(pieces, back, strict=True):
            own = moved_by(to_own, layer).astype(np.float32)
            near = (own[..., 0] ** 2 + own[..., 1] ** 2 < 15**2) & (
                np.abs(own[..., 2]) < own_shape.half_length_mm + 1
            )
            if not near.any():
                continue
            own = own[near]
            depth = own_shape.depth_mm(own)
            beyond = side * (own[:, 2] - cut.height_mm(own)) / np.sqrt(1 + np.hypot(*cut.slopes) ** 2)
            out = np.clip(depth / fine_mm + 0.5, 0, 1)
            inn = np.clip((depth - own_shape.cortex_mm) / fine_mm + 0.5, 0, 1)
            on = np.clip(beyond / fine_mm + 0.5, 0, 1)
            if own_shape.hollow:
                core = np.full(len(own), MARROW_HU)
            else:
                places = (own + 28) / cell
                core = CANCELLOUS_HU + map_coordinates(grains, places.T, order=1, mode="nearest")
            bone = CORTEX_HU * (out - inn) + core * inn - SOFT_HU * out
            hu[i][near] += (on * bone).astype(np.float32)
    hu = gaussian_filter(hu, fwhm_mm / FWHM_PER_SIGMA / cells_mm, mode="nearest")
    count = np.stack([np.array(grid.shape), fine_counts], axis=1).ravel()
    voxels = hu.reshape(*count).mean(axis=(1, 3, 5))
    noisy = voxels + rng.normal(0, noise_hu, voxels.shape)
    return CTVolume(grid, np.asfortranarray(noisy.round().astype(np.int16)), "phantom")


def fragments_of(made: Broken, bone: Bone) -> tuple[int, int]:
    """The numbers of the lower and the upper piece."""
    numbers = []
    for seed_mm in (made.lower_seed_mm(), made.upper_seed_mm()):
        i, j, k = np.round(made.ct.grid.mm_to_ijk(seed_mm)).astype(int)[0]
        numbers.append(int(bone.labels[i, j, k]))
    return numbers[0], numbers[1]


def seeds_of(made: Broken) -> tuple[Seed, Seed]:
    """A point in each piece, as a person clicks them."""
    return (
        Seed("lower", "bone", made.lower_seed_mm()[0]),
        Seed("upper", "bone", made.upper_seed_mm()[0]),
    )


def rough_pairs(made: Broken, count: int, rng: np.random.Generator, *, sd_mm: float = 1.5) -> Pairs:
    """So many places of the face and where they belong, each coordinate off by ``sd_mm``."""
    onto = made.face_mm[rng.choice(len(made.face_mm), count, replace=False)]
    move = moved_by(made.moved, onto)
    return Pairs(move + rng.normal(0, sd_mm, move.shape), onto + rng.normal(0, sd_mm, onto.shape))
