"""The line from HU to density by the patient's own air, fat and muscle.

Voxels are averaged to cubes of 2 mm; a cube counts where its neighbours are like it, so edges and streaks
drop out. Air is the darkest peak of what is dark up to the scan's border; fat and muscle are the two peaks of
what is left. Their HU are fitted to equivalent HA densities of about −840, −80 and +30 mg/cm³ (Eggermont et
al. 2019, from memory, low confidence). Expect 8 % (Kaesmacher et al. 2017: 7.8 % against rods in the scan).
What cannot be found is refused with the reason, never guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

from segmentation.errors import InputError
from segmentation.vocabulary import NO_DATA_BELOW_HU, Calibration, CTVolume, Floats

AIR_MG_CM3, FAT_MG_CM3, MUSCLE_MG_CM3 = -840.0, -80.0, 30.0
"""Equivalent HA densities. Eggermont et al. 2019 (from memory, low confidence)."""

TISSUES_STANDARD_ERROR_FRACTION = 0.08
"""Published: Kaesmacher et al. 2017 J Comput Assist Tomogr 41:217, 7.8 % RMS without contrast agent, rounded
up."""

LOWEST_VOLTAGE_KV, HIGHEST_VOLTAGE_KV = 117.0, 143.0
"""Tube voltages the equivalents may stand for. Derived: air is −1000 HU at any voltage and bone's slope is
not; theirs, about 0.83, is 9 % above the usual slope of 120 kV, 2 % below that of 140, but 29 and 56 % above
those of 100 and 80 kV."""

CUBE_MM = 2.0
"""Edge of the cubes. Our choice: noise of 30 HU falls under 5, a layer of fat still has cubes of its own."""

LIKE_ITS_NEIGHBOURS_HU = 25.0
"""A cube counts when its six neighbours differ by less. Our choice: a quarter of what fat and muscle are
apart."""

FEWEST_MM3 = 3000.0
"""Of each tissue at least. Our choice: 400 cubes, whose mode is known to a few HU."""

AIR_RANGE_HU = (-1040.0, -940.0)
"""Common practice: air −1000 HU, with room for noise cut off at −1024 and scatter."""

FAT_RANGE_HU, MUSCLE_RANGE_HU = (-140.0, -60.0), (15.0, 90.0)
"""Common practice: fat −110 to −90 HU, muscle 40-60 HU, with room for scanners."""

OUTSIDE_BELOW_HU = -850.0
"""Outside the body nothing is above this. Our choice: clothes and table foam are, and drop out."""

BLANKED_FRACTION = 0.5
"""Air of one single value to this share was blanked or cut off. Our choice."""

AIR_BY_DEFINITION_HU, BLANKED_ROOM_HU = -1000.0, 10.0
"""Air is −1000 HU (definition of HU), so air blanked or cut off there still tells the truth. Our choice
of the room."""

AIR_HALF_WIDTH_HU = 50.0
"""The air's peak is what lies so near its median. Our choice: twice the noise of a voxel, short of foam."""

LEAST_PEAK_FRACTION = 0.2
"""A peak of the air counts from this share of the highest. Our choice."""

PEAK_HALF_WIDTH_HU = 20.0
"""A peak is what lies so near its mode. Our choice: four deviations of a cube's noise."""

MEAN_SHIFTS_COUNT = 20
"""Steps from the mode to the mean about it. Our choice: each halves what is left at least."""

OVER_ITS_FLANKS_RATIO = 2.0
"""At its peak a tissue has so many times the cubes per HU that lie just beside it. Our choice: where fat and
muscle mix in every cube there is a slope and no peak."""

OFF_LINE_MG_CM3 = 40.0
"""Scatter of the three about their line that is let through. Our choice: 10 times what typical HU give."""


@dataclass(frozen=True)
class Tissue:
    """A tissue found in the scan: its most frequent HU, how much was seen, and its equivalent density."""

    name: str
    mode_hu: float
    volume_mm3: float
    density_mg_cm3: float


