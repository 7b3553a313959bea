"""What a person asks of the screws and of their report on the command line, from words to values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from segmentation.errors import InputError

if TYPE_CHECKING:
    from planner.asked import Asked
    from planner.compare import Wanted
    from planner.demands import Demands
    from planner.doubt_vocabulary import PlacementName
    from viewer.report.fluoroscopy import Landmark
    from viewer.report.fluoroscopy_page import Fluoroscopy

COMPARED_HOW: PlacementName = "freehand"
"""How screws that are compared are placed where nobody says."""

MOST_PROJECTIONS_COUNT, MOST_LANDMARKS_COUNT = 8, 20
"""More pages, or crosses on a picture, than these help nobody. Our choice."""


def asked_of(
    load: str | None,
    compression_n: float | None,
    torque_n_m: float | None,
    union_weeks: int | None,
    site: str | None,
    doubt: PlacementName | None,
    draws_count: int,
    seed: int,
) -> Asked:
    """All that may be asked of the screws beyond the plan: demands, ``--site``, and ``--doubt`` with
    ``--draws`` and ``--seed``.

    Raises InputError for what cannot be asked or drawn, and for a site that is not known or not right.
    """
    from planner.asked import Asked
    from planner.doubt import check
    from planner.doubt_vocabulary import AskedDoubt
    from planner.site_file import read_site

    demands = demands_of(load, compression_n, torque_n_m, union_weeks)
    drawn = None if doubt is None else AskedDoubt(doubt, draws_count, seed)
    if drawn is not None:
        check(drawn)
    return Asked(demands, None if site is None else read_site(site), drawn)


def compared_of(
    compare: bool,
    path: str | None,
    screws: Sequence[str],
    lengths_mm: Sequence[float],
    techniques: Sequence[str],
) -> Wanted | None:
    """The variants that a report sets side by side; None without ``--compare``.

    Raises InputError for a technique that is not known, and for variants without ``--compare``.
    """
    from planner.compare import Wanted, techniques_of

    if not compare and (path is not None or screws or lengths_mm or techniques):
        raise InputError(
            "--path, --screw, --length and --technique say what a report compares; give --compare with them"
        )
    return Wanted(screws, lengths_mm, techniques_of(techniques), path) if compare else None


def demands_of(
    load: str | None, compression_n: float | None, torque_n_m: float | None, union_weeks: int | None
) -> Demands:
    """The demands in ``--load N,MM``, ``--compression``, ``--torque`` and ``--union-weeks``.

    Raises InputError for a load that is not two numbers, and for what cannot be asked.
    """
    from planner.demands import Demands

    force_n = lever_mm = None
    if load is not None:
        try:
            force_n, lever_mm = (float(part) for part in load.split(","))
        except ValueError as error:
            raise InputError(
                f"--load must be a force in N and a lever in mm (got {load[:60]!r}); for example 100,10"
            ) from error
    return Demands(force_n, lever_mm, compression_n, torque_n_m, union_weeks)


def fluoroscopy_of(projections: Sequence[str], landmarks: Sequence[str]) -> Fluoroscopy:
    """What is asked in ``--projection YAW,PITCH`` and ``--landmark x,y,z=NAME``, each any number of times.

    Raises InputError for what cannot be read, for angles no C-arm has, and for names given twice.
    """
    from viewer.report.fluoroscopy_page import Fluoroscopy

    for option, given, most in (
        ("--projection", projections, MOST_PROJECTIONS_COUNT),
        ("--landmark", landmarks, MOST_LANDMARKS_COUNT),
    ):
        if len(given) > most:
            raise InputError(f"{option} may be given {most} times (got {len(given)}); make a second report")
    named = tuple(_landmark(text) for text in landmarks)
    names = [landmark.name for landmark in named]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"the landmark {name!r} is given more than once; choose another name")
    if not projections:
        return Fluoroscopy(landmarks=named)
    return Fluoroscopy(tuple(_projection(text) for text in projections), named)


def _projection(text: str) -> tuple[float, float]:
    values = numbers_in(text, 2)
    if values is None or abs(values[0]) > 180 or abs(values[1]) > 90:
        raise InputError(
            f"--projection must be YAW,PITCH in degrees, within ±180 and ±90 (got {text[:60]!r}); 0,0 looks "
            "from the front, 90,0 from the left"
        )
    return values[0], values[1]


def _landmark(text: str) -> Landmark:
    from segmentation.documents import name_fault
    from segmentation.vocabulary import frozen_array
    from viewer.report.fluoroscopy import Landmark

    place, equals, name = text.partition("=")
    values = numbers_in(place, 3)
    if values is None or not equals:
        raise InputError(
            f"--landmark must be x,y,z=NAME (got {text[:60]!r}); give a point in RAS+ mm and its name"
        )
    if fault := name_fault(name):
        raise InputError(f"a name in --landmark {fault} (got {name[:80]!r}); choose another")
    return Landmark(name, frozen_array(values, float))


def numbers_in(text: str, count: int) -> list[float] | None:
    """The ``count`` finite numbers, parted by commas, that ``text`` holds; None where it does not."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        return None
    return values if len(values) == count and all(math.isfinite(value) for value in values) else None
