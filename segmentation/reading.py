"""What every scan must satisfy before anyone may measure on it, whichever file it came from.

Both readers hand their slices to ``GreyValues``, which keeps them in the smallest type that holds them
exactly (int16 where all are whole numbers, else float32), counts what is not a number, and asks whether the
values can be Hounsfield units. ``checked_grid`` asks whether voxels have a size a CT can have and edges at
right angles. Arrays are Fortran-ordered (i runs fastest), as both file formats store them: nothing is
transposed in memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.errors import InputError
from segmentation.vocabulary import NO_DATA_BELOW_HU, Floats, Grid

NO_DATA_HU = -2048
"""Put where a file says that it holds no value. Our choice: any value below NO_DATA_BELOW_HU would do."""

LARGEST_HU = 1e6
"""Beyond this, either way, a value is no reading. Our choice: the extended CT scale ends near 65,000 HU."""

AIR_BELOW_HU = -200
"""A scan of a limb holds air or fat darker than this or is cropped inside it. Common practice: fat is
-110 to -90 HU, air -1000."""

SMALLEST_VOXEL_MM, LARGEST_VOXEL_MM = 0.01, 20.0
"""Voxel edges outside this range are a wrong unit, not a CT. Our choice: micro-CT has 0.01 mm, scouts 10
mm."""

FARTHEST_MM = 1e6
"""No scan begins farther from its origin. Our choice: a kilometre."""

LARGEST_SHEAR_DEGREE = 0.1
"""Voxel edges may be this far off a right angle. Our choice: 0.1° bends a distance by 0.2 % at most."""

FEWEST_VOXELS_COUNT = 3
"""Along each axis. Our choice: two slices cannot show that slices are evenly spaced."""


class GreyValues:
    """Collects a volume slab by slab in the smallest type that holds it exactly."""

    def __init__(self, shape: tuple[int, int, int], where: str) -> None:
        self._hu: npt.NDArray[Any] = np.empty(shape, np.int16, order="F")
        self._where = where
        self._not_numbers_count = 0
        self._darkest_hu, self._brightest_hu = np.inf, -np.inf

    def put(self, first_k: int, slab_hu: npt.NDArray[Any]) -> None:
        """Store ``slab_hu`` (i, j, n), HU of any real type, as slices ``first_k`` and following."""
        lowest_hu, highest_hu = float(slab_hu.min()), float(slab_hu.max())
        # NaN fails both comparisons, so it is caught here too.
        if not (lowest_hu >= -LARGEST_HU and highest_hu <= LARGEST_HU):
            slab_hu = self._without_non_numbers(slab_hu)
            lowest_hu, highest_hu = float(slab_hu.min()), float(slab_hu.max())
        self._note_range(slab_hu, lowest_hu, highest_hu)
        if self._hu.dtype == np.int16 and not _fits_int16(slab_hu, lowest_hu, highest_hu):
            self._hu = self._hu.astype(np.float32, order="F")
        self._hu[:, :, first_k : first_k + slab_hu.shape[2]] = slab_hu

    def finish(self) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
        """The volume (i, j, k), int16 or float32, and what a person should know about its values."""
        if self._brightest_hu == -np.inf:
            raise InputError(
                f"{self._where} holds no data: every voxel is NaN or below {NO_DATA_BELOW_HU} HU; export the"
                " scan again"
            )
        notes = []
        if self._not_numbers_count:
            notes.append(
                f"{self._not_numbers_count} voxels hold no number (NaN, infinite or beyond a million) and"
                " are taken as no data."
            )
        if self._darkest_hu > AIR_BELOW_HU:
            notes.append(
                f"The darkest value is {self._darkest_hu:.0f} and the brightest {self._brightest_hu:.0f}:"
                " there is no air to check the grey scale against. If these are not Hounsfield units, the"
                " level and every density are wrong."
            )
        return self._hu, tuple(notes)

    def _without_non_numbers(self, slab_hu: npt.NDArray[Any]) -> npt.NDArray[Any]:
        slab_hu = slab_hu.astype(np.float64)
        bad = ~(np.abs(slab_hu) <= LARGEST_HU)
        self._not_numbers_count += int(np.count_nonzero(bad))
        slab_hu[bad] = NO_DATA_HU
        return slab_hu

    def _note_range(self, slab_hu: npt.NDArray[Any], lowest_hu: float, highest_hu: float) -> None:
        if highest_hu < NO_DATA_BELOW_HU:
            return
        if lowest_hu < NO_DATA_BELOW_HU:
            # Once air was seen nothing darker matters, and looking behind the padding takes time.
            seen_air = self._darkest_hu <= AIR_BELOW_HU
            lowest_hu = self._darkest_hu if seen_air else float(slab_hu[slab_hu >= NO_DATA_BELOW_HU].min())
        self._darkest_hu = min(self._darkest_hu, lowest_hu)
        self._brightest_hu = max(self._brightest_hu, highest_hu)


def checked_grid(shape: tuple[int, int, int], affine: Floats, where: str) -> Grid:
    """The grid, or an InputError that says why no CT can lie like that."""
    if min(shape) < FEWEST_VOXELS_COUNT:
        raise InputError(
            f"{where} has {shape[0]}×{shape[1]}×{shape[2]} voxels; at least {FEWEST_VOXELS_COUNT} along each"
            " axis are needed: give the whole volume, not one slice"
        )
    if not np.abs(affine).max() <= FARTHEST_MM:
        raise InputError(
            f"{where} has an affine that is not finite or reaches beyond {FARTHEST_MM:g} mm; export the scan"
            " again"
        )
    grid = Grid(shape, affine)
    smallest_mm, largest_mm = float(grid.spacing_mm.min()), float(grid.spacing_mm.max())
    if smallest_mm < SMALLEST_VOXEL_MM or largest_mm > LARGEST_VOXEL_MM:
        size = "×".join(f"{edge_mm:.4g}" for edge_mm in grid.spacing_mm)
        raise InputError(
            f"{where} has voxels of {size} mm; each edge must be {SMALLEST_VOXEL_MM} to"
            f" {LARGEST_VOXEL_MM:.0f} mm: check the unit of length it was written in"
        )
    shear_degree = _shear_degree(grid)
    if shear_degree > LARGEST_SHEAR_DEGREE:
        raise InputError(
            f"{where} has voxel edges {shear_degree:.1f}° off a right angle (a tilted scan); resample it to"
            " a rectangular grid first"
        )
    return grid


def _fits_int16(slab_hu: npt.NDArray[Any], lowest_hu: float, highest_hu: float) -> bool:
    limits = np.iinfo(np.int16)
    if lowest_hu < limits.min or highest_hu > limits.max:
        return False
    return slab_hu.dtype.kind != "f" or bool((slab_hu == np.rint(slab_hu)).all())


def _shear_degree(grid: Grid) -> float:
    edges = grid.affine[:3, :3] / grid.spacing_mm
    cosines = np.abs((edges.T @ edges)[np.triu_indices(3, 1)])
    return float(np.degrees(np.arcsin(min(1.0, cosines.max()))))
