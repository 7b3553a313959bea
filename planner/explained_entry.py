"""What an explanation of a value consists of, and the words and sources that many of them share."""

from __future__ import annotations

from dataclasses import dataclass

OURS = "definition: our choice, following the trade's words"
PLAN = "the plan, as given"
COMMON = "common practice"
LINEAR = "HU interpolated linearly between voxel centres: common practice"
CHAPMAN = "Chapman et al. 1996, J Biomech Eng 118:391; FDA-2019-D-1652 §III.3, 2024"
TEXTBOOK = "textbook mechanics"
DERIVED = "derived from the formulas of torque"
MEDICAL_METAL = "the metal's least yield strength and its stiffness: ISO 5832 (from memory)"
FLETCHER = "Fletcher et al. 2019 Clin Biomech 70:40 (read)"
FUBINI = "integral over lines instead of sections: Fubini's theorem (mathematics)"

OF_LENGTH = (
    "estimate ∓ 1.645 · √(Σ (sd / cos)²): how sure the bone's surface is where the axis crosses it, at "
    "entry and at exit. Not in it: the hand that drills."
)
OF_ENGAGEMENT = (
    "each crossing of the surface moved by ∓ 1.645 of its deviations and the thread counted again; thread "
    "that ends within the bone keeps its length, so that its interval is a point. Not in it: the hand "
    "that drills."
)
OF_CLEARANCE = (
    "estimate ∓ 1.645 · √(sd² + (the entry's sd along the axis · cos)²): how sure the surface is where "
    "the screw comes nearest, and a wrong entry that moves the screw along its axis. Not in it: the hand "
    "that drills."
)
OF_DENSITY = (
    "∓ 1.645 deviations: the calibration's standard error, and 100 HU for the share in metal's streaks."
)
OF_FORCE = (
    "low, high = estimate · exp(∓1.645 · σ), a lognormal spread; σ² is the sum of the squares of the "
    "errors of shear law, density, diameters, form of the equation, engaged length and ash over apparent "
    "density."
)
NOT_IN_FORCE = (
    "Tapping, over-drilling, the thread's profile (one flank of 30° for all), tapered cores, the head's own "
    "limit, insertion at an angle, a wobbling hand, cyclic loading, fluid, and bone that differs from that "
    "the laws were measured on."
)
SURFACE_ALONE = "Cartilage: the surface is that of the bone on CT."
MEANS_ALONE = "What varies within the ring: this is its mean."


@dataclass(frozen=True)
class Explained:
    """One kind of value.

    ``inputs`` are paths it is computed from, looked for in the same part of the document, then in the screw,
    then in the document; ``interval`` says what the 5th and 95th percentile contain.
    """

    name: str
    unit: str
    definition: str
    source: str
    formula: str = ""
    inputs: tuple[str, ...] = ()
    interval: str = ""
    not_modelled: str = ""


DENSITY_FORMULA = "density = slope · HU + intercept"
DENSITY_INPUTS = (
    "mean_hu",
    "bone.calibration.slope_mg_cm3_per_hu",
    "bone.calibration.intercept_mg_cm3",
)
