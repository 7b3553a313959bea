"""One grey value as the border of bone; and what any such border must be able to say.

The plain level is what ``--threshold`` gives: bone is what is at or above it. The level that adapts to its
place is in ``local_level.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from segmentation.vocabulary import CTVolume, Floats

Mask = npt.NDArray[np.bool_]
Field = npt.NDArray[np.float32]


class Level(Protocol):
    """Where bone ends. ``lowest_hu``: nothing darker is bone. ``core_hu``: a piece holds something as
    bright."""

    @property
    def lowest_hu(self) -> float:
        """Nothing darker is bone."""
        ...

    @property
    def core_hu(self) -> float:
        """Something so bright is in every piece."""
        ...

    def above(self, ct: CTVolume) -> Mask:
        """Which voxels of the scan are bone."""
        ...

    def field_hu(self, hu: npt.NDArray[Any], piece: Mask, inside: Mask, spacing_mm: Floats) -> Field:
        """How far the grey values of a crop are from the level; positive ``inside``: the ``piece`` and its
        hollows."""
        ...


@dataclass(frozen=True)
class PlainLevel:
    """The same grey value everywhere."""

    lowest_hu: float

    @property
    def core_hu(self) -> float:
        """The level itself."""
        return self.lowest_hu

    def above(self, ct: CTVolume) -> Mask:
        """Which voxels are at or above the level."""
        return np.asarray(ct.hu >= self.lowest_hu)

    def field_hu(  # the same everywhere: neither the piece nor the spacing matters
        self,
        hu: npt.NDArray[Any],
        piece: Mask,  # noqa: ARG002
        inside: Mask,
        spacing_mm: Floats,  # noqa: ARG002
    ) -> Field:
        """The grey value less the level, its sign turned where need be (hollows, other pieces)."""
        field = np.abs(hu.astype(np.float32) - np.float32(self.lowest_hu))
        np.negative(field, out=field, where=~inside)
        return np.asarray(field)
