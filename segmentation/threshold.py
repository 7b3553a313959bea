"""Chooses the grey level at which bone begins, and says why, or checks the one a person gives.

The level is half-way between the soft tissue and the bone around it, the unbiased place of a blurred edge
(biomechanics: half maximum), kept inside the 150 to 300 HU in use for bone ends. Soft tissue is the peak of
the histogram near water and muscle; bone is the median of all that is brighter by 150 HU and three times the
noise. A scan without bone but with foam in air is a test block: there it is half-way between the peaks of air
and foam. One level cannot suit thick cortex and thin plates alike: expect the surface of thick cortex a
little too far out (at 300 HU 0.25 to 0.5 mm, measured on spheres and cylinders of 1300 HU, blur 0.3 to 0.6
mm).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.errors import InputError
from segmentation.vocabulary import NO_DATA_BELOW_HU, CTVolume, Ints

LOWEST_LEVEL_HU, HIGHEST_LEVEL_HU = 150.0, 300.0
"""Common practice: global levels for bone ends 150 to 250 HU, cortex alone 400 and more; 300 is our upper
end."""

MUSCLE_RANGE_HU = (-30, 120)
"""Where water and muscle peak. Common practice: water 0, blood 35-50, muscle 40-60 HU, with room for
noise."""

SOFT_TISSUE_RANGE_HU = (-150, 150)
"""Fat to muscle. Common practice: fat -110 to -90 HU, muscle 40-60 HU."""

BONE_ABOVE_SOFT_HU = 150
"""Bone is brighter than soft tissue by at least this. Our choice: cancellous bone is 100-400 HU (common
practice)."""

NOISE_STANDARD_DEVIATIONS_COUNT = 3
"""Bone begins so many noise widths above soft tissue at least. Our choice: 0.13 % of soft tissue is brighter
(normal)."""

LOWEST_ABOVE_SOFT_HU, LOWEST_STANDARD_DEVIATIONS_COUNT = 75, 4
"""Bone that adapts to its place begins so far above soft tissue, or so many noise widths. Our choice: half
the height of the dimmest thin cortex (150 HU above), above tendon and cartilage (80 to 120 HU, common
practice) and all but 3 in 100,000 noisy voxels (normal)."""

HALF_WIDTH_TO_SD_RATIO = math.sqrt(2 * math.log(2))
"""Half width at half height of a normal peak over its standard deviation (closed form)."""

FEWEST_BONE_MM3 = 50.0
"""Less than this is a speck and no bone (the size below which components are removed)."""

FOAM_RANGE_HU = (-950, -200)
"""Rigid foam of 0.05 to 0.8 g/cm³ in air. Derived: HU is near 1000·(density − 1) for light plastics."""

AIR_RANGE_HU = (NO_DATA_BELOW_HU, -950)
"""Air with its noise. Common practice: air -1000 HU."""

BRIGHTEST_HU = 4000
"""Brighter is metal and counted as this. Common practice: the scale of a 12-bit CT ends at 3071 HU."""

SMOOTHING_HU = 9
"""Width of the running mean over the histogram before its peak is taken. Our choice: the width of a kernel's
noise."""

MOST_VOXELS_COUNT = 20_000_000
"""More are thinned evenly before counting. Our choice: 20 million fix a median to a fraction of 1 HU."""


@dataclass(frozen=True)
class Tissue:
    """What bone lies in: ``soft_hu``. Below ``lowest_hu`` bone is not told from it and its noise; something
    at ``bone_from_hu`` is bone."""

    soft_hu: float
    lowest_hu: float
    bone_from_hu: float


@dataclass(frozen=True)
class Chosen:
    """A grey value for the whole scan, and why; ``tissue`` is None for a block of foam in air."""

    level_hu: float
    reason: str
    tissue: Tissue | None = None


def choose_threshold(ct: CTVolume) -> tuple[float, str]:
    """The level in HU and the sentence that says why. Raises InputError where no level can be defended."""
    chosen = choose_level(ct)
    return chosen.level_hu, chosen.reason


def choose_level(ct: CTVolume) -> Chosen:
    """The same with what it was chosen by."""
    counts = _Counts.of(ct)
    if counts.darkest_hu >= 0:
        raise InputError(
            f"the grey values run from {counts.darkest_hu} to {counts.brightest_hu} and never below 0, as no"
            " CT in HU does, so no level can be chosen; give --threshold in the file's own values"
        )
    soft_hu = counts.soft_tissue_hu()
    noise_hu = counts.noise_hu(soft_hu)
    bone_from_hu = soft_hu + max(BONE_ABOVE_SOFT_HU, NOISE_STANDARD_DEVIATIONS_COUNT * noise_hu)
    bone_mm3 = counts.within(bone_from_hu, BRIGHTEST_HU) * counts.counted_voxel_mm3
    if bone_mm3 >= FEWEST_BONE_MM3:
        level_hu, reason = _bone_level(counts, soft_hu, bone_from_hu)
        lowest_hu = soft_hu + max(LOWEST_ABOVE_SOFT_HU, LOWEST_STANDARD_DEVIATIONS_COUNT * noise_hu)
        return Chosen(level_hu, reason, Tissue(soft_hu, min(lowest_hu, level_hu), bone_from_hu))
    if counts.within(*FOAM_RANGE_HU) > counts.within(*SOFT_TISSUE_RANGE_HU):
        return Chosen(*_foam_level(counts))
    raise InputError(
        f"only {bone_mm3:.0f} mm³ of the scan is brighter than {bone_from_hu:.0f} HU, well above soft tissue"
        f" at {soft_hu:.0f} HU, and no bone is that small; check the scan or give --threshold"
    )


def check_threshold(ct: CTVolume, threshold_hu: float) -> float:
    """``threshold_hu`` if it parts the scan in two, else an InputError."""
    if not math.isfinite(threshold_hu):
        raise InputError(
            f"--threshold must be a finite number of HU (got {threshold_hu}); write for example 226"
        )
    low_hu, high_hu = _range_hu(ct)
    if not low_hu < threshold_hu <= high_hu:
        where = "above every" if threshold_hu > high_hu else "not above the lowest"
        raise InputError(
            f"--threshold {threshold_hu:g} HU is {where} value of this scan, which runs from {low_hu:g}"
            f" to {high_hu:g} HU; choose one between them"
        )
    return float(threshold_hu)


@dataclass(frozen=True, eq=False)
class _Counts:
    """How many voxels have each whole HU from NO_DATA_BELOW_HU to BRIGHTEST_HU."""

    counts: npt.NDArray[np.int64]
    counted_voxel_mm3: float
    darkest_hu: int
    brightest_hu: int

    @classmethod
    def of(cls, ct: CTVolume) -> _Counts:
        step = max(1, math.ceil((ct.hu.size / MOST_VOXELS_COUNT) ** (1 / 3)))
        counts = np.zeros(BRIGHTEST_HU - NO_DATA_BELOW_HU + 1, np.int64)
        for k in range(0, ct.hu.shape[2], step):
            counts += np.bincount(_bins(ct.hu[::step, ::step, k]), minlength=len(counts))
        present = np.flatnonzero(counts)
        if not len(present):
            raise InputError(
                f"the scan holds no value of {NO_DATA_BELOW_HU} HU or more; check what was loaded"
            )
        darkest_hu, brightest_hu = (int(index) + NO_DATA_BELOW_HU for index in (present[0], present[-1]))
        return cls(counts, ct.grid.voxel_mm3 * step**3, darkest_hu, brightest_hu)

    def within(self, low_hu: float, high_hu: float) -> int:
        """Voxels from ``low_hu`` to ``high_hu``, both included."""
        return int(self._part(low_hu, high_hu).sum())

    def peak_hu(self, low_hu: float, high_hu: float) -> float:
        """The most frequent value there."""
        smooth = self._smooth()
        first = int(low_hu) - NO_DATA_BELOW_HU
        return float(
            np.argmax(smooth[first : int(high_hu) - NO_DATA_BELOW_HU + 1]) + first + NO_DATA_BELOW_HU
        )

    def median_hu(self, low_hu: float) -> float:
        """The median of what is at least ``low_hu``."""
        part = np.cumsum(self._part(low_hu, BRIGHTEST_HU))
        return float(np.searchsorted(part, (part[-1] + 1) // 2) + math.ceil(low_hu))

    def soft_tissue_hu(self) -> float:
        """The peak of muscle and water, or of fat where there is neither."""
        # Asked for muscle first: where fat outnumbers it the peak of the whole range is fat, and bone is set
        # in muscle.
        return self.peak_hu(*(MUSCLE_RANGE_HU if self.within(*MUSCLE_RANGE_HU) else SOFT_TISSUE_RANGE_HU))

    def noise_hu(self, peak_hu: float) -> float:
        """Standard deviation of the peak, from where its brighter side falls to half."""
        smooth = self._smooth()[int(peak_hu) - NO_DATA_BELOW_HU :]
        half = np.flatnonzero(smooth <= smooth[0] / 2)
        return float(half[0] / HALF_WIDTH_TO_SD_RATIO) if len(half) else 0.0

    def _smooth(self) -> npt.NDArray[np.float64]:
        return np.convolve(self.counts, np.ones(SMOOTHING_HU) / SMOOTHING_HU, mode="same")

    def _part(self, low_hu: float, high_hu: float) -> npt.NDArray[np.int64]:
        first = max(0, math.ceil(low_hu) - NO_DATA_BELOW_HU)
        return self.counts[first : math.floor(high_hu) - NO_DATA_BELOW_HU + 1]


def _bins(hu: npt.NDArray[Any]) -> Ints:
    data = hu[hu >= NO_DATA_BELOW_HU]
    return np.asarray(np.rint(np.minimum(data, BRIGHTEST_HU)).astype(np.int32) - NO_DATA_BELOW_HU)


def _bone_level(counts: _Counts, soft_hu: float, bone_from_hu: float) -> tuple[float, str]:
    bone_hu = counts.median_hu(bone_from_hu)
    half_hu = (soft_hu + bone_hu) / 2
    noise_top_hu = soft_hu + NOISE_STANDARD_DEVIATIONS_COUNT * counts.noise_hu(soft_hu)
    level_hu = min(max(half_hu, LOWEST_LEVEL_HU, noise_top_hu), HIGHEST_LEVEL_HU)
    held = ""
    if level_hu > half_hu:
        held = f", held up to {level_hu:.0f} HU to stay above soft tissue and its noise"
    elif level_hu < half_hu:
        held = (
            f", held down to {level_hu:.0f} HU so that thin cortex is kept (thick cortex then reads up to"
            " 0.5 mm too far out)"
        )
    return level_hu, (
        f"Half-way between soft tissue at {soft_hu:.0f} HU and bone at {bone_hu:.0f} HU (median above"
        f" {bone_from_hu:.0f} HU) is {half_hu:.0f} HU{held}."
    )


def _foam_level(counts: _Counts) -> tuple[float, str]:
    foam_hu = counts.peak_hu(*FOAM_RANGE_HU)
    if counts.within(*AIR_RANGE_HU) == 0:
        raise InputError(
            f"most of the scan is foam near {foam_hu:.0f} HU and there is no air around it, so no level can"
            " be chosen; give --threshold"
        )
    air_hu = counts.peak_hu(*AIR_RANGE_HU)
    level_hu = (air_hu + foam_hu) / 2
    return level_hu, (
        f"Half-way between air at {air_hu:.0f} HU and foam at {foam_hu:.0f} HU (the two peaks; hardly"
        f" anything is as bright as soft tissue) is {level_hu:.0f} HU."
    )


def _range_hu(ct: CTVolume) -> tuple[float, float]:
    low_hu, high_hu = math.inf, -math.inf
    for k in range(ct.hu.shape[2]):
        data = ct.hu[:, :, k]
        data = data[data >= NO_DATA_BELOW_HU]
        if data.size:
            low_hu, high_hu = min(low_hu, float(data.min())), max(high_hu, float(data.max()))
    return low_hu, high_hu
