"""One row of a laboratory's table: a screw, what held it, and what was measured.

The columns are those of ``published_pullouts.csv``. What a cell does not tell is None.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from planner.vocabulary import Interval

Quantity = Literal[
    "pull-out",
    "pull-out per mm",
    "insertion torque",
    "stripping torque",
    "stopping torque",
    "compression",
    "breaking force",
]

QUANTITY_WORDS: tuple[tuple[str, Quantity], ...] = (
    ("pullout n per mm", "pull-out per mm"),
    ("pullout", "pull-out"),
    ("pull-out", "pull-out"),
    ("insertion torque", "insertion torque"),
    ("strip", "stripping torque"),
    ("stopping torque", "stopping torque"),
    ("compression", "compression"),
    ("tensile breaking", "breaking force"),
)
"""What a cell of ``quantity`` begins with or holds, first match first."""

TORQUES: frozenset[Quantity] = frozenset({"insertion torque", "stripping torque", "stopping torque"})


@dataclass(frozen=True)
class LabRow:
    """One measurement. ``measured`` is in N, N per mm or N·m as ``quantity_words`` say.

    ``host_density_g_cm3`` is the foam's own density, or of bone the density its ``note`` names.
    ``host_shear_mpa`` is a shear strength the laboratory gives itself. ``not_understood`` are cells that hold
    words where a number was meant.
    """

    key: str
    source: str
    screw_kind: str
    host_name: str
    quantity_words: str
    major_mm: float | None = None
    core_mm: float | None = None
    pitch_mm: float | None = None
    thread_depth_mm: float | None = None
    engaged_mm: float | None = None
    host_density_g_cm3: float | None = None
    host_shear_mpa: Interval | None = None
    cortex_mm: float | None = None
    pilot_mm: float | None = None
    tapped: bool | None = None
    measured: float | None = None
    read_or_memory: str = ""
    note: str = ""
    not_understood: tuple[str, ...] = ()

    @property
    def quantity(self) -> Quantity | None:
        """What was measured; None for what is not predicted here."""
        words = self.quantity_words.lower()
        return next((quantity for said, quantity in QUANTITY_WORDS if said in words), None)

    @property
    def is_torque(self) -> bool:
        """Whether the measurement is in N·m."""
        return "n.m" in self.quantity_words.lower() or self.quantity in TORQUES
