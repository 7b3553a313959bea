"""Every public edge case has an outcome: it loads, loads with a named warning, or is refused by name.

The files lie beside the repository and are not part of it. Single images are made a stack first: three of
them, 1 mm apart along their normal, the pixels untouched; as they are, each is refused for being alone.
Source of what each case is: the README of that collection; of the pixels: the uncompressed originals in it,
unpacked with zstd and read with pydicom, whose SHA-256 stands here.
"""

from __future__ import annotations

import hashlib
import shutil
import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
from dicom_making import refusal

from segmentation.ct import load_ct

EDGE_CASES = Path(__file__).resolve().parents[2] / "shared" / "data" / "dicom_edge_cases"
LOADS = ""
BIG_ENDIAN = "GH177_D_CLUNIE_CT1_IVRLE_BigEndian_ELE_undefinded_length.dcm"
LOSSY = "were compressed with loss"

SERIES = {
    "series_gantrytilting_001": ("loads", "tilted by 14.0° (gantry tilt)"),
    "series_notavolume_001": ("refused", "all its images at one position"),
    "series_sliceincrement_001": ("refused", "a gap of 10 mm between images 3 and 4 by position where 5 mm"),
    "series_sliceincrement_002": ("refused", "misses slices: a gap of 1.5 mm between images 3 and 4"),
    "transfer_syntaxes": ("refused", "series, and none can be loaded"),
    "odd_headers": ("refused", "series, and none can be loaded"),
}

FILES = {
    "odd_headers": {
        "693_J2KI.dcm": ("loads", LOSSY),
        "693_J2KR.dcm": ("loads", LOADS),
        "693_UNCI.dcm": ("loads", LOSSY),
        "693_UNCR.dcm": ("loads", LOADS),
        "CT-MONO2-16-ankle": ("refused", "only 3 Secondary Capture Images"),
        "CT_small.dcm": ("loads", LOADS),
        "D_CLUNIE_CT1_RLE_FRAGS.dcm": ("loads", LOADS),
        "GH1308.dcm": ("loads", "5.5° from the axial plane"),
        "GH1376.dcm": ("refused", "is rescaled to US, not to HU"),
        "GH1728.dcm": ("refused", "only 3 Secondary Capture Images"),
        BIG_ENDIAN: ("loads", LOADS),
        "GH178.dcm": ("refused", "only 3 Secondary Capture Images"),
        "GH179A.dcm": ("refused", "only 3 Secondary Capture Images"),
        "GH179B.dcm": ("refused", "only 3 Secondary Capture Images"),
        "GH342.dcm": ("refused", "only 3 CT localisers"),
        "IM-0001-0001-0001.dcm": ("loads", LOADS),
        "bad_sequence.dcm": ("loads", LOADS),
        # A map of blood flow, in no HU: a reader that takes it for CT is wrong.
        "eCT_Supplemental.dcm": ("refused", "frame 1 of file 1 of 3 (by name) in"),
        "explicit_VR-UN.dcm": ("loads", LOADS),
    },
    "transfer_syntaxes": {
        **{f"CT{n}_{how}": ("loads", LOADS) for n in (1, 2) for how in ("J2KR", "JLSL", "JPLL", "RLE")},
        **{f"CT{n}_{how}": ("loads", LOSSY) for n in (1, 2) for how in ("J2KI", "JLSN")},
        **{f"CT{n}_UNC.zst": ("refused", "only 3 non-DICOM files") for n in (1, 2)},
    },
}

ORIGINAL = {
    "CT1": ("1add6ede2975", -1024, -3024, 1254),
    "CT2": ("ddaf7fb6a05b", 0, -2048, 1433),
}
"""SHA-256 of the stored values (int16, little-endian), the intercept, and darkest and brightest HU."""

UNCOMPRESSED_TWIN = {"693_J2KI.dcm": "693_UNCI.dcm", "693_J2KR.dcm": "693_UNCR.dcm"}


@pytest.fixture(scope="module", autouse=True)
def _edge_cases_are_there():
    if not EDGE_CASES.is_dir():
        pytest.skip("the public edge cases are not beside this repository")


def as_stack(path, folder):
    """Three of the image, 1 mm apart along its normal; three plain copies where it has no place."""
    with warnings.catch_warnings(), pydicom.config.disable_value_validation():
        warnings.simplefilter("ignore")
        for k in range(3):
            try:
                header = pydicom.dcmread(path)
                row, column = np.array(header.ImageOrientationPatient, float).reshape(2, 3)
                place_mm = np.array(header.ImagePositionPatient, float) + k * np.cross(row, column)
                header.ImagePositionPatient = [float(f"{coordinate:.8g}") for coordinate in place_mm]
                header.save_as(folder / str(k))
            except (AttributeError, TypeError, pydicom.errors.InvalidDicomError):
                shutil.copy(path, folder / str(k))
    return folder


def check(folder, outcome, word):
    if outcome == "refused":
        assert word in refusal(folder)
        return None
    ct = load_ct(folder)
    told = " ".join(ct.notes)
    assert word in told
    assert bool(ct.notes) == bool(word)
    return ct


def test_every_file_of_the_collection_has_an_outcome():
    there = {path.name for path in EDGE_CASES.iterdir() if path.name != "README.md"}
    assert there == set(SERIES)
    for folder, outcomes in FILES.items():
        assert {path.name for path in (EDGE_CASES / folder).iterdir()} == set(outcomes)


