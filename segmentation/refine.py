"""The surface of a bone as it is: the scanner's blur taken out at each vertex, with its cortex and certainty.

Grey values below each vertex are fitted by blurred layers: soft tissue, a cortex of thickness t and level h,
inner bone. The start is the edge's half height; h is softly held to its neighbourhood's, the blur to the
scan's. On phantoms of 0.5 mm voxels, 0.8 mm blur and 20 HU noise the surface is within 0.05 mm (RMS; see
tests/test_refine.py). A layer model of this kind: Treece, Gee, Mayhew and Poole, Med Image Anal 14:276, 2010.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.cortex_level import (
    FIRST_GUESS_HU,
    FIRST_GUESS_SD_HU,
    local_levels_hu,
    scan_level_hu,
)
from segmentation.how_found import PointSpread
from segmentation.point_spread import FWHM_PER_SIGMA_RATIO, spread_at
from segmentation.profile_kernels import FARTHEST_MM
from segmentation.profiles import Scan, noise_hu, scan_of
from segmentation.refine_kernels import (
    BLUR,
    BLUR_SD_FRACTION,
    CHI2,
    CORTEX,
    EDGE,
    FIT_COUNT,
    FOUND,
    GAP_SEEN,
    INSIDE,
    OUTSIDE,
    SD_CORTEX,
    SD_EDGE,
    SD_THICKNESS,
    THICKNESS,
    fit_profiles,
)
from segmentation.refined import RefinedSurface
from segmentation.repair import LEFT_SD_MM, repaired, unfolded
from segmentation.surface_shape import Rings, Shape, shape_of
from segmentation.vocabulary import CTVolume, Floats, Surface

Mask = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]

CHUNK_COUNT = 16384
"""Vertices whose profiles are held at a time: 20 MB."""

FIRST_LOOK_COUNT = 2000
"""Vertices from which the scan's cortex level and usual misfit are taken. Our choice."""

ASSUMED_BLUR_SD_FRACTION = 0.10
"""Soft constant of log sigma where the blur is assumed. Judgement, not measured."""

POSITION_SD_RATIO, THICKNESS_SD_RATIO = 1.5, 2.0
"""Stated over posterior deviation: a study on phantoms found errors 0.9 to 1.7 times and 2 to 5 times (at
95 %) the posterior, which knows nothing of the model's faults."""

KNOWN_FWHM_RATIO, ASSUMED_KNOWN_FWHM_RATIO, KNOWN_SD_FRACTION = 0.75, 1.2, 0.20
"""A thickness is known from so many widths of the blur up (the second where the blur is assumed), when its
stated deviation is below that share of it. From the same study: 1 % of such thicknesses are off by > 25 %."""

NEAR_FWHM_RATIO = 2.2
"""A bone nearer than so many widths of the blur is made part of the fit. Our choice: on phantoms a neighbour
drew the surface in by 0.02 mm from 1.7 widths down, and with it in the fit by less than 0.01."""

ALONE_FRACTION, FARTHEST_PERCENT = 0.02, 75
"""The soft tissue's level is taken where no neighbour stands, if that is so large a share of the bone, else
where gaps are wider than at so many percent of it. Our choice."""

TURNED_DEGREE = 5.0
"""A vertex whose direction turns by more is fitted again. From the same study: 10° cost 0.02 mm."""

TURNED_TOO_FAR_DEGREE = 45.0
"""A vertex that turned by more lies where the mesh is no surface of the bone; it keeps its direction."""

COARSE_SLICE_MM, COARSE_FACING_FRACTION, COARSE_SD_RATIO = 2.0, 0.09, 0.2
"""With slices farther apart than this a surface that faces along them by more than nz² is not measured; its
deviation is at least this share of the step between slices along its normal. From the same study: slices of
3.3 mm left 0.5 mm (RMS) on bones of any direction."""

OTHER_BLUR_SDS_RATIO = 6.0
"""An edge whose fitted log sigma is so many deviations from the scan's is not trusted: at rims, and where
spongy bone lies open, several edges run together. Our choice: on a broken surface of spongy bone a sixth of
the edges, and nearly all that were off by more than 0.25 mm.
"""

