"""A sharp kernel is told wherever a density is: at segmenting, when scanning a folder, in every result and on
the report; a soft one, or one that cannot be judged, is not spoken of.

The phantom is the arm of the tissue tests; sharpened by an unsharp mask, (1 + a) h less a times h blurred,
it undershoots in the air beside the skin.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from dicom_making import write_slice
from phantoms import placed
from scipy import ndimage
from test_calibration_tissues import arm, scan

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.case import read_case, write_case
from segmentation.kernel import judge_kernel, sharp_note
from segmentation.recipe import segment
from segmentation.scan import scan_ct
from segmentation.tissues import calibrate_by_tissues
from segmentation.vocabulary import SHARP_KERNEL, Bone
from viewer.calibrating import warned_of_kernel
from viewer.command_line import run
from viewer.report.page import render_report


def hu_of(*, sharp: bool) -> np.ndarray:
    hu = arm(-1000, -100, 50)
    return hu + 1.0 * (hu - ndimage.gaussian_filter(hu, (1.5, 1.5, 0))) if sharp else hu


@cache
def bone(*, sharp: bool, by_tissues: bool = True) -> Bone:
    ct = scan(hu_of(sharp=sharp), noise_hu=10)
    line = calibrate_by_tissues(scan(hu_of(sharp=False)))
    line = line if by_tissues else replace(line, kind="given")
    return warned_of_kernel(segment(ct, threshold_hu=400, calibration=line))


def sharp_notes(notes: tuple[str, ...]) -> list[str]:
    return [note for note in notes if note.startswith(SHARP_KERNEL)]


def test_segmenting_notes_it_and_the_case_keeps_the_note(tmp_path) -> None:
    assert sharp_notes(bone(sharp=False).segmentation.notes) == []
    (note,) = sharp_notes(bone(sharp=True).segmentation.notes)
    assert "standard kernel" in note
    write_case(tmp_path / "case", bone(sharp=True))
    assert note in read_case(tmp_path / "case").segmentation.notes


def test_what_cannot_be_judged_is_not_spoken_of() -> None:
    ct = scan(hu_of(sharp=True), noise_hu=10)
    inner = replace(
        ct,
        grid=replace(ct.grid, shape=(40, 40, ct.grid.shape[2])),
        hu=np.ascontiguousarray(ct.hu[35:75, 35:75]),
    )
    assert judge_kernel(inner).sharp is None
    assert sharp_note(inner) == ()


def test_a_line_measured_in_the_scan_says_it_and_a_given_one_does_not() -> None:
    said = "measured on a sharp kernel"
    for sharp, by_tissues in ((True, True), (True, False), (False, True)):
        line = bone(sharp=sharp, by_tissues=by_tissues).calibration
        assert line is not None
        assert (said in line.source) == (sharp and by_tissues)


def test_every_result_and_the_report_say_it_beside_the_densities() -> None:
    entry = np.array([0.0, -8.0, 0.0])
    plan = Plan((placed(entry, entry + np.array([0.0, 10.0, 0.0]), length_mm=20.0),))
    for sharp in (True, False):
        assessment = assess(bone(sharp=sharp), plan)
        told = [finding for finding in assessment.screws[0].findings if finding.code == "sharp-kernel"]
        assert len(told) == sharp
        report = render_report(bone(sharp=sharp), assessment, title="arm")
        fragments = re.search(r"What holds in each fragment.*?Clearance", report, re.DOTALL)
        assert fragments is not None
        assert ("sharp kernel" in fragments[0]) == sharp
        assert ("A sharp kernel: thin bone reads too dense." in report) == sharp


@pytest.mark.parametrize("sharp", [True, False])
def test_a_folder_is_told_of_before_it_is_loaded(tmp_path, capsys, sharp) -> None:
    ct = scan(hu_of(sharp=sharp), noise_hu=10)
    for k in range(ct.grid.shape[2]):
        image = np.ascontiguousarray(ct.hu[:, :, k].T)
        write_slice(tmp_path / f"{k:03d}.dcm", image, (0.0, 0.0, 1.5 * k), spacing_mm=(1.0, 1.0))
    assert len(sharp_notes(scan_ct(tmp_path, look=True).notes)) == sharp
    assert run(["scan", str(tmp_path)]) == 0
    assert (SHARP_KERNEL in capsys.readouterr().out) == sharp
