"""A cortex's thickness is told only where it was measured; elsewhere what it is below, and its mass.

The truth is a slab whose vertices are given a cortex by hand: met at an angle a, a thickness t is t / cos a
long on the axis (geometry); mass times the line's slope, over 10 mm in a cm, is mineral for each cm² (units).
"""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from finding_cases import cropped, down, slab
from phantoms import CALIBRATION, placed

from planner.assess import ReadyBone, assess_screws, ready
from planner.assessment_file import assessment_document
from planner.screws_csv import csv_text
from planner.vocabulary import Assessment, Plan
from segmentation.vocabulary import Calibration, Cortex
from viewer.report.page import render_report
from viewer.summary import tell_assessment

THICK_MM, THIN_MM, SD_MM, MASS_HU_MM = 1.83, 0.37, 0.23, 537.0


def shelled(*, calibration: Calibration | None = CALIBRATION) -> ReadyBone:
    """The slab with a cortex that is known on its lower half and not on its upper."""
    bone = slab().prepared.bone
    z = bone.fragments[0].surface.vertices_mm[:, 2]
    known = z < 0
    cortex = Cortex(
        np.full(len(z), 0.05),
        np.where(known, THICK_MM, THIN_MM),
        np.full(len(z), SD_MM),
        known,
        np.full(len(z), 1200.0),
        np.full(len(z), MASS_HU_MM),
    )
    fragment = replace(bone.fragments[0], cortex=cortex)
    return ready(replace(bone, fragments=(fragment,), calibration=calibration))


def at(degree: float, *, calibration: Calibration | None = CALIBRATION) -> Assessment:
    direction = np.array([np.sin(np.radians(degree)), 0.0, np.cos(np.radians(degree))])
    entry = np.array([0.0, 0.3, 0.0]) - direction * 10 / direction[2]
    screw = placed(entry, entry + 10 * direction, length_mm=18.0)
    return assess_screws(shelled(calibration=calibration), Plan((screw,)))


@pytest.mark.parametrize("degree", [0.0, 30.0])
def test_a_known_cortex_has_a_length_and_an_unknown_one_a_bound(degree: float) -> None:
    screw = assessment_document(at(degree))["screws"][0]
    along = 1 / np.cos(np.radians(degree))
    mineral = MASS_HU_MM * 0.77 / 10
    assert screw["near_cortex"] == {
        "on_axis_mm": pytest.approx(THICK_MM * along, rel=0.01),
        "on_axis_below_mm": None,
        "mass_hu_mm": MASS_HU_MM,
        "mass_mg_cm2": pytest.approx(mineral),
    }
    assert screw["far_cortex"] == {
        "on_axis_mm": None,
        # Two deviations above what was fitted (surface study: true for 99.9 % of such places).
        "on_axis_below_mm": pytest.approx((THIN_MM + 2 * SD_MM) * along, rel=0.01),
        "mass_hu_mm": MASS_HU_MM,
        "mass_mg_cm2": pytest.approx(mineral),
    }
    assert [layer["thickness_known"] for layer in screw["layers"]] == [True, False, False]
    assert "537 HU·mm (41 mg/cm²)" in screw["reasons"]["layers.far cortex.from_mm"]
    assert screw["reasons"]["far_cortex.on_axis_mm"] == screw["reasons"]["layers.far cortex.from_mm"]


def test_without_a_line_the_mass_is_in_grey_values_only() -> None:
    screw = assessment_document(at(0.0, calibration=None))["screws"][0]
    assert screw["far_cortex"]["mass_mg_cm2"] is None
    assert "far_cortex.mass_mg_cm2" in screw["reasons"]
    assert "mg/cm²" not in screw["reasons"]["layers.far cortex.from_mm"]


def test_no_output_prints_a_thickness_that_is_not_known(capsys: pytest.CaptureFixture[str]) -> None:
    assessment = at(0.0)
    (row,) = csv.DictReader(io.StringIO(csv_text(assessment)))
    assert row["far_cortex_on_axis_mm"] == ""
    assert float(row["far_cortex_on_axis_below_mm"]) == pytest.approx(THIN_MM + 2 * SD_MM, rel=0.01)
    assert float(row["near_cortex_on_axis_mm"]) == pytest.approx(THICK_MM, rel=0.01)
    tell_assessment(assessment)
    said = capsys.readouterr().out + capsys.readouterr().err
    assert re.search(r"near 1\.8 mm; far below 0\.9 mm, not measured \(mass 537 HU·mm\)", said)
    report = re.sub(r"<[^>]+>", " ", render_report(shelled().prepared.bone, assessment, title="slab"))
    report = " ".join(report.replace("\u00a0", " ").split())
    row_far = re.search(r"far cortex (.*?) Along the axis", report)
    assert row_far is not None
    assert re.fullmatch(r"not told ([¹²³]) below 0\.9 \1 not told \1 not told \1", row_far[1])
    assert "its mass is 537 HU·mm (41 mg/cm²)" in report
    everything = json.dumps(assessment_document(assessment)) + csv_text(assessment) + said + report
    # What was fitted where nothing is known is printed nowhere.
    assert not re.search(r"(?<![\d.])0\.37(?!\d)", everything)


def test_a_plain_level_does_not_tell_a_thin_cortex() -> None:
    """Below 1.5 mm the level shows the blur; at 6 mm nothing has fallen: of neither a length is told."""
    screw = assessment_document(assess_screws(slab(), Plan((down(-10, 18),))))["screws"][0]
    for layer, end in ((screw["layers"][0], "to_mm"), (screw["layers"][-1], "from_mm")):
        told = f"layers.{layer['layer']}.{end}" in screw["reasons"]
        assert told == (not layer["thickness_known"])
        assert layer["thickness_known"] is (1.5 <= layer["to_mm"] - layer["from_mm"] < 6)


def test_the_end_of_the_scan_is_no_cortex() -> None:
    screw = assessment_document(assess_screws(cropped(top_mm=9.0), Plan((down(-10, 14),))))["screws"][0]
    assert screw["far_cortex"] is None
    assert "cut off" in screw["reasons"]["far_cortex"]
    assert screw["intervals"]["bone_length_mm"] is None
    assert screw["fragments"][0]["intervals"]["axis_path_mm"] is None
