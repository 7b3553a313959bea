"""plan.json: which screws are placed where, read strictly and written the same way each time.

Points are RAS+ millimetres. Every fault of a file is told in one sentence with the screw and the field it is
in; a misspelt key or screw is told with the nearest one there is. Whether a plan fits a bone is not asked
here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import dist
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from planner.solid import solid_of
from planner.vocabulary import PlacedScrew, Plan, Screw, Technique
from segmentation.documents import (
    FirstVersion,
    Name,
    Point,
    StrictModel,
    checked,
    faults_error,
    nearest,
    published_schema,
    repeated,
)
from segmentation.errors import InputError
from segmentation.files import read_json, shown
from segmentation.vocabulary import frozen_array

FORMAT = "pilothole-plan"

LENGTH_MAX_MM = 200.0
"""Longest marked length. Our choice: the longest stocked bone screws are about 150 mm (common practice)."""

SEAT_MIN_MM = -30.0
"""Farthest a head may stand off the bone, as in a plate. Our choice."""

APART_MIN_MM = 1.0
"""Entry and target closer than this give no reliable direction. Our choice."""

SCREWS_MAX_COUNT = 100
"""Most screws of a plan. Our choice: a plate carries a dozen."""


class ScrewPart(StrictModel):
    """One placed screw: from entry_mm towards target_mm, of a marked length."""

    name: Name
    screw: Annotated[str, Field(min_length=1, description="a family that 'pilothole screws' lists")]
    length_mm: Annotated[float, Field(ge=1.0, le=LENGTH_MAX_MM)]
    entry_mm: Point
    target_mm: Point
    technique: Technique = "position"
    seat_depth_mm: Annotated[float, Field(ge=SEAT_MIN_MM, le=LENGTH_MAX_MM)] = 0.0


class PlanDocument(StrictModel):
    """The placed screws of one bone, in RAS+ millimetres."""

    format: Literal["pilothole-plan"]
    version: FirstVersion
    frame: Literal["RAS-mm"]
    pose: Literal["reduced", "as-scanned"] = "reduced"
    screws: Annotated[list[ScrewPart], Field(min_length=1, max_length=SCREWS_MAX_COUNT)]


def plan_schema() -> dict[str, Any]:
    """The JSON Schema of plan.json."""
    return published_schema(PlanDocument, "Pilothole plan")


def read_plan(path: Path, screws: Mapping[str, Screw]) -> Plan:
    """The plan in a file, its screws taken from ``screws`` by name. Raises InputError with every fault."""
    return plan_of(read_json(path), screws, shown(path.name))


def plan_of(document: object, screws: Mapping[str, Screw], name: str = "the plan") -> Plan:
    """The plan in a document; ``name`` is what an error calls it."""
    read = checked(PlanDocument, document, name, place_name=_place_name)
    if faults := list(_faults(read, screws)):
        raise faults_error(name, faults)
    placed = tuple(
        PlacedScrew(
            name=part.name,
            screw=screws[part.screw],
            length_mm=part.length_mm,
            entry_mm=frozen_array(part.entry_mm, float),
            target_mm=frozen_array(part.target_mm, float),
            technique=part.technique,
            seat_depth_mm=part.seat_depth_mm,
        )
        for part in read.screws
    )
    return Plan(placed, read.pose)


def plan_document(plan: Plan) -> dict[str, Any]:
    """plan.json of ``plan`` as a document."""
    return {
        "format": FORMAT,
        "version": 1,
        "frame": "RAS-mm",
        "pose": plan.pose,
        "screws": [
            {
                "name": placed.name,
                "screw": placed.screw.name,
                "length_mm": float(placed.length_mm),
                "entry_mm": placed.entry_mm.tolist(),
                "target_mm": placed.target_mm.tolist(),
                "technique": placed.technique,
                "seat_depth_mm": float(placed.seat_depth_mm),
            }
            for placed in plan.screws
        ],
    }


def _faults(document: PlanDocument, screws: Mapping[str, Screw]) -> Iterator[str]:
    for name in repeated(part.name for part in document.screws):
        yield f"the screw name {name!r} is used more than once"
    for part in document.screws:
        where = f"screw {part.name!r}:"
        if dist(part.entry_mm, part.target_mm) < APART_MIN_MM:
            yield f"{where} entry_mm and target_mm must be at least {APART_MIN_MM:g} mm apart"
        screw = screws.get(part.screw)
        if screw is None:
            yield f"{where} unknown screw {shown(part.screw)} ({nearest(part.screw, screws)})"
        else:
            yield from (f"{where} {fault}" for fault in _misuses(part, screw))


def _misuses(part: ScrewPart, screw: Screw) -> Iterator[str]:
    try:
        solid_of(screw, part.length_mm)
    except InputError as fault:
        yield f"length_mm {part.length_mm:g} does not suit it: {fault}"
    if part.technique == "lag" and screw.headless:
        yield "technique 'lag' needs a head, as a headless screw compresses by its own threads: leave it out"
    if part.technique == "locking" and (screw.head is None or screw.head.shape != "locking"):
        yield f"technique 'locking' needs a screw with a locking head, which {screw.name!r} has not"


def _place_name(place: Sequence[str | int], document: object) -> str:
    """``("screws", 0, "length_mm")`` → ``screw 'S1': length_mm``."""
    words = [str(step) for step in place]
    if len(place) >= 2 and place[0] == "screws":
        words = [_screw_called(document, int(place[1])), *words[2:]]
        if len(place) == 4:
            words[-2:] = [f"{place[2]}[{place[3]}]"]
    return " ".join(words)


def _screw_called(document: object, index: int) -> str:
    """``screw 'S1':`` or, where it has no usable name, ``screw 1:``."""
    try:
        name = document["screws"][index]["name"]  # type: ignore[index]
    except (KeyError, TypeError):
        name = None
    return f"screw {shown(name) if isinstance(name, str) and name else index + 1}:"
