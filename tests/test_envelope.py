"""The marrow cavity belongs to the bone, a fracture gap does not: shells, tubes, bowls against closed forms.

All edges are error functions of a scanner's blur, the level half-way between soft tissue and cortex, marrow
at −60 HU. Volumes are taken from the surfaces, which are checked to be closed by trimesh.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import trimesh
from phantoms import CALIBRATION, SOFT_HU, as_ct, blurred_ball, grid_around, placed, points_of, rotation, step

from planner.assess import ReadyBone, assess, assess_screws, ready
from planner.vocabulary import Plan
from segmentation.recipe import segment
from segmentation.vocabulary import Bone, CTVolume, Floats, Grid

CORTEX_HU, MARROW_HU, FWHM_MM = 1200.0, -60.0, 0.6
LEVEL_HU = (CORTEX_HU + SOFT_HU) / 2
OUTER_MM, INNER_MM, HALF_MM = 12.0, 8.0, 25.0
VOXEL_MM = (0.5, 0.5, 0.5)


def _segmented(ct: CTVolume, **options: object) -> Bone:
    """The bone, its surfaces checked to be closed and in one piece."""
    bone = segment(ct, threshold_hu=LEVEL_HU, calibration=CALIBRATION, **options)  # type: ignore[arg-type]
    for fragment in bone.fragments:
        mesh = trimesh.Trimesh(fragment.surface.vertices_mm, fragment.surface.faces, process=False)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        assert mesh.volume == pytest.approx(fragment.volume_mm3, rel=1e-6)
        assert mesh.body_count == 1
    return bone


def _ball_mm3(radius_mm: float) -> float:
    return 4 / 3 * np.pi * radius_mm**3


def _ball(grid: Grid, radius_mm: float, centre_mm: tuple[float, float, float] = (0, 0, 0)) -> Floats:
    return blurred_ball(np.linalg.norm(points_of(grid) - np.asarray(centre_mm), axis=-1), radius_mm, FWHM_MM)


def tube(
    own_mm: Floats,
    *,
    half_mm: float = HALF_MM,
    gap_mm: float = 0.0,
    tilt_degree: float = 0.0,
    hole_mm: float = 0.0,
) -> Floats:
    """HU of a tube along z at places in its own frame: closed by 3 mm at its ends, perhaps broken midway.

    ``hole_mm`` is the diameter of a vessel's hole through the wall at +x.
    """
    across, along = np.hypot(own_mm[..., 0], own_mm[..., 1]), np.abs(own_mm[..., 2])
    outer = step(OUTER_MM - across, FWHM_MM) * step(half_mm - along, FWHM_MM)
    inner = step(INNER_MM - across, FWHM_MM) * step(half_mm - 3 - along, FWHM_MM)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * outer - (CORTEX_HU - MARROW_HU) * inner
    if hole_mm:
        hole = step(hole_mm / 2 - np.hypot(own_mm[..., 1], own_mm[..., 2]), FWHM_MM) * (own_mm[..., 0] > 0)
        hu += hole * np.clip(outer - inner, 0, 1) * (SOFT_HU - CORTEX_HU)
    if gap_mm:
        away = own_mm @ _normal(tilt_degree)
        gap = step(away + gap_mm / 2, FWHM_MM) - step(away - gap_mm / 2, FWHM_MM)
        hu = hu * (1 - gap) + SOFT_HU * gap
    return hu


def _normal(tilt_degree: float) -> Floats:
    return np.array([np.sin(np.deg2rad(tilt_degree)), 0, np.cos(np.deg2rad(tilt_degree))])


# Whole bones


@pytest.mark.parametrize(
    "voxel_mm", [(0.5, 0.5, 0.5), (0.4, 0.4, 0.9), (0.8, 0.8, 0.8)], ids=["fine", "uneven", "coarse"]
)
@pytest.mark.parametrize("whole", [True, False], ids=["int16", "float32"])
def test_a_closed_shell_is_filled(voxel_mm: tuple[float, float, float], whole: bool) -> None:
    grid = grid_around((17, 17, 17), voxel_mm)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * _ball(grid, 15) - (CORTEX_HU - MARROW_HU) * _ball(grid, 12)
    bone = _segmented(as_ct(grid, hu, whole=whole, noise_hu=12))
    assert len(bone.fragments) == 1
    assert bone.fragments[0].volume_mm3 == pytest.approx(_ball_mm3(15), rel=0.01)


def test_a_closed_shell_in_thick_slices_is_filled() -> None:
    """0.98 × 0.98 × 3.27 mm, each slice the mean over its thickness: 2 % are let through."""
    fine = grid_around((18, 18, 22), (0.98, 0.98, 3.27 / 9))
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * _ball(fine, 15) - (CORTEX_HU - MARROW_HU) * _ball(fine, 11)
    count = fine.shape[2] // 9
    thick = hu[..., : count * 9].reshape(*fine.shape[:2], count, 9).mean(axis=-1)
    affine = fine.affine.copy()
    affine[2, 2], affine[2, 3] = 3.27, fine.affine[2, 3] + 4 * 3.27 / 9
    bone = _segmented(as_ct(Grid(thick.shape, affine), thick))
    assert len(bone.fragments) == 1
    assert bone.fragments[0].volume_mm3 == pytest.approx(_ball_mm3(15), rel=0.02)


@pytest.mark.parametrize("hole_mm", [0.0, 1.5], ids=["whole", "with a vessel's hole"])
@pytest.mark.parametrize("turn", [None, 3])
def test_a_tube_leaving_the_scan_holds_its_cavity(hole_mm: float, turn: int | None) -> None:
    turned = np.eye(3) if turn is None else rotation(turn, between_degree=(20, 30))
    grid = grid_around((19, 19, 10), VOXEL_MM)
    bone = _segmented(as_ct(grid, tube(points_of(grid) @ turned, half_mm=np.inf, hole_mm=hole_mm)))
    assert len(bone.fragments) == 1
    # Between the outermost voxel centres a slanted cylinder is as high as a straight one is wide across.
    height_mm = 2 * -grid.affine[2, 3]
    true_mm3 = np.pi * OUTER_MM**2 * height_mm / turned[2, 2]
    hole_mm3 = np.pi * hole_mm**2 / 4 * (OUTER_MM - INNER_MM)
    assert bone.fragments[0].volume_mm3 == pytest.approx(true_mm3 - hole_mm3, rel=0.005)
    assert "cut off by the border" in " ".join(bone.segmentation.notes)
    entry, target = turned @ [-14.0, 3.0, 0.5], turned @ [14.0, 3.0, 0.5]
    result = assess(bone, Plan((placed(entry, target, length_mm=24),))).screws[0]
    assert result.fragments[0].axis_path_mm == pytest.approx(2 * np.sqrt(OUTER_MM**2 - 9), abs=0.1)


# Fractures


@cache
def broken(gap_mm: float, tilt_degree: float, turn: int | None) -> Bone:
    turned = np.eye(3) if turn is None else rotation(turn)
    grid = grid_around(tuple(np.abs(turned) @ [OUTER_MM, OUTER_MM, HALF_MM] + 2), VOXEL_MM)
    hu = tube(points_of(grid) @ turned, gap_mm=gap_mm, tilt_degree=tilt_degree)
    return _segmented(as_ct(grid, hu))


@cache
def ready_broken(gap_mm: float, tilt_degree: float, turn: int | None) -> ReadyBone:
    return ready(broken(gap_mm, tilt_degree, turn))


BREAKS = [(0.8, 0.0, 6), (0.8, 45.0, 6), (1.2, 45.0, 3), (2.0, 0.0, 3), (2.0, 45.0, None), (2.0, 60.0, 5)]
"""Gap in mm, tilt of its plane in degrees, and the seed of a rotation by 20 to 70°."""


@pytest.mark.parametrize(("gap_mm", "tilt_degree", "turn"), BREAKS)
def test_a_broken_tube_is_two_fragments_that_share_the_marrow(
    gap_mm: float, tilt_degree: float, turn: int | None
) -> None:
    bone = broken(gap_mm, tilt_degree, turn)
    assert [fragment.bone for fragment in bone.fragments] == ["bone 1", "bone 1"]
    # The gap's plane passes the middle: it takes an ellipse times its width, half from each.
    gap_mm3 = np.pi * OUTER_MM**2 / np.cos(np.deg2rad(tilt_degree)) * gap_mm
    half_mm3 = (np.pi * OUTER_MM**2 * 2 * HALF_MM - gap_mm3) / 2
    for fragment in bone.fragments:
        assert fragment.volume_mm3 == pytest.approx(half_mm3, rel=0.005)


PATHS_MM = {
    "along the axis": ((0.0, 0.0, -26.0), (0.0, 0.0, 26.0)),
    "along, off the axis": ((6.0, 0.0, -26.0), (6.0, 0.0, 26.0)),
    "oblique": ((-14.0, 0.0, -20.0), (14.0, 0.0, 20.0)),
    "oblique the other way": ((0.0, -11.5, -26.0), (0.0, 11.5, 26.0)),
}


@pytest.mark.parametrize("path", PATHS_MM)
@pytest.mark.parametrize(("gap_mm", "tilt_degree", "turn"), BREAKS)
def test_a_path_through_the_marrow_ends_at_the_gap(
    gap_mm: float, tilt_degree: float, turn: int | None, path: str
) -> None:
    """The chord of a cylinder, cut by the gap's two planes: closed form. Bar 0.3 mm; measured below 0.1."""
    start, stop = (np.array(point) for point in PATHS_MM[path])
    turned = np.eye(3) if turn is None else rotation(turn)
    screw = placed(turned @ start, turned @ stop, length_mm=24)
    result = assess_screws(ready_broken(gap_mm, tilt_degree, turn), Plan((screw,))).screws[0]
    measured = [fragment.axis_path_mm for fragment in result.fragments]
    assert measured == pytest.approx(_true_paths_mm(start, stop, gap_mm, tilt_degree), abs=0.15)


