"""What to drill for a screw on its path, step by step, in the order of the hand.

Depths are from the entry on the axis: a gliding hole ends where the whole thread has left the near
fragment, a pilot hole at the exit where the tip reaches it and at the tip where it stays inside. Under a
head the gauge is read after countersinking, from seat to exit; a headless screw's on the surface, to wire
or drill. Drills are those of the catalogue; wires, taps and their order are common practice, from memory. A
self-tapping screw needs no tap: the catalogue does not tell which is.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.interval import Interval
from planner.mechanics_vocabulary import DrillingStep, StepName
from planner.solid import Solid
from planner.vocabulary import PlacedScrew, Thread

WIRES_MM = (0.8, 1.0, 1.1, 1.25, 1.6, 2.0, 2.5, 2.8)
"""Guide wires that are stocked. Common practice, from memory."""

WIRE_PLAY_MM = 0.05
"""A wire runs in a cannula that is wider by at least this. Our choice."""

REACHES_MM = 0.05
"""A tip so near to the exit reaches it. Our choice: below what a gauge reads."""

DEEP_OF_MAJOR_FRACTION = 0.2
"""A thread deeper than this share of its major diameter is a cancellous one. Derived: HA up to 0.18, HB from
0.26."""


@dataclass(frozen=True)
class Depths:
    """Depths on a path that the drilling needs; the intervals where they are known.

    ``near_cortex_to_mm`` is where the near cortex ends, or only at the latest; ``gliding_to_mm`` is None
    without a gliding hole.
    """

    bone_length_mm: float
    tip_mm: float
    near_cortex_to_mm: float
    near_cortex_known: bool = True
    gliding_to_mm: float | None = None
    bone_length: Interval | None = None
    gliding: Interval | None = None

    @property
    def through(self) -> bool:
        """Whether the tip reaches the exit."""
        return self.tip_mm >= self.bone_length_mm - REACHES_MM

    @property
    def pilot_to_mm(self) -> float:
        """Where the pilot hole ends."""
        return self.bone_length_mm if self.through else self.tip_mm


def drilling_plan(placed: PlacedScrew, solid: Solid, depths: Depths) -> tuple[DrillingStep, ...]:
    """The steps for one screw, in order."""
    steps = [_wire(placed, depths)] if placed.screw.cannula_mm > 0 else []
    if depths.gliding_to_mm is not None:
        steps.append(
            _step(
                "gliding hole",
                placed.screw.gliding_mm,
                0.0,
                depths.gliding_to_mm,
                "through the near fragment only, until the whole thread passes freely",
                depths.gliding,
            )
        )
    steps.append(_pilot(placed, depths))
    if wider := _wider(placed, solid, depths):
        steps.append(wider)
    seat_mm = placed.seat_depth_mm
    if placed.screw.head is not None and seat_mm > 0:
        note = "for the head; measure only after it"
        steps.append(_step("countersink", placed.screw.head.diameter_mm, 0.0, seat_mm, note))
    steps += [_gauge(placed, depths), _tap(placed, depths)]
    note = f"{placed.length_mm:g} mm as marked"
    steps.append(
        DrillingStep(
            "screw",
            placed.screw.largest_thread.major_mm,
            seat_mm,
            depths.tip_mm,
            placed.length_mm,
            None,
            None,
            note,
        )
    )
    return tuple(steps)


def _step(
    step: StepName,
    diameter_mm: float | None,
    from_mm: float,
    to_mm: float,
    note: str,
    interval: Interval | None = None,
) -> DrillingStep:
    """A step whose reading is its depth from the surface."""
    if diameter_mm is None:
        note += "; the catalogue names no drill for it"
    low_mm, high_mm = (None, None) if interval is None else (interval.low, interval.high)
    return DrillingStep(step, diameter_mm, from_mm, to_mm, to_mm, low_mm, high_mm, note)


def _wire(placed: PlacedScrew, depths: Depths) -> DrillingStep:
    fits = [wire_mm for wire_mm in WIRES_MM if wire_mm <= placed.screw.cannula_mm - WIRE_PLAY_MM]
    return _step("guide wire", max(fits, default=None), 0.0, depths.tip_mm, "to where the tip will lie")


def _pilot(placed: PlacedScrew, depths: Depths) -> DrillingStep:
    note = "through the far cortex" if depths.through else "to the tip, not through"
    if depths.gliding_to_mm is not None:
        note += ", centred in the gliding hole"
    interval = depths.bone_length if depths.through else None
    start_mm = min(depths.gliding_to_mm or 0.0, depths.pilot_to_mm)
    return _step("pilot hole", placed.screw.pilot_mm, start_mm, depths.pilot_to_mm, note, interval)


def _wider(placed: PlacedScrew, solid: Solid, depths: Depths) -> DrillingStep | None:
    """A hole for what follows the leading thread and is thicker than its pilot hole."""
    screw, seat_mm, pilot_mm = placed.screw, placed.seat_depth_mm, placed.screw.pilot_mm
    if pilot_mm is None or depths.gliding_to_mm is not None:
        return None
    trailing = [zone for zone in solid.zones if zone.thread.at == "trailing_end"]
    if trailing and trailing[0].thread.core_mm > pilot_mm:
        to_mm = seat_mm + trailing[0].to_mm
        return _step("wider hole", trailing[0].thread.core_mm, 0.0, to_mm, "for the trailing thread's core")
    has_shaft = all(zone.thread.length_mm is not None for zone in solid.zones)
    if has_shaft and screw.shaft_mm > pilot_mm:
        diameter_mm = max(screw.shaft_mm, screw.gliding_mm or 0.0)
        note = "for the shaft, near cortex only" + _at_the_latest(depths)
        return _step("wider hole", diameter_mm, 0.0, depths.near_cortex_to_mm, note)
    return None


def _gauge(placed: PlacedScrew, depths: Depths) -> DrillingStep:
    """A depth that can be read there: through the far surface from the seat, else where wire or drill end."""
    seat_mm = placed.seat_depth_mm
    if placed.screw.headless:
        # Nothing holds a gauge at a seat that is drilled by the screw itself.
        over = "over the wire" if placed.screw.cannula_mm > 0 else "by the drill"
        note = f"{over}, from the bone's surface: the screw and its seat together"
        return DrillingStep("gauge", None, 0.0, depths.tip_mm, depths.tip_mm, None, None, note)
    if not depths.through:
        reading_mm = depths.tip_mm - seat_mm
        note = "blind hole: no hook holds; length by the drill, from the seat"
        return DrillingStep("gauge", None, seat_mm, depths.tip_mm, reading_mm, None, None, note)
    exit_mm, told = depths.bone_length_mm, depths.bone_length
    low_mm, high_mm = (None, None) if told is None else (told.low - seat_mm, told.high - seat_mm)
    note = "from the seat to the far surface"
    return DrillingStep("gauge", None, seat_mm, exit_mm, exit_mm - seat_mm, low_mm, high_mm, note)


def _tap(placed: PlacedScrew, depths: Depths) -> DrillingStep:
    thread = placed.screw.largest_thread
    start_mm = depths.gliding_to_mm or 0.0
    if thread.profile == "symmetrical":
        return DrillingStep("tap", None, 0.0, 0.0, 0.0, None, None, "none: such threads cut their own way")
    if _cancellous(thread):
        note = "near cortex only, none where the bone is soft" + _at_the_latest(depths)
        return _step("tap", thread.major_mm, 0.0, depths.near_cortex_to_mm, note)
    start_mm = min(start_mm, depths.pilot_to_mm)
    return _step("tap", thread.major_mm, start_mm, depths.pilot_to_mm, "unless the screw is self-tapping")


def _at_the_latest(depths: Depths) -> str:
    return "" if depths.near_cortex_known else "; the cortex was not measured: it ends here at the latest"


def _cancellous(thread: Thread) -> bool:
    return thread.length_mm is not None or thread.depth_mm / thread.major_mm > DEEP_OF_MAJOR_FRACTION
