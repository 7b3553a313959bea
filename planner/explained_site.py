"""What each number of a site's length rule is."""

from __future__ import annotations

from planner.explained_entry import Explained

RULE = "the site's file, which names source and mark"

SITE: dict[str, Explained] = {
    "site_length.measured_mm": Explained(
        "measured length",
        "mm",
        "The bone's length along the screw's axis, which the site's rule takes; the definition is named.",
        RULE,
        inputs=("bone_length_mm",),
    ),
    "site_length.longest_mm": Explained(
        "longest by the site's rule",
        "mm",
        "The longest screw that the site's rule allows for the measured length.",
        RULE,
        "longest = share · measured length − what is taken off",
        ("site_length.measured_mm",),
    ),
    "site_length.shortest_mm": Explained(
        "shortest by the site's rule",
        "mm",
        "The shortest screw that the site's rule asks for.",
        RULE,
        "shortest = share · measured length − what is taken off",
        ("site_length.measured_mm",),
    ),
    "site_length.longest_stocked_mm": Explained(
        "longest stocked within the rule",
        "mm",
        "The longest stocked length of the screw's family that is not above the rule's longest.",
        RULE,
        inputs=("site_length.longest_mm",),
    ),
    "site_length.usual_mm": Explained(
        "usual lengths", "mm", "Lengths in common use at the site, whatever was measured.", RULE
    ),
    "site_length.tip_apex_limit_mm": Explained(
        "limit of the tip–apex distance",
        "mm",
        "The largest tip–apex distance that the site's file allows.",
        RULE,
    ),
}
"""Path of a value in a screw → what it is."""
