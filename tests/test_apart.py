"""Touching bones and fragments told apart: against phantoms with known parting, and against plain twins.

The big numbers are the benchmark's (tests/benchmarks/bench_apart.py); here a few small phantoms stand for
them. Limits are the task's bars: Dice 0.99, cut within 0.25 mm (RMS) of the surface halfway.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from apart_phantoms import SCANS, Phantom, ball_in_socket, broken_tube, cluster, cut_error_mm, dice, scanned
from phantoms import as_ct, slabs
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_flow

from segmentation.apart import coarse_note, tell_apart
from segmentation.apart_pieces import Touching
from segmentation.apart_search import find_apart
from segmentation.asked import Seed
from segmentation.bone_pieces import find_pieces
from segmentation.components import pieces_above
from segmentation.cut_kernels import source_side
from segmentation.errors import InputError
from segmentation.level import PlainLevel
from segmentation.progress import StoppedError
from segmentation.recipe import segment
from segmentation.seeds import names_in_order, seeds_from_file
from segmentation.valley import survey
from segmentation.valley_kernels import bend_direction, deepen, neighbours_of
from segmentation.vocabulary import CTVolume, Grid

LEVEL_HU = 300.0
HALF_HU = 620.0
"""Half-way between soft tissue and the cortex: where a blurred edge is unbiased."""


def clicked(phantom: Phantom) -> tuple[Seed, ...]:
    return tuple(Seed(f"part {n}", f"part {n}", at) for n, at in enumerate(phantom.clicks_mm, start=1))


@pytest.fixture(scope="module")
def bones():
    """Three wrist-like bones, 0.8 mm apart, scan B, and what one click each says of them."""
    phantom = scanned(cluster(3, 0.8, 21), SCANS["B"], 21)
    return phantom, tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))


def test_one_click_a_bone_parts_a_cluster(bones):
    phantom, apart = bones
    assert dice(apart.labels, phantom.parts) >= 0.99
    assert cut_error_mm(apart.labels, phantom)[0] <= 0.25
    assert apart.good, apart.notes
    assert apart.names == ("part 1", "part 2", "part 3")


def test_the_same_cluster_is_found_without_a_click(bones):
    phantom, apart = bones
    found = find_apart(phantom.ct, LEVEL_HU, terrain=apart.terrain)
    assert len(found.names) == 3
    assert found.good
    own = np.array([0, *(np.bincount(phantom.parts[found.labels == n])[1:].argmax() + 1 for n in (1, 2, 3))])
    assert dice(own[found.labels].astype(np.uint8), phantom.parts) >= 0.99


@pytest.mark.parametrize(
    ("shape", "kind"),
    [
        (broken_tube(2, 0.5, 22), "A"),
        (broken_tube(4, 1.2, 23), "C"),
    ],
    ids=["two fragments 0.5 mm apart", "four, thick slices"],
)
def test_fragments_are_parted(shape, kind):
    phantom = scanned(shape, SCANS[kind], 22)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    assert dice(apart.labels, phantom.parts) >= 0.99
    assert cut_error_mm(apart.labels, phantom)[0] <= {"A": 0.25, "C": 0.35}[kind]
    assert apart.good, apart.notes


@pytest.mark.parametrize(
    ("shape", "ends"),
    [(broken_tube(2, 0.0, 24), 0), (broken_tube(2, 0.8, 25, hinge=True), 1), (cluster(2, 0.0, 26), 0)],
    ids=["no fracture at all", "half the section whole", "cortices fused"],
)
def test_what_is_one_is_refused_with_its_place(shape, ends):
    phantom = scanned(shape, SCANS["A"], 24)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    assert not apart.good
    refused = next(pair for pair in apart.pairs if not pair.good)
    assert refused.sentence is not None
    assert "part 1 and part 2 cannot be told apart around " in refused.sentence
    assert refused.guessed_mm2 > 20
    found = find_apart(phantom.ct, LEVEL_HU, terrain=apart.terrain)
    assert found.names == ("bone 1",)
    numbered, pieces, _ = pieces_above(phantom.ct, PlainLevel(LEVEL_HU), keep_small=False)
    searched = Touching(phantom.ct, LEVEL_HU, numbered, pieces).taken_apart((), lambda _step: None)
    assert not searched.labels.any()
    assert len([note for note in searched.notes if "left one" in note]) == ends


def test_a_bridge_of_bone_in_an_open_gap_is_told():
    """A bridge of 4 mm without cortex within a gap of 2 mm, beside a hollow rim that looks like a valley."""
    phantom = scanned(cluster(2, 2.0, 31, fused_mm=2.0), SCANS["A"], 31)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    (pair,) = apart.pairs
    assert pair.guessed_mm2 > np.pi * 2.0**2
    spread_mm = np.linalg.norm(pair.guessed_mm - pair.guessed_at_mm, axis=1)
    assert np.median(spread_mm) < 4
    assert any("or bone bridges it" in note for note in apart.notes) or not pair.good


def test_open_fatty_marrow_is_no_gap():
    """A gap of 2 mm lets soft tissue into marrow as soft: that proves nothing of where it runs inside."""
    phantom = scanned(broken_tube(2, 2.0, 27), SCANS["B"], 27, cancellous_hu=60.0)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    rms, _ = cut_error_mm(apart.labels, phantom)
    assert not apart.good or (rms <= 0.35 and dice(apart.labels, phantom.parts) >= 0.98)


def test_the_guessed_part_is_told_and_lies_where_cortices_touch():
    phantom = scanned(cluster(2, 1.0, 28, touching_mm=2.0), SCANS["A"], 28)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    (pair,) = apart.pairs
    assert pair.good
    assert pair.guessed_mm2 > 4
    assert len(pair.guessed_mm) > 10
    assert any("are guessed, around" in note for note in apart.notes)


def test_a_second_answer_uses_the_terrain_and_is_the_same(bones):
    phantom, apart = bones
    again = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom), terrain=apart.terrain)
    assert np.array_equal(again.labels, apart.labels)


def test_several_seeds_may_share_a_name_and_background_is_left_out(bones):
    phantom, apart = bones
    at = phantom.clicks_mm
    seeds = (Seed("one", "x", at[0]), Seed("one", "x", at[1]), Seed("background", "background", at[2]))
    joined = tell_apart(phantom.ct, LEVEL_HU, seeds, terrain=apart.terrain)
    assert joined.names == ("one",)
    assert joined.bones == ("x",)
    assert (joined.labels[phantom.parts == 2] == 1).mean() > 0.99
    assert (joined.labels[phantom.parts == 3] == 0).mean() > 0.99


def test_background_that_nothing_parts_from_its_bone_is_left_out_and_told():
    """A seed just beside a slab stands for the nearest of its voxels."""
    grid, hu = slabs(thicknesses_mm=(14.0,), hu=(400.0,), half_width_mm=8.0, voxel_mm=(0.8,) * 3)
    seeds = (
        Seed("bone", "bone", np.zeros(3)),
        Seed("background", "background", np.array([0, 0, 8.2])),
    )
    bone = segment(as_ct(grid, hu, noise_hu=5), threshold_hu=220, seeds=seeds, refine=False)
    assert [fragment.name for fragment in bone.fragments] == ["bone"]
    assert bone.fragments[0].volume_mm3 == pytest.approx(16 * 16 * 14, rel=0.03)
    (note,) = [one for one in bone.segmentation.notes if "background" in one]
    assert note.startswith("bone and background cannot be told apart around ")
    assert note.endswith("the seeds of the background were left out")


def test_a_seed_outside_bone_is_refused(bones):
    phantom, apart = bones
    seeds = (*clicked(phantom), Seed("lost", "lost", phantom.ct.grid.ijk_to_mm([[1, 1, 1]])[0]))
    with pytest.raises(InputError, match=r"'lost' at .* lies in no bone"):
        tell_apart(phantom.ct, LEVEL_HU, seeds, terrain=apart.terrain)


def test_two_names_in_one_voxel_are_refused(bones):
    phantom, apart = bones
    at = phantom.clicks_mm[0]
    with pytest.raises(InputError, match="'a' and 'b' lie in one voxel"):
        tell_apart(phantom.ct, LEVEL_HU, (Seed("a", "a", at), Seed("b", "b", at)), terrain=apart.terrain)


def test_a_person_can_stop_it(bones):
    phantom, _ = bones
    with pytest.raises(StoppedError):
        survey(phantom.ct, LEVEL_HU, cancelled=lambda: True)


def test_coarse_voxels_are_told():
    assert coarse_note(np.array([0.4, 0.4, 0.4])) is None
    told = coarse_note(np.array([0.98, 0.98, 3.27]))
    assert told is not None
    assert "narrower than about 2.8 mm" in told


# The recipe.


def test_segment_takes_seeds_and_names_the_fragments(bones, monkeypatch):
    """With pieces that were asked before: a page's way. The landscape is looked at once."""
    phantom, _ = bones
    pieces = find_pieces(phantom.ct, threshold_hu=HALF_HU)
    both = [Seed("both", "both", at) for at in phantom.clicks_mm[:2]]
    apart = pieces.touching.taken_apart(both, lambda _step: None)
    assert apart.known == (("both", "both"),)
    assert (apart.labels[(phantom.parts > 0) & (phantom.parts < 3) & (phantom.ct.hu > HALF_HU)] == 1).all()
    monkeypatch.setattr("segmentation.apart_pieces.survey", None)
    seeds = (
        Seed("distal", "scaphoid", phantom.clicks_mm[1]),
        Seed("proximal", "scaphoid", phantom.clicks_mm[0]),
    )
    bone = segment(phantom.ct, threshold_hu=HALF_HU, seeds=seeds, pieces=pieces)
    named = [(f.name, f.bone) for f in bone.fragments]
    assert named[:2] == [("distal", "scaphoid"), ("proximal", "scaphoid")]
    assert len(named) == 3, "the bone without a seed is kept"
    for number, part in ((1, 2), (2, 1), (3, 3)):
        truth = (phantom.parts == part).sum() * phantom.ct.grid.voxel_mm3
        assert bone.fragments[number - 1].volume_mm3 == pytest.approx(truth, rel=0.06)


