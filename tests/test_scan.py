"""Checks that ``pilothole scan`` tells what is there, and that no output tells who the patient is."""

from __future__ import annotations

import gzip
import json
import zipfile

import numpy as np
import pytest
from dicom_making import STRUCTURES, ct_values, setting, write_enhanced, write_series, write_slice
from tiny_scan import ball_hu, write_nifti, write_plan

from segmentation.ct import load_ct
from segmentation.errors import InputError
from segmentation.scan import scan_ct, scan_document
from viewer.command_line import run

IDENTIFIERS = {
    "PatientName": "Sorrel^Quince",
    "PatientID": "zz-quince-77",
    "PatientBirthDate": "19610203",
    "PatientAddress": "Larkspur Lane 9",
    "PatientComments": "neighbour of Tansy",
    "OtherPatientNames": "Sorrel^Medlar",
    "AccessionNumber": "ACC4711Z",
    "InstitutionName": "Medlar Infirmary",
    "ReferringPhysicianName": "Tansy^Medlar",
    "StudyDescription": "knee of Sorrel Quince",
    "SeriesDescription": "Sorrel Quince thin",
    "ProtocolName": "Quince protocol",
    "StudyID": "ST88123Z",
    "StudyDate": "20260917",
    "StudyInstanceUID": "1.2.826.0.1.3680043.8.498.77001",
    "SeriesInstanceUID": "1.2.826.0.1.3680043.8.498.77002",
    "FrameOfReferenceUID": "1.2.826.0.1.3680043.8.498.77003",
    "DeviceSerialNumber": "SN909090Z",
    "ImageComments": "Larkspur",
    # Fields that are read, misused.
    "ConvolutionKernel": "Quince",
    "LossyImageCompression": "Quince",
}
"""Invented, planted in every file; none may come out again."""

PLANTED = (
    *("Sorrel", "Quince", "19610203", "Larkspur", "Tansy", "Medlar", "ACC4711Z", "ST88123Z", "20260917"),
    *(".77001", ".77002", ".77003", "SN909090Z"),
)


def plant(header):
    for field, value in IDENTIFIERS.items():
        setattr(header, field, value)
    private = header.private_block(0x0009, "Sorrel Quince", create=True)
    private.add_new(1, "LO", "Larkspur")


def silent(text):
    return [word for word in PLANTED if word.lower() in text.lower()] == []


def write_ball(folder, **options):
    values = (ball_hu().transpose(2, 1, 0) - 0).astype(np.int16)
    folder.mkdir()
    for k, image in enumerate(values):
        name = f"Sorrel Quince {k:03d}.dcm"
        write_slice(folder / name, image, (-16, -16, k - 16.0), spacing_mm=(1, 1), **options)


def everything(folder):
    """All bytes below a folder, compressed files unpacked, and all names."""
    parts = []
    for path in sorted(folder.rglob("*")):
        parts.append(path.name)
        if path.is_file():
            content = path.read_bytes()
            parts.append((gzip.decompress(content) if path.suffix == ".gz" else content).decode("latin-1"))
    return "\n".join(parts)


