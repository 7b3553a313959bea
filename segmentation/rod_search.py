"""Finds calibration rods in a scan: round, straight along z, even inside, even around, and sharply bounded.

Slices are averaged in blocks of 10 mm. In each, at every place a disc of the rod's radius is set against the
ring around it; a rod explains almost all that varies in the two together (as a fraction of variance, 1 for a
clean rod). The same place has to be found in neighbouring blocks. Rods are told apart by their grey value
alone: the densest is the brightest. What is found in other number than is sought is refused, never chosen
from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import ndimage, signal

from segmentation.errors import InputError
from segmentation.rods import rod_hu
from segmentation.rods_file import Rod, RodSet
from segmentation.vocabulary import CTVolume, Floats, Ints

BLOCK_MM = 10.0
"""Slices averaged at once. Our choice: noise falls several times, a rod has hardly moved."""

DISC_FRACTION, RING_FROM_FRACTION, RING_TO_FRACTION = 0.8, 1.25, 1.6
"""Of the rod's radius: the disc, and the ring about it. Our choice: the blurred wall lies between."""

EXPLAINED_FRACTION = 0.9
"""Share of the variance that disc against ring must explain. Our choice: an oval 1.3 times as long as it is
wide explains less."""

CONTRAST_HU = 20.0
"""A rod differs from what is around it by at least this. Our choice: a rod like its bed cannot be found."""

CLEAR_STANDARD_ERRORS_COUNT = 8.0
"""A rod's contrast is so many standard errors of the noise in disc and ring at least. Our choice: hundreds of
thousands of places are asked."""

ALONG_Z_FRACTION = 0.98
"""The slices' axis lies within about 11° of z: cosine. Our choice: rods are sought square to the slices."""

FEWEST_BLOCKS_COUNT = 2
"""A rod is seen in so many neighbouring blocks. Our choice."""

HALF_RADIUS_FRACTION = 0.5
"""From block to block a rod moves less than this share of its radius. Our choice: 11° for a radius of 4
mm."""

MOST_HU_PER_MG_CM3_RATIO = 3.0
"""HU per mg/cm³ of a rod at most: bone mineral has 1.1 to 1.9 (1 over the usual slopes), with room."""

ROOM_HU = 150.0
"""HU that the rods' own material may add or take. Common practice: resin rods are up to 100 HU from water."""


@dataclass(frozen=True, eq=False)
class _Spot:
    """A place in a block's mean slice that looks like a rod: voxel indices across, and its contrast in HU."""

    at: Floats
    contrast_hu: float


