"""The file that tells of calibration rods lying in the scan: their densities, radii and places.

Rods without a place are sought in the scan; then none may have one. Densities are HA- or K₂HPO₄-equivalent,
and the file must say which: the two differ by 14 to 19 % (Goodsitt 1992).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from segmentation.documents import FirstVersion, Point, StrictModel, checked, published_schema, repeated
from segmentation.files import read_json, shown
from segmentation.vocabulary import Floats, frozen_array

FEWEST_RODS_COUNT, MOST_RODS_COUNT = 3, 12
"""Two rods give a line but not its error. Our choice of the most: common phantoms have 3 to 6."""

Equivalent = Literal["HA", "K2HPO4"]
Direction = Annotated[list[Annotated[float, Field(ge=-1.0e3, le=1.0e3)]], Field(min_length=3, max_length=3)]
"""Along the rod, of any length but 0."""


class RodPart(StrictModel):
    """One rod; without centre_mm it is sought. Left out, direction is the scanner's long axis, z."""

    density_mg_cm3: Annotated[float, Field(ge=-200.0, le=2000.0)]
    radius_mm: Annotated[float, Field(ge=1.0, le=40.0)]
    centre_mm: Point | None = None
    direction: Direction | None = None
    length_mm: Annotated[float, Field(ge=1.0, le=1000.0)] | None = None


class RodsDocument(StrictModel):
    """Rods of known density in the scan, in RAS+ millimetres."""

    format: Literal["pilothole-rods"]
    version: FirstVersion
    equivalent: Equivalent
    rods: Annotated[list[RodPart], Field(min_length=FEWEST_RODS_COUNT, max_length=MOST_RODS_COUNT)]


@dataclass(frozen=True, eq=False)
class Rod:
    """A straight rod: ``length_mm`` of it, about ``centre_mm``, is known to be of one material."""

    centre_mm: Floats
    direction: Floats
    radius_mm: float
    length_mm: float


@dataclass(frozen=True, eq=False)
class RodSet:
    """Densities (n,) in mg/cm³ of ``equivalent``, and the rods in the same order; None where to be sought."""

    equivalent: Equivalent
    densities_mg_cm3: Floats
    radii_mm: Floats
    rods: tuple[Rod, ...] | None


SAMPLED_LENGTH_MM = 10.0
"""Of a rod without a length so much about its centre is read. Our choice: a dozen slices, and any rod has
it."""

Z_AXIS = (0, 0, 1)
"""The scanner's long axis (definition of RAS+)."""


def rods_schema() -> dict[str, Any]:
    """The JSON Schema of the file."""
    return published_schema(RodsDocument, "Pilothole rods")


def read_rods(path: Path) -> RodSet:
    """The rods of a file. Raises InputError with every fault of it."""
    return rods_of(read_json(path), shown(path.name))


def rods_of(document: object, name: str = "the rods") -> RodSet:
    """The rods of a document; ``name`` is what an error calls it."""
    read = checked(RodsDocument, document, name, further=_further_faults)
    placed = tuple(_rod(part) for part in read.rods)
    return RodSet(
        read.equivalent,
        frozen_array([part.density_mg_cm3 for part in read.rods], float),
        frozen_array([part.radius_mm for part in read.rods], float),
        placed if read.rods[0].centre_mm is not None else None,
    )


def _rod(part: RodPart) -> Rod:
    direction = np.asarray(part.direction or Z_AXIS, float)
    return Rod(
        frozen_array(part.centre_mm or (0.0, 0.0, 0.0), float),
        frozen_array(direction / np.linalg.norm(direction), float),
        part.radius_mm,
        part.length_mm or SAMPLED_LENGTH_MM,
    )


def _further_faults(document: RodsDocument) -> Iterator[str]:
    parts = document.rods
    for density in repeated(f"{part.density_mg_cm3:g}" for part in parts):
        yield f"two rods have the density {density} mg/cm³, and each must be of its own"
    placed = [part.centre_mm is not None for part in parts]
    if any(placed) and not all(placed):
        yield "some rods have centre_mm and some do not: give it for all, or for none to have them sought"
    if not any(placed) and len({part.radius_mm for part in parts}) > 1:
        yield "rods that are to be sought must have one radius_mm: give centre_mm for each"
    for index, part in enumerate(parts):
        if part.direction is not None and not any(part.direction):
            yield f"rods[{index}].direction is 0, 0, 0: give the direction along the rod or leave it out"
