"""Bringing displaced fragments back. The truth is the motion that the phantom was displaced by.

Bars: wavy cuts 0.4 mm and 1°, flat ones with their cortex 0.5 mm and 3.5° (the user's issue 5). A hundred
runs of each stand in tests/benchmarks/bench_reduction.py; here is one of each kind.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from phantoms import CALIBRATION, FWHM_PER_SIGMA, placed, points_of
from reduction_phantoms import (
    CLOSE_MM,
    LEVEL_HU,
    Broken,
    broken,
    fragments_of,
    moved_by,
    rough_pairs,
    seeds_of,
)
from scipy.ndimage import map_coordinates
from scipy.special import ndtr

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.case import read_case, write_case, write_poses
from segmentation.edge_kernels import disc_profiles
from segmentation.errors import InputError
from segmentation.fracture_face import Side, _open, fracture_side
from segmentation.narrow_gap import beside_another
from segmentation.pairs_file import read_pairs
from segmentation.progress import StoppedError
from segmentation.recipe import segment
from segmentation.reduction import reduce_fragment, reduce_sides, with_reduction
from segmentation.reduction_certainty import CLOSED_MM, COVER_FACTOR, PATCH_MM, uncertainty
from segmentation.reduction_starts import NO_PAIRS, Pairs
from segmentation.reduction_trust import apart_mm
from segmentation.rigid_fit import Points, settled
from segmentation.vocabulary import Bone, Fragment
from viewer.command_line import run

KINDS = [("solid", 0.3), ("hollow", 0.8), ("block", 0.0)]


@cache
def broken_bone(kind: str, wave_mm: float, seed: int = 3) -> tuple[Broken, Bone, int, int]:
    """A phantom, its bone, and the numbers of the lower and the upper piece."""
    made = broken(kind, seed, wave_mm=wave_mm)
    bone = segment(made.ct, threshold_hu=LEVEL_HU, calibration=CALIBRATION)
    lower, upper = fragments_of(made, bone)
    return made, bone, lower, upper


@cache
def unbroken() -> Broken:
    """The bone of ``broken_bone("solid", 0.8)`` before it broke."""
    return broken("solid", 3, wave_mm=0.8, whole=True)


@cache
def sides(kind: str, wave_mm: float) -> tuple[Side, Side, Fragment, Fragment]:
    """Fixed and moving side and the fragments: upper and lower."""
    _, bone, lower, upper = broken_bone(kind, wave_mm)
    low, up = bone.fragment(lower), bone.fragment(upper)
    fixed = fracture_side(bone.ct, low.surface, up.surface)
    moving = fracture_side(bone.ct, up.surface, low.surface)
    return fixed, moving, up, low


@pytest.mark.parametrize("pairs_count", [0, 1, 3])
@pytest.mark.parametrize(("kind", "wave_mm"), KINDS)
def test_a_fragment_comes_back(kind: str, wave_mm: float, pairs_count: int):
    made, bone, lower, upper = broken_bone(kind, wave_mm)
    pairs = rough_pairs(made, pairs_count, np.random.default_rng(pairs_count)) if pairs_count else NO_PAIRS
    found = reduce_fragment(bone, upper, lower, pairs=pairs)
    error_mm, error_degree = made.error(found.pose)
    assert found.accepted, found.reasons
    # Told as what a pose may be off by, so at most now and then exceeded.
    assert error_mm < found.uncertainty_mm
    assert error_degree < 1.5 * found.uncertainty_degree
    assert found.uncertainty_degree < 1
    assert found.bend_degree is not None
    assert found.bend_degree < 2
    assert error_mm < (0.4 if wave_mm else 0.5)
    assert error_degree < (1.0 if wave_mm else 3.5)
    off = found.pose @ made.moved
    assert found.shift_mm > 1
    assert found.rotation_degree == pytest.approx(
        np.degrees(np.arccos((np.trace(made.moved[:3, :3]) - 1) / 2)), abs=error_degree + 0.01
    )
    assert off[3] == pytest.approx([0, 0, 0, 1])


def test_faces_lie_on_the_true_cut():
    made, *_ = broken_bone("solid", 0.3)
    for side, moved, sign in zip(sides("solid", 0.3), (np.eye(4), made.moved), (-1, 1), strict=False):
        own = moved_by(np.linalg.inv(moved @ made.placement), side.face_mm)
        high = own[:, 2] - made.cut.height_mm(own)
        assert (np.abs(high) < 1).mean() > 0.98
        # By the noise and the texture: a fixed level would leave 0.5 mm between cortex and cancellous bone.
        assert high.std() < 0.25
        assert abs(high.mean()) < 0.15
        outer = moved_by(np.linalg.inv(moved @ made.placement), side.outer_mm)
        assert np.abs(made.shape.depth_mm(outer)).mean() < 0.15
        assert sign * (side.looks @ (moved @ made.placement)[:3, 2]) < -0.8


def test_profiles_are_scipys():
    hu = np.random.default_rng(1).normal(size=(9, 10, 11))
    to_ijk = np.diag([1 / 0.5, 1 / 0.6, 1 / 0.7, 1.0])
    points, n = np.array([[2.0, 2.5, 3.0], [1.5, 3.0, 4.0]]), np.array([[0, 0, 1.0], [1.0, 0, 0]])
    u, v = np.array([[1.0, 0, 0], [0, 1.0, 0]]), np.array([[0, 1.0, 0], [0, 0, 1.0]])
    disc, depth = np.array([[0, 0], [0.4, 0.1], [-0.2, 0.3]]), np.array([-0.5, 0.0, 0.7])
    found = disc_profiles(hu, to_ijk, points, n, u, v, disc, depth)
    for row in range(2):
        for column, t in enumerate(depth):
            places = points[row] + t * n[row] + disc[:, :1] * u[row] + disc[:, 1:] * v[row]
            ijk = places @ to_ijk[:3, :3].T
            assert found[row, column] == pytest.approx(map_coordinates(hu, ijk.T, order=1).mean())


def test_fragments_that_do_not_belong_together_are_refused():
    for one, other in ((("solid", 0.3), ("block", 0.0)), (("hollow", 0.8), ("solid", 0.3))):
        fixed, _, _, low = sides(*one)
        _, moving, up, _ = sides(*other)
        assert not reduce_sides(fixed, moving, up, low).accepted


def test_a_foreign_relief_is_refused_though_the_outline_fits():
    fixed, _, _, low = sides("solid", 0.3)
    _, bone, lower, upper = broken_bone("solid", 0.8)
    moving = fracture_side(bone.ct, bone.fragment(upper).surface, bone.fragment(lower).surface)
    found = reduce_sides(fixed, moving, bone.fragment(upper), low)
    assert not found.accepted
    assert any("relief" in reason or "off each other" in reason for reason in found.reasons)


def test_a_flat_cut_of_another_bone_is_refused_for_its_bend():
    """Two blocks of one outline, cut flat at leans 12° apart: face to face their walls meet at an angle."""
    fixed, _, _, low = sides("block", 0.0)
    _, bone, lower, upper = broken_bone("block", 0.0, 1)
    up, below = bone.fragment(upper), bone.fragment(lower)
    found = reduce_sides(fixed, fracture_side(bone.ct, up.surface, below.surface), up, low)
    assert found.residual_mm < 0.3
    assert found.agreement_fraction is None
    assert found.bend_degree is not None
    assert found.bend_degree > 5
    assert any("bend" in reason for reason in found.reasons)


def test_an_oblique_shaft_of_cortex_comes_back():
    """Its wall stands 55° from the face, as steep as a wave's flank."""
    made = broken("hollow", 301, wave_mm=0.3, lean_degree=35.0)
    bone = segment(made.ct, threshold_hu=LEVEL_HU, find_joints=False)
    lower, upper = fragments_of(made, bone)
    found = reduce_fragment(bone, upper, lower)
    error_mm, error_degree = made.error(found.pose)
    assert found.accepted, found.reasons
    assert error_mm < 0.4
    assert error_degree < 1.0


