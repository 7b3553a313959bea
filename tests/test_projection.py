"""Line integrals against closed forms: a ball's chord, mirrored and turned scans, moved fragments, letters.

Bones here are a closed surface and grey values, put together without segmenting.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from phantoms import FWHM_PER_SIGMA, blurred_ball, grid_around, placed, points_of
from PIL import Image, ImageDraw
from scipy.spatial.transform import Rotation

from planner.projection import Frame, View, placed_bones, project, view_from
from planner.solid import solid_of
from segmentation.errors import InputError
from segmentation.vocabulary import Bone, CTVolume, Floats, Fragment, Grid, Segmentation, Surface
from viewer.asking import fluoroscopy_of
from viewer.report.fluoroscopy import NAME_AT_PX, Landmark, clear_place
from viewer.report.fluoroscopy_page import offsets_words, pointing, side_of
from viewer.report.silhouette import silhouette_mm
from viewer.report.view_frame import direction_letters

RADIUS_MM = 8.0
BALL_HU, AIR_HU = 700.0, -1000.0
FRAME = Frame(-10.0, 10.0, -10.0, 10.0)
PIXEL_MM = 0.25
FRONTAL, LATERAL = view_from(0, 0), view_from(90, 0)


def ball_surface(centre_mm=(0.0, 0.0, 0.0), radius_mm: float = RADIUS_MM) -> Surface:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=radius_mm)
    return Surface(ball.vertices + np.asarray(centre_mm), ball.faces)


def bone_of(grid: Grid, hu: Floats, *surfaces: Surface, poses: tuple[Floats, ...] = ()) -> Bone:
    fragments = tuple(
        Fragment(n, f"part {n}", "bone", 1.0, surface, poses[n - 1] if poses else np.eye(4))
        for n, surface in enumerate(surfaces, 1)
    )
    ct = CTVolume(grid, hu.astype(np.float32), "phantom")
    return Bone(ct, np.zeros(grid.shape, np.uint8), fragments, "bone", Segmentation(0.0, "test"))


def ball_bone(fwhm_mm: float = 0.6, voxel_mm: float = 0.5) -> Bone:
    """A ball of even grey value in air, blurred as by a scanner."""
    grid = grid_around((11.0, 11.0, 11.0), (voxel_mm,) * 3)
    inside = blurred_ball(np.linalg.norm(points_of(grid), axis=-1), RADIUS_MM, fwhm_mm)
    return bone_of(grid, AIR_HU + (BALL_HU - AIR_HU) * inside, ball_surface())


def pixel_middles_mm(frame: Frame, pixel_mm: float) -> tuple[Floats, Floats]:
    across = np.arange(frame.left_mm + pixel_mm / 2, frame.right_mm, pixel_mm)
    down = np.arange(frame.top_mm - pixel_mm / 2, frame.bottom_mm, -pixel_mm)
    return np.meshgrid(across, down)


@pytest.mark.parametrize("angles", [(0, 0), (90, 0), (37, -24)])
def test_a_ball_of_even_grey_value_is_as_thick_as_its_chord(angles):
    """Closed form: 2 √(R² − r²), times μ / μ_water = 1 + HU / 1000."""
    grid = grid_around((11.0, 11.0, 11.0), (0.5, 0.5, 0.5))
    bone = bone_of(grid, np.full(grid.shape, BALL_HU), ball_surface())
    found = project(placed_bones(bone, as_scanned=False), view_from(*angles), FRAME, PIXEL_MM, AIR_HU)
    x, y = pixel_middles_mm(FRAME, PIXEL_MM)
    chord = 2 * np.sqrt(np.maximum(RADIUS_MM**2 - x**2 - y**2, 0))
    well_inside = x**2 + y**2 < (0.9 * RADIUS_MM) ** 2
    assert found[well_inside] == pytest.approx((1 + BALL_HU / 1000) * chord[well_inside], rel=0.01)
    outside = x**2 + y**2 > RADIUS_MM**2
    assert (found[outside] == 0).all()


def test_of_a_blurred_ball_the_outer_half_of_the_blur_is_missing():
    """Closed form: each surface lacks its contrast times σ / √(2π), σ² of the blur and h² / 6 of reading
    linearly between voxels."""
    found = project(placed_bones(ball_bone(), as_scanned=False), FRONTAL, FRAME, PIXEL_MM, AIR_HU)
    sigma_mm = np.hypot(0.6 / FWHM_PER_SIGMA, 0.5 / np.sqrt(6))
    lost_mm = 2 * sigma_mm / np.sqrt(2 * np.pi)
    middle = found[38:42, 38:42].mean()
    assert middle == pytest.approx((1 + BALL_HU / 1000) * (2 * RADIUS_MM - lost_mm), rel=0.005)


def test_around_is_taken_off_along_the_bone_alone_and_air_is_the_least():
    grid = grid_around((11.0, 11.0, 11.0), (1.0, 1.0, 1.0))
    bone = bone_of(grid, np.full(grid.shape, -1500.0), ball_surface())
    placed_ball = placed_bones(bone, as_scanned=False)
    assert (project(placed_ball, FRONTAL, FRAME, 1.0, AIR_HU) == 0).all()
    in_water = project(placed_ball, FRONTAL, FRAME, 1.0)
    assert in_water.min() == pytest.approx(-2 * RADIUS_MM, rel=0.01)


def lopsided() -> tuple[Grid, Floats, Surface, Surface]:
    """A large ball in the middle and a small, denser one to the right, in front and above."""
    grid = grid_around((10.0, 10.0, 10.0), (0.5, 0.5, 0.5))
    points = points_of(grid)
    small = np.array([6.0, 5.0, 4.0])
    hu = np.where(np.linalg.norm(points - small, axis=-1) < 3.0, 1500.0, 300.0)
    return grid, hu, ball_surface(radius_mm=4.0), ball_surface(small, 2.0)


def darkest_mm(picture: Floats, frame: Frame = FRAME, pixel_mm: float = PIXEL_MM) -> Floats:
    """(2,) right and up of the middle of what is densest."""
    x, y = pixel_middles_mm(frame, pixel_mm)
    dense = picture > 0.9 * picture.max()
    return np.array([x[dense].mean(), y[dense].mean()])


def test_the_letters_stand_where_the_patients_sides_are():
    """Something on the patient's right, in front and above, in a RAS+ scan."""
    grid, hu, large, small = lopsided()
    bones = placed_bones(bone_of(grid, hu, large, small), as_scanned=False)
    for view, letters in (
        (FRONTAL, "RH"),
        (LATERAL, "AH"),
        (view_from(-90, 0), "AH"),
        (view_from(0, 90), "RA"),
    ):
        across, up = darkest_mm(project(bones, view, FRAME, PIXEL_MM))
        assert direction_letters(view.right * np.sign(across)) == letters[0]
        assert direction_letters(view.up * np.sign(up)) == letters[1]
    # A radiologist's frontal picture: the patient's right on the reader's left.
    assert darkest_mm(project(bones, FRONTAL, FRAME, PIXEL_MM)) == pytest.approx([-6.0, 4.0], abs=0.15)
    assert darkest_mm(project(bones, LATERAL, FRAME, PIXEL_MM)) == pytest.approx([-5.0, 4.0], abs=0.15)


