"""Edits by hand: what each does against closed forms, that a list replays bit for bit, what is refused."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from phantoms import SOFT_HU, as_ct, grid_around, points_of, rotation, step
from typer.testing import CliRunner

from segmentation.case import read_case, write_volume
from segmentation.edits import Merge, document_of, edits_from_file, edits_of
from segmentation.errors import InputError
from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.sweep import Sweep
from segmentation.vocabulary import Bone, CTVolume, Floats
from viewer.command_line import app

TURN = rotation(11)
HALF_MM = (8.0, 9.0, 12.0)


@cache
def block() -> CTVolume:
    """A block of 16 × 18 × 24 mm lying obliquely in the grid."""
    grid = grid_around((17, 17, 17), (0.5, 0.5, 0.6))
    own = points_of(grid) @ TURN
    inside = np.prod([step(half - np.abs(own[..., axis]), 0.8) for axis, half in enumerate(HALF_MM)], axis=0)
    return as_ct(grid, SOFT_HU + 400 * inside, noise_hu=5.0)


def there(*point: float) -> Floats:
    """A point or direction of the block in patient mm."""
    return TURN @ np.array(point, float)


def edited(*edits: object) -> Bone:
    return segment(block(), threshold_hu=SOFT_HU + 200, edits=edits)  # type: ignore[arg-type]


def volumes_mm3(bone: Bone) -> list[float]:
    return [fragment.volume_mm3 for fragment in bone.fragments]


@cache
def whole_mm3() -> float:
    return edited().fragments[0].volume_mm3


BENT = ((-11.0, 0, 2), (-2.0, 0, 2), (2.0, 0, -3), (11.0, 0, -3))
"""A line that steps down by 5 mm across the block."""


def sweep(*line: tuple[float, ...], direction: tuple[float, ...] = (0, 1, 0)) -> Sweep:
    return Sweep(np.array([there(*point) for point in line]), there(*direction))


def test_a_bent_line_divides_a_block_as_its_area_says() -> None:
    """Above the line lie 16 · 18 · 12 less the area under it: −2 · 6, 0 over the step's middle, 3 · 6."""
    bone = edited(sweep(*BENT))
    below, above = volumes_mm3(bone)
    step_area_mm2 = 6 * (12 - 2) + 4 * (12 - (2 - 3) / 2) + 6 * (12 + 3)
    assert above + below == pytest.approx(whole_mm3(), rel=0.003)
    new_mm3 = bone.fragments[1].volume_mm3
    # direction × line: y × x = −z, so the new fragment is the lower one.
    assert new_mm3 == pytest.approx(16 * 18 * 24 - 18 * step_area_mm2, rel=0.01)


def test_a_swept_faces_vertices_lie_on_the_line() -> None:
    """Sub-voxel: on the level stretches the faces lie at z = 2 and −3, to hundredths of a millimetre."""
    for fragment in edited(sweep(*BENT)).fragments:
        own = fragment.surface.vertices_mm @ TURN
        inner = (np.abs(own[:, 0]) > 3.5) & (np.abs(own[:, 0]) < 7) & (np.abs(own[:, 1]) < 8)
        left, right = inner & (own[:, 0] < 0), inner & (own[:, 0] > 0)
        for side, z in ((left, 2.0), (right, -3.0)):
            face = side & (np.abs(own[:, 2] - z) < 1)
            assert face.sum() > 100
            assert np.abs(own[face, 2] - z).max() < 0.03


def test_a_straight_sweep_is_a_plane_cut() -> None:
    swept = edited(sweep((-10, 0, 1), (10, 0, 1)))
    cut = edited(Cut(there(0, 0, 1), there(0, 0, -1)))
    np.testing.assert_array_equal(swept.labels, cut.labels)
    np.testing.assert_allclose(volumes_mm3(swept), volumes_mm3(cut), rtol=1e-5)


def test_a_line_of_many_points_on_one_line_does_not_cross_itself() -> None:
    many = [(x, 0.0, 1.0) for x in np.linspace(-10, 10, 41)]
    np.testing.assert_array_equal(edited(sweep(*many)).labels, edited(sweep((-10, 0, 1), (10, 0, 1))).labels)


def test_a_sweep_divides_the_fragment_it_is_drawn_on() -> None:
    first = Cut(there(0, 0, 3), there(0, 0, 1))
    bone = edited(first, sweep((0, 0, 4), (0, 0, 11), direction=(0, 1, 0)))
    assert len(bone.fragments) == 3
    volumes = volumes_mm3(bone)
    assert volumes[0] == pytest.approx(16 * 18 * 15, rel=0.01)
    assert volumes[1] == pytest.approx(8 * 18 * 9, rel=0.02)
    assert volumes[2] == pytest.approx(8 * 18 * 9, rel=0.02)


@pytest.mark.parametrize("edit", [Cut(there(1, 1, 1), there(0.2, 0.3, 1)), sweep(*BENT)])
def test_a_merge_heals_what_was_divided(edit: object) -> None:
    healed, untouched = edited(edit, Merge(1, 2)), edited()
    np.testing.assert_array_equal(healed.labels, untouched.labels)
    np.testing.assert_array_equal(
        healed.fragments[0].surface.vertices_mm, untouched.fragments[0].surface.vertices_mm
    )


def test_a_merge_leaves_the_lower_number() -> None:
    cuts = [Cut(there(0, 0, 3), there(0, 0, 1)), Cut(there(0, 0, -3), there(0, 0, -1))]
    thirds = volumes_mm3(edited(*cuts))
    merged = volumes_mm3(edited(*cuts, Merge(3, 1)))
    assert merged == pytest.approx([thirds[0] + thirds[2], thirds[1]], rel=0.003)


