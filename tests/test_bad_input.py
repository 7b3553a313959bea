"""Bad input gets exit code 2 and one sentence, no traceback, and every file stays byte for byte as it was.

The kinds are those the project promises (its third issue) and some more; each goes through the command line.
"""

from __future__ import annotations

import copy
import gzip
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import nibabel
import numpy as np
import pytest
from tiny_scan import AFFINE, PLAN, ball_hu, write_nifti, write_plan

from planner.catalogue import built_in_screws, catalogue_document
from segmentation.files import canonical_json
from viewer.command_line import run

SEGMENT = ["segment", "ct.nii.gz", "--out", "new", "--threshold", "250"]


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A working folder: ct.nii.gz, a case with plan and assessment, a plan, a folder of other files."""
    folder = tmp_path_factory.mktemp("template")
    write_nifti(folder / "ct.nii.gz", ball_hu())
    write_plan(folder / "plan.json")
    words = ["--threshold", "250", "--calibration", "0.77,0"]
    assert run(["segment", str(folder / "ct.nii.gz"), "--out", str(folder / "case"), *words]) == 0
    write_plan(folder / "case" / "plan.json")
    assert run(["measure", str(folder / "case")]) == 0
    (folder / "thesis").mkdir()
    (folder / "thesis" / "chapter.txt").write_text("years of work")
    return folder


@pytest.fixture
def folder(template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the template as the working folder."""
    work = tmp_path / "work"
    shutil.copytree(template, work)
    monkeypatch.chdir(work)
    return work


def contents(folder: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def refused(folder: Path, words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """Run; check all that bad input promises; return the sentence."""
    before = contents(folder)
    capsys.readouterr()
    code = run(words)
    streams = capsys.readouterr()
    assert code == 2, streams.err
    assert streams.err.startswith("pilothole: ")
    assert streams.err.endswith("\n")
    assert len(streams.err.splitlines()) == 1
    assert "Traceback" not in streams.err
    assert streams.out == ""
    assert contents(folder) == before
    return streams.err


def ct(values: Any, affine: Any = AFFINE) -> Callable[[Path], Any]:
    return lambda folder: write_nifti(folder / "ct.nii.gz", values, affine)


def ct_bytes(change: Callable[[bytes], bytes]) -> Callable[[Path], Any]:
    return lambda folder: (folder / "ct.nii.gz").write_bytes(change((folder / "ct.nii.gz").read_bytes()))


def flipped(content: bytes) -> bytes:
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 0x10]) + content[middle + 1 :]


def no_affine(content: bytes) -> bytes:
    """The NIfTI with sform and qform whose first voxel edge has no length (nifti1.h: srow_x at byte 280)."""
    raw = bytearray(gzip.decompress(content))
    raw[280:296] = np.zeros(4, "<f4").tobytes()
    raw[252:254] = np.zeros(1, "<i2").tobytes()
    return gzip.compress(bytes(raw), mtime=0)


def not_finite(folder: Path) -> None:
    write_nifti(folder / "ct.nii.gz", np.full((33, 33, 33), np.nan, np.float32))


def coloured(folder: Path) -> None:
    write_nifti(folder / "ct.nii.gz", np.zeros((9, 9, 9), [("R", "u1"), ("G", "u1"), ("B", "u1")]))


def complex_values(folder: Path) -> None:
    image = nibabel.Nifti1Image(np.zeros((9, 9, 9), np.complex64), AFFINE)
    (folder / "ct.nii.gz").write_bytes(gzip.compress(image.to_bytes()))


def nothing(folder: Path) -> None:
    pass


def with_file(name: str, content: bytes | str) -> Callable[[Path], Any]:
    data = content.encode() if isinstance(content, str) else content
    return lambda folder: (folder / name).write_bytes(data)


TRIANGLE = (
    "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
    "element face 1\nproperty list uchar int vertex_indices\nend_header\n"
    "0 0 10\n3 0 10\n0 3 {z}\n3 0 1 {last}\n"
)

