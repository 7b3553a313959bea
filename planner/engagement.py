"""How much of a screw's thread bites in each fragment, and where a gliding hole keeps it from biting.

Engagement is the integral over the full-profile threads of f(s), the share of the ring between core and major
radius that lies in the fragment at depth s: here the mean, over lines spread evenly over the ring, of their
length inside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.mesh import Stretches
from planner.path import RING_COUNT, Path
from planner.vocabulary import Thread


@dataclass(frozen=True, eq=False)
class Bite:
    """The full-profile thread of one zone that lies in one fragment: the ring's and the fringe's lines where
    they do."""

    thread: Thread
    zone: int
    stretches: Stretches
    fringe: Stretches

    @property
    def engagement_mm(self) -> float:
        """Mean length over the ring's lines."""
        return float((self.stretches.to_mm - self.stretches.from_mm).sum() / RING_COUNT)


def gliding_hole_to_mm(path: Path, near_fragment: int) -> float | None:
    """Depth to which a lag screw's gliding hole is drilled; None for another technique."""
    if path.placed.technique != "lag" or path.placed.screw.headless:
        return None
    return left_around_mm(path, near_fragment)


def left_around_mm(path: Path, near_fragment: int) -> float:
    """Depth where the whole major circle has left the near fragment, the first one crossed."""
    on_axis = path.axis[near_fragment].within(0.0, path.length_mm).of_line(0)
    first_exit = float(on_axis[:, 1].min())
    rim = path.rim[near_fragment]
    # The near fragment may be met again farther on; only what begins before the axis leaves it is near.
    begun = (rim.from_mm < first_exit) & (rim.to_mm > 0)
    return float(max(rim.to_mm[begun].max(initial=first_exit), first_exit))


def bites(path: Path, fragment: int, gliding_to_mm: float | None) -> list[Bite]:
    """The thread in ``fragment``, zone by zone, beyond the gliding hole."""
    result = []
    for index, zone in enumerate(path.solid.zones):
        low, high = path.zone_depths_mm(zone)
        if gliding_to_mm is not None:
            low = max(low, gliding_to_mm)
        ring, fringe = path.ring[fragment][index], path.fringe[fragment][index]
        result.append(Bite(zone.thread, index, ring.within(low, high), fringe.within(low, high)))
    return result


def threads_engaged(of: list[Bite]) -> float:
    """Threads that bite: engagement over pitch, zone by zone."""
    return sum(bite.engagement_mm / bite.thread.pitch_mm for bite in of)