def test_a_gap_faint_for_its_slices_is_told(bones):
    """0.3 mm between cortices that touch in places: in slices of 1 mm the cut is 0.38 mm off (RMS)."""
    phantom = scanned(cluster(3, 0.3, 90038, touching_mm=2.0), SCANS["C"], 90038)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    assert any("is faint for voxels of 1.0 mm, around" in note for note in apart.notes)
    assert not any("faint" in note for note in bones[1].notes)


def test_each_piece_is_asked_for_itself():
    """Three bones 1 mm apart are three pieces: each click looks at its own, where nothing is guessed."""
    phantom = scanned(cluster(3, 1.0, 22), SCANS["A"], 22)
    touching = find_pieces(phantom.ct).touching
    assert len(touching.pieces) == 3
    looked: list[str] = []
    seeds = [Seed(f"part {n}", f"part {n}", at) for n, at in enumerate(phantom.clicks_mm, start=1)]
    for count in (1, 2, 3, 3):
        looked.clear()
        apart = touching.taken_apart(seeds[:count], looked.append)
        assert len(apart.pieces) == len(apart.known) == count
        # The blurred rims of its neighbours are no bones beside it.
        assert apart.notes == ()
        assert not len(apart.guessed_mm)
        assert looked.count("looking for gaps in the bone") == (len(looked) > 0)
    assert looked == [], "nothing was asked that was not asked before"
    for part in (1, 2, 3):
        inside = (phantom.parts == part) & (phantom.ct.hu > HALF_HU)
        assert (apart.labels[inside] == part).mean() > 0.999