FACING_FRACTION = 0.25
"""A place's blur is assumed where so much of its direction lies along an assumed one. Our choice."""


def refine_surface(
    ct: CTVolume, surface: Surface, *, point_spread: PointSpread | None = None, seed: int = 1
) -> RefinedSurface:
    """``surface`` (closed, within about 1 mm) moved to the bone's true edge in ``ct``, with its cortex.

    ``point_spread`` is the scan's, found from this bone where it is not given; ``seed`` chooses the vertices
    it is found from. Raises InputError where the grid's axes are skew.
    """
    scan = scan_of(ct)
    own = scan.to_own_mm(surface.vertices_mm)
    rings = Rings(surface.faces, len(own))
    shape = shape_of(own, rings, scan.outward)
    noise = noise_hu(ct, surface.vertices_mm)
    spread = point_spread or spread_at(ct, scan, shape, noise, seed)
    bed, level = _first_look(_Bed(scan, spread, noise, shape, _mesh_hu(ct, surface)), seed)
    fits = np.full((len(own), FIT_COUNT), np.nan)
    everything = np.arange(len(own))
    _fit(bed, fits, everything, *(np.full(len(own), value) for value in level))
    bed = _turned(bed, fits, rings, level)
    cortex, cortex_sd = local_levels_hu(bed.shape.points_mm, fits, *level)
    _fit(bed, fits, everything, cortex, cortex_sd, soft_hu=_soft_tissue_hu(fits), warm=True)
    moved, position_sd, mended = _mended(shape, bed, fits, rings)
    fitted = moved
    moved, unfolded_count = unfolded(own, fitted, bed.shape.normals * scan.outward, rings)
    # What a fold kept from its fitted place is that much less certain.
    position_sd = np.hypot(position_sd, np.linalg.norm(moved - fitted, axis=1))
    refined = Surface(scan.to_patient_mm(moved), surface.faces)
    return _result(refined, bed, fits, position_sd, mended, unfolded_count)


@dataclass(frozen=True, eq=False)
class _Bed:
    """What every fit needs: the scan, its blur and noise, and where to look from and in which direction."""

    scan: Scan
    spread: PointSpread
    noise_hu: float
    shape: Shape
    mesh_hu: float
    usual_misfit_ratio: float = 1.0

    @property
    def sigma_mm(self) -> Floats:
        """(n,) the blur along each normal."""
        return self.scan.sigma_mm(self.shape.normals, self.spread.sigma_xy_mm, self.spread.sigma_z_mm)

    @property
    def blur_assumed(self) -> Mask:
        """(n,) where the blur along the normal was not measured."""
        across = self.scan.across_slices_fraction(self.shape.normals)
        xy, z = 1 - across > FACING_FRACTION, across > FACING_FRACTION
        return np.asarray((xy & self.spread.xy_assumed) | (z & self.spread.z_assumed))

    @property
    def blur_sd_fraction(self) -> Floats:
        """(n,) the soft constant of log sigma."""
        return np.where(self.blur_assumed, ASSUMED_BLUR_SD_FRACTION, BLUR_SD_FRACTION)

    @property
    def too_coarse(self) -> Mask:
        """(n,) where slices lie too far apart, and the surface faces too much along them, to measure."""
        slice_mm = float(self.scan.spacing_mm[self.scan.slice_axis])
        across = self.scan.across_slices_fraction(self.shape.normals)
        return np.asarray((slice_mm > COARSE_SLICE_MM) & (across > COARSE_FACING_FRACTION))

    @property
    def coarse_sd_mm(self) -> Floats:
        """(n,) deviation that the distance of slices adds, 0 where they are close enough."""
        facing = np.sqrt(self.scan.across_slices_fraction(self.shape.normals))
        step = float(self.scan.spacing_mm[self.scan.slice_axis]) * facing
        return np.asarray(np.where(self.too_coarse, COARSE_SD_RATIO * step, 0.0))

    @property
    def blur_shift_mm(self) -> Floats:
        """(n,) how far the blur draws a curved edge inward: half the trace of K·Σ across the normal."""
        variance = np.full(3, self.spread.sigma_xy_mm**2)
        variance[self.scan.slice_axis] = self.spread.sigma_z_mm**2
        leaning = self.shape.normals * variance
        along = np.maximum(np.einsum("ij,ij->i", self.shape.normals, leaning), variance.min() / 2)[
            :, None, None
        ]
        tangent = np.diag(variance) - leaning[:, :, None] * leaning[:, None, :] / along
        return np.asarray(np.einsum("ijk,ikj->i", self.shape.bends, tangent) / 2)

    def of(self, rows: Rows) -> _Bed:
        """The same for some vertices."""
        return replace(self, shape=self.shape.of(rows))


