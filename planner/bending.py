"""How a screw bends under a load across it: a cantilever, fixed at the section that is asked.

σ = F·e/Z, deflection F·e³/(3·E·I) (textbook). The bone's own give is not in it: in soft bone the screw tilts
before it bends. A user gives the load and its lever; without one only the moment at yield is told.
"""

from __future__ import annotations

from planner.interval import Interval, exactly, product, quotient, scaled, through
from planner.materials import Metal
from planner.sections import Section, modulus_interval_mm3, second_moment_interval_mm4

N_MM_PER_N_M_COUNT = 1000
"""Newton millimetres in a newton metre (definition)."""


def stress_mpa(force_n: float, lever_mm: float, section: Section) -> float:
    """Bending stress at the surface of a nominal section."""
    return force_n * lever_mm / section.modulus_mm3


def deflection_mm(force_n: float, lever_mm: float, section: Section, elastic_mpa: float) -> float:
    """How far the loaded end of a cantilever of one nominal section gives way."""
    return force_n * lever_mm**3 / (3 * elastic_mpa * section.second_moment_mm4)


def yield_moment_n_m(section: Section, metal: Metal) -> Interval:
    """Moment at which the surface begins to yield, over the core's tolerance, for the standard's least yield
    strength."""
    return scaled(modulus_interval_mm3(section), metal.yield_mpa / N_MM_PER_N_M_COUNT)


def stress_interval_mpa(force_n: float, lever_mm: float, section: Section) -> Interval:
    """``stress_mpa`` over the core's tolerance."""
    return through(lambda modulus_mm3: force_n * lever_mm / modulus_mm3, modulus_interval_mm3(section))


def deflection_interval_mm(force_n: float, lever_mm: float, section: Section, metal: Metal) -> Interval:
    """``deflection_mm`` over the core's tolerance and the metal's stiffness."""
    stiffness_n_mm2 = product(second_moment_interval_mm4(section), metal.elastic_mpa)
    return quotient(exactly(force_n * lever_mm**3 / 3), stiffness_n_mm2)
