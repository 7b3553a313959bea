"""How much shear the bone or foam around a thread can take before it lets go, from its density.

Bone: τ = √(Stone · 0.44 × Keyak) below an apparent density of 0.7 g/cm³, 60 MPa from 1.4 on (cortex), a
straight line between. Stone: 21.6 app^1.65; 0.44 is shear over compressive strength of trabecular bone.
Foam: τ = 21.0 ρ^1.4. Never one for the other: at equal density foam is 10-73 % stronger. Expect 25 % (1 sd)
in bone of 0.3 g/cm³ and more, 45 % at 0.1. The cortical value ranges from 51.6 MPa (Turner, Wang, Burr 2001
Calcif Tissue Int 69:373, pure shear along the bone) to 79 (torsion tests).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.density_laws import (
    COMPRESSIVE_STRENGTH_LAWS,
    MG_PER_G_FACTOR,
    ApparentDensity,
    HADensity,
    apparent_from_ash,
    ash_from_apparent,
    ash_from_ha,
    keyak_strength_mpa,
)
from segmentation.vocabulary import Floats, Host

SHEAR_OVER_COMPRESSION_RATIO = 0.44
"""Shear over compressive strength, independent of volume fraction. Published: Sanyal et al. 2012 J Biomech
(0.44 ± 0.16, 54 human cubes, 4 sites)."""

STONE_MPA, STONE_EXPONENT_FACTOR = 21.6, 1.65
"""τ = 21.6 app^1.65. Exponent published: Stone, Beaupré, Hayes 1983 J Biomech 16:743; constant from
memory."""

CANCELLOUS_TO_G_CM3 = 0.7
"""Apparent density up to which the trabecular law is used. Our choice: beyond the range it was measured
in."""

CORTICAL_FROM_G_CM3 = 1.4
"""Apparent density from which bone is cortex. Our choice, common practice."""

CORTICAL_SHEAR_MPA = 60.0
"""Shear strength of cortex. Our choice within 51.6 (Turner 2001) … 68 (Reilly & Burstein 1975, from memory)
… 79."""

FOAM_MPA, FOAM_EXPONENT_FACTOR = 21.0, 1.4
"""τ = 21.0 ρ^1.4 of rigid polyurethane foam. Derived: fit to the nominal data sheet of ASTM F1839 foams
(from memory), largest residual 4.2 %; the true shear strength of solid foam lies 0-15 % below (published
pull-outs)."""

PRESET_SHEAR_MPA = {"FDA 20 pcf": 3.395}
"""Foams whose shear strength is prescribed instead of following from density. Published: FDA-2019-D-1652
§III.3, 2024 (21 % below the nominal data sheet)."""

LEAST_ERROR_FRACTION, GREATEST_ERROR_FRACTION = 0.25, 0.45
"""Standard error of the bone law where it is best and worst known. Derived: spread of the named laws."""

WORST_KNOWN_G_CM3, BEST_KNOWN_G_CM3 = 0.1, 0.3
"""Apparent densities between which the standard error falls in a straight line from its greatest to its
least."""

FOAM_ERROR_FRACTION = 0.187
"""Standard error of the foam law. Derived: 0.20 for the whole model covers 11 of 14 published pull-outs at a
nominal 80 % and 13 of 14 at 90 %; 7 % of it is the form of the equation, √(0.20² − 0.07²) is the law."""

SENSITIVITY_STEP_FRACTION = 0.01
"""Relative step for the slope of a law. Our choice: its error is below 1e-4 away from the kinks."""


def stone_shear_mpa(density: ApparentDensity) -> Floats:
    """Trabecular shear strength by Stone's law."""
    return np.asarray(STONE_MPA * np.power(density, STONE_EXPONENT_FACTOR))


def keyak_shear_mpa(density: ApparentDensity) -> Floats:
    """0.44 of the compressive strength by Keyak's law."""
    return SHEAR_OVER_COMPRESSION_RATIO * keyak_strength_mpa(ash_from_apparent(density))


def carter_hayes_shear_mpa(density: ApparentDensity) -> Floats:
    """0.44 of the compressive strength by Carter and Hayes at 0.01/s."""
    return SHEAR_OVER_COMPRESSION_RATIO * COMPRESSIVE_STRENGTH_LAWS["Carter-Hayes 0.01/s"].at(density)


