"""What is said of the numbers of the drilling, and of tip and apex."""

from __future__ import annotations

from collections.abc import Mapping

from planner.explained_entry import COMMON, OF_LENGTH, OURS, Explained

STEPS = f"{COMMON}, from memory; drills: the catalogue of screws"
BAUMGAERTNER = "Baumgaertner et al. 1995 J Bone Joint Surg Am 77:1058 (read)"
OF_PICTURE = (
    "without magnification. The apex is where a line through the ball's middle, parallel to the screw, meets "
    "the joint."
)

DRILLING: Mapping[str, Explained] = {
    "drilling.diameter_mm": Explained(
        "diameter of a step",
        "mm",
        "Drill, wire, countersink or tap; of the screw its largest thread.",
        STEPS,
        not_modelled="That a screw cuts its own thread: the catalogue does not tell which. Then leave the "
        "tap out.",
    ),
    "drilling.from_mm": Explained("step from", "mm", "Depth from the entry at which the step begins.", STEPS),
    "drilling.to_mm": Explained(
        "step to",
        "mm",
        "Depth from the entry at which the step ends. A gliding hole ends where the whole thread has left "
        "the near fragment, a pilot hole at the exit or at a tip that stays inside.",
        f"{OURS}; {STEPS}",
        inputs=("bone_length_mm", "tip_depth_mm", "gliding_hole_to_mm"),
    ),
    "drilling.reading_mm": Explained(
        "reading of a step",
        "mm",
        "What stands on drill, gauge or screw: a drill's depth from the surface, the gauge's from the seat "
        "to the exit (to the tip of a blind hole), read after countersinking; the screw's length as marked.",
        f"{OURS}; {STEPS}",
        "gauge: to − from; drills: to",
        ("from_mm", "to_mm"),
        OF_LENGTH,
        "Soft tissue on the bone, and how a hook catches.",
    ),
    "tip_apex.distance_mm": Explained(
        "tip–apex distance",
        "mm",
        "The sum of what a frontal and a lateral picture show, in a joint that is a ball within 1 mm. It "
        "is not the distance in space. Up to 25 mm no femoral head of 120 was cut through; of other joints "
        "that limit says nothing.",
        BAUMGAERTNER,
        "distance = frontal + lateral",
        ("frontal_mm", "lateral_mm"),
        not_modelled="Pictures of another direction than the body's own.",
    ),
    "tip_apex.frontal_mm": Explained(
        "tip to apex, frontal",
        "mm",
        f"As a picture along the body's front-to-back axis shows it, {OF_PICTURE}",
        BAUMGAERTNER,
        "√(to the side² + to the head²)",
        ("tip_mm", "tip_apex.apex_mm"),
    ),
    "tip_apex.lateral_mm": Explained(
        "tip to apex, lateral",
        "mm",
        f"As a picture along the body's side-to-side axis shows it, {OF_PICTURE}",
        BAUMGAERTNER,
        "√(to the front² + to the head²)",
        ("tip_mm", "tip_apex.apex_mm"),
        not_modelled="A turned neck: a true lateral of the hip looks along the body's side only without it.",
    ),
    "tip_apex.straight_mm": Explained(
        "tip to apex, straight",
        "mm",
        "The distance in space, which the published limit is not about.",
        OURS,
        "√(to the side² + to the front² + to the head²)",
        ("tip_mm", "tip_apex.apex_mm"),
    ),
    "tip_apex.apex_mm": Explained(
        "apex",
        "mm",
        "Where a line through the ball's middle, parallel to the screw, meets the joint, in RAS+.",
        OURS,
    ),
    "tip_apex.ball_radius_mm": Explained(
        "radius of the joint's ball",
        "mm",
        "Of the ball that fits the joint surface; a surface that misses it by more than 1 mm has none.",
        "linear least squares (mathematics); the 1 mm: our choice",
    ),
}
"""Path without counts → what it is."""
