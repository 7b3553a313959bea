"""The fracture surface against the truth of phantoms: its plane, its gap, and what it says when it cannot.

The bars (0.5°, 0.05 mm, 0.15 mm) are the project's own; the truths are the phantoms' formulas.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from fracture_phantoms import A, B, Broken, broken
from phantoms import CALIBRATION, placed

from planner.assess import assess
from planner.assessment_file import assessment_document
from planner.vocabulary import Plan
from segmentation.case import read_case, write_case
from segmentation.errors import InputError
from segmentation.fracture_surface import fracture_between
from segmentation.recipe import segment
from segmentation.vocabulary import FractureSurface

SHAPES = {
    "flat": {},
    "wave": {"wave_mm": 0.8},
    "long wave": {"wave_mm": 0.5, "period_mm": 14.0},
    "oblique": {"oblique_degree": 40.0},
    "block": {"shape": "block", "wave_mm": 0.4},
}


CELLS = [*((shape, gap_mm) for shape in SHAPES for gap_mm in (0.5, 1.2)), ("flat", 2.0), ("wave", 2.0)]


@cache
def measured(shape: str, scan: str, gap_mm: float) -> tuple[Broken, FractureSurface]:
    phantom = broken(
        gap_mm=gap_mm, seed=int(10 * gap_mm) + len(shape), **SHAPES[shape], **{"A": A, "B": B}[scan]
    )
    found = fracture_between(phantom.ct, phantom.labels, (1, 2))
    assert found is not None
    return phantom, found


def off(phantom: Broken, found: FractureSurface) -> tuple[float, float]:
    """Degrees and mm between the mean plane and the true one."""
    angle = np.degrees(np.arccos(min(1.0, float(found.normal @ phantom.normal))))
    return angle, abs(float((found.point_mm - phantom.middle_mm) @ phantom.normal))


@pytest.mark.parametrize(("shape", "gap_mm"), CELLS)
def test_the_mean_plane_is_the_true_one(shape: str, gap_mm: float) -> None:
    phantom, found = measured(shape, "A", gap_mm)
    angle_degree, away_mm = off(phantom, found)
    assert angle_degree <= 0.5
    assert away_mm <= 0.05
    assert angle_degree <= found.normal_uncertainty_degree


@pytest.mark.parametrize(
    ("shape", "scan", "gap_mm"),
    [
        *((shape, "A", gap_mm) for shape, gap_mm in CELLS),
        *(("wave", "B", gap_mm) for gap_mm in (0.5, 2.0)),
    ],
)
def test_the_median_gap_is_the_true_one(shape: str, scan: str, gap_mm: float) -> None:
    _, found = measured(shape, scan, gap_mm)
    assert found.gap_median_mm == pytest.approx(gap_mm, abs=0.15)
    assert found.gap_median_mm <= found.gap_p95_mm <= found.gap_largest_mm


@pytest.mark.parametrize("shape", SHAPES)
def test_the_waviness_is_that_of_the_formula(shape: str) -> None:
    """A product of two waves of amplitude a has the RMS a/2 over whole periods (closed form)."""
    _, found = measured(shape, "A", 1.2)
    assert found.waviness_rms_mm == pytest.approx(SHAPES[shape].get("wave_mm", 0.0) / 2, abs=0.08)
    assert found.waviness_p95_mm > found.waviness_rms_mm


def test_the_area_is_the_sections() -> None:
    """An oblique section of a cylinder: π R² / cos (closed form)."""
    _, found = measured("oblique", "A", 1.2)
    assert found.area_mm2 == pytest.approx(np.pi * 81 / np.cos(np.radians(40)), rel=0.03)
    assert found.measured_area_mm2 < found.area_mm2


def test_the_surface_faces_from_the_first_fragment_into_the_second() -> None:
    phantom, found = measured("flat", "A", 1.2)
    a, b, c = (found.surface.vertices_mm[found.surface.faces[:, corner]] for corner in range(3))
    assert (np.cross(b - a, c - a) @ phantom.normal > 0).all()
    assert found.seen.mean() > 0.8
    assert found.at_rim.any()
    assert not found.at_rim.all()


def test_a_wedge_shows_in_the_map() -> None:
    """A gap that opens by 4° along y: each place's gap is 1.2 + y · tan 4° (closed form)."""
    phantom = broken(gap_mm=1.2, fragment_turn_degree=4.0, seed=7, **A)
    found = fracture_between(phantom.ct, phantom.labels, (1, 2))
    assert found is not None
    # y of the bone's own frame: square to the normal and to the rod.
    along = np.cross(phantom.normal, _rod_axis(phantom))
    along /= np.linalg.norm(along)
    inner = ~found.at_rim & np.isfinite(found.gap_mm)
    slope = np.polyfit(found.surface.vertices_mm[inner] @ along, found.gap_mm[inner], 1)[0]
    assert abs(slope) == pytest.approx(np.tan(np.radians(4.0)), rel=0.2)
    assert found.gap_p95_mm - found.gap_median_mm > 0.2


