"""Whether the scan was made with a sharp kernel: one that darkens the air beside the skin.

A soft kernel blurs an edge without a dip (a Gaussian never undershoots). A sharp one lifts fine detail by
overshooting on the bright side and undershooting on the dark one; thin bone then reads too dense and too
thin. The dip of the median grey value in the air just off the skin, relative to the step from air to body,
tells it. The bone's own edge cannot: fat around it looks the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import edt
import numpy as np
from scipy import ndimage

from segmentation.vocabulary import NO_DATA_BELOW_HU, SHARP_KERNEL, CTVolume, Floats

BODY_ABOVE_HU = -500.0
"""Half-way between air and tissue, the unbiased place of a blurred edge (common practice)."""

SHARP_FROM_FRACTION = 0.01
"""A dip of so much of the step is a sharp kernel's. Our choice: a soft one has none, a sharp one 2 to 10 %
(from memory), and a scale that ends at -1024 shows 2.4 % at most."""

NEAR_MM, FAR_MM = 3.0, (6.0, 15.0)
"""The dip is sought so near the skin; the air is taken between these distances. Our choice: a dip lies within
twice the blur, hair and cloth do not fill the rest."""

BIN_MM = 0.25
"""Width of the shells around the body in which the median is taken. Our choice: half a voxel."""

SLICES_COUNT = 24
"""Slices looked at, evenly spread. Our choice: thousands of voxels in every shell."""

FEWEST_COUNT = 200
"""Voxels in a shell for its median to count. Our choice: noise of 40 HU then leaves 4."""

STANDARD_ERRORS_COUNT = 5.0
"""The dip exceeds its own noise by so much. Our choice: a dozen shells are asked."""


@dataclass(frozen=True)
class KernelJudgement:
    """``sharp`` is None where it cannot be told; ``sentence`` says what was seen or why not."""

    sharp: bool | None
    undershoot_fraction: float | None
    sentence: str


def judge_kernel(ct: CTVolume) -> KernelJudgement:
    """Whether ``ct`` undershoots in the air off the skin."""
    away_mm, hu = _air_beside_body(ct)
    far = hu[(away_mm >= FAR_MM[0]) & (away_mm < FAR_MM[1])]
    if len(far) < FEWEST_COUNT:
        return KernelJudgement(
            None, None, "the kernel cannot be judged: there is not enough air around the body"
        )
    air_hu, noise_hu = float(np.median(far)), float(far.std())
    if noise_hu == 0:
        return KernelJudgement(None, None, "the kernel cannot be judged: the air was blanked to one value")
    dips = []
    for shell in range(round(NEAR_MM / BIN_MM)):
        values = hu[(away_mm >= shell * BIN_MM) & (away_mm < (shell + 1) * BIN_MM)]
        if len(values) >= FEWEST_COUNT:
            dips.append((air_hu - float(np.median(values)), noise_hu / np.sqrt(len(values))))
    if not dips:
        return KernelJudgement(None, None, "the kernel cannot be judged: the body has too little skin in air")
    dip_hu, error_hu = max(dips)
    # The step is that from air to water; skin and fat lie within a tenth of it.
    undershoot = max(0.0, dip_hu) / -min(air_hu, BODY_ABOVE_HU)
    sharp = undershoot >= SHARP_FROM_FRACTION and dip_hu >= STANDARD_ERRORS_COUNT * error_hu
    seen = f"the air beside the skin dips by {undershoot:.1%} of the step"
    if sharp:
        return KernelJudgement(
            True,
            undershoot,
            f"{SHARP_KERNEL}: {seen}, so thin bone reads too dense and too thin; export the series with a"
            " standard kernel for density",
        )
    return KernelJudgement(False, undershoot, f"no sharp kernel: {seen}")


def sharp_note(ct: CTVolume) -> tuple[str, ...]:
    """A sentence about the kernel of ``ct`` where it is sharp; nothing where it is not or cannot be told."""
    judged = judge_kernel(ct)
    return (judged.sentence,) if judged.sharp else ()


def _air_beside_body(ct: CTVolume) -> tuple[Floats, Floats]:
    """Distance from the body's edge within the slice, and HU, of the air in some slices."""
    axis = ct.grid.slice_axis
    spacing = tuple(float(step) for step in np.delete(ct.grid.spacing_mm, axis))
    count = ct.grid.shape[axis]
    distances, values = [np.empty(0)], [np.empty(0)]
    for index in np.unique(np.linspace(0, count - 1, min(count, SLICES_COUNT)).round().astype(int)):
        # A slice as it lies: np.take copies the whole volume first where it is not in C order.
        image = ct.hu[(slice(None),) * axis + (int(index),)].astype(np.float64)
        body = ndimage.binary_fill_holes(image > BODY_ABOVE_HU)
        if not body.any():
            continue
        away = (
            np.asarray(edt.edt(~np.ascontiguousarray(body), anisotropy=spacing), float) - np.mean(spacing) / 2
        )
        air = ~body & (image >= NO_DATA_BELOW_HU) & (away < FAR_MM[1])
        distances.append(away[air])
        values.append(image[air])
    return np.concatenate(distances), np.concatenate(values)
