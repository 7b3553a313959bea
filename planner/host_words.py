"""What held the screw, by the words of a laboratory's table: foam or bone, how dense, how strong in shear.

A stated shear strength goes before a density, a density before a grade in words ("15 pcf"). Of bone, the
row's note must say which density is meant; else it is taken as HA-equivalent mineral and less sure. Cortex
counts by itself: its length times its own strength, and only the rest by density.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.density_laws import MG_PER_G_FACTOR as MG_PER_G
from planner.density_laws import (
    SCHILEO_OFFSET_G_CM3,
    SCHILEO_SLOPE_RATIO,
    ApparentDensity,
    AshDensity,
    K2HPO4Density,
    ash_from_apparent,
    ash_from_k2hpo4,
)
from planner.lab_row import LabRow
from planner.shear_laws import (
    CORTICAL_SHEAR_MPA,
    LEAST_ERROR_FRACTION,
    density_sensitivity_ratio,
    law_standard_error_fraction,
    shear_strength_mpa,
)
from segmentation.vocabulary import Host

DENSITY_G_CM3_PER_PCF = 0.0160185
"""One pound per cubic foot in g/cm³ (definition)."""

NOMINAL_ERROR_FRACTION = 0.03
"""Standard error of a foam's density by its grade alone. Our choice: one block sold as 15 pcf was 1.3 % below
(Weidling et al. 2022)."""

UNNAMED_DENSITY_ERROR_FRACTION = 0.20
"""Standard error of a bone density whose kind is not named. Published: HA against K₂HPO₄ 14-23 % (Goodsitt
1992)."""

STATED_SHEAR_ERROR_FRACTION = 0.15
"""Standard error of a stated shear strength without ends. Our choice: pull-outs in foams of measured strength
came 5 % high with R² 0.947 (Chapman et al. 1996)."""

CORTEX_KNOWN_MM = 0.05
"""An engaged length this little beyond the cortex is all cortex. Our choice: a caliper's reading."""

FOAM_WORDS = ("foam", "polyurethane", "composite", "pu block", "synthetic", "artificial bone")
OUT_OF_DOMAIN_WORDS = ("out of domain", "polyethylene", "torsion rig", "wood", "acrylic")
SLAB_WORDS = ("cortex slab", "cortical slab", "slab of cortex")
TWICE_WORDS = ("bicortical",)


@dataclass(frozen=True)
class HostPart:
    """One stretch of host: its shear strength, how much thread it holds, and how unsure each is (1 sd)."""

    shear_mpa: float
    length_mm: float
    law_fraction: float
    density_fraction: float


def host_kind(row: LabRow) -> Host | Literal["other"]:
    """Foam, bone, or neither."""
    name = row.host_name.lower()
    if any(word in name for word in OUT_OF_DOMAIN_WORDS):
        return "other"
    return "foam" if any(word in name for word in FOAM_WORDS) else "bone"


def is_slab(row: LabRow) -> bool:
    """Whether the host is a slab of cortex whose both faces cut the thread."""
    return any(word in row.host_name.lower() for word in SLAB_WORDS)


def foam_density_g_cm3(row: LabRow) -> float | None:
    """The foam's density: measured where the table tells it, else by the grade in words."""
    if row.host_density_g_cm3 is not None:
        return row.host_density_g_cm3
    found = re.search(r"(\d+(?:\.\d+)?)\s*pcf|grade\s*(\d+(?:\.\d+)?)", row.host_name.lower())
    return None if found is None else float(found[1] or found[2]) * DENSITY_G_CM3_PER_PCF


def host_parts(row: LabRow, length_mm: float) -> tuple[list[HostPart], list[str]] | str:
    """The stretches of host that hold ``length_mm`` of thread, and what was assumed; or what is missing."""
    kind = host_kind(row)
    if row.host_shear_mpa is not None and not _has_cancellous(row, length_mm):
        return [_stated(row, length_mm)], []
    if kind == "foam":
        return _foam_parts(row, length_mm)
    cortex_mm = _cortex_mm(row, length_mm)
    if cortex_mm is None:
        return _cancellous_parts(row, length_mm)
    cortex = HostPart(CORTICAL_SHEAR_MPA, cortex_mm, LEAST_ERROR_FRACTION, 0.0)
    if row.host_shear_mpa is not None:
        cortex = _stated(row, cortex_mm)
    if cortex_mm >= length_mm - CORTEX_KNOWN_MM:
        return [cortex], [f"cortex of {CORTICAL_SHEAR_MPA:g} MPa"]
    inside = _cancellous_parts(row, length_mm - cortex_mm)
    if isinstance(inside, str):
        return f"{inside} beneath the cortex"
    return [cortex, *inside[0]], [f"{cortex_mm:g} mm of cortex by itself", *inside[1]]


