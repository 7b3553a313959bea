"""Touching bones and broken bones whose true parting is known, as a scanner would show them.

Every part is a signed depth (mm, positive inside) made from formulas: cells of a curved Voronoi diagram for a
wrist-like cluster, a ball in a socket, tubes cut by waves. Depths are taken at the voxels and interpolated to
27 samples a voxel, filled with cortex and textured cancellous bone, blurred by a Gaussian and averaged over
the voxel's box. The surface halfway between two parts is known in closed form to first order in its
curvature.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from phantoms import FWHM_PER_SIGMA, grid_around, rotation
from scipy.ndimage import gaussian_filter

from segmentation.vocabulary import CTVolume, Floats, Grid

SOFT_HU, CORTEX_HU, CANCELLOUS_HU = 45.0, 1200.0, 270.0
TEXTURE_SD_HU, GRAIN_MM = 40.0, 0.7
SAMPLES_COUNT = 3
"""Along each edge of a voxel."""

SLAB_COUNT = 24
"""Voxel layers filled at a time, for the memory."""

Volume = npt.NDArray[np.float32]


@dataclass(frozen=True)
class ScanKind:
    """How a scanner sees: voxel edges, blur (full width at half maximum) and noise."""

    voxel_mm: tuple[float, float, float]
    fwhm_mm: float
    noise_hu: float


SCANS = {
    "A": ScanKind((0.4, 0.4, 0.4), 0.8, 30.0),
    "B": ScanKind((0.4, 0.4, 0.4), 1.0, 40.0),
    "C": ScanKind((0.5, 0.5, 1.0), 0.8, 30.0),
}
"""The scans of the bars."""


@dataclass(frozen=True)
class Part:
    """One part's depth below its outer surface and below its cut, each a function of places (n, 3).

    ``covered`` puts cortex on the cut as well, as a joint's face has; a fracture's face has none.
    """

    outer: Callable[[Floats], Floats]
    cut: Callable[[Floats], Floats]
    covered: bool


@dataclass(frozen=True)
class Shape:
    """Parts about the origin within ``half_mm``; ``off_mid(p, a, b)`` is the way from the surface halfway."""

    parts: tuple[Part, ...]
    half_mm: float
    off_mid: Callable[[Floats, int, int], Floats]
    bare: Callable[[Floats], Floats] | None = None
    """Where this is positive there is no cortex: a bridge of bone."""


@dataclass(frozen=True)
class Phantom:
    """A scan and its truth: ``parts`` uint8 at voxel centres, 0 outside; one random click in each."""

    ct: CTVolume
    parts: npt.NDArray[np.uint8]
    clicks_mm: Floats
    off_mid: Callable[[Floats, int, int], Floats]


def scanned(
    shape: Shape,
    kind: ScanKind,
    seed: int,
    *,
    cortex_mm: float = 1.0,
    cancellous_hu: float = CANCELLOUS_HU,
    texture_sd_hu: float = TEXTURE_SD_HU,
    margin_mm: float = 3.0,
    noise_hu: float | None = None,
) -> Phantom:
    """``shape`` turned at random and scanned."""
    rng = np.random.default_rng(seed)
    turn = rotation(int(rng.integers(1 << 30)), between_degree=(20, 160))
    grid = grid_around((shape.half_mm + margin_mm,) * 3, kind.voxel_mm)
    shift = rng.uniform(-0.5, 0.5, 3) * kind.voxel_mm
    outer, cut, bare = _depths(shape, grid, turn, shift)
    grain = gaussian_filter(
        rng.standard_normal(grid.shape, dtype=np.float32), GRAIN_MM / FWHM_PER_SIGMA / grid.spacing_mm
    )
    grain *= np.float32(texture_sd_hu) / grain.std()
    hu = np.empty(grid.shape, np.float32)
    sigma = kind.fwhm_mm / FWHM_PER_SIGMA / (grid.spacing_mm / SAMPLES_COUNT)
    reach = int(np.ceil(4 * sigma[0] / SAMPLES_COUNT)) + 1
    for start in range(0, grid.shape[0], SLAB_COUNT):
        stop = min(start + SLAB_COUNT, grid.shape[0])
        low, high = max(0, start - reach), min(grid.shape[0], stop + reach)
        fine = _filled(
            shape.parts,
            [field[low:high] for field in outer],
            [field[low:high] for field in cut],
            None if bare is None else bare[low:high],
            grain[low:high],
            cortex_mm,
            cancellous_hu,
        )
        for axis in range(3):
            fine = _blurred_and_averaged(fine, axis, sigma[axis])
        hu[start:stop] = fine[start - low : stop - low]
    hu += rng.normal(0, kind.noise_hu if noise_hu is None else noise_hu, hu.shape).astype(np.float32)
    inside = np.stack([np.minimum(o, c) for o, c in zip(outer, cut, strict=True)])
    parts = np.where(inside.max(axis=0) > 0, inside.argmax(axis=0) + 1, 0).astype(np.uint8)
    ct = CTVolume(grid, np.asfortranarray(hu.round().astype(np.int16)), "phantom")
    return Phantom(
        ct,
        parts,
        _clicks(inside, grid, rng),
        lambda p, a, b: shape.off_mid((p - shift) @ turn, a, b),
    )


def _depths(
    shape: Shape, grid: Grid, turn: Floats, shift: Floats
) -> tuple[list[Volume], list[Volume], Volume | None]:
    """Outer and cut depth of each part on the grid."""
    axes = [grid.affine[a, 3] + np.arange(grid.shape[a]) * grid.spacing_mm[a] for a in range(3)]
    outer = [np.empty(grid.shape, np.float32) for _ in shape.parts]
    cut = [np.empty(grid.shape, np.float32) for _ in shape.parts]
    bare = None if shape.bare is None else np.empty(grid.shape, np.float32)
    for i, x in enumerate(axes[0]):
        layer = np.stack(np.meshgrid([x], axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 3)
        own = (layer - shift) @ turn
        for part, o, c in zip(shape.parts, outer, cut, strict=True):
            o[i] = part.outer(own).reshape(grid.shape[1:])
            c[i] = part.cut(own).reshape(grid.shape[1:])
        if bare is not None and shape.bare is not None:
            bare[i] = shape.bare(own).reshape(grid.shape[1:])
    return outer, cut, bare


def _filled(
    parts: Sequence[Part],
    outer: Sequence[Volume],
    cut: Sequence[Volume],
    bare: Volume | None,
    grain: Volume,
    cortex_mm: float,
    cancellous_hu: float,
) -> Volume:
    """HU on the fine grid."""
    spongy = _fine(grain) + np.float32(cancellous_hu)
    hu = np.full(spongy.shape, SOFT_HU, np.float32)
    bridge = None if bare is None else _fine(bare) > 0
    for part, o, c in zip(parts, outer, cut, strict=True):
        own, across = _fine(o), _fine(c)
        depth = np.minimum(own, across)
        cortical = (depth if part.covered else own) < cortex_mm
        if bridge is not None:
            cortical &= ~(bridge & (own >= cortex_mm))
        inside = depth > 0
        hu[inside] = np.where(cortical[inside], np.float32(CORTEX_HU), spongy[inside])
    return hu


def _fine(field: Volume) -> Volume:
    """A field interpolated linearly to SAMPLES_COUNT samples along each edge of a voxel."""
    below, share = zip(*(_places(size) for size in field.shape), strict=True)
    fine = np.empty([size * SAMPLES_COUNT for size in field.shape], np.float32)
    _interpolate(field, *below, *share, fine)
    return fine


def _places(size: int) -> tuple[npt.NDArray[np.int64], Volume]:
    """Of each sample along an axis: the voxel before it, and its share of the way to the next."""
    at = (np.arange(size * SAMPLES_COUNT) - (SAMPLES_COUNT - 1) / 2) / SAMPLES_COUNT
    below = np.clip(np.floor(at).astype(np.int64), 0, size - 2)
    return below, (at - below).astype(np.float32)


@njit(cache=True)
def _interpolate(field, i0, j0, k0, u, v, w, fine):  # type: ignore[no-untyped-def]
    """``fine`` from ``field``, linearly along each axis."""
    nj, nk = field.shape[1:]
    row, line = np.empty((nj, nk), np.float32), np.empty(nk, np.float32)
    for a in range(len(i0)):
        for j in range(nj):
            for k in range(nk):
                low = field[i0[a], j, k]
                row[j, k] = low + u[a] * (field[i0[a] + 1, j, k] - low)
        for b in range(len(j0)):
            for k in range(nk):
                low = row[j0[b], k]
                line[k] = low + v[b] * (row[j0[b] + 1, k] - low)
            for c in range(len(k0)):
                low = line[k0[c]]
                fine[a, b, c] = low + w[c] * (line[k0[c] + 1] - low)


def _blurred_and_averaged(fine: Volume, axis: int, sigma: float) -> Volume:
    """Gaussian blur along an axis and the mean over each voxel's box, both in one sum."""
    half = int(np.ceil(4 * sigma)) + 1
    bell = np.exp(-(np.arange(-half, half + 1) ** 2) / (2 * sigma**2))
    weights = np.convolve(bell / bell.sum(), np.full(SAMPLES_COUNT, 1 / SAMPLES_COUNT))
    reach = len(weights) // 2
    pad = [(reach, reach) if a == axis else (0, 0) for a in range(3)]
    padded = np.moveaxis(np.pad(fine, pad, mode="edge"), axis, 0)
    count = fine.shape[axis] // SAMPLES_COUNT
    middle = SAMPLES_COUNT // 2
    total = np.zeros((count, *padded.shape[1:]), np.float32)
    for index, weight in enumerate(weights):
        first = middle + index
        total += np.float32(weight) * padded[first : first + count * SAMPLES_COUNT : SAMPLES_COUNT][:count]
    return np.ascontiguousarray(np.moveaxis(total, 0, axis))