@pytest.mark.parametrize("name", SERIES)
def test_each_series_has_its_outcome(name):
    check(EDGE_CASES / name, *SERIES[name])


@pytest.mark.parametrize(("folder", "name"), [(f, name) for f, names in FILES.items() for name in names])
def test_each_file_as_a_stack_has_its_outcome(tmp_path, folder, name):
    check(as_stack(EDGE_CASES / folder / name, tmp_path), *FILES[folder][name])


@pytest.mark.parametrize(("folder", "name"), [(f, name) for f, names in FILES.items() for name in names])
def test_each_file_alone_is_refused(folder, name):
    outcome, word = FILES[folder][name]
    told = refusal(EDGE_CASES / folder / name)
    if outcome == "loads":
        assert "1 CT image of a series; at least 3 are needed" in told
    elif name.endswith(".zst"):
        assert "is compressed with zstd, which is not read" in told
    elif "only 3" in word:
        # "only 3 Secondary Capture Images" of three copies is "only 1 Secondary Capture Image" of one.
        assert word.replace("only 3", "only 1").rstrip("s") in told
    else:
        assert "is rescaled to US, not to HU" in told


@pytest.mark.parametrize("how", ["J2KR", "JLSL", "JPLL", "RLE"])
@pytest.mark.parametrize("scan", ORIGINAL)
def test_lossless_variants_are_the_original_voxel_for_voxel(tmp_path, scan, how):
    digest, intercept, darkest_hu, brightest_hu = ORIGINAL[scan]
    ct = load_ct(as_stack(EDGE_CASES / "transfer_syntaxes" / f"{scan}_{how}", tmp_path))
    assert (ct.hu.min(), ct.hu.max()) == (darkest_hu, brightest_hu)
    for k in range(3):
        stored = np.ascontiguousarray(ct.hu[:, :, k].T - intercept).astype("<i2")
        assert hashlib.sha256(stored).hexdigest()[:12] == digest


@pytest.mark.parametrize("name", ["D_CLUNIE_CT1_RLE_FRAGS.dcm", BIG_ENDIAN])
def test_odd_copies_of_ct1_hold_its_pixels(tmp_path, name):
    ct = load_ct(as_stack(EDGE_CASES / "odd_headers" / name, tmp_path))
    stored = np.ascontiguousarray(ct.hu[:, :, 0].T + 1024).astype("<i2")
    assert hashlib.sha256(stored).hexdigest()[:12] == ORIGINAL["CT1"][0]


@pytest.mark.parametrize(("scan", "how", "most_hu"), [("CT1", "JLSN", 10), ("CT2", "JLSN", 10)])
def test_near_lossless_stays_near(tmp_path, scan, how, most_hu):
    """published: ISO/IEC 14495-1, each sample is off by NEAR at most; the samples' own NEAR is read here."""
    path = EDGE_CASES / "transfer_syntaxes" / f"{scan}_{how}"
    content = path.read_bytes()
    # published: ISO/IEC 14495-1 C.2.3, start of scan FF DA, length 8, one component, its two bytes, NEAR.
    near = content[content.index(b"\xff\xda\x00\x08\x01") + 7]
    assert 0 < near <= most_hu
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    lossy = load_ct(as_stack(path, tmp_path / "a")).hu.astype(int)
    true = load_ct(as_stack(EDGE_CASES / "transfer_syntaxes" / f"{scan}_JLSL", tmp_path / "b")).hu.astype(int)
    assert np.abs(lossy - true).max() == near


@pytest.mark.parametrize("name", UNCOMPRESSED_TWIN)
def test_jpeg_2000_that_contradicts_its_header_equals_its_twin(tmp_path, name):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    packed = load_ct(as_stack(EDGE_CASES / "odd_headers" / name, tmp_path / "a"))
    bare = load_ct(as_stack(EDGE_CASES / "odd_headers" / UNCOMPRESSED_TWIN[name], tmp_path / "b"))
    np.testing.assert_array_equal(packed.hu, bare.hu)


@pytest.mark.parametrize("name", ["CT_small.dcm", "GH1308.dcm", "bad_sequence.dcm", "explicit_VR-UN.dcm"])
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_odd_headers_load_the_values_pydicom_reads(tmp_path, name):
    header = pydicom.dcmread(EDGE_CASES / "odd_headers" / name)
    expected = header.pixel_array * float(header.RescaleSlope) + float(header.RescaleIntercept)
    ct = load_ct(as_stack(EDGE_CASES / "odd_headers" / name, tmp_path))
    np.testing.assert_array_equal(ct.hu[:, :, 1].T, expected)


def test_the_bundled_dicom_files_never_end_in_a_traceback(tmp_path):
    """Every file that pydicom brings along, each alone: it loads or is refused in one sentence."""
    folder = Path(pydicom.__file__).parent / "data" / "test_files"
    outcomes = {"loads": 0, "refused": 0}
    for number, path in enumerate(sorted(p for p in folder.rglob("*") if p.is_file())):
        own = tmp_path / str(number)
        own.mkdir()
        shutil.copy(path, own / "a")
        try:
            load_ct(own)
            outcomes["loads"] += 1
        except ValueError as error:
            assert type(error).__name__ == "InputError", path.name  # noqa: PT017
            outcomes["refused"] += 1
    assert outcomes["refused"] > 50
