"""The pull at which a screw tears before its host lets go: smallest section times its material's strength.

F = π/4 · (core² − cannula²) · Rm. A core with large fillets at its thread's root is stronger than its
diameter says: where torsion tests tell so, the effective core is used. Seen: 5.5 and 6.5 mm screws in equine
diaphysis tore at 9 to 10 kN. Spread: the material's range, the effective core's range and the core's
tolerance, independent of each other.
"""

from __future__ import annotations

import math

from planner.pullout import DIAMETER_TOLERANCE_MM, PERCENTILE_95_COUNT, UNIFORM_SD_RATIO
from planner.vocabulary import Interval, Material, Screw

TENSILE_STRENGTH_MPA: dict[Material, tuple[float, float]] = {
    "stainless steel": (860.0, 1100.0),
    "titanium alloy": (860.0, 1000.0),
}
"""Tensile strength Rm, low and high. ISO 5832-1 cold-worked; ISO 5832-3 and -11 (least 860 and 900), the high
end our choice (all from memory)."""

UNKNOWN_STRENGTH_MPA = (690.0, 1100.0)
"""The same of a metal nobody named: from the strongest annealed steel to the strongest cold-worked (ISO
5832-1, from memory)."""

EFFECTIVE_CORE_MM = {(6.5, 3.0): (3.25, 3.7), (4.0, 1.9): (1.9, 2.2)}
"""Core that carries load by (major, core), low and high. 6.5: derived from breaking forces and from the
standard's breaking torque (3.4 to 3.5); 4.0: from its breaking torque (2.05), the spread our choice."""


def tensile_limit_n(
    *,
    major_mm: float,
    core_mm: float,
    cannula_mm: float = 0.0,
    material: Material | None = "stainless steel",
) -> Interval:
    """The tensile breaking force of a screw in N; of an unknown ``material`` less sure."""
    low_mm, high_mm = EFFECTIVE_CORE_MM.get((major_mm, core_mm), (core_mm, core_mm))
    low_mpa, high_mpa = UNKNOWN_STRENGTH_MPA if material is None else TENSILE_STRENGTH_MPA[material]
    low_mm2, high_mm2 = (math.pi / 4 * (core**2 - cannula_mm**2) for core in (low_mm, high_mm))
    middle_mm = math.sqrt(low_mm * high_mm)
    middle_mm2 = math.sqrt(low_mm2 * high_mm2)
    tolerance = math.pi / 2 * middle_mm * DIAMETER_TOLERANCE_MM * UNIFORM_SD_RATIO / middle_mm2
    reach = math.hypot(
        math.log(high_mm2 / low_mm2) / 2,
        math.log(high_mpa / low_mpa) / 2,
        PERCENTILE_95_COUNT * tolerance,
    )
    estimate_n = middle_mm2 * math.sqrt(low_mpa * high_mpa)
    return Interval(estimate_n, estimate_n * math.exp(-reach), estimate_n * math.exp(reach))


def weakest_tensile_limit_n(screw: Screw) -> Interval:
    """The tensile breaking force at the thinnest of a screw's threads and of its bare shaft, if any, in N."""
    sections = [(thread.major_mm, thread.core_mm) for thread in screw.threads]
    if all(thread.length_mm is not None for thread in screw.threads):
        sections.append((screw.shaft_mm, screw.shaft_mm))
    limits = [
        tensile_limit_n(major_mm=major, core_mm=core, cannula_mm=screw.cannula_mm, material=screw.material)
        for major, core in sections
    ]
    return min(limits, key=lambda limit: limit.estimate)
