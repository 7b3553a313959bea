"""The path of a person who gives no threshold: the bone is as it is, not as a level shows it.

The layered block is an outside check's: cortices of 1,400 and 1,200 HU over 250 and 350 HU, a gap of 1.2 mm
whose faces have no cortex, voxels 0.4 × 0.4 × 0.5 mm, noise 12 HU; a fixed level of 170 HU reads it 0.8 mm
too long.
"""

from functools import cache

import numpy as np
import pytest
import trimesh
from phantoms import CALIBRATION, as_ct, grid_around, placed, points_of, rotation, step

from planner.assess import ReadyBone, assess_screws, ready
from planner.vocabulary import Plan
from segmentation.case import read_case, write_case
from segmentation.recipe import segment
from segmentation.vocabulary import Floats

NEAR_MM, FAR_MM, GAP_MM, HALF_MM = 12.0, 16.0, 1.2, 11.0
CORTICES_MM, CORTEX_HU, CORE_HU, SOFT_HU, FWHM_MM = (1.5, 2.0), (1400.0, 1200.0), (250.0, 350.0), 40.0, 0.6


def layered(turn: Floats) -> tuple[object, Floats]:
    """Two blocks with a cortex on the outer face only; their other sides are cut faces of the cancellous
    level."""
    total = NEAR_MM + FAR_MM + GAP_MM
    grid = grid_around(np.abs(turn) @ np.array([HALF_MM, HALF_MM, total / 2]) + 3, (0.4, 0.4, 0.5))
    own = points_of(grid) @ turn
    across = np.prod([step(HALF_MM - np.abs(own[..., axis]), FWHM_MM) for axis in (0, 1)], axis=0)
    z = own[..., 2] + total / 2
    near = step(z, FWHM_MM) * step(NEAR_MM - z, FWHM_MM)
    far = step(z - NEAR_MM - GAP_MM, FWHM_MM) * step(total - z, FWHM_MM)
    near_cortex = step(z, FWHM_MM) * step(CORTICES_MM[0] - z, FWHM_MM)
    far_cortex = step(z - total + CORTICES_MM[1], FWHM_MM) * step(total - z, FWHM_MM)
    values = SOFT_HU + across * (
        (CORE_HU[0] - SOFT_HU) * near
        + (CORE_HU[1] - SOFT_HU) * far
        + (CORTEX_HU[0] - CORE_HU[0]) * near_cortex
        + (CORTEX_HU[1] - CORE_HU[1]) * far_cortex
    )
    return as_ct(grid, values, noise_hu=12), turn


@cache
def block() -> tuple[ReadyBone, Floats]:
    ct, turn = layered(rotation(2))
    return ready(segment(ct, calibration=CALIBRATION)), turn


def test_the_layered_block_without_a_threshold() -> None:
    bone, turn = block()
    rng = np.random.default_rng(4)
    total = NEAR_MM + FAR_MM + GAP_MM
    errors, near_cortex, far_cortex = [], [], []
    for _ in range(30):
        tilt, around = np.deg2rad(rng.uniform(0, 28)), rng.uniform(0, 2 * np.pi)
        own = np.array([np.sin(tilt) * np.cos(around), np.sin(tilt) * np.sin(around), np.cos(tilt)])
        through = turn @ np.array([*rng.uniform(-1, 1, 2), 0.0])
        entry = through - turn @ own * total / 2 / own[2]
        result = assess_screws(bone, Plan((placed(entry, through, length_mm=24.0),))).screws[0]
        secant = 1 / own[2]
        paths = {fragment.fragment: fragment.axis_path_mm for fragment in result.fragments}
        errors.append(
            [result.bone_length_mm - total * secant, paths[2] - NEAR_MM * secant, paths[1] - FAR_MM * secant]
        )
        near_cortex.append(result.layers[0].to_mm - CORTICES_MM[0] * secant)
        far_cortex.append(total * secant - result.layers[-1].from_mm - CORTICES_MM[1] * secant)
    length, near, far = np.transpose(errors)
    # The bars of the layered block; measured beside them in docs/segmentation.md.
    assert abs(length.mean()) <= 0.03
    assert np.percentile(np.abs(length), 95) <= 0.06
    assert np.percentile(np.abs(near), 95) <= 0.12
    assert np.percentile(np.abs(far), 95) <= 0.12
    assert np.percentile(np.abs([*near_cortex, *far_cortex]), 95) <= 0.2


def test_surfaces_stay_closed_and_say_how_sure_they_are() -> None:
    for fragment in block()[0].prepared.bone.fragments:
        mesh = trimesh.Trimesh(fragment.surface.vertices_mm, fragment.surface.faces, process=False)
        assert mesh.is_watertight
        assert fragment.volume_mm3 == pytest.approx(mesh.volume)
        assert fragment.cortex is not None
        assert np.isfinite(fragment.cortex.position_sd_mm).all()
    notes = " ".join(block()[0].prepared.bone.segmentation.notes)
    assert "half-maximum width" in notes


def test_what_was_measured_of_the_cortex_is_in_the_case(tmp_path) -> None:
    bone = block()[0].prepared.bone
    write_case(tmp_path / "case", bone)
    for before, after in zip(bone.fragments, read_case(tmp_path / "case").fragments, strict=True):
        assert before.cortex is not None
        assert after.cortex is not None
        for name, values in vars(before.cortex).items():
            assert getattr(after.cortex, name) == pytest.approx(values, rel=1e-6, nan_ok=True), name


def test_a_threshold_alone_keeps_the_plain_level_and_refining_can_be_asked_for() -> None:
    ct, _ = layered(np.eye(3))
    assert segment(ct, threshold_hu=200.0).fragments[0].cortex is None
    assert segment(ct, threshold_hu=200.0, refine=True).fragments[0].cortex is not None
