"""What a segmentation keeps of its own work: counted against numpy and the files it writes, and read back."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from phantoms import as_ct, grid_around, points_of, step
from shell_with_cut import FWHM_MM, shell_with_cut
from two_slabs import two_slabs

from segmentation import record
from segmentation.case import read_case, write_case
from segmentation.errors import InputError
from segmentation.point_spread import FWHM_PER_SIGMA_RATIO
from segmentation.profiles import noise_and_where, noise_hu
from segmentation.recipe import segment
from segmentation.record import histogram_of, shares_of
from segmentation.vocabulary import NO_DATA_BELOW_HU, CTVolume, Grid, Place


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("record") / "case"
    write_case(path, shell_with_cut())
    return path


def document(folder):
    return json.loads((folder / "bone.json").read_text())["segmentation"]["record"]


def test_the_histogram_is_numpys_and_sums_to_the_counted_voxels():
    rng = np.random.default_rng(1)
    hu = rng.integers(-2000, 3500, (20, 30, 25)).astype(np.int16)
    labels = (rng.random(hu.shape) < 0.2).astype(np.uint8) * 3
    found = histogram_of(CTVolume(Grid(hu.shape, np.eye(4)), hu, "x"), labels)
    data = hu >= NO_DATA_BELOW_HU
    assert found.counts.sum() == data.sum() < hu.size
    assert found.bone_counts.sum() == (data & (labels > 0)).sum()
    # Against numpy.histogram, whose last bin is closed; the brightest are in the last bin.
    edges = found.edges_hu
    assert edges[0] == NO_DATA_BELOW_HU
    inside = np.where(hu >= edges[-1], edges[-1] - 1, hu)
    assert (found.counts == np.histogram(inside[data], edges)[0]).all()
    assert (found.bone_counts == np.histogram(inside[data & (labels > 0)], edges)[0]).all()


def test_a_large_scan_is_thinned_evenly(monkeypatch):
    hu = np.random.default_rng(2).integers(-1000, 2000, (31, 30, 29)).astype(np.float32)
    monkeypatch.setattr(record, "MOST_VOXELS_COUNT", hu.size // 20)
    found = histogram_of(CTVolume(Grid(hu.shape, np.eye(4)), hu, "x"), np.ones(hu.shape, np.uint8))
    # The cube root of 20 is 2.7.
    assert found.every == 3
    assert found.counts.sum() == found.bone_counts.sum() == hu[::3, ::3, ::3].size


def test_the_record_of_a_scan_counts_all_of_it():
    bone = shell_with_cut()
    kept = bone.segmentation.record
    assert kept.histogram.counts.sum() == bone.ct.hu.size
    assert kept.histogram.bone_counts.sum() == (bone.labels > 0).sum()
    # Nothing darker is bone; then 5, 50 and 95 of 100 points of the surface, which the level adapts to.
    levels_hu = [level.level_hu for level in kept.levels]
    assert len(levels_hu) == 4
    assert levels_hu == sorted(levels_hu)
    assert levels_hu[2] == bone.segmentation.threshold_hu


def test_blur_and_noise_are_those_the_phantom_was_made_with():
    """Made with a blur of 0.8 mm at half height in all directions and 15 HU of noise."""
    blur = shell_with_cut().segmentation.record.blur
    # Within the 0.09 mm held in test_point_spread.
    assert pytest.approx(FWHM_MM, abs=0.09) == FWHM_PER_SIGMA_RATIO * blur.point_spread.sigma_xy_mm
    assert blur.noise_hu == pytest.approx(15.0, rel=0.05)
    assert blur.noise_where == "muscle"


def test_where_the_noise_was_measured_is_told():
    rng = np.random.default_rng(3)
    for level, where in (
        (50, "muscle"),
        (-100, "soft tissue"),
        (700, "all but air"),
        (-1000, "all grey values"),
    ):
        hu = (level + rng.normal(0, 8, (24, 24, 24))).astype(np.int16)
        ct = CTVolume(Grid(hu.shape, np.eye(4)), hu, "x")
        found, said = noise_and_where(ct, np.array([[12.0, 12, 12]]))
        assert said == where
        assert found == noise_hu(ct, np.array([[12.0, 12, 12]])) == pytest.approx(8, rel=0.1)


def test_shares_are_those_counted_in_the_surface_files(folder):
    """Read by another library."""
    kept = document(folder)["surfaces"]
    assert [part["fragment"] for part in kept] == [1, 2]
    seen = set()
    for part in kept:
        mesh = trimesh.load_mesh(folder / f"surface-{part['fragment']}.ply", process=False)
        rows = mesh.metadata["_ply_raw"]["vertex"]["data"]
        place, known = np.asarray(rows["place"]).ravel(), np.asarray(rows["thickness_known"]).ravel()
        assert part["vertices_count"] == len(place)
        names = ("measured", "repaired", "no_edge", "level")
        shares = [part[f"{name}_fraction"] for name in names]
        assert shares == pytest.approx([np.mean(place == number) for number in range(4)], abs=1e-12)
        assert sum(shares) == pytest.approx(1, abs=1e-12)
        assert part["thickness_known_fraction"] == pytest.approx(np.mean(known), abs=1e-12)
        assert not known[place != Place.MEASURED].any()
        seen |= set(place.tolist())
    assert seen == set(range(4))


def test_a_cut_is_left_on_the_level():
    """The cut plane is z = −4: its vertices there, away from the ball's surface, are on no edge."""
    for fragment in shell_with_cut().fragments:
        on_cut = np.abs(fragment.surface.vertices_mm[:, 2] + 4) < 0.05
        within = np.hypot(*fragment.surface.vertices_mm[:, :2].T) < 5
        assert (on_cut & within).sum() > 100
        assert (fragment.cortex.place[on_cut & within] == Place.LEVEL).mean() > 0.95