def test_a_mirrored_scan_gives_the_mirrored_picture():
    grid, hu, *surfaces = lopsided()
    flip = np.diag([-1.0, 1.0, 1.0, 1.0])
    mirrored = [Surface(one.vertices_mm * [-1, 1, 1], one.faces[:, ::-1]) for one in surfaces]
    pictures = [
        project(placed_bones(bone, as_scanned=False), FRONTAL, FRAME, PIXEL_MM)
        for bone in (
            bone_of(grid, hu, *surfaces),
            bone_of(Grid(grid.shape, flip @ grid.affine), hu, *mirrored),
        )
    ]
    assert pictures[1] == pytest.approx(pictures[0][:, ::-1], abs=0.02)
    assert np.abs(pictures[1] - pictures[0]).max() > 1


def test_a_turned_scan_seen_from_its_own_front_gives_the_same_picture():
    grid, hu, *surfaces = lopsided()
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("xyz", [25, -40, 70], degrees=True).as_matrix()
    turned = [Surface(one.vertices_mm @ turn[:3, :3].T, one.faces) for one in surfaces]
    view = View(turn[:3, :3] @ FRONTAL.right, turn[:3, :3] @ FRONTAL.up)
    before = project(placed_bones(bone_of(grid, hu, *surfaces), as_scanned=False), FRONTAL, FRAME, PIXEL_MM)
    bone = bone_of(Grid(grid.shape, turn @ grid.affine), hu, *turned)
    assert project(placed_bones(bone, as_scanned=False), view, FRAME, PIXEL_MM) == pytest.approx(
        before, abs=0.02
    )


