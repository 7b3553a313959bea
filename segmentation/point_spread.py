"""How far the scanner blurs, in the slice plane and across slices, found from the bone in the scan itself.

Sigma in-plane, sigma along z and one level of cortex are sought together so that the blurred layers fit some
hundreds of places best. Thick cortex shows the blur by its edge, thin cortex of varying thickness by its
width; a cortex equally thin everywhere shows neither, which is told by few thick places and by the edge of
skin and air. Error in-plane: FWHM within 0.09 mm where some cortex is thicker than the blur, 0.15 where all
is thin but varies (see tests/test_point_spread.py).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from segmentation.how_found import PointSpread
from segmentation.profiles import Profiles, Scan, noise_hu, scan_of
from segmentation.refine_kernels import (
    BAND_SEEN,
    BLUR_SD_FRACTION,
    CHI2,
    CORTEX,
    COST,
    EDGE,
    FIT_COUNT,
    FOUND,
    GAP_SEEN,
    THICKNESS,
    fit_profiles,
    fit_single_edges,
)
from segmentation.surface_shape import Rings, Shape, shape_of
from segmentation.vocabulary import CTVolume, Floats, Surface

FWHM_PER_SIGMA_RATIO = float(2 * np.sqrt(2 * np.log(2)))
"""Full width at half maximum of a Gaussian over its deviation (closed form)."""

LOOKED_AT_COUNT, USED_COUNT = 4000, 700
"""Vertices tried, and vertices fitted in each evaluation. Our choice."""

USUAL_FWHM_MM = 0.8
"""The blur windows are made for before it is known. Common practice: standard kernels show 0.6 to 1.3 mm."""

LEVELS_HU, LEVEL_SD_FRACTION = (700.0, 1300.0), 0.15
"""Cortex levels the search begins from, and how far each vertex may be off the common one. Our choice."""

BANDED_COUNT = 200
"""With so many places that have no other bone beside them only those are used, and with so many of them whose
inner border is seen only those: others may have no cortex at all."""

EVALUATIONS_COUNT, FIRST_STEP_RATIO = 45, 0.15
"""Evaluations of each search and its first step in the logarithms. Our choice."""

LIKENESS_FACTOR = 0.1
"""How much the misfit grows when the two sigmas' ratio is e times what the voxels' edges suggest: so little
that it only counts where all cortex faces one way, which cannot tell the two apart. Our choice."""

OUTLIER_RATIO = 3.0
"""A place's misfit counts no more than so many times the median. Our choice."""

SEEN_FRACTION, FACING_FRACTION = 0.05, 0.5
"""A blur counts as seen when so many vertices face mainly along it (nz², or 1 − nz²). Our choice."""

THICK_FWHM_RATIO, THICK_FRACTION = 1.2, 0.05
"""So many vertices must have a cortex this much thicker than the blur, else the blur is assumed."""

AGREE_FRACTION = 0.15
"""Bone and skin may differ by so much. Judgement, not measured."""

UNSEEN_Z_RATIO = 0.4
"""Sigma across slices, as a share of the slice distance, where no bone shows it. From a study on phantoms."""

SKIN_HU, AIR_HU, TISSUE_HU = -500.0, -850.0, -250.0
"""Skin is where grey values cross the first; air must stay below the second, tissue above the third."""

SKIN_COUNT, SKIN_NEEDED_COUNT, SKIN_SLICES_COUNT, SKIN_TILT_FRACTION = 500, 50, 40, 0.1
"""Places of skin looked at and needed, slices searched, and the largest nz² of a place that counts."""

FARTHEST_SIGMAS_RATIO, FAR_SIGMAS_RATIO, EDGE_SIGMAS_RATIO, DIP_STEP_RATIO = -7.0, -4.5, -1.5, 0.5
"""In sigmas from the edge, − outside: the level is taken between the first two, a dip is looked for between
the second and third in such steps. Our choice: a standard kernel's edge is over at −2."""

SHARP_FRACTION = 0.025
"""A dip beside the cortex deeper than this share of its contrast is a sharp kernel's. Our choice: above what
standard kernels show on phantoms, below the dip from which thickness goes wrong."""