def test_the_record_comes_back_as_it_was(folder):
    before, after = shell_with_cut().segmentation.record, read_case(folder).segmentation.record
    assert after.levels[0].what == before.levels[0].what
    assert after.levels[0].level_hu == before.levels[0].level_hu
    for name in ("counts", "bone_counts", "edges_hu"):
        np.testing.assert_array_equal(getattr(after.histogram, name), getattr(before.histogram, name))
    assert after.histogram.every == before.histogram.every
    assert vars(after.blur.point_spread) == vars(before.blur.point_spread)
    assert (after.blur.noise_hu, after.blur.noise_where) == (before.blur.noise_hu, before.blur.noise_where)
    for one, other in zip(shell_with_cut().fragments, read_case(folder).fragments, strict=True):
        assert shares_of(one) == shares_of(other)


def test_a_case_written_again_is_the_same(folder, tmp_path):
    write_case(tmp_path / "again", read_case(folder))
    for file in folder.iterdir():
        assert file.read_bytes() == (tmp_path / "again" / file.name).read_bytes()


def test_a_case_from_before_the_record_is_read(folder, tmp_path):
    """Such a case has neither the record nor the place of each vertex; all else is the same."""
    bone = shell_with_cut()
    old = replace(
        bone,
        segmentation=replace(bone.segmentation, record=None),
        fragments=tuple(replace(f, cortex=replace(f.cortex, place=None)) for f in bone.fragments),
    )
    write_case(tmp_path / "old", old)
    assert "record" not in json.loads((tmp_path / "old" / "bone.json").read_text())["segmentation"]
    assert b"uchar place" not in (tmp_path / "old" / "surface-1.ply").read_bytes()
    back = read_case(tmp_path / "old")
    assert back.segmentation.record is None
    for fragment, before in zip(back.fragments, bone.fragments, strict=True):
        assert fragment.cortex.place is None
        assert shares_of(fragment) is None
        np.testing.assert_array_equal(fragment.cortex.thickness_known, before.cortex.thickness_known)
        assert fragment.cortex.mass_hu_mm == pytest.approx(before.cortex.mass_hu_mm, rel=1e-6, nan_ok=True)


def test_a_plain_level_says_so():
    bone = two_slabs()
    assert bone.segmentation.record.blur is None
    for fragment in bone.fragments:
        shares = shares_of(fragment)
        assert (shares.level_fraction, shares.measured_fraction, shares.thickness_known_fraction) == (1, 0, 0)


def test_a_given_level_is_the_one_kept():
    bone = segment(two_slabs().ct, threshold_hu=190.0)
    assert [level.level_hu for level in bone.segmentation.record.levels] == [190.0]


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("bone_counts", [1], "as many bins"),
        ("counts", [-1], "must be at least 0"),
        ("bin_hu", 0.0, "greater than 0"),
    ],
)
def test_a_record_that_cannot_be_is_refused(folder, tmp_path, key, value, said):
    broken = tmp_path / "broken"
    shutil.copytree(folder, broken)
    whole = json.loads((broken / "bone.json").read_text())
    whole["segmentation"]["record"]["histogram"][key] = value
    (broken / "bone.json").write_text(json.dumps(whole))
    with pytest.raises(InputError, match=said):
        read_case(broken)


def test_what_closes_a_cavity_is_left_on_the_level():
    """A tube broken across: between its ends the marrow shows no edge, whatever its noise looks like."""
    grid = grid_around((10.0, 10.0, 12.0), (0.5, 0.5, 0.5))
    points = points_of(grid)
    across = np.hypot(points[..., 0], points[..., 1])
    along = np.abs(points[..., 2])
    wall = step(8.0 - across, FWHM_MM) * step(across - 5.0, FWHM_MM) * step(along - 0.6, FWHM_MM)
    hu = -60 + 1260 * wall
    bone = segment(as_ct(grid, hu, noise_hu=15.0), threshold_hu=500.0, refine=True)
    assert len(bone.fragments) == 2
    for fragment in bone.fragments:
        x, y, z = fragment.surface.vertices_mm.T
        cap = (np.hypot(x, y) < 4.0) & (np.abs(z) < 2.0)
        wall_side = (np.abs(np.hypot(x, y) - 8.0) < 0.3) & (np.abs(z) > 3.0) & (np.abs(z) < 10.0)
        assert cap.sum() > 100
        assert (fragment.cortex.place[cap] == Place.LEVEL).all()
        assert not fragment.cortex.thickness_known[cap].any()
        assert (fragment.cortex.place[wall_side] == Place.MEASURED).mean() > 0.95
