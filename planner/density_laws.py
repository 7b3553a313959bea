"""How dense is bone, and how stiff and strong is bone of that density: the published laws, each under its
own name.

Four different physical quantities are all called density: mineral in a CT image as hydroxyapatite (HA) or as
K₂HPO₄ equivalent, ash, and wet apparent density. Here each is its own type, in g/cm³, so that a type checker
refuses a mix-up (worth 14-23 %: Goodsitt 1992), and each conversion is a function with its source. Expect
laws for one site to miss another by 25-45 % (Helgason et al. 2008 Clin Biomech 23:135).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NewType

import numpy as np

from segmentation.errors import InputError
from segmentation.vocabulary import Floats
from segmentation.vocabulary import HADensity as HADensity
from segmentation.vocabulary import K2HPO4Density as K2HPO4Density

AshDensity = NewType("AshDensity", Floats)
"""Ash mass over bulk volume, g/cm³."""
ApparentDensity = NewType("ApparentDensity", Floats)
"""Wet mass without marrow over bulk volume, g/cm³."""

MG_PER_G_FACTOR = 1000.0
"""mg in a g (definition)."""

ASH_TO_APPARENT_RATIO = 0.598
"""Ash over apparent density, one constant at all densities. Published: Schileo et al. 2008 J Biomech 41:2483
(0.598 ± 0.004 cortical, ± 0.036 small trabecular cores)."""

SCHILEO_SLOPE_RATIO, SCHILEO_OFFSET_G_CM3 = 0.877, 0.0789
"""ash = 0.877·HA + 0.0789. Published: the fit of Schileo et al. 2008 (coefficients from memory)."""

KEYAK_SLOPE_RATIO, KEYAK_OFFSET_G_CM3 = 0.887, 0.0633
"""ash = 0.887·HA + 0.0633. Keyak 2005 lineage as used in finite-element papers (from memory)."""

K_ROUTE_SLOPE_RATIO, K_ROUTE_OFFSET_G_CM3 = 1.22, 0.0523
"""ash = 1.22·K + 0.0523. Keyak 1994 lineage (from memory)."""

K_OVER_HA_RATIO = {80: 0.86, 140: 0.81}
"""K₂HPO₄- over HA-equivalent density by tube voltage in kV. Published: Goodsitt 1992 Bone Miner 19:145."""

VOLTAGE_ROOM_KV = 3.0
"""A scan this far outside the measured voltages still counts as at their end. Our choice: it moves the ratio
by 0.3 %."""

K_OVER_HA_ERROR_FRACTION = 0.02
"""Standard error of the ratio between and at the two voltages. Our choice: a third of the step between
them."""

LEAST_FITTED_HA_G_CM3 = 0.05
"""Below this the offset of the ash line is faded out. Our choice: at no mineral the line would still say 79
mg ash and let fatty marrow hold a screw; from here down ash falls in proportion, meeting the line without a
step."""


def ash_from_ha(density: HADensity) -> AshDensity:
    """Ash from HA-equivalent density by Schileo's line; below LEAST_FITTED_HA_G_CM3 in proportion, 0 at and
    below 0."""
    ha = np.maximum(density, 0)
    line = SCHILEO_SLOPE_RATIO * ha + SCHILEO_OFFSET_G_CM3
    at_least_fitted = SCHILEO_SLOPE_RATIO * LEAST_FITTED_HA_G_CM3 + SCHILEO_OFFSET_G_CM3
    return AshDensity(
        np.where(ha < LEAST_FITTED_HA_G_CM3, ha * (at_least_fitted / LEAST_FITTED_HA_G_CM3), line)
    )


def ash_from_ha_keyak(density: HADensity) -> AshDensity:
    """Ash from HA-equivalent density by the line of Keyak's lineage, for comparison."""
    return AshDensity(KEYAK_SLOPE_RATIO * np.asarray(density) + KEYAK_OFFSET_G_CM3)


def ash_from_k2hpo4(density: K2HPO4Density) -> AshDensity:
    """Ash from K₂HPO₄-equivalent density."""
    return AshDensity(K_ROUTE_SLOPE_RATIO * np.asarray(density) + K_ROUTE_OFFSET_G_CM3)


def k2hpo4_from_ha(density: HADensity, tube_voltage_kv: Literal[80, 140]) -> K2HPO4Density:
    """K₂HPO₄- from HA-equivalent density at the two tube voltages that were measured."""
    return K2HPO4Density(K_OVER_HA_RATIO[tube_voltage_kv] * np.asarray(density))