def test_kept_cuts_change_no_answer(bones):
    """Points come and go: each answer is that of a terrain which was never asked before."""
    phantom, apart = bones
    kept = replace(apart.terrain, cuts={})
    seeds = [Seed(f"part {n}", f"part {n}", at) for n, at in enumerate(phantom.clicks_mm, start=1)]
    beside = Seed("part 1", "part 1", phantom.clicks_mm[0] + 1.0)
    for asked in (seeds, [*seeds, beside], seeds[1:], seeds):
        fresh = tell_apart(phantom.ct, LEVEL_HU, asked, terrain=replace(apart.terrain, cuts={}))
        again = tell_apart(phantom.ct, LEVEL_HU, asked, terrain=kept)
        np.testing.assert_array_equal(fresh.labels, again.labels)
    assert len(kept.cuts) > 0


def test_segment_searches_for_bones_that_touch():
    """Gap 0.5 mm in scan B: at a given 300 HU the three are one piece, and stay it; without a level they
    part."""
    phantom = scanned(cluster(3, 0.5, 29), SCANS["B"], 29)
    assert len(segment(phantom.ct, threshold_hu=LEVEL_HU).fragments) == 1
    bone = segment(phantom.ct, refine=False)
    assert len(bone.fragments) == 3


def test_pieces_of_other_options_are_refused(bones):
    phantom, _ = bones
    pieces = find_pieces(phantom.ct, threshold_hu=HALF_HU)
    with pytest.raises(InputError, match="find them anew"):
        segment(phantom.ct, threshold_hu=LEVEL_HU, pieces=pieces)


