"""The limits a screw is held against, each with where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from planner.vocabulary import Screw
from segmentation.vocabulary import STREAK_REACH_MM


@dataclass(frozen=True)
class Limits:
    """Limits of a site. Findings are told against them; a plan may be assessed with others."""

    joint_clearance_mm: float = 2.0
    """Screw to joint surface. Common practice at wrist and elbow (Slade's 2 mm at each end: from memory)."""

    leading_end_clearance_mm: float = 2.0
    """Leading end to outer surface, headless screws. Common practice (length rule: axis less 4 mm)."""

    body_clearance_mm: float = 1.0
    """Body to outer surface. Our choice: about the surface error of a good CT (0.2–0.8 mm published) with a
    margin."""

    trailing_end_buried_mm: float = 1.0
    """Headless trailing rim below the surface. Common practice (1–2 mm below cartilage: from memory)."""

    threads_beyond_fracture_count: float = 3.0
    """Full threads in each fragment beyond the first. Common practice: three at least, five wanted."""

    tip_through_far_cortex_mm: float = 2.0
    """How far a headed screw's tip may leave the far cortex. Common practice: about 2 mm, so that full
    threads reach it."""

    head_proud_mm: float = 0.5
    """How far a head without a plate may stand off. Our choice: the surface's own uncertainty."""

    between_screws_mm: float = 1.0
    """Between two screws. Our choice: the error of drilling by hand is larger still."""

    entry_moved_mm: float = 1.0
    """A given entry point farther than this from the surface is told. Our choice."""

    in_the_way_mm: float = 0.5
    """Bone on the axis behind the entry, in the screw's way. Our choice: the surface's own uncertainty."""

    near_metal_mm: float = STREAK_REACH_MM
    """Screw to metal within its slices, where streaks lie. Our choice: they fade within a few cm (common
    practice)."""

    fragments_overlap_mm: float = 0.6
    """Mean depth to which two reduced fragments may overlap; times their shared area, the limit in mm³. Our
    choice: surfaces at a plain grey level lie up to 0.3 mm too far out."""

    room_for_threads_count: float = 1.0
    """Turns of thread that a fragment on the path must have room for. Our choice: less than one turn holds
    nothing."""

    runout_from_fracture_mm: float = 3.0
    """Run-out to fracture. Our choice: about a small screw's diameter; bending is greatest at a fracture."""

    fracture_angle_degree: float = 10.0
    """Off square to the fracture, for a screw that presses. Published: no difference above 80° to the plane,
    less force below (Swanstrom et al. 2017)."""

    two_pitch_gap_mm: float = 1.5
    """Gap under a two-pitch screw. Published: no significant loss at 1.0 mm, a significant one from 1.5 (Tan
    et al. 2018)."""

    @property
    def smallest_clearance_mm(self) -> float:
        """The smallest limit that the scan has to resolve."""
        return min(
            self.joint_clearance_mm,
            self.leading_end_clearance_mm,
            self.body_clearance_mm,
            self.trailing_end_buried_mm,
        )


LIMIT_SOURCES: Mapping[str, str] = {
    "joint_clearance_mm": "Common practice at wrist and elbow",
    "leading_end_clearance_mm": "Common practice",
    "body_clearance_mm": "Our choice: about the surface error of a good CT",
    "trailing_end_buried_mm": "Common practice",
    "threads_beyond_fracture_count": "Common practice: three at least, five wanted",
    "tip_through_far_cortex_mm": "Common practice",
    "fracture_angle_degree": "Published: no difference above 80° to the plane, less force below (Swanstrom "
    "et al. 2017)",
    "two_pitch_gap_mm": "Published: no significant loss at 1.0 mm, a significant one from 1.5 (Tan et al. "
    "2018)",
}
"""Where the usual value comes from, in a few words, of each limit that a report holds a screw against; the
full words stand above."""


def tip_room_mm(screw: Screw, limits: Limits) -> float:
    """How far beyond the exit the tip may lie on the axis: negative where it must stay inside."""
    return -limits.leading_end_clearance_mm if screw.headless else limits.tip_through_far_cortex_mm
