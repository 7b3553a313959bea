"""What locking a screw in its plate gains under a load across it: stiffness and load at first yield.

The screw is a beam bedded in bone (``beam_on_bone.py``), its foundation from the density along its path. The
load acts at the plate, square to the screw. Locked, the head keeps its angle; not locked, it turns freely and
friction under it is left out, which makes the unlocked screw the weakest it can be. First yield is the lower
of two: the core bends beyond the material's proof stress, or the bone beneath it is pressed beyond its yield
strain. Spread: the modulus of bone, by far the least known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from planner.beam_on_bone import bedded_beam
from planner.density_laws import MG_PER_G_FACTOR, MODULUS_LAWS, HADensity, apparent_from_ash, ash_from_ha
from planner.pullout import PERCENTILE_95_COUNT
from planner.solid import solid_of
from planner.thread_comparison import DensityAlong, density_along
from planner.vocabulary import AcrossLoad, AngularStability, Interval, Material, Screw, ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Floats, Host

SCREW_MODULUS_MPA: dict[Material, float] = {"stainless steel": 190_000.0, "titanium alloy": 110_000.0}
"""Young's modulus. ISO 5832-1 and -3 (from memory)."""

PROOF_STRESS_MPA: dict[Material, float] = {"stainless steel": 690.0, "titanium alloy": 780.0}
"""Least Rp0.2. ISO 5832-1 cold-worked, ISO 5832-3 (from memory)."""

CORTICAL_MODULUS_MPA = 11_500.0
"""Modulus of cortex across its axis, the most any bone is given. Reilly & Burstein 1975 (from memory)."""

FOAM_MODULUS_MPA, FOAM_MODULUS_EXPONENT_FACTOR = 1737.0, 1.856
"""E = 1737 ρ^1.856 of rigid foam. Derived: through the nominal compressive moduli at 0.08 and 0.80 g/cm³ of
ASTM F1839 foams (from memory); within 2 % of the sheet's other grades."""

YIELD_STRAIN_FRACTION = 0.0077
"""Compressive yield strain of trabecular bone. Morgan & Keaveny 2001 J Biomech 34:569 (from memory)."""

POISSON_RATIO = 0.3
"""Of bone and foam. Common practice."""

VESIC_FACTOR, VESIC_EXPONENT_FACTOR = 0.65, 1 / 12
"""k = 0.65 · E/(1 − ν²) · (E·d⁴/EI)^(1/12). Vesić 1961 (from memory)."""

MODULUS_ERROR_FRACTION = 0.40
"""Standard error of bone's modulus. Published: laws of one site miss another by 25-45 % (Helgason et al.
2008)."""

STEP_MM = 0.25
"""Length of a beam element, at most. Our choice: error below 0.1 % on the closed forms."""


def angular_stability(
    screw: Screw, length_mm: float, along: DensityAlong, *, stand_off_mm: float = 0.0
) -> AngularStability:
    """What locking gains ``screw`` of a marked length, its plate ``stand_off_mm`` above the bone.

    Raises InputError for a headless screw or a stand-off below 0.
    """
    if screw.headless:
        raise InputError(f"screw '{screw.name}' has no head to be locked in a plate: take one with a head")
    if not (math.isfinite(stand_off_mm) and stand_off_mm >= 0):
        raise InputError(f"the plate's stand-off must be at least 0 mm (got {stand_off_mm:g})")
    beam = _Beam.of(screw, length_mm, along, stand_off_mm)
    locked, unlocked = (_with_spread(beam, head_turns=turns) for turns in (False, True))
    return AngularStability(
        locked,
        unlocked,
        locked.stiffness_n_per_mm.estimate / unlocked.stiffness_n_per_mm.estimate,
        locked.yield_n.estimate / unlocked.yield_n.estimate,
    )


def with_stability(result: ScrewResult, host: Host) -> ScrewResult:
    """``result`` with what locking gains it, or with the reason why that is not told."""
    placed = result.placed
    if placed.technique != "locking":
        why = "only a screw locked in a plate keeps its angle"
        return replace(result, reasons={**result.reasons, "angular_stability": why})
    try:
        told = angular_stability(
            placed.screw,
            placed.length_mm,
            density_along(result, host),
            stand_off_mm=max(0.0, -placed.seat_depth_mm),
        )
    except InputError as error:
        return replace(result, reasons={**result.reasons, "angular_stability": str(error)})
    return replace(result, angular_stability=told)