def test_labels_and_seeds_together_are_refused(bones):
    phantom, apart = bones
    with pytest.raises(InputError, match="give one of them"):
        segment(phantom.ct, threshold_hu=LEVEL_HU, labels=apart.labels, seeds=clicked(phantom))


# Kernels, against plain twins.


def test_the_cut_is_scipys_maximum_flow():
    """Random capacities on a small grid; the reference is scipy.sparse.csgraph.maximum_flow."""
    rng = np.random.default_rng(5)
    shape = (5, 6, 7)
    n = int(np.prod(shape))
    index = np.arange(n, dtype=np.int32).reshape(shape)
    neighbours = neighbours_of(index, np.arange(n))
    capacity = np.where(neighbours >= 0, rng.integers(0, 50, (n, 6)), 0).astype(np.int64)
    terminal = np.zeros(n, np.int64)
    terminal[index[0].ravel()] = 1000
    terminal[index[-1].ravel()] = -1000
    rows = np.repeat(np.arange(n), 6)[neighbours.ravel() >= 0]
    columns, values = (a.ravel()[neighbours.ravel() >= 0] for a in (neighbours, capacity))
    ends = np.flatnonzero(terminal)
    graph = csr_matrix(
        (
            np.concatenate([values, np.full(len(ends), 1000)]),
            (
                np.concatenate([rows, np.where(terminal[ends] > 0, n, ends)]),
                np.concatenate([columns, np.where(terminal[ends] > 0, ends, n + 1)]),
            ),
        ),
        shape=(n + 2, n + 2),
    ).astype(np.int32)
    wanted = maximum_flow(graph, n, n + 1).flow_value
    before = capacity.copy()
    side, flow = source_side(neighbours, capacity, terminal)
    assert flow == wanted
    crossing = side[:, None] & (neighbours >= 0) & ~side[neighbours]
    assert before[crossing].sum() == flow


def test_the_direction_of_the_strongest_bend_is_numpys_eigenvector():
    rng = np.random.default_rng(6)
    for _ in range(20):
        root = rng.normal(size=(3, 3))
        hessian = root + root.T
        at = np.stack(np.indices((3, 3, 3)) - 1, axis=-1) * np.array([0.4, 0.5, 1.0])
        field = np.einsum("...i,ij,...j->...", at, hessian, at) / 2
        direction = np.empty(3)
        largest = bend_direction(field, 1, 1, 1, np.array([0.4, 0.5, 1.0]), direction)
        values, vectors = np.linalg.eigh(hessian)
        assert largest == pytest.approx(values[-1])
        assert abs(direction @ vectors[:, -1]) == pytest.approx(1.0)


def test_the_depth_of_a_valley_is_a_plain_twins():
    rng = np.random.default_rng(7)
    step = np.array([0.4, 0.4, 0.6])
    grey = gaussian_filter(rng.normal(300, 400, (14, 14, 14)), 1.0).astype(np.float32)
    at = np.array([int(np.ravel_multi_index(p, grey.shape)) for p in rng.integers(5, 9, (30, 3))])
    found = np.zeros(len(at), np.float32)
    deepen(grey, grey, at, step, 1.5, 0.5, 0.5, found)
    assert (found > 10).sum() > 5
    for value, flat in zip(found, at, strict=True):
        assert value == pytest.approx(
            _plain_valley(grey, np.array(np.unravel_index(flat, grey.shape)), step), abs=0.5
        )


def _plain_valley(grey, place, step):
    direction = np.empty(3)
    if bend_direction(grey, *place, step, direction) <= 0:
        return 0.0
    least = int(np.argmin(np.abs(direction)))
    p = np.eye(3)[least] - direction * direction[least]
    p /= np.linalg.norm(p)
    q = np.cross(direction, p)
    disc = [np.zeros(3), *(0.5 * (np.cos(a) * p + np.sin(a) * q) for a in np.arange(8) * np.pi / 4)]

    def mean_at(t):
        places = np.array([place + (t * direction + d) / step for d in disc])
        return map_coordinates(grey.astype(float), places.T, order=1).mean()

    sides = [max(mean_at(sign * t) for t in (0.5, 1.0, 1.5)) for sign in (1, -1)]
    return max(min(sides) - mean_at(0), 0.0)


