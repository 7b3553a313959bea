"""How thick the cortex is along a screw's axis where it enters and leaves, from what was measured at the
surface.

A cortex of thickness t met at an angle is t / cos(angle) long on the axis. Where the thickness is not known,
the place says only what it is thinner than, and the mass: grey value above the surroundings times thickness,
which the blur of a scan leaves as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.vocabulary import CortexEnd
from segmentation.vocabulary import Calibration, Floats, Fragment

STEEPEST_COSINE_FACTOR = 0.2
"""An axis that grazes the surface flatter than this is not followed through the cortex. Our choice: about
78°."""

PLAIN_FROM_MM = 1.5
"""At a plain grey level a thinner cortex shows the scan's blur and not itself. Common practice: about twice
the blur of a clinical CT (0.6 to 0.9 mm)."""

TOLD_TO_MM = 0.1
"""A bound is told to this. Our choice: the report's one decimal."""

FEWEST_MM = 0.1
"""Least deviation of an engaged length with a refined surface. Our choice: what blur and noise leave on
phantoms (docs/segmentation.md), doubled.
"""


MM_PER_CM_FACTOR = 10.0
"""mm in a cm (definition)."""


@dataclass(frozen=True)
class CortexOnAxis:
    """Length of cortex on the axis and its mass; ``reason`` says why the length is an upper bound and no
    measurement. ``grey_hu`` is its grey value where the length is known, ``along_ratio`` the length on the
    axis over the thickness."""

    length_mm: float
    mass_hu_mm: float | None
    mass_mg_cm2: float | None
    reason: str | None
    grey_hu: float | None = None
    along_ratio: float = 1.0

    @property
    def end(self) -> CortexEnd:
        """The same as it is published: a length, or what it is below."""
        known = self.reason is None
        return CortexEnd(
            self.length_mm if known else None,
            None if known else self.length_mm,
            self.mass_hu_mm,
            self.mass_mg_cm2,
        )


def cortex_on_axis(
    fragment: Fragment, point_mm: Floats, direction: Floats, calibration: Calibration | None
) -> CortexOnAxis | None:
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
    mass = float(cortex.mass_hu_mm[nearest]) if np.isfinite(cortex.mass_hu_mm[nearest]) else None
    mineral = (
        None
        if mass is None or calibration is None
        else mass * calibration.slope_mg_cm3_per_hu / MM_PER_CM_FACTOR
    )
    if cortex.thickness_known[nearest]:
        return CortexOnAxis(thickness * along, mass, mineral, None, float(cortex.cortex_hu[nearest]), along)
    bound = (thickness + 2 * (sd if np.isfinite(sd) else 0.0)) * along
    # Rounded up: what is told stays a bound.
    told_mm = np.ceil(bound / TOLD_TO_MM) * TOLD_TO_MM
    reason = f"not measured: the cortex on the axis is below {told_mm:.1f} mm{_mass_words(mass, mineral)}"
    return CortexOnAxis(bound, mass, mineral, reason, None, along)


def plain_cortex(length_mm: float) -> CortexOnAxis | None:
    """A cortex that a plain grey level shows ``length_mm`` long on the axis: only what it is below, where the
    blur is as wide; None where it is thick enough to be taken as it looks."""
    if length_mm >= PLAIN_FROM_MM:
        return None
    reason = (
        f"not measured: the scan's blur widens a thin cortex, at the plain grey level to {length_mm:.1f} mm"
    )
    return CortexOnAxis(length_mm, None, None, reason)


def _mass_words(mass_hu_mm: float | None, mass_mg_cm2: float | None) -> str:
    if mass_hu_mm is None:
        return ""
    mineral = "" if mass_mg_cm2 is None else f" ({mass_mg_cm2:.0f} mg/cm²)"
    return f"; its mass is {mass_hu_mm:.0f} HU·mm{mineral}"


def engaged_error_mm(fragment: Fragment) -> float | None:
    """Deviation of a length through ``fragment``, from both its ends; None where the surface is a plain
    level."""
    if fragment.cortex is None:
        return None
    return max(FEWEST_MM, float(np.sqrt(2) * np.median(fragment.cortex.position_sd_mm)))
