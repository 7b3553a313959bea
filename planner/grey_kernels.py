"""The compiled loop that reads grey values between voxel centres: the numbers of SciPy's ``map_coordinates``
with ``order=1``, to the bit, which the tests hold it against."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def linear_at(hu, ijk):  # type: ignore[no-untyped-def]
    """(n,) grey values of a volume ``hu`` at (n, 3) places in voxels, linear along each axis; NaN outside the
    centres of its outermost voxels."""
    last = np.array(hu.shape) - 1
    found = np.empty(len(ijk))
    for n in range(len(ijk)):
        x, y, z = ijk[n, 0], ijk[n, 1], ijk[n, 2]
        # Written so that NaN is outside too.
        if not (0 <= x <= last[0] and 0 <= y <= last[1] and 0 <= z <= last[2]):
            found[n] = np.nan
            continue
        i, j, k = int(x), int(y), int(z)
        value = 0.0
        for a in range(2):
            u = x - i if a else 1 - (x - i)
            p = min(i + a, last[0])
            for b in range(2):
                v = y - j if b else 1 - (y - j)
                q = min(j + b, last[1])
                for c in range(2):
                    w = z - k if c else 1 - (z - k)
                    value += hu[p, q, min(k + c, last[2])] * u * v * w
        found[n] = value
    return found
