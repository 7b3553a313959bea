"""Where along the screw a finding lies, so that the depth cursor and the dial can go there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from planner.assess import ReadyBone
from planner.clearance import clearances
from planner.path import trace
from planner.vocabulary import ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Floats


def _tip_mm(result: ScrewResult) -> float | None:
    return result.tip_depth_mm


def _seat_mm(result: ScrewResult) -> float | None:
    return result.placed.seat_depth_mm


def _entry_mm(_result: ScrewResult) -> float | None:
    return 0.0


def _fracture_mm(result: ScrewResult) -> float | None:
    return result.fractures[0].depth_mm if result.fractures else None


def _weakest_mm(result: ScrewResult) -> float | None:
    weakest = None if result.strength is None else result.strength.weakest
    return None if weakest is None else (weakest.from_mm + weakest.to_mm) / 2


DEPTHS: dict[str, Callable[[ScrewResult], float | None]] = {
    "tip-outside": _tip_mm,
    "ends-in-fracture": _tip_mm,
    "tip-through-far-cortex": _tip_mm,
    "tip-in-other-bone": _tip_mm,
    "screw-short": _tip_mm,
    "way-blocked": _entry_mm,
    "entry-moved": _entry_mm,
    "trailing-end-proud": _seat_mm,
    "head-proud": _seat_mm,
    "threads-bridging": _fracture_mm,
    "threads-bridging-position": _fracture_mm,
    "fracture-oblique": _fracture_mm,
    "gap-not-closed": _fracture_mm,
    "gap-wide": _fracture_mm,
    "few-threads": _fracture_mm,
    "runout-near-fracture": _fracture_mm,
    "bending-over-yield": _weakest_mm,
}
"""Finding → the depth at which it lies."""

NEAREST: dict[str, tuple[str, tuple[str, ...]]] = {
    "joint-penetrated": ("joint", ("leading_end", "body", "trailing_end")),
    "clearance-joint": ("joint", ("leading_end", "body", "trailing_end")),
    "body-outside": ("outer", ("body",)),
    "clearance-body": ("outer", ("body",)),
    "leading-end-outside": ("outer", ("leading_end",)),
    "clearance-leading-end": ("outer", ("leading_end",)),
    "clearance-trailing-end": ("outer", ("trailing_end",)),
}
"""Finding → the surface and the parts of the screw: it lies where they come nearest to each other."""


def has_place(code: str, result: ScrewResult) -> bool:
    """Whether a finding lies at one place of the screw."""
    return code in NEAREST or (code in DEPTHS and DEPTHS[code](result) is not None)


def place_of(code: str, bone: ReadyBone, result: ScrewResult) -> tuple[float, Floats | None]:
    """Depth in mm, and the unit direction (3,) across the axis towards the place; None where it lies all
    round.

    Raises InputError for a finding without one place.
    """
    if code in NEAREST:
        surface, parts = NEAREST[code]
        found, _ = clearances(bone.prepared, trace(bone.prepared, result.placed))
        places = [near for part in parts if (near := getattr(found[part], surface)) is not None]
        if places:
            least = min(places, key=lambda near: float(near.distance_mm))
            from_entry_mm = least.on_screw_mm - result.entry_mm
            depth_mm = float(from_entry_mm @ result.direction)
            across_mm = from_entry_mm - depth_mm * result.direction
            size_mm = float(np.linalg.norm(across_mm))
            return depth_mm, None if size_mm < np.finfo(float).eps else across_mm / size_mm
    at_mm = DEPTHS[code](result) if code in DEPTHS else None
    if at_mm is None:
        raise InputError("that finding lies at no one place of the screw")
    return at_mm, None
