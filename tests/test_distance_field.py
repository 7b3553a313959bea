"""The distance field is held against closed forms: a ball, a torus, two bones close to each other."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import marching_cubes

from planner.distance_field import FAR_MM, distance_field, grid_around, trilinear
from planner.mesh import joined, mesh_of, signed_distance_mm
from segmentation.vocabulary import Grid, Surface

VOXEL_MM = 0.5
GRID = Grid((8, 8, 8), np.diag([VOXEL_MM, VOXEL_MM, VOXEL_MM, 1.0]))
RNG_SEED = 4


def meshed(inside_mm, half_mm, step_mm=0.4):
    """A closed surface where the function of (x, y, z) is zero."""
    ticks = [np.arange(-h, h + step_mm, step_mm) for h in half_mm]
    x, y, z = np.meshgrid(*ticks, indexing="ij")
    vertices, faces, _, _ = marching_cubes(
        inside_mm(x, y, z), 0.0, spacing=(step_mm,) * 3, gradient_direction="ascent"
    )
    return Surface(vertices + [t[0] for t in ticks], faces)


def ball(x, y, z):
    return 8.0 - np.sqrt(x**2 + y**2 + z**2)


def torus(x, y, z):
    return 4.0 - np.hypot(np.hypot(x, y) - 9.0, z)


def two(x, y, z):
    return np.maximum(
        5.0 - np.sqrt((x - 5.6) ** 2 + y**2 + z**2), 5.0 - np.sqrt((x + 5.6) ** 2 + y**2 + z**2)
    )


@pytest.mark.parametrize("shape", [ball, torus, two])
def test_it_is_sub_voxel_within_3_mm(shape):
    """Bar: RMS ≤ 0.03 mm."""
    mesh = mesh_of(meshed(shape, (15.0, 15.0, 10.0)))
    grid = grid_around(GRID, mesh.low_mm, mesh.high_mm, 4.0)
    field = distance_field(mesh, grid)
    rng = np.random.default_rng(RNG_SEED)
    points = rng.uniform(mesh.low_mm - 3, mesh.high_mm + 3, (40_000, 3))
    truth = shape(*points.T)
    near = np.abs(truth) <= 3
    off = trilinear(field, grid, points)[near] - truth[near]
    assert near.sum() > 5000
    assert np.sqrt((off**2).mean()) <= 0.03
    # Against the triangles it is nearer still, but for the middle lines, where distances have a kink.
    of_mesh, _ = signed_distance_mm(mesh, points[near])
    assert np.sqrt(((trilinear(field, grid, points)[near] - of_mesh) ** 2).mean()) <= 0.02


def test_beyond_it_is_coarser_and_keeps_its_side():
    mesh = mesh_of(meshed(lambda x, y, z: 14.0 - np.sqrt(x**2 + y**2 + z**2), (15.0,) * 3, 0.7))
    grid = grid_around(GRID, mesh.low_mm, mesh.high_mm, 13.0)
    field = distance_field(mesh, grid)
    points = np.random.default_rng(RNG_SEED).uniform(-14, 14, (20_000, 3))
    truth = np.clip(14.0 - np.linalg.norm(points, axis=1), -FAR_MM, FAR_MM)
    off = np.abs(trilinear(field, grid, points) - truth)
    assert off[np.abs(truth) < FAR_MM - 2].max() < 0.15
    # Where it is cut off there is a kink.
    assert off.max() < 0.5
    assert trilinear(field, grid, np.zeros((1, 3)))[0] == FAR_MM
    assert trilinear(field, grid, np.full((1, 3), 26.0))[0] == -FAR_MM


def test_a_side_is_never_lost_where_little_is_measured():
    mesh = mesh_of(meshed(ball, (15.0, 15.0, 10.0)))
    grid = grid_around(Grid((2, 2, 2), np.eye(4)), mesh.low_mm, mesh.high_mm, 4.0)
    field = distance_field(mesh, grid, near_mm=1.0, far_mm=2.0)
    truth = ball(*grid.ijk_to_mm(np.argwhere(np.ones(grid.shape, bool))).T)
    clear = np.abs(truth) > 0.1
    assert np.array_equal(np.sign(field.ravel()[clear]), np.sign(truth[clear]))


def test_an_open_surface_has_no_inside_far_from_it():
    corners = np.array([[-4.0, -4, 0], [4, -4, 0], [4, 4, 0], [-4, 4, 0]])
    mesh = mesh_of(Surface(corners, np.array([[0, 1, 2], [0, 2, 3]])))
    grid = grid_around(GRID, np.full(3, -14.0), np.full(3, 14.0), 0.0)
    field = distance_field(mesh, grid, is_open=True)
    below, above, beside, far = trilinear(
        field, grid, np.array([[0, 0, -2.0], [0, 0, 2.0], [6.0, 0, 1.0], [0, 0, 13.0]])
    )
    assert below == pytest.approx(2, abs=1e-5)
    assert above == pytest.approx(-2, abs=1e-5)
    assert beside == pytest.approx(np.sqrt(5), abs=0.02)
    assert far == FAR_MM


def test_a_surface_that_is_passed_does_not_count():
    left, right = (
        meshed(lambda x, y, z, at=at: 5 - np.abs(np.stack([x - at, y, z])).max(axis=0), (12.0,) * 3)
        for at in (-5.2, 5.2)
    )
    meshes = [mesh_of(left), mesh_of(right)]
    passed = np.concatenate([np.abs(mesh.middles_mm[:, 0]) < 0.5 for mesh in meshes])
    grid = grid_around(GRID, meshes[0].low_mm, meshes[1].high_mm, 4.0)
    field = distance_field(joined(meshes, passed), grid)
    # Between the boxes is no surface: 5 mm from the sides, told too low on the middle line by at most half a
    # coarse step.
    assert 5 - 0.8 < trilinear(field, grid, np.array([[0.0, 0, 0]]))[0] < 5.1


def test_a_grid_around_a_box_keeps_the_voxels_in_place():
    grid = grid_around(GRID, np.array([1.1, 2.2, 3.3]), np.array([4.0, 5.0, 6.0]), 1.0)
    assert grid.ijk_to_mm([[0, 0, 0]])[0] == pytest.approx([0.0, 1.0, 2.0])
    assert (grid.ijk_to_mm([np.array(grid.shape) - 1])[0] >= [5.0, 6.0, 7.0]).all()
