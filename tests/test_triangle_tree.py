"""The tree of boxes over triangles holds each in one leaf; a plane's cut is the same with and without it."""

import numpy as np
import pytest
import trimesh

from planner.triangle_tree import LEAF_COUNT, met_by_plane, tree_of
from viewer.report.section import Plane, outlines_mm


@pytest.mark.parametrize("count", [1, 7, 8, 9, 1000, 1280])
def test_each_triangle_lies_in_one_leaf_and_every_box_holds_its_halves(count: int) -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces, np.int32)[:count]
    tree = tree_of(vertices, faces)
    assert sorted(tree.order.tolist()) == list(range(len(faces)))
    leaves = (len(tree.boxes) + 1) // 2
    low, high = vertices[faces].min(axis=1), vertices[faces].max(axis=1)
    for leaf in range(leaves):
        own = tree.order[leaf * len(faces) // leaves : (leaf + 1) * len(faces) // leaves]
        assert 1 <= len(own) <= LEAF_COUNT
        box = tree.boxes[leaves - 1 + leaf]
        np.testing.assert_array_equal(box, [*low[own].min(axis=0), *high[own].max(axis=0)])
    for box in range(leaves - 1):
        for half in (2 * box + 1, 2 * box + 2):
            assert (tree.boxes[box, :3] <= tree.boxes[half, :3]).all()
            assert (tree.boxes[box, 3:] >= tree.boxes[half, 3:]).all()


def test_nothing_is_a_tree_too() -> None:
    tree = tree_of(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    assert not len(tree.order)
    assert not len(met_by_plane(np.zeros(3), np.array([0.0, 0.0, 1.0]), tree.order, tree.boxes))


@pytest.mark.parametrize("seed", range(4))
def test_a_cut_is_the_same_to_the_bit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
    vertices = np.asarray(ball.vertices) + rng.normal(0, 0.05, ball.vertices.shape)
    faces = np.asarray(ball.faces, np.int32)
    tree = tree_of(vertices, faces)
    right, up, _ = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    plane = Plane(rng.uniform(-6, 6, 3), right, up)
    met = met_by_plane(plane.origin_mm, plane.normal, tree.order, tree.boxes)
    height = (vertices - plane.origin_mm) @ plane.normal
    crossed = np.flatnonzero(np.ptp((height[faces] >= 0).astype(int), axis=1))
    assert set(crossed) <= set(met.tolist())
    assert len(met) < len(faces) / 4
    whole, few = outlines_mm(plane, vertices, faces), outlines_mm(plane, vertices, faces, tree)
    assert len(whole) == len(few) == 1
    np.testing.assert_array_equal(whole[0], few[0])