def _true_paths_mm(start: Floats, stop: Floats, gap_mm: float, tilt_degree: float) -> list[float]:
    """Length of the line in the closed cylinder before and after the gap."""
    along = (stop - start) / np.linalg.norm(stop - start)
    low, high = 0.0, float(np.linalg.norm(stop - start))
    # Caps.
    low, high = max(low, (-HALF_MM - start[2]) / along[2]), min(high, (HALF_MM - start[2]) / along[2])
    # Mantle: |start + t·along| across the axis equals the radius.
    a, b = along[:2] @ along[:2], start[:2] @ along[:2]
    if a > 0:
        root = np.sqrt(b**2 - a * (start[:2] @ start[:2] - OUTER_MM**2))
        low, high = max(low, (-b - root) / a), min(high, (-b + root) / a)
    normal = _normal(tilt_degree)
    before, after = ((side * gap_mm / 2 - start @ normal) / (along @ normal) for side in (-1, 1))
    return [before - low, high - after]


def test_a_gap_that_opens_to_one_side_is_followed() -> None:
    """A wedge: 0.8 mm at one side of the shaft and 2 mm at the other, both planes known."""
    grid = grid_around((OUTER_MM + 2, OUTER_MM + 2, HALF_MM + 2), VOXEL_MM)
    own = points_of(grid)
    half_gap = 0.7 + 0.3 * own[..., 0] / OUTER_MM
    gap = step(own[..., 2] + half_gap, FWHM_MM) - step(own[..., 2] - half_gap, FWHM_MM)
    bone = _segmented(as_ct(grid, tube(own) * (1 - gap) + SOFT_HU * gap))
    made = ready(bone)
    for x_mm in (-6.0, 0.0, 6.0):
        screw = placed(np.array([x_mm, 0, -26]), np.array([x_mm, 0, 26]), length_mm=24)
        result = assess_screws(made, Plan((screw,))).screws[0]
        true_mm = HALF_MM - 0.7 - 0.3 * x_mm / OUTER_MM
        assert [f.axis_path_mm for f in result.fragments] == pytest.approx([true_mm, true_mm], abs=0.15)


