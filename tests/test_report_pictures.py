"""The report's pictures against closed forms: sections, outlines, rays, the drawn screw, the strip's scale.

Closed forms are derived here.
"""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from phantoms import placed
from PIL import Image
from two_slabs import ENTRY_MM, TARGET_MM, TILTED_MM, two_slabs

from planner.assess import assess
from planner.solid import solid_of
from planner.vocabulary import Plan
from segmentation.vocabulary import Bone, CTVolume, Fragment, Grid, Segmentation, Surface
from viewer.report.camera import Camera
from viewer.report.placing import clear_centre, in_a_row, uncrossed_row
from viewer.report.ray_target import RayTarget
from viewer.report.ruler import GUTTER_PX, rulers
from viewer.report.scene_render import PIXELS_PER_PX, Scene, render
from viewer.report.screw_mesh import screw_mesh
from viewer.report.section import (
    WINDOWS_HU,
    Plane,
    Window,
    crossing_depths_mm,
    encloses,
    nearest_on,
    outlines_mm,
    picture_uri,
    pieces_within,
    section_hu,
)
from viewer.report.sheet import WIDTH_PX
from viewer.report.stations import stations_of
from viewer.report.strip_lanes import landing_lane, own_stretches
from viewer.report.subject import subject_of
from viewer.report.thread_teeth import radius_mm, teeth
from viewer.report.view_frame import direction_words, posed_fragments, screw_frame

X, Y, Z = np.eye(3)


@pytest.fixture(scope="module")
def bone() -> Bone:
    return two_slabs()


