"""What is said of the numbers of strength: sections, torque floors, bending, fatigue, pilot, resorbables."""

from __future__ import annotations

from collections.abc import Mapping

from planner.explained_entry import MEDICAL_METAL, OURS, TEXTBOOK, Explained

CORE_TOLERANCE = (
    "the core lies anywhere from its nominal diameter to 0.15 mm below (ISO 5835:1991, from memory); the "
    "middle is the estimate."
)
REGULATOR = "FDA-2019-D-1652 §III.1, 22 Nov 2024 (read in full)"
STANDARD = "ISO 6475:1989 annex A, stainless steel to ISO 5832-1 (from memory)"
NOT_IN_BENDING = (
    "The bone's own give: in soft bone the screw tilts before it bends. A moment at any other place than the "
    "weakest section."
)
NOT_IN_SECTION = "The thread's flanks and root fillets: a deep thread breaks as if its core were larger."
NOT_IN_COURSE = "The body it lies in: what was published in vivo is faster than in vitro."


def _section(which: str, definition: str) -> dict[str, Explained]:
    key = f"strength.{which}"
    name = {"sections": "section", "weakest": "weakest section", "at_fracture": "section at the fracture"}
    of = name[which]
    return {
        f"{key}.from_mm": Explained(f"{of} from", "mm", f"{definition} Depth at which it begins.", OURS),
        f"{key}.to_mm": Explained(f"{of} to", "mm", f"{definition} Depth at which it ends.", OURS),
        f"{key}.diameter_mm": Explained(
            f"diameter of the {of}",
            "mm",
            f"{definition} Nominal diameter: the core in thread and run-out, else the shaft.",
            "the screw",
        ),
        f"{key}.cannula_mm": Explained(
            f"cannula of the {of}",
            "mm",
            f"{definition} Diameter of the bore; 0 where it is solid.",
            "the screw",
        ),
        f"{key}.area_mm2": Explained(
            f"area of the {of}",
            "mm²",
            f"{definition} Area of metal, for tension.",
            TEXTBOOK,
            "A = π · (d² − c²) / 4, d its diameter and c the cannula",
            ("diameter_mm", "cannula_mm"),
            not_modelled=NOT_IN_SECTION,
        ),
        f"{key}.second_moment_mm4": Explained(
            f"second moment of the {of}",
            "mm⁴",
            f"{definition} Second moment of area, for stiffness in bending: goes by the fourth power of d.",
            TEXTBOOK,
            "I = π · (d⁴ − c⁴) / 64, d its diameter and c the cannula",
            ("diameter_mm", "cannula_mm"),
            not_modelled=NOT_IN_SECTION,
        ),
        f"{key}.modulus_mm3": Explained(
            f"section modulus of the {of}",
            "mm³",
            f"{definition} For strength in bending: of a solid one it goes by the third power of d.",
            TEXTBOOK,
            "Z = 2 · I / d",
            ("second_moment_mm4", "diameter_mm"),
            not_modelled=NOT_IN_SECTION,
        ),
        f"{key}.polar_modulus_mm3": Explained(
            f"polar modulus of the {of}",
            "mm³",
            f"{definition} For strength in torsion.",
            TEXTBOOK,
            "Wp = 2 · Z",
            ("modulus_mm3",),
            not_modelled=NOT_IN_SECTION,
        ),
        f"{key}.to_fracture_mm": Explained(
            f"{of} to the fracture",
            "mm",
            f"{definition} Its distance along the axis from the nearest fracture: 0 where it lies across it.",
            OURS,
            "from the stretch to where one fragment ends and the next begins",
        ),
    }


def _course(name: str, of: str, source: str, formula: str, inputs: tuple[str, ...] = ()) -> Explained:
    return Explained(
        name,
        "",
        f"{of}, at each of the weeks. Null beyond what was published.",
        source,
        formula,
        inputs,
        "low and high: the published range, joined by straight lines like the estimate.",
        NOT_IN_COURSE,
    )