def _rod_axis(phantom: Broken) -> np.ndarray:
    points = phantom.ct.grid.ijk_to_mm(np.argwhere(phantom.labels > 0)[::50])
    return np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]


def test_a_cut_through_whole_bone_is_all_contact() -> None:
    phantom = broken(gap_mm=0.0, seed=3, cut_error_mm=0.0, **A)
    found = fracture_between(phantom.ct, phantom.labels, (1, 2))
    assert found is not None
    assert found.gap_median_mm == pytest.approx(0.0, abs=0.1)
    assert found.contact_area_mm2 > 0.9 * found.measured_area_mm2
    assert found.seen.mean() < 0.3
    assert off(phantom, found)[0] <= found.normal_uncertainty_degree + 0.5


def test_a_gap_filled_with_what_is_as_dense_as_the_bone_is_not_measured() -> None:
    """A block without cortex at the gap: 60 HU marrow, 45 HU fill; the cortex alone shows a gap."""
    phantom = broken(gap_mm=1.0, marrow_hu=60.0, seed=4, **A)
    found = fracture_between(phantom.ct, phantom.labels, (1, 2))
    assert found is not None
    inside = np.linalg.norm(found.surface.vertices_mm - phantom.middle_mm, axis=1) < 4
    assert np.isnan(found.gap_mm[inside]).all()
    assert found.measured_area_mm2 < 0.6 * found.area_mm2


def test_nothing_to_measure_is_told_with_its_reason() -> None:
    """The same with no cortex either: bone of 90 HU."""
    phantom = broken(gap_mm=1.0, seed=4, **A)
    ct = replace(phantom.ct, hu=np.full_like(phantom.ct.hu, 60))
    found = fracture_between(ct, phantom.labels, (1, 2))
    assert found is not None
    assert found.gap_median_mm is None
    assert found.contact_area_mm2 is None
    assert "not measurable" in found.gap_reason


def test_the_fill_is_measured_in_a_wide_gap_only() -> None:
    """Blood of 80 HU: told in a gap of 2 mm, not in one of 0.8 mm, which then reads too narrow."""
    wide, narrow = (broken(gap_mm=gap, fill_hu=80.0, seed=9, **A) for gap in (2.0, 0.8))
    found = fracture_between(wide.ct, wide.labels, (1, 2))
    assert found.fill_measured
    assert found.fill_hu == pytest.approx(80.0, abs=12.0)
    assert found.gap_median_mm == pytest.approx(2.0, abs=0.15)
    found = fracture_between(narrow.ct, narrow.labels, (1, 2))
    assert not found.fill_measured
    assert found.gap_median_mm < 0.75


def test_fragments_that_do_not_face_have_no_fracture() -> None:
    phantom, _ = measured("flat", "A", 1.2)
    apart = np.where(np.abs((_places(phantom) - phantom.middle_mm) @ phantom.normal) < 2.5, 0, phantom.labels)
    assert fracture_between(phantom.ct, apart.astype(np.uint8), (1, 2)) is None
    assert fracture_between(phantom.ct, phantom.labels, (1, 3)) is None


def test_fragments_whose_boxes_alone_come_near_have_no_fracture() -> None:
    """An L around a small cube: their boxes overlap, and in the overlap one of them has no voxel."""
    phantom, _ = measured("flat", "A", 1.2)
    labels = np.zeros(phantom.labels.shape, np.uint8)
    labels[5:60, 5:8, 5:60] = 1
    labels[5:8, 5:60, 5:60] = 1
    labels[40:44, 40:44, 30:34] = 2
    assert fracture_between(phantom.ct, labels, (1, 2)) is None