@pytest.fixture
def study(tmp_path):
    """A study with a series, a structure set and a scout, all of them full of identifiers."""
    folder = tmp_path / "study"
    write_ball(folder, change=plant)
    write_slice(folder / "Quince rs", ct_values()[0], (0, 0, 0), sop_class=STRUCTURES, change=plant)
    scout = setting(ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"])
    write_slice(folder / "Medlar", ct_values()[0], (0, 0, 0), change=lambda h: (plant(h), scout(h)))
    (folder / "Sorrel.txt").write_text("Quince")
    return folder


def test_the_planted_identifiers_are_in_the_input(study):
    text = everything(study)
    assert [word for word in PLANTED if word not in text] == []


def test_no_output_of_the_whole_way_tells_who_the_patient_is(study, tmp_path, capsys):
    case = tmp_path / "case"
    assert run(["scan", str(study), "--json", str(tmp_path / "scan.json")]) == 0
    assert run(["segment", str(study), "--out", str(case), "--threshold", "250", "--series", "1"]) == 0
    write_plan(case / "plan.json")
    assert run(["measure", str(case)]) == 0
    assert run(["report", str(case)]) == 0
    heard = capsys.readouterr()
    assert "would load series 1" in heard.out
    assert (case / "report.html").is_file()
    assert heard.err == ""
    for text in (heard.out, (tmp_path / "scan.json").read_text(), everything(case)):
        assert text
        assert silent(text)


@pytest.mark.parametrize(
    "change",
    [
        setting(RescaleType="Sorrel Quince"),
        setting(PhotometricInterpretation="QUINCE"),
        setting(PixelData=None),
        setting(PixelSpacing=[111111, 111111]),
        setting(ImagePositionPatient=None),
        setting(SeriesNumber=111111),
        setting(NumberOfFrames=111111),
        setting(SOPClassUID="1.2.826.0.1.3680043.8.498.77002"),
        setting(Modality="QUINCE"),
    ],
)
def test_no_refusal_tells_who_the_patient_is(tmp_path, capsys, change):
    write_ball(tmp_path / "study", change=lambda header: (plant(header), change(header)))
    for path in (tmp_path / "study").iterdir():
        # pydicom writes numbers only; what stands in their place may be anything.
        path.write_bytes(path.read_bytes().replace(b"111111", b"Quince"))
    code = run(["segment", str(tmp_path / "study"), "--out", str(tmp_path / "case")])
    run(["scan", str(tmp_path / "study")])
    heard = capsys.readouterr()
    assert code in (0, 2)
    assert silent(heard.out)
    assert silent(heard.err)


def test_no_name_in_a_zip_or_a_multi_frame_file_comes_out(study, tmp_path, capsys):
    with zipfile.ZipFile(tmp_path / "scan.zip", "w") as archive:
        for path in study.iterdir():
            archive.write(path, f"Sorrel Quince/{path.name}")
    write_enhanced(tmp_path / "enhanced", np.ones((7, 5, 4), np.uint16), change=plant)
    for path in (tmp_path / "scan.zip", tmp_path / "enhanced"):
        assert run(["scan", str(path)]) == 0
        ct_told = repr(load_ct(path).notes)
        heard = capsys.readouterr()
        assert silent(heard.out + heard.err + ct_told)
        assert heard.out


def test_what_is_told_is_what_is_loaded(study):
    told, ct = scan_ct(study), load_ct(study)
    (one,) = told.found
    assert told.loads == one.number == 1
    assert one.grid is not None
    assert one.grid.shape == ct.grid.shape
    assert one.grid.same_place_as(ct.grid)
    assert one.tube_voltage_kv == ct.tube_voltage_kv == 120
    assert one.title == "33 CT images of 33×33, axial, 1×1 mm, 1 mm thick, 120 kV"
    assert told.left_out == {"CT localiser": 1, "RT Structure Set": 1, "non-DICOM file": 1}


@pytest.mark.parametrize(("kernel", "told"), [("Br59", True), ("STANDARD", True), ("Quince", False)])
def test_a_kernel_is_told_where_it_is_one(tmp_path, kernel, told):
    write_series(tmp_path, ct_values(), change=setting(ConvolutionKernel=kernel))
    assert scan_ct(tmp_path).found[0].title.endswith(f", kernel {kernel}") == told


def test_several_series_are_listed_and_none_is_taken(tmp_path, capsys):
    write_series(tmp_path / "a", ct_values())
    write_series(tmp_path / "b", ct_values()[:4], change=setting(SeriesInstanceUID="1.2.3"))
    write_series(tmp_path / "c", ct_values()[:2], change=setting(SeriesInstanceUID="1.2.4"))
    assert run(["scan", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "DICOM folder: 3 series" in out
    assert "  1  6 CT images of 4×5, axial" in out
    assert "     loads as 4×5×4 voxels of 0.4×0.5×1 mm" in out
    assert "     does not load: series 3 in the DICOM folder holds 2 CT images" in out
    assert "would load nothing: the DICOM folder holds 3 series" in out
    assert run(["scan", str(tmp_path), "--series", "2"]) == 0
    assert "would load series 2" in capsys.readouterr().out


def test_nothing_is_read_beyond_the_headers(tmp_path, monkeypatch):
    write_series(tmp_path, ct_values())
    monkeypatch.setattr("segmentation.dicom_pixels.PixelReader.fill", lambda *_: pytest.fail("read"))
    assert scan_ct(tmp_path).loads == 1


def test_the_json_says_the_same(tmp_path, capsys):
    write_series(tmp_path, ct_values(), step_mm=1.5)
    assert run(["scan", str(tmp_path), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document == json.loads(json.dumps(scan_document(scan_ct(tmp_path))))
    assert document["format"] == "pilothole-scan"
    assert document["series"][0]["shape"] == [4, 5, 6]
    np.testing.assert_allclose(document["series"][0]["spacing_mm"], [0.4, 0.5, 1.5])
    assert "what is between them was not imaged" in document["series"][0]["notes"][0]


def test_a_nifti_file_is_told_from_its_header(tmp_path, capsys):
    path = write_nifti(tmp_path / "ct.nii.gz", ball_hu())
    assert run(["scan", str(path)]) == 0
    assert "loads as 33×33×33 voxels of 1×1×1 mm" in capsys.readouterr().out
    with pytest.raises(InputError, match="holds one volume"):
        scan_ct(path, 1)
    with pytest.raises(InputError, match="holds one volume"):
        load_ct(path, 1)


def test_a_folder_without_ct_is_told_too(tmp_path, capsys):
    write_series(tmp_path, ct_values(), sop_class=STRUCTURES)
    assert run(["scan", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "left out: 6 × RT Structure Set" in out
    assert "would load nothing: the DICOM folder holds no CT images" in out
