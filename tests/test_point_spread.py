"""The scanner's blur, found from bones whose blur is known, and what is said where it cannot be.

Phantoms are made by tests/refine_phantoms.py. The blur of a voxel's own box adds voxel²/12 to the variance
(closed form).
"""

from functools import cache

import numpy as np
import pytest
from phantoms import FWHM_PER_SIGMA
from refine_phantoms import Phantom, ball, tube, waving

from segmentation.how_found import PointSpread
from segmentation.point_spread import estimate_point_spread
from segmentation.profiles import noise_hu
from segmentation.recipe import segment
from segmentation.refine import refine_surface
from segmentation.vocabulary import Floats

THICKNESS, LEVEL = waving(0.5, 2, 36, (0.6, 0.7, 0.4)), waving(600, 1400, 40, (-0.5, 0.3, 0.8))
SKIN_MM = 13.0


def in_skin(own: Floats) -> Floats:
    """Soft tissue in a ball round the origin, air outside."""
    return -1000 + 1040 * np.clip((SKIN_MM - np.linalg.norm(own, axis=-1)) / 0.15 + 0.5, 0, 1)


MAKERS = {
    "even voxels": lambda: ball(8, THICKNESS, LEVEL, seed=31),
    "thick slices": lambda: tube(7, 4, THICKNESS, LEVEL, voxel_mm=(0.5, 0.5, 1.0), fwhm_z_mm=1.2, seed=32),
    "all thin": lambda: ball(
        8, waving(0.4, 1.0, 36, (0.6, 0.7, 0.4)), waving(800, 1400, 40, (-0.5, 0.3, 0.8)), seed=33
    ),
    "sharp": lambda: ball(8, THICKNESS, LEVEL, fwhm_mm=0.5, ringing=1.0, noise_hu=30, seed=34),
    "in skin": lambda: ball(8, THICKNESS, LEVEL, outer_hu=in_skin, margin_mm=9, seed=35),
    "upright": lambda: tube(7, 9, THICKNESS, LEVEL, turn_degree=0, cut_mm=6, seed=36),
}


@cache
def phantom(name: str) -> Phantom:
    return MAKERS[name]()


@cache
def spread(name: str) -> PointSpread:
    ct = phantom(name).ct
    return estimate_point_spread(ct, [segment(ct, threshold_hu=220).fragments[0].surface])


def total_fwhm_mm(kernel_mm: float, voxel_mm: float) -> float:
    return float(np.hypot(kernel_mm, FWHM_PER_SIGMA * voxel_mm / np.sqrt(12)))


@pytest.mark.parametrize(
    ("name", "xy_mm", "z_mm", "xy_bar_mm", "z_bar_mm"),
    [
        ("even voxels", (0.8, 0.5), (0.8, 0.5), 0.09, 0.09),
        ("thick slices", (0.8, 0.5), (1.2, 1.0), 0.09, 0.15),
        ("all thin", (0.8, 0.5), (0.8, 0.5), 0.15, 0.20),
        ("in skin", (0.8, 0.5), (0.8, 0.5), 0.09, 0.09),
    ],
)
def test_the_blur_is_found(name, xy_mm, z_mm, xy_bar_mm, z_bar_mm):
    found = spread(name)
    assert found.bone_sigma_xy_mm * FWHM_PER_SIGMA == pytest.approx(total_fwhm_mm(*xy_mm), abs=xy_bar_mm)
    assert found.sigma_z_mm * FWHM_PER_SIGMA == pytest.approx(total_fwhm_mm(*z_mm), abs=z_bar_mm)


@pytest.mark.parametrize("name", ["even voxels", "thick slices", "in skin"])
def test_what_the_bone_shows_is_not_called_assumed(name):
    assert not spread(name).xy_assumed
    assert not spread(name).z_assumed


def test_skin_shows_the_same_blur_as_bone():
    found = spread("in skin")
    assert found.skin_sigma_xy_mm is not None
    assert found.skin_sigma_xy_mm == pytest.approx(found.bone_sigma_xy_mm, rel=0.10)


def test_without_skin_none_is_named():
    assert spread("even voxels").skin_sigma_xy_mm is None


def test_a_bone_that_faces_no_slice_leaves_the_blur_across_slices_assumed():
    found = spread("upright")
    assert found.z_assumed
    assert not found.xy_assumed
    assert any("across slices is assumed" in note for note in found.notes)


def test_a_sharp_kernel_is_named_and_a_standard_one_is_not():
    assert any("sharp kernel" in note for note in spread("sharp").notes)
    assert not any("sharp kernel" in note for note in spread("even voxels").notes)


def test_a_blur_that_bone_and_skin_tell_apart_is_assumed(monkeypatch):
    """A planted skin, twice as blurred."""
    monkeypatch.setattr("segmentation.point_spread.skin_sigma_xy_mm", lambda *_: 0.74)
    ct = phantom("even voxels").ct
    found = estimate_point_spread(ct, [segment(ct, threshold_hu=220).fragments[0].surface])
    assert found.xy_assumed
    assert found.sigma_xy_mm == 0.74
    assert any("the skin" in note for note in found.notes)


def test_an_assumed_blur_raises_what_counts_as_known():
    ct = phantom("even voxels").ct
    surface = segment(ct, threshold_hu=220).fragments[0].surface
    measured = spread("even voxels")
    assumed = PointSpread(measured.sigma_xy_mm, measured.sigma_z_mm, xy_assumed=True, z_assumed=True)
    result = refine_surface(ct, surface, point_spread=assumed)
    width = FWHM_PER_SIGMA * min(measured.sigma_xy_mm, measured.sigma_z_mm)
    assert result.blur_assumed.all()
    assert result.thickness_mm[result.thickness_known].min() >= 1.2 * width


@pytest.mark.parametrize(("name", "noise"), [("even voxels", 20), ("in skin", 20), ("sharp", 30)])
def test_the_noise_is_found(name, noise):
    """Planted: white noise of this deviation."""
    ct = phantom(name).ct
    assert noise_hu(ct, np.array([[8.0, 0, 0], [-8.0, 0, 0]])) == pytest.approx(noise, rel=0.1)