def _fit(
    bed: _Bed,
    fits: Floats,
    rows: Rows,
    cortex_hu: Floats,
    cortex_sd_hu: Floats,
    *,
    soft_hu: float | None = None,
    warm: bool = False,
) -> None:
    """Fit ``rows`` of ``fits`` in place, with soft constants of all vertices."""
    for begin in range(0, len(rows), CHUNK_COUNT):
        here = rows[begin : begin + CHUNK_COUNT]
        part = bed.of(here)
        sigma = part.sigma_mm
        found = fits[here]
        fit_profiles(
            *bed.scan.profiles(part.shape.points_mm, part.shape.normals, part.shape.bends),
            bed.noise_hu,
            sigma,
            sigma,
            cortex_hu[here],
            cortex_sd_hu[here],
            part.blur_sd_fraction,
            bed.usual_misfit_ratio,
            np.nan if soft_hu is None else soft_hu,
            NEAR_FWHM_RATIO,
            warm,
            found,
        )
        fits[here] = found


def _mesh_hu(ct: CTVolume, surface: Surface) -> float:
    """The usual grey value at the mesh, between the bone's and the soft tissue's."""
    ijk = ct.grid.mm_to_ijk(surface.vertices_mm).T
    return float(np.median(ndimage.map_coordinates(ct.hu, ijk, output=float, order=1, mode="nearest")))


def _first_look(bed: _Bed, seed: int) -> tuple[_Bed, tuple[float, float]]:
    """``bed`` with the scan's usual misfit, and the scan's cortex level with its deviation."""
    count = len(bed.shape.points_mm)
    rows = np.random.default_rng(seed).permutation(count)[:FIRST_LOOK_COUNT]
    fits = np.full((count, FIT_COUNT), np.nan)
    _fit(bed, fits, rows, np.full(count, FIRST_GUESS_HU), np.full(count, FIRST_GUESS_SD_HU))
    looked = fits[rows]
    found = looked[:, FOUND] > 0
    usual = max(1.0, float(np.median(looked[found, CHI2]))) if found.any() else 1.0
    return replace(bed, usual_misfit_ratio=usual), scan_level_hu(looked, bed.sigma_mm[rows])


def _mended(start: Shape, bed: _Bed, fits: Floats, rings: Rings) -> tuple[Floats, Floats, Mask]:
    """Vertices (n, 3) at their fitted edge, doubtful ones moved as their ring; deviations, and which (n,).

    What lies on the scan's border is not the bone's surface and stays.
    """
    edge = np.where(_found(fits), bed.blur_shift_mm - fits[:, EDGE], 0.0)
    places = bed.shape.points_mm + edge[:, None] * bed.shape.normals
    moves = np.einsum("ij,ij->i", places - start.points_mm, start.normals)
    moves = np.where(_found(fits) & ~_inside(bed, fits) & (np.abs(moves) < FARTHEST_MM), moves, np.nan)
    moves, sd, doubtful = repaired(moves, POSITION_SD_RATIO * fits[:, SD_EDGE], rings)
    at_border = bed.scan.at_border(start.points_mm)
    moves[at_border], sd[at_border], doubtful[at_border] = 0.0, LEFT_SD_MM, True
    moved = start.points_mm + moves[:, None] * start.normals
    return np.where(doubtful[:, None], moved, places), np.hypot(sd, bed.coarse_sd_mm), doubtful


