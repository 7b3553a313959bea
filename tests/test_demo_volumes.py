"""Demo bones: shapes against closed forms, the scanner against the error function, the truth against plain
sampling."""

from __future__ import annotations

import json
import math
from functools import cache

import numpy as np
import pytest
from scipy.special import ndtr

from demo_volumes import ankle, shaft, wrist
from demo_volumes.make import DemoCase, demo_names, make_demo
from demo_volumes.scanner import FWHM_TO_SD_RATIO, centred_grid, scan
from demo_volumes.scene import DemoBone, Fracture, PlannedScrew, Scene
from demo_volumes.screw_forms import FORMS, DemoThread, demo_screw
from demo_volumes.shapes import Array, Field, ball, box, ellipsoid, gradient, random_waves, rod
from demo_volumes.surface_points import joint_surface, outer_surface, signed_distance_mm
from demo_volumes.truth import Axis, engagement_mm, gliding_hole_to_mm, smallest_on_solid_mm
from demo_volumes.truth_document import truth_document
from planner.solid import solid_of
from segmentation.errors import InputError

HALF_MM = (30.0, 30.0, 30.0)


@cache
def demo(name: str, **settings: object) -> DemoCase:
    return make_demo(name, **settings)  # type: ignore[arg-type]


def grid_points(half_mm: float, step_mm: float) -> tuple[Array, Array, Array]:
    line = np.arange(-half_mm + step_mm / 2, half_mm, step_mm)
    x, y, z = np.meshgrid(line, line, line, indexing="ij")
    return x.ravel(), y.ravel(), z.ravel()


@pytest.mark.parametrize(
    ("field", "volume_mm3"),
    [
        (lambda x, y, z: ball(x, y, z, (0.1, 0.2, 0.3), 5.0), 4 / 3 * math.pi * 125),
        (lambda x, y, z: ellipsoid(x, y, z, (0.1, 0.2, 0.3), (6.0, 4.0, 3.0)), 4 / 3 * math.pi * 72),
        # A rod of one radius: a cylinder and two half balls.
        (lambda x, y, z: rod(x, y, z, (-3.0, 0, 0), (3.0, 1.0, 0), (2.0, 2.0)),
         math.pi * 4 * math.sqrt(37) + 4 / 3 * math.pi * 8),
        (lambda x, y, z: box(x, y, z, (0.1, 0.2, 0.3), (5.0, 4.0, 3.0)), 480.0),
    ],
)  # fmt: skip
def test_shapes_have_their_closed_form_volume(field: Field, volume_mm3: float) -> None:
    step = 0.1
    x, y, z = grid_points(7.0, step)
    # A cell cut by the surface counts by its share, to first order: clip(1/2 - field / step).
    share = np.clip(0.5 - field(x, y, z) / step, 0, 1)
    assert share.sum() * step**3 == pytest.approx(volume_mm3, rel=2e-3)


def test_shapes_grow_one_per_mm_at_their_surface() -> None:
    """What the scanner's edge rests on: |∇f| = 1 on an ellipsoid's zero set (closed form)."""
    radii = (7.2, 5.5, 4.0)

    def field(x: Array, y: Array, z: Array) -> Array:
        return ellipsoid(x, y, z, (0, 0, 0), radii)

    direction = np.random.default_rng(2).normal(size=(200, 3))
    points = direction / np.linalg.norm(direction, axis=1, keepdims=True) * radii
    slope = np.sqrt(sum(g * g for g in gradient(field, *points.T)))
    assert np.abs(slope - 1).max() < 1e-3


def test_waves_have_mean_0_and_variance_1() -> None:
    values = random_waves(np.random.default_rng(3), 16, (1.3, 3.0))(*grid_points(20.0, 0.7))
    assert values.mean() == pytest.approx(0, abs=0.02)
    assert values.var() == pytest.approx(1, abs=0.05)


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


def turned(degree: float) -> np.ndarray:
    c, s = math.cos(math.radians(degree)), math.sin(math.radians(degree))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


