"""Every code that a finding may carry, its severity and its meaning: the one table of them.

A *stop* says the plan as it stands harms or cannot be done; a *warn* that a limit of practice is broken; a
*note* that the reader should know.
"""

from __future__ import annotations

from planner.vocabulary import Severity

CODES: dict[str, tuple[Severity, str]] = {
    "tip-outside": (
        "warn",
        "The tip lies outside the bone: beyond the far cortex by more than the limit (headless: at all), in "
        "a hollow of its outside, or short of the entry.",
    ),
    "ends-in-fracture": ("warn", "The screw ends in the gap between two fragments."),
    "tip-through-far-cortex": ("note", "The tip of a headed screw leaves the far cortex, within the limit."),
    "tip-in-other-bone": ("stop", "Thread, shaft or tip reach another bone."),
    "pieces-taken-together": (
        "warn",
        "The screw crosses pieces that were taken as fragments of one bone only because they lie close: they "
        "may be two bones.",
    ),
    "way-blocked": (
        "warn",
        "Bone lies on the axis behind the entry, where the screw has to come from.",
    ),
    "joint-penetrated": ("stop", "Part of the screw lies beyond the joint surface."),
    "clearance-joint": ("warn", "The screw is closer to the joint surface than the limit."),
    "clearance-leading-end": (
        "warn",
        "The leading end of a headless screw is closer to the outer surface than the limit.",
    ),
    "leading-end-outside": (
        "warn",
        "The leading end comes out of the bone sideways, though the tip is well before the exit (headless: "
        "before it at all).",
    ),
    "body-outside": ("stop", "Thread or shaft come out of the bone between the entry and the leading end."),
    "clearance-body": ("warn", "Thread or shaft are closer to the outer surface than the limit."),
    "trailing-end-proud": ("stop", "The trailing end of a headless screw stands out of the bone."),
    "clearance-trailing-end": ("warn", "The trailing end of a headless screw is buried less than the limit."),
    "head-proud": ("warn", "The head stands off the bone by more than the limit, without a plate."),
    "few-threads": (
        "warn",
        "Fewer threads than the limit bite beyond the fracture (headless: in any fragment) or in the only "
        "fragment.",
    ),
    "no-engagement": (
        "warn",
        "A fragment on the axis is held by neither thread nor head.",
    ),
    "fragment-too-small": (
        "warn",
        "A fragment on the path has room for less than one turn of the thread: nothing can hold it there.",
    ),
    "fragments-overlap": (
        "warn",
        "Two reduced fragments overlap by more than the limit: the reduction, or a surface, is not right.",
    ),
    "threads-bridging": (
        "warn",
        "One thread bites on both sides of the fracture: it keeps the fragments apart.",
    ),
    "threads-bridging-position": (
        "note",
        "A position screw's thread bites on both sides of the fracture, as it is meant to.",
    ),
    "runout-near-fracture": (
        "warn",
        "The run-out, the notch where a screw breaks, lies nearer to a fracture than the limit.",
    ),
    "fracture-oblique": (
        "warn",
        "A screw that is to press meets the fracture farther from square than the limit.",
    ),
    "gliding-hole-narrow": (
        "warn",
        "The gliding drill does not let the thread pass: it bites in the near fragment.",
    ),
    "gliding-hole-through": (
        "warn",
        "The gliding hole runs through the far cortex: no thread is left to hold.",
    ),
    "screw-short-countersunk": (
        "warn",
        "A countersunk lag screw is shorter than the gauge then reads: it does not reach the far cortex.",
    ),
    "gap-not-closed": ("warn", "The two pitches of a headless screw do not close the gap on its axis."),
    "gap-wide": (
        "warn",
        "The fracture gapes by the limit or more under a two-pitch screw: published losses begin there.",
    ),
    "insertion-torque": (
        "warn",
        "Driving it in takes more than half of the regulator's yield torque, even at the interval's low end.",
    ),
    "torque-no-guide": (
        "note",
        "Cutting its thread takes more torque than 80 % of what strips it once seated: torque does not tell "
        "when to stop.",
    ),
    "torque-too-high": (
        "warn",
        "The torque asked for is above what is advised: 80 % of stripping, half of yield.",
    ),
    "compression-too-high": ("warn", "The compression asked for takes more torque than is advised."),
    "bending-over-yield": (
        "warn",
        "The load asked for bends the weakest section beyond yield at the high end of the interval.",
    ),
    "pilot-overdrilled": (
        "warn",
        "The pilot drill is too wide for the thread's core and above 0.79 of the major diameter, where "
        "published tests begin to lose hold.",
    ),
    "pilot-wide": (
        "note",
        "The pilot drill is wider than the thread's core by more than 0.3 of its depth, but at most 0.79 of "
        "the major diameter, up to which no loss of hold was measured.",
    ),
    "screw-short": (
        "note",
        "A longer stocked screw would fit along the axis with this seat, before the exit, the joint and "
        "another bone.",
    ),
    "seat-too-deep": (
        "warn",
        "Less bone lies between seat and exit than the screw's threads and tip need.",
    ),
    "length-not-stocked": ("warn", "The marked length is not stocked for this screw."),
    "axis-leaves-scan": (
        "warn",
        "The path, thread or tip reach the border of the scan, beyond which nothing is known.",
    ),
    "near-metal": (
        "warn",
        "The screw runs through or near metal in its slices, where streaks make surface and density less "
        "certain.",
    ),
    "sharp-kernel": (
        "warn",
        "The scan was made with a sharp kernel: thin bone reads too dense, and forces too high.",
    ),
    "screws-collide": ("stop", "Two screws of the plan run into each other."),
    "screws-close": ("warn", "Two screws of the plan are closer than the limit."),
    "clearance-uncertain": (
        "note",
        "A clearance keeps its limit by the estimate but not by the low end of its interval.",
    ),
    "density-uncalibrated": ("note", "There is no density and no pull-out, only HU."),
    "density-by-default": ("note", "Density comes from a default slope for the tube voltage."),
    "scan-too-coarse": ("warn", "A voxel edge is longer than half of the smallest clearance limit."),
    "entry-moved": ("note", "The given entry point was not on the surface and was moved along the axis."),
    "no-joint-surface": ("note", "Clearance to the joint was not measured: no joint surface was given."),
    "joint-automatic": (
        "note",
        "The joint surface was found automatically, from how the bone faces another; cartilage is not seen.",
    ),
}
"""Every code, its severity and meaning: the documentation prints this table."""
