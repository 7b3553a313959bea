"""Grey values between voxel centres, held against SciPy, a reference library."""

import numpy as np
import pytest
from scipy import ndimage

from planner.grey_kernels import linear_at


@pytest.mark.parametrize("kind", [np.int16, np.float32])
def test_between_centres_as_scipy_has_it_to_the_bit(kind: type) -> None:
    rng = np.random.default_rng(4)
    hu = np.asarray(rng.normal(300, 500, (9, 11, 13)), kind)
    places = rng.uniform(-1, 13, (5000, 3))
    # At centres, on the outermost ones, and nowhere.
    places[::5] = np.round(places[::5])
    places[0], places[1], places[2] = (8, 10, 12), (0, 0, 0), (np.nan, 1, 1)
    expected = np.empty(len(places))
    ndimage.map_coordinates(
        hu, places.T, output=expected, order=1, mode="constant", cval=np.nan, prefilter=False
    )
    found = linear_at(hu, places)
    np.testing.assert_array_equal(found[3:], expected[3:])
    assert found[0] == hu[8, 10, 12]
    assert found[1] == hu[0, 0, 0]
    assert np.isnan(found[2])