def calibrate_by_tissues(ct: CTVolume) -> Calibration:
    """The line through air, fat and muscle of ``ct``. Raises InputError with the reason for none."""
    if ct.tube_voltage_kv is None or not LOWEST_VOLTAGE_KV <= ct.tube_voltage_kv <= HIGHEST_VOLTAGE_KV:
        told = (
            "the scan does not tell its own"
            if ct.tube_voltage_kv is None
            else f"got {ct.tube_voltage_kv:g} kV"
        )
        raise InputError(
            "tissues calibrate a scan of 120 to 140 kV only, for which their equivalent densities stand"
            f" ({told}); give --kvp if it is, or use rods, --calibration or the default"
        )
    tissues = found_tissues(ct)
    hu = np.array([tissue.mode_hu for tissue in tissues])
    density = np.array([tissue.density_mg_cm3 for tissue in tissues])
    slope, intercept = (float(value) for value in np.polyfit(hu, density, 1))
    # Three points and two unknowns: one degree of freedom.
    scatter = float(np.linalg.norm(slope * hu + intercept - density))
    if scatter > OFF_LINE_MG_CM3:
        raise InputError(
            f"air, fat and muscle at {', '.join(f'{value:.0f}' for value in hu)} HU lie {scatter:.0f} mg/cm³"
            f" off a line, more than {OFF_LINE_MG_CM3:g}; calibrate by rods, --calibration or the default"
        )
    pairs = ", ".join(f"{t.name} {t.density_mg_cm3:.0f} at {t.mode_hu:.0f} HU" for t in tissues)
    return Calibration(
        "tissues-in-the-scan",
        slope,
        intercept,
        TISSUES_STANDARD_ERROR_FRACTION,
        f"{pairs} (equivalent mg HA/cm³, Eggermont et al. 2019, from memory, low confidence); 8 % standard"
        " error as measured for tissue lines (Kaesmacher et al. 2017)",
        intercept_standard_error_mg_cm3=scatter,
    )


def found_tissues(ct: CTVolume) -> tuple[Tissue, ...]:
    """Air, fat and muscle of the scan. Raises InputError naming the one that cannot be found."""
    air = _air(ct)
    cubes, edge_mm3 = _cubes(ct)
    uniform = cubes[_like_their_neighbours(cubes)]
    fat = _peak("fat", uniform, FAT_RANGE_HU, FAT_MG_CM3, edge_mm3)
    muscle = _peak("muscle", uniform, MUSCLE_RANGE_HU, MUSCLE_MG_CM3, edge_mm3)
    return air, fat, muscle


def _air(ct: CTVolume) -> Tissue:
    """The darkest peak around the body: a table's foam has one of its own, some 50 to 90 HU brighter."""
    step = [max(1, round(CUBE_MM / size)) for size in ct.grid.spacing_mm]
    hu = ct.hu[tuple(slice(None, None, n) for n in step)]
    voxel_mm3 = ct.grid.voxel_mm3 * math.prod(step)
    outside = (hu >= NO_DATA_BELOW_HU) & (hu < OUTSIDE_BELOW_HU)
    # One erosion leaves out the blurred edge of whatever lies in the air.
    labels, _ = ndimage.label(ndimage.binary_erosion(outside, border_value=1))
    border = np.unique(
        np.concatenate([np.take(labels, end, axis=axis).ravel() for axis in range(2) for end in (0, -1)])
    )
    values = hu[np.isin(labels, border[border > 0])]
    if values.size * voxel_mm3 < FEWEST_MM3:
        raise InputError(
            f"no air around the body was found ({values.size * voxel_mm3:.0f} mm³ of it, {FEWEST_MM3:.0f} are"
            " needed); calibrate by rods, --calibration or the default"
        )
    # Noise below the end of the scale is heaped up there, which is no peak of the air.
    above_end = values[values > values.min()]
    counted = above_end if above_end.size > LEAST_PEAK_FRACTION * values.size else values
    counts, edges = np.histogram(counted, bins=np.arange(NO_DATA_BELOW_HU, OUTSIDE_BELOW_HU + 1))
    smooth = ndimage.gaussian_filter1d(counts.astype(float), PEAK_HALF_WIDTH_HU / 4, mode="constant")
    peaks = signal.find_peaks(np.pad(smooth, 1), height=LEAST_PEAK_FRACTION * smooth.max())[0] - 1
    air_hu = float(edges[peaks[0]])
    for _ in range(MEAN_SHIFTS_COUNT):
        near = values[np.abs(values - air_hu) <= AIR_HALF_WIDTH_HU]
        air_hu = float(np.median(near))
    one_value = float(np.mean(near == air_hu)) > BLANKED_FRACTION
    if one_value and abs(air_hu - AIR_BY_DEFINITION_HU) > BLANKED_ROOM_HU:
        raise InputError(
            f"the air around the body holds the one value {air_hu:.0f} HU, as where a scanner has blanked it;"
            " calibrate by rods, --calibration or the default"
        )
    if not AIR_RANGE_HU[0] <= air_hu <= AIR_RANGE_HU[1]:
        raise InputError(
            f"the air around the body reads {air_hu:.0f} HU, not {AIR_RANGE_HU[0]:.0f} to "
            f"{AIR_RANGE_HU[1]:.0f}; check that the scan is in HU"
        )
    return Tissue("air", air_hu, values.size * voxel_mm3, AIR_MG_CM3)


