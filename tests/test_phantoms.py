"""The closed forms the truth rests on, against numerical convolution by scipy."""

import numpy as np
from phantoms import FWHM_PER_SIGMA, blurred_ball, grid_around, points_of, slabs, step
from scipy.ndimage import gaussian_filter


def test_a_blurred_ball_is_the_ball_convolved_with_a_gaussian() -> None:
    radius_mm, fwhm_mm, fine_mm = 4.0, 1.5, 0.1
    grid = grid_around((6, 6, 6), (fine_mm,) * 3)
    distance = np.linalg.norm(points_of(grid), axis=-1)
    # Partial volume by the distance to the sphere: the voxel is small against the blur.
    ball = np.clip((radius_mm - distance) / fine_mm + 0.5, 0, 1)
    numeric = gaussian_filter(ball, fwhm_mm / FWHM_PER_SIGMA / fine_mm)
    inside = distance < 5.5
    assert np.abs(numeric - blurred_ball(distance, radius_mm, fwhm_mm))[inside].max() < 2e-3


def test_a_blurred_edge_is_half_at_the_edge_and_has_its_width() -> None:
    at = np.linspace(-3, 3, 6001)
    slope = np.gradient(step(at, 0.8), at)
    wide = at[slope > slope.max() / 2]
    assert step(np.array(0.0), 0.8) == 0.5
    assert abs((wide[-1] - wide[0]) - 0.8) < 2e-3


def test_slabs_hold_their_levels_inside_and_soft_tissue_between() -> None:
    grid, values = slabs(gap_mm=3.0, hu=(300.0, 500.0))
    own = points_of(grid)
    middle = (np.abs(own[..., 0]) < 5) & (np.abs(own[..., 1]) < 5)
    z = own[..., 2]
    assert np.allclose(values[middle & (np.abs(z + 8.5) < 3)], 300, atol=0.1)
    assert np.allclose(values[middle & (np.abs(z - 6.5) < 3)], 500, atol=0.1)
    assert np.allclose(values[middle & (np.abs(z + 2.0) < 0.3)], 40, atol=0.5)
