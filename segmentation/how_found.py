"""Words for how a bone was found: the scan's grey values, blur and noise, and the levels that were used."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PointSpread:
    """How far the scanner blurs: deviations of a Gaussian in the slice plane and along the slice axis.

    The voxel's own extent is included. ``xy_assumed`` and ``z_assumed`` tell what the bone did not show;
    ``skin_sigma_xy_mm`` is what the edge of skin and air shows, None where there is none.
    ``undershoot_fraction`` is how far grey values dip below the soft tissue beside a cortex, of its contrast:
    a sharp kernel does that. ``notes`` are sentences for a person.
    """

    sigma_xy_mm: float
    sigma_z_mm: float
    xy_assumed: bool = False
    z_assumed: bool = False
    bone_sigma_xy_mm: float | None = None
    skin_sigma_xy_mm: float | None = None
    undershoot_fraction: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class UsedLevel:
    """A grey level that was used, and what it parts or stands for."""

    level_hu: float
    what: str


@dataclass(frozen=True, eq=False)
class Histogram:
    """How many of the counted voxels have which grey value, in bins of ``bin_hu`` from ``from_hu`` upwards.

    ``counts`` are all voxels with data, ``bone_counts`` those of them inside a fragment; both (n,). Darker
    and brighter ones are in the first and last bin. Every ``every``-th voxel along each axis was counted.
    """

    from_hu: float
    bin_hu: float
    counts: npt.NDArray[np.int64]
    bone_counts: npt.NDArray[np.int64]
    every: int = 1

    def __post_init__(self) -> None:
        for name in ("counts", "bone_counts"):
            counts = np.array(getattr(self, name), np.int64)
            counts.setflags(write=False)
            object.__setattr__(self, name, counts)

    @property
    def edges_hu(self) -> Floats:
        """(n + 1,) borders of the bins."""
        return np.asarray(self.from_hu + self.bin_hu * np.arange(len(self.counts) + 1))


@dataclass(frozen=True, eq=False)
class Blur:
    """What refining found out about the scan: its blur, its noise (1 standard deviation), and where that was
    measured."""

    point_spread: PointSpread
    noise_hu: float
    noise_where: str


@dataclass(frozen=True, eq=False)
class SegmentationRecord:
    """What a person needs to judge a segmentation; ``blur`` is None where surfaces are plain levels.

    ``guessed_mm`` (m, 3) are places between parts at which no gap was seen, in patient mm.
    """

    histogram: Histogram
    levels: tuple[UsedLevel, ...]
    blur: Blur | None = None
    guessed_mm: Floats = field(default_factory=lambda: np.zeros((0, 3)))