def shifted(*by_mm: float) -> Floats:
    pose = np.eye(4)
    pose[:3, 3] = by_mm
    return pose


def test_a_moved_fragment_is_pictured_where_it_stands_with_its_own_grey_values():
    grid, hu, large, small = lopsided()
    bone = bone_of(grid, hu, large, small, poses=(np.eye(4), shifted(-12.0, 0.0, -8.0)))
    reduced = project(placed_bones(bone, as_scanned=False), FRONTAL, FRAME, PIXEL_MM)
    assert darkest_mm(reduced) == pytest.approx([6.0, -4.0], abs=0.15)
    assert reduced.max() == pytest.approx(1.5 * 4.0, rel=0.02)
    scanned = project(placed_bones(bone, as_scanned=True), FRONTAL, FRAME, PIXEL_MM)
    assert darkest_mm(scanned) == pytest.approx([-6.0, 4.0], abs=0.15)


def test_a_place_in_two_reduced_fragments_counts_once_and_for_the_one_it_lies_deeper_in():
    """Two balls of the same size, moved onto each other by all but 2 mm: halfway one ends and the other
    begins, so that a ray through both middles runs 16 + 2 mm, not 32."""
    grid = grid_around((20.0, 11.0, 11.0), (0.5, 0.5, 0.5))
    right = points_of(grid)[..., 0] > 0
    hu = np.where(right, 1000.0, 500.0)
    surfaces = [ball_surface((x, 0.0, 0.0)) for x in (-10.0, 10.0)]
    poses = (shifted(10.0, -1.0, 0.0), shifted(-10.0, 1.0, 0.0))
    bones = placed_bones(bone_of(grid, hu, *surfaces, poses=poses), as_scanned=False)
    found = project(bones, FRONTAL, Frame(-0.5, 0.5, -0.5, 0.5), 0.5)
    assert found == pytest.approx(np.full((2, 2), 9.0 * 0.5 + 9.0 * 1.0), rel=0.01)
    # Seen along the shift's square, each ray meets the border of both only once.
    beside = project(bones, LATERAL, Frame(-12.0, 12.0, -0.5, 0.5), 0.5)
    x = np.arange(-12 + 0.25, 12, 0.5)
    # To the reader's left lies the front, where the second ball is.
    own = np.where(x < 0, x + 1, x - 1)
    chord = 2 * np.sqrt(np.maximum(RADIUS_MM**2 - own**2 - 0.25**2, 0)) * np.where(x < 0, 1.0, 0.5)
    clear = np.abs(own) < 7
    assert beside[0][clear] == pytest.approx(chord[clear], rel=0.02)


def test_views_are_right_handed_and_turn_to_the_left_and_to_the_head():
    assert FRONTAL.toward == pytest.approx([0, 1, 0])
    assert LATERAL.toward == pytest.approx([-1, 0, 0])
    assert view_from(0, 90).toward == pytest.approx([0, 0, 1])
    oblique = view_from(30, 20)
    assert direction_letters(oblique.toward) == "ALH"
    axes = np.stack([oblique.right, oblique.up, oblique.toward])
    assert axes @ axes.T == pytest.approx(np.eye(3))