# What only looks like a cavity


@pytest.mark.parametrize("around", ["square", "tetrahedron"])
def test_the_pocket_between_four_balls_is_no_bone(around: str) -> None:
    radius, apart = 10.0, 21.5
    corners = {
        "square": apart / 2 * np.array([[1, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]]),
        "tetrahedron": apart / np.sqrt(8) * np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]),
    }[around]
    grid = grid_around(tuple(np.abs(corners).max(axis=0) + radius + 1.5), (0.6, 0.6, 0.6))
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * sum(_ball(grid, radius, tuple(corner)) for corner in corners)
    bone = _segmented(as_ct(grid, hu))
    assert len(bone.fragments) == 4
    for fragment in bone.fragments:
        assert fragment.volume_mm3 == pytest.approx(_ball_mm3(radius), rel=0.01)


@pytest.mark.parametrize("turn", [None, 4])
def test_a_bowl_is_not_filled(turn: int | None) -> None:
    turned = np.eye(3) if turn is None else rotation(turn)
    grid = grid_around((17, 17, 17), VOXEL_MM)
    below = step(-(points_of(grid) @ turned)[..., 2], FWHM_MM)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * (_ball(grid, 15) - _ball(grid, 12)) * below
    bone = _segmented(as_ct(grid, hu))
    assert bone.fragments[0].volume_mm3 == pytest.approx((_ball_mm3(15) - _ball_mm3(12)) / 2, rel=0.02)