def test_touching_pieces_are_told_apart_and_brought_back():
    """The whole chain on one scan: points in the pieces, their labels, the fit."""
    made = broken("solid", 1, wave_mm=0.3, clear_mm=CLOSE_MM)
    assert len(segment(made.ct, threshold_hu=LEVEL_HU, find_joints=False).fragments) == 1
    bone = segment(made.ct, threshold_hu=LEVEL_HU, find_joints=False, seeds=seeds_of(made))
    found = reduce_fragment(bone, *reversed(fragments_of(made, bone)))
    error_mm, error_degree = made.error(found.pose)
    assert found.accepted, found.reasons
    assert error_mm < 0.4
    assert error_degree < 1.0


def test_a_hollow_shaft_is_told_apart_and_brought_back():
    """Its marrow is closed as that of a piece is: an open one has a bottom that looks like a face."""
    made = broken("hollow", 2, wave_mm=0.3, clear_mm=CLOSE_MM)
    bone = segment(made.ct, threshold_hu=LEVEL_HU, find_joints=False, seeds=seeds_of(made))
    lower, upper = fragments_of(made, bone)
    along = np.linspace(-made.shape.half_length_mm + made.shape.cortex_mm, 0, 20)[:-6]
    marrow_mm = moved_by(made.placement, np.stack([0 * along, 0 * along, along], axis=1))
    i, j, k = np.round(made.ct.grid.mm_to_ijk(marrow_mm)).astype(int).T
    assert (bone.labels[i, j, k] == lower).all()
    found = reduce_fragment(bone, upper, lower)
    error_mm, error_degree = made.error(found.pose)
    assert found.accepted, found.reasons
    assert error_mm < 0.2
    assert error_degree < 0.6


