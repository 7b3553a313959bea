"""A beam bedded in bone that gives way like springs: deflection, slope and moment under a load at its head.

Beam elements with cubic shapes on a foundation of modulus k (N per mm of length and mm of deflection), each
of one k. Exact at nodes without foundation; with one the error falls with the fourth power of the element.
Closed forms for a long uniform beam, with λ = (k / 4EI)^¼: Hetényi 1946, Beams on Elastic Foundation (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from segmentation.errors import InputError
from segmentation.vocabulary import Floats


@dataclass(frozen=True, eq=False)
class Bedded:
    """A beam under a load of 1 N across its head at node 0: ``deflection_mm`` and ``slope_radian`` (n + 1,)
    at the nodes, ``moment_n_mm`` (n + 1,) the greatest of either side."""

    deflection_mm: Floats
    slope_radian: Floats
    moment_n_mm: Floats


def bedded_beam(
    lengths_mm: Floats, stiffness_n_mm2: Floats, foundation_mpa: Floats, *, head_turns: bool
) -> Bedded:
    """Solve (n,) elements of length, bending stiffness EI and foundation k, loaded with 1 N at node 0.

    ``head_turns`` says whether the head is free to turn (an unlocked screw) or held at its angle (locked).
    The other end is free. Raises InputError when nothing holds the beam.
    """
    lengths, bending, bed = (np.asarray(one, float) for one in (lengths_mm, stiffness_n_mm2, foundation_mpa))
    if not (lengths.size and lengths.shape == bending.shape == bed.shape):
        raise InputError("a bedded beam needs as many stiffnesses and foundations as elements, one at least")
    if not ((lengths > 0).all() and (bending > 0).all() and (bed >= 0).all() and np.isfinite(bending).all()):
        raise InputError("lengths and stiffnesses of a bedded beam must be above 0, foundations at least 0")
    if not (bed > 0).any():
        raise InputError("no bone holds the screw: a bedded beam needs a foundation somewhere")
    size = 2 * (lengths.size + 1)
    # Lower diagonals of the symmetric matrix: entry (row, column) stands at [row - column, column].
    bands = np.zeros((4, size))
    parts = _elements(lengths, bending, bed)
    for below in range(4):
        for column in range(4 - below):
            bands[below, column : size - 2 + column : 2] += parts[:, column + below, column]
    load = np.zeros(size)
    load[0] = 1.0
    if not head_turns:
        bands[1, 0] = 0.0
        bands[:, 1] = [1.0, 0.0, 0.0, 0.0]
    solution = solveh_banded(bands, load, lower=True)
    of_element = np.stack([solution[k : size - 3 + k : 2] for k in range(4)], axis=1)
    ends = np.einsum("nij,nj->ni", parts, of_element)
    moments = np.zeros(lengths.size + 1)
    moments[:-1] = np.abs(ends[:, 1])
    moments[1:] = np.maximum(moments[1:], np.abs(ends[:, 3]))
    return Bedded(solution[0::2], solution[1::2], moments)


def _elements(lengths_mm: Floats, stiffness_n_mm2: Floats, foundation_mpa: Floats) -> Floats:
    """(n, 4, 4) bending and foundation matrix of each element (textbook)."""
    one = np.ones_like(lengths_mm)
    a = lengths_mm
    bending = np.array(
        [
            [12 * one, 6 * a, -12 * one, 6 * a],
            [6 * a, 4 * a * a, -6 * a, 2 * a * a],
            [-12 * one, -6 * a, 12 * one, -6 * a],
            [6 * a, 2 * a * a, -6 * a, 4 * a * a],
        ]
    )
    bed = np.array(
        [
            [156 * one, 22 * a, 54 * one, -13 * a],
            [22 * a, 4 * a * a, 13 * a, -3 * a * a],
            [54 * one, 13 * a, 156 * one, -22 * a],
            [-13 * a, -3 * a * a, -22 * a, 4 * a * a],
        ]
    )
    both = stiffness_n_mm2 / a**3 * bending + foundation_mpa * a / 420 * bed
    return np.asarray(np.moveaxis(both, -1, 0))
