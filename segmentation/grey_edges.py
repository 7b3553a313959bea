"""Which points of a surface lie on an edge of grey values, so that the scanner's blur can be taken out there.

The others close a hollow, or lie on a cut or on the border of a given label: nothing is seen there, and there
is nothing to refine.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from segmentation.parts import BONE, Part
from segmentation.vocabulary import CTVolume, Grid, Surface

ON_THE_LEVEL_HU = 2.0
"""A vertex whose interpolated grey value is this near to the level lies on an edge of grey values. Our
choice: the interpolation along a voxel's edge is exact, a cut or a closed hollow is off by tens.
"""

AT_A_VOXEL_FRACTION = 1e-3
"""A vertex this near to a voxel's centre, in voxels, lies on it: the fields are never zero, so no nearer."""


def on_one_level(ct: CTVolume, surface: Surface, level_hu: float) -> npt.NDArray[np.bool_]:
    """(n,) which vertices of a surface at one level lie where the grey value crosses it."""
    ijk = ct.grid.mm_to_ijk(surface.vertices_mm).T
    hu = ndimage.map_coordinates(ct.hu, ijk, output=float, order=1, mode="nearest")
    return np.asarray(np.abs(hu - level_hu) <= ON_THE_LEVEL_HU)


def on_any_level(part: Part, surface: Surface, grid: Grid) -> npt.NDArray[np.bool_]:
    """(n,) which vertices of a part's surface lie between a voxel of bone and one outside the part.

    Each vertex lies between two neighbouring voxels. Where the inner one is a hollow the surface closes it;
    where both were of the part before it was cut, the cut lies there.
    """
    ijk = grid.mm_to_ijk(surface.vertices_mm) - part.offset_ijk
    last = np.array(part.body.shape) - 1
    ends = [
        np.clip(rounded(ijk + shift).astype(int), 0, last)
        for rounded, shift in ((np.floor, AT_A_VOXEL_FRACTION), (np.ceil, -AT_A_VOXEL_FRACTION))
    ]
    one, other = (part.body[tuple(end.T)] for end in ends)
    return np.asarray(((one == BONE) & (other == 0)) | ((one == 0) & (other == BONE)))