def _clicks(inside: Volume, grid: Grid, rng: np.random.Generator) -> Floats:
    """A random place at least 2 mm deep in each part (or as deep as it goes)."""
    chosen = []
    for depth in inside:
        deep = np.argwhere(depth > min(2.0, 0.6 * float(depth.max())))
        chosen.append(deep[rng.integers(len(deep))])
    return grid.ijk_to_mm(np.array(chosen))


# Shapes.


def cluster(
    count: int,
    gap_mm: float,
    seed: int,
    *,
    fused_mm: float = 0.0,
    touching_mm: float = 0.0,
    apart_mm: float = 13.0,
) -> Shape:
    """Wrist-like bones facing each other across a constant gap: a curved Voronoi diagram, edges rounded.

    ``fused_mm``: a bridge of cancellous bone of this radius between the first two; ``touching_mm``: their
    cortices touch within this radius.
    """
    rng = np.random.default_rng(seed)
    lattice = np.array([(i, j, k) for i in range(-2, 3) for j in range(-2, 3) for k in range(-2, 3)], float)
    lattice = lattice[lattice.sum(axis=1) % 2 == 0] * apart_mm / np.sqrt(2)
    middle = rng.uniform(-0.5, 0.5, 3) * apart_mm
    nearest = np.argsort(np.linalg.norm(lattice - middle, axis=1))[:count]
    centres = lattice[nearest] + rng.uniform(-1.3, 1.3, (count, 3))
    centres -= (centres.max(axis=0) + centres.min(axis=0)) / 2
    swell = rng.uniform(-1.0, 1.0, count)
    radius = 0.72 * apart_mm + rng.uniform(-0.4, 0.6, count)
    bridge = max(fused_mm, touching_mm)
    # The place on the surface halfway between the first two.
    across = centres[1] - centres[0]
    span = np.linalg.norm(across)
    halfway = centres[0] + across / span * (span + swell[0] - swell[1]) / 2

    seen: list[tuple[Floats, Floats, Floats]] = []

    def between(p: Floats, a: int, b: int) -> Floats:
        if not seen or seen[0][0] is not p:
            to = (p[..., None, :] - centres).astype(np.float32)
            away = np.linalg.norm(to, axis=-1)
            seen[:] = [(p, away, to / np.maximum(away, 1e-3)[..., None])]
        _, away, towards = seen[0]
        # |u - v|² = 2 - 2 u·v for unit vectors: how fast the difference of the two ways grows.
        grows = np.sqrt(2.0001 - 2 * np.einsum("...i,...i->...", towards[..., a, :], towards[..., b, :]))
        return (away[..., b] - swell[b] - away[..., a] + swell[a]) / np.maximum(grows, 0.2)

    def part(a: int) -> Part:
        others = [b for b in range(count) if b != a]

        def cut(p: Floats) -> Floats:
            softness = 0.6
            total = np.zeros(p.shape[:-1], np.float32)
            for b in others:
                half = gap_mm / 2
                if bridge and {a, b} == {0, 1}:
                    # Closes over 1 mm.
                    half = half * np.clip(np.linalg.norm(p - halfway, axis=-1) - bridge, 0, 1)
                total += np.exp(-np.clip(between(p, a, b) - half, -20, 20) / softness)
            return -softness * np.log(total)

        return Part(lambda p: radius[a] - np.linalg.norm(p - centres[a], axis=-1), cut, covered=True)

    reach = float(np.abs(centres).max() + radius.max())
    return Shape(
        tuple(part(a) for a in range(count)),
        reach,
        lambda p, a, b: between(p, a - 1, b - 1),
        (lambda p: fused_mm - np.linalg.norm(p - halfway, axis=-1)) if fused_mm else None,
    )