def _cubes(ct: CTVolume) -> tuple[Floats, float]:
    """Means of cubes of about CUBE_MM, NaN where any voxel has no data, and a cube's volume in mm³."""
    step = [max(1, round(CUBE_MM / size)) for size in ct.grid.spacing_mm]
    counts = [size // n for size, n in zip(ct.hu.shape, step, strict=True)]
    means = np.empty(counts)
    # Slab by slab along the last axis, so that no second volume is held.
    for k in range(counts[2]):
        slab = ct.hu[: counts[0] * step[0], : counts[1] * step[1], k * step[2] : (k + 1) * step[2]]
        blocks = slab.reshape(counts[0], step[0], counts[1], step[1], step[2])
        means[:, :, k] = blocks.mean(axis=(1, 3, 4), dtype=np.float64)
        means[:, :, k][blocks.min(axis=(1, 3, 4)) < NO_DATA_BELOW_HU] = np.nan
    return means, ct.grid.voxel_mm3 * math.prod(step)


def _like_their_neighbours(cubes: Floats) -> npt.NDArray[np.bool_]:
    cross = ndimage.generate_binary_structure(3, 1)
    known = np.where(np.isfinite(cubes), cubes, np.inf)
    highest = ndimage.maximum_filter(known, footprint=cross, mode="nearest")
    lowest = ndimage.minimum_filter(known, footprint=cross, mode="nearest")
    finite = np.isfinite(highest) & np.isfinite(lowest)
    differ_hu = np.where(finite, highest, 0) - np.where(finite, lowest, 0)
    return np.asarray(finite & (differ_hu < LIKE_ITS_NEIGHBOURS_HU))


def _peak(
    name: str, uniform: Floats, range_hu: tuple[float, float], density_mg_cm3: float, cube_mm3: float
) -> Tissue:
    """The mode of the uniform cubes in a range, taken as the mean about it until it stays."""
    values = uniform[(uniform >= range_hu[0]) & (uniform <= range_hu[1])]
    volume_mm3 = values.size * cube_mm3
    if volume_mm3 < FEWEST_MM3:
        raise InputError(
            f"no {name} was found: {volume_mm3:.0f} mm³ of even tissue lie between {range_hu[0]:.0f} and"
            f" {range_hu[1]:.0f} HU, {FEWEST_MM3:.0f} are needed; calibrate by rods, --calibration or the"
            " default"
        )
    counts, edges = np.histogram(values, bins=np.arange(range_hu[0], range_hu[1] + 1))
    smooth = ndimage.gaussian_filter1d(counts.astype(float), PEAK_HALF_WIDTH_HU / 4)
    at_hu = float(edges[int(np.argmax(smooth))])
    for _ in range(MEAN_SHIFTS_COUNT):
        near = uniform[np.abs(uniform - at_hu) <= PEAK_HALF_WIDTH_HU]
        at_hu = float(near.mean())
    # The flanks have the peak's own width on either side.
    away = np.abs(uniform - at_hu)
    flanks = np.count_nonzero((away > PEAK_HALF_WIDTH_HU) & (away <= 2 * PEAK_HALF_WIDTH_HU))
    if not range_hu[0] < at_hu < range_hu[1] or near.size < OVER_ITS_FLANKS_RATIO * flanks:
        raise InputError(
            f"{name} has no peak of its own between {range_hu[0]:.0f} and {range_hu[1]:.0f} HU; calibrate by"
            " rods, --calibration or the default"
        )
    return Tissue(name, at_hu, volume_mm3, density_mg_cm3)
