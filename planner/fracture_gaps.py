"""Where the axis runs between two fragments: from the end of one to the beginning of the next.

Taken from the fragments' surfaces in the plan's own frame, so it is known on a reduced bone too; the angle
and the gap square to the fracture are known where its surface was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from planner.path import Path
from planner.vocabulary import FractureCrossing


@dataclass(frozen=True)
class Gap:
    """A stretch of the axis between two crossed fragments: depths from the entry.

    ``from_mm`` and ``to_mm`` are equal where the fragments touch. ``crossing`` is the measured fracture.
    """

    between: tuple[int, int]
    from_mm: float
    to_mm: float
    crossing: FractureCrossing | None

    @property
    def middle_mm(self) -> float:
        """Depth of the fracture: where its surface was measured, else half-way."""
        return (self.from_mm + self.to_mm) / 2 if self.crossing is None else self.crossing.depth_mm


def gaps_on_axis(
    path: Path, crossed: Sequence[int], crossings: Sequence[FractureCrossing]
) -> tuple[Gap, ...]:
    """The gaps between fragments that follow each other on the axis, in order."""
    measured = {frozenset(crossing.between): crossing for crossing in crossings}
    found = []
    for near, far in pairwise(crossed):
        begins_mm = float(path.axis[far].within(0.0, path.length_mm).from_mm.min())
        ends = path.axis[near].within(0.0, path.length_mm).to_mm
        # A fragment may be met again beyond the next one: what ends first after it began is the near face.
        before = ends[ends <= begins_mm]
        ends_mm = float(before.max()) if len(before) else begins_mm
        found.append(Gap((near, far), ends_mm, begins_mm, measured.get(frozenset((near, far)))))
    return tuple(found)