def found_rods(ct: CTVolume, sought: RodSet) -> tuple[Rod, ...]:
    """The rods of ``sought`` (one radius, no places) in ``ct``, in the order of their densities in the set.

    Raises InputError when their number in the scan is another, or the slices do not lie square to z.
    """
    radius_mm = float(sought.radii_mm[0])
    axis = ct.grid.slice_axis
    along = ct.grid.affine[:3, axis] / ct.grid.spacing_mm[axis]
    if abs(along[2]) < ALONG_Z_FRACTION:
        raise InputError("rods can be sought only in slices square to z; give centre_mm for each rod")
    across = [a for a in range(3) if a != axis]
    step_mm = ct.grid.spacing_mm[axis]
    blocks = _blocks(ct.grid.shape[axis], max(1, round(BLOCK_MM / step_mm)))
    spots = [_spots(*_mean_slice(ct, axis, block), radius_mm, ct.grid.spacing_mm[across]) for block in blocks]
    rods = []
    for track in _tracks(spots, radius_mm, ct.grid.spacing_mm[across]):
        if len(track) < min(FEWEST_BLOCKS_COUNT, len(blocks)):
            continue
        ends_ijk = np.empty((len(track), 3))
        ends_ijk[:, across] = [spot.at for _, spot in track]
        ends_ijk[:, axis] = [(blocks[n].start + blocks[n].stop - 1) / 2 for n, _ in track]
        places_mm = ct.grid.ijk_to_mm(ends_ijk)
        direction = places_mm[-1] - places_mm[0] if len(track) > 1 else along
        # The outermost blocks may hold the rod's end: they are left out where there are enough.
        kept = len(track) - 2 if len(track) > FEWEST_BLOCKS_COUNT + 1 else 1
        length_mm = kept * (blocks[0].stop - blocks[0].start) * step_mm
        middle = places_mm.mean(axis=0) if kept > 1 else places_mm[len(track) // 2]
        rods.append(Rod(middle, direction / np.linalg.norm(direction), radius_mm, length_mm))
    return _matched(ct, rods, sought)


def _matched(ct: CTVolume, rods: Sequence[Rod], sought: RodSet) -> tuple[Rod, ...]:
    """The rods in the order of the densities, the brightest for the densest."""
    densities = sought.densities_mg_cm3
    least_hu = min(0.0, float(densities.min()) * MOST_HU_PER_MG_CM3_RATIO) - ROOM_HU
    most_hu = max(0.0, float(densities.max()) * MOST_HU_PER_MG_CM3_RATIO) + ROOM_HU
    seen = []
    for rod in rods:
        try:
            hu = rod_hu(ct, rod)
        except InputError:
            # Round, but not of one grey value: something else.
            continue
        if least_hu <= hu <= most_hu:
            seen.append((hu, rod))
    if len(seen) != len(densities):
        places = "; ".join(
            f"{hu:.0f} HU at {', '.join(f'{x:.0f}' for x in rod.centre_mm)} mm" for hu, rod in seen[:12]
        )
        raise InputError(
            f"{len(densities)} rods were sought and {len(seen)} found{f' ({places})' if seen else ''}; give"
            " centre_mm for each rod, from any viewer that shows coordinates"
        )
    by_hu = [rod for _, rod in sorted(seen, key=lambda one: one[0])]
    order = np.argsort(np.argsort(densities))
    return tuple(by_hu[rank] for rank in order)


def _blocks(count: int, length: int) -> list[slice]:
    """Blocks of ``length`` slices; what is left over at the end is left out, unless it is all there is."""
    return [slice(start, start + length) for start in range(0, count - length + 1, length)] or [
        slice(0, count)
    ]


def _mean_slice(ct: CTVolume, axis: int, block: slice) -> tuple[Floats, Floats]:
    """The mean of a block's slices, and the variance of that mean by their scatter (0 of a single slice)."""
    part: list[slice] = [slice(None)] * 3
    part[axis] = block
    slices = ct.hu[tuple(part)].astype(np.float64)
    count = slices.shape[axis]
    variance = slices.var(axis=axis, ddof=1) / count if count > 1 else np.zeros(slices.max(axis=axis).shape)
    return np.asarray(slices.mean(axis=axis)), np.asarray(variance)


def _spots(image_hu: Floats, variance_hu2: Floats, radius_mm: float, spacing_mm: Floats) -> list[_Spot]:
    """Where a disc of the radius explains what varies in it and the ring around it, noise apart."""
    reach = np.ceil(RING_TO_FRACTION * radius_mm / spacing_mm).astype(int)
    if (2 * reach >= image_hu.shape).any():
        return []
    disc, ring = _masks(reach, radius_mm, spacing_mm)
    disc_count, ring_count = disc.sum(), ring.sum()
    count = disc_count + ring_count
    # About their middle, so that sums of squares keep their digits.
    values = image_hu - image_hu.mean()
    in_disc, in_ring = (signal.oaconvolve(values, mask, mode="same") for mask in (disc, ring))
    squares, noise = (signal.oaconvolve(each, disc + ring, mode="same") for each in (values**2, variance_hu2))
    contrast = in_disc / disc_count - in_ring / ring_count
    between = contrast**2 * disc_count * ring_count / count
    rest = np.maximum(squares - (in_disc + in_ring) ** 2 / count - between - noise, 0)
    explained = between / np.maximum(between + rest, 1.0)
    clear = between > CLEAR_STANDARD_ERRORS_COUNT**2 * np.maximum(noise, 0) / count
    good = (explained >= EXPLAINED_FRACTION) & (np.abs(contrast) >= CONTRAST_HU) & clear
    good[: reach[0]], good[-reach[0] :], good[:, : reach[1]], good[:, -reach[1] :] = (
        False,
        False,
        False,
        False,
    )
    labels, found = ndimage.label(good, structure=np.ones((3, 3)))
    centres = ndimage.center_of_mass(between * explained, labels, range(1, found + 1))
    return [
        _Spot(np.asarray(centre), float(contrast[tuple(np.round(centre).astype(int))])) for centre in centres
    ]


def _masks(reach: Ints, radius_mm: float, spacing_mm: Floats) -> tuple[Floats, Floats]:
    """The disc and the ring about it, 1 inside, ``reach`` voxels either way."""
    i, j = np.meshgrid(*(np.arange(-n, n + 1) for n in reach), indexing="ij")
    from_centre = np.hypot(i * spacing_mm[0], j * spacing_mm[1]) / radius_mm
    disc = from_centre <= DISC_FRACTION
    ring = (from_centre >= RING_FROM_FRACTION) & (from_centre <= RING_TO_FRACTION)
    return disc.astype(float), ring.astype(float)


def _tracks(
    spots: Sequence[Sequence[_Spot]], radius_mm: float, spacing_mm: Floats
) -> list[list[tuple[int, _Spot]]]:
    """Spots that follow each other from block to block at one place with one contrast."""
    tracks: list[list[tuple[int, _Spot]]] = [[(0, spot)] for spot in spots[0]]
    for before, number in pairwise(range(len(spots))):
        for spot in spots[number]:
            follows = [
                track
                for track in tracks
                if track[-1][0] == before
                and np.linalg.norm((spot.at - track[-1][1].at) * spacing_mm)
                < HALF_RADIUS_FRACTION * radius_mm
                and spot.contrast_hu * track[-1][1].contrast_hu > 0
            ]
            if follows:
                follows[0].append((number, spot))
            else:
                tracks.append([(number, spot)])
    return tracks