def ball_in_socket(gap_mm: float, *, radius_mm: float = 9.0) -> Shape:
    """A ball on a neck, in a socket that covers it to its equator."""

    def ball(p: Floats) -> Floats:
        neck = 5.0 - np.hypot(p[:, 0], p[:, 1])
        neck = np.minimum(neck, np.minimum(-p[:, 2], p[:, 2] + 20.0))
        return np.maximum(radius_mm - np.linalg.norm(p, axis=-1), neck)

    def socket(p: Floats) -> Floats:
        return np.minimum(18.0 - np.linalg.norm(p, axis=-1), p[:, 2])

    def free(p: Floats) -> Floats:
        return np.full(p.shape[:-1], 50.0)

    return Shape(
        (
            Part(ball, free, covered=False),
            Part(socket, lambda p: np.linalg.norm(p, axis=-1) - radius_mm - gap_mm, covered=True),
        ),
        20.0,
        lambda p, a, b: np.linalg.norm(p, axis=-1) - radius_mm - gap_mm / 2,
    )


def broken_tube(
    pieces: int,
    gap_mm: float,
    seed: int,
    *,
    wave_mm: float = 0.8,
    tilt_degree: float = 30.0,
    touching_mm: float = 0.0,
    hinge: bool = False,
    radius_mm: float = 10.0,
) -> Shape:
    """A rounded shaft in two to four pieces, parted by oblique waves.

    Two: one cut across. Three: the upper piece split lengthwise. Four: both split. ``touching_mm``: the
    cortices touch on so wide a patch of the first cut; ``hinge``: half the section is whole.
    """
    rng = np.random.default_rng(seed)
    slope = np.tan(np.radians(tilt_degree))
    phase, turn = rng.uniform(0, 2 * np.pi, 2)
    k = 2 * np.pi / 12.0
    length_mm = 26.0

    def cross(p: Floats) -> Floats:
        u = p[:, 0] * np.cos(turn) + p[:, 1] * np.sin(turn)
        v = -p[:, 0] * np.sin(turn) + p[:, 1] * np.cos(turn)
        height = slope * u + wave_mm / 2 * (np.sin(k * u + phase) + np.sin(k * v + phase))
        steep_u = slope + wave_mm / 2 * k * np.cos(k * u + phase)
        steep_v = wave_mm / 2 * k * np.cos(k * v + phase)
        return (p[:, 2] - height) / np.sqrt(1 + steep_u**2 + steep_v**2)

    def along(p: Floats, angle: float) -> Floats:
        u = p[:, 0] * np.cos(angle) + p[:, 1] * np.sin(angle)
        steep = wave_mm / 2 * k * np.cos(k * p[:, 2] + phase)
        return (u - wave_mm / 2 * np.sin(k * p[:, 2] + phase)) / np.sqrt(1 + steep**2)

    def half_gap(p: Floats) -> Floats:
        half = np.full(p.shape[:-1], gap_mm / 2)
        if touching_mm:
            at = np.array([radius_mm * np.cos(turn + 1.0), radius_mm * np.sin(turn + 1.0)])
            away = np.linalg.norm(p[:, :2] - at, axis=-1)
            half = half * np.clip((away - touching_mm / 2) / 1.0, 0, 1)
        if hinge:
            half = half * np.clip(p[:, 0] / 1.0, 0, 1)
        return half

    def shaft(p: Floats) -> Floats:
        return np.minimum(radius_mm - np.hypot(p[:, 0], p[:, 1]), length_mm / 2 - np.abs(p[:, 2]))

    def side(which: int, angle: float | None, sign: int) -> Part:
        def cut(p: Floats) -> Floats:
            depth = which * cross(p) - half_gap(p)
            if angle is not None:
                depth = np.minimum(depth, sign * along(p, angle) - gap_mm / 2)
            return depth

        return Part(shaft, cut, covered=False)

    upper_angle, lower_angle = turn + 0.3, turn + 1.4
    upper = [side(1, None, 1)] if pieces == 2 else [side(1, upper_angle, 1), side(1, upper_angle, -1)]
    lower = [side(-1, None, 1)] if pieces < 4 else [side(-1, lower_angle, 1), side(-1, lower_angle, -1)]

    def off_mid(p: Floats, a: int, b: int) -> Floats:
        a, b = sorted((a, b))
        if b <= len(upper):
            return along(p, upper_angle)
        if a > len(upper):
            return along(p, lower_angle)
        return cross(p)

    return Shape((*upper, *lower), float(np.hypot(radius_mm, length_mm / 2)), off_mid)