def estimate_point_spread(
    ct: CTVolume, surfaces: Sequence[Surface], *, noise_sd_hu: float | None = None, seed: int = 1
) -> PointSpread:
    """The blur of ``ct`` as the bones inside ``surfaces`` show it; they may be up to 1 mm off.

    Give all bones of a scan at once: the blur is the scan's. ``noise_sd_hu`` is the noise around them, looked
    for where it is not given.
    """
    scan = scan_of(ct)
    shapes = [
        shape_of(
            scan.to_own_mm(surface.vertices_mm),
            Rings(surface.faces, len(surface.vertices_mm)),
            scan.outward,
        )
        for surface in surfaces
    ]
    shape = Shape(
        np.concatenate([one.points_mm for one in shapes]),
        np.concatenate([one.normals for one in shapes]),
        np.concatenate([one.bends for one in shapes]),
    )
    if noise_sd_hu is None:
        noise_sd_hu = noise_hu(ct, scan.to_patient_mm(shape.points_mm))
    return spread_at(ct, scan, shape, noise_sd_hu, seed)


def spread_at(ct: CTVolume, scan: Scan, shape: Shape, noise_hu: float, seed: int) -> PointSpread:
    """The same from the bones' shape in the grid's frame and the scan's noise."""
    rng = np.random.default_rng(seed)
    shape = shape.of(rng.permutation(len(shape.points_mm))[:LOOKED_AT_COUNT])
    profiles = scan.profiles(shape.points_mm, shape.normals, shape.bends)
    bone = _BoneEdges(scan, profiles, shape.normals, noise_hu)
    skin = skin_sigma_xy_mm(ct, scan, noise_hu, rng)
    if bone.count < SEEN_FRACTION * USED_COUNT:
        xy = skin or _usual_sigma_mm(scan)[0]
        z = max(xy, UNSEEN_Z_RATIO * float(scan.spacing_mm[scan.slice_axis]))
        return PointSpread(xy, z, True, True, None, skin, None, ("no bone edge shows the scanner's blur",))
    sigma_xy, sigma_z = bone.best()
    thick_fraction, undershoot_fraction = bone.told_by(sigma_xy, sigma_z)
    notes = []
    few = thick_fraction < THICK_FRACTION
    if few:
        notes.append(
            f"the scanner's blur is assumed: only {thick_fraction:.0%} of the cortex is thicker than it, and "
            "a thin cortex does not show it"
        )
    differ = skin is not None and abs(skin / sigma_xy - 1) > AGREE_FRACTION and bone.xy_seen
    if differ and skin is not None:
        notes.append(
            f"the scanner's blur is assumed: bone shows {FWHM_PER_SIGMA_RATIO * sigma_xy:.2f} mm, the skin "
            f"{FWHM_PER_SIGMA_RATIO * skin:.2f} mm"
        )
    if not bone.z_seen:
        notes.append("the blur across slices is assumed: hardly any bone faces that way")
    if undershoot_fraction > SHARP_FRACTION:
        notes.append(
            f"grey values dip by {undershoot_fraction:.0%} beside the cortex, as a sharp kernel makes them: "
            "thickness and density are less certain than stated; use the standard kernel"
        )
    assumed = few or differ
    used_xy = skin if assumed and skin is not None else sigma_xy
    return PointSpread(
        sigma_xy_mm=used_xy,
        sigma_z_mm=sigma_z if not assumed else max(sigma_z, used_xy),
        xy_assumed=assumed or not bone.xy_seen,
        z_assumed=assumed or not bone.z_seen,
        bone_sigma_xy_mm=sigma_xy,
        skin_sigma_xy_mm=skin,
        undershoot_fraction=undershoot_fraction,
        notes=tuple(notes),
    )


def _usual_sigma_mm(scan: Scan) -> tuple[float, float]:
    """The blur to begin from: a usual kernel and the voxel's own extent."""
    edges = np.delete(scan.spacing_mm, scan.slice_axis).max(), scan.spacing_mm[scan.slice_axis]
    kernel = USUAL_FWHM_MM / FWHM_PER_SIGMA_RATIO
    return tuple(float(np.hypot(kernel, _box_sigma_mm(edge))) for edge in edges)  # type: ignore[return-value]


def _box_sigma_mm(edge_mm: float) -> float:
    """Deviation of a box as wide as a voxel (closed form): no blur can be smaller."""
    return float(edge_mm / np.sqrt(12))


