"""What each number of a screw's doubt is."""

from __future__ import annotations

from planner.explained_entry import Explained

DRAWN = "seeded draws of all that is in doubt; the sources stand in the documentation (uncertainty)"
NOT_DRAWN = "The labels' own faults, metal's streaks, cartilage, a hole reamed wider by the hand."

DOUBT: dict[str, Explained] = {
    "doubt.draws_count": Explained("draws", "", "How many times all that is in doubt was drawn.", "as asked"),
    "doubt.seed": Explained(
        "seed", "", "Where the draws begin: the same seed gives the same draws for every screw.", "as asked"
    ),
    "doubt.numbers": Explained(
        "a number over the draws",
        "",
        "The number of that name, in its own unit: its estimate for the screw as planned, and the 5th and "
        "95th percentile of all draws.",
        DRAWN,
        interval="5th and 95th percentile of the draws.",
        not_modelled=NOT_DRAWN,
    ),
    "doubt.numbers.fragment": Explained(
        "fragment of a number", "", "The fragment that the number is of.", "bone.json"
    ),
    "doubt.numbers.most_from_fraction": Explained(
        "share of the source that matters most",
        "",
        "Each source is drawn alone; this is the squared spread of the widest over the sum of all.",
        DRAWN,
    ),
    "doubt.limits.asked": Explained(
        "limit",
        "",
        "What is asked of the number; the limit's name tells its unit.",
        "the limits' own sources",
    ),
    "doubt.limits.holds_fraction": Explained(
        "how often a limit holds",
        "",
        "Share of the draws that keep the limit. A draw that misses the bone keeps none.",
        DRAWN,
        not_modelled=NOT_DRAWN,
    ),
    "doubt.breach_fraction": Explained(
        "breach",
        "",
        "Share of the draws in which a part that is planned inside the bone comes out of it or crosses the "
        "joint's surface.",
        DRAWN,
        not_modelled=NOT_DRAWN,
    ),
    "doubt.gap_closes_fraction": Explained(
        "gap closed",
        "",
        "Share of the draws in which a two-pitch screw closes all of the fracture's gap along its axis. A "
        "draw that misses a fragment closes nothing.",
        DRAWN,
        not_modelled="Pitches that are off, and a reduction before the screw. " + NOT_DRAWN,
    ),
    "doubt.missed_fraction": Explained(
        "missed",
        "",
        "Share of the draws whose axis misses the bone, or enters it farther away than was looked.",
        DRAWN,
    ),
}
"""Path of a value in a screw → what it is."""
