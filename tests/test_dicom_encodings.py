"""Checks every way pixels and files are packed: compressed, deflated, multi-frame, zip, DICOMDIR.

What goes in is known voxel for voxel; what is packed badly must be refused by name.
"""

from __future__ import annotations

import gc
import struct
import tracemalloc
import warnings
import zipfile

import numpy as np
import pydicom
import pytest
from dicom_making import (
    STRUCTURES,
    compress,
    ct_values,
    refusal,
    setting,
    write_enhanced,
    write_series,
    write_slice,
)
from pydicom.encaps import encapsulate, generate_frames
from pydicom.fileset import FileSet
from pydicom.uid import SegmentationStorage

from segmentation.ct import load_ct
from segmentation.errors import InputError

LOSSLESS = {
    "1.2.840.10008.1.2.4.57": "JPEG lossless, process 14",
    "1.2.840.10008.1.2.4.70": "JPEG lossless, process 14, selection value 1",
    "1.2.840.10008.1.2.4.80": "JPEG-LS",
    "1.2.840.10008.1.2.4.90": "JPEG 2000",
    "1.2.840.10008.1.2.5": "RLE",
}


def texture(dtype, bits):
    """(slices, rows, columns) over the whole range of the bits, with edges."""
    low = -(1 << bits - 1) if dtype == np.int16 else 0
    values = np.random.default_rng(bits).integers(low, low + (1 << bits), (4, 21, 34))
    values[:, 5:9, 3:30] = low + 7
    return values.astype(dtype)


@pytest.mark.parametrize("syntax", LOSSLESS, ids=LOSSLESS.get)
@pytest.mark.parametrize(
    ("dtype", "bits"), [(np.uint16, 12), (np.uint16, 16), (np.int16, 12), (np.int16, 16)]
)
def test_lossless_compression_changes_no_voxel(tmp_path, syntax, dtype, bits):
    values = texture(dtype, bits)
    write_series(tmp_path, values, change=setting(BitsStored=bits, HighBit=bits - 1, RescaleIntercept=-1024))
    plain = load_ct(tmp_path)
    compress(tmp_path, syntax)
    assert {pydicom.dcmread(p).file_meta.TransferSyntaxUID for p in tmp_path.iterdir()} == {syntax}
    packed = load_ct(tmp_path)
    np.testing.assert_array_equal(packed.hu, values.transpose(2, 1, 0).astype(int) - 1024)
    assert packed.digest == plain.digest
    assert packed.notes == plain.notes


@pytest.mark.parametrize("syntax", LOSSLESS, ids=LOSSLESS.get)
def test_compressed_pixels_cut_anywhere_are_refused(tmp_path, syntax):
    write_series(tmp_path, texture(np.uint16, 12), change=setting(BitsStored=12, HighBit=11))
    compress(tmp_path, syntax)
    path = sorted(tmp_path.iterdir())[1]
    whole = path.read_bytes()
    for length in range(len(whole) - 900, len(whole), 61):
        path.write_bytes(whole[:length])
        refusal(tmp_path)
    path.write_bytes(whole[:-1])
    assert "is cut off: its compressed pixel data" in refusal(tmp_path)