STRENGTH: Mapping[str, Explained] = {
    **_section("sections", "A stretch of the screw with one nominal section, without the tip's taper."),
    **_section(
        "weakest",
        "The stretch with the smallest section modulus; of equal ones the nearest to the fracture.",
    ),
    **_section("at_fracture", "The stretch that lies in the first fracture on the axis."),
    "strength.runout_to_fracture_mm": Explained(
        "run-out to the fracture",
        "mm",
        "Along the axis, from where thread meets shaft to where a fragment ends or begins; the nearest of "
        "the screw's run-outs. There the section falls to the core: a stress riser.",
        OURS,
        "distance = the smallest of the run-outs' distances",
        ("strength.sections.to_fracture_mm",),
    ),
    "strength.torque_floors.breaking_n_m": Explained(
        "least breaking torque",
        "N·m",
        "The torque the standard asks a screw of this code to bear before it breaks: solid, of stainless "
        "steel. No other screw has one, and between two codes nothing is interpolated.",
        STANDARD,
        not_modelled="When this screw breaks: the floor is a minimum of its kind.",
    ),
    "strength.torque_floors.breaking_rotation_degree": Explained(
        "least rotation at breaking",
        "°",
        "How far the standard asks a screw of this code to turn before it breaks.",
        STANDARD,
    ),
    "strength.torque_floors.yield_n_m": Explained(
        "least yield torque",
        "N·m",
        "The torque the regulator asks a screw of this diameter to bear before it yields, of any alloy. A "
        "diameter not in its table takes the next larger row.",
        REGULATOR,
        inputs=("yield_row_mm",),
        not_modelled="When this screw yields: the floor is a minimum of its kind.",
    ),
    "strength.torque_floors.yield_row_mm": Explained(
        "row of the yield table",
        "mm",
        "The diameter whose row was taken: its smallest thread's own, or the next larger.",
        REGULATOR,
    ),
    "strength.torque_floors.insertion_limit_n_m": Explained(
        "what insertion may ask",
        "N·m",
        "Half of the least yield torque.",
        "FDA-2019-D-1652 §III.2, 2024 (read)",
        "T = 0.5 · least yield torque",
        ("yield_n_m",),
    ),
    "strength.bending.yield_moment_n_m": Explained(
        "moment at yield",
        "N·m",
        "Bending moment at which the surface of the weakest section begins to yield, for the standard's "
        "least yield strength.",
        f"{TEXTBOOK}; {MEDICAL_METAL}",
        "M = Z · yield strength, Z at the core's middle diameter d",
        ("strength.weakest.diameter_mm", "strength.weakest.cannula_mm"),
        CORE_TOLERANCE,
        NOT_IN_BENDING,
    ),
    "strength.bending.load_n": Explained(
        "load asked for", "N", "The load across the screw that was asked.", "what was asked"
    ),
    "strength.bending.lever_mm": Explained(
        "lever asked for", "mm", "From the weakest section to where the load acts.", "what was asked"
    ),
    "strength.bending.stress_mpa": Explained(
        "bending stress",
        "MPa",
        "Stress at the surface of the weakest section, as a cantilever held there.",
        TEXTBOOK,
        "stress = F · e / Z, Z at the core's middle diameter d",
        ("load_n", "lever_mm", "strength.weakest.diameter_mm", "strength.weakest.cannula_mm"),
        CORE_TOLERANCE,
        NOT_IN_BENDING,
    ),
    "strength.bending.of_yield_fraction": Explained(
        "share of yield",
        "",
        "Bending stress over the metal's least yield strength: above 1 the screw bends for good.",
        f"{TEXTBOOK}; {MEDICAL_METAL}",
        "share = stress / yield strength",
        ("stress_mpa.estimate",),
        CORE_TOLERANCE,
        NOT_IN_BENDING,
    ),
    "strength.bending.deflection_mm": Explained(
        "deflection",
        "mm",
        "How far the loaded end of a cantilever of the weakest section gives way.",
        f"{TEXTBOOK}; {MEDICAL_METAL}",
        "deflection = F · e³ / (3 · E · I), I at the core's middle diameter d",
        ("load_n", "lever_mm", "strength.weakest.diameter_mm", "strength.weakest.cannula_mm"),
        f"{CORE_TOLERANCE} With the range of the metal's stiffness E.",
        NOT_IN_BENDING,
    ),
    "strength.fatigue.endured_factor": Explained(
        "endured against a 3.5 mm cortical screw",
        "",
        "How many times the alternating moment of a cortical screw of 3.5 mm this screw bears: a ranking, "
        "never a number of cycles.",
        f"{TEXTBOOK}; notch factors and fatigue limits from memory",
        "factor = smallest (Z / notch factor) of this screw / that of the other · ratio of fatigue limits",
        ("strength.sections.modulus_mm3", "strength.fatigue.notch_factor.estimate"),
        "both notch factors over their whole interval, and the metals' fatigue limits where they differ: "
        "screws within about 1.4 of each other are not told apart.",
        "Corrosion, the number of cycles, and what the bone takes over.",
    ),
    "strength.fatigue.notch_factor": Explained(
        "notch factor",
        "",
        "By how much thread root and run-out lower what a smooth bar bears again and again.",
        "1.8 to 3.0 from memory; the middle: our choice",
        interval="the range known.",
    ),
    "strength.pilot.pilot_mm": Explained(
        "pilot drill",
        "mm",
        "Diameter of the pilot drill that belongs to the screw.",
        "the catalogue of screws",
    ),
    "strength.pilot.core_mm": Explained(
        "core drilled for", "mm", "Core diameter of the thread at the tip.", "the screw"
    ),
    "strength.pilot.widest_mm": Explained(
        "widest matched pilot",
        "mm",
        "A pilot from the core to this is matched: 0.3 of the thread's depth above the core.",
        "derived from the screw table: pilot = core + 0.0 to 0.2 mm",
        "widest = core + 0.3 · (major − core) / 2",
        ("core_mm", "fragments.threads.major_mm"),
    ),
    "strength.pilot.of_major_fraction": Explained(
        "pilot over major diameter",
        "",
        "Up to 0.79 of the major diameter a wider pilot cost no hold, from 0.91 hold falls off.",
        "Heidemann et al. 1998 (read as quoted)",
        "share = pilot / major",
        ("pilot_mm", "fragments.threads.major_mm"),
        not_modelled="An osteoporotic host: there a 2.8 mm hole already lowered the hold of a 3.5 mm screw "
        "(Battula 2008, read as quoted).",
    ),
    "resorbable.metal_yield_moment_n_m": Explained(
        "moment at yield in metal",
        "N·m",
        "Bending moment at which the weakest section of the metal screw begins to yield.",
        f"{TEXTBOOK}; {MEDICAL_METAL}",
        "M = Z · yield strength, Z at the core's middle diameter d",
        ("strength.weakest.diameter_mm", "strength.weakest.cannula_mm"),
        CORE_TOLERANCE,
        NOT_IN_BENDING,
    ),
    "resorbable.metal_stiffness_n_mm2": Explained(
        "bending stiffness in metal",
        "N·mm²",
        "Bending stiffness of the metal screw's weakest section.",
        f"{TEXTBOOK}; {MEDICAL_METAL}",
        "E · I, I at the core's middle diameter d",
        ("strength.weakest.diameter_mm", "strength.weakest.cannula_mm"),
        f"{CORE_TOLERANCE} With the range of the metal's stiffness E.",
    ),
    "resorbable.union_weeks": Explained(
        "weeks to union", "weeks", "The time to union that was asked.", "what was asked"
    ),
    "resorbable.courses.weeks": Explained(
        "week", "weeks", "Weeks after insertion that a course is told at.", "our choice"
    ),
    "resorbable.courses.strength_left": _course(
        "strength left",
        "Share of the new resorbable screw's strength that is left",
        "the material's source",
        "a straight line between what was published",
    ),
    "resorbable.courses.stiffness_left": _course(
        "stiffness left",
        "Share of the new resorbable screw's stiffness that is left: taken to lie between falling with "
        "strength and staying",
        "our choice: of stiffness over time nothing was read",
        "(strength left + 1) / 2 until all strength is gone",
        ("strength_left[].estimate",),
    ),
    "resorbable.courses.strength_against_metal": _course(
        "strength against metal",
        "Bending strength of the resorbable screw over the yield strength of the same screw in metal",
        f"the material's source; {MEDICAL_METAL}",
        "share = first strength / yield strength of the metal · strength left",
        ("strength_left[].estimate",),
    ),
    "resorbable.courses.stiffness_against_metal": _course(
        "stiffness against metal",
        "Bending stiffness of the resorbable screw over that of the same screw in metal",
        f"the material's source; {MEDICAL_METAL}",
        "share = E of the material / E of the metal · stiffness left",
        ("stiffness_left[].estimate",),
    ),
    "resorbable.courses.half_strength_weeks": Explained(
        "half strength at",
        "weeks",
        "When half of the new screw's strength is left; null where some published course does not come to "
        "it.",
        "the material's source",
        interval="the fastest and the slowest course published.",
        not_modelled=NOT_IN_COURSE,
    ),
    "resorbable.courses.at_union": Explained(
        "strength at union against metal",
        "",
        "Bending strength at the weeks to union, over the yield strength of the same screw in metal.",
        f"the material's source; {MEDICAL_METAL}",
        "share = first strength / yield strength of the metal · strength left at that week",
        ("resorbable.union_weeks",),
        "the material's first strength and its published courses, independent of each other.",
        NOT_IN_COURSE,
    ),
}
"""Path without counts → what it is."""