@pytest.mark.parametrize(("fwhm_mm", "voxel_mm"), [(0.5, 0.4), (0.6, 0.5), (1.2, 0.4), (0.4, 0.5)])
def test_blurred_edge_is_the_error_function(fwhm_mm: float, voxel_mm: float) -> None:
    """A slab's oblique face, blurred by a Gaussian, is its cumulative distribution (closed form)."""
    placement = turned(33.0)
    scene = uniform_scene(lambda x, y, z: np.abs(x) - 5.0)
    grid = centred_grid((20.0, 14.0, 12.0), (voxel_mm,) * 3)
    hu = scan(scene, placement, grid, (fwhm_mm,) * 3, 0.0, np.random.default_rng(0))
    x = (grid.ijk_to_mm(np.argwhere(np.ones(grid.shape))) @ placement)[:, 0]
    sd = fwhm_mm * FWHM_TO_SD_RATIO
    expected = 40 + 400 * (ndtr((x + 5) / sd) - ndtr((x - 5) / sd))
    error = np.abs(hu.ravel() - expected)
    # 0.5 HU is the rounding to whole HU; 0.3 % of the step is the rest.
    assert error.max() <= 0.5 + 0.003 * 400


def test_gap_is_filled_as_a_blurred_slab() -> None:
    """A flat gap of 0.7 mm in the middle of the bone: what is left of the step is closed form."""
    fracture = Fracture(np.zeros(3), np.array([1.0, 0, 0]), 0.7, filling_hu=50.0)
    grid = centred_grid((12.0, 8.0, 8.0), (0.4,) * 3)
    scene = uniform_scene(lambda x, y, z: np.sqrt(x * x + y * y + z * z) - 40.0, fracture)
    hu = scan(scene, np.eye(3), grid, (0.5,) * 3, 0.0, np.random.default_rng(0))
    x = grid.ijk_to_mm(np.argwhere(np.ones(grid.shape)))[:, 0]
    sd = 0.5 * FWHM_TO_SD_RATIO
    expected = 440 - 390 * (ndtr((x + 0.35) / sd) - ndtr((x - 0.35) / sd))
    assert np.abs(hu.ravel() - expected).max() <= 0.5 + 0.003 * 390


def test_shafts_outer_edge_is_the_error_function() -> None:
    """The demo's own diaphysis: averaged around the shaft, the outer edge of its thick cortex is a lone
    blurred edge.

    What is left is texture (averaged out) and curvature (sd² / 2r = 0.003 mm, 0.3 % of the step at its
    steepest).
    """
    scene, placement = shaft.diaphysis(np.random.default_rng(1), 0.0, None, None), turned(9.0)
    grid = centred_grid((44.0, 44.0, 30.0), (0.5,) * 3)
    hu = scan(scene, placement, grid, (0.6,) * 3, 0.0, np.random.default_rng(0))
    points = grid.ijk_to_mm(np.argwhere(np.ones(grid.shape))) @ placement
    distance = shaft.outside(*points.T)
    step = shaft.DENSE_MG_CM3 / 0.77 - 40
    for middle in np.arange(-0.9, 0.95, 0.1):
        near = np.abs(distance - middle) < 0.05
        expected = 40 + step * ndtr(-distance[near] / (0.6 * FWHM_TO_SD_RATIO))
        assert hu.ravel()[near].mean() == pytest.approx(expected.mean(), abs=0.01 * step)


def test_noise_has_the_stated_spread() -> None:
    case = demo("foam-block", noise_hu=20.0)
    air = case.ct.hu[:4, :4].astype(float)
    # Air is clipped at -1024: its upper half alone tells the spread (quartile of a normal: 0.6745 sd).
    assert np.quantile(air, 0.75) + 1000 == pytest.approx(0.6745 * 20, abs=1.5)