class _BoneEdges:
    """Profiles of the bone's edge, and how well a blur explains them."""

    def __init__(self, scan: Scan, profiles: Profiles, normals: Floats, noise_hu: float) -> None:
        self.scan, self.noise_hu = scan, noise_hu
        self.seen_xy_mm, self.seen_z_mm = _usual_sigma_mm(scan)
        self.profiles, self.normals = profiles, normals
        first = self._fits(self.seen_xy_mm, self.seen_z_mm, float(np.mean(LEVELS_HU)))
        found = first[:, FOUND] == 1
        alone = np.flatnonzero(found & np.isnan(first[:, GAP_SEEN]))
        plain = alone if len(alone) >= BANDED_COUNT else np.flatnonzero(found)
        banded = plain[np.isfinite(first[plain, BAND_SEEN])]
        plain = (banded if len(banded) >= BANDED_COUNT else plain)[:USED_COUNT]
        self.profiles = tuple(part[plain] for part in profiles)  # type: ignore[assignment]
        self.normals = normals[plain]
        self.count = len(plain)
        # With no edge at all both are unseen.
        across = np.append(scan.across_slices_fraction(self.normals), FACING_FRACTION)
        self.z_seen = bool(np.mean(across > FACING_FRACTION) > SEEN_FRACTION)
        self.xy_seen = bool(np.mean(across < FACING_FRACTION) > SEEN_FRACTION)

    def _fits(self, sigma_xy_mm: float, sigma_z_mm: float, level_hu: float, *, free: bool = False) -> Floats:
        count = len(self.normals)
        fits = np.full((count, FIT_COUNT), np.nan)
        fit_profiles(
            *self.profiles,
            self.noise_hu,
            self.scan.sigma_mm(self.normals, sigma_xy_mm, sigma_z_mm),
            self.scan.sigma_mm(self.normals, self.seen_xy_mm, self.seen_z_mm),
            np.full(count, level_hu),
            np.full(count, LEVEL_SD_FRACTION * level_hu),
            np.full(count, BLUR_SD_FRACTION if free else BLUR_SD_FRACTION / 1000),
            np.inf,
            np.nan,
            0.0,
            False,
            fits,
        )
        return fits

    def _sigmas_mm(self, logs: Floats) -> tuple[float, float]:
        """The two sigmas a search's place stands for; what is not seen follows the other."""
        least_xy = _box_sigma_mm(float(np.delete(self.scan.spacing_mm, self.scan.slice_axis).max()))
        slice_mm = float(self.scan.spacing_mm[self.scan.slice_axis])
        xy, z = max(float(np.exp(logs[0])), least_xy), max(float(np.exp(logs[1])), _box_sigma_mm(slice_mm))
        if not self.z_seen:
            z = max(xy, UNSEEN_Z_RATIO * slice_mm)
        elif not self.xy_seen:
            xy = max(z, least_xy)
        return xy, z

    def _misfit(self, logs: Floats) -> float:
        xy, z = self._sigmas_mm(logs)
        cost = self._fits(xy, z, float(np.exp(logs[2])))[:, COST]
        cost = cost[np.isfinite(cost)]
        # Beyond the bounds the search is led back.
        over = (np.log(xy) - logs[0]) ** 2 * self.xy_seen + (np.log(z) - logs[1]) ** 2 * self.z_seen
        unlike = (np.log(z / xy) - np.log(self.seen_z_mm / self.seen_xy_mm)) ** 2
        misfit = np.mean(np.minimum(cost, OUTLIER_RATIO * np.median(cost)))
        return float(misfit * (1 + over + LIKENESS_FACTOR * unlike))

    def best(self) -> tuple[float, float]:
        """Sigma in the slice plane and across slices that explain the profiles best."""
        found = []
        for level in LEVELS_HU:
            begin = np.log([self.seen_xy_mm, self.seen_z_mm, level])
            simplex = np.vstack([begin, begin + FIRST_STEP_RATIO * np.eye(3)])
            options = {"maxfev": EVALUATIONS_COUNT, "initial_simplex": simplex}
            found.append(minimize(self._misfit, begin, method="Nelder-Mead", options=options))
        lowest = min(found, key=lambda one: one.fun)
        self.level_hu = float(np.exp(lowest.x[2]))
        return self._sigmas_mm(lowest.x)

    def told_by(self, sigma_xy_mm: float, sigma_z_mm: float) -> tuple[float, float]:
        """The share of cortex clearly thicker than the blur, and how far grey values dip outside it."""
        fits = self._fits(sigma_xy_mm, sigma_z_mm, self.level_hu, free=True)
        sigma = self.scan.sigma_mm(self.normals, sigma_xy_mm, sigma_z_mm)
        found = fits[:, FOUND] == 1
        thick = fits[:, THICKNESS] > THICK_FWHM_RATIO * FWHM_PER_SIGMA_RATIO * sigma
        return float(np.mean(thick[found])), _undershoot_fraction(self.profiles, fits, sigma)


