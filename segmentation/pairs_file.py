"""The file of point pairs that begins a reduction: places on two fragments that belong together.

Places are as scanned, in RAS+ mm. Rough is enough: 2 mm off does not matter.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from segmentation.documents import Point, StrictModel, checked, published_schema
from segmentation.files import read_json, shown
from segmentation.reduction_starts import Pairs

PAIRS_MAX_COUNT = 50
"""Most pairs of a file. Our choice: three are enough."""


class PairPart(StrictModel):
    """A place on the fragment that moves and the place on the other where it belongs."""

    move_mm: Point
    onto_mm: Point


class PairsDocument(StrictModel):
    """Places of two fragments that belong together, as scanned, in RAS+ millimetres."""

    frame: Literal["RAS-mm"]
    pairs: Annotated[list[PairPart], Field(min_length=1, max_length=PAIRS_MAX_COUNT)]


def pairs_schema() -> dict[str, Any]:
    """The JSON Schema of a pairs file."""
    return published_schema(PairsDocument, "Pilothole point pairs")


def read_pairs(path: Path) -> Pairs:
    """The pairs in a file. Raises InputError with every fault."""
    document = checked(PairsDocument, read_json(path), shown(path.name))
    return Pairs(
        np.array([pair.move_mm for pair in document.pairs]),
        np.array([pair.onto_mm for pair in document.pairs]),
    )
