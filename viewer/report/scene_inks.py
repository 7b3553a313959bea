"""What the picture of the bone is drawn with, and what it asks of the screw in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from planner.solid import Solid
from planner.vocabulary import ScrewResult
from viewer.report.tokens import ALARM, INK, JOINT, PAPER, fragment_ink
from viewer.report.view_frame import ScrewFrame

STEEL, GHOST = "#8E9AA3", "#6C7B83"
"""Metal, and neighbouring bones."""


@dataclass(frozen=True)
class SceneInks:
    """The colours of a picture; ``fragments`` are the first fragments' own, the rest have the report's."""

    ground: str = PAPER
    ink: str = INK
    edge: str = INK
    joint: str = JOINT
    alarm: str = ALARM
    steel: str = STEEL
    ghost: str = GHOST
    fragments: tuple[str, ...] = ()

    def fragment(self, rank: int) -> str:
        """The ink of a bone's fragment by its rank, from 1."""
        return self.fragments[rank - 1] if rank <= len(self.fragments) else fragment_ink(rank).line


ON_PAPER = SceneInks()
"""The report's."""


class Pictured(Protocol):
    """What the picture asks of a screw; ``viewer.report.subject.Subject`` is one."""

    @property
    def result(self) -> ScrewResult:
        """What was measured for it."""

    @property
    def frame(self) -> ScrewFrame:
        """The axes of its pictures."""

    @property
    def solid(self) -> Solid:
        """Its solid of revolution."""

    @property
    def seat_mm(self) -> float:
        """Depth of its datum plane."""

    @property
    def top_depth_mm(self) -> float:
        """Depth of its outermost end."""

    @property
    def exit_depth_mm(self) -> float:
        """Depth of the exit."""

    @property
    def alarm_past_exit(self) -> bool:
        """Whether leaving the far side is something to be warned of."""

    def bitten_at(self, depth_mm: float) -> int:
        """Number of the fragment that holds the thread at a depth, 0 for none."""

    def rank(self, number: int) -> int:
        """Rank of a fragment among its bone's, from 1."""
