"""Judges the border between two bones: how much of it is seen, where it is guessed, and whether it holds.

Seen is a face of the border across which the grey values make a valley, or that lies in soft tissue. Where
nearly all of a border lies in soft tissue, what does not is bone that bridges the gap. The limits below were
set on phantoms with known truth, with gaps of 0 to 1.5 mm, touching and fused ones among them, and then tried
on others (tests/benchmarks/bench_apart.py tells how they did).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from segmentation.apart_cut import Labels
from segmentation.flood_kernels import border_pairs
from segmentation.valley import Terrain, Volume
from segmentation.vocabulary import Floats, frozen_array

SEEN_RATIO = 0.5
"""A face is seen when the valley across it is deeper than this share of the limit. Our choice: a limit for
valleys of any direction, the deepest of many, is twice what a known direction needs."""

LEAST_SEEN_FRACTION = 0.7
"""A cut is refused when less of it is seen. Good ones had 0.64 to 1.0 (fused bone cut
right by chance: 0.41), bad ones 0 to 0.67."""

OPEN_FRACTION, BRIDGE_MM = 0.7, 0.6
"""A gap is open when so much of its border is soft; bone in it farther than this from what is soft is a
bridge. Our choice: beyond the speckles that noise leaves."""

WIDEST_GUESS_MM = 3.0
"""Or when a guessed place lies farther than this from what is seen. Good ones had up to 2.5 mm, also where
cortices touch or a bridge of 3 mm fuses them; the bad ones that are mostly seen 3.3 mm and more."""

THICK_VOXEL_MM, LEAST_CLEAR_FRACTION = 0.8, 0.9
"""With voxels so long, a cut of which less than this is soft or crossed by a valley as deep as the limit is
told as faint. On phantoms in slices of 1 mm the cuts that passed though they were 0.36 to 0.58 mm off (RMS),
all at gaps of 0.3 mm, had 0.70 to 0.77; good ones 0.40 to 1.0, and 0.88 or more from gaps of 0.8 mm up."""

LEAST_AGREEMENT_FRACTION = 0.97
"""Or when a second cut, from other points and another limit, gives less of a part again (Dice)."""

LEAST_BORDER_MM2 = 4.0
"""Smaller borders are not judged: they cannot lead a cut astray. Our choice."""

LEAST_PART_MM3 = 100.0
"""A part smaller than this is no bone that was parted from another, but a leak. Our choice."""

MOVED_LIMIT_RATIO = (0.7, 1.5)
"""The second cuts' limits over the first's. From the study."""

MOVED_MM = (2.0, 4.0)
"""How far their points are moved. From the study."""

TRIES_COUNT = 40
"""Places tried before a point stays where it is. Our choice."""

WIDEST_GAP_MM = 4.0
"""Soft tissue farther from bone than half of this is no gap between bones but open marrow: it shows nothing.
Our choice: a little more than the gaps that are closed before anything is looked at."""

TOLD_GUESS_MM2 = 4.0
"""A guessed patch as large as this is told. Our choice."""

ONE_PATCH_RATIO = 1.05
"""Guessed faces within so many of the largest voxel edge are one patch: next to each other, or around an
edge."""


Faces = tuple[Labels, Labels, Floats, Volume, npt.NDArray[np.bool_], Floats]


@dataclass(frozen=True, eq=False)
class Pair:
    """The border between parts ``first`` < ``second`` (label numbers), and the verdict on it.

    ``seen_fraction`` of its faces lie in a gap that is seen; ``guessed_mm`` (m, 3) are the middles of the
    others, of ``guessed_mm2`` together; ``guessed_at_mm`` is the middle of the largest patch of them and
    ``guess_wide_mm`` the farthest any lies from what is seen (None where there is nothing guessed, or
    nothing seen). ``faint_voxel_mm`` is the voxels' longest edge where the gap is faint for it, else None.
    ``agreement_fraction`` is how much of the parts came out again. ``reason`` is None where
    the cut is good.
    """

    first: int
    second: int
    names: tuple[str, str]
    area_mm2: float
    place_mm: Floats
    seen_fraction: float
    guessed_mm2: float
    guessed_mm: Floats
    guessed_at_mm: Floats | None
    guess_wide_mm: float | None
    agreement_fraction: float
    faint_voxel_mm: float | None
    reason: str | None

    @property
    def good(self) -> bool:
        """Whether the cut may be trusted."""
        return self.reason is None

    @property
    def sentence(self) -> str | None:
        """What a person should know of this border; None where all of it is seen."""
        one, other = self.names
        if self.reason is not None:
            return f"{one} and {other} cannot be told apart {at_place(self.place_mm)}: {self.reason}"
        told = []
        if self.guessed_at_mm is not None and self.guessed_mm2 >= TOLD_GUESS_MM2:
            told.append(
                f"{self.guessed_mm2:.0f} of {self.area_mm2:.0f} mm² of the border are guessed, "
                f"{at_place(self.guessed_at_mm)}: no gap is seen there, or bone bridges it"
            )
        if self.faint_voxel_mm is not None:
            told.append(
                f"the gap is faint for voxels of {self.faint_voxel_mm:.1f} mm, {at_place(self.place_mm)}: "
                "the cut may lie a voxel beside it; look at it"
            )
        return f"between {one} and {other} {'; '.join(told)}" if told else None


def at_place(place_mm: Floats) -> str:
    """A place in words."""
    return "around " + ", ".join(f"{value:.1f}" for value in place_mm)


def moved_numbers(
    terrain: Terrain, labels: Labels, at: npt.NDArray[np.int64], limit_hu: float
) -> npt.NDArray[np.int64]:
    """Other voxels of the same labels, MOVED_MM away, not shallower than need be; the same every time.

    Each goes its own way, whatever other points there are.
    """
    depth = terrain.depth_mm(limit_hu)
    moved = at.copy()
    for row, number in enumerate(at):
        rng = np.random.default_rng(int(number))
        away = rng.normal(size=(TRIES_COUNT, 3))
        away *= rng.uniform(*MOVED_MM, (TRIES_COUNT, 1)) / np.linalg.norm(away, axis=1, keepdims=True)
        found = terrain.numbers_at(terrain.places_mm([number]) + away, 0.0)
        fit = found[(found >= 0) & (labels[found] == labels[number])]
        if len(fit):
            # Of what is there, a place in the deeper half.
            moved[row] = fit[np.argsort(-depth[fit], kind="stable")[len(fit) // 4]]
    return moved


def agreement(labels: Labels, again: Labels, count: int) -> Floats:
    """(count + 1,) overlap (Dice) of each label with the same one of a second cut."""
    both = np.bincount(labels[labels == again], minlength=count + 1)
    total = np.bincount(labels, minlength=count + 1) + np.bincount(again, minlength=count + 1)
    return np.asarray(2 * both / np.maximum(total, 1))


def judged(
    terrain: Terrain, labels: Labels, away_mm: Volume, agreement: Floats, names: Sequence[str]
) -> tuple[Pair, ...]:
    """Every border of at least LEAST_BORDER_MM2, in order of its labels.

    ``away_mm`` (n,) is the way to the nearest bone: soft tissue far from any is marrow that lies open.
    """
    one, other, place, depth_hu, soft, area = faces_between(terrain, labels, away_mm)
    seen = depth_hu > SEEN_RATIO * terrain.limit_hu
    clear = depth_hu > terrain.limit_hu
    count = int(labels.max()) + 1
    key = one.astype(np.int64) * count + other
    held_mm3 = np.bincount(labels[~terrain.soft], minlength=count) * float(np.prod(terrain.spacing_mm))
    pairs = []
    for value in np.unique(key):
        chosen = np.flatnonzero(key == value)
        if area[chosen].sum() < LEAST_BORDER_MM2:
            continue
        first, second = divmod(int(value), count)
        pairs.append(
            _judged_pair(
                terrain,
                (first, second),
                (names[first - 1], names[second - 1]),
                place[chosen],
                (soft | seen)[chosen] & ~_bridged(place[chosen] * terrain.spacing_mm, soft[chosen]),
                float((soft | clear)[chosen].mean()),
                area[chosen],
                float(min(agreement[first], agreement[second])),
                float(min(held_mm3[first], held_mm3[second])),
            )
        )
    return tuple(pairs)


def _judged_pair(
    terrain: Terrain,
    numbers: tuple[int, int],
    names: tuple[str, str],
    place: Floats,
    seen: npt.NDArray[np.bool_],
    clear_fraction: float,
    area: Floats,
    agreement_fraction: float,
    smaller_mm3: float,
) -> Pair:
    """``place`` (m, 3) in voxels of the crop."""
    own_mm = place * terrain.spacing_mm
    guessed = own_mm[~seen]
    wide_mm = None
    if len(guessed) and seen.any():
        wide_mm = float(cKDTree(own_mm[seen]).query(guessed)[0].max())
    at = place + [side.start for side in terrain.box]
    middle = None
    if len(guessed):
        patch = _largest_patch(guessed, area[~seen], ONE_PATCH_RATIO * float(terrain.spacing_mm.max()))
        middle = frozen_array(central(terrain.grid.ijk_to_mm(at[~seen][patch])), float)
    seen_fraction = float(seen.mean())
    longest_mm = float(terrain.spacing_mm.max())
    faint = longest_mm >= THICK_VOXEL_MM and clear_fraction < LEAST_CLEAR_FRACTION
    return Pair(
        *numbers,
        names,
        float(area.sum()),
        middle if middle is not None else frozen_array(central(terrain.grid.ijk_to_mm(at)), float),
        seen_fraction,
        float(area[~seen].sum()),
        frozen_array(terrain.grid.ijk_to_mm(at[~seen]), float),
        middle,
        wide_mm,
        agreement_fraction,
        longest_mm if faint else None,
        _reason(seen_fraction, wide_mm, agreement_fraction, smaller_mm3),
    )


def _reason(
    seen_fraction: float, wide_mm: float | None, agreement_fraction: float, smaller_mm3: float
) -> str | None:
    if seen_fraction < LEAST_SEEN_FRACTION:
        return f"a gap is seen along {seen_fraction:.0%} of the border only"
    if wide_mm is not None and wide_mm > WIDEST_GUESS_MM:
        return f"no gap is seen on a patch {2 * wide_mm:.0f} mm wide"
    if smaller_mm3 < LEAST_PART_MM3:
        return f"one of them would be only {smaller_mm3:.0f} mm³"
    if agreement_fraction < LEAST_AGREEMENT_FRACTION:
        return f"from other points only {agreement_fraction:.0%} of it comes out again; set more points"
    return None


def _bridged(own_mm: Floats, soft: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which faces (m, 3) of a border lie in bone, though the rest of it is an open gap."""
    bridged = np.zeros(len(soft), np.bool_)
    hard = np.flatnonzero(~soft)
    if len(hard) and soft.mean() >= OPEN_FRACTION:
        bridged[hard] = cKDTree(own_mm[soft]).query(own_mm[hard])[0] > BRIDGE_MM
    return bridged