def test_foams_density_is_recovered_by_its_mean() -> None:
    case = demo("foam-block")
    slope, intercept = case.segment_options["calibration"]
    middle = tuple(slice(n // 2 - 15, n // 2 + 15) for n in case.ct.grid.shape)
    inside = case.ct.hu[middle]
    mean_mg_cm3 = slope * inside.mean() + intercept
    # Standard error of the mean: 12 HU · 1.03 / √27000 = 0.075 mg/cm³; four of them, and the rounding.
    assert mean_mg_cm3 == pytest.approx(case.truth["densities_mg_cm3"]["foam"], abs=0.35)
    assert inside.std() == pytest.approx(12, rel=0.02)


def test_foams_sheet_is_denser() -> None:
    case = demo("foam-block", cortex_mm=3.0, noise_hu=0.0)
    entry = np.array(case.truth["screws"][0]["entry_mm"])
    direction = np.subtract(case.truth["screws"][0]["tip_mm"], entry)
    direction /= np.linalg.norm(direction)
    at = case.ct.grid.mm_to_ijk(entry + np.array([[1.5], [8.0]]) * direction).round().astype(int)
    slope, intercept = case.segment_options["calibration"]
    sheet, core = (slope * float(case.ct.hu[tuple(index)]) + intercept for index in at)
    # ASTM F1839 grades 40 and 20 pcf, 16.0185 mg/cm³ per pcf; rounding to 1 HU.
    assert sheet == pytest.approx(40 * 16.0185, abs=1.1)
    assert core == pytest.approx(20 * 16.0185, abs=1.1)


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
    catalogue = pytest.importorskip("planner.catalogue").built_in_screws()
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


@pytest.mark.parametrize("name", list(demo_names()))
def test_every_demo_is_sound(name: str) -> None:
    """Planned points lie on the bone; each piece's point is inside it in the CT; documents are plain JSON."""
    case = demo(name)
    json.dumps(case.plan, allow_nan=False)
    json.dumps(case.truth, allow_nan=False)
    level = case.segment_options["threshold_hu"]
    assert case.ct.hu.dtype == np.int16
    for point, _, _ in case.segment_options["names"]:
        index = tuple(case.ct.grid.mm_to_ijk(np.array([point]))[0].round().astype(int))
        assert case.ct.hu[index] > level
    for screw in case.plan["screws"]:
        line = np.array(screw["entry_mm"]) + np.linspace(0, 1, 50)[:, None] * np.subtract(
            screw["target_mm"], screw["entry_mm"]
        )
        index = case.ct.grid.mm_to_ijk(line).round().astype(int)
        assert (index >= 0).all()
        assert (index < case.ct.grid.shape).all()


def test_the_joint_faces_outward_and_lies_on_the_bone() -> None:
    case = demo("scaphoid-waist")
    joint = case.joint
    assert joint is not None
    corners = joint.vertices_mm[joint.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    # Just outside is joint space, just inside is plate: the CT must fall along the normal.
    away = corners.mean(axis=1)[::40], normal[::40] / np.linalg.norm(normal[::40], axis=1, keepdims=True)
    grid = case.ct.grid
    outside, inside = (
        case.ct.hu[tuple(grid.mm_to_ijk(away[0] + step * away[1]).round().astype(int).T)]
        for step in (0.8, -0.7)
    )
    assert np.mean(inside > outside) > 0.98


@pytest.mark.parametrize("name", ["scaphoid-waist", "malleolus-oblique"])
def test_pieces_and_neighbours_are_apart_at_the_level(name: str) -> None:
    """Six-connected labels of CT > level: each named point in a component of its own (scipy.ndimage as second
    judge)."""
    from scipy import ndimage

    case = demo(name)
    labels, _ = ndimage.label(case.ct.hu > case.segment_options["threshold_hu"])
    points = np.array([point for point, _, _ in case.segment_options["names"]])
    found = []
    for index in case.ct.grid.mm_to_ijk(points).round().astype(int):
        near = labels[tuple(slice(i - 2, i + 3) for i in index)]
        found.append(int(np.bincount(near[near > 0]).argmax()))
    assert len(set(found)) == len(points) == len(case.truth["fragments"])


@pytest.mark.parametrize("seed", range(1, 6))
def test_the_plan_is_one_a_surgeon_could_ask_for(seed: int) -> None:
    """Trailing rim buried, tip 2 mm short of the joint, three threads on both sides (common practice)."""
    scene = wrist.scaphoid_waist(np.random.default_rng(seed), 0.7, None, None)
    (screw,) = truth_document(scene, np.eye(3), joint_surface(scene), {})["screws"]
    assert screw["clearance_mm"]["trailing_end"]["outer"] >= 1
    assert screw["clearance_mm"]["leading_end"]["joint"] >= 2
    assert screw["clearance_mm"]["solid_without_head"]["joint"] >= 2
    assert all(fragment["threads_engaged"] >= 3 for fragment in screw["fragments"])


def test_malleolar_threads_lie_beyond_the_fracture() -> None:
    """So that the screws compress it (common practice), clear of the joint."""
    for screw in demo("malleolus-oblique").truth["screws"]:
        engaged = {fragment["fragment_name"]: fragment["threads_engaged"] for fragment in screw["fragments"]}
        assert engaged["malleolus"] == 0
        assert engaged["tibia"] > 5
        assert screw["clearance_mm"]["solid_without_head"]["joint"] > 2
        assert screw["clearance_mm"]["leading_end"]["outer"] > 2
        assert screw["bone_length_mm"] is None
        assert "bone_length_mm" in screw["reasons"]


def test_a_scaphoid_measures_like_a_scaphoid() -> None:
    """Length 25 to 29 mm; waist 8 to 12 mm both ways; narrower than both poles (from memory)."""
    scene = wrist.scaphoid_waist(np.random.default_rng(1), 0.0, None, None)
    vertices = outer_surface(scene.bones[0], (-20.0,) * 3, (20.0,) * 3).vertices_mm @ wrist.BONE.axes.T
    assert 25 <= np.ptp(vertices[:, 0]) <= 29

    def widths(at_mm: float) -> np.ndarray:
        return np.ptp(vertices[np.abs(vertices[:, 0] - at_mm) < 0.6, 1:], axis=0)

    waist = widths(0.0)
    assert (waist > 8).all()
    assert (waist < 12).all()
    assert (widths(-6.5) > waist).all()
    assert (widths(6.5) > waist).all()


def test_a_gap_too_narrow_for_the_blur_gives_one_name() -> None:
    """0.2 mm under a blur of 1 mm cannot be seen; the default gap can."""
    names = {name for _, name, _ in demo("diaphysis", gap_mm=0.2, fwhm_mm=1.0).segment_options["names"]}
    assert names == {"shaft"}
    assert {name for _, name, _ in demo("diaphysis").segment_options["names"]} == {
        "lower shaft",
        "upper shaft",
    }


def test_left_is_the_mirror_image_of_right() -> None:
    right, left = (demo("diaphysis", side=side, noise_hu=0.0) for side in ("right", "left"))
    np.testing.assert_allclose(left.ct.hu, right.ct.hu[::-1], atol=1)
    for mine, theirs in zip(left.truth["screws"], right.truth["screws"], strict=True):
        assert mine["bone_length_mm"] == pytest.approx(theirs["bone_length_mm"], abs=1e-3)
        assert mine["entry_mm"] == pytest.approx([-theirs["entry_mm"][0], *theirs["entry_mm"][1:]], abs=1e-3)


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    first, again, other = (
        make_demo("diaphysis", seed=7),
        make_demo("diaphysis", seed=7),
        make_demo("diaphysis", seed=8),
    )
    assert first.ct.digest == again.ct.digest
    assert json.dumps(first.truth) == json.dumps(again.truth)
    assert first.ct.digest != other.ct.digest


def test_a_wider_gap_takes_its_width_from_the_path() -> None:
    """A flat-ish fracture: bone length stays, the two paths lose the gap over the cosine to the axis between
    them."""
    narrow, wide = (demo("diaphysis", gap_mm=gap).truth["screws"][0] for gap in (0.8, 1.8))
    lost = [
        screw["bone_length_mm"] - sum(fragment["axis_path_mm"] for fragment in screw["fragments"])
        for screw in (narrow, wide)
    ]
    assert narrow["bone_length_mm"] == pytest.approx(wide["bone_length_mm"], abs=1e-3)
    assert lost[1] / lost[0] == pytest.approx(1.8 / 0.8, rel=0.1)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"name": "femur"}, "no demo named"),
        ({"side": "up"}, "side must be"),
        ({"seed": -1}, "seed must be"),
        ({"voxel_mm": 0.0}, "voxel_mm must be"),
        ({"noise_hu": math.nan}, "noise_hu must be"),
        ({"fwhm_mm": math.inf}, "fwhm_mm must be"),
        ({"gap_mm": -1.0}, "gap_mm must be"),
        ({"name": "foam-block", "gap_mm": 1.0}, "no fracture"),
        ({"cortex_mm": 50.0}, "cortex_mm must be"),
        ({"density_mg_cm3": 5.0}, "density_mg_cm3 must be"),
    ],
)
def test_settings_out_of_reach_are_refused(settings: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        make_demo(**{"name": "diaphysis", **settings})  # type: ignore[arg-type]
