"""Crossings and distances against trimesh, an independent judge, and against each other."""

from functools import cache

import numpy as np
import pytest
import trimesh
from phantoms import as_ct, grid_around, points_of, rotation, slabs

from planner.mesh import (
    NO_BALL,
    Ball,
    Mesh,
    bundle_along,
    mesh_of,
    signed_distance_mm,
    smallest_distance_mm,
    stretches_inside,
)
from planner.mesh_kernels import nearest_one
from planner.path_kernels import lengths_in_cells, patches
from segmentation.recipe import segment
from segmentation.vocabulary import Surface


@cache
def noisy_slab() -> Surface:
    grid, values = slabs(turn=rotation(4), thicknesses_mm=(8.0,), hu=(400.0,), half_width_mm=7)
    return segment(as_ct(grid, values, noise_hu=12), threshold_hu=220.0).fragments[0].surface


def as_trimesh(surface: Surface) -> trimesh.Trimesh:
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)


def box_mesh(extent_mm: float) -> Mesh:
    box = trimesh.creation.box((extent_mm,) * 3)
    return mesh_of(Surface(box.vertices, box.faces))


def test_surfaces_are_closed_and_face_outward() -> None:
    mesh = as_trimesh(noisy_slab())
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(14 * 14 * 8, rel=0.01)


def test_distances_agree_with_trimesh() -> None:
    surface = noisy_slab()
    points = np.random.default_rng(0).uniform(-9, 9, (800, 3))
    distance, closest = signed_distance_mm(mesh_of(surface), points)
    judged, expected, _ = trimesh.proximity.closest_point(as_trimesh(surface), points)
    assert np.abs(np.abs(distance) - expected).max() < 1e-6
    assert np.linalg.norm(closest - judged, axis=1).max() < 1e-3


def test_the_sign_is_that_of_the_winding_number() -> None:
    surface = noisy_slab()
    points = np.random.default_rng(1).uniform(-9, 9, (300, 3))
    distance, _ = signed_distance_mm(mesh_of(surface), points)
    # Solid angle of every triangle (van Oosterom and Strackee 1983: from memory): 4π inside, 0 outside.
    corners = surface.vertices_mm[surface.faces]
    for point, found in zip(points, distance, strict=True):
        a, b, c = (corners[:, k] - point for k in range(3))
        na, nb, nc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
        above = np.einsum("ij,ij->i", a, np.cross(b, c))
        below = na * nb * nc + (a * b).sum(1) * nc + (b * c).sum(1) * na + (c * a).sum(1) * nb
        winding = np.arctan2(above, below).sum() / (2 * np.pi)
        assert (winding > 0.5) == (found > 0)


def test_crossings_agree_with_trimesh_rays() -> None:
    surface = noisy_slab()
    direction = np.array([0.3, -0.5, 0.81])
    direction /= np.linalg.norm(direction)
    offsets = np.random.default_rng(2).uniform(-4, 4, (40, 2))
    bundle = bundle_along(np.zeros(3), direction, offsets)
    found = stretches_inside(mesh_of(surface), bundle)
    starts = bundle.origin_mm + offsets @ np.stack([bundle.u, bundle.v]) - 40 * direction
    hits, lines, _ = as_trimesh(surface).ray.intersects_location(starts, np.tile(direction, (40, 1)))
    for line in range(40):
        judged = np.sort((hits[lines == line] - starts[line]) @ direction) - 40
        assert found.of_line(line).ravel() == pytest.approx(judged, abs=1e-3)


def test_lines_through_edges_and_corners_of_an_aligned_box_cross_it_once() -> None:
    mesh = box_mesh(10.0)
    lattice = np.stack(np.meshgrid(*[np.arange(-6.0, 7.0)] * 2), axis=-1).reshape(-1, 2)
    for axis in np.eye(3):
        found = stretches_inside(mesh, bundle_along(np.zeros(3), axis, lattice))
        inside = np.abs(lattice).max(axis=1) < 5 - 1e-6
        assert set(np.flatnonzero(inside)) <= set(found.line.tolist())
        assert np.bincount(found.line).max() == 1
        assert (found.to_mm - found.from_mm) == pytest.approx(10.0)


