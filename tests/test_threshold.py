"""Checks the automatic level on volumes whose tissues are known, and the rules for a level given by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from segmentation.errors import InputError
from segmentation.threshold import check_threshold, choose_threshold
from segmentation.vocabulary import CTVolume, Grid

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


def volume(hu, voxel_mm=0.5):
    hu = np.asfortranarray(np.rint(hu).astype(np.int16))
    return CTVolume(Grid(hu.shape, np.diag([voxel_mm] * 3 + [1.0])), hu, "")


def slab(bone_hu, soft_hu=40.0, noise_hu=12.0, fwhm_voxels=1.4):
    rng = np.random.default_rng(7)
    clean = np.full((60, 60, 60), soft_hu)
    clean[:, :, 20:40] = bone_hu
    # Closed form: a normal curve's FWHM is 2·sqrt(2·ln 2) = 2.355 standard deviations.
    return volume(gaussian_filter(clean, fwhm_voxels / 2.355) + rng.normal(0, noise_hu, clean.shape))


def limb(noise_hu=25.0, marrow_hu=-60.0, cortex_hu=1300.0, muscle_voxels=30):
    """Air, a fat and a muscle cylinder, and in it a tube of cortex with fatty marrow."""
    rng = np.random.default_rng(3)
    x, y = np.meshgrid(np.arange(100) - 50.0, np.arange(100) - 50.0, indexing="ij")
    r = np.hypot(x, y)[:, :, None] * np.ones(40)
    clean = np.select(
        [r < 8, r < 14, r < muscle_voxels, r < 40], [marrow_hu, cortex_hu, 55.0, -100.0], -1000.0
    )
    return volume(gaussian_filter(clean, 0.8) + rng.normal(0, noise_hu, clean.shape))


def foam(density_g_cm3, noise_hu=15.0):
    rng = np.random.default_rng(5)
    clean = np.full((50, 50, 50), -1000.0)
    clean[10:40, 10:40, 10:40] = 1000 * (density_g_cm3 - 1)
    return volume(gaussian_filter(clean, 0.6) + rng.normal(0, noise_hu, clean.shape))


@pytest.mark.parametrize("bone_hu", [300.0, 400.0, 500.0])
def test_level_is_half_way_on_a_slab_of_known_bone(bone_hu):
    # Source: half-maximum of a blurred step is its true place (biomechanics reference §5, common practice).
    level_hu, reason = choose_threshold(slab(bone_hu))
    assert level_hu == pytest.approx((40 + bone_hu) / 2, abs=8)
    assert f"{level_hu:.0f}" in reason


@pytest.mark.parametrize("cortex_hu", [700.0, 1000.0, 1500.0])
def test_level_for_thick_cortex_is_held_to_the_usual_range(cortex_hu):
    level_hu, reason = choose_threshold(limb(cortex_hu=cortex_hu))
    assert 150 <= level_hu <= 300
    assert "held down to 300" in reason


def test_fat_does_not_pass_for_the_soft_tissue_around_bone():
    ct = limb(muscle_voxels=24)
    fat, muscle = np.count_nonzero(np.abs(ct.hu + 100) < 20), np.count_nonzero(np.abs(ct.hu - 55) < 20)
    assert fat > 2 * muscle
    assert "soft tissue at 5" in choose_threshold(ct)[1]


def test_level_stays_above_strong_noise():
    ct = slab(320.0, noise_hu=60.0)
    level_hu, _ = choose_threshold(ct)
    soft = ct.hu[:, :, :15]
    # Closed form: 0.13 % of a normal distribution lies beyond three standard deviations.
    assert np.mean(soft > level_hu) < 0.003
    assert level_hu < 320


@pytest.mark.parametrize("density_g_cm3", [0.16, 0.32, 0.64])
def test_foam_in_air_is_parted_half_way(density_g_cm3):
    # Source: ASTM F1839 grades 10, 20 and 40 are 0.16, 0.32 and 0.64 g/cm3; HU of air -1000, of water 0.
    level_hu, reason = choose_threshold(foam(density_g_cm3))
    assert level_hu == pytest.approx((-1000 + 1000 * (density_g_cm3 - 1)) / 2, abs=8)
    assert "foam" in reason


@pytest.mark.parametrize("soft_hu", [-100.0, 0.0, 40.0])
def test_nothing_as_bright_as_bone_is_refused(soft_hu):
    with pytest.raises(InputError, match="no bone is that small"):
        choose_threshold(slab(soft_hu, soft_hu=soft_hu, noise_hu=20.0))


def test_values_that_are_not_hu_are_asked_for_not_guessed():
    rng = np.random.default_rng(1)
    with pytest.raises(InputError, match=r"never below 0.*give --threshold"):
        choose_threshold(volume(rng.integers(0, 256, (30, 30, 30))))


def test_a_scan_of_nothing_but_padding_is_refused():
    with pytest.raises(InputError, match="no value"):
        choose_threshold(volume(np.full((9, 9, 9), -2048)))


def test_padding_does_not_count():
    ct = slab(400.0)
    padded = np.array(ct.hu)
    padded[:30] = -3024
    assert choose_threshold(volume(padded))[0] == pytest.approx(choose_threshold(ct)[0], abs=3)


def test_fractions_of_a_hu_are_counted_too():
    whole = slab(400.0)
    parts = CTVolume(whole.grid, np.asfortranarray(whole.hu.astype(np.float32) + 0.25), "")
    assert choose_threshold(parts)[0] == pytest.approx(choose_threshold(whole)[0], abs=1)


@pytest.mark.parametrize(
    "threshold_hu", [float("nan"), float("inf"), float("-inf"), 5000.0, -1024.0, -2000.0]
)
def test_a_level_that_parts_nothing_is_refused(threshold_hu):
    with pytest.raises(InputError, match="--threshold"):
        check_threshold(limb(), threshold_hu)


def test_a_level_within_the_scan_is_kept_as_given():
    assert check_threshold(limb(), 226.5) == 226.5


def test_padding_does_not_widen_the_range_of_levels():
    hu = np.full((5, 5, 5), 40, np.int16)
    hu[0], hu[1] = -3024, 400
    with pytest.raises(InputError, match="from 40 to 400"):
        check_threshold(volume(hu), -1500.0)


@pytest.mark.parametrize(
    "name", ["sts_001_hip", "sts_008_shoulder", "sts_010_knee_tibia", "sts_005_arm_fov_cut"]
)
def test_real_scans_get_a_level_in_the_usual_range(name):
    if not (DATA / name).is_dir():
        pytest.skip("the real CT series are not beside this repository")
    from segmentation.ct import load_ct

    # Source: common practice, 150-250 HU for bone ends, up to 300 by our choice.
    level_hu, reason = choose_threshold(load_ct(DATA / name))
    assert 150 <= level_hu <= 300
    assert reason.endswith(".")