@pytest.fixture(scope="module")
def ball() -> tuple[np.ndarray, np.ndarray]:
    """A ball of radius 10 mm as triangles: (n, 3) vertices, (m, 3) faces."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=10.0)
    return np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int32)


# --- planes, outlines, lines: closed forms ----------------------------------------------------------------


def test_a_section_reads_a_ramp_of_hu_exactly():
    """Trilinear interpolation reproduces a linear field (closed form), and nothing is told outside the
    scan."""
    shape = (20, 22, 24)
    affine = np.array([[0.5, 0.1, 0, -4], [-0.1, 0.6, 0, -5], [0, 0, 0.7, -6], [0, 0, 0, 1.0]])
    grid = Grid(shape, affine)
    points = grid.ijk_to_mm(np.stack(np.indices(shape), -1).reshape(-1, 3))
    ramp = (3 * points[:, 0] - 20 * points[:, 1] + 7 * points[:, 2]).reshape(shape).astype(np.float32)
    bone = _bone(CTVolume(grid, ramp, "ramp"))
    right = np.array([2.0, 1, 1]) / np.sqrt(6)
    up = np.array([0, 1.0, -1]) / np.sqrt(2)
    plane = Plane(grid.ijk_to_mm([[9, 10, 11]])[0], right, up)
    hu = section_hu(bone, plane, Window(-2.0, 3.0, -1.5, 2.5))
    x, y = np.meshgrid(-2.0 + 0.05 + 0.1 * np.arange(50), 2.5 - 0.05 - 0.1 * np.arange(40))
    at = plane.origin_mm + x[..., None] * right + y[..., None] * up
    assert hu.shape == (40, 50)
    assert hu == pytest.approx(at @ np.array([3.0, -20.0, 7.0]), abs=1e-3)
    far = section_hu(bone, plane, Window(40.0, 41.0, 0.0, 1.0))
    assert np.isnan(far).all()


def test_grey_is_linear_in_the_window_and_unknown_is_transparent():
    low, high = WINDOWS_HU["bone"]
    hu = np.array([[low - 500, low, (low + high) / 2, high, high + 500, np.nan]])
    file = base64.b64decode(picture_uri(hu, "bone").split(",")[1])
    pixels = np.asarray(Image.open(io.BytesIO(file)))
    assert pixels[0, :, 0].tolist() == [0, 0, 128, 255, 255, 0]
    assert pixels[0, :, 1].tolist() == [255, 255, 255, 255, 255, 0]


@pytest.mark.parametrize("distance_mm", [0.0, 3.0, -7.5])
def test_a_ball_is_cut_in_a_circle(ball, distance_mm):
    """Radius √(R² − d²), circumference 2πr (closed forms); the facets lie up to 0.3 % inside the ball."""
    tilt = np.array([1.0, 2, 2]) / 3
    right = np.array([0, 1, -1]) / np.sqrt(2)
    plane = Plane(distance_mm * tilt, right, np.cross(tilt, right))
    (loop,) = outlines_mm(plane, *ball)
    radius = np.sqrt(100 - distance_mm**2)
    assert np.array_equal(loop[0], loop[-1])
    assert np.linalg.norm(loop, axis=1) == pytest.approx(radius, rel=0.003)
    assert np.linalg.norm(np.diff(loop, axis=0), axis=1).sum() == pytest.approx(2 * np.pi * radius, rel=0.003)
    assert encloses([loop], 0.0, 0.0)
    assert encloses([loop], 0.7 * radius, 0.7 * radius)
    assert not encloses([loop], 0.72 * radius, 0.72 * radius)
    shifted = [loop + np.array([2.0, 0.0])]
    assert np.linalg.norm(nearest_on(shifted)) == pytest.approx(radius - 2, rel=0.005)


def test_what_a_square_does_not_show_is_left_out():
    """A circle of radius 10 shows four arcs about its diagonals in a square of |x|, |y| ≤ 8 (closed form)."""
    angle = np.linspace(0, 2 * np.pi, 721)
    loop = np.stack([10 * np.cos(angle), 10 * np.sin(angle)], axis=1)
    pieces = pieces_within(loop, 8.0)
    inside = loop[(np.abs(loop) <= 8).all(axis=1)]
    kept = np.concatenate(pieces)
    assert {tuple(one) for one in inside} <= {tuple(one) for one in kept}
    # One point more at each end of each piece, and no other.
    assert len(pieces) == 4
    assert len(kept) <= len(inside) + 2 * len(pieces)
    for piece in pieces:
        assert np.linalg.norm(np.diff(piece, axis=0), axis=1).max() == pytest.approx(
            10 * np.pi / 360, rel=1e-3
        )
    assert np.array_equal(pieces_within(loop, 10.0)[0], loop)
    assert pieces_within(loop + 40, 8.0) == []


def test_a_plane_beside_a_ball_cuts_nothing(ball):
    assert outlines_mm(Plane(10.5 * Z, X, Y), *ball) == []


def test_a_line_crosses_a_ball_where_its_chord_ends(ball):
    """Chord 2√(R² − b²) at distance b from the centre (closed form)."""
    depths = crossing_depths_mm(np.array([6.0, 0.01, -20.0]), Z, *ball)
    assert depths == pytest.approx([20 - 8, 20 + 8], abs=0.02)


def test_a_line_through_a_corner_or_an_edge_of_the_mesh_crosses_once_there(ball):
    vertices_mm, faces = ball
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])[::97]
    middles = vertices_mm[edges].mean(axis=1)
    for point_mm in np.concatenate([vertices_mm[::37], middles]):
        along = -point_mm / np.linalg.norm(point_mm)
        depths = crossing_depths_mm(-20 * along, along, vertices_mm, faces)
        assert len(depths) == 2, point_mm
        assert depths == pytest.approx([10, 30], abs=0.05)


# --- the screw as drawn -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["iso5835-ha-3.5", "iso5835-hb-6.5-16", "headless-two-pitch-3.0-3.9", "locking-3.5"]
)
def test_the_screws_mesh_is_closed_and_as_big_as_its_solid(name):
    """Volume of the envelope is that of its cones (closed form, times the 48-gon's area over the circle's);
    with its thread the screw is smaller than that and larger than its core."""
    screw = placed(np.zeros(3), np.array([1.0, 2.0, 2.0]), name, 40.0)
    result = _result_of(screw)
    solid = solid_of(screw.screw, 40.0)
    gon = 48 / (2 * np.pi) * np.sin(2 * np.pi / 48)
    volumes = {}
    for threaded in (True, False):
        vertices, faces = screw_mesh(result, threaded=threaded)
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        volumes[threaded] = mesh.volume
    assert volumes[False] == pytest.approx(_cones_mm3(solid.outline_mm) * gon, rel=1e-3)
    assert _cones_mm3(solid.core_outline_mm) * gon < volumes[True] < volumes[False]


def test_teeth_stand_a_pitch_apart_and_half_a_pitch_between_the_sides():
    """28 mm of thread at a pitch of 1.25 mm has 22.4 turns: 22 or 23 teeth a side, less those too low to
    draw."""
    screw = placed(np.zeros(3), Z, "iso5835-ha-3.5", 28.0)
    solid = solid_of(screw.screw, 28.0)
    drawn = teeth(solid)
    for upper in (True, False):
        places = np.array([tooth.at_mm for tooth in drawn if tooth.upper == upper])
        assert 20 <= len(places) <= 23
        assert np.diff(places) == pytest.approx(1.25)
    sides = [next(t.at_mm for t in drawn if t.upper == upper and t.at_mm > 5) for upper in (True, False)]
    assert abs(sides[0] - sides[1]) == pytest.approx(0.625)
    for tooth in drawn:
        crest = np.abs(tooth.points_mm[:, 1]).max()
        assert crest <= radius_mm(solid.outline_mm, tooth.at_mm) + 1e-9
    full = [tooth for tooth in drawn if solid.zones[0].full_from_mm < tooth.at_mm < solid.zones[0].full_to_mm]
    assert all(np.abs(tooth.points_mm[:, 1]).max() == pytest.approx(1.75) for tooth in full)


# --- the picture of the bone ------------------------------------------------------------------------------


def test_rays_meet_a_ball_where_it_is(ball):
    """Depth R − √(R² − b²) below the pole (closed form), normals radial."""
    target = RayTarget([(1, *ball)])
    b = np.linspace(0, 9, 30)
    hits = target.first_hits(np.column_stack([b, 0 * b, 0 * b + 30]), -Z)
    assert len(hits.rays) == 30
    assert hits.distance_mm == pytest.approx(30 - np.sqrt(100 - b**2), abs=0.03)
    assert hits.normals == pytest.approx(hits.points_mm / 10, abs=0.01)
    assert len(target.first_hits(np.array([[10.2, 0, 30.0]]), -Z).rays) == 0


def test_the_picture_of_a_ball_is_a_disc_to_scale(ball):
    """Area πR² at the camera's scale (closed form), within 1 %; a neighbour hides nothing."""
    camera = Camera(np.zeros(3), X, Y, 5.0, 160.0, 120.0)
    beside = (ball[0] + 14 * X, ball[1])
    picture = render(Scene(None, camera, [(2, *ball)], [(1, *beside)], None))
    seen = picture.pieces == 2
    assert seen.sum() / (5.0 * PIXELS_PER_PX) ** 2 == pytest.approx(np.pi * 100, rel=0.01)
    assert set(np.unique(picture.pieces)) == {0, 2}
    corner = picture.rgb[:5, :5]
    assert (corner == 255).all()
    assert picture.rgb[seen].std() > 5


