"""What a person changes by hand after a bone was found: one ordered list, replayed from a file.

``{"frame": "RAS-mm", "edits": [...]}`` holds ``cut`` (a plane), ``sweep`` (a line drawn by hand, swept
along a direction), ``merge`` (two fragments become one) and ``joint`` (a brush on the joint surface).
bone.json keeps the list of its bone: pasted into a file it gives the same labels, bit for bit. To undo is
to leave out the last. Numbers of fragments are those at that place of the list: a division's new piece
comes last, a merge leaves the lower number and moves later ones up.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from segmentation.documents import NAME_CHARACTERS_MAX, Point, StrictModel, checked
from segmentation.errors import InputError
from segmentation.files import parse_json, refusals_as_sentences, shown
from segmentation.parts import Cut, Part, cut_in_two
from segmentation.sweep import Sweep, sweep_in_two
from segmentation.union import merged
from segmentation.vocabulary import CTVolume, Floats, frozen_array

EDITS_MAX_COUNT = 1000
"""More edits are no longer a person's. Our choice."""

LINE_POINTS_MAX_COUNT = 2000
"""Most points of a drawn line. Our choice: a screen's width."""

BRUSH_RADIUS_MAX_MM = 100.0
"""Largest brush. Our choice: more than any joint."""

JOINT_NAME_CHARACTERS_MAX = 2 * NAME_CHARACTERS_MAX + 3
"""Two names of bones and " / " between them."""


@dataclass(frozen=True, eq=False)
class Merge:
    """Two fragments, by their numbers at that place of the list, become the one with the lower number."""

    first: int
    second: int


@dataclass(frozen=True, eq=False)
class JointBrush:
    """A ball around ``point_mm`` whose part of the bone's surface is added to or removed from joint
    ``name``."""

    action: Literal["add", "remove"]
    point_mm: Floats
    radius_mm: float
    name: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "point_mm", frozen_array(self.point_mm, np.float64))


Edit = Cut | Sweep | Merge | JointBrush


class _CutPart(StrictModel):
    point_mm: Point
    normal: Point


class _SweepPart(StrictModel):
    polyline_mm: Annotated[list[Point], Field(min_length=2, max_length=LINE_POINTS_MAX_COUNT)]
    direction: Point


class _MergePart(StrictModel):
    fragments: Annotated[list[Annotated[int, Field(ge=1)]], Field(min_length=2, max_length=2)]


class _JointPart(StrictModel):
    action: Literal["add", "remove"]
    point_mm: Point
    radius_mm: Annotated[float, Field(gt=0, le=BRUSH_RADIUS_MAX_MM)]
    name: Annotated[str, Field(min_length=1, max_length=JOINT_NAME_CHARACTERS_MAX)]


class _EditPart(StrictModel):
    cut: _CutPart | None = None
    sweep: _SweepPart | None = None
    merge: _MergePart | None = None
    joint: _JointPart | None = None


class EditsDocument(StrictModel):
    """Edits of a bone, in order; points are RAS+ millimetres."""

    frame: Literal["RAS-mm"]
    edits: Annotated[list[_EditPart], Field(max_length=EDITS_MAX_COUNT)]


def edits_from_file(path: Path) -> tuple[Edit, ...]:
    """The edits in a JSON file. Raises InputError with every fault: an unknown edit, a missing key."""
    name = shown(path.name)
    with refusals_as_sentences(f"cannot read {name}"):
        content = path.read_bytes()
    return edits_of(parse_json(content, name), name)


def edits_of(document: object, name: str) -> tuple[Edit, ...]:
    """The edits in a document; ``name`` is what an error calls it."""
    read = checked(EditsDocument, document, name, further=_further_faults)
    return tuple(_edit(part) for part in read.edits)


def document_of(edits: Sequence[Edit]) -> tuple[Mapping[str, Any], ...]:
    """The edits as bone.json and the file hold them."""
    return tuple(_entry(edit) for edit in edits)


def apply_to_parts(parts: list[Part], edit: Edit, ct: CTVolume) -> list[Part]:
    """``parts`` after one edit; a joint edit leaves them as they are.

    Parts that were not touched are the same objects.
    """
    if isinstance(edit, Cut):
        return cut_in_two(parts, edit, ct)
    if isinstance(edit, Sweep):
        return sweep_in_two(parts, edit, ct)
    if isinstance(edit, Merge):
        return merged(parts, edit.first, edit.second)
    return parts


def _edit(part: _EditPart) -> Edit:
    if part.cut is not None:
        return Cut(frozen_array(part.cut.point_mm, float), frozen_array(part.cut.normal, float))
    if part.sweep is not None:
        return Sweep(frozen_array(part.sweep.polyline_mm, float), frozen_array(part.sweep.direction, float))
    if part.merge is not None:
        return Merge(part.merge.fragments[0], part.merge.fragments[1])
    if part.joint is not None:
        told = part.joint
        return JointBrush(told.action, frozen_array(told.point_mm, float), told.radius_mm, told.name)
    raise InputError("an edit must be one of cut, sweep, merge and joint; correct the list of edits")


def _entry(edit: Edit) -> Mapping[str, Any]:
    if isinstance(edit, Cut):
        place = {"point_mm": np.asarray(edit.point_mm).tolist(), "normal": np.asarray(edit.normal).tolist()}
        return {"cut": place}
    if isinstance(edit, Sweep):
        line = np.asarray(edit.polyline_mm).tolist()
        return {"sweep": {"polyline_mm": line, "direction": np.asarray(edit.direction).tolist()}}
    if isinstance(edit, Merge):
        return {"merge": {"fragments": [edit.first, edit.second]}}
    return {
        "joint": {
            "action": edit.action,
            "point_mm": np.asarray(edit.point_mm).tolist(),
            "radius_mm": float(edit.radius_mm),
            "name": edit.name,
        }
    }


def _further_faults(document: EditsDocument) -> Iterator[str]:
    for number, part in enumerate(document.edits, start=1):
        kinds = [kind for kind in ("cut", "sweep", "merge", "joint") if getattr(part, kind) is not None]
        if len(kinds) != 1:
            told = " and ".join(kinds) or "nothing"
            yield f"edit {number} must be one of cut, sweep, merge and joint (got {told})"
        if part.cut is not None and not any(part.cut.normal):
            yield f"the normal of edit {number} must not be 0, 0, 0"
        if part.sweep is not None and not any(part.sweep.direction):
            yield f"the direction of edit {number} must not be 0, 0, 0"
        if part.merge is not None and part.merge.fragments[0] == part.merge.fragments[1]:
            yield f"edit {number} must merge two different fragments (got {part.merge.fragments})"