def test_distance_and_sign_at_edges_and_corners_of_a_box() -> None:
    mesh = box_mesh(10.0)
    points = np.array([[6.0, 6.0, 6.0], [6.0, 6.0, 0.0], [4.0, 4.5, 4.0], [0.0, 0.0, 0.0], [5.5, 5.0, 0.0]])
    distance, _ = signed_distance_mm(mesh, points)
    assert distance == pytest.approx([-np.sqrt(3), -np.sqrt(2), 0.5, 5.0, -0.5])


def test_beside_a_corner_of_the_rim_is_not_through() -> None:
    """Of a bowl's mouth: what is nearest to the rim, be it to an edge or to a corner that some triangles have
    on it by that corner alone, lies beside the surface, not beyond; the nearest point by trimesh."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=8.0)
    bowl = ball.submesh([ball.triangles_center[:, 2] < -2.0], append=True, repair=False)
    points = np.random.default_rng(3).uniform((-14, -14, -8), (14, 14, 4), (3000, 3))
    nearest, expected, _ = trimesh.proximity.closest_point(bowl, points)
    edges = bowl.edges_sorted[trimesh.grouping.group_rows(bowl.edges_sorted, require_count=1)]
    a, b = bowl.vertices[edges[:, 0]], bowl.vertices[edges[:, 1]]
    share = np.clip(((nearest[:, None] - a) * (b - a)).sum(axis=2) / ((b - a) ** 2).sum(axis=1), 0, 1)
    to_rim = np.linalg.norm(nearest[:, None] - (a + share[..., None] * (b - a)), axis=2).min(axis=1)
    at_corner = np.linalg.norm(nearest[:, None] - a, axis=2).min(axis=1) < 1e-9
    beside = to_rim < 1e-9
    assert (beside & at_corner).sum() > 100
    told, _ = signed_distance_mm(
        mesh_of(Surface(np.array(bowl.vertices), np.array(bowl.faces))), points, rim_is_free=True
    )
    assert np.allclose(told[beside], expected[beside])
    outside = ~beside & (np.linalg.norm(points, axis=1) > 8.01)
    assert np.allclose(told[outside], -expected[outside])


def test_the_rim_of_an_open_surface_is_known() -> None:
    sheet = Surface(
        np.array([[0.0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]]), np.array([[0, 1, 2], [0, 2, 3]])
    )
    points = np.array([[2.0, 2.0, 1.0], [6.0, 2.0, 1.0], [2.0, 2.0, -1.0], [5.0, 5.0, 0.5]])
    sided, _ = signed_distance_mm(mesh_of(sheet), points)
    free, _ = signed_distance_mm(mesh_of(sheet), points, rim_is_free=True)
    beside = [np.hypot(2, 1), np.sqrt(2.25)]
    assert sided == pytest.approx([-1.0, -beside[0], 1.0, -beside[1]])
    assert free == pytest.approx([-1.0, beside[0], 1.0, beside[1]])


def test_passed_triangles_tell_the_side_but_not_the_distance() -> None:
    box = trimesh.creation.box((10.0,) * 3)
    surface = Surface(box.vertices, box.faces)
    top = box.face_normals[:, 2] > 0.9
    points = np.array([[0.0, 0.0, 4.0], [0.0, 0.0, 6.0], [2.0, 0.0, 0.0]])
    distance, _ = signed_distance_mm(mesh_of(surface, top), points)
    # In front of the passed face is inside: the screw goes on through it.
    assert distance == pytest.approx([5.0, np.hypot(5, 1), 3.0])


def test_what_lies_in_a_ball_can_be_left_out() -> None:
    surface = noisy_slab()
    centre = surface.vertices_mm[surface.vertices_mm[:, 2].argmax()]
    points = np.random.default_rng(5).uniform(-3, 3, (60, 3))
    distance, _ = signed_distance_mm(mesh_of(surface), points, without=Ball(centre, 6.0))
    away = np.linalg.norm(surface.vertices_mm - centre, axis=1)
    left = surface.faces[(away[surface.faces] > 6.0).any(axis=1)]
    _, expected, _ = trimesh.proximity.closest_point(
        trimesh.Trimesh(surface.vertices_mm, left, process=False), points
    )
    # A triangle that reaches out of the ball counts where its nearest point does: within one edge of it.
    assert np.abs(np.abs(distance) - expected).max() < 0.3
    assert (np.abs(distance) >= expected - 1e-9).all()


@cache
def pitted_ball() -> Surface:
    """A ball full of pits, as a leaky threshold leaves bone: nearby triangles face every way."""
    grid = grid_around((13, 13, 13), (0.5,) * 3)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    pits = 1.5 * (np.sin(1.9 * x) + np.sin(2.1 * y) + np.sin(1.7 * z))
    ball = 300 * np.clip((10 - np.sqrt(x**2 + y**2 + z**2) + pits) / 2 + 0.5, 0, 1)
    return segment(as_ct(grid, ball), threshold_hu=150.0).fragments[0].surface


@pytest.mark.parametrize("hole_mm", [-1.0, 4.0])
@pytest.mark.parametrize("seed", range(8))
def test_the_smallest_distance_in_a_pitted_bone_is_that_of_all_points(seed: int, hole_mm: float) -> None:
    rng = np.random.default_rng(seed)
    mesh = mesh_of(pitted_ball())
    direction = rng.normal(size=3)
    bundle = bundle_along(rng.uniform(-2, 2, 3), direction / np.linalg.norm(direction), np.zeros((1, 2)))
    depth = np.sort(rng.uniform(-5, 5, 50))
    radius = rng.uniform(0.5, 3.5, 50)
    turns = 2 * np.pi * np.arange(32) / 32
    around = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ np.stack([bundle.u, bundle.v])
    points = (bundle.origin_mm + depth[:, None] * bundle.direction)[:, None] + radius[:, None, None] * around
    ball = Ball(bundle.origin_mm + 9 * bundle.direction, hole_mm)
    # One by one, without any of the bounds that the search takes from its neighbours.
    every = [signed_distance_mm(mesh, point[None], without=ball)[0][0] for point in points.reshape(-1, 3)]
    found = smallest_distance_mm(mesh, bundle, depth, radius, angles_count=32, without=ball).distance_mm
    assert found == pytest.approx(min(every), abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_the_smallest_distance_around_an_axis_is_that_of_all_its_points(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = mesh_of(noisy_slab())
    direction = rng.normal(size=3)
    bundle = bundle_along(rng.uniform(-2, 2, 3), direction / np.linalg.norm(direction), np.zeros((1, 2)))
    depth = np.sort(rng.uniform(-3, 4, 40))
    radius = rng.uniform(0, 2.5, 40)
    turns = 2 * np.pi * np.arange(32) / 32
    around = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ np.stack([bundle.u, bundle.v])
    points = (bundle.origin_mm + depth[:, None] * bundle.direction)[:, None] + radius[:, None, None] * around
    every, _ = signed_distance_mm(mesh, points.reshape(-1, 3))
    found = smallest_distance_mm(mesh, bundle, depth, radius, angles_count=32).distance_mm
    assert found == pytest.approx(every.min(), abs=1e-9)


def test_stretches_add_up_over_cells() -> None:
    grid = grid_around((8, 8, 8), (0.5,) * 3)
    ball = 300 * np.clip(6 - np.linalg.norm(points_of(grid), axis=-1) + 0.5, 0, 1)
    mesh = mesh_of(segment(as_ct(grid, ball), threshold_hu=150.0).fragments[0].surface)
    found = stretches_inside(mesh, bundle_along(np.zeros(3), np.array([0.0, 0.6, 0.8]), np.zeros((1, 2))))
    cells = found.lengths_in_cells_mm(1, np.arange(-10, 10.1, 0.25))
    assert cells.sum() == pytest.approx((found.to_mm - found.from_mm).sum())
    assert cells.max() <= 0.25 + 1e-9


@pytest.mark.parametrize("limit_mm", [0.3, 1.0, 2.0, 4.0])
def test_a_limited_search_finds_what_is_within_its_limit_and_nothing_else(limit_mm: float) -> None:
    mesh = mesh_of(pitted_ball()).for_kernels
    for point in np.random.default_rng(9).uniform(-9, 9, (400, 3)):
        whole = nearest_one(*point, mesh, NO_BALL.for_kernels, False, -1, np.inf)
        limited = nearest_one(*point, mesh, NO_BALL.for_kernels, False, -1, limit_mm)
        if abs(whole[0]) <= limit_mm:
            assert limited[0] == pytest.approx(whole[0], abs=1e-12)
        else:
            assert limited[0] == np.inf


def test_a_screw_that_comes_through_an_open_surface_is_never_called_clear_of_it() -> None:
    # A bowl: past its rim a place is free, behind its wall it is not, and between the two no distance is 0.
    ball = trimesh.creation.icosphere(subdivisions=4, radius=8.0)
    bowl = ball.submesh([np.flatnonzero(ball.triangles_center[:, 2] < -1)], append=True)
    mesh = mesh_of(Surface(np.asarray(bowl.vertices), np.asarray(bowl.faces)))
    draws = np.random.default_rng(6)
    turns = 2 * np.pi * np.arange(32) / 32
    through = 0
    for _ in range(60):
        direction = draws.normal(size=3)
        origin = draws.uniform(-9, 9, 3)
        bundle = bundle_along(origin, direction / np.linalg.norm(direction), np.zeros((0, 2)))
        depth, radius = np.linspace(0, 8, 41), np.full(41, draws.uniform(0.5, 2.5))
        found = smallest_distance_mm(mesh, bundle, depth, radius, angles_count=32, rim_is_free=True)
        across = np.cos(turns)[:, None] * bundle.u + np.sin(turns)[:, None] * bundle.v
        places = origin + depth[:, None, None] * bundle.direction + radius[:, None, None] * across
        each, _ = signed_distance_mm(mesh, places.reshape(-1, 3), rim_is_free=True)
        assert found.distance_mm == pytest.approx(each.min(), abs=1e-9)
        through += each.min() < 0 < each.max()
    assert through > 20


def test_cells_and_patches_are_the_same_sums_as_in_numpy() -> None:
    line = np.array([0, 0, 2, 2])
    start, stop = np.array([-0.3, 2.0, 0.1, 1.05]), np.array([0.9, 2.2, 0.2, 5.0])
    edges = np.arange(0.0, 3.01, 0.25)
    each = np.minimum(stop[:, None], edges[1:]) - np.maximum(start[:, None], edges[:-1])
    expected = np.zeros((3, len(edges) - 1))
    np.add.at(expected, line, np.maximum(each, 0))
    np.testing.assert_allclose(lengths_in_cells(line, start, stop, edges, 3), expected, atol=1e-15)
    surface = noisy_slab()
    mesh, draws = mesh_of(surface), np.random.default_rng(3)
    near = draws.integers(0, len(mesh.faces), (50, 24))
    position_sd = draws.uniform(0, 1, len(surface.vertices_mm))
    corners = mesh.vertices_mm[mesh.faces[near]]
    twice = np.cross(corners[..., 1, :] - corners[..., 0, :], corners[..., 2, :] - corners[..., 0, :])
    same = np.einsum("nkc,nc->nk", twice, mesh.normals[near[:, 0]]) > 0
    mean = (twice * same[..., None]).sum(axis=1)
    told = np.average(position_sd[mesh.faces[near]].mean(-1), axis=1, weights=same | (np.arange(24) == 0))
    normal, sd = patches(near, mesh.vertices_mm, mesh.faces, mesh.normals, position_sd)
    np.testing.assert_allclose(normal, mean / np.linalg.norm(mean, axis=1, keepdims=True), atol=1e-12)
    np.testing.assert_allclose(sd, told, atol=1e-12)
    assert np.isnan(patches(near, mesh.vertices_mm, mesh.faces, mesh.normals, np.empty(0))[1]).all()