def ha_from_k2hpo4(density: K2HPO4Density, tube_voltage_kv: float) -> HADensity:
    """HA- from K₂HPO₄-equivalent density, the measured ratio interpolated over the tube voltage.

    Raises InputError where the voltage lies outside the two that were measured.
    """
    voltages_kv = sorted(K_OVER_HA_RATIO)
    if not voltages_kv[0] - VOLTAGE_ROOM_KV <= tube_voltage_kv <= voltages_kv[-1] + VOLTAGE_ROOM_KV:
        raise InputError(
            f"K2HPO4 can be turned into HA from {voltages_kv[0]} to {voltages_kv[-1]} kV only (got"
            f" {tube_voltage_kv:g} kV); give the rods' densities as HA"
        )
    ratio = np.interp(tube_voltage_kv, voltages_kv, [K_OVER_HA_RATIO[kv] for kv in voltages_kv])
    return HADensity(np.asarray(density) / ratio)


def apparent_from_ash(density: AshDensity) -> ApparentDensity:
    """Wet apparent from ash density."""
    return ApparentDensity(np.asarray(density) / ASH_TO_APPARENT_RATIO)


def ash_from_apparent(density: ApparentDensity) -> AshDensity:
    """Ash from wet apparent density."""
    return AshDensity(np.asarray(density) * ASH_TO_APPARENT_RATIO)


@dataclass(frozen=True)
class PowerLaw:
    """``factor · density^exponent`` in MPa, of a density of the kind named."""

    factor_mpa: float
    exponent_factor: float
    density: Literal["apparent", "ash"]
    source: str

    def at(self, density: ApparentDensity | AshDensity) -> Floats:
        """The law's value in MPa at densities of its own kind, g/cm³."""
        return np.asarray(self.factor_mpa * np.asarray(density, float) ** self.exponent_factor)


MORGAN = "Morgan, Bayraktar, Keaveny 2003 J Biomech 36:897 (table read)"

MODULUS_LAWS = {
    "vertebra": PowerLaw(4730, 1.56, "apparent", MORGAN),
    "proximal tibia": PowerLaw(15490, 1.93, "apparent", MORGAN),
    "greater trochanter": PowerLaw(15010, 2.18, "apparent", MORGAN),
    "femoral neck": PowerLaw(6850, 1.49, "apparent", MORGAN),
    "pooled": PowerLaw(8920, 1.83, "apparent", "Morgan 2003, pooled (from memory)"),
}
"""On-axis elastic modulus of trabecular bone by site."""

COMPRESSIVE_STRENGTH_LAWS = {
    "Carter-Hayes 0.01/s": PowerLaw(
        68 * 0.01**0.06, 2, "apparent", "Carter & Hayes 1977 J Bone Joint Surg Am 59:954 (from memory)"
    ),
    "Keller": PowerLaw(117, 1.93, "ash", "Keller 1994 J Biomech 27:1159 (from memory)"),
    "Keyak below 0.317": PowerLaw(137, 1.88, "ash", "Keyak 1994 (from memory)"),
    "Keyak from 0.317": PowerLaw(114, 1.72, "ash", "Keyak 1994 (from memory)"),
}
"""Compressive strength of bone."""

KEYAK_SPLIT_G_CM3 = 0.317
"""Ash density at which Keyak's two pieces of strength meet (within 0.003 %: derived)."""


def keyak_strength_mpa(density: AshDensity) -> Floats:
    """Compressive strength by Keyak's law, both pieces."""
    low, high = COMPRESSIVE_STRENGTH_LAWS["Keyak below 0.317"], COMPRESSIVE_STRENGTH_LAWS["Keyak from 0.317"]
    below = np.asarray(density) < KEYAK_SPLIT_G_CM3
    factor_mpa = np.where(below, low.factor_mpa, high.factor_mpa)
    return np.asarray(
        factor_mpa * np.power(density, np.where(below, low.exponent_factor, high.exponent_factor))
    )


KEYAK_MODULUS_SPLITS_G_CM3 = (0.27, 0.6)
"""Ash densities at which the three pieces of Keyak's modulus meet (from memory)."""

KEYAK_MODULUS_MPA = ((33900.0, 2.20, 0.0), (5307.0, 1.0, 469.0), (10200.0, 2.01, 0.0))
"""factor · ash^exponent + offset of the three pieces. Keyak 1994, 1998, 2003-2005 (from memory)."""


def keyak_modulus_mpa(density: AshDensity) -> Floats:
    """Elastic modulus of the femur by Keyak's law in three pieces; the middle one ends below the second
    split."""
    ash = np.asarray(density, float)
    first, second = KEYAK_MODULUS_SPLITS_G_CM3
    low, middle, high = (
        factor_mpa * ash**exponent + offset_mpa for factor_mpa, exponent, offset_mpa in KEYAK_MODULUS_MPA
    )
    return np.where(ash <= first, low, np.where(ash < second, middle, high))