EDITS = {
    "frame": "RAS-mm",
    "edits": [
        {"cut": {"point_mm": there(0, 0, 5).tolist(), "normal": there(0.1, 0, 1).tolist()}},
        {
            "sweep": {
                "polyline_mm": [there(*point).tolist() for point in BENT],
                "direction": there(0, 1, 0).tolist(),
            }
        },
        {"cut": {"point_mm": there(0, 0, -8).tolist(), "normal": there(0, 1, 0).tolist()}},
        {"merge": {"fragments": [3, 4]}},
        {"joint": {"action": "add", "point_mm": there(0, 0, 12).tolist(), "radius_mm": 4, "name": "top"}},
    ],
}


def run(*words: str) -> None:
    done = CliRunner().invoke(app, list(words))
    assert done.exit_code == 0, done.output


def test_a_cases_edits_make_the_same_labels_again(tmp_path: Path) -> None:
    ct = tmp_path / "ct.nii"
    write_volume(tmp_path / "ct.nii.gz", block().hu, block().grid)
    ct = tmp_path / "ct.nii.gz"
    (tmp_path / "edits.json").write_text(json.dumps(EDITS))
    options = ["--threshold", "240", "--calibration", "0.77,0"]
    run(
        "segment",
        str(ct),
        "--out",
        str(tmp_path / "first"),
        *options,
        "--edits",
        str(tmp_path / "edits.json"),
    )
    kept = json.loads((tmp_path / "first/bone.json").read_text())["edits"]
    assert kept == json.loads(json.dumps(EDITS["edits"]))
    (tmp_path / "again.json").write_text(json.dumps({"frame": "RAS-mm", "edits": kept}))
    run(
        "segment",
        str(ct),
        "--out",
        str(tmp_path / "second"),
        *options,
        "--edits",
        str(tmp_path / "again.json"),
    )
    for name in ("fragments.nii.gz", "surface-1.ply", "joint.ply", "bone.json"):
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()
    assert len(read_case(tmp_path / "first").fragments) == 3


def test_to_undo_is_to_leave_out_the_last() -> None:
    edits = edits_of(EDITS, "edits")[:3]
    kept = json.loads(json.dumps(edited(*edits).edits))
    undone = edited(*edits_of({"frame": "RAS-mm", "edits": kept[:-1]}, "edits"))
    before = edited(*edits[:2])
    np.testing.assert_array_equal(undone.labels, before.labels)
    assert len(undone.fragments) == 3


def test_a_list_survives_its_document() -> None:
    told = document_of(edits_of(EDITS, "edits"))
    assert json.loads(json.dumps(told)) == json.loads(json.dumps(EDITS["edits"]))


@pytest.mark.parametrize(
    ("edits", "told"),
    [
        ([{"cutt": {}}], "did you mean 'cut'"),
        ([{"paint": {"point_mm": [0, 0, 0]}}], "paint"),
        ([{}], "one of cut, sweep, merge and joint"),
        (
            [{"cut": {"point_mm": [0, 0, 0], "normal": [0, 0, 1]}, "merge": {"fragments": [1, 2]}}],
            "cut and merge",
        ),
        ([{"cut": {"point_mm": [0, 0, 0], "normal": [0, 0, 0]}}], "must not be 0, 0, 0"),
        ([{"cut": {"point_mm": [0, 0], "normal": [0, 0, 1]}}], "point_mm"),
        ([{"merge": {"fragments": [2, 2]}}], "two different fragments"),
        ([{"sweep": {"polyline_mm": [[0, 0, 0]], "direction": [0, 0, 1]}}], "polyline_mm"),
        ([{"joint": {"action": "paint", "point_mm": [0, 0, 0], "radius_mm": 1, "name": "a"}}], "action"),
        ([{"joint": {"action": "add", "point_mm": [0, 0, 0], "radius_mm": 0, "name": "a"}}], "radius_mm"),
    ],
)
def test_a_faulty_list_is_refused_with_its_place(edits: object, told: str, tmp_path: Path) -> None:
    path = tmp_path / "edits.json"
    path.write_text(json.dumps({"frame": "RAS-mm", "edits": edits}))
    with pytest.raises(InputError, match=told):
        edits_from_file(path)


def test_another_frame_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="frame"):
        edits_of({"frame": "LPS-mm", "edits": []}, "edits")
    with pytest.raises(InputError, match="cannot read"):
        edits_from_file(tmp_path / "none.json")


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        (Merge(1, 2), "between 1 and 1"),
        (sweep((-10, 0, 40), (10, 0, 40)), "no fragment"),
        (sweep((-10, 0, 0), (0, 0, 0), direction=(1, 0, 0)), "its own direction"),
        (sweep((-5, 0, -5), (5, 0, 5), (5, 0, -5), (-5, 0, 5)), "crosses itself"),
        (sweep((-5, 0, 0), (5, 0, 0), (0, 0, 4), (0, 0, 1)), "ends do"),
        (sweep((-2, 0, 12.4), (2, 0, 12.4)), "one side empty"),
        (sweep((-10, 0, 0), (10, 0, 0), direction=(0, 0, 0)), "direction"),
        (Cut(there(0, 0, 40), there(0, 0, 1)), "no fragment"),
    ],
)
def test_an_edit_that_cannot_be_is_refused(edit: object, told: str) -> None:
    with pytest.raises(InputError, match=told):
        edited(edit)