def _undershoot_fraction(profiles: Profiles, fits: Floats, sigma_mm: Floats) -> float:
    """How far grey values just outside the bone dip below those farther out, of the cortex's contrast."""
    depth, mean, count = profiles
    clear = (fits[:, FOUND] == 1) & (fits[:, CHI2] < OUTLIER_RATIO * np.nanmedian(fits[:, CHI2]))
    away = (depth[clear] - fits[clear, EDGE, None]) / sigma_mm[clear, None]
    hu, there = mean[clear], count[clear] > 0
    far = there & (away > FARTHEST_SIGMAS_RATIO) & (away < FAR_SIGMAS_RATIO)
    known = far.sum(axis=1) >= 2
    if not known.any():
        return 0.0
    away, hu, there, far = away[known], hu[known], there[known], far[known]
    level = (hu * far).sum(axis=1) / far.sum(axis=1)
    relative = (hu - level[:, None]) / (fits[clear, CORTEX][known] - level)[:, None]
    dips = []
    for edge in np.arange(FAR_SIGMAS_RATIO, EDGE_SIGMAS_RATIO, DIP_STEP_RATIO):
        here = there & (away >= edge) & (away < edge + DIP_STEP_RATIO)
        if here.any():
            dips.append(float(np.median(relative[here])))
    return max(0.0, -min(dips, default=0.0))


def skin_sigma_xy_mm(ct: CTVolume, scan: Scan, noise_hu: float, rng: np.random.Generator) -> float | None:
    """The blur in the slice plane as the edge of skin and air shows it, or None where there is too little."""
    places = _skin_places(ct, scan, rng)
    if len(places) < SKIN_NEEDED_COUNT:
        return None
    steps = np.stack(np.meshgrid(*[np.arange(-2, 3)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    around = (places[:, None] + steps).transpose(2, 0, 1)
    hu = np.asarray(ct.hu[tuple(around)], dtype=np.float64)
    normals = -(hu @ steps) / scan.spacing_mm
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
    square = scan.across_slices_fraction(normals) < SKIN_TILT_FRACTION
    points, normals = (places * scan.spacing_mm)[square], normals[square]
    profiles = scan.profiles(points, normals, np.zeros((len(points), 3, 3)))
    clear = _from_air_to_tissue(profiles)
    sigma = fit_single_edges(*(part[clear] for part in profiles), noise_hu, _usual_sigma_mm(scan)[0])
    sigma = sigma[np.isfinite(sigma)]
    return float(np.median(sigma)) if len(sigma) >= SKIN_NEEDED_COUNT else None


def _skin_places(ct: CTVolume, scan: Scan, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """(n, 3) voxels beside a crossing of SKIN_HU within a slice, away from the scan's border."""
    axis = scan.slice_axis
    count = ct.grid.shape[axis]
    rows = []
    for index in np.unique(np.linspace(2, max(count - 3, 2), SKIN_SLICES_COUNT).astype(int)):
        # A slice as it lies: np.take copies the whole volume first where it is not in C order.
        inside = ct.hu[(slice(None),) * axis + (int(index),)] > SKIN_HU
        crossing = np.zeros_like(inside)
        crossing[:-1] |= inside[:-1] != inside[1:]
        crossing[:, :-1] |= inside[:, :-1] != inside[:, 1:]
        found = np.argwhere(crossing)
        chosen = found[rng.permutation(len(found))[: 2 * SKIN_COUNT // SKIN_SLICES_COUNT]]
        rows.append(np.insert(chosen, axis, index, axis=1))
    places = np.concatenate(rows)
    within = ((places >= 2) & (places < np.asarray(ct.grid.shape) - 2)).all(axis=1)
    places = places[within]
    return np.asarray(places[rng.permutation(len(places))[:SKIN_COUNT]])


def _from_air_to_tissue(profiles: Profiles) -> npt.NDArray[np.bool_]:
    """Which profiles (n,) run from air to more than a thin sheet of tissue."""
    depth, mean, count = profiles
    outside, inside = (count > 0) & (depth < -2), (count > 0) & (depth > 1.5) & (depth < 4)
    return np.asarray(
        (outside.sum(axis=1) >= 3)
        & (inside.sum(axis=1) >= 5)
        & (np.where(outside, mean, -np.inf).max(axis=1) < AIR_HU)
        & (np.where(inside, mean, np.inf).min(axis=1) > TISSUE_HU)
    )
