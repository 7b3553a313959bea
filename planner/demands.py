"""What a person asks of the screws beyond the plan: a load to bear, a compression, a torque, weeks to union.

Nothing is asked by default, and nothing is assumed in its place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from segmentation.errors import InputError

LAST_WEEK = 260
"""Longest time to union that is taken. Our choice: five years."""


@dataclass(frozen=True)
class Demands:
    """What is asked of each screw; None where nothing is.

    A load ``bending_n`` across the screw needs its lever ``bending_lever_mm`` (from the weakest section to
    where it acts), and the other way about. Raises InputError for what cannot be asked.
    """

    bending_n: float | None = None
    bending_lever_mm: float | None = None
    compression_n: float | None = None
    torque_n_m: float | None = None
    union_weeks: int | None = None

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if value is not None and not (math.isfinite(value) and value > 0):
                raise InputError(f"{name} must be above 0 and finite (got {value:g}): ask for that")
        if (self.bending_n is None) != (self.bending_lever_mm is None):
            raise InputError("a bending load needs both its force and its lever: give both or neither")
        if self.union_weeks is not None and self.union_weeks > LAST_WEEK:
            raise InputError(f"union_weeks must be at most {LAST_WEEK} (got {self.union_weeks}): give weeks")