@pytest.mark.parametrize("tilt_degree", [0, 35, 90])
def test_a_screws_shadow_is_as_long_and_as_wide_as_its_solid(tilt_degree):
    """Closed forms: square to the rays the outline itself, along them a disc, between both the length's
    cosine plus the end discs' ellipses."""
    screw = placed((0, 0, 0), (0, 0, 1)).screw
    solid = solid_of(screw, 24.0)
    tilt = np.radians(tilt_degree)
    along = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    points = np.concatenate(silhouette_mm(solid.outline_mm, np.zeros(3), along, FRONTAL))
    widest = solid.outline_mm[:, 1].max()
    assert points[:, 0].max() == pytest.approx(widest, rel=0.003)
    z, radius = solid.outline_mm.T
    assert points[:, 1].max() == pytest.approx((z * np.cos(tilt) + radius * np.sin(tilt)).max(), abs=0.02)
    assert points[:, 1].min() == pytest.approx((z * np.cos(tilt) - radius * np.sin(tilt)).min(), abs=0.02)


def test_distances_and_turns_in_words():
    away = np.array([3.0, -4.0, 12.0])
    assert offsets_words(away, FRONTAL) == ["3.0 R", "12.0 H"]
    assert offsets_words(away, LATERAL) == ["4.0 P", "12.0 H"]
    assert (
        pointing(FRONTAL.flat_mm(np.array([-np.sin(0.5), 0.0, -np.cos(0.5)])), FRONTAL) == "29° off F, to L"
    )
    assert pointing(FRONTAL.flat_mm(np.array([0.0, 1.0, 0.0])), FRONTAL) == "end-on"
    assert side_of("scaphoid, RIGHT") == "right"
    assert side_of("leftover") is None


def test_what_is_asked_is_read():
    asked = fluoroscopy_of(["0,0", "-30,10"], ["1,2,-3=tip of the styloid"])
    assert asked.projections_degree == ((0.0, 0.0), (-30.0, 10.0))
    (landmark,) = asked.landmarks
    assert isinstance(landmark, Landmark)
    assert landmark.name == "tip of the styloid"
    assert landmark.at_mm.tolist() == [1.0, 2.0, -3.0]


@pytest.mark.parametrize(
    ("projections", "landmarks", "said"),
    [
        (["0"], [], "--projection must be YAW,PITCH"),
        (["0,91"], [], "within ±180 and ±90"),
        (["0,nan"], [], "--projection must be"),
        ([], ["1,2=a"], "--landmark must be x,y,z=NAME"),
        ([], ["1,2,3"], "--landmark must be x,y,z=NAME"),
        ([], ["1,2,3="], "a name in --landmark"),
        ([], ["1,2,3=a", "4,5,6=a"], "'a' is given more than once"),
        (["0,0"] * 9, [], "--projection may be given 8 times"),
    ],
)
def test_what_cannot_be_asked_is_refused(projections, landmarks, said):
    with pytest.raises(InputError, match=said.replace("(", "\\(")):
        fluoroscopy_of(projections, landmarks)


def test_names_stand_clear_of_what_is_there_and_as_near_as_they_can():
    taken = Image.new("1", (200, 200))
    ImageDraw.Draw(taken).rectangle((90, 100, 150, 120), fill=1)
    at, down = np.array([100.0, 95.0]), np.array([0.0, 1.0])
    x, y = clear_place(taken, at, down, 15.0)
    box = taken.crop((round(x - 15), round(y - 6), round(x + 15), round(y + 6)))
    assert box.getbbox() is None
    assert np.hypot(x - at[0], y - at[1]) < 40
    assert clear_place(Image.new("1", (200, 200)), at, down, 15.0) == pytest.approx(
        (100.0, 95.0 + NAME_AT_PX[0])
    )
