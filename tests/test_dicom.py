"""Checks that a DICOM series lies where its header says and that nothing but a plain series is read.

Where a voxel lies is judged by the closed form of DICOM PS3.3, equation C.7.6.2.1-1, worked out here for
single voxels; values are judged by pydicom's own pixel_array, the reference library of the format.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import pytest
from dicom_making import SECONDARY_CAPTURE, STRUCTURES, ct_values, refusal, write_series, write_slice
from scipy.spatial.transform import Rotation

from segmentation.ct import load_ct

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


def oblique(angles_degree):
    matrix = Rotation.from_euler("xyz", angles_degree, degrees=True).as_matrix()
    return tuple(matrix[:, 0]) + tuple(matrix[:, 1]), matrix[:, 2]


# --- place ---


@pytest.mark.parametrize(
    "angles_degree", [(0, 0, 0), (20, -35, 50), (90, 0, 0), (0, 90, 0), (180, 0, 0), (0, 180, 0), (5, 0, 0)]
)
def test_every_voxel_lies_where_its_own_header_says(tmp_path, angles_degree):
    orientation, normal = oblique(angles_degree)
    values = ct_values()
    for k in range(6):
        position = np.array([12.0, -30.0, 77.0]) + normal * 1.25 * k
        write_slice(tmp_path / f"{(k * 5 + 3) % 7}.dcm", values[k], tuple(position), orientation=orientation)
    ct = load_ct(tmp_path)
    assert ct.hu.shape == (4, 5, 6)
    for path in tmp_path.iterdir():
        header = pydicom.dcmread(path)
        along_row, along_column = np.array(header.ImageOrientationPatient, float).reshape(2, 3)
        between_rows_mm, between_columns_mm = header.PixelSpacing
        for row, column in [(0, 0), (4, 0), (0, 3), (2, 1)]:
            # published: PS3.3 equation C.7.6.2.1-1, in LPS; RAS+ turns the first two axes round.
            lps_mm = np.array(header.ImagePositionPatient, float)
            lps_mm += along_row * between_columns_mm * column + along_column * between_rows_mm * row
            found = ct.grid.mm_to_ijk(lps_mm[None] * [-1, -1, 1])[0]
            np.testing.assert_allclose(found, np.rint(found), atol=1e-5)
            assert ct.hu[tuple(np.rint(found).astype(int))] == header.pixel_array[row, column]


def test_slices_that_are_not_axial_are_told(tmp_path):
    orientation, normal = oblique((90, 0, 0))
    for k in range(4):
        write_slice(tmp_path / f"{k}.dcm", ct_values()[k], tuple(normal * k), orientation=orientation)
    assert any("90.0° from the axial plane" in note for note in load_ct(tmp_path).notes)


def test_order_comes_from_positions_not_from_names_or_numbers(tmp_path):
    write_series(tmp_path, ct_values())
    ct = load_ct(tmp_path)
    np.testing.assert_array_equal(ct.hu, ct_values().transpose(2, 1, 0))
    np.testing.assert_allclose(ct.grid.spacing_mm, (0.4, 0.5, 1.0))
    assert ct.tube_voltage_kv == 120
    assert ct.notes == ()


def test_gaps_that_differ_by_rounding_are_even(tmp_path):
    rng = np.random.default_rng(0)
    for k in range(6):
        write_slice(tmp_path / f"{k}.dcm", ct_values()[k], (0, 0, k * 3.27 + rng.uniform(-1e-9, 1e-9)))
    np.testing.assert_allclose(load_ct(tmp_path).grid.spacing_mm[2], 3.27, atol=1e-8)


def test_numbers_longer_than_the_standard_allows_are_read_silently(tmp_path):
    def long_numbers(header):
        header.SliceThickness = "3.26999999999998765"

    write_series(tmp_path, ct_values(), step_mm=3.27, change=long_numbers)
    assert load_ct(tmp_path).notes == ()


def test_slices_thinner_than_their_distance_are_told(tmp_path):
    write_series(tmp_path, ct_values(), step_mm=1.5)
    assert "what is between them was not imaged" in load_ct(tmp_path).notes[0]


# --- values ---


def rescaled(slope, intercept):
    def change(header):
        header.RescaleSlope, header.RescaleIntercept = slope, intercept

    return change


@pytest.mark.parametrize(
    ("dtype", "slope", "intercept", "kept"),
    [
        (np.int16, 1, 0, np.int16),
        (np.uint16, 1, -1024, np.int16),
        (np.uint16, 1, -1000, np.int16),
        (np.int16, 2, 100, np.int16),
        (np.uint16, 0.5, -10.25, np.float32),
        (np.uint16, 40, 0, np.float32),
    ],
)
@pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"])
def test_values_are_pydicoms_times_slope_plus_intercept(tmp_path, dtype, slope, intercept, kept, syntax):
    write_series(tmp_path, ct_values(dtype), syntax=syntax, change=rescaled(slope, intercept))
    ct = load_ct(tmp_path)
    assert ct.hu.dtype == kept
    for path in tmp_path.iterdir():
        header = pydicom.dcmread(path)
        k = round(float(header.ImagePositionPatient[2]))
        np.testing.assert_allclose(ct.hu[:, :, k].T, header.pixel_array * float(slope) + intercept)


@pytest.mark.parametrize(("dtype", "bits"), [(np.uint16, 12), (np.int16, 12), (np.int16, 14)])
def test_fewer_stored_bits_keep_their_sign(tmp_path, dtype, bits):
    def change(header):
        header.BitsStored, header.HighBit = bits, bits - 1

    write_series(tmp_path, ct_values(dtype), change=change)
    np.testing.assert_array_equal(load_ct(tmp_path).hu, ct_values(dtype).transpose(2, 1, 0))


def padded_with(tag_vr, tag_value, slope=1, intercept=0, limit=None):
    def change(header):
        header.add_new("PixelPaddingValue", tag_vr, tag_value)
        if limit is not None:
            header.add_new("PixelPaddingRangeLimit", tag_vr, limit)
        header.RescaleSlope, header.RescaleIntercept = slope, intercept

    return change


def test_padding_that_passes_for_air_becomes_no_data(tmp_path):
    values = ct_values(np.uint16) + 24
    values[:, 0] = 0
    write_series(tmp_path, values, change=padded_with("US", 0, intercept=-1024))
    ct = load_ct(tmp_path)
    assert (ct.hu[:, 0] < -1024).all()
    assert (ct.hu[:, 1:] >= -1000).all()
    assert ct.notes[-1].startswith("24 voxels hold the header's padding value (0)")


def test_padding_below_air_is_no_data_as_it_is(tmp_path):
    # Source: the public sample CT1 has -2000 stored and -3024 HU; the tag is unsigned there, the pixels
    # signed.
    values = ct_values()
    values[:, 0] = -2000
    write_series(tmp_path, values, change=padded_with("US", 63536, intercept=-1024))
    assert (load_ct(tmp_path).hu[:, 0] == -3024).all()


def test_a_range_of_padding_is_no_data(tmp_path):
    # published: PS3.3 C.7.5.1.1.2, all values from the padding value to the range limit are padding.
    values = ct_values()
    values[:, 0], values[:, 1] = -5, -3
    write_series(tmp_path, values, change=padded_with("SS", -5, limit=-3))
    assert (load_ct(tmp_path).hu[:, :2] < -1024).all()


def test_stored_padding_may_need_more_bits_than_tissue(tmp_path):
    def change(header):
        padded_with("US", 63536, intercept=-1024)(header)
        header.BitsStored, header.HighBit = 12, 11

    values = ct_values(np.uint16)
    values[:, 0] = 63536
    write_series(tmp_path, values, change=change)
    ct = load_ct(tmp_path)
    assert (ct.hu[:, 0] < -1024).all()
    assert ct.hu.max() == 1190 - 1024


def test_tube_voltage_that_changes_is_unknown_and_told(tmp_path):
    write_series(tmp_path, ct_values())
    path = next(tmp_path.iterdir())
    header = pydicom.dcmread(path)
    header.KVP = 80
    header.save_as(path)
    ct = load_ct(tmp_path)
    assert ct.tube_voltage_kv is None
    assert "tube voltage changes" in ct.notes[0]


def test_missing_tube_voltage_is_unknown(tmp_path):
    def change(header):
        del header.KVP

    write_series(tmp_path, ct_values(), change=change)
    assert load_ct(tmp_path).tube_voltage_kv is None


# --- who the patient is ---


def test_nothing_about_the_patient_comes_out(tmp_path):
    write_series(tmp_path, ct_values())
    write_slice(tmp_path / "Sorrel_Quince.dcm", ct_values()[0], (0, 0, 0), sop_class=SECONDARY_CAPTURE)
    ct = load_ct(tmp_path)
    told = repr(ct) + " ".join(ct.notes) + ct.digest
    assert "orrel" not in told
    assert "uince" not in told


def test_digest_is_of_the_scan_not_of_names_or_patient(tmp_path):
    def someone_else(header):
        header.PatientName = "Other^Person"

    write_series(tmp_path / "a", ct_values())
    write_series(tmp_path / "b", ct_values(), change=someone_else)
    for path in list((tmp_path / "b").iterdir()):
        path.rename(path.with_name(f"x{path.stem[::-1]}"))
    write_series(tmp_path / "c", ct_values() + 1)
    write_series(tmp_path / "d", ct_values(), step_mm=1.01)
    a, b, c, d = (load_ct(tmp_path / name).digest for name in "abcd")
    assert a == b
    assert len({a, c, d}) == 3


# --- what lies beside the series ---


def test_other_objects_are_left_out_and_told(tmp_path):
    def localiser(header):
        header.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
        header.SeriesInstanceUID = "1.2.3"

    write_series(tmp_path, ct_values())
    write_slice(tmp_path / "rs.dcm", ct_values()[0], (0, 0, 0), sop_class=STRUCTURES)
    write_slice(tmp_path / "scout.dcm", ct_values()[0], (0, 0, 9), change=localiser)
    (tmp_path / "notes.txt").write_text("read me")
    (tmp_path / "short").write_bytes(b"")
    ct = load_ct(tmp_path)
    np.testing.assert_array_equal(ct.hu, ct_values().transpose(2, 1, 0))
    assert ct.notes[0] == (
        "Left out beside the series: 1 CT localiser, 1 RT Structure Set, 2 non-DICOM files."
    )


def test_a_series_in_a_folder_below_is_found(tmp_path):
    write_series(tmp_path / "study", ct_values())
    assert load_ct(tmp_path).hu.shape == (4, 5, 6)


def test_two_series_are_refused_and_listed(tmp_path):
    def other(header):
        header.SeriesInstanceUID = "1.2.3"

    write_series(tmp_path / "a", ct_values())
    write_series(tmp_path / "b", ct_values()[:4], change=other)
    told = refusal(tmp_path)
    assert "holds 2 series (1: 6 CT images of 4×5, axial, 0.4×0.5 mm, 1 mm thick, 120 kV; 2: 4 CT" in told
    assert "choose one with --series" in told
    assert load_ct(tmp_path, series=1).hu.shape == (4, 5, 6)
    assert load_ct(tmp_path, series=2).hu.shape == (4, 5, 4)


# --- real scans ---


@pytest.mark.parametrize(
    ("name", "shape"),
    # Source: the README beside each series.
    [
        ("sts_001_hip", (198, 202, 59)),
        ("sts_005_arm_fov_cut", (162, 199, 79)),
        ("sts_008_shoulder", (141, 137, 51)),
        ("sts_010_knee_tibia", (185, 164, 59)),
    ],
)
@pytest.mark.filterwarnings(
    "ignore::UserWarning:pydicom"
)  # the judge below warns of long numbers; the reader may not
def test_real_series_load_where_pydicom_puts_them(name, shape):
    if not (DATA / name).is_dir():
        pytest.skip("the real CT series are not beside this repository")
    ct = load_ct(DATA / name)
    assert ct.hu.shape == shape
    assert ct.hu.dtype == np.int16
    assert ct.tube_voltage_kv == 140
    np.testing.assert_allclose(ct.grid.spacing_mm, (0.976562, 0.976562, 3.27), atol=1e-6)
    for path in sorted((DATA / name).rglob("*.dcm"))[::10]:
        header = pydicom.dcmread(path)
        first_mm = np.array(header.ImagePositionPatient, float) * [-1, -1, 1]
        i, j, k = ct.grid.mm_to_ijk(first_mm[None])[0]
        np.testing.assert_allclose((i, j, k), (0, 0, round(k)), atol=1e-6)
        np.testing.assert_array_equal(ct.hu[:, :, round(k)].T, header.pixel_array)
