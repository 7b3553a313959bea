"""What is said of the numbers of thread, density and hold: in each fragment, and of the screw."""

from __future__ import annotations

from collections.abc import Mapping

from planner.explained_entry import (
    CHAPMAN,
    COMMON,
    DENSITY_FORMULA,
    DENSITY_INPUTS,
    FUBINI,
    LINEAR,
    MEANS_ALONE,
    NOT_IN_FORCE,
    OF_DENSITY,
    OF_ENGAGEMENT,
    OF_FORCE,
    OF_LENGTH,
    OURS,
    Explained,
)


def _error(name: str, definition: str, source: str, formula: str = "") -> Explained:
    return Explained(f"error of a pull-out by {name}", "", definition, source, formula)


NOT_IN_HOLD = (
    "Of any screw: the thread's profile, tapered cores, the head's own limit, a wobbling hand, cyclic "
    "loading, and bone that differs from the bone the laws were measured on."
)
VESIC = "Vesić 1961 (from memory); E of bone: Morgan et al. 2003 pooled (from memory)"
NOT_IN_STABILITY = (
    "Friction under an unlocked head, a hole worn wide by cyclic loading; it was not held against measured "
    "screws."
)


def _across(way: str, head: str) -> dict[str, Explained]:
    key = f"angular_stability.{way}"
    beam = (
        "The screw is a beam bedded in bone, its foundation from the density along its path; the load acts "
        f"at the plate, square to it. {head}"
    )
    spread = "the modulus of bone, by far the least known: standard error 40 % (Helgason et al. 2008)."
    return {
        f"{key}.stiffness_n_per_mm": Explained(
            f"stiffness across, {way}",
            "N/mm",
            f"Load across the screw for each millimetre it gives way. {beam}",
            VESIC,
            "load over deflection of the beam, on a foundation of 0.65 · E / (1 − 0.3²) · (E · d⁴ / "
            "EI)^(1/12)",
            interval=spread,
            not_modelled=NOT_IN_STABILITY,
        ),
        f"{key}.yield_n": Explained(
            f"load at first yield, {way}",
            "N",
            f"Load across the screw at which the core bends beyond its proof stress or the bone beneath is "
            f"pressed beyond 0.77 % strain, whichever comes first. {beam}",
            f"{VESIC}; proof stress: ISO 5832; yield strain: Morgan & Keaveny 2001 J Biomech 34:569 (from "
            "memory)",
            "the smaller of both loads",
            interval=spread,
            not_modelled=NOT_IN_STABILITY,
        ),
    }