def test_a_camera_keeps_its_scale_in_its_plane():
    right, up = np.array([1, 1, 0]) / np.sqrt(2), Z
    camera = Camera(np.array([1.0, 2, 3]), right, up, 4.0, 200.0, 100.0)
    start, end = camera.to_px([camera.centre_mm, camera.centre_mm + 6 * right + 8 * up])
    assert start.tolist() == [100.0, 50.0]
    assert np.linalg.norm(end - start) == pytest.approx(40.0)
    assert end[1] < start[1]
    assert camera.to_px(camera.origins_mm(np.array([[17.0, 81.0]]), 50.0))[0] == pytest.approx([17.0, 81.0])


def test_directions_are_the_patients_own():
    """RAS+: x to the patient's right, y to the front, z up (the frame's definition)."""
    assert direction_words(X) == "right"
    assert direction_words(-Y) == "back"
    assert direction_words([0, 0.7, 0.7]) == "front and up"
    assert direction_words([0.1, 0, -1]) == "down"


def test_the_strip_is_read_from_the_side_that_its_frame_says(bone):
    """A screw to the left with up above is seen from the front: left × up = (−1,0,0) × (0,0,1) = (0,1,0)."""
    result = _result_of(placed(np.zeros(3), -X, length_mm=20.0))
    frame = screw_frame(result)
    assert frame.up.tolist() == [0, 0, 1]
    assert frame.toward == pytest.approx([0, 1, 0])


# --- the strip --------------------------------------------------------------------------------------------


