"""Metal is named, measured and kept out of the bone; dense cortex is not taken for it.

Phantoms are closed forms blurred by a Gaussian and cut off at 3071 HU as a 12-bit scale does.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from finding_cases import beside_metal, down
from phantoms import CALIBRATION, as_ct, grid_around, placed, points_of, step

from planner.assess import ReadyBone, assess, assess_screws, ready
from planner.near_metal import STREAK_ERROR_HU, in_streaks
from planner.shear_laws import density_sensitivity_ratio
from planner.vocabulary import Plan, ScrewResult
from segmentation.case import read_case, write_case
from segmentation.metal import find_metal, less_certain, without_metal
from segmentation.recipe import segment
from segmentation.vocabulary import CTVolume, Floats

FWHM_MM = 0.8
VOXEL_MM = (0.5, 0.5, 0.6)
STEEL_HU = 8000.0


def scene() -> tuple[CTVolume, Floats]:
    """A block of cancellous bone in a 3 mm cortex of 1900 HU, and a steel pin of radius 2 mm beside it."""
    grid = grid_around((26, 16, 16), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)

    def box(half_mm: float) -> Floats:
        return (
            step(half_mm - np.abs(x + 8), FWHM_MM)
            * step(half_mm - np.abs(y), FWHM_MM)
            * step(half_mm - np.abs(z), FWHM_MM)
        )

    hu = 40 + 1860 * box(10) - 1600 * box(7)
    pin = step(2 - np.hypot(x - 12, y), FWHM_MM) * step(8 - np.abs(z), FWHM_MM)
    return as_ct(grid, np.minimum(hu + STEEL_HU * pin, 3071), noise_hu=25), points_of(grid)


def capped(ct: CTVolume) -> CTVolume:
    return CTVolume(ct.grid, np.minimum(ct.hu, 3071).astype(np.int16), ct.digest)


def test_a_saturated_pin_is_found_with_its_place_and_about_its_volume():
    ct, _ = scene()
    metal = find_metal(capped(ct))
    assert metal is not None
    (pin,) = metal.pieces
    assert pin.what == "metal"
    assert pin.centre_mm == pytest.approx([12, 0, 0], abs=0.2)
    # A cylinder of radius 2 mm and 16 mm (closed form); blooming of less than half a millimetre all round.
    assert np.pi * 1.7**2 * 15.4 < pin.volume_mm3 < np.pi * 2.5**2 * 17
    assert pin.box_ijk is not None
    low, high = ct.grid.ijk_to_mm(pin.box_ijk)
    assert low == pytest.approx([10, -2, -8], abs=0.8)
    assert high == pytest.approx([14, 2, 8], abs=0.8)


def test_metal_does_not_become_bone_and_the_bone_keeps_its_size():
    ct, points = scene()
    bone = segment(ct, threshold_hu=970)
    assert len(bone.fragments) == 1
    # The cortex's half-way level between 40 and 1900: a box of 20 mm (rounded corners take a little).
    assert bone.fragments[0].volume_mm3 == pytest.approx(20**3, rel=0.01)
    assert [removed.what for removed in bone.segmentation.removed if removed.volume_mm3 > 50] == ["metal"]
    assert not bone.labels[points[..., 0] > 6].any()
    assert any("metal was found, a piece of" in note for note in bone.segmentation.notes)
    # The scan itself is kept as it was.
    assert bone.ct.hu.max() >= 3071


def test_without_the_rule_the_pin_would_be_bone():
    """The fault that the rule is there to catch: the same pin just short of metal."""
    ct, points = scene()
    dimmed = CTVolume(ct.grid, np.minimum(ct.hu, 2400).astype(np.int16), "test")
    bone = segment(dimmed, threshold_hu=970)
    assert bone.labels[points[..., 0] > 6].any()


def test_the_level_is_chosen_as_if_there_were_no_metal():
    ct, _ = scene()
    metal = find_metal(ct)
    assert metal is not None
    bare = without_metal(ct, metal, 40)
    assert segment(ct).segmentation.threshold_hu == pytest.approx(
        segment(bare).segmentation.threshold_hu, abs=1
    )


def test_a_pin_within_the_bone_leaves_the_envelope_and_is_named():
    grid = grid_around((16, 16, 16), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    box = [step(10 - np.abs(c), FWHM_MM) for c in (x, y, z)]
    pin = step(1.5 - np.hypot(x, y), FWHM_MM) * step(7 - np.abs(z), FWHM_MM)
    ct = as_ct(grid, np.minimum(40 + 460 * box[0] * box[1] * box[2] + STEEL_HU * pin, 3071))
    bone = segment(ct, threshold_hu=270)
    assert [removed.what for removed in bone.segmentation.removed] == ["metal"]
    assert bone.fragments[0].volume_mm3 == pytest.approx(20**3, rel=0.02)


@pytest.mark.parametrize("noise_hu", [0.0, 60.0, 120.0])
def test_dense_cortex_is_not_metal(noise_hu):
    # Common practice: cortex 900-1900 HU; 2100 with heavy noise is the worst that is met.
    grid = grid_around((20, 20, 20), VOXEL_MM)
    x, y, _ = np.moveaxis(points_of(grid), -1, 0)
    tube = step(14 - np.hypot(x, y), FWHM_MM) - step(7 - np.hypot(x, y), FWHM_MM)
    assert find_metal(as_ct(grid, 40 + 2060 * tube, noise_hu=noise_hu)) is None


def test_overshoot_of_a_sharp_kernel_at_a_cortex_is_not_metal():
    """A third more at the outer 0.6 mm of a dense cortex, as a sharp kernel gives: 2500 to 2800 HU."""
    grid = grid_around((16, 16, 12), VOXEL_MM)
    x, y, _ = np.moveaxis(points_of(grid), -1, 0)
    r = np.hypot(x, y)
    hu = np.where((r < 12) & (r > 8), 2050.0, 40.0) + 650 * ((r > 11.4) & (r < 12))
    assert find_metal(as_ct(grid, hu, noise_hu=40)) is None


def test_less_than_a_few_cubic_millimetres_is_not_metal():
    grid = grid_around((8, 8, 8), VOXEL_MM)
    hu = np.full(grid.shape, 40.0)
    hu[8:11, 8:11, 8:11] = 3071  # 27 voxels of 0.15 mm³ are 4 mm³, 8 are 1.2.
    assert find_metal(as_ct(grid, hu)) is not None
    hu[10, 8:11, 8:11] = hu[8:11, 10, 8:11] = hu[8:11, 8:11, 10] = 40
    assert find_metal(as_ct(grid, hu)) is None


def test_streaks_are_in_the_slices_of_the_metal_and_not_far_from_it():
    ct, points = scene()
    metal = find_metal(ct)
    assert metal is not None
    doubtful = less_certain(ct.grid, metal.pieces, reach_mm=6.0)
    x, y, z = np.moveaxis(points, -1, 0)
    inside = (np.abs(x - 12) < 7.5) & (np.abs(y) < 7.5) & (np.abs(z) < 9.5)
    outside = (np.abs(x - 12) > 9.3) | (np.abs(y) > 9.3) | (np.abs(z) > 11.0)
    assert doubtful[inside].all()
    assert not doubtful[outside].any()


def test_metal_survives_the_case_folder(tmp_path):
    ct, _ = scene()
    bone = segment(ct, threshold_hu=970, calibration_reason="none was asked for")
    write_case(tmp_path / "case", bone)
    back = read_case(tmp_path / "case")
    kept = [removed for removed in back.segmentation.removed if removed.what == "metal"]
    assert len(kept) == 1
    assert kept[0].box_ijk is not None
    wanted = bone.segmentation.removed[0].box_ijk
    assert wanted is not None
    assert kept[0].box_ijk.tolist() == wanted.tolist()


def test_the_bright_rim_of_a_cut_field_of_view_is_not_metal_and_a_pin_in_air_is():
    """Where a body leaves the field of view its rim rises to saturation and ends in blank without a blur."""
    grid = grid_around((16, 16, 8), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    r = np.hypot(x, y)
    rim = np.where(r < 13, 40 + 3031 * np.clip((r - 9) / 3, 0, 1), -1000)
    assert find_metal(as_ct(grid, np.minimum(rim, 3071))) is None
    pin = -1000 + 9000 * step(2 - r, FWHM_MM) * step(5 - np.abs(z), FWHM_MM)
    metal = find_metal(as_ct(grid, np.minimum(pin, 3071)))
    assert metal is not None
    assert len(metal.pieces) == 1


def test_a_screw_through_metal_has_no_density_there_and_is_warned():
    """A plate 3 mm thick lies across the middle of the slab: nothing there is bone to hold a thread."""
    grid = grid_around((17, 17, 13), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    box = step(14 - np.abs(x), FWHM_MM) * step(14 - np.abs(y), FWHM_MM) * step(10 - np.abs(z), FWHM_MM)
    plate = step(1.5 - np.abs(z), FWHM_MM) * step(5 - np.abs(x), FWHM_MM) * step(5 - np.abs(y), FWHM_MM)
    hu = 40 + 360 * box
    entry = np.array([0.0, 0.3, -10.0])
    screw = placed(entry, entry + np.array([0.0, 0.0, 10.0]), "iso5835-ha-3.5", 16)
    for values, in_metal in ((hu, False), (np.minimum(hu + STEEL_HU * plate, 3071), True)):
        bone = segment(as_ct(grid, values), threshold_hu=220, calibration=CALIBRATION)
        result = assess(bone, Plan((screw,))).screws[0]
        (fragment,) = result.fragments
        assert (fragment.mean_density_mg_cm3 is None) == in_metal
        assert (fragment.pullout_n is None) == in_metal
        assert ("near-metal" in [finding.code for finding in result.findings]) == in_metal
        assert result.bone_length_mm == pytest.approx(20, abs=0.1)
    assert "in metal" in result.reasons["fragments.1.mean_hu"]


def test_places_in_streaks_are_the_voxels_that_are_less_certain():
    ct, points = scene()
    metal = find_metal(ct)
    assert metal is not None
    doubtful = less_certain(ct.grid, metal.pieces)
    assert 0 < doubtful.mean() < 1
    # Whole voxels against places: only the last voxel of the reach may be told differently.
    found = in_streaks(ct.grid, metal.pieces, points)
    assert (found == doubtful).all()
    assert not in_streaks(ct.grid, (), points).any()


def without_streaks(bone: ReadyBone) -> ReadyBone:
    """The same bone and grey values, told that no metal is near."""
    whole = bone.prepared.bone
    return ready(replace(whole, segmentation=replace(whole.segmentation, removed=())))


def spread(result: ScrewResult) -> float:
    (fragment,) = result.fragments
    assert fragment.pullout_n is not None
    return np.log(fragment.pullout_n.high / fragment.pullout_n.estimate) / 1.6448536


def test_a_thread_in_streaks_holds_less_surely():
    """Lognormal spreads add in squares, so what streaks add is 100 HU · slope / density · d ln τ / d ln ρ."""
    bone = beside_metal()
    # The pin reaches from −6 to 6 mm, its slices 2 mm farther: all thread of a short screw, seated deep.
    screw = down(-10, 9, seat_depth_mm=3.0)
    near, far = (assess_screws(one, Plan((screw,))).screws[0] for one in (bone, without_streaks(bone)))
    assert near.pullout_n is not None
    assert far.pullout_n is not None
    assert near.pullout_n.estimate == far.pullout_n.estimate
    density = 400 * CALIBRATION.slope_mg_cm3_per_hu
    sensitivity = float(density_sensitivity_ratio(np.array([density]), "bone")[0])
    plain = CALIBRATION.standard_error_fraction
    doubt = np.hypot(plain, STREAK_ERROR_HU * CALIBRATION.slope_mg_cm3_per_hu / density)
    wanted = sensitivity**2 * (doubt**2 - plain**2)
    assert spread(near) ** 2 - spread(far) ** 2 == pytest.approx(wanted, rel=0.05)


def test_a_density_in_streaks_is_less_sure():
    """None of the path lies in streaks, or 16 of its 20 mm: that share of 100 HU joins the line's error."""
    bone = beside_metal()
    ranges = []
    for one in (bone, without_streaks(bone)):
        interval = assess_screws(one, Plan((down(-10, 14),))).screws[0].fragments[0].intervals
        assert interval.mean_density_mg_cm3 is not None
        ranges.append((interval.mean_density_mg_cm3.high - interval.mean_density_mg_cm3.low) / 2 / 1.6448536)
    streak = 16 / 20 * STREAK_ERROR_HU * CALIBRATION.slope_mg_cm3_per_hu
    assert ranges[0] ** 2 - ranges[1] ** 2 == pytest.approx(streak**2, rel=0.1)
    assert ranges[1] == pytest.approx(400 * 0.77 * 0.05, rel=0.02)


@pytest.mark.parametrize(("above_mm", "length_mm", "wanted"), [(0.0, 14.0, 16 / 20), (14.0, 18.0, 4 / 20)])
def test_the_finding_tells_the_share_of_the_path_in_streaks(above_mm, length_mm, wanted):
    """The pin is 12 mm long and its slices reach 2 mm farther; the path is 20 mm, from −10 to 10."""
    result = assess_screws(beside_metal(16.0, above_mm=above_mm), Plan((down(-10, length_mm),))).screws[0]
    (finding,) = [finding for finding in result.findings if finding.code == "near-metal"]
    share = re.search(r"(\d+) % of its path", finding.message)
    assert share is not None
    assert float(share[1]) / 100 == pytest.approx(wanted, abs=0.05)
