"""How thick the cortex is along a screw's axis where it enters and leaves, from what was measured at the
surface.

A cortex of thickness t met at an angle is t / cos(angle) long on the axis. Where the thickness is not known,
the place says only what it is thinner than.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from segmentation.vocabulary import Floats, Fragment

STEEPEST_COSINE_FACTOR = 0.2
"""An axis that grazes the surface flatter than this is not followed through the cortex. Our choice: about
78°."""

FEWEST_MM = 0.1
"""Least deviation of an engaged length with a refined surface. Our choice: what blur and noise leave on
phantoms (docs/segmentation.md), doubled.
"""


@dataclass(frozen=True)
class CortexOnAxis:
    """Length of cortex on the axis; ``reason`` says why it is an upper bound and no measurement."""

    length_mm: float
    reason: str | None


def cortex_on_axis(fragment: Fragment, point_mm: Floats, direction: Floats) -> CortexOnAxis | None:
    """The cortex of ``fragment`` at the vertex nearest ``point_mm``; None where none was measured."""
    if fragment.cortex is None:
        return None
    vertices, cortex = fragment.surface.vertices_mm, fragment.cortex
    nearest = int(np.argmin(((vertices - point_mm) ** 2).sum(axis=1)))
    thickness, sd = float(cortex.thickness_mm[nearest]), float(cortex.thickness_sd_mm[nearest])
    if not np.isfinite(thickness):
        return None
    corners = vertices[fragment.surface.faces[(fragment.surface.faces == nearest).any(axis=1)]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).sum(axis=0)
    cosine = abs(float(normal @ direction)) / max(float(np.linalg.norm(normal)), np.finfo(float).tiny)
    along = 1 / max(cosine, STEEPEST_COSINE_FACTOR)
    if cortex.thickness_known[nearest]:
        return CortexOnAxis(thickness * along, None)
    bound = thickness + 2 * (sd if np.isfinite(sd) else 0.0)
    return CortexOnAxis(bound * along, f"not measured: the cortex there is thinner than {bound:.1f} mm")


def engaged_error_mm(fragment: Fragment) -> float | None:
    """Deviation of a length through ``fragment``, from both its ends; None where the surface is a plain
    level."""
    if fragment.cortex is None:
        return None
    return max(FEWEST_MM, float(np.sqrt(2) * np.median(fragment.cortex.position_sd_mm)))
