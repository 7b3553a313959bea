"""The part of bone.json that tells what was asked for when the bone was taken, and the way to and from it.

A file from before this was kept has no such part and is read all the same.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from segmentation.asked import Asked, Seed
from segmentation.documents import Name, Point, StrictModel
from segmentation.seeds import SeedPart

LABELS = "labels-given.nii.gz"
"""The file of the labels that were given, before any edit."""


class NamePart(StrictModel):
    """A point in a fragment that was named; ``bone`` is null where only the fragment was."""

    name: Name
    bone: Name | None
    point_mm: Point


class AskedPart(StrictModel):
    """What was asked for; null where it was left open. The edits stand in bone.json's own list."""

    threshold_hu: float | None
    refine: bool | None
    keep_small: bool
    find_joints: bool
    joint_given: bool
    labels: Literal["labels-given.nii.gz"] | None
    names: list[NamePart]
    seeds: list[SeedPart]

    def value(self, labels: npt.NDArray[np.uint8] | None) -> Asked:
        """The words as a value; ``labels`` are those of the file."""
        return Asked(
            self.threshold_hu,
            self.refine,
            self.keep_small,
            self.find_joints,
            self.joint_given,
            tuple((_triple(part.point_mm), part.name, part.bone) for part in self.names),
            tuple(
                Seed(part.name, part.bone or part.name, np.array(part.point_mm, float)) for part in self.seeds
            ),
            labels,
        )


def asked_document(asked: Asked | None) -> dict[str, Any]:
    """The key ``asked`` of the segmentation in bone.json; no key where that is not known."""
    if asked is None:
        return {}
    told = {
        "threshold_hu": None if asked.threshold_hu is None else float(asked.threshold_hu),
        "refine": asked.refine,
        "keep_small": asked.keep_small,
        "find_joints": asked.find_joints,
        "joint_given": asked.joint_given,
        "labels": None if asked.labels is None else LABELS,
        "names": [
            {"name": name, "bone": bone, "point_mm": [float(x) for x in point_mm]}
            for point_mm, name, bone in asked.names
        ],
        "seeds": [
            {"name": seed.name, "bone": seed.bone, "point_mm": seed.point_mm.tolist()} for seed in asked.seeds
        ],
    }
    return {"asked": told}


def _triple(point: list[float]) -> tuple[float, float, float]:
    return point[0], point[1], point[2]
