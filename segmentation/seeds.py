"""The file of points a person set inside bones that touch: which name, which bone, and where.

``{"frame": "RAS-mm", "seeds": [{"name": "proximal", "bone": "scaphoid", "point_mm": [x, y, z]}, …]}``;
several seeds may share a name, and names that share a bone are its fragments. ``"background"`` marks what
is no bone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from segmentation.asked import Seed
from segmentation.documents import Name, Point, StrictModel, checked, published_schema
from segmentation.files import read_json, shown
from segmentation.vocabulary import frozen_array

BACKGROUND = "background"
"""The name of what is no bone."""

MOST_SEEDS_COUNT = 2000
"""Our choice: nobody clicks so often."""

MOST_NAMES_COUNT = 250
"""Labels are stored in one byte."""


class SeedPart(StrictModel):
    """One point inside a fragment; left out, the bone has the fragment's name."""

    name: Name
    bone: Name | None = None
    point_mm: Point


class SeedsDocument(StrictModel):
    """Named points inside bones and fragments, in RAS+ millimetres."""

    frame: Literal["RAS-mm"]
    seeds: Annotated[list[SeedPart], Field(min_length=1, max_length=MOST_SEEDS_COUNT)]


def seeds_schema() -> dict[str, Any]:
    """The JSON Schema of the file."""
    return published_schema(SeedsDocument, "Pilothole seeds")


def seeds_from_file(path: Path) -> tuple[Seed, ...]:
    """The seeds of a file, in its order. Raises InputError with every fault of it."""
    return seeds_of(read_json(path), shown(path.name))


def seeds_of(document: object, name: str = "the seeds") -> tuple[Seed, ...]:
    """The seeds of a document; ``name`` is what an error calls it."""
    read = checked(SeedsDocument, document, name, further=_further_faults)
    bones = {part.name: part.bone for part in read.seeds if part.bone is not None}
    return tuple(
        Seed(part.name, bones.get(part.name, part.name), frozen_array(part.point_mm, float))
        for part in read.seeds
    )


def names_in_order(seeds: Sequence[Seed]) -> tuple[str, ...]:
    """The fragments' names in order of first mention, without the background."""
    return tuple(dict.fromkeys(seed.name for seed in seeds if seed.name != BACKGROUND))


def _further_faults(document: SeedsDocument) -> Iterator[str]:
    parts = document.seeds
    names = dict.fromkeys(part.name for part in parts if part.name != BACKGROUND)
    if not names:
        yield f"every seed is {BACKGROUND!r}: name at least one bone"
    if len(names) > MOST_NAMES_COUNT:
        yield f"{len(names)} names are more than the {MOST_NAMES_COUNT} that can be told apart"
    for name in names:
        bones = list(dict.fromkeys(part.bone for part in parts if part.name == name and part.bone))
        if len(bones) > 1:
            yield f"{shown(name)} is given to two bones, {shown(bones[0])} and {shown(bones[1])}"
    places: dict[tuple[float, ...], str] = {}
    for part in parts:
        other = places.setdefault(tuple(part.point_mm), part.name)
        if other != part.name:
            yield f"{shown(other)} and {shown(part.name)} have one and the same point"