def _places(phantom: Broken) -> np.ndarray:
    grid = phantom.ct.grid
    return grid.ijk_to_mm(np.stack(np.indices(grid.shape), -1).reshape(-1, 3)).reshape(*grid.shape, 3)


def test_a_case_keeps_the_fracture(tmp_path: Path) -> None:
    phantom, _ = measured("wave", "A", 1.2)
    bone = segment(phantom.ct, threshold_hu=160, labels=phantom.labels, calibration=CALIBRATION)
    (kept,) = bone.fractures
    write_case(tmp_path / "case", bone)
    assert (tmp_path / "case" / "fracture-1-2.ply").is_file()
    back = read_case(tmp_path / "case")
    for name, value in vars(kept).items():
        if name != "surface":
            np.testing.assert_array_equal(value, getattr(back.fractures[0], name), err_msg=name)
    np.testing.assert_array_equal(back.fractures[0].surface.vertices_mm, kept.surface.vertices_mm)
    write_case(tmp_path / "again", back)
    assert (tmp_path / "again/bone.json").read_bytes() == (tmp_path / "case/bone.json").read_bytes()
    (tmp_path / "case/fracture-1-2.ply").write_bytes(b"ply")
    with pytest.raises(InputError, match="SHA-256"):
        read_case(tmp_path / "case")


def test_a_case_from_before_fractures_is_read(tmp_path: Path) -> None:
    phantom, _ = measured("wave", "A", 1.2)
    write_case(
        tmp_path / "case",
        replace(segment(phantom.ct, threshold_hu=160, calibration=CALIBRATION), fractures=()),
    )
    path = tmp_path / "case/bone.json"
    document = json.loads(path.read_text())
    del document["fractures"], document["joints"]
    path.write_text(json.dumps(document))
    assert read_case(tmp_path / "case").fractures == ()


def test_a_screw_across_the_fracture_is_told_angle_depth_and_gap() -> None:
    """Closed forms: the angle between two directions, the depth where a line meets a plane."""
    phantom, _ = measured("flat", "A", 1.2)
    bone = segment(phantom.ct, threshold_hu=160, labels=phantom.labels, calibration=CALIBRATION)
    lean = np.radians(25.0)
    side = np.cross(phantom.normal, [0.3, 0.5, 0.8])
    side /= np.linalg.norm(side)
    direction = np.cos(lean) * phantom.normal + np.sin(lean) * side
    entry = phantom.middle_mm - 8.0 * direction
    screw = placed(entry, entry + 20 * direction, "iso5835-ha-2.7", 20.0)
    (told,) = assess(bone, Plan((screw,))).screws
    (crossing,) = told.fractures
    assert crossing.between == (1, 2)
    assert crossing.angle_degree == pytest.approx(25.0, abs=0.5)
    depth = (phantom.middle_mm - told.entry_mm) @ phantom.normal / np.cos(lean)
    assert crossing.depth_mm == pytest.approx(depth, abs=0.06)
    assert crossing.gap_mm.median == pytest.approx(1.2, abs=0.15)
    assert crossing.gap_mm.at_axis == pytest.approx(1.2, abs=0.25)
    far = next(fragment for fragment in told.fragments if fragment.fragment == 2)
    assert crossing.threads_beyond_count == pytest.approx(far.threads_engaged, rel=0.02)
    document = assessment_document(assess(bone, Plan((screw,))))
    assert document["screws"][0]["fractures"][0]["gap_mm"]["median"] == pytest.approx(1.2, abs=0.15)


def test_a_screw_beside_the_measured_surface_says_why_its_gap_is_not_known() -> None:
    phantom, _ = measured("flat", "A", 1.2)
    bone = segment(phantom.ct, threshold_hu=160, labels=phantom.labels, calibration=CALIBRATION)
    (fracture,) = bone.fractures
    holed = replace(fracture, gap_mm=np.full_like(fracture.gap_mm, np.nan))
    entry = phantom.middle_mm - 8.0 * phantom.normal
    screw = placed(entry, entry + 20 * phantom.normal, "iso5835-ha-2.7", 20.0)
    (told,) = assess(replace(bone, fractures=(holed,)), Plan((screw,))).screws
    assert told.fractures[0].gap_mm.at_axis is None
    assert "not measurable" in told.reasons["fractures.1-2.gap_mm.at_axis"]