SCANS: dict[str, tuple[Callable[[Path], Any], list[str], str]] = {
    "missing": (lambda folder: (folder / "ct.nii.gz").unlink(), SEGMENT, "no file or folder"),
    "empty": (with_file("ct.nii.gz", b""), SEGMENT, "ct.nii.gz"),
    "truncated": (ct_bytes(lambda content: content[: len(content) * 2 // 3]), SEGMENT, "ct.nii.gz"),
    "header alone": (ct_bytes(lambda content: gzip.compress(gzip.decompress(content)[:352])), SEGMENT, ""),
    "bit flipped": (ct_bytes(flipped), SEGMENT, "ct.nii.gz"),
    "more after the end": (ct_bytes(lambda content: content + b"more"), SEGMENT, "ct.nii.gz"),
    "not an image": (with_file("ct.nii.gz", gzip.compress(b"a letter to a colleague" * 99)), SEGMENT, ""),
    "a text file": (
        with_file("ct.txt", "words"),
        ["segment", "ct.txt", "--out", "new"],
        "not a kind of file",
    ),
    "2D": (ct(np.zeros((20, 20), np.int16)), SEGMENT, ""),
    "4D": (ct(np.zeros((9, 9, 9, 2), np.int16)), SEGMENT, ""),
    "all NaN": (not_finite, SEGMENT, ""),
    "one value": (ct(np.zeros((33, 33, 33), np.int16)), SEGMENT, ""),
    "singular affine": (ct_bytes(no_affine), SEGMENT, ""),
    "complex": (complex_values, SEGMENT, ""),
    "colours": (coloured, SEGMENT, ""),
    "a folder without DICOM": (nothing, ["segment", "thesis", "--out", "new"], ""),
    "threshold NaN": (nothing, [*SEGMENT[:-1], "nan"], "--threshold must be a finite number"),
    "threshold infinite": (nothing, [*SEGMENT[:-1], "inf"], "--threshold must be a finite number"),
    "threshold above everything": (nothing, [*SEGMENT[:-1], "501"], "above every value"),
    "threshold below everything": (nothing, [*SEGMENT[:-1], "-3000"], "not above the lowest"),
    "threshold a word": (nothing, [*SEGMENT[:-1], "bone"], "--threshold"),
    "calibration one number": (nothing, [*SEGMENT, "--calibration", "0.77"], "SLOPE,INTERCEPT"),
    "calibration NaN": (nothing, [*SEGMENT, "--calibration", "nan,0"], "got nan"),
    "calibration backwards": (nothing, [*SEGMENT, "--calibration", "-0.77,0"], "slope must be"),
    "tube voltage": (nothing, [*SEGMENT, "--kvp", "1200"], "--kvp must be 40 to 200 kV"),
    "tube voltage NaN": (nothing, [*SEGMENT, "--kvp", "nan"], "--kvp must be 40 to 200 kV"),
    "host": (nothing, [*SEGMENT, "--host", "wood"], "'wood'"),
    "cut of five": (nothing, [*SEGMENT, "--cut", "0,0,0,1,0"], "--cut must be six finite numbers"),
    "cut of words": (nothing, [*SEGMENT, "--cut", "a,b,c,d,e,f"], "--cut must be six finite numbers"),
    "cut without normal": (nothing, [*SEGMENT, "--cut", "0,0,0,0,0,0"], "normal of --cut"),
    "cut outside the bone": (nothing, [*SEGMENT, "--cut", "15,15,15,0,0,1"], "15, 15, 15"),
    "name without a point": (nothing, [*SEGMENT, "--name", "distal"], "--name must be"),
    "name empty": (nothing, [*SEGMENT, "--name", "0,0,0="], "1 to 64 printable"),
    "name a path": (nothing, [*SEGMENT, "--name", "0,0,0=../../plan"], "must not contain /"),
    "bone a path": (nothing, [*SEGMENT, "--name", "0,0,0=distal@a\\b"], "must not contain /"),
    "name outside": (nothing, [*SEGMENT, "--name", "15,15,15=distal"], "15, 15, 15"),
    "one piece named twice": (nothing, [*SEGMENT, "--name", "0,0,0=a", "--name", "1,0,0=b"], "twice"),
    "name used twice": (
        nothing,
        [*SEGMENT, "--cut", "0,0,0,1,0,0", "--name", "-4,0,0=a", "--name", "4,0,0=a"],
        "'a'",
    ),
    "labels missing": (nothing, [*SEGMENT, "--labels", "none.nii.gz"], "--labels 'none.nii.gz' is no file"),
    "labels of another shape": (
        lambda folder: write_nifti(folder / "labels.nii.gz", np.ones((9, 9, 9), np.uint8)),
        [*SEGMENT, "--labels", "labels.nii.gz"],
        "shape",
    ),
    "labels elsewhere": (
        lambda folder: write_nifti(folder / "labels.nii.gz", (ball_hu() > 250).astype(np.uint8), np.eye(4)),
        [*SEGMENT, "--labels", "labels.nii.gz"],
        "do not lie where the CT lies",
    ),
    "labels of nothing": (
        lambda folder: write_nifti(folder / "labels.nii.gz", np.zeros((33, 33, 33), np.uint8)),
        [*SEGMENT, "--labels", "labels.nii.gz"],
        "",
    ),
    "labels in halves": (
        lambda folder: write_nifti(folder / "labels.nii.gz", (ball_hu() / 400).astype(np.float32)),
        [*SEGMENT, "--labels", "labels.nii.gz"],
        "whole numbers",
    ),
    "joint missing": (nothing, [*SEGMENT, "--joint", "none.ply"], "cannot read 'none.ply'"),
    "joint no PLY": (with_file("j.ply", "solid x"), [*SEGMENT, "--joint", "j.ply"], "not a PLY file"),
    "joint broken": (with_file("j.ply", "ply\nformat ascii 1.0\n"), [*SEGMENT, "--joint", "j.ply"], "j.ply"),
    "joint not finite": (
        with_file("j.ply", TRIANGLE.format(z="nan", last=2)),
        [*SEGMENT, "--joint", "j.ply"],
        "not finite",
    ),
    "joint without its corner": (
        with_file("j.ply", TRIANGLE.format(z="1", last=7)),
        [*SEGMENT, "--joint", "j.ply"],
        "j.ply",
    ),
    "out is a file": (nothing, ["segment", "ct.nii.gz", "--out", "plan.json"], "is a file"),
    "out below a file": (nothing, [*SEGMENT, "--out", "plan.json/case"], "'plan.json' is a file"),
    "out not writable": (nothing, [*SEGMENT, "--out", "/proc/case"], "'case'"),
    "out is a case": (nothing, ["segment", "ct.nii.gz", "--out", "case"], "--replace"),
    "out holds other files": (
        nothing,
        ["segment", "ct.nii.gz", "--out", "thesis", "--replace"],
        "holds other files",
    ),
    "out above the working folder": (nothing, [*SEGMENT, "--out", "..", "--replace"], "holds other files"),
    "out left out": (nothing, ["segment", "ct.nii.gz"], "Missing option '--out'"),
    "unknown option": (nothing, [*SEGMENT, "--treshold", "3"], "No such option"),
    "replaced by what is refused": (
        ct_bytes(flipped),
        ["segment", "ct.nii.gz", "--out", "case", "--replace"],
        "ct.nii.gz",
    ),
    "replaced by nothing": (
        ct(np.full((33, 33, 33), 7, np.int16)),
        ["segment", "ct.nii.gz", "--out", "case", "--replace"],
        "",
    ),
}


@pytest.mark.parametrize("what", SCANS)
def test_a_scan_or_its_options(what: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prepare, words, message = SCANS[what]
    prepare(folder)
    assert message in refused(folder, words, capsys)


def test_a_case_is_not_replaced_under_ones_feet(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder / "case")
    words = ["segment", "../ct.nii.gz", "--out", ".", "--replace", "--threshold", "250"]
    assert "the folder you are in" in refused(folder, words, capsys)


def plan_with(**values: Any) -> bytes:
    plan = copy.deepcopy(PLAN)
    plan["screws"][0].update(values)
    return json.dumps(plan).encode()


def plan_without(key: str) -> bytes:
    return json.dumps({name: value for name, value in PLAN.items() if name != key}).encode()


PLANS: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "is empty"),
    "not JSON": (b"S1 goes in here", "not JSON"),
    "50,000 deep": (b"[" * 50_000 + b"]" * 50_000, "nests brackets"),
    "key twice": (b'{"format": 1, "format": 2}', "twice"),
    "a list": (b"[]", "must be an object"),
    "wrong format": (json.dumps({**PLAN, "format": "plan"}).encode(), "format must be 'pilothole-plan'"),
    "wrong version": (json.dumps({**PLAN, "version": 2}).encode(), "version must be 1"),
    "no frame": (plan_without("frame"), "'frame' is missing"),
    "no screws": (json.dumps({**PLAN, "screws": []}).encode(), "at least 1"),
    "unknown key": (plan_with(colour="red"), "unknown key 'colour'"),
    "misspelt key": (plan_with(lenght_mm=3), "did you mean 'length_mm'"),
    "unknown screw": (plan_with(screw="iso5835-ha-3,5"), "did you mean 'iso5835-ha-3.5'"),
    "unknown technique": (plan_with(technique="compression"), "technique must be"),
    "name twice": (json.dumps({**PLAN, "screws": PLAN["screws"] * 2}).encode(), "more than once"),
    "name empty": (plan_with(name=""), "1 to 64 printable"),
    "name a path": (plan_with(name="/S1"), "must not contain /"),
    "NaN": (plan_with(length_mm=float("nan")), "holds NaN"),
    "infinite": (plan_with(length_mm=float("inf")), "holds Infinity"),
    "1e999": (plan_with(length_mm=1).replace(b'"length_mm": 1', b'"length_mm": 1e999'), "too large"),
    "negative length": (plan_with(length_mm=-16), "length_mm must be at least 1"),
    "huge length": (plan_with(length_mm=1e6), "length_mm must be at most 200"),
    "entry is target": (plan_with(target_mm=[-10.0, 0.0, 0.0]), "at least 1 mm apart"),
    "two coordinates": (plan_with(entry_mm=[0, 0]), "entry_mm must hold at least 3"),
    "text for a number": (plan_with(length_mm="16 mm"), "length_mm must be a number"),
    "null for a point": (plan_with(entry_mm=None), "entry_mm must be a list"),
    "axis that misses": (plan_with(entry_mm=[-10, 14, 0], target_mm=[10, 14, 0]), "S1"),
    "axis that leaves the scan": (plan_with(entry_mm=[-900, 500, 0], target_mm=[900, 500, 0]), "S1"),
    "lag without a head": (plan_with(screw="headless-two-pitch-3.0-3.9", technique="lag"), "needs a head"),
}


@pytest.mark.parametrize("place", ["given", "of the case"])
@pytest.mark.parametrize("what", PLANS)
def test_a_plan(what: str, place: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    content, message = PLANS[what]
    words = ["measure", "case", "--json", "new.json"]
    path = folder / "case" / "plan.json" if place == "of the case" else folder / "bad.json"
    path.write_bytes(content)
    assert message in refused(
        folder, words + ([] if place == "of the case" else ["--plan", "bad.json"]), capsys
    )


def harmed(name: str, change: Callable[[bytes], bytes] | None) -> Callable[[Path], Any]:
    def harm(folder: Path) -> None:
        path = folder / "case" / name
        content = path.read_bytes()
        path.unlink()
        if change is not None:
            path.write_bytes(change(content))

    return harm


CASES: dict[str, tuple[Callable[[Path], Any], list[str], str]] = {
    **{
        f"{name} {what}": (harmed(name, change), ["measure", "case"], name)
        for name in ("bone.json", "ct.nii.gz", "fragments.nii.gz", "surface-1.ply")
        for what, change in {
            "missing": None,
            "truncated": lambda content: content[:-9],
            "foreign": lambda _: b"{}",
        }.items()
    },
    "ct.nii.gz flipped": (harmed("ct.nii.gz", flipped), ["measure", "case"], "ct.nii.gz"),
    "surface flipped": (harmed("surface-1.ply", flipped), ["report", "case"], "surface-1.ply"),
    "no plan": (harmed("plan.json", None), ["measure", "case"], "no plan.json"),
    "no such case": (nothing, ["measure", "nowhere"], "does not exist"),
    "case a file": (nothing, ["measure", "plan.json"], "is a file"),
    "no case folder": (nothing, ["measure", "thesis"], "no case folder"),
    "plan missing": (nothing, ["measure", "case", "--plan", "none.json"], "cannot read 'none.json'"),
    "plan a folder": (nothing, ["measure", "case", "--plan", "thesis"], "is a folder"),
    "output in no folder": (nothing, ["measure", "case", "--json", "none/a.json"], "does not exist"),
    "output a folder": (nothing, ["measure", "case", "--csv", "thesis"], "is a folder"),
    "output not writable": (nothing, ["measure", "case", "--csv", "/proc/a.csv"], "'a.csv'"),
    "output over the plan": (
        nothing,
        ["measure", "case", "--plan", "plan.json", "--json", "plan.json"],
        "would be lost",
    ),
    "output over the bone": (nothing, ["measure", "case", "--json", "case/bone.json"], "would be lost"),
    "both outputs one file": (nothing, ["measure", "case", "--json", "a", "--csv", "a"], "same file"),
    "catalogue missing": (nothing, ["measure", "case", "--catalogue", "none.json"], "none.json"),
    "report of no case": (nothing, ["report", "thesis"], "no case folder"),
    "report into no folder": (nothing, ["report", "case", "--out", "none/r.html"], "does not exist"),
    "report over the bone": (nothing, ["report", "case", "--out", "case/ct.nii.gz"], "would be lost"),
    "unknown screw": (nothing, ["screws", "iso5835-ha-35"], "did you mean 'iso5835-ha-3.5'"),
    "drawing too short": (nothing, ["screws", "iso5835-ha-3.5", "--length", "1"], ""),
    "drawing of none": (nothing, ["screws", "--draw", "all.svg"], "need the NAME"),
    "unknown schema": (nothing, ["schema", "screw"], "'screw'"),
    "unknown command": (nothing, ["plan"], "No such command 'plan'"),
    "unknown demo": (nothing, ["demo", "femur", "--out", "new"], "femur"),
    "demo into what is there": (nothing, ["demo", "foam-block", "--out", "thesis"], "not an empty folder"),
    "demo voxel": (nothing, ["demo", "foam-block", "--out", "new", "--voxel-mm", "0"], "voxel_mm must be"),
    "demo seed": (nothing, ["demo", "foam-block", "--out", "new", "--seed", "-1"], "seed must be"),
    "demo option without a name": (nothing, ["demo", "--seed", "3"], "needs the NAME"),
}


@pytest.mark.parametrize("what", CASES)
def test_a_case_or_a_place(what: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prepare, words, message = CASES[what]
    prepare(folder)
    assert message in refused(folder, words, capsys)


def screw_with(**values: Any) -> bytes:
    document = catalogue_document([built_in_screws()["iso5835-ha-3.5"]])
    document["screws"][0].update({"name": "mine", **values})
    return canonical_json(document)


CATALOGUES: dict[str, bytes] = {
    "not JSON": b"mine",
    "deep": b"[" * 50_000,
    "no format": b"{}",
    "unknown key": screw_with(colour="red"),
    "core over major": screw_with(shaft_mm=-1.0),
    "text": screw_with(shaft_mm="2.4"),
    "a name of ours": screw_with(name="iso5835-ha-3.5"),
}


@pytest.mark.parametrize("what", CATALOGUES)
def test_a_catalogue(what: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "mine.json").write_bytes(CATALOGUES[what])
    assert "mine.json" in refused(folder, ["screws", "--catalogue", "mine.json"], capsys)


def test_a_name_in_the_input_cannot_break_the_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "bad.json").write_bytes(plan_with(name="a\n\x1b[31mred", screw="x\ny"))
    sentence = refused(folder, ["measure", "case", "--plan", "bad.json"], capsys)
    assert sentence.rstrip("\n").isprintable()
    sentence = refused(folder, ["segment", "no\x1b[31m\nct.nii", "--out", "new"], capsys)
    assert sentence.rstrip("\n").isprintable()


def test_there_are_at_least_forty_kinds() -> None:
    """Bar of the third issue."""
    assert len(SCANS) + len(PLANS) + len(CASES) + len(CATALOGUES) >= 40