# Judging.


def dice(found: npt.NDArray[np.uint8], truth: npt.NDArray[np.uint8]) -> float:
    """The worst label's overlap with the truth, on voxels that are truly bone."""
    bone = truth > 0
    worst = 1.0
    for part in range(1, int(truth.max()) + 1):
        own, real = (found == part) & bone, truth == part
        worst = min(worst, 2 * float((own & real).sum()) / float(own.sum() + real.sum()))
    return worst


def cut_error_mm(found: npt.NDArray[np.uint8], phantom: Phantom) -> tuple[float, float]:
    """RMS and 95th percentile of the way from the faces between labels to the true surface halfway."""
    errors = []
    for axis in range(3):
        low, high = np.moveaxis(found, axis, 0)[:-1], np.moveaxis(found, axis, 0)[1:]
        at = np.argwhere((low != high) & (low > 0) & (high > 0))
        first, second = low[tuple(at.T)], high[tuple(at.T)]
        place = np.insert(at[:, 1:], axis, 0, axis=1).astype(float)
        place[:, axis] = at[:, 0] + 0.5
        mm = phantom.ct.grid.ijk_to_mm(place)
        for a, b in {tuple(sorted(pair)) for pair in zip(first.tolist(), second.tolist(), strict=True)}:
            chosen = ((first == a) & (second == b)) | ((first == b) & (second == a))
            errors.append(phantom.off_mid(mm[chosen], a, b))
    if not errors:
        return np.inf, np.inf
    every = np.abs(np.concatenate(errors))
    return float(np.sqrt(np.mean(every**2))), float(np.percentile(every, 95))