@pytest.mark.parametrize("with_marrow", [False, True])
def test_a_beans_concavity_is_not_filled(with_marrow: bool) -> None:
    """A ball of radius 14 less a ball of radius 9 at 16 mm: the lens of two balls is closed form."""
    grid = grid_around((16, 16, 16), VOXEL_MM)
    bite = (0.0, 16.0, 0.0)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * _ball(grid, 14) * (1 - _ball(grid, 9, bite))
    if with_marrow:
        hu -= (CORTEX_HU - MARROW_HU) * _ball(grid, 12) * (1 - _ball(grid, 11, bite))
    bone = _segmented(as_ct(grid, hu))
    lens_mm3 = np.pi * (14 + 9 - 16) ** 2 * (16**2 + 2 * 16 * 23 - 3 * 5**2) / (12 * 16)
    assert bone.fragments[0].volume_mm3 == pytest.approx(_ball_mm3(14) - lens_mm3, rel=0.01)


@pytest.mark.parametrize("space_mm", [1.5, 4.0])
def test_a_joint_space_is_no_bone_and_each_side_keeps_its_marrow(space_mm: float) -> None:
    """A hollow head in a hollow cup, half a ball deep: the cup is a hemisphere shell of closed form."""
    grid = grid_around((24, 24, 24), (0.6, 0.6, 0.6))
    inner, outer = 10 + space_mm, 18 + space_mm
    z = points_of(grid)[..., 2]
    cup = (_ball(grid, outer) - _ball(grid, inner)) * step(-z, FWHM_MM)
    cup_marrow = (_ball(grid, outer - 2) - _ball(grid, inner + 2)) * step(-2 - z, FWHM_MM)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * (_ball(grid, 10) + cup)
    hu -= (CORTEX_HU - MARROW_HU) * (_ball(grid, 8) + cup_marrow)
    bone = _segmented(as_ct(grid, hu))
    true_mm3 = [(_ball_mm3(outer) - _ball_mm3(inner)) / 2, _ball_mm3(10)]
    assert [fragment.volume_mm3 for fragment in bone.fragments] == pytest.approx(true_mm3, rel=0.01)


def test_a_ball_in_a_shell_stays_apart_and_the_shell_is_filled_around_it() -> None:
    grid = grid_around((17, 17, 17), VOXEL_MM)
    hu = SOFT_HU + (CORTEX_HU - SOFT_HU) * (_ball(grid, 15) - _ball(grid, 12) + _ball(grid, 5))
    bone = segment(as_ct(grid, hu), threshold_hu=LEVEL_HU)
    shell, ball = bone.fragments
    assert ball.volume_mm3 == pytest.approx(_ball_mm3(5), rel=0.03)
    # Closed by itself, the shell encloses all but the ball.
    assert shell.volume_mm3 == pytest.approx(_ball_mm3(15), rel=0.05)