def _turned(bed: _Bed, fits: Floats, rings: Rings, level: tuple[float, float]) -> _Bed:
    """``bed`` with the refined surface's directions where they turned, and those vertices fitted anew."""
    moved, _, _ = _mended(bed.shape, bed, fits, rings)
    shape = shape_of(moved, rings, bed.scan.outward)
    cosine = np.einsum("ij,ij->i", shape.normals, bed.shape.normals)
    rows = np.flatnonzero(
        (cosine < np.cos(np.radians(TURNED_DEGREE))) & (cosine > np.cos(np.radians(TURNED_TOO_FAR_DEGREE)))
    )
    points, normals, bends = (
        array.copy() for array in (bed.shape.points_mm, bed.shape.normals, bed.shape.bends)
    )
    points[rows], normals[rows], bends[rows] = moved[rows], shape.normals[rows], shape.bends[rows]
    turned = replace(bed, shape=Shape(points, normals, bends))
    _fit(turned, fits, rows, *(np.full(len(fits), value) for value in level))
    return turned


def _found(fits: Floats) -> Mask:
    """(n,) where an edge was found, and not farther from the mesh than it may lie."""
    with np.errstate(invalid="ignore"):
        return np.asarray((fits[:, FOUND] > 0) & (np.abs(fits[:, EDGE]) < FARTHEST_MM))


def _inside(bed: _Bed, fits: Floats) -> Mask:
    """(n,) edges within the bone: from bright to brighter, or such as only another blur would show."""
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (np.abs(fits[:, BLUR]) > OTHER_BLUR_SDS_RATIO * bed.blur_sd_fraction)
            | (fits[:, OUTSIDE] > bed.mesh_hu)
        )


def _soft_tissue_hu(fits: Floats) -> float:
    """The usual level outside the bone where no neighbour stands, or where it stands farthest."""
    found = fits[:, FOUND] == 1
    plain = found & np.isnan(fits[:, GAP_SEEN])
    if plain.sum() < ALONE_FRACTION * found.sum():
        with np.errstate(invalid="ignore"):
            plain = found & (fits[:, GAP_SEEN] >= np.nanpercentile(fits[found, GAP_SEEN], FARTHEST_PERCENT))
    return float(np.median(fits[plain, OUTSIDE])) if plain.any() else np.nan


def _result(
    surface: Surface, bed: _Bed, fits: Floats, position_sd_mm: Floats, mended: Mask, unfolded_count: int
) -> RefinedSurface:
    """The refined surface, with ``thickness_known`` decided."""
    thickness, thickness_sd = fits[:, THICKNESS], THICKNESS_SD_RATIO * fits[:, SD_THICKNESS]
    assumed, found, coarse = bed.blur_assumed, _found(fits), bed.too_coarse
    notes = bed.spread.notes
    if coarse.any():
        notes += (
            f"slices lie too far apart to measure {coarse.mean():.0%} of the surface, facing along them",
        )
    least = np.where(assumed, ASSUMED_KNOWN_FWHM_RATIO, KNOWN_FWHM_RATIO)
    with np.errstate(invalid="ignore"):
        known = (
            found
            & ~mended
            & ~coarse
            & (thickness >= least * FWHM_PER_SIGMA_RATIO * bed.sigma_mm)
            & (thickness_sd <= KNOWN_SD_FRACTION * thickness)
        )
    return RefinedSurface(
        surface=surface,
        position_sd_mm=position_sd_mm,
        thickness_mm=thickness,
        thickness_sd_mm=thickness_sd,
        thickness_known=known,
        cortex_hu=fits[:, CORTEX],
        cortex_sd_hu=THICKNESS_SD_RATIO * fits[:, SD_CORTEX],
        inner_hu=fits[:, INSIDE],
        outer_hu=fits[:, OUTSIDE],
        mass_hu_mm=(fits[:, CORTEX] - (fits[:, OUTSIDE] + fits[:, INSIDE]) / 2) * thickness,
        no_edge=~found,
        near_neighbour=fits[:, FOUND] == 2,
        repaired=mended,
        blur_assumed=assumed,
        too_coarse=coarse,
        point_spread=bed.spread,
        noise_hu=bed.noise_hu,
        unfolded_count=unfolded_count,
        notes=notes,
    )
