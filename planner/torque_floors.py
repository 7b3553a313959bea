"""Two floors on a screw's torque that are never mixed: the standard's least *breaking* torque and the
regulator's least *yield* torque.

The standard's is told for its own coded sizes only; between two codes nothing is interpolated. The
regulator's is for any alloy, and a diameter that is not in its table takes the next larger row. Insertion and
removal must not ask more than half of the yield torque. Neither floor says when this screw breaks: deep
threads have large root fillets, and bare root diameters under-predict them by far.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.vocabulary import Screw

BREAKING_FLOORS = {
    ("ha", 1.5): (0.2, 150.0),
    ("ha", 2.0): (0.35, 150.0),
    ("ha", 2.7): (1.0, 180.0),
    ("ha", 3.5): (2.3, 180.0),
    ("ha", 4.0): (4.0, 180.0),
    ("ha", 4.5): (4.4, 180.0),
    ("ha", 5.0): (5.5, 180.0),
    ("hb", 4.0): (1.3, 90.0),
    ("hb", 6.5): (6.2, 90.0),
}
"""Least breaking torque in N·m and least rotation in degrees by thread code and major diameter. ISO
6475:1989 annex A, stainless steel to ISO 5832-1 (from memory)."""

YIELD_FLOORS = (
    (1.5, 0.16),
    (2.0, 0.35),
    (2.5, 0.60),
    (2.7, 1.0),
    (3.0, 1.0),
    (3.5, 2.1),
    (4.0, 2.3),
    (4.5, 3.5),
    (5.0, 4.3),
    (5.5, 5.9),
    (6.0, 9.5),
)
"""Least yield torque in N·m by nominal diameter in mm, any alloy. Published: FDA-2019-D-1652 §III.1, 22 Nov
2024 (read in full)."""

INSERTION_OF_YIELD_FRACTION = 0.5
"""Insertion and removal torque may reach this share of yield. Published: FDA-2019-D-1652 §III.2 (read)."""


@dataclass(frozen=True)
class Floors:
    """The floors of a screw; None where a table has no row for it. ``yield_row_mm`` is the row taken."""

    breaking_n_m: float | None
    breaking_rotation_degree: float | None
    yield_n_m: float | None
    yield_row_mm: float | None

    @property
    def insertion_n_m(self) -> float | None:
        """What insertion may ask: half of the yield floor."""
        return None if self.yield_n_m is None else INSERTION_OF_YIELD_FRACTION * self.yield_n_m


def floors(screw: Screw) -> Floors:
    """Both floors of ``screw``, by its thread nearest to the tip."""
    code = _code(screw)
    breaking = BREAKING_FLOORS.get(code) if code else None
    row = yield_row(min(thread.major_mm for thread in screw.threads))
    return Floors(*(breaking or (None, None)), *((row[1], row[0]) if row else (None, None)))


def yield_row(major_mm: float) -> tuple[float, float] | None:
    """Diameter and yield torque of the regulator's row for a diameter: its own or the next larger; None above
    the last."""
    return next((row for row in YIELD_FLOORS if row[0] >= major_mm), None)


def _code(screw: Screw) -> tuple[str, float] | None:
    """The standard's code of a solid steel screw named by it."""
    name, major_mm = screw.name, screw.largest_thread.major_mm
    coded = name.startswith("iso5835-") and screw.cannula_mm == 0 and screw.material == "stainless steel"
    return (name.split("-")[1], major_mm) if coded else None
