"""How fast the error falls as the voxel shrinks: the order of convergence, averaged over many axes.

Without noise, blur 1.5 voxels wide. On a curved surface the error of a blurred edge goes by σ²/R, so by the
voxel squared; on a flat one what is left is the interpolation between two voxels, a fixed share of a voxel,
and already below 1 % of it.
"""

import numpy as np
from phantoms import as_ct, blurred_ball, grid_around, placed, points_of, rotation, slabs
from test_truth import BALL_MM, closed_form_clearance_mm

from planner.assess import assess_screws, ready
from planner.vocabulary import Plan
from segmentation.recipe import segment

AXES_COUNT = 200


def ball_errors_mm(voxel_mm: float) -> np.ndarray:
    """Mean absolute error of bone length, engagement and leading-end clearance in a ball."""
    grid = grid_around((BALL_MM + 3,) * 3, (voxel_mm,) * 3)
    # A little off the grid, so that no symmetry hides an error.
    centre = np.array([0.13, 0.21, 0.07])
    away = np.linalg.norm(points_of(grid) - centre, axis=-1)
    values = 40 + 360 * blurred_ball(away, BALL_MM, 1.5 * voxel_mm)
    bone = ready(segment(as_ct(grid, values, whole=False), threshold_hu=220.0))
    rng = np.random.default_rng(3)
    errors = []
    for _ in range(AXES_COUNT):
        direction, aside = rng.normal(size=(2, 3))
        direction /= np.linalg.norm(direction)
        aside = np.cross(direction, aside)
        aside *= rng.uniform(0, 3) / np.linalg.norm(aside)
        half = np.sqrt(BALL_MM**2 - aside @ aside)
        length = 20.0
        screw = placed(centre + aside - half * direction, centre + aside, length_mm=length)
        result = assess_screws(bone, Plan((screw,))).screws[0]
        # The closed form is about the origin: bring the result there.
        object.__setattr__(result, "entry_mm", aside - half * direction)
        clearance = closed_form_clearance_mm(result, length - 3.5 - 2.5)
        full = length - 3.5 - 1.25  # all of it inside the ball
        errors.append(
            [
                result.bone_length_mm - 2 * half,
                result.fragments[0].thread_engagement_mm - full,
                result.leading_end.outer - clearance,  # type: ignore[operator]
            ]
        )
    return np.abs(errors).mean(axis=0)


def test_length_and_clearance_in_a_ball_converge_with_the_square_of_the_voxel() -> None:
    coarse, fine = ball_errors_mm(1.0), ball_errors_mm(0.5)
    orders = np.log2(coarse[[0, 2]] / fine[[0, 2]])
    assert (orders >= 1.5).all(), orders
    assert coarse[1] < 1e-9  # thread well inside is never lost


def slab_errors_mm(voxel_mm: float, fwhm_mm: float) -> np.ndarray:
    """Mean absolute error of bone length and engagement through a slab."""
    turn = rotation(3)
    grid, values = slabs(
        voxel_mm=(voxel_mm,) * 3,
        fwhm_mm=fwhm_mm,
        turn=turn,
        thicknesses_mm=(12.0,),
        half_width_mm=13,
        hu=(400.0,),
    )
    bone = ready(segment(as_ct(grid, values, whole=False), threshold_hu=220.0))
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(AXES_COUNT):
        tilt, around = np.deg2rad(rng.uniform(0, 28)), rng.uniform(0, 2 * np.pi)
        own = np.array([np.sin(tilt) * np.cos(around), np.sin(tilt) * np.sin(around), np.cos(tilt)])
        through = turn @ np.array([*rng.uniform(-2, 2, 2), 0.0])
        entry = through - turn @ own * 6 / own[2]
        screw = placed(entry, through, length_mm=28.0, seat_depth_mm=-6.0)
        result = assess_screws(bone, Plan((screw,))).screws[0]
        errors.append(
            [result.bone_length_mm - 12 / own[2], result.fragments[0].thread_engagement_mm - 12 / own[2]]
        )
    return np.abs(errors).mean(axis=0)


def test_length_and_engagement_in_a_slab_converge_when_the_voxel_shrinks_under_the_blur() -> None:
    coarse, fine = slab_errors_mm(1.0, 1.5), slab_errors_mm(0.5, 1.5)
    assert (np.log2(coarse / fine) >= 1.5).all(), (coarse, fine)
    # Counting samples would be off by a quarter of a voxel; a surface from grey values by under a hundredth.
    assert (coarse < 0.01).all()