def test_an_open_marrow_has_no_face_at_its_bottom():
    """A cup of wall and bottom, both square to the axis: of the two that look out, the rim is the face."""
    turn, high = (part.ravel() for part in np.meshgrid(np.arange(0, 6.28, 0.05), np.arange(-10, 0.1, 0.4)))
    ring = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    wall = 6.0 * ring + high[:, None] * [0, 0, 1]
    x, y = (part.ravel() for part in np.meshgrid(*[np.arange(-6, 6.1, 0.4)] * 2))
    bottom = np.stack([x, y, 0 * x - 10], axis=1)[np.hypot(x, y) < 5.6]
    rim = np.concatenate([radius * ring[:126] for radius in (6.0, 7.0, 8.0)])
    points = np.concatenate([wall, bottom, rim])
    chosen = np.arange(len(points)) >= len(wall)
    kept = _open(points, chosen, np.array([0, 0, 1.0]))
    assert kept[-len(rim) :].all()
    assert not kept[: -len(rim)].any()


@pytest.mark.parametrize(("gap_mm", "outside_hu"), [(0.4, 45), (0.8, 45), (1.4, 100)])
def test_an_edge_across_a_narrow_gap_is_where_it_is(gap_mm: float, outside_hu: float):
    """Two walls seen through a blur of 0.8 mm (closed form), and walls with nothing opposite."""
    depth = np.arange(-1.6, 1.81, 0.2)
    sigma_mm = 0.8 / FWHM_PER_SIGMA
    first, second = ndtr(-depth / sigma_mm), ndtr((depth - gap_mm) / sigma_mm)
    between, alone = 45 + 1155 * (first + second), 45 + 1155 * first
    hu = np.array([between] * 3 + [alone] * 60)
    lowest = np.argmin(hu, axis=1)
    # Half way from the least to the most lies inside the bone.
    half = (1200 + hu.min(axis=1)) / 2
    out = np.array([np.interp(-level, -row[:12], depth[:12]) for row, level in zip(hu, half, strict=True)])
    assert out[0] < (-0.2 if gap_mm < 0.5 else 0)
    found, outside, moved = beside_another(hu, depth, out, lowest)
    assert np.abs(found[:3]).max() < 0.06
    assert outside[:3] == pytest.approx(outside_hu, abs=5)
    assert (found[3:] == out[3:]).all()
    assert not moved[3:].any()


def test_a_reduction_tells_its_steps_and_can_be_stopped():
    _, bone, lower, upper = broken_bone("block", 0.0)
    told: list[str] = []
    reduce_fragment(bone, upper, lower, progress=told.append)
    assert len(told) == len(set(told)) >= 4
    for count in (1, len(told) - 1):
        heard: list[str] = []
        with pytest.raises(StoppedError):
            reduce_fragment(
                bone,
                upper,
                lower,
                progress=heard.append,
                cancelled=lambda heard=heard, count=count: len(heard) == count,
            )
        assert heard == told[:count]


