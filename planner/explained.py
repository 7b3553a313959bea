"""What every number of assessment.json is: its name, definition, formula, source, and what it leaves out.

One entry for each value of a screw, under its path without counts (``fragments.pullout_n``); an interval is
told with the number it belongs to. The numbers that go with an entry are put in by ``explain.py``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from planner.explained_compression import COMPRESSION
from planner.explained_doubt import DOUBT
from planner.explained_drilling import DRILLING
from planner.explained_entry import (
    DENSITY_FORMULA,
    DENSITY_INPUTS,
    LINEAR,
    MEANS_ALONE,
    OF_CLEARANCE,
    OF_LENGTH,
    OURS,
    PLAN,
    SURFACE_ALONE,
    Explained,
)
from planner.explained_hold import HOLD
from planner.explained_site import SITE
from planner.explained_strength import STRENGTH


def _clearance(part: str, surface: str, definition: str) -> Explained:
    return Explained(
        f"{part} to {surface}",
        "mm",
        f"{definition} The smallest signed distance from there to the {surface}, threads at their major "
        "radius: above 0 inside the bone, below 0 where the screw comes out.",
        OURS,
        interval=OF_CLEARANCE,
        not_modelled=SURFACE_ALONE,
    )


LEADING = "The leading end is the tip, its taper and two pitches before it."
TRAILING = "The trailing end is the screw from its head or trailing end to where the body begins."
RIM = "Headless screws only: the trailing rim against the whole outer surface; above 0 it is buried."
BODY = "The body reaches from a depth of major radius + 3 mm to the leading end."
PORTAL = "The outer surface within major radius + 3 mm of the entry does not count."


def _cortex(end: str) -> dict[str, Explained]:
    key = f"{end}_cortex"
    does = "enters" if end == "near" else "leaves"
    length = f"Length on the axis of the cortex where the axis {does}, where its"
    return {
        f"{key}.on_axis_mm": Explained(
            f"{end} cortex on the axis",
            "mm",
            f"{length} thickness was measured: thickness over the cosine between axis and normal.",
            OURS,
            "length = thickness / cos, cos 0.2 at least",
        ),
        f"{key}.on_axis_below_mm": Explained(
            f"{end} cortex on the axis, at most",
            "mm",
            f"{length} thickness is not known: what it is below.",
            OURS,
            "bound = (thickness + 2 sd) / cos, cos 0.2 at least",
        ),
        f"{key}.mass_hu_mm": Explained(
            f"mass of the {end} cortex",
            "HU·mm",
            "HU above the surroundings times thickness, at the surface's nearest point. The blur of a "
            "scan leaves it as it is.",
            OURS,
            "mass = ∫ (HU − HU of the surroundings) dx across the cortex",
        ),
        f"{key}.mass_mg_cm2": Explained(
            f"mineral of the {end} cortex",
            "mg/cm²",
            "The same as mineral for each cm² of surface.",
            OURS,
            "mineral = slope · mass / 10",
            (f"{key}.mass_hu_mm", "bone.calibration.slope_mg_cm3_per_hu"),
        ),
    }


def _profile() -> dict[str, Explained]:
    where = {
        "axis": "on the axis",
        "ring": "mean over the ring, from core to major radius",
        "sleeve": "mean over the sleeve, from major radius to 1 mm beyond",
    }
    found = {}
    for key, words in where.items():
        found[f"profile.{key}.hu"] = Explained(
            f"HU along the path, {key}", "HU", f"HU at each depth, {words}.", LINEAR
        )
        found[f"profile.{key}.density_mg_cm3"] = Explained(
            f"density along the path, {key}",
            "mg/cm³",
            f"Density at each depth, {words}.",
            LINEAR,
            DENSITY_FORMULA,
        )
    return found


EXPLAINED: Mapping[str, Explained] = {
    "length_mm": Explained(
        "length",
        "mm",
        "The length marked on the screw: under its head, overall, or from its trailing end.",
        PLAN,
    ),
    "stocked_length_mm": Explained(
        "nearest stocked length",
        "mm",
        "The length nearest to the planned one that the screw's family is stocked in.",
        "the catalogue of screws",
        inputs=("length_mm",),
    ),
    "seat_depth_mm": Explained(
        "seat depth",
        "mm",
        "Depth of the plane under the head: 0 on the surface, above 0 countersunk, below 0 standing off "
        "as in a plate. Headless: of the trailing end, above 0 buried.",
        PLAN,
    ),
    "bone_length_mm": Explained(
        "bone length",
        "mm",
        "From entry to exit along the axis: what a depth gauge reads. A fracture gap or a marrow cavity "
        "does not end the bone, and another bone beyond does not prolong it.",
        OURS,
        "length = distance from entry to exit",
        ("entry_mm", "exit_mm"),
        OF_LENGTH,
        "Soft tissue on the bone, and how a hook catches.",
    ),
    "entry_mm": Explained(
        "entry point",
        "mm",
        "Where the axis comes into the bone: the crossing of its surface nearest the given entry, before "
        "or behind it. RAS+: to the right, to the front, to the head.",
        OURS,
    ),
    "exit_mm": Explained(
        "exit point", "mm", "The last place where the axis leaves the entered bone, in RAS+.", OURS
    ),
    "tip_mm": Explained(
        "tip", "mm", "The point of the axis at the tip's depth, in RAS+.", OURS, inputs=("tip_depth_mm",)
    ),
    "tip_depth_mm": Explained(
        "tip depth",
        "mm",
        "Depth of the tip from the entry, along the axis.",
        OURS,
        "tip depth = seat depth + length of the screw below that plane",
        ("seat_depth_mm", "length_mm", "entry_mm", "tip_mm"),
    ),
    "gliding_hole_to_mm": Explained(
        "end of the gliding hole",
        "mm",
        "Lag technique: the depth where the whole major circle has left the near fragment, the first one "
        "crossed. No fragment has thread engagement before it.",
        OURS,
        interval=OF_LENGTH,
    ),
    "threads_bridging_mm": Explained(
        "threads bridging the fracture",
        "mm",
        "Engagement in the near fragment of a thread zone that also bites beyond it: it keeps the two apart.",
        OURS,
        "sum of the near fragment's engagement E, over zones that also bite in a fragment beyond",
        ("fragments.threads.zone", "fragments.threads.engagement_mm"),
    ),
    "angles_degree": Explained(
        "angle to a plane of the body",
        "°",
        "Between the axis and the plane: 0 in the plane, 90 square to it.",
        OURS,
        "angle = atan2(way across the plane, way within it)",
        ("entry_mm", "exit_mm"),
    ),
    **HOLD,
    **STRENGTH,
    **COMPRESSION,
    **DRILLING,
    **SITE,
    **DOUBT,
    "fractures.between": Explained(
        "fragments of a fracture", "", "Numbers of the two fragments.", "bone.json"
    ),
    "fractures.depth_mm": Explained(
        "depth of the fracture",
        "mm",
        "Depth at which the axis crosses the fracture's surface, as scanned.",
        OURS,
    ),
    "fractures.angle_degree": Explained(
        "angle to the fracture",
        "°",
        "The true angle in space between the axis and the normal of the fracture's mean plane: 0 square "
        "to the fracture.",
        OURS,
        "angle = arccos |axis · normal|",
    ),
    "fractures.angle_uncertainty_degree": Explained(
        "uncertainty of that angle", "°", "How well the normal of the fracture's mean plane is known.", OURS
    ),
    "fractures.gap_mm.median": Explained(
        "median gap of the fracture", "mm", "Median gap over the fracture's measured surface.", OURS
    ),
    "fractures.gap_mm.at_axis": Explained(
        "gap on the axis", "mm", "Gap of the fracture where the axis crosses it.", OURS
    ),
    "fractures.threads_beyond_count": Explained(
        "threads beyond the fracture",
        "",
        "Full threads that bite beyond the fracture's mean plane, line by line of the ring.",
        OURS,
    ),
    "layers.from_mm": Explained("layer from", "mm", "Depth at which the layer begins.", OURS),
    "layers.to_mm": Explained(
        "layer to",
        "mm",
        "Depth at which the layer ends. A cortex reaches from the surface to the first fall of the ring's "
        "mean below half of its local peak, 6 mm at most; where the surface was refined, as far as its "
        "thickness.",
        OURS,
    ),
    "layers.mean_hu": Explained("mean HU of a layer", "HU", "Mean of the ring's HU in the layer.", LINEAR),
    "layers.mean_density_mg_cm3": Explained(
        "mean density of a layer",
        "mg/cm³",
        "Mean density of the ring in the layer.",
        LINEAR,
        DENSITY_FORMULA,
        DENSITY_INPUTS,
        not_modelled=MEANS_ALONE,
    ),
    "clearance_mm.leading_end.outer": _clearance("leading end", "outer surface", LEADING),
    "clearance_mm.leading_end.joint": _clearance("leading end", "joint surface", LEADING),
    "clearance_mm.trailing_end.outer": _clearance("trailing end", "outer surface", RIM),
    "clearance_mm.trailing_end.joint": _clearance("trailing end", "joint surface", TRAILING),
    "clearance_mm.body.outer": _clearance("body", "outer surface", f"{BODY} {PORTAL}"),
    "clearance_mm.body.joint": _clearance("body", "joint surface", BODY),
    "profile.depth_mm": Explained(
        "depths of the profile", "mm", "Depth of each sample from the entry.", OURS
    ),
    "profile.fragment": Explained(
        "fragment along the path", "", "Fragment on the axis at each depth; 0 where there is none.", OURS
    ),
    **_profile(),
    **_cortex("near"),
    **_cortex("far"),
    "findings.value": Explained(
        "value of a finding", "", "What was held against the limit; the message tells its unit.", OURS
    ),
    "findings.limit": Explained(
        "limit of a finding",
        "",
        "What it was held against; the finding names its source.",
        "the finding's source",
    ),
}
"""Path of a value in a screw, without counts and without ``intervals`` → what it is."""


def explained(path: str) -> Explained | None:
    """The entry of a path within a screw; None where there is none.

    >>> explained("fragments[0].intervals.axis_path_mm.low").name
    'axis path'
    """
    key = re.sub(r"\[\d+\]", "", of_number(path))
    plane = re.fullmatch(r"(angles_degree)\.\w+", key)
    return EXPLAINED.get(plane[1] if plane else key)


def of_number(path: str) -> str:
    """The path of the number that an interval's end belongs to; of a number its own.

    >>> of_number("intervals.clearance_mm.body.outer.low"), of_number("drilling[3].high_mm")
    ('clearance_mm.body.outer', 'drilling[3].reading_mm')
    """
    path = re.sub(r"(^|\.)intervals\.", r"\1", path)
    path = re.sub(r"^(drilling(?:\[\d+\])?)\.(low|high)_mm$", r"\1.reading_mm", path)
    path = re.sub(r"^(pull_out\.factors(?:\[\d+\])?)\.(low|high)$", r"\1.factor", path)
    return re.sub(r"\.(estimate|low|high)$", "", path)