def _has_cancellous(row: LabRow, length_mm: float) -> bool:
    return row.cortex_mm is not None and row.cortex_mm < length_mm - CORTEX_KNOWN_MM


def _stated(row: LabRow, length_mm: float) -> HostPart:
    shear = row.host_shear_mpa
    if shear is None:
        raise ValueError(f"row {row.key} states no shear strength")
    fraction = STATED_SHEAR_ERROR_FRACTION
    if shear.high > shear.low:
        # Its ends are those of a law among bones: no better known than the law.
        fraction = LEAST_ERROR_FRACTION
    return HostPart(shear.estimate, length_mm, fraction, 0.0)


def _foam_parts(row: LabRow, length_mm: float) -> tuple[list[HostPart], list[str]] | str:
    density = foam_density_g_cm3(row)
    if density is None:
        return "the density of the foam"
    if row.cortex_mm is not None:
        return "the strength of the sheet on the foam (test foam without one, or give host_shear_mpa)"
    nominal = row.host_density_g_cm3 is None
    doubt = NOMINAL_ERROR_FRACTION if nominal else 0.0
    assumed = [f"density {density:.3f} g/cm³ from the grade in words"] if nominal else []
    return [_part(density, length_mm, "foam", doubt)], assumed


def _cortex_mm(row: LabRow, length_mm: float) -> float | None:
    if is_slab(row):
        return length_mm
    if row.cortex_mm is None:
        return None
    times = 2 if any(word in row.host_name.lower() for word in TWICE_WORDS) else 1
    return min(times * row.cortex_mm, length_mm)


def _cancellous_parts(row: LabRow, length_mm: float) -> tuple[list[HostPart], list[str]] | str:
    if row.host_density_g_cm3 is None:
        return "the density of the bone"
    density, doubt, assumed = _ha_g_cm3(row)
    return [_part(density, length_mm, "bone", doubt)], assumed


def _ha_g_cm3(row: LabRow) -> tuple[float, float, list[str]]:
    """HA-equivalent density of a bone row, its doubt, and what was assumed of its kind."""
    density = np.asarray(row.host_density_g_cm3, float)
    words = f"{row.note} {row.host_name}".lower().replace("not wet apparent", "")
    if re.search(r"\bha\b|hydroxyapatite", words):
        return float(density), 0.0, []
    if "k2hpo4" in words:
        return _ha_of_ash(ash_from_k2hpo4(K2HPO4Density(density))), 0.0, ["density K2HPO4-equivalent"]
    if re.search(r"\bash\b", words):
        return _ha_of_ash(AshDensity(density)), 0.0, ["density of ash"]
    if "apparent" in words:
        return _ha_of_ash(ash_from_apparent(ApparentDensity(density))), 0.0, ["density wet apparent"]
    return float(density), UNNAMED_DENSITY_ERROR_FRACTION, ["density taken as HA-equivalent: not named"]


def _ha_of_ash(density: AshDensity) -> float:
    """The HA-equivalent density whose ash this is (Schileo's line backwards), at least 0."""
    return max(0.0, (float(density) - SCHILEO_OFFSET_G_CM3) / SCHILEO_SLOPE_RATIO)


def _part(density_g_cm3: float, length_mm: float, host: Host, doubt_fraction: float) -> HostPart:
    density_mg_cm3 = density_g_cm3 * MG_PER_G
    return HostPart(
        float(shear_strength_mpa(density_mg_cm3, host)),
        length_mm,
        float(law_standard_error_fraction(density_mg_cm3, host)),
        doubt_fraction * float(density_sensitivity_ratio(density_mg_cm3, host)),
    )