def test_the_strip_shows_the_whole_screw_at_one_scale(bone):
    subject = _subject(bone, placed(ENTRY_MM, TARGET_MM, length_mm=22.0))
    (ruler,) = rulers(subject, WIDTH_PX)
    points = ruler.points([[0, 0], [10, 0], [0, 10]], 100.0)
    assert points[1, 0] - points[0, 0] == pytest.approx(points[0, 1] - points[2, 1])
    assert ruler.from_mm < subject.top_depth_mm
    assert ruler.to_mm > subject.exit_depth_mm
    assert ruler.x(ruler.from_mm) == GUTTER_PX
    assert ruler.right_px == pytest.approx(WIDTH_PX - 1)


def test_a_long_screw_takes_two_rows_and_no_squeezing(bone):
    subject = _subject(bone, placed(ENTRY_MM, TARGET_MM, "iso5835-ha-4.5", 90.0))
    first, second = rulers(subject, WIDTH_PX)
    assert first.scale_px == second.scale_px >= 9.0
    assert first.from_mm < subject.top_depth_mm
    assert second.from_mm < first.to_mm
    # Nothing but paper 4 mm beyond the tip, which lies beyond the exit; rows are equally long.
    assert second.to_mm == pytest.approx(subject.result.tip_depth_mm + 4.0)
    assert second.to_mm - second.from_mm == pytest.approx(first.to_mm - first.from_mm)
    assert max(first.right_px, second.right_px) <= WIDTH_PX


def test_triangles_end_with_the_first_length_beyond_exit_and_tip(bone):
    """Exit at 25.2 mm, its limit 2 mm deeper: 26 keeps it and 28 does not. By hand from the slabs."""
    subject = _subject(bone, placed(ENTRY_MM, TARGET_MM, length_mm=22.0))
    (ruler,) = rulers(subject, WIDTH_PX)
    drawn = landing_lane(subject, ruler, 0.0, WIDTH_PX)
    shown = [float(words) for words in re.findall(r">([\d.]+)</text>", drawn)]
    assert max(shown) == 28.0
    assert re.findall(r"line-through[^>]*>([\d.]+)<", drawn) == ["28"]


# --- where words go ---------------------------------------------------------------------------------------


def test_words_step_aside_from_lines_and_other_words():
    """By hand: words 20 wide at 50 with a line at 52 must begin 3 beyond it, at centre 52 − 13 = 39."""
    assert clear_centre(50.0, 10.0, (0.0, 100.0)) == 50.0
    assert clear_centre(50.0, 10.0, (0.0, 100.0), [52.0]) == 39.0
    assert clear_centre(50.0, 10.0, (0.0, 100.0), [52.0], [(20.0, 30.0)]) == 65.0
    assert clear_centre(95.0, 10.0, (0.0, 100.0)) == 90.0
    assert clear_centre(50.0, 10.0, (40.0, 60.0), [52.0]) == 50.0


def test_words_in_a_row_lie_beside_each_other_as_near_as_they_can():
    """Two words 10 wide that both want 50 share the way (least squares): 45 and 55."""
    assert in_a_row([50.0, 50.0], [10.0, 10.0], (0.0, 100.0)) == pytest.approx([45.0, 55.0])
    assert in_a_row([2.0, 90.0], [10.0, 30.0], (0.0, 100.0)) == pytest.approx([5.0, 85.0])
    assert in_a_row([], [], (0.0, 100.0)) == []


@pytest.mark.parametrize("seed", range(20))
def test_leader_lines_do_not_cross(seed):
    """Segments that share no end can always be matched without crossing (closed form: the shortest matching
    crosses nowhere); checked with another test of crossing, by solving for the two parameters."""
    rng = np.random.default_rng(seed)
    anchors = [(float(x), float(y)) for x, y in rng.uniform([150, 20], [550, 250], (6, 2))]
    widths = [60.0] * 6
    row = uncrossed_row(anchors, widths, 300.0, (0.0, 700.0))
    assert np.diff(sorted(row)).min() >= 60.0 - 1e-6
    for i in range(6):
        for j in range(i):
            a, b = np.array(anchors[i]), np.array([row[i], 300.0])
            c, d = np.array(anchors[j]), np.array([row[j], 300.0])
            both = np.column_stack([b - a, c - d])
            if abs(np.linalg.det(both)) < 1e-6:
                continue  # parallel
            s, t = np.linalg.solve(both, c - a)
            assert not (0 < s < 1 and 0 < t < 1)