def keller_shear_mpa(density: ApparentDensity) -> Floats:
    """0.44 of the compressive strength by Keller's law."""
    return SHEAR_OVER_COMPRESSION_RATIO * COMPRESSIVE_STRENGTH_LAWS["Keller"].at(ash_from_apparent(density))


def bone_shear_mpa(density: ApparentDensity) -> Floats:
    """The law used for bone: trabecular mean, cortex, and a straight line between."""
    app = np.maximum(density, 0)
    trabecular = ApparentDensity(np.minimum(app, CANCELLOUS_TO_G_CM3))
    trabecular_mpa = np.sqrt(stone_shear_mpa(trabecular) * keyak_shear_mpa(trabecular))
    share = np.clip((app - CANCELLOUS_TO_G_CM3) / (CORTICAL_FROM_G_CM3 - CANCELLOUS_TO_G_CM3), 0, 1)
    return np.asarray(trabecular_mpa + share * (CORTICAL_SHEAR_MPA - trabecular_mpa))


def foam_shear_mpa(density_g_cm3: npt.ArrayLike) -> Floats:
    """The law used for foam of that (measured, not nominal) density."""
    return np.asarray(FOAM_MPA * np.maximum(density_g_cm3, 0) ** FOAM_EXPONENT_FACTOR)


@dataclass(frozen=True)
class LawName:
    """What a law is called in results, and where it is from."""

    name: str
    source: str


LAW_NAMES: Mapping[Host, LawName] = {
    "bone": LawName(
        "geometric mean of Stone and 0.44 × Keyak; cortex 60 MPa",
        "Stone et al. 1983 J Biomech 16:743; Keyak 1994; Sanyal et al. 2012 J Biomech; cortex: our choice "
        "within 51.6-79 MPa; HA to ash: Schileo et al. 2008 J Biomech 41:2483",
    ),
    "foam": LawName("21.0 ρ^1.4", "fit to the nominal shear strengths of ASTM F1839 foams (from memory)"),
}
"""The law behind each host's pull-out."""


def shear_strength_mpa(density_mg_cm3: npt.ArrayLike, host: Host) -> Floats:
    """Shear strength at densities of any shape, in MPa; NaN stays NaN, densities below 0 hold nothing.

    ``density_mg_cm3`` is HA-equivalent mineral for bone, the foam's own density for foam. 10,000 values take
    well under a millisecond.
    """
    density_g_cm3 = np.asarray(density_mg_cm3, float) / MG_PER_G_FACTOR
    if host == "foam":
        return foam_shear_mpa(density_g_cm3)
    return bone_shear_mpa(_apparent(density_g_cm3))


def law_standard_error_fraction(density_mg_cm3: npt.ArrayLike, host: Host) -> Floats:
    """Relative standard error (1 sd) of ``shear_strength_mpa`` from the law alone, same shape as the
    densities."""
    density_g_cm3 = np.asarray(density_mg_cm3, float) / MG_PER_G_FACTOR
    if host == "foam":
        return np.full(density_g_cm3.shape, FOAM_ERROR_FRACTION)
    return np.asarray(
        np.interp(
            _apparent(density_g_cm3),
            (WORST_KNOWN_G_CM3, BEST_KNOWN_G_CM3),
            (GREATEST_ERROR_FRACTION, LEAST_ERROR_FRACTION),
        )
    )


def density_sensitivity_ratio(density_mg_cm3: npt.ArrayLike, host: Host) -> Floats:
    """Relative change of shear strength per relative change of density, d ln τ / d ln ρ.

    A calibration that is 8 % off moves the strength by 8 % times this. 0 where there is no density.
    """
    density = np.asarray(density_mg_cm3, float)
    more_mpa = shear_strength_mpa(density * (1 + SENSITIVITY_STEP_FRACTION), host)
    less_mpa = shear_strength_mpa(density * (1 - SENSITIVITY_STEP_FRACTION), host)
    holds = (more_mpa > 0) & (less_mpa > 0)
    rise = np.log(np.where(holds, more_mpa, 1)) - np.log(np.where(holds, less_mpa, 1))
    return np.asarray(rise / np.log((1 + SENSITIVITY_STEP_FRACTION) / (1 - SENSITIVITY_STEP_FRACTION)))


def _apparent(density_g_cm3: Floats) -> ApparentDensity:
    return apparent_from_ash(ash_from_ha(HADensity(density_g_cm3)))
