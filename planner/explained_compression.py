"""What is said of the numbers of torque, lag and two pitches: how a screw draws fragments together."""

from __future__ import annotations

from collections.abc import Mapping

from planner.explained_entry import DERIVED, FLETCHER, OURS, Explained

MACHINE = "machine-screw mechanics, textbook; flank angles from memory"
METAL_FRICTION = "0.2 to 0.4 from memory"
OF_PRODUCT = (
    "the parts count as independent, each lognormal on either side: the logarithms of their ratios add up by "
    "squares."
)
OF_ANGLE = "how well the normal of the fracture's mean plane is known."
NOT_IN_TORQUE = (
    "Cutting the thread while the head is off the bone, tapping, lubrication, and a hand that does not stop."
)
GAP_SOURCE = "Tan et al. 2018 J Hand Surg Eur 43:93 (abstract read)"

COMPRESSION: Mapping[str, Explained] = {
    "torque.friction_ratio": Explained(
        "friction of metal on bone",
        "",
        "Friction in the thread and under the head, in wet bone.",
        METAL_FRICTION,
        interval="the range known.",
    ),
    "torque.torque_per_force_mm": Explained(
        "torque for each newton",
        "mm",
        "Torque, in N·mm, that each newton of compression takes: lead, friction in the thread and under the "
        "head. A two-pitch screw has no head; its lead is the difference of its pitches.",
        MACHINE,
        "p / 2π + μ · r_m / cos β + μ · r_h, with r_m the mean thread radius, β the loaded flank (3°, "
        "symmetrical threads 30°) and r_h 0.75 of the head's largest radius",
        ("torque.friction_ratio.estimate",),
        "friction over its interval.",
        NOT_IN_TORQUE,
    ),
    "torque.insertion_n_m": Explained(
        "insertion torque",
        "N·m",
        "Torque to drive the thread in, from the pull-out of all thread that bites.",
        "derived from published rows: 0.27, coefficient of variation 13 % over 12 rows",
        "T = 0.25 · hold · major diameter",
        ("fragments.pullout_n.estimate", "fragments.threads.major_mm"),
        f"0.20 to 0.32 for 0.25, with the hold's own; {OF_PRODUCT}",
        NOT_IN_TORQUE,
    ),
    "torque.stripping_n_m": Explained(
        "stripping torque",
        "N·m",
        "Torque at which the seated screw's thread strips: the tension is then its whole hold, of a "
        "two-pitch screw that of its weaker side.",
        DERIVED,
        "T = hold · torque for each newton",
        ("fragments.pullout_n.estimate", "torque.torque_per_force_mm.estimate"),
        f"hold and friction; {OF_PRODUCT}",
        NOT_IN_TORQUE,
    ),
    "torque.eighty_percent_n_m": Explained(
        "80 % of stripping",
        "N·m",
        "Compression rises with torque up to 80 % of stripping and no further.",
        f"{FLETCHER}, R² 0.752",
        "T = 0.8 · stripping torque",
        ("stripping_n_m.estimate",),
        "that of the stripping torque.",
        NOT_IN_TORQUE,
    ),
    "torque.advised_at_most_n_m": Explained(
        "torque advised at most",
        "N·m",
        "80 % of the low end of the stripping torque, and no more than half of the least yield torque.",
        "our choice, after Fletcher et al. 2019 and FDA-2019-D-1652 §III.2",
        "T = the smaller of 0.8 · low end of stripping and what insertion may ask",
        ("stripping_n_m.low", "strength.torque_floors.insertion_limit_n_m"),
        not_modelled="That hands overshoot: surgeons stop at 82 % of stripping on average and strip every "
        "second hole (Fletcher et al. 2021, read).",
    ),
    "torque.compression_at_advised_n": Explained(
        "compression at the torque advised",
        "N",
        "What the screw presses with at the torque advised at most, no more than 80 % of its hold.",
        DERIVED,
        "F = the smaller of torque / torque for each newton and 0.8 · hold",
        ("advised_at_most_n_m", "torque_per_force_mm.estimate", "fragments.pullout_n.estimate"),
        "friction, and the hold percentile by percentile.",
        NOT_IN_TORQUE,
    ),
    "torque.given_n_m": Explained("torque asked for", "N·m", "The torque that was asked.", "what was asked"),
    "torque.compression_at_given_n": Explained(
        "compression at the torque asked",
        "N",
        "What the screw presses with at the torque asked, no more than 80 % of its hold.",
        DERIVED,
        "F = the smaller of torque / torque for each newton and 0.8 · hold",
        ("given_n_m", "torque_per_force_mm.estimate", "fragments.pullout_n.estimate"),
        "friction, and the hold percentile by percentile.",
        NOT_IN_TORQUE,
    ),
    "torque.wanted_compression_n": Explained(
        "compression asked for", "N", "The compression that was asked.", "what was asked"
    ),
    "torque.torque_for_wanted_n_m": Explained(
        "torque for the compression asked",
        "N·m",
        "What takes the compression asked; null where it would take more than is advised.",
        DERIVED,
        "T = compression · torque for each newton",
        ("wanted_compression_n", "torque_per_force_mm.estimate"),
        "friction over its interval.",
        NOT_IN_TORQUE,
    ),
    "lag.angle_degree": Explained(
        "angle to the first fracture",
        "°",
        "The true angle in space between the axis and the normal of the first fracture it crosses.",
        OURS,
        "angle = arccos |axis · normal|",
        ("fractures.angle_degree", "fractures.angle_uncertainty_degree"),
        OF_ANGLE,
    ),
    "lag.pressing_fraction": Explained(
        "share that presses",
        "",
        "Share of the screw's force square to the fracture.",
        "mechanics",
        "cos of the angle",
        ("angle_degree.estimate",),
        OF_ANGLE,
    ),
    "lag.shearing_fraction": Explained(
        "share that shears",
        "",
        "Share of the screw's force along the fracture.",
        "mechanics",
        "sin of the angle",
        ("angle_degree.estimate",),
        OF_ANGLE,
    ),
    "lag.friction_ratio": Explained(
        "friction of bone on bone",
        "",
        "The fragments slide where the tangent of the angle exceeds it: held or slides where the whole "
        "interval says so, else in doubt.",
        "0.2 to 0.4 from memory",
        interval="the range known.",
        not_modelled="Teeth of a fresh fracture hold better, blood and soft tissue worse.",
    ),
    "lag.pressing_n": Explained(
        "force across the fracture",
        "N",
        "What presses the fracture together: the compression at the torque advised, of a two-pitch screw its "
        "force at once, times the share that presses.",
        DERIVED,
        "F = compression · share that presses",
        (
            "torque.compression_at_advised_n.estimate",
            "two_pitch.force_now_n.estimate",
            "lag.pressing_fraction.estimate",
        ),
        f"compression and angle; {OF_PRODUCT}",
        "What a fault of the lag screw takes of it: threads that bridge the fracture press nothing.",
    ),
    "lag.faults.value_mm": Explained(
        "by how much a lag screw is at fault", "mm", "The millimetres that its message speaks of.", OURS
    ),
    "two_pitch.travel_per_turn_mm": Explained(
        "closes in a turn",
        "mm",
        "How much one turn draws the fragments together while both threads bite.",
        DERIVED,
        "travel = pitch of the leading thread − pitch of the trailing thread",
        ("fragments.threads.zone", "fragments.threads.pitch_mm"),
    ),
    "two_pitch.turns_both_count": Explained(
        "turns with both threads biting",
        "",
        "Counted back from the final seat: until the front of the trailing thread is out of the near "
        "cortex, or the leading thread is back in the near fragment or out of the far one.",
        DERIVED,
        "turns = smallest of those ways / pitch of the trailing thread",
        not_modelled="What is drilled beforehand, and a reduction held by wires.",
    ),
    "two_pitch.travel_mm": Explained(
        "closes altogether",
        "mm",
        "How much the screw draws together up to its final seat.",
        DERIVED,
        "travel = turns · what a turn closes",
        ("turns_both_count", "travel_per_turn_mm"),
        not_modelled="What is drilled beforehand, and a reduction held by wires.",
    ),
    "two_pitch.gap_along_axis_mm": Explained(
        "gap along the axis",
        "mm",
        "The gap as the screw crosses it; it closes where the travel is no less.",
        OURS,
        "gap = gap square to the fracture / cos of the angle",
        ("gap_mm", "lag.angle_degree.estimate"),
    ),
    "two_pitch.gap_mm": Explained(
        "gap square to the fracture",
        "mm",
        "As the fracture's surface was measured where the axis crosses it, else between the fragments' "
        "surfaces on the axis. None lost at 1.0 mm, a significant part at 1.5 to 2.0, no contact at 2.5.",
        f"{OURS}; what was measured of compression: {GAP_SOURCE}, a 26 mm screw in foam",
    ),
    "two_pitch.force_now_n": Explained(
        "force at once",
        "N",
        "The smaller of 80 % of the weaker side's hold and what half of the yield floor gives; 0 where the "
        "gap does not close.",
        f"derived; the 80 % of headed screws is taken over: {FLETCHER}",
        "F = the smaller of 0.8 · hold and insertion limit / torque for each newton",
        (
            "pullout_n.estimate",
            "strength.torque_floors.insertion_limit_n_m",
            "torque.torque_per_force_mm.estimate",
        ),
        "hold and friction, percentile by percentile.",
        "Cutting takes most of the torque of such a screw: by torque this is an upper bound, and cadaver "
        "scaphoids showed 89 to 119 N.",
    ),
    "two_pitch.force_retained_n": Explained(
        "force after minutes",
        "N",
        "What is left of the force at once when the bone has relaxed.",
        "published fractions of four designs: Grewal et al. 2011 J Orthop Surg Res 6:27; Pensy et al. 2009 "
        "J Surg Orthop Adv 18:182 (read)",
        "F = 0.465 · force at once",
        ("force_now_n.estimate",),
        f"0.27 to 0.66 of it, even between; {OF_PRODUCT}",
        "What is left after days.",
    ),
}
"""Path without counts → what it is."""
