"""A case folder: what is written comes back, the same bytes each time, and a mixture is refused."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import jsonschema
import nibabel
import numpy as np
import pytest
import trimesh
from vtkmodules.vtkIOPLY import vtkPLYReader

from segmentation import files, folder_swap
from segmentation.bone_file import bone_schema
from segmentation.case import read_case, write_case
from segmentation.errors import InputError
from segmentation.files import canonical_json
from segmentation.vocabulary import (
    Bone,
    Calibration,
    CTVolume,
    Fragment,
    Grid,
    Removed,
    Segmentation,
    Surface,
)

OBLIQUE = np.array(
    [[0.31, -0.12, 0.05, -41.123456789], [0.11, 0.38, -0.02, 7.1], [0.01, 0.07, 0.49, 1203.3], [0, 0, 0, 1]]
)


def surface(shift_mm: float) -> Surface:
    ball = trimesh.creation.icosphere(subdivisions=1, radius=3.0)
    return Surface(np.asarray(ball.vertices) + shift_mm + 1 / 3, np.asarray(ball.faces, np.int32))


def make_bone(*, seed: int = 0, joint: bool = True) -> Bone:
    rng = np.random.default_rng(seed)
    hu = rng.integers(-1024, 1500, (7, 6, 5)).astype(np.int16)
    labels = np.zeros(hu.shape, np.uint8)
    labels[1:3], labels[4:6] = 1, 2
    return Bone(
        ct=CTVolume(Grid((7, 6, 5), OBLIQUE), hu, "a" * 64, 120.0, ("the scan is coarse",)),
        labels=labels,
        fragments=(
            Fragment(1, "distal", "scaphoid", 113.25, surface(0.0)),
            Fragment(2, "proximal", "scaphoid", 80.5, surface(9.0)),
        ),
        host="bone",
        segmentation=Segmentation(
            226.125, "given", (Removed("speck", 3.5, np.array([1.0, 2.0, 3.0])),), ("two pieces",)
        ),
        calibration=Calibration("given", 0.77, -1 / 3, 0.05, "given on the command line"),
        joint=surface(20.0) if joint else None,
        edits=({"edit": "cut", "point_mm": [1.0, 2.0, 3.0]},),
        digests={"ct": "a" * 64},
    )


def bytes_in(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_what_is_written_comes_back_exactly(tmp_path: Path) -> None:
    bone = make_bone()
    write_case(tmp_path / "case", bone)
    back = read_case(tmp_path / "case")
    assert back.ct.hu.dtype == np.int16
    np.testing.assert_array_equal(back.ct.hu, bone.ct.hu)
    np.testing.assert_array_equal(back.ct.grid.affine, bone.ct.grid.affine)
    np.testing.assert_array_equal(back.labels, bone.labels)
    for one, other in zip(back.fragments, bone.fragments, strict=True):
        assert (one.number, one.name, one.bone, one.volume_mm3) == (
            other.number,
            other.name,
            other.bone,
            other.volume_mm3,
        )
        np.testing.assert_array_equal(one.surface.vertices_mm, other.surface.vertices_mm)
        np.testing.assert_array_equal(one.surface.faces, other.surface.faces)
    assert back.joint is not None
    assert bone.joint is not None
    np.testing.assert_array_equal(back.joint.vertices_mm, bone.joint.vertices_mm)
    assert back.calibration is not None
    assert bone.calibration is not None
    assert dataclasses.astuple(back.calibration) == dataclasses.astuple(bone.calibration)
    assert (back.ct.digest, back.ct.tube_voltage_kv, back.ct.notes) == ("a" * 64, 120.0, bone.ct.notes)
    assert (back.segmentation.threshold_hu, back.segmentation.threshold_reason) == (226.125, "given")
    assert [one.volume_mm3 for one in back.segmentation.removed] == [3.5]
    assert (back.host, back.edits, back.digests) == (bone.host, bone.edits, bone.digests)


def test_same_bone_same_bytes_and_a_case_read_and_written_again_too(tmp_path: Path) -> None:
    write_case(tmp_path / "one", make_bone())
    write_case(tmp_path / "two", make_bone())
    write_case(tmp_path / "three", read_case(tmp_path / "one"))
    assert bytes_in(tmp_path / "one") == bytes_in(tmp_path / "two") == bytes_in(tmp_path / "three")


def test_float_volume_keeps_its_values(tmp_path: Path) -> None:
    bone = make_bone()
    hu = np.asarray(bone.ct.hu, np.float32) + np.float32(0.37)
    write_case(tmp_path / "case", dataclasses.replace(bone, ct=dataclasses.replace(bone.ct, hu=hu)))
    back = read_case(tmp_path / "case").ct.hu
    assert back.dtype == np.float32
    np.testing.assert_array_equal(back, hu)


def test_other_libraries_read_the_files_alike(tmp_path: Path) -> None:
    """Judges: nibabel for NIfTI, trimesh and VTK for PLY, jsonschema for bone.json."""
    bone = make_bone()
    write_case(tmp_path / "case", bone)
    image = nibabel.load(tmp_path / "case" / "ct.nii.gz")
    # NIfTI-1 holds the affine in float32: nifti1.h, srow_x (published).
    np.testing.assert_allclose(image.affine, OBLIQUE, rtol=2**-23)
    np.testing.assert_array_equal(np.asarray(image.dataobj), bone.ct.hu)
    assert image.header.get_xyzt_units()[0] == "mm"
    path = tmp_path / "case" / "surface-2.ply"
    mesh = trimesh.load_mesh(path, process=False)
    np.testing.assert_array_equal(np.asarray(mesh.vertices), bone.fragments[1].surface.vertices_mm)
    np.testing.assert_array_equal(np.asarray(mesh.faces), bone.fragments[1].surface.faces)
    reader = vtkPLYReader()
    reader.SetFileName(str(path))
    reader.Update()
    assert reader.GetOutput().GetNumberOfCells() == len(bone.fragments[1].surface.faces)
    point = reader.GetOutput().GetPoint(5)
    np.testing.assert_allclose(point, bone.fragments[1].surface.vertices_mm[5], rtol=1e-6)
    jsonschema.validate(json.loads((tmp_path / "case" / "bone.json").read_text()), bone_schema())


def test_bone_json_has_the_keys_of_the_contract(tmp_path: Path) -> None:
    """Source: the project's design, "Files a user meets"."""
    write_case(tmp_path / "case", make_bone())
    document = json.loads((tmp_path / "case" / "bone.json").read_text())
    assert document["format"] == "pilothole-bone"
    assert document["version"] == 1
    wanted = "made_with digests host segmentation calibration edits fragments joint"
    assert set(wanted.split()) <= set(document)
    assert set(document["fragments"][0]) == {"number", "name", "bone", "volume_mm3", "pose"}
    assert document["fragments"][0]["pose"] == np.eye(4).tolist()
    assert sorted(document["digests"]) == [
        "ct.nii.gz",
        "fragments.nii.gz",
        "joint.ply",
        "surface-1.ply",
        "surface-2.ply",
    ]


