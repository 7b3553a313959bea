"""The part of bone.json that shows how the bone was found, and the way to and from its words.

A file from before this was kept has no such part and is read all the same.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

import numpy as np
from pydantic import Field, model_validator

from segmentation.documents import Point, StrictModel
from segmentation.how_found import Blur, Histogram, PointSpread, SegmentationRecord, UsedLevel
from segmentation.record import BINS_COUNT, shares_of
from segmentation.vocabulary import Bone

Fraction = Annotated[float, Field(ge=0, le=1)]
NotNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
PLACE_DECIMALS_COUNT = 2
"""Guessed places are written to the hundredth of a mm. Our choice: a fortieth of a voxel."""

Counts = Annotated[list[Annotated[int, Field(ge=0)]], Field(min_length=1, max_length=BINS_COUNT)]


class LevelPart(StrictModel):
    """A grey level that was used, and what it parts."""

    level_hu: float
    what: str


class HistogramPart(StrictModel):
    """Counted voxels in bins of equal width; ``bone_counts`` are those inside a fragment."""

    from_hu: float
    bin_hu: Positive
    counts: Counts
    bone_counts: Counts
    every: Annotated[int, Field(ge=1)]

    @model_validator(mode="after")
    def _same_bins(self) -> HistogramPart:
        if len(self.counts) != len(self.bone_counts):
            raise ValueError("counts and bone_counts must have as many bins")
        return self


class PointSpreadPart(StrictModel):
    """The blur as standard deviations of a Gaussian, the voxel's own extent included."""

    sigma_xy_mm: Positive
    sigma_z_mm: Positive
    xy_assumed: bool
    z_assumed: bool
    bone_sigma_xy_mm: Positive | None
    skin_sigma_xy_mm: Positive | None
    undershoot_fraction: float | None
    notes: list[str]


class BlurPart(StrictModel):
    """The blur and the noise, and where the noise was measured."""

    point_spread: PointSpreadPart
    noise_hu: NotNegative
    noise_where: str


class SharesPart(StrictModel):
    """How the vertices of a fragment's surface came by their place, as shares of them."""

    fragment: Annotated[int, Field(ge=1)]
    vertices_count: Annotated[int, Field(ge=0)]
    measured_fraction: Fraction
    repaired_fraction: Fraction
    no_edge_fraction: Fraction
    level_fraction: Fraction
    thickness_known_fraction: Fraction


class RecordPart(StrictModel):
    """What a person needs to judge a segmentation."""

    histogram: HistogramPart
    levels: list[LevelPart]
    blur: BlurPart | None
    surfaces: list[SharesPart]
    guessed_mm: list[Point] = Field(default_factory=list)

    def value(self) -> SegmentationRecord:
        """The record as a value."""
        counted, blur = self.histogram, self.blur
        return SegmentationRecord(
            histogram=Histogram(
                counted.from_hu,
                counted.bin_hu,
                np.array(counted.counts, np.int64),
                np.array(counted.bone_counts, np.int64),
                counted.every,
            ),
            levels=tuple(UsedLevel(level.level_hu, level.what) for level in self.levels),
            blur=None if blur is None else Blur(_spread(blur.point_spread), blur.noise_hu, blur.noise_where),
            guessed_mm=np.array(self.guessed_mm, float).reshape(-1, 3),
        )


def record_document(bone: Bone) -> dict[str, Any]:
    """The key ``record`` of the segmentation in bone.json; no key without one."""
    record = bone.segmentation.record
    if record is None:
        return {}
    counted, blur = record.histogram, record.blur
    return {
        "record": {
            "histogram": {
                "from_hu": counted.from_hu,
                "bin_hu": counted.bin_hu,
                "counts": counted.counts.tolist(),
                "bone_counts": counted.bone_counts.tolist(),
                "every": counted.every,
            },
            "levels": [{"level_hu": float(level.level_hu), "what": level.what} for level in record.levels],
            "blur": None
            if blur is None
            else {
                "point_spread": {**asdict(blur.point_spread), "notes": list(blur.point_spread.notes)},
                "noise_hu": blur.noise_hu,
                "noise_where": blur.noise_where,
            },
            "surfaces": [
                {"fragment": fragment.number, **asdict(shares)}
                for fragment in bone.fragments
                if (shares := shares_of(fragment)) is not None
            ],
            "guessed_mm": np.round(record.guessed_mm, PLACE_DECIMALS_COUNT).tolist(),
        }
    }


def _spread(part: PointSpreadPart) -> PointSpread:
    return PointSpread(**{**part.model_dump(), "notes": tuple(part.notes)})
