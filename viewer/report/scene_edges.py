"""Where a picture changes sharply, and the fine ink lines that fragments end in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from segmentation.vocabulary import Floats

SHARP_CHANGE_FRACTION = 0.035
"""A pixel of the screw that differs by more than this from its neighbour is cast again. Our choice."""

FOLD_MM = 1.0
"""The near side folds where its distance jumps by this much between two pixels. Our choice."""

OUTLINE_FRACTION, FOLD_FRACTION, EDGE_BLUR_SHARE = 0.8, 0.45, 0.7
"""Ink of outlines and folds, and how softly they are drawn. Our choice."""


def sharp_pixels(
    layers: npt.NDArray[np.int64], distance_mm: Floats, colours: Floats, metal: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Pixels at an outline of a layer, at a fold of the near side, or on the screw where its shade changes.

    ``layers`` (k, rows, columns), ``distance_mm`` and ``metal`` (rows, columns), ``colours`` (…, 3).
    """
    distance_mm = np.where(np.isfinite(distance_mm), distance_mm, 0.0)
    sharp = np.zeros(metal.shape, bool)
    for axis in (0, 1):
        changed = (np.diff(layers, axis=axis + 1) != 0).any(0)
        changed |= np.abs(np.diff(distance_mm, axis=axis)) > FOLD_MM
        first, second = (slice(None),) * axis + (slice(None, -1),), (slice(None),) * axis + (slice(1, None),)
        shaded = np.abs(np.diff(colours, axis=axis)).max(-1) > SHARP_CHANGE_FRACTION
        changed |= shaded & metal[first]
        sharp[first] |= changed
        sharp[second] |= changed
    return sharp


def ink_edges(pieces: npt.NDArray[np.int64], distance_mm: Floats) -> Floats:
    """(rows, columns) opacity of a fine ink line where one fragment ends against another or the ground."""
    edge = np.zeros(pieces.shape)
    finite = np.where(np.isfinite(distance_mm), distance_mm, 0.0)
    for axis in (0, 1):
        differs = np.diff(pieces, axis=axis) != 0
        folds = (np.abs(np.diff(finite, axis=axis)) > FOLD_MM) & ~differs
        after = (slice(None),) * axis + (slice(1, None),)
        edge[after] = np.maximum(edge[after], np.where(differs, OUTLINE_FRACTION, FOLD_FRACTION * folds))
    return np.asarray(np.clip(gaussian_filter(edge, EDGE_BLUR_SHARE) * 0.95, 0, OUTLINE_FRACTION))