def test_the_bone_lane_is_the_axis_in_each_slab(bone):
    """Slabs of 10 and 14 mm, 1.2 mm apart, met squarely (closed form)."""
    subject = _subject(bone, placed(ENTRY_MM, TARGET_MM, length_mm=22.0))
    near, far = own_stretches(subject)
    assert (near.from_mm, far.to_mm) == (0.0, subject.exit_depth_mm)
    assert near.to_mm - near.from_mm == pytest.approx(10.0, abs=0.1)
    assert far.from_mm - near.to_mm == pytest.approx(1.2, abs=0.1)
    assert far.to_mm - far.from_mm == pytest.approx(14.0, abs=0.1)


def test_teeth_take_the_fragment_they_bite_in_and_none_in_gap_or_gliding_hole(bone):
    position = _subject(bone, placed(ENTRY_MM, TARGET_MM, length_mm=22.0))
    lag = _subject(bone, placed(ENTRY_MM, TILTED_MM, length_mm=22.0, technique="lag"))
    near, far = (stretch.number for stretch in own_stretches(position))
    assert [position.bitten_at(z) for z in (5.0, 10.6, 15.0)] == [near, 0, far]
    assert [lag.bitten_at(z) for z in (5.0, 10.6, 15.0)] == [0, 0, far]
    assert position.bitten_at(24.0) == 0


def test_stations_are_on_the_screw_and_apart(bone):
    for screw in ("iso5835-ha-3.5", "headless-two-pitch-3.0-3.9", "iso5835-hb-4.0-partial"):
        subject = _subject(bone, placed(ENTRY_MM, TARGET_MM, screw, 22.0))
        found = stations_of(subject)
        depths = [station.depth_mm for station in found]
        assert [station.letter for station in found] == list("abcd")
        assert min(np.diff(depths)) > 1.0
        assert 0 <= depths[0] < depths[-1] <= subject.result.tip_depth_mm


def test_fragments_moved_by_their_pose_are_shown_where_they_were_moved(bone):
    pose = np.eye(4)
    pose[:3, 3] = [0.0, 0.0, 5.0]
    moved = replace(bone, fragments=(replace(bone.fragments[0], pose=pose), *bone.fragments[1:]))
    there = posed_fragments(moved, as_scanned=False)[0].vertices_mm
    assert there - bone.fragments[0].surface.vertices_mm == pytest.approx(
        np.tile(pose[:3, 3], (len(there), 1))
    )
    assert posed_fragments(moved, as_scanned=True)[0].vertices_mm == pytest.approx(
        bone.fragments[0].surface.vertices_mm
    )
    middle = bone.fragments[0].surface.vertices_mm.mean(0)
    window = Window(-0.3, 0.3, -0.3, 0.3)
    posed = posed_fragments(moved, as_scanned=False)
    at_new = section_hu(moved, Plane(middle + pose[:3, 3], X, Y), window, posed)
    assert at_new == pytest.approx(section_hu(bone, Plane(middle, X, Y), window), abs=1e-6)


def _bone(ct: CTVolume) -> Bone:
    triangle = Surface(np.eye(3), np.array([[0, 1, 2]], np.int32))
    fragment = Fragment(1, "f", "b", 1.0, triangle)
    return Bone(ct, np.zeros(ct.grid.shape, np.uint8), (fragment,), "bone", Segmentation(0.0, "given"))


def _result_of(screw):
    """A result that holds where the screw is and nothing else: enough for its shape."""
    along = (screw.target_mm - screw.entry_mm) / np.linalg.norm(screw.target_mm - screw.entry_mm)

    class Placed:
        placed = screw
        entry_mm = screw.entry_mm
        direction = along

    return Placed()


def _subject(bone: Bone, screw):
    assessment = assess(bone, Plan((screw,)))
    return subject_of(bone, assessment, assessment.screws[0], as_scanned=False)


def _cones_mm3(outline_mm) -> float:
    """Volume of a solid of revolution from its outline: the sum of its truncated cones (closed form)."""
    z, r = np.asarray(outline_mm).T
    return float(np.pi / 3 * (np.diff(z) * (r[:-1] ** 2 + r[:-1] * r[1:] + r[1:] ** 2)).sum())