def host_modulus_mpa(density_mg_cm3: Floats, host: Host) -> Floats:
    """Young's modulus of bone (Morgan's pooled law, cortex at most) or foam, of densities of any shape."""
    density = np.maximum(np.asarray(density_mg_cm3, float), 0) / MG_PER_G_FACTOR
    if host == "foam":
        return np.asarray(FOAM_MODULUS_MPA * density**FOAM_MODULUS_EXPONENT_FACTOR)
    apparent = apparent_from_ash(ash_from_ha(HADensity(density)))
    return np.minimum(MODULUS_LAWS["pooled"].at(apparent), CORTICAL_MODULUS_MPA)


def foundation_mpa(modulus_mpa: Floats, diameter_mm: float, stiffness_n_mm2: Floats) -> Floats:
    """Vesić's foundation modulus under a beam of that diameter and bending stiffness."""
    relative = modulus_mpa * diameter_mm**4 / stiffness_n_mm2
    return np.asarray(VESIC_FACTOR * modulus_mpa / (1 - POISSON_RATIO**2) * relative**VESIC_EXPONENT_FACTOR)


@dataclass(frozen=True, eq=False)
class _Beam:
    """Elements from the plate to the tip: length, core diameter, cannula, bone modulus (0: no bone)."""

    lengths_mm: Floats
    core_mm: Floats
    modulus_mpa: Floats
    width_mm: float
    cannula_mm: float
    material: Material

    @classmethod
    def of(cls, screw: Screw, length_mm: float, along: DensityAlong, stand_off_mm: float) -> _Beam:
        solid = solid_of(screw, length_mm)
        count = max(4, math.ceil(solid.tip_mm / STEP_MM))
        edges = np.linspace(0.0, solid.tip_mm, count + 1)
        middles = (edges[1:] + edges[:-1]) / 2
        z, radius = solid.core_outline_mm.T
        core = 2 * np.interp(middles, z[z >= 0], radius[z >= 0])
        # The tip's cone ends in a point; a beam of no width bends without limit.
        core = np.maximum(core, core.max() / 4 + screw.cannula_mm / 2)
        cell = np.searchsorted(along.edges_mm, middles - stand_off_mm, side="right") - 1
        inside = (cell >= 0) & (cell < along.density_mg_cm3.size)
        modulus = np.zeros(count)
        modulus[inside] = host_modulus_mpa(along.density_mg_cm3[cell[inside]], along.host)
        width = screw.largest_thread.major_mm
        return cls(np.diff(edges), core, modulus, width, screw.cannula_mm, screw.material)

    def solved(self, modulus_factor: float, *, head_turns: bool) -> tuple[float, float, float]:
        """Stiffness (N/mm), load at which the screw yields and at which the bone does (N)."""
        second_mm4 = math.pi / 64 * (self.core_mm**4 - self.cannula_mm**4)
        bending = SCREW_MODULUS_MPA[self.material] * second_mm4
        modulus = self.modulus_mpa * modulus_factor
        bed = foundation_mpa(modulus, self.width_mm, bending)
        found = bedded_beam(self.lengths_mm, bending, bed, head_turns=head_turns)
        moment = np.maximum(found.moment_n_mm[1:], found.moment_n_mm[:-1])
        stress = moment * self.core_mm / 2 / second_mm4
        deflection = np.abs(found.deflection_mm[1:] + found.deflection_mm[:-1]) / 2
        held = modulus > 0
        pressure_over_yield = (
            bed[held] * deflection[held] / self.width_mm / (YIELD_STRAIN_FRACTION * modulus[held])
        )
        screw_n = PROOF_STRESS_MPA[self.material] / float(stress.max())
        return 1 / abs(float(found.deflection_mm[0])), screw_n, 1 / float(pressure_over_yield.max())


def _with_spread(beam: _Beam, *, head_turns: bool) -> AcrossLoad:
    factor = math.exp(PERCENTILE_95_COUNT * MODULUS_ERROR_FRACTION)
    middle, soft, stiff = (beam.solved(one, head_turns=head_turns) for one in (1.0, 1 / factor, factor))
    yields = [min(one[1:]) for one in (middle, soft, stiff)]
    return AcrossLoad(
        Interval(middle[0], soft[0], stiff[0]),
        Interval(yields[0], min(yields), max(yields)),
        "screw" if middle[1] <= middle[2] else "bone",
    )
