"""What is left out of a scan and what stays: specks, table and cable go; bones and blocks stay, even in air.

Volumes are checked against closed forms (slab and ball); sizes of furniture and bones are common practice.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from phantoms import SOFT_HU, as_ct, blurred_ball, grid_around, points_of, rotation, slabs, step

from segmentation.recipe import segment
from segmentation.vocabulary import Bone, CTVolume, Floats

AIR_HU = -1000.0
LEVEL_HU = 220.0


@cache
def speckled() -> CTVolume:
    """A 20 mm slab with a ball of 30 mm³ at (0, 0, 15) and one of 65 mm³ at (0, 0, −15)."""
    grid = grid_around((13, 13, 19), (0.5, 0.5, 0.5))
    place = points_of(grid)
    hu = SOFT_HU + 360 * step(10 - np.abs(place).max(axis=-1), 0.6)
    for z, volume_mm3 in ((15.0, 30.0), (-15.0, 65.0)):
        radius = (3 * volume_mm3 / (4 * np.pi)) ** (1 / 3)
        hu += 360 * blurred_ball(np.linalg.norm(place - [0, 0, z], axis=-1), radius, 0.6)
    return as_ct(grid, hu)


def test_a_speck_is_left_out_and_listed() -> None:
    bone = segment(speckled(), threshold_hu=LEVEL_HU)
    assert len(bone.fragments) == 2
    (removed,) = bone.segmentation.removed
    assert removed.what == "speck"
    # A blurred ball shrinks by σ²/R = 0.03 mm, 5 % of the volume; voxels of 0.125 mm³ add as much.
    assert removed.volume_mm3 == pytest.approx(30, rel=0.15)
    assert removed.centre_mm == pytest.approx([0, 0, 15], abs=0.1)


def test_specks_stay_when_asked_for() -> None:
    bone = segment(speckled(), threshold_hu=LEVEL_HU, keep_small=True)
    assert len(bone.fragments) == 3
    assert bone.segmentation.removed == ()
    assert bone.fragments[2].volume_mm3 == pytest.approx(30, rel=0.15)


@cache
def leg() -> Bone:
    """A leg with tibia and fibula on a curved table of two skins, a cable beside it; 60 mm of scan."""
    grid = grid_around((80, 75, 30), (1.0, 1.0, 1.0))
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    hu = AIR_HU + (SOFT_HU - AIR_HU) * step(40 - np.hypot(x, y - 15), 1)
    hu += 1160 * step(12 - np.hypot(x, y - 15), 1) + 960 * step(6 - np.hypot(x - 24, y - 15), 1)
    from_centre = np.hypot(x, y - 90)
    for skin_mm in (125.5, 140.0):
        hu = np.maximum(hu, AIR_HU + 1700 * step(1.2 - np.abs(from_centre - skin_mm), 1))
    cable = np.hypot(x + 60 - 5 * np.sin(z / 10), y - 50)
    hu = np.maximum(hu, AIR_HU + 1900 * step(1.5 - cable, 1))
    return segment(as_ct(grid, hu, noise_hu=12), threshold_hu=LEVEL_HU)


def test_table_and_cable_are_left_out_and_bones_in_tissue_stay() -> None:
    assert len(leg().fragments) == 2
    removed = {what: sum(r.what == what for r in leg().segmentation.removed) for what in _whats(leg())}
    assert removed == {"flat and long, as a table is": 2, "thin and long, as a cable is": 1}


def test_furniture_is_listed_with_its_place_and_volume() -> None:
    cable = next(r for r in leg().segmentation.removed if "cable" in r.what)
    assert cable.centre_mm == pytest.approx([-60, 50, 0], abs=1)
    # The level is 64 % of the way from air, 0.155 mm inside the edge blurred by a FWHM of 1 mm.
    assert cable.volume_mm3 == pytest.approx(np.pi * (1.5 - 0.155) ** 2 * 61, rel=0.1)


def _whats(bone: Bone) -> set[str]:
    return {removed.what for removed in bone.segmentation.removed}


@pytest.mark.parametrize(
    ("radius_mm", "wall_mm", "length_mm"), [(6.0, 2.0, 110.0), (4.0, 1.5, 60.0)], ids=["fibula", "metacarpal"]
)
@pytest.mark.parametrize("turn", [None, 2], ids=["straight", "turned"])
@pytest.mark.parametrize("open_ends", [False, True], ids=["closed", "open"])
def test_a_thin_dry_bone_in_air_stays(
    radius_mm: float, wall_mm: float, length_mm: float, turn: int | None, open_ends: bool
) -> None:
    """Its cavity holds air: only the filled bone is thicker than a cable."""
    turned = np.eye(3) if turn is None else rotation(turn)
    grid = grid_around(tuple(np.abs(turned) @ [radius_mm, radius_mm, length_mm / 2] + 3), (0.7, 0.7, 0.7))
    own = points_of(grid) @ turned
    across, along = np.hypot(own[..., 0], own[..., 1]), np.abs(own[..., 2])
    bore = step(radius_mm - wall_mm - across, 0.8)
    if not open_ends:
        bore = bore * step(length_mm / 2 - wall_mm - along, 0.8)
    solid = step(radius_mm - across, 0.8) * step(length_mm / 2 - along, 0.8)
    hu = AIR_HU + 2000 * solid * (1 - bore)
    bone = segment(as_ct(grid, hu, noise_hu=12), threshold_hu=0.0)
    assert len(bone.fragments) == 1
    if not open_ends:
        assert bone.fragments[0].volume_mm3 == pytest.approx(np.pi * radius_mm**2 * length_mm, rel=0.02)


def test_a_foam_block_in_air_stays() -> None:
    grid, block = slabs(thicknesses_mm=(30.0,), hu=(400.0,), half_width_mm=20.0, voxel_mm=(0.7, 0.7, 0.7))
    foam = AIR_HU + 360 * (block - SOFT_HU) / 360
    bone = segment(as_ct(grid, foam, noise_hu=8), threshold_hu=-820.0, host="foam")
    assert len(bone.fragments) == 1
    assert bone.fragments[0].volume_mm3 == pytest.approx(40 * 40 * 30, rel=0.01)


@pytest.mark.parametrize("turn", [None, 1, 2, 3])
def test_two_slabs_a_small_gap_apart_are_two_fragments(turn: int | None) -> None:
    """The bar of the project: 1.2 mm, without a cut, at 0.4 × 0.4 × 0.5 mm and noise 12."""
    turned = None if turn is None else rotation(turn)
    bone = segment(as_ct(*slabs(half_width_mm=10.0, turn=turned), noise_hu=12), threshold_hu=LEVEL_HU)
    assert [fragment.bone for fragment in bone.fragments] == ["bone 1", "bone 1"]
    for fragment, thickness_mm in zip(bone.fragments, (14, 10), strict=True):
        assert fragment.volume_mm3 == pytest.approx(400 * thickness_mm, rel=0.015)


def test_pieces_are_numbered_from_the_largest() -> None:
    volumes: Floats = np.array([f.volume_mm3 for f in leg().fragments])
    assert (np.diff(volumes) < 0).all()
    assert {int(n) for n in np.unique(leg().labels)} == {0, 1, 2}