def test_what_a_pose_may_be_off_by_is_what_repeats_scatter_by():
    """A flat face between two walls, its places off by 0.1 mm patch by patch, fitted again and again."""
    rng = np.random.default_rng(1)
    x, y = (part.ravel() for part in np.meshgrid(*[np.arange(-8.9, 9, 0.6)] * 2))
    edge = np.full_like(x, 9)
    face, up = np.stack([x, y, 0 * x], axis=1), np.tile([0, 0, 1.0], (len(x), 1))
    wall = np.concatenate([np.stack([edge, x, y], axis=1), np.stack([x, edge, y], axis=1)])
    out = np.repeat(np.eye(3)[:2], len(x), axis=0)
    fixed = Points(face, up, wall, out)
    missed, told = [], []
    for _ in range(30):
        patches = rng.normal(0, 0.1, (6, 6))[
            ((x + 9) // PATCH_MM).astype(int), ((y + 9) // PATCH_MM).astype(int)
        ]
        moving = Points(face + patches[:, None] * up, -up, wall, out)
        pose = settled(fixed, moving, np.eye(4)[None], (1.0,), 6)[0]
        missed.append(apart_mm(moving, pose[None], np.eye(4))[0])
        told.append(uncertainty(fixed, moving, pose))
    mm, degree = np.array(told).T
    spread_mm = np.sqrt((mm**2 - CLOSED_MM**2).mean()) / COVER_FACTOR
    assert spread_mm == pytest.approx(np.sqrt(np.square(missed).mean()), rel=0.3)
    assert 0 < degree.max() < 1
    bald = (Points(face, sign * up, wall[:0], out[:0]) for sign in (1, -1))
    assert uncertainty(*bald, np.eye(4)) == (np.inf, np.inf)


def test_a_bald_flat_cut_is_refused():
    bald = [
        replace(side, outer_mm=side.outer_mm[:0], outer_normals=side.outer_normals[:0])
        for side in sides("block", 0.0)[:2]
    ]
    found = reduce_sides(*bald, *sides("block", 0.0)[2:])
    assert any("flat" in reason for reason in found.reasons)
    assert any("does not determine" in reason or "do not determine" in reason for reason in found.reasons)


def test_wrong_pairs_are_told():
    made, bone, lower, upper = broken_bone("solid", 0.3)
    pairs = rough_pairs(made, 3, np.random.default_rng(0))
    away = 15 * np.array([1.0, 0, 0])
    found = reduce_fragment(bone, upper, lower, pairs=Pairs(pairs.move_mm, pairs.onto_mm + away))
    assert any("pair" in reason for reason in found.reasons)


def test_a_fragment_moved_onto_a_moved_one_goes_with_it():
    made, bone, lower, upper = broken_bone("hollow", 0.8)
    pose = np.eye(4)
    pose[:3, 3] = (5.0, -3.0, 2.0)
    posed = tuple(replace(one, pose=pose) if one.number == lower else one for one in bone.fragments)
    found = reduce_fragment(replace(bone, fragments=posed), upper, lower)
    assert made.error(np.linalg.inv(pose) @ found.pose)[0] < 0.4


def test_the_mirrored_side_gives_the_start():
    made, bone, lower, upper = broken_bone("solid", 0.8)
    healthy = segment(unbroken().ct, threshold_hu=LEVEL_HU)
    left_right = np.array([-1.0, 1.0, 1.0])
    surface = healthy.fragments[0].surface
    mirrored = replace(surface, vertices_mm=surface.vertices_mm * left_right, faces=surface.faces[:, ::-1])
    found = reduce_fragment(bone, upper, lower, mirror=[mirrored])
    assert found.accepted, found.reasons
    assert made.error(found.pose)[0] < 0.4


def test_a_lag_screw_across_a_reduced_fracture_measures_as_on_the_unbroken_bone():
    made, bone, lower, upper = broken_bone("solid", 0.8)
    found = reduce_fragment(bone, upper, lower)
    reduced = with_reduction(bone, found)
    whole = unbroken()
    own = moved_by(np.linalg.inv(whole.placement), points_of(whole.ct.grid))
    inside = whole.shape.depth_mm(own) > -1
    labels = np.where(inside, np.where(own[..., 2] > whole.cut.height_mm(own), 2, 1), 0).astype(np.uint8)
    labelled = segment(whole.ct, threshold_hu=LEVEL_HU, labels=labels, calibration=CALIBRATION)
    length = made.shape.half_length_mm
    entry, target = moved_by(made.placement, np.array([[2.0, 1.0, length], [0.0, -2.0, -length]]))
    plan = Plan((placed(entry, target, "iso5835-hb-4.0-partial", 25.0, technique="lag"),))
    truth, here = (assess(one, plan).screws[0] for one in (labelled, reduced))
    far = {one.fragment: one for one in here.fragments}[lower]
    true_far = {one.fragment: one for one in truth.fragments}[1]
    assert true_far.threads_engaged > 3
    assert far.thread_engagement_mm == pytest.approx(true_far.thread_engagement_mm, abs=0.3)
    assert far.axis_path_mm == pytest.approx(true_far.axis_path_mm, abs=0.3)
    assert here.bone_length_mm == pytest.approx(truth.bone_length_mm, abs=0.3)
    for result in (truth, here):
        gap_mm = result.bone_length_mm - sum(one.axis_path_mm for one in result.fragments)
        assert gap_mm == pytest.approx(0, abs=0.3)
    assert far.pullout_n.estimate == pytest.approx(true_far.pullout_n.estimate, rel=0.03)
    # The screw's angle to the fracture: the moved face's mean direction is the fixed one's, turned round.
    fixed = fracture_side(bone.ct, bone.fragment(lower).surface, bone.fragment(upper).surface)
    moving = fracture_side(bone.ct, bone.fragment(upper).surface, bone.fragment(lower).surface)
    looks = found.pose[:3, :3] @ moving.looks
    angles = [np.degrees(np.arccos(abs(here.direction @ one))) for one in (fixed.looks, looks)]
    assert angles[0] == pytest.approx(angles[1], abs=1.0)
    assert "fragments-overlap" not in {one.code for one in here.findings}


@pytest.fixture
def case(tmp_path: Path) -> tuple[Path, Broken, int, int]:
    made, bone, lower, upper = broken_bone("solid", 0.8)
    write_case(tmp_path / "case", bone)
    return tmp_path / "case", made, lower, upper


def test_the_command_writes_the_pose_and_takes_it_back(case, tmp_path, capsys):
    folder, made, lower, upper = case
    (folder / "plan.json").write_text("{}")
    (folder / "assessment.json").write_text("{}")
    before = read_case(folder)
    assert run(["reduce", str(folder), "--move", str(upper), "--onto", f"fragment {lower}"]) == 0
    assert "turned by" in capsys.readouterr().out
    after = read_case(folder)
    assert made.error(after.fragment(upper).pose)[0] < 0.4
    assert after.fragment(upper).bone == after.fragment(lower).bone
    assert not (folder / "assessment.json").exists()
    assert (folder / "plan.json").exists()
    assert run(["reduce", str(folder), "--move", str(upper), "--as-scanned"]) == 0
    assert (read_case(folder).fragment(upper).pose == before.fragment(upper).pose).all()
    capsys.readouterr()
    assert run(["reduce", str(folder), "--move", str(upper), "--onto", str(lower), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["pose"] == after.fragment(upper).pose.tolist()


def test_a_refusal_writes_nothing(case, tmp_path, capsys):
    folder, made, lower, upper = case
    rough = rough_pairs(made, 3, np.random.default_rng(1))
    onto = rough.onto_mm + np.array([0, 0, 9.0])
    pairs = [
        {"move_mm": one.tolist(), "onto_mm": other.tolist()}
        for one, other in zip(rough.move_mm, onto, strict=True)
    ]
    (tmp_path / "pairs.json").write_text(json.dumps({"frame": "RAS-mm", "pairs": pairs}))
    before = (folder / "bone.json").read_bytes()
    command = ["reduce", str(folder), "--move", str(upper), "--onto", str(lower)]
    assert run([*command, "--pairs", str(tmp_path / "pairs.json")]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.strip().splitlines()) == 1
    assert (folder / "bone.json").read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--move", "9", "--onto", "1"], "no fragment"),
        (["--move", "1", "--onto", "1"], "onto itself"),
        (["--move", "1"], "--onto is missing"),
        (["--move", "1", "--onto", "2", "--as-scanned"], "takes only --move"),
    ],
)
def test_bad_words_are_told(case, capsys, arguments, said):
    assert run(["reduce", str(case[0]), *arguments]) == 2
    assert said in capsys.readouterr().err


def test_a_bad_pairs_file_is_told(tmp_path):
    path = tmp_path / "pairs.json"
    path.write_text('{"frame": "LPS-mm", "pairs": [{"move_mm": [1, 2, 3], "onto_mm": [1, 2]}]}')
    with pytest.raises(InputError, match="onto_mm"):
        read_pairs(path)


def test_a_pose_that_is_not_rigid_is_refused(case):
    folder, _, _, upper = case
    before = (folder / "bone.json").read_bytes()
    for pose in (np.diag([1.0, 1.0, -1.0, 1.0]), np.diag([1.01, 1.0, 1.0, 1.0])):
        with pytest.raises(InputError, match="rigid"):
            write_poses(folder, {upper: pose})
    assert (folder / "bone.json").read_bytes() == before
