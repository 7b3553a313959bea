"""The truth beside the demo bones: lengths, engagement and clearance against closed forms and plain
sampling."""

from __future__ import annotations

import math

import numpy as np
import pytest

from demo_volumes import ankle, shaft, wrist
from demo_volumes.scene import DemoBone, Fracture, PlannedScrew, Scene
from demo_volumes.screw_forms import FORMS, DemoThread, demo_screw
from demo_volumes.shapes import Array, Field, ball, ellipsoid
from demo_volumes.surface_points import outer_surface, signed_distance_mm
from demo_volumes.truth import Axis, engagement_mm, gliding_hole_to_mm, smallest_on_solid_mm
from planner.catalogue import built_in_screws
from planner.solid import solid_of

HALF_MM = (30.0, 30.0, 30.0)


def uniform_scene(outside: Field, fracture: Fracture | None = None) -> Scene:
    """One uniform bone of 440 HU in 40 HU."""
    names = ("near", "far") if fracture else ("bone",)
    far = (99.0, 99.0, 99.0)
    bone = DemoBone(
        "bone",
        outside,
        lambda x, y, z, depth: np.full_like(depth, 440.0),
        (-99.0, -99.0, -99.0),
        far,
        fracture,
        names,
    )
    return Scene((bone,), lambda x, y, z: np.full_like(x, 40.0), (), (), HALF_MM, 240.0, 440.0, 40.0, {})


def axis_through(scene: Scene, start: tuple[float, ...], end: tuple[float, ...]) -> Axis:
    return Axis(scene, np.eye(3), PlannedScrew("S", "iso5835-ha-3.5", np.array(start), np.array(end), 1.0))


def test_length_through_a_ball_is_its_chord() -> None:
    scene = uniform_scene(lambda x, y, z: ball(x, y, z, (0, 0, 0), 9.0))
    axis = axis_through(scene, (2.0, 1.0, 12.0), (2.0, 1.0, -12.0))
    assert axis.bone_length_mm == pytest.approx(2 * math.sqrt(81 - 5), abs=1e-6)
    np.testing.assert_allclose(axis.entry_mm, [2, 1, math.sqrt(76)], atol=1e-6)


def test_axis_that_leaves_the_scan_has_no_length() -> None:
    scene = uniform_scene(lambda x, y, z: np.sqrt(y * y + z * z) - 5.0)
    axis = axis_through(scene, (0.0, 0.0, 8.0), (20.0, 0.0, 5.0))
    assert axis.bone_length_mm is None


@pytest.mark.parametrize("tilt_degree", [0.0, 15.0, 28.0])
def test_engagement_in_a_slab_is_the_axis_path(tilt_degree: float) -> None:
    """The ring on two slanted parallel faces integrates to the axis path while its thread covers both (closed
    form)."""
    scene = uniform_scene(lambda x, y, z: np.abs(z) - 4.0)
    lean = math.tan(math.radians(tilt_degree)) * 10
    axis = axis_through(scene, (-lean, 0.0, 10.0), (lean, 0.0, -10.0))
    thread = DemoThread(-6.0, 20.0, 3.5, 2.4, 1.25)
    path = 8 / math.cos(math.radians(tilt_degree))
    assert axis.bone_length_mm == pytest.approx(path, abs=1e-6)
    assert engagement_mm(axis, thread, scene.bones[0].outside, 0.0, -6.0) == pytest.approx(path, abs=0.005)


def test_engagement_in_a_ball_is_the_rings_mean_chord() -> None:
    """Mean of 2 √(R² - r²) over the ring: (4/3) ((R² - a²)^1.5 - (R² - b²)^1.5) / (b² - a²) (closed form)."""
    ball_mm, core, major = 6.0, 1.2, 1.75
    scene = uniform_scene(lambda x, y, z: ball(x, y, z, (0, 0, 0), ball_mm))
    axis = axis_through(scene, (0.0, 0.0, 9.0), (0.0, 0.0, -9.0))
    cubes = (ball_mm**2 - core**2) ** 1.5 - (ball_mm**2 - major**2) ** 1.5
    expected = 4 / 3 * cubes / (major**2 - core**2)
    found = engagement_mm(
        axis, DemoThread(-2.0, 20.0, 2 * major, 2 * core, 1.25), scene.bones[0].outside, 0.0, -2.0
    )
    assert found == pytest.approx(expected, abs=0.005)


def test_gliding_hole_ends_where_the_major_circle_left_the_slanted_near_piece() -> None:
    """On a plane at 25° the circle has left at depth of the plane + (major / 2) tan 25° (closed form)."""
    slant = math.radians(25)
    fracture = Fracture(np.array([0.0, 0.0, 0.0]), np.array([math.sin(slant), 0.0, -math.cos(slant)]), 0.8)
    scene = uniform_scene(lambda x, y, z: np.abs(z) - 10.0, fracture)
    axis = axis_through(scene, (0.0, 0.0, 15.0), (0.0, 0.0, -15.0))
    expected = 10 - 0.4 / math.cos(slant) + 2.25 * math.tan(slant)
    assert gliding_hole_to_mm(axis, scene.bones[0].fragment_field(0), 4.5) == pytest.approx(
        expected, abs=0.01
    )


