"""What the picture of the scene is made from: the bones, sent once, and a look at them, sent at each change.

Plain values that travel from the server's process to the painter's.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Surface
from viewer.report.camera import Camera
from viewer.report.scene_inks import SceneInks
from viewer.report.view_frame import PosedFragment

LARGEST_PIXELS_COUNT = 16_000_000
"""No picture has more pixels: the page at 2560 × 1440 CSS px and two device pixels has 15 million. Our
choice."""

LIGHT = SceneInks(ground="#F1F3F1")
"""The page's light tokens (the mock's table)."""

DARK = SceneInks(
    ground="#12171C",
    ink="#EDF2F4",
    edge="#97A4AC",
    joint="#D067C2",
    alarm="#FF6F52",
    steel="#B4BEC5",
    ghost="#8A9AA5",
    fragments=("#E3BC79", "#8FB3D6", "#9DBDA4", "#BC9A8A"),
)
"""The page's dark tokens; steel, ghost and the third and fourth fragment are our choice."""


@dataclass(frozen=True, eq=False)
class Bones:
    """All fragments where the plan sees them, and the joint surface."""

    fragments: tuple[PosedFragment, ...]
    joint: Surface | None


@dataclass(frozen=True, eq=False)
class Shot:
    """One look at the bench. ``selected`` is the place of the screw in hand among ``screws``.

    ``hidden`` are names of screws, ``faint`` numbers of fragments; ``own`` names the bone in colour.
    ``pixel_ratio`` is the number of device pixels per CSS px.
    """

    number: int
    camera: Camera
    screws: tuple[ScrewResult, ...]
    selected: int
    own: str
    hidden: frozenset[str]
    faint: frozenset[int]
    neighbours: bool
    pixel_ratio: float
    dark: bool
    moving: bool

    @property
    def size_px(self) -> tuple[int, int]:
        """Columns and rows of a picture in the device's own pixels."""
        columns, rows = (size * self.pixel_ratio for size in (self.camera.width_px, self.camera.height_px))
        return max(round(columns), 1), max(round(rows), 1)

    @property
    def inks(self) -> SceneInks:
        """The colours of the page's theme."""
        return DARK if self.dark else LIGHT

    @property
    def shown(self) -> tuple[ScrewResult, ...]:
        """The screws to be drawn, the one in hand first."""
        order = sorted(range(len(self.screws)), key=lambda place: place != self.selected)
        return tuple(
            self.screws[place] for place in order if self.screws[place].placed.name not in self.hidden
        )

    @property
    def in_hand(self) -> ScrewResult | None:
        """The screw in hand, unless it is hidden."""
        shown = self.shown
        taken = self.screws[self.selected] if self.selected < len(self.screws) else None
        return taken if shown and shown[0] is taken else None
