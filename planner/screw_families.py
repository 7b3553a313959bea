"""The built-in screw families: generic geometry by code, none of them a particular product.

Thread diameters, pitches and head diameters of the ``iso5835`` families are those of ISO 5835:1991 (also
ASTM F543 annex A5: HA shallow, HB deep asymmetrical thread), from memory, except core 2.4 of HA 3.5 and core
3.0 of HB 6.5, which agree with read sources. Tolerance on both diameters 0 … −0.15 mm (0 … −0.10 at 1.5 and
2.0). The other families have no dimensional standard: their numbers are our choice within common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from planner.vocabulary import Head, Screw, Thread

ISO5835 = (
    "thread and head diameter: ISO 5835:1991 and ASTM F543 annex A5 (from memory); "
    "other lengths, drills: common practice"
)
OUR_GEOMETRY = "no dimensional standard: geometry is our choice within common practice"

HA_ROWS = (
    # major, core, pitch, head diameter, head height, pilot, gliding
    (1.5, 1.1, 0.50, 3.0, 1.6, 1.1, 1.5),
    (2.0, 1.3, 0.60, 4.0, 1.9, 1.5, 2.0),
    (2.7, 1.9, 1.00, 5.0, 2.3, 2.0, 2.7),
    (3.5, 2.4, 1.25, 6.0, 2.6, 2.5, 3.5),
    (4.0, 2.9, 1.50, 6.0, 2.6, 3.0, 4.0),
    (4.5, 3.0, 1.75, 8.0, 4.6, 3.2, 4.5),
    (5.0, 3.5, 1.75, 8.0, 4.6, 3.6, 5.0),
)
"""Cortical screws, mm. Published: ISO 5835:1991 (from memory). Head heights and drills: common practice, from
memory; the pilot drills of 4.0 and 5.0 are our choice (core + 0.1)."""

HA_LENGTHS_MM = {
    1.5: ((6, 20, 1),),
    2.0: ((6, 20, 1), (22, 38, 2)),
    2.7: ((6, 50, 2), (55, 60, 5)),
    3.5: ((10, 50, 2), (55, 110, 5)),
    4.0: ((14, 50, 2), (55, 90, 5)),
    4.5: ((14, 70, 2), (75, 120, 5)),
    5.0: ((14, 70, 2), (75, 120, 5)),
}
"""Stocked lengths by major diameter as (first, last, step), mm. Common practice."""

HEAD_6 = Head(6.0, 2.6, "hemisphere")
"""Head of the 3.5 and 4.0 mm standard screws: diameter ISO 5835:1991, height, both from memory."""

HEAD_8 = Head(8.0, 4.6, "hemisphere")
"""Head of the 4.5 to 6.5 mm standard screws: diameter ISO 5835:1991, height, both from memory."""


def all_families() -> Iterator[Screw]:
    """Every built-in family, in the order a list should show them."""
    yield from _cortical()
    yield from _cancellous()
    yield from _cannulated()
    yield from _headless()
    yield from _locking()


def _steps_mm(*runs: tuple[int, int, int]) -> tuple[float, ...]:
    return tuple(float(n) for first, last, step in runs for n in range(first, last + 1, step))


def _cortical() -> Iterator[Screw]:
    for major_mm, core_mm, pitch_mm, head_mm, height_mm, pilot_mm, gliding_mm in HA_ROWS:
        yield Screw(
            name=f"iso5835-ha-{major_mm}",
            title=f"Cortical screw {major_mm} mm, fully threaded, shallow asymmetrical thread HA {major_mm}",
            threads=(Thread("tip", None, major_mm, core_mm, pitch_mm, "asymmetrical"),),
            shaft_mm=core_mm,
            stocked_lengths_mm=_steps_mm(*HA_LENGTHS_MM[major_mm]),
            length_datum="under_head",
            source=ISO5835,
            head=Head(head_mm, height_mm, "hemisphere"),
            pilot_mm=pilot_mm,
            gliding_mm=gliding_mm,
        )


def _cancellous() -> Iterator[Screw]:
    hb_4 = Thread("tip", None, 4.0, 1.9, 1.75, "asymmetrical")
    small = Screw(
        name="iso5835-hb-4.0",
        title="Cancellous screw 4.0 mm, fully threaded, deep asymmetrical thread HB 4.0",
        threads=(hb_4,),
        shaft_mm=1.9,
        stocked_lengths_mm=_steps_mm((10, 30, 2), (35, 60, 5)),
        length_datum="under_head",
        source=ISO5835,
        head=HEAD_6,
        pilot_mm=2.5,
        gliding_mm=4.0,
    )
    yield small
    yield replace(
        small,
        name="iso5835-hb-4.0-partial",
        title="Cancellous screw 4.0 mm, 16 mm thread, deep asymmetrical thread HB 4.0",
        threads=(replace(hb_4, length_mm=16.0),),
        shaft_mm=2.4,
        stocked_lengths_mm=_steps_mm((20, 30, 2), (35, 70, 5)),
        source=f"{ISO5835}; thread length, shaft: common practice, from memory",
    )
    hb_6_5 = Thread("tip", None, 6.5, 3.0, 2.75, "asymmetrical")
    large = replace(
        small,
        name="iso5835-hb-6.5",
        title="Cancellous screw 6.5 mm, fully threaded, deep asymmetrical thread HB 6.5",
        threads=(hb_6_5,),
        shaft_mm=3.0,
        stocked_lengths_mm=_steps_mm((20, 120, 5)),
        head=HEAD_8,
        pilot_mm=3.2,
        gliding_mm=6.5,
    )
    yield large
    for thread_mm, first in ((16.0, 30), (32.0, 45)):
        yield replace(
            large,
            name=f"iso5835-hb-6.5-{thread_mm:g}",
            title=f"Cancellous screw 6.5 mm, {thread_mm:g} mm thread, deep asymmetrical thread HB 6.5",
            threads=(replace(hb_6_5, length_mm=thread_mm),),
            shaft_mm=4.5,
            stocked_lengths_mm=_steps_mm((first, 120, 5)),
            source=f"{ISO5835}; thread lengths 16 and 32, shaft 4.5: common practice, read",
            gliding_mm=4.5,
        )


def _cannulated() -> Iterator[Screw]:
    small = Screw(
        name="cannulated-4.0-partial",
        title="Cannulated cancellous screw 4.0 mm, 16 mm thread, over a 1.25 mm guide wire",
        threads=(Thread("tip", 16.0, 4.0, 2.6, 1.75, "asymmetrical"),),
        shaft_mm=2.7,
        stocked_lengths_mm=_steps_mm((20, 50, 2), (55, 70, 5)),
        length_datum="under_head",
        source=f"{OUR_GEOMETRY}; guide wire: common practice",
        head=HEAD_6,
        cannula_mm=1.35,
        material="titanium alloy",
        pilot_mm=2.7,
        gliding_mm=4.0,
    )
    yield small
    yield replace(
        small,
        name="cannulated-4.5-partial",
        title="Cannulated cancellous screw 4.5 mm, 16 mm thread, over a 1.6 mm guide wire",
        threads=(Thread("tip", 16.0, 4.5, 3.0, 1.75, "asymmetrical"),),
        shaft_mm=3.1,
        stocked_lengths_mm=_steps_mm((20, 50, 2), (55, 80, 5)),
        head=Head(6.5, 3.0, "hemisphere"),
        cannula_mm=1.7,
        pilot_mm=3.2,
        gliding_mm=4.5,
    )
    for thread_mm, first in ((16.0, 30), (32.0, 45)):
        yield replace(
            small,
            name=f"cannulated-7.0-{thread_mm:g}",
            title=f"Cannulated cancellous screw 7.0 mm, {thread_mm:g} mm thread, over a 2.0 mm guide wire",
            threads=(Thread("tip", thread_mm, 7.0, 4.5, 2.75, "asymmetrical"),),
            shaft_mm=4.8,
            stocked_lengths_mm=_steps_mm((first, 130, 5)),
            head=Head(8.5, 4.6, "hemisphere"),
            cannula_mm=2.2,
            pilot_mm=4.5,
            gliding_mm=5.0,
        )


def _headless() -> Iterator[Screw]:
    small = Screw(
        name="headless-two-pitch-2.2-2.8",
        title="Headless two-pitch screw, leading thread 2.2 mm, trailing thread 2.8 mm",
        threads=(
            Thread("tip", 6.0, 2.2, 1.5, 0.95, "symmetrical"),
            Thread("trailing_end", 4.0, 2.8, 2.1, 0.75, "symmetrical"),
        ),
        shaft_mm=1.5,
        stocked_lengths_mm=_steps_mm((10, 30, 1)),
        length_datum="trailing_end",
        source=f"{OUR_GEOMETRY}; the tip taper is given because these tips are short (common practice)",
        tip_taper_mm=1.1,
        cannula_mm=0.9,
        material="titanium alloy",
        pilot_mm=1.6,
    )
    yield small
    yield replace(
        small,
        name="headless-two-pitch-3.0-3.9",
        title="Headless two-pitch screw, leading thread 3.0 mm, trailing thread 3.9 mm",
        threads=(
            Thread("tip", 8.0, 3.0, 2.0, 1.25, "symmetrical"),
            Thread("trailing_end", 5.0, 3.9, 2.9, 1.0, "symmetrical"),
        ),
        shaft_mm=2.0,
        stocked_lengths_mm=_steps_mm((14, 34, 1)),
        tip_taper_mm=1.5,
        cannula_mm=1.1,
        pilot_mm=2.1,
    )
    yield replace(
        small,
        name="headless-two-pitch-4.0-5.0",
        title="Headless two-pitch screw, leading thread 4.0 mm, trailing thread 5.0 mm",
        threads=(
            Thread("tip", 11.0, 4.0, 2.7, 1.5, "symmetrical"),
            Thread("trailing_end", 7.0, 5.0, 3.8, 1.25, "symmetrical"),
        ),
        shaft_mm=2.7,
        stocked_lengths_mm=_steps_mm((20, 50, 2)),
        tip_taper_mm=2.0,
        cannula_mm=1.35,
        pilot_mm=2.8,
    )


def _locking() -> Iterator[Screw]:
    rows = (
        # major, core, pitch, head diameter, head height, pilot, stocked lengths
        (2.7, 2.0, 0.8, 4.0, 2.0, 2.0, _steps_mm((8, 40, 2), (45, 60, 5))),
        (3.5, 2.8, 0.8, 5.0, 2.4, 2.8, _steps_mm((10, 50, 2), (55, 90, 5))),
        (5.0, 4.3, 1.0, 6.5, 3.2, 4.3, _steps_mm((14, 50, 2), (55, 100, 5))),
    )
    for major_mm, core_mm, pitch_mm, head_mm, height_mm, pilot_mm, lengths_mm in rows:
        yield Screw(
            name=f"locking-{major_mm}",
            title=f"Locking screw {major_mm} mm, fully threaded, shallow fine thread, head for a plate",
            threads=(Thread("tip", None, major_mm, core_mm, pitch_mm, "symmetrical"),),
            shaft_mm=core_mm,
            stocked_lengths_mm=lengths_mm,
            length_datum="under_head",
            source=f"{OUR_GEOMETRY}: a thick core, about the pilot drill",
            head=Head(head_mm, height_mm, "locking"),
            material="titanium alloy",
            pilot_mm=pilot_mm,
        )