# The file.


def write(path: Path, document: object) -> Path:
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


GOOD = {"name": "proximal", "bone": "scaphoid", "point_mm": [1, 2.5, 3]}


def test_a_seeds_file_is_read(tmp_path):
    document = {
        "frame": "RAS-mm",
        "seeds": [
            GOOD,
            {"name": "lunate", "point_mm": [4, 5, 6]},
            {"name": "proximal", "point_mm": [1, 2, 4]},
        ],
    }
    seeds = seeds_from_file(write(tmp_path / "seeds.json", document))
    told = [(s.name, s.bone, *s.point_mm) for s in seeds]
    assert told[0] == ("proximal", "scaphoid", 1.0, 2.5, 3.0)
    assert told[1][:2] == ("lunate", "lunate")
    assert told[2][:2] == ("proximal", "scaphoid"), "the bone of a name is told once"
    assert names_in_order(seeds) == ("proximal", "lunate")


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({"frame": "LPS-mm", "seeds": [GOOD]}, "RAS-mm"),
        ({"seeds": [GOOD]}, "'frame' is missing"),
        ({"frame": "RAS-mm", "seeds": []}, "at least 1"),
        ({"frame": "RAS-mm", "seeds": [{"name": "a"}]}, "'point_mm' is missing"),
        ({"frame": "RAS-mm", "seeds": [{**GOOD, "point_mm": [1, 2]}]}, "at least 3"),
        ({"frame": "RAS-mm", "seeds": [{**GOOD, "point_mm": [1, 2, 1e9]}]}, "10000"),
        ({"frame": "RAS-mm", "seeds": [{**GOOD, "nmae": "x"}]}, "nmae"),
        (
            {"frame": "RAS-mm", "seeds": [{"name": "background", "point_mm": [0, 0, 0]}]},
            "name at least one bone",
        ),
        (
            {"frame": "RAS-mm", "seeds": [GOOD, {**GOOD, "bone": "lunate", "point_mm": [0, 0, 0]}]},
            "two bones",
        ),
        ({"frame": "RAS-mm", "seeds": [GOOD, {**GOOD, "name": "other"}]}, "one and the same point"),
    ],
)
def test_a_bad_seeds_file_is_refused_in_one_sentence(tmp_path, document, told):
    with pytest.raises(InputError) as error:
        seeds_from_file(write(tmp_path / "seeds.json", document))
    assert told in str(error.value)
    assert "\n" not in str(error.value)
    assert "seeds.json" in str(error.value)


def test_a_ball_in_a_socket_is_parted():
    phantom = scanned(ball_in_socket(1.0), SCANS["A"], 30)
    apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
    assert dice(apart.labels, phantom.parts) >= 0.99
    assert cut_error_mm(apart.labels, phantom)[0] <= 0.25


def test_nothing_to_part_is_refused():
    with pytest.raises(InputError, match="nothing is bone"):
        survey(CTVolume(Grid((9, 9, 9), np.eye(4)), np.zeros((9, 9, 9), np.int16), "none"), 200.0)


def test_coarse_voxels_are_parted_by_what_was_named_only(monkeypatch):
    """In slices of 3 mm the search makes crumbs of texture (of real knees and hips): it is not asked."""
    monkeypatch.setattr("segmentation.apart_pieces.find_bones", None)
    fine = scanned(cluster(2, 2.0, 31), SCANS["A"], 31)
    z = np.arange(0, fine.ct.hu.shape[2] - 7, 7)
    hu = np.stack([fine.ct.hu[:, :, k : k + 7].mean(axis=2) for k in z], axis=2)
    affine = fine.ct.grid.affine @ np.diag([1, 1, 7, 1.0])
    affine[:3, 3] += fine.ct.grid.affine[:3, 2] * 3
    touching = find_pieces(
        CTVolume(Grid(hu.shape, affine), hu.astype(np.float32), "thick"), keep_small=True
    ).touching
    seeds = [Seed(f"part {n}", f"part {n}", at) for n, at in enumerate(fine.clicks_mm, start=1)]
    apart = touching.taken_apart(seeds, lambda _step: None)
    assert any("with voxels of up to 2.8 mm" in note for note in apart.notes)
