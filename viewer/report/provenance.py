"""Where the report's numbers come from: versions, digests, settings, level, calibration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from planner.vocabulary import Assessment
from segmentation.vocabulary import Calibration, Removed
from viewer.calibrating import KIND_WORDS, error_words
from viewer.report.drawing import written
from viewer.report.words import capital, ended

DIGEST_LETTERS = 12
"""Letters of a digest that are printed: enough to compare by eye; the whole one stands in the files. Our
choice."""

SIDES = ("left", "right")

LISTED_COUNT = 3
"""Removed pieces of one kind that are listed one by one. Our choice; bone.json lists all."""

DEFINITIONS = (
    "Depth is measured along the axis from the entry point; bone length is entry to exit, what a depth "
    "gauge reads through a hole from the surface. Seat is the depth of the plane under the head, or of a "
    "headless screw's trailing end. Axis path is the axis's length inside a fragment. Thread engagement "
    "counts full-profile thread only, weighted by the share of the ring between core and major diameter "
    "that lies in the fragment; threads are engagement over pitch. Clearance is the smallest distance "
    "from the screw's solid to a surface, negative where it protrudes; body leaves out the portal around "
    "the entry. Density is the mean over that ring along the fragment's axis path."
)
"""The definitions the numbers rest on, shortened from the design."""


def provenance_rows(
    assessment: Assessment, *, removed: Sequence[Removed], made_on: date | None = None
) -> list[tuple[str, str]]:
    """Versions, digests, settings: what another person needs to get the same numbers.

    ``made_on`` is the report's own day; the scan's is not kept, as it can tell who the patient is.
    """
    bone, made = assessment.bone, assessment.made_with
    voxel = " × ".join(f"{step:.2f}" for step in bone.get("voxel_mm", ()))
    rows = [("side", said)] if (said := _side_words(bone)) else []
    rows += [("CT", f"voxels {voxel} mm")] if voxel else []
    rows.append(("threshold", f"{bone['threshold_hu']:.0f} HU: {bone['threshold_reason']}"))
    rows.append(
        (
            "fragments",
            "; ".join(
                f"{f['number']} {f['name']} of {f['bone']}, {f['volume_mm3']:.0f} mm³"
                for f in bone["fragments"]
            ),
        )
    )
    rows.append(("density", _calibration_words(bone)))
    rows.append(
        (
            "joint",
            "surface given as a file"
            if bone["joint"]
            else "no joint surface given: distances to a joint are not told",
        )
    )
    rows.append(("taken off", _removed_words(removed)))
    if bone.get("notes"):
        rows.append(("remarks", " ".join(ended(capital(str(note))) for note in bone["notes"])))
    settings = made.get("settings", {})
    if "shear_law" in settings:
        rows.append(("hold", f"{settings['shear_law']}: {settings['shear_law_source']}"))
    if "limits" in settings:
        rows.append(
            ("limits", ", ".join(_limit_words(key, value) for key, value in settings["limits"].items()))
        )
    rows.append(("intervals", "5th to 95th percentile"))
    versions = ", ".join(f"{key} {value}" for key, value in made.items() if isinstance(value, str))
    if made_on is not None:
        rows.append(("report made", f"{made_on.isoformat()}; the day of the scan is not kept in a case"))
    rows.append(("made with", versions))
    digests = ", ".join(f"{key} {value[:DIGEST_LETTERS]}…" for key, value in made.get("digests", {}).items())
    rows.append(("digests", f"{digests} (SHA-256, first {DIGEST_LETTERS} letters)" if digests else "none"))
    return rows


def _side_words(bone: Mapping[str, Any]) -> str:
    """The side of the body, where the names given in the case tell one."""
    names = [str(fragment[key]) for fragment in bone["fragments"] for key in ("bone", "name")]
    told = [side for side in SIDES if any(side in name.lower().split() for name in names)]
    return f"{' and '.join(told)}, as the names in the case say" if told else ""


def _removed_words(removed: Sequence[Removed]) -> str:
    """What was taken off, by kind: one by one with its place, or many as a count, their volume and the
    largest's place."""
    said = []
    for kind in sorted({found.what for found in removed}):
        found = sorted((one for one in removed if one.what == kind), key=lambda one: -one.volume_mm3)
        listed = found if len(found) <= LISTED_COUNT else found[:1]
        places = "; ".join(
            f"{one.volume_mm3:.1f} mm³ at ({', '.join(written(float(x), 0) for x in one.centre_mm)})"
            for one in listed
        )
        if len(found) > LISTED_COUNT:
            total_mm3 = sum(one.volume_mm3 for one in found)
            places = f"{len(found)} pieces, {total_mm3:.1f} mm³ in all, the largest {places}"
        said.append(f"{kind}: {places}")
    return ". ".join(said) if said else "nothing"


def _limit_words(key: str, value: float) -> str:
    """A limit's name and value: "body clearance 1 mm"."""
    name, _, unit = key.rpartition("_")
    return f"{name.replace('_', ' ')} {value:g}{' mm' if unit == 'mm' else ''}"


def _calibration_words(bone: Mapping[str, Any]) -> str:
    calibration = bone["calibration"]
    if calibration is None:
        return f"not calibrated: {bone.get('calibration_reason') or 'no reason given'}"
    line = Calibration(**calibration)
    return (
        f"{line.slope_mg_cm3_per_hu:.4g} · HU {line.intercept_mg_cm3:+.4g} mg/cm³, {KIND_WORDS[line.kind]}, "
        f"standard error {error_words(line)}: {line.source}"
    )