def test_clearance_in_a_ball_is_its_closed_form() -> None:
    """A headless screw on a ball's diameter: its leading end's nearest point is on its outline (closed
    form)."""
    scene = uniform_scene(lambda x, y, z: ball(x, y, z, (0, 0, 0), 13.0))
    axis = axis_through(scene, (0.0, 0.0, 20.0), (0.0, 0.0, -20.0))
    screw = demo_screw("headless-two-pitch-3.0-3.9", 21.0)
    surface = outer_surface(scene.bones[0], (-15.0,) * 3, (15.0,) * 3)

    def measure(points_mm: np.ndarray) -> np.ndarray:
        return -signed_distance_mm(scene.bones[0].outside, surface, points_mm)

    found = smallest_on_solid_mm((measure, measure), axis, screw, 2.0, screw.leading_end_from_mm)
    tip_rim = 13 - math.hypot(23 - 13, 1.55 / 2)
    assert found == pytest.approx(tip_rim, abs=0.005)


def test_signed_distance_is_exact_on_a_bean() -> None:
    """Against a brute-force search on 4 million points of the scaphoid-like ellipsoid's surface (plain
    twin)."""
    radii = np.array([7.0, 5.0, 4.0])

    def field(x: Array, y: Array, z: Array) -> Array:
        return ellipsoid(x, y, z, (0, 0, 0), (7.0, 5.0, 4.0))

    scene = uniform_scene(field)
    surface = outer_surface(scene.bones[0], (-9.0,) * 3, (9.0,) * 3)
    points = np.random.default_rng(5).uniform(-6, 6, (40, 3))
    u, v = np.meshgrid(np.linspace(0, math.pi, 1200), np.linspace(0, 2 * math.pi, 2400), indexing="ij")
    dense = (
        np.stack([np.sin(u) * np.cos(v), np.sin(u) * np.sin(v), np.cos(u)], axis=-1).reshape(-1, 3) * radii
    )
    brute = np.array([np.sqrt(((dense - point) ** 2).sum(axis=1).min()) for point in points])
    signed = np.where(((points / radii) ** 2).sum(axis=1) < 1, -brute, brute)
    np.testing.assert_allclose(signed_distance_mm(field, surface, points), signed, atol=0.005)


@pytest.mark.parametrize("name", list(FORMS))
def test_screw_forms_agree_with_the_catalogue(name: str) -> None:
    catalogue = built_in_screws()
    length = FORMS[name].lengths_mm[5]
    solid, form = solid_of(catalogue[name], length), demo_screw(name, length)
    assert set(FORMS[name].lengths_mm) <= set(catalogue[name].stocked_lengths_mm)
    assert form.tip_mm == solid.tip_mm
    assert len(form.threads) == len(solid.zones)
    for mine, theirs in zip(form.threads, solid.zones, strict=True):
        assert (mine.full_from_mm, mine.full_to_mm) == pytest.approx((theirs.full_from_mm, theirs.full_to_mm))
        thread = theirs.thread
        assert (mine.major_mm, mine.core_mm, mine.pitch_mm) == (
            thread.major_mm,
            thread.core_mm,
            thread.pitch_mm,
        )
    below = solid.outline_mm[solid.outline_mm[:, 0] >= 0]
    heights = np.arange(0.05, length, 0.1)
    mine_z, mine_r = np.array(form.outline_mm).T
    np.testing.assert_allclose(np.interp(heights, mine_z, mine_r), np.interp(heights, *below.T), atol=1e-9)


@pytest.mark.parametrize("name", ["scaphoid-waist", "diaphysis", "malleolus-oblique"])
def test_truth_agrees_with_fine_sampling_of_the_formula(name: str) -> None:
    """Lengths recomputed by counting 0.001 mm steps in the formula: bisection against the plainest way."""
    build = {"scaphoid-waist": wrist.scaphoid_waist, "diaphysis": shaft.diaphysis,
             "malleolus-oblique": ankle.malleolus_oblique}[name]  # fmt: skip
    scene = build(np.random.default_rng(4), 0.7, None, None)
    bone = scene.bones[0]
    for plan in scene.plan:
        axis = Axis(scene, np.eye(3), plan)
        depths = np.arange(0.0005, axis.seen_mm, 0.001)
        for part in range(2):
            field = bone.fragment_field(part)
            counted = (field(*axis.points_mm(depths).T) < 0).sum() * 0.001
            spans = axis.spans_mm(field, 0.0, axis.seen_mm)
            assert sum(b - a for a, b in spans) == pytest.approx(counted, abs=0.004)