def faces_between(terrain: Terrain, labels: Labels, away_mm: Volume | None = None) -> Faces:
    """Faces between labels: the smaller, the larger, middle (m, 3) in the crop's voxels, depth of the valley
    across (HU), whether soft, mm².

    Soft tissue farther than WIDEST_GAP_MM / 2 from bone (``away_mm``) is not called soft.
    """
    faces = border_pairs(terrain.neighbours, labels)
    here, beyond, axis = faces.T
    place = np.stack(np.unravel_index(terrain.at[here], terrain.index.shape), axis=-1).astype(float)
    place[np.arange(len(faces)), axis] += 1 / 2
    soft = terrain.soft[here] | terrain.soft[beyond]
    if away_mm is not None:
        soft &= np.minimum(away_mm[here], away_mm[beyond]) <= WIDEST_GAP_MM / 2
    depth_hu = terrain.across_hu(labels, faces)
    one, other = labels[here], labels[beyond]
    return np.minimum(one, other), np.maximum(one, other), place, depth_hu, soft, terrain.face_mm2[axis]


def _largest_patch(points_mm: Floats, area_mm2: Floats, near_mm: float) -> npt.NDArray[np.bool_]:
    """Which points (m, 3) make the patch of the largest area."""
    links = cKDTree(points_mm).query_pairs(near_mm, output_type="ndarray")
    graph = coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(len(points_mm),) * 2)
    _, patch = connected_components(graph, directed=False)
    return np.asarray(patch == np.bincount(patch, weights=area_mm2).argmax())


def central(points_mm: Floats) -> Floats:
    """The one of the points nearest to their mean, so that it lies on the border."""
    away = np.linalg.norm(points_mm - points_mm.mean(axis=0), axis=1)
    return np.asarray(points_mm[np.argmin(away)])