def test_no_case_without_replace_and_the_plan_stays_with_it(tmp_path: Path) -> None:
    case = tmp_path / "case"
    write_case(case, make_bone())
    (case / "plan.json").write_bytes(b"{}")
    (case / "my notes.txt").write_text("mine")
    (case / "photos").mkdir()
    (case / "photos" / "one.txt").write_text("1")
    (case / "assessment.json").write_text("old numbers")
    (case / "report.html").write_text("old report")
    before = {path: path.read_bytes() for path in case.rglob("*") if path.is_file()}
    with pytest.raises(InputError, match="--replace"):
        write_case(case, make_bone(seed=1))
    assert {path: path.read_bytes() for path in case.rglob("*") if path.is_file()} == before
    write_case(case, make_bone(seed=1, joint=False), replace=True)
    np.testing.assert_array_equal(read_case(case).ct.hu, make_bone(seed=1).ct.hu)
    assert (case / "plan.json").read_bytes() == b"{}"
    assert (case / "my notes.txt").read_text() == "mine"
    assert (case / "photos" / "one.txt").read_text() == "1"
    # What belongs to the old bone must not stand beside the new one.
    assert not {"assessment.json", "report.html", "joint.ply"} & set(names_in(case))
    assert names_in(tmp_path) == ["case"]


@pytest.mark.parametrize("replace", [False, True])
def test_a_folder_of_other_files_is_never_taken(tmp_path: Path, replace: bool) -> None:
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter.txt").write_text("years of work")
    with pytest.raises(InputError, match="no case"):
        write_case(tmp_path / "thesis", make_bone(), replace=replace)
    assert bytes_in(tmp_path / "thesis") == {"chapter.txt": b"years of work"}


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "case").mkdir()
    write_case(tmp_path / "case", make_bone())
    assert read_case(tmp_path / "case").host == "bone"


FILES = ["ct.nii.gz", "fragments.nii.gz", "surface-1.ply", "surface-2.ply", "joint.ply"]


def flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-7])


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("harm", [Path.unlink, flip, cut_short])
def test_a_missing_changed_or_truncated_file_is_named(tmp_path: Path, file: str, harm: object) -> None:
    write_case(tmp_path / "case", make_bone())
    harm(tmp_path / "case" / file)  # type: ignore[operator]
    with pytest.raises(InputError, match=file):
        read_case(tmp_path / "case")


def test_a_file_of_another_case_is_refused(tmp_path: Path) -> None:
    write_case(tmp_path / "one", make_bone())
    write_case(tmp_path / "two", make_bone(seed=1))
    (tmp_path / "one" / "ct.nii.gz").write_bytes((tmp_path / "two" / "ct.nii.gz").read_bytes())
    with pytest.raises(InputError, match=r"ct\.nii\.gz.*SHA-256"):
        read_case(tmp_path / "one")


CHANGES = {
    "stretched pose": (lambda d: d["fragments"][1]["pose"][0].__setitem__(0, 2.0), "no rigid motion"),
    "name twice": (lambda d: d["fragments"][1].update(name="distal"), "more than once"),
    "name a path": (lambda d: d["fragments"][1].update(name="../x"), "must not contain /"),
    "name empty": (lambda d: d["fragments"][1].update(name=""), "1 to 64"),
    "name long": (lambda d: d["fragments"][1].update(name="x" * 65), "1 to 64"),
    "name of two lines": (lambda d: d["fragments"][1].update(name="a\nb"), "printable"),
    "hole in numbers": (lambda d: d["fragments"][1].update(number=3), "numbered"),
    "extra key": (lambda d: d.update(fragmnets=[]), "did you mean 'fragments'"),
    "version 2": (lambda d: d.update(version=2), "version"),
    "unknown reason": (lambda d: d.update(calibration=None), "calibration_reason"),
    "singular affine": (lambda d: d["ct"]["affine"].__setitem__(0, [0.0] * 4), "singular"),
    "other shape": (lambda d: d["ct"].update(shape=[5, 6, 7]), "lie where"),
    "file unlisted": (lambda d: d["digests"].pop("joint.ply"), "list of files"),
    "file outside": (lambda d: d["digests"].update({"../plan.json": "0" * 64}), "list of files"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_changed_bone_json_is_refused(tmp_path: Path, what: str) -> None:
    write_case(tmp_path / "case", make_bone())
    path = tmp_path / "case" / "bone.json"
    document = json.loads(path.read_text())
    change, message = CHANGES[what]
    change(document)
    path.write_bytes(canonical_json(document))
    with pytest.raises(InputError, match=message):
        read_case(tmp_path / "case")


def test_a_name_that_cannot_be_read_back_is_not_written(tmp_path: Path) -> None:
    bone = make_bone()
    bad = dataclasses.replace(bone.fragments[0], name="../plan")
    with pytest.raises(InputError, match="must not contain /"):
        write_case(tmp_path / "case", dataclasses.replace(bone, fragments=(bad, bone.fragments[1])))
    assert names_in(tmp_path) == []


def test_without_an_exchanging_system_call_the_old_folder_steps_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folder_swap, "exchange", lambda *_: False)
    write_case(tmp_path / "case", make_bone())
    write_case(tmp_path / "case", make_bone(seed=1), replace=True)
    np.testing.assert_array_equal(read_case(tmp_path / "case").ct.hu, make_bone(seed=1).ct.hu)
    assert names_in(tmp_path) == ["case"]


def test_an_old_case_left_aside_by_a_killed_run_is_put_back(tmp_path: Path) -> None:
    write_case(tmp_path / "case", make_bone())
    (tmp_path / "case").rename(tmp_path / ".case.old-0123abcd")
    assert read_case(tmp_path / "case").host == "bone"
    assert names_in(tmp_path) == ["case"]


def test_leftovers_of_killed_runs_go_and_others_stay(tmp_path: Path) -> None:
    mine, others = tmp_path / ".case.partial-0123abcd", tmp_path / ".case2.partial-0123abcd"
    for folder in (mine, others):
        folder.mkdir()
        (folder / "ct.nii.gz").write_bytes(b"half")
    write_case(tmp_path / "case", make_bone())
    assert names_in(tmp_path) == [".case2.partial-0123abcd", "case"]


def test_a_folder_another_run_is_filling_stays(tmp_path: Path) -> None:
    busy = tmp_path / ".case.partial-0123abcd"
    busy.mkdir()
    with files.hold(busy) as free:
        assert free
        write_case(tmp_path / "case", make_bone())
        assert busy.is_dir()