@pytest.mark.parametrize("syntax", [s for s in LOSSLESS if s != "1.2.840.10008.1.2.5"], ids=LOSSLESS.get)
def test_a_codestream_cut_short_and_packed_well_is_refused(tmp_path, syntax):
    write_series(tmp_path, texture(np.uint16, 12), change=setting(BitsStored=12, HighBit=11))
    compress(tmp_path, syntax)
    path = sorted(tmp_path.iterdir())[1]
    header = pydicom.dcmread(path)
    whole = next(generate_frames(header.PixelData, number_of_frames=1))
    for share in (0.1, 0.5, 0.8, 0.97):
        header.PixelData = encapsulate([whole[: int(share * len(whole)) // 2 * 2]])
        header["PixelData"].is_undefined_length = True
        header.save_as(path)
        assert "cannot be decoded" in refusal(tmp_path)


def test_noise_in_compressed_pixels_never_ends_in_a_traceback(tmp_path):
    """Either outcome is right, as noise within a codestream need not show; the program must live."""
    rng = np.random.default_rng(8)
    for syntax in LOSSLESS:
        folder = tmp_path / syntax
        write_series(folder, texture(np.uint16, 12), change=setting(BitsStored=12, HighBit=11))
        compress(folder, syntax)
        path = sorted(folder.iterdir())[1]
        whole = path.read_bytes()
        for _ in range(60):
            noisy = bytearray(whole)
            for position in rng.integers(700, len(whole) - 8, 4):
                noisy[position] = rng.integers(256)
            path.write_bytes(noisy)
            try:
                load_ct(folder)
            except InputError as error:
                assert "\n" not in str(error)  # noqa: PT017


def test_memory_is_little_more_than_the_volume(tmp_path):
    """Bar: 1.5 volumes at most, whatever the packing; beside 60 slices of 256×256 the rest is small."""
    values = np.random.default_rng(4).integers(0, 2000, (60, 256, 256)).astype(np.uint16)
    write_series(tmp_path, values, change=setting(RescaleIntercept=-1024))
    for syntax in (None, "1.2.840.10008.1.2.4.70", "1.2.840.10008.1.2.4.80"):
        if syntax:
            compress(tmp_path, syntax)
        load_ct(tmp_path)
        tracemalloc.start()
        ct = load_ct(tmp_path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 1.5 * ct.hu.nbytes


def test_compressed_multi_frame_is_read_frame_by_frame(tmp_path):
    values = np.random.default_rng(5).integers(0, 4096, (7, 9, 8)).astype(np.uint16)
    write_enhanced(tmp_path / "a", values)
    header = pydicom.dcmread(tmp_path / "a")
    header.compress("1.2.840.10008.1.2.5", encoding_plugin="pydicom")
    header.save_as(tmp_path / "a")
    np.testing.assert_array_equal(load_ct(tmp_path / "a").hu, in_place(values) - 1024)


def in_place(values):
    """Frames of ``write_enhanced`` by position: frame k lies at 5 k modulo 7."""
    order = np.argsort([k * 5 % 7 for k in range(len(values))])
    return values[order].transpose(2, 1, 0).astype(int)


@pytest.mark.parametrize("as_file", [True, False])
def test_enhanced_ct_takes_place_and_rescale_from_its_groups(tmp_path, as_file):
    values = texture(np.uint16, 11)[:1].repeat(7, axis=0) + np.arange(7, dtype=np.uint16)[:, None, None]
    write_enhanced(tmp_path / "all", values)
    ct = load_ct(tmp_path / "all" if as_file else tmp_path)
    np.testing.assert_array_equal(ct.hu, in_place(values) - 1024)
    np.testing.assert_allclose(ct.grid.spacing_mm, (0.4, 0.5, 1.0))
    np.testing.assert_allclose(ct.grid.affine[:3, 3], (10, 20, 0))
    assert ct.tube_voltage_kv == 110


def test_a_frames_own_rescale_comes_before_the_shared_one(tmp_path):
    values = texture(np.uint16, 10)[:1].repeat(7, axis=0)
    rescales = [(1.0 + k, -1000.0 - k) for k in range(7)]
    write_enhanced(tmp_path / "all", values, frame_rescales=rescales)
    ct = load_ct(tmp_path)
    for k, (slope, intercept) in enumerate(rescales):
        np.testing.assert_array_equal(ct.hu[:, :, k * 5 % 7], values[k].T * slope + intercept)
    assert any("7 different rescales" in note for note in ct.notes)


def test_enhanced_ct_without_rescale_in_any_group_is_refused(tmp_path):
    write_enhanced(tmp_path / "all", texture(np.uint16, 10), shared_rescale=None)
    assert "frame 1 of" in (told := refusal(tmp_path))
    assert "no rescale slope" in told


def test_localiser_frames_are_left_out(tmp_path):
    values = texture(np.uint16, 10)[:1].repeat(7, axis=0)
    # Frames 0, 3, 6 and so on lie at 0, 1, 2: the last one is the scout here.
    write_enhanced(tmp_path / "all", values, frame_types=["AXIAL"] * 4 + ["LOCALIZER"] + ["AXIAL"] * 2)
    ct = load_ct(tmp_path)
    assert ct.hu.shape[2] == 6
    assert ct.notes[0] == "Left out beside the series: 1 CT localiser."


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (setting(NumberOfFrames=5), "is a multi-frame CT of 5 and says of 4"),
        (setting(PerFrameFunctionalGroupsSequence=None), "says of 0 where they lie"),
        (setting(NumberOfFrames=999999), "says it holds 999999 frames"),
        (setting(Rows=40), "is cut off"),
    ],
)
def test_multi_frame_headers_that_lie_are_refused(tmp_path, change, word):
    write_enhanced(tmp_path / "all", texture(np.uint16, 10), change=change)
    assert word in refusal(tmp_path)


def test_noise_in_functional_groups_never_ends_in_a_traceback(tmp_path):
    write_enhanced(tmp_path / "all", np.ones((7, 5, 4), np.uint16))
    whole = (tmp_path / "all").read_bytes()
    rng = np.random.default_rng(12)
    for _ in range(150):
        noisy = bytearray(whole)
        for position in rng.integers(132, len(whole) - 280, 3):
            noisy[position] = rng.integers(256)
        (tmp_path / "all").write_bytes(noisy)
        try:
            load_ct(tmp_path)
        except InputError as error:
            assert "\n" not in str(error)  # noqa: PT017 - either outcome is right, a traceback is not


def deflate(folder):
    for path in folder.iterdir():
        header = pydicom.dcmread(path)
        header.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1.99"
        header.save_as(path)


def test_deflated_files_are_inflated(tmp_path):
    write_series(tmp_path, ct_values())
    deflate(tmp_path)
    np.testing.assert_array_equal(load_ct(tmp_path).hu, ct_values().transpose(2, 1, 0))


def test_a_deflated_file_cut_anywhere_is_refused(tmp_path):
    write_series(tmp_path, ct_values())
    deflate(tmp_path)
    path = sorted(tmp_path.iterdir())[2]
    whole = path.read_bytes()
    # The last two bytes are the end mark of the deflated stream and padding: nothing of the scan.
    for length in range(140, len(whole) - 20, 13):
        path.write_bytes(whole[:length])
        refusal(tmp_path)


def test_a_deflated_bomb_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("segmentation.dicom_elements.MOST_INFLATED_BYTES", 300)
    write_series(tmp_path, ct_values())
    deflate(tmp_path)
    assert "damaged DICOM file" in refusal(tmp_path)


def test_structures_and_segmentations_beside_the_scan_are_left_out(tmp_path):
    write_series(tmp_path, ct_values())
    write_slice(tmp_path / "rs", ct_values()[0], (0, 0, 0), sop_class=STRUCTURES)
    write_slice(tmp_path / "seg", ct_values()[0], (0, 0, 0), sop_class=SegmentationStorage)
    ct = load_ct(tmp_path)
    assert ct.notes == ("Left out beside the series: 1 RT Structure Set, 1 Segmentation.",)


# --- zip ---


def zipped(tmp_path, rename=str, **options):
    write_series(tmp_path / "series", ct_values())
    path = tmp_path / "scan.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, **options) as archive:
        for file in sorted((tmp_path / "series").iterdir()):
            archive.writestr(zipfile.ZipInfo(rename(file.name)), file.read_bytes())
    return path


def test_a_zip_of_a_folder_is_the_folder(tmp_path):
    path = zipped(tmp_path, lambda name: f"Sorrel Quince/{name}")
    path = path.rename(tmp_path / "no-ending")
    ct = load_ct(path)
    assert ct.digest == load_ct(tmp_path / "series").digest
    assert ct.notes == ()


def test_unpacked_files_are_gone_afterwards(tmp_path, monkeypatch):
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    load_ct(zipped(tmp_path))
    assert not list((tmp_path / "temporary").iterdir())


@pytest.mark.parametrize("name", ["../outside", "/outside", "a/../../outside", "C:\\outside", "..\\outside"])
def test_a_zip_that_points_outside_is_refused_and_writes_nothing(tmp_path, name):
    path = zipped(tmp_path, lambda own: name if own == "100.dcm" else own)
    assert "points out of the zip file" in refusal(path)
    assert not (tmp_path.parent / "outside").exists()


def test_a_zip_bomb_is_refused_unopened(tmp_path):
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros", bytes(1 << 27))
    assert "would unpack to 128 MiB from 0.1, as no scan does" in refusal(path)


def test_a_zip_that_lies_about_its_size_is_refused(tmp_path):
    path = tmp_path / "lie.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros", bytes(1 << 22))
    content = bytearray(path.read_bytes())
    # published: APPNOTE 4.3.12 and 4.3.7, the uncompressed size stands 24 (22) bytes into each header.
    for mark, offset in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        struct.pack_into("<I", content, content.rindex(mark) + offset, 1000)
    path.write_bytes(content)
    assert "zip file" in refusal(path)


def test_damaged_and_locked_zips_are_refused(tmp_path):
    path = zipped(tmp_path)
    content = bytearray(path.read_bytes())
    content[content.rindex(b"PK\x01\x02") + 8] |= 1  # published: APPNOTE 4.4.4, bit 0 is encryption
    (tmp_path / "locked.zip").write_bytes(content)
    assert "locked with a password" in refusal(tmp_path / "locked.zip")
    content = bytearray(path.read_bytes())
    content[200:260] = bytes(60)
    (tmp_path / "damaged.zip").write_bytes(content)
    assert "damaged or unusual zip file" in refusal(tmp_path / "damaged.zip")


# --- DICOMDIR ---


@pytest.fixture
def disc(tmp_path):
    """A disc's folder with a DICOMDIR, made by pydicom."""
    write_series(tmp_path / "series", ct_values())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        files = FileSet()
        for path in sorted((tmp_path / "series").iterdir()):
            header = pydicom.dcmread(path)
            header.StudyInstanceUID, header.StudyDate, header.StudyTime = "1.2.3.4", "20260101", "120000"
            header.StudyID, header.SeriesNumber, header.InstanceNumber = "1", 1, 1
            files.add(header)
        files.write(tmp_path / "disc")
        # pydicom leaves its temporary folder to the garbage collector, which warns of it.
        del files, header
        gc.collect()
    return tmp_path / "disc"


def test_a_dicomdir_leads_to_its_series(disc):
    (disc / "stray.dcm").write_bytes(next((disc.parent / "series").iterdir()).read_bytes())
    for path in (disc / "DICOMDIR", disc):
        ct = load_ct(path)
        np.testing.assert_array_equal(ct.hu, ct_values().transpose(2, 1, 0))
    # Given as a folder, the stray copy is seen and the index is one of the things beside the series.
    assert "1 image is a copy" in " ".join(ct.notes)
    assert "1 Media Storage Directory" in ct.notes[0]


def test_files_a_dicomdir_names_and_lacks_are_told(disc):
    last = max((p for p in disc.rglob("*") if p.is_file() and p.name != "DICOMDIR"), key=zmm)
    last.unlink()
    ct = load_ct(disc / "DICOMDIR")
    assert ct.hu.shape[2] == 5
    assert ct.notes[0] == "The DICOMDIR names 1 files that are not there."


def zmm(path):
    return float(pydicom.dcmread(path).ImagePositionPatient[2])


def test_a_dicomdir_that_points_outside_is_refused(disc):
    index = disc / "DICOMDIR"
    content = index.read_bytes()
    assert b"PT000000" in content
    index.write_bytes(content.replace(b"PT000000", b"..      "))
    assert "names a file outside its own folder" in refusal(index)