HOLD: Mapping[str, Explained] = {
    "pull_out.force_n": Explained(
        "hold",
        "N",
        "The whole hold of the screw: what the host takes, with every known factor, and no more than the "
        "screw itself bears; the lower of both.",
        f"{CHAPMAN}; factors and limits: each its own source",
        "F = the lower of host and screw",
        ("pull_out.host_n.estimate", "pull_out.screw_n.estimate"),
        "the lower of both, percentile by percentile.",
        NOT_IN_HOLD,
    ),
    "pull_out.host_n": Explained(
        "hold of the host",
        "N",
        "The pull-out that governs, times every factor that is known beyond the equation.",
        f"{CHAPMAN}; factors: each its own source",
        "F = pull-out that governs · every known factor",
        ("pullout_n.estimate", "pull_out.factors.factor"),
        "the logarithms of the percentiles of pull-out and factors add up by squares, each side by itself.",
        NOT_IN_HOLD,
    ),
    "pull_out.screw_n": Explained(
        "tensile limit of the screw",
        "N",
        "The pull at which the thinnest of its threads and its bare shaft tears. A core with large root "
        "fillets counts as stronger than its diameter, where torsion tests tell so.",
        "tensile strength: ISO 5832-1, -3 and -11 (from memory); effective cores: derived",
        "F = smallest of π / 4 · (core² − cannula²) · tensile strength",
        ("strength.weakest.area_mm2",),
        "the material's range, the effective core's range and the core's tolerance, independent of each "
        "other.",
        "A bent screw, and one that has been loaded before.",
    ),
    "pull_out.factors.factor": Explained(
        "factor of the hold",
        "",
        "What one circumstance multiplies the pull-out by; null where it is not modelled.",
        "the factor's own",
        interval="its published or chosen range.",
    ),
    **_across("locked", "Locked: the head keeps its angle."),
    **_across("unlocked", "Not locked: the head turns freely."),
    "angular_stability.stiffness_ratio": Explained(
        "gain in stiffness by locking",
        "",
        "How many times stiffer the screw is locked in its plate. A long one is at least twice, a rigid "
        "one four times.",
        "Hetényi 1946; " + VESIC,
        "gain = locked / unlocked",
        ("locked.stiffness_n_per_mm.estimate", "unlocked.stiffness_n_per_mm.estimate"),
        not_modelled=NOT_IN_STABILITY,
    ),
    "angular_stability.yield_ratio": Explained(
        "gain in load by locking",
        "",
        "How many times the load at first yield the screw bears locked in its plate.",
        VESIC,
        "gain = locked / unlocked",
        ("locked.yield_n.estimate", "unlocked.yield_n.estimate"),
        not_modelled=NOT_IN_STABILITY,
    ),
    "pullout_n": Explained(
        "pull-out that governs",
        "N",
        "The lowest estimate among the fragments that the thread has to hold. A headed screw holds the "
        "fragment under its head by the head: that one counts only where no other is engaged.",
        f"{CHAPMAN}; which fragment governs: {OURS}",
        "F = the lowest of the fragments' estimates",
        ("pullout_n.governed_by", "fragments.pullout_n.estimate"),
        OF_FORCE,
        NOT_IN_FORCE,
    ),
    "pullout_n.governed_by": Explained(
        "fragment that governs", "", "Number of the fragment whose pull-out is the screw's.", OURS
    ),
    "fragments.fragment": Explained("fragment", "", "Number of the fragment in the case.", "bone.json"),
    "fragments.axis_path_mm": Explained(
        "axis path",
        "mm",
        "Length of the axis inside the fragment, between entry and exit.",
        OURS,
        "sum of the stretches between crossings of the fragment's surface",
        interval=OF_LENGTH.replace("at entry and at exit", "at each crossing"),
    ),
    "fragments.thread_engagement_mm": Explained(
        "thread engagement",
        "mm",
        "Full-profile thread that bites in the fragment. Tip taper and run-out do not count: unless the "
        "screw says otherwise one major diameter and one pitch. f(s) is the share of the ring from core "
        "to major radius that lies in the fragment at depth s.",
        f"{FUBINI}; taper and run-out: {COMMON}, FDA-2019-D-1652 §III.3, 2024",
        "E = ∫ f(s) ds over the full-profile thread",
        ("threads.engagement_mm",),
        OF_ENGAGEMENT,
    ),
    "fragments.threads_engaged": Explained(
        "threads engaged",
        "",
        "Full turns of thread that bite in the fragment.",
        OURS,
        "threads = Σ over thread zones of E / pitch",
        ("threads.engagement_mm", "threads.pitch_mm"),
        not_modelled="Whether a turn is whole: engagement is a sum over the ring.",
    ),
    "fragments.mean_hu": Explained(
        "mean HU",
        "HU",
        "Mean over the ring from core to major radius along the fragment's whole axis path, by area.",
        LINEAR,
        not_modelled=MEANS_ALONE,
    ),
    "fragments.mean_density_mg_cm3": Explained(
        "mean density",
        "mg/cm³",
        "Mean density of the ring along the fragment's whole axis path, by area: HA-equivalent mineral of "
        "bone, a foam's own density.",
        LINEAR,
        DENSITY_FORMULA,
        DENSITY_INPUTS,
        OF_DENSITY,
        MEANS_ALONE,
    ),
    "fragments.pullout_n": Explained(
        "pull-out",
        "N",
        "Force that pulls the thread out of the fragment: shear strength times the cylinder at the major "
        "diameter D over the engagement E, times a shape factor TSF from thread depth and pitch.",
        CHAPMAN,
        "F = Σ over thread zones of π · D · TSF · E · τ̄, with TSF = 0.5 + 0.57735 · (D − core) / (2 · "
        "pitch) and τ̄ the mean shear strength around the thread",
        ("threads", "pullout_errors"),
        OF_FORCE,
        NOT_IN_FORCE,
    ),
    "fragments.threads.zone": Explained(
        "thread zone", "", "Number of the thread zone, from 1 at the head or trailing end.", OURS
    ),
    "fragments.threads.major_mm": Explained(
        "major diameter", "mm", "Outer diameter of the thread.", "the screw"
    ),
    "fragments.threads.core_mm": Explained(
        "core diameter", "mm", "Diameter at the thread's root.", "the screw"
    ),
    "fragments.threads.pitch_mm": Explained(
        "pitch", "mm", "Way from one turn of thread to the next.", "the screw"
    ),
    "fragments.threads.engagement_mm": Explained(
        "engagement of a thread zone",
        "mm",
        "Full-profile thread of this zone that bites in the fragment.",
        FUBINI,
        "E = ∫ f(s) ds over the zone's full-profile thread",
    ),
    "fragments.threads.mean_shear_mpa": Explained(
        "mean shear strength",
        "MPa",
        "Shear strength of what the thread of this zone bites in, from each sample's own density (clipped "
        "at 0), mean over the engaged thread.",
        "the shear law named in made_with.settings",
        "bone: τ = √(21.6 ρ^1.65 · 0.44 · compressive strength) up to 0.7 g/cm³ apparent, 60 MPa from 1.4 "
        "on, a straight line between; foam: τ = 21.0 ρ^1.4",
        not_modelled="The direction of the trabeculae.",
    ),
    "fragments.pullout_errors.shear_law_fraction": _error(
        "its shear law",
        "Relative standard error of the law. Bone: 0.45 at 0.1 g/cm³ apparent, falling to 0.25 from 0.3 "
        "on; foam 0.187. Mean over the thread, weighted by strength.",
        "spread of the published laws; 14 published pull-outs in foam",
    ),
    "fragments.pullout_errors.density_fraction": _error(
        "density",
        "The density's relative standard error times what it does to the strength; with metal's streaks.",
        "derived from the law and the calibration",
        "standard error / density · d ln τ / d ln ρ",
    ),
    "fragments.pullout_errors.diameters_fraction": _error(
        "both diameters",
        "Each diameter anywhere from nominal to 0.15 mm below.",
        "ISO 5835:1991 (from memory)",
        "0.15 / √12 · √((1 / D + k)² + k²), k = 0.57735 / (2 · pitch · TSF)",
    ),
    "fragments.pullout_errors.form_fraction": _error(
        "the form of the equation",
        "Spread of measured over predicted within a family of screws.",
        "Weidling et al. 2022, Sci Rep 12, table 2",
    ),
    "fragments.pullout_errors.engaged_length_fraction": _error(
        "engaged length",
        "The surface's deviation e at both ends (0.4 mm for a plain level) against the engagement E.",
        "published surface errors of CT, 0.2 to 0.8 mm",
        "e / √(E² + e²)",
    ),
    "fragments.pullout_errors.ash_fraction": _error(
        "ash over apparent density",
        "0.06 · 1.65 / 2 for bone, 0 for foam.",
        "Schileo et al. 2008, J Biomech 41:2483",
    ),
}
"""Path without counts → what it is."""
