"""What of a scan is bone, in pieces that hang together: all of the recipe that no seed changes.

A page finds the pieces once, asks ``pieces.touching.taken_apart`` after each click, and hands the pieces to
``recipe.segment`` in the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from segmentation.components import Piece, pieces_above
from segmentation.errors import InputError
from segmentation.islands import islands_joined
from segmentation.level import Level, PlainLevel
from segmentation.metal import Metal, find_metal, without_metal
from segmentation.progress import Progress, silent
from segmentation.threshold import check_threshold, choose_level
from segmentation.vocabulary import NO_DATA_BELOW_HU, CTVolume, Host, Removed

if TYPE_CHECKING:
    from segmentation.apart_pieces import Touching

BESIDE_METAL_HU = 40.0
"""What stands for metal while bone is sought, or just under a level below it. Common practice: muscle 40-60
HU."""


@dataclass(frozen=True, eq=False)
class BoneLevel:
    """Where bone ends in ``scan``. ``ct`` is the scan without its ``metal``.

    ``threshold_hu`` is the value of ``level``, and ``reason`` says why it is that.
    """

    scan: CTVolume
    ct: CTVolume
    metal: Metal | None
    level: Level
    threshold_hu: float
    reason: str

    @property
    def adapts(self) -> bool:
        """Whether the level is another from place to place."""
        return not isinstance(self.level, PlainLevel)


@dataclass(frozen=True, eq=False)
class BonePieces:
    """``numbered`` uint8 of the scan's shape: n in piece n of ``pieces``; ``removed`` is no bone.

    ``asked`` are the options they were found with: the level given, the host, small ones kept.
    """

    asked: tuple[float | None, Host, bool]
    at: BoneLevel
    numbered: npt.NDArray[np.uint8]
    pieces: tuple[Piece, ...]
    removed: tuple[Removed, ...]

    @cached_property
    def touching(self) -> Touching:
        """The pieces, to be asked which bones they hold."""
        # Brings compiled loops with it; a given level without seeds needs none.
        from segmentation.apart_pieces import Touching

        return Touching(self.at.ct, self.at.level.lowest_hu, self.numbered, self.pieces)


def find_level(
    scan: CTVolume, threshold_hu: float | None, *, adapts: bool, progress: Progress = silent
) -> BoneLevel:
    """The given level, or one that is chosen and, where wanted, ``adapts`` to its place.

    Raises InputError where the level is none for this scan.
    """
    progress("looking for metal")
    metal = find_metal(scan)
    progress("choosing the level")
    level, threshold_hu, reason = _level(scan, metal, threshold_hu, adapts=adapts)
    ct = scan
    if metal is not None:
        ct = without_metal(scan, metal, min(BESIDE_METAL_HU, level.lowest_hu - 1))
    return BoneLevel(scan, ct, metal, level, threshold_hu, reason)


def find_pieces(
    scan: CTVolume,
    *,
    threshold_hu: float | None = None,
    host: Host = "bone",
    keep_small: bool = False,
    progress: Progress = silent,
) -> BonePieces:
    """The pieces of bone in ``scan``; the options are those of ``recipe.segment``.

    Raises InputError where nothing is bone.
    """
    at = find_level(scan, threshold_hu, adapts=host == "bone", progress=progress)
    progress("finding pieces and hollows")
    numbered, pieces, no_bone = pieces_above(
        at.ct, at.level, keep_small=keep_small, vessels=threshold_hu is None
    )
    removed = (() if at.metal is None else at.metal.pieces) + no_bone
    if not pieces:
        why = f"all of it was taken for something else ({removed[0].what})" if removed else "nothing is there"
        raise InputError(
            f"no bone at or above {at.level.lowest_hu:g} HU: {why}; lower the threshold or keep small pieces"
        )
    if at.adapts:
        numbered, pieces = islands_joined(numbered, pieces, scan.grid.spacing_mm)
    return BonePieces((threshold_hu, host, keep_small), at, numbered, pieces, removed)


def _level(
    ct: CTVolume, metal: Metal | None, threshold_hu: float | None, *, adapts: bool
) -> tuple[Level, float, str]:
    """Where bone ends: the given level, or one that ``adapts`` to its place; its value, and why."""
    if threshold_hu is not None:
        check_threshold(ct, threshold_hu)
        return PlainLevel(threshold_hu), threshold_hu, "given"
    chosen = choose_level(ct if metal is None else without_metal(ct, metal, 2 * NO_DATA_BELOW_HU))
    if chosen.tissue is None or not adapts:
        return PlainLevel(chosen.level_hu), chosen.level_hu, chosen.reason
    # Brings compiled loops with it, and a given level needs none.
    from segmentation.local_level import LocalLevel

    return LocalLevel(chosen.tissue), chosen.level_hu, chosen.reason
