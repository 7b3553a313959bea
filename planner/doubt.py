"""How sure every number of a screw is when all that is in doubt is drawn together, from a seed.

The planned screw is moved as a hand would miss it, the bone's surface as the scan leaves it open; the density
follows the calibration's doubt, the force the law's, the screw's geometry and friction. Sources are
independent of each other; each is one error for the whole screw, but for the surface, which changes over
about 10 mm of depth. What is not drawn: the labels' own faults, metal's streaks, cartilage, and the hand that
reams a hole wider.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.assess import ReadyBone
from planner.doubt_draws import SOURCES, Draws, draws_of
from planner.doubt_gap import gap_closes_fraction, gap_values
from planner.doubt_grid import Surroundings, surroundings
from planner.doubt_kernels import measured
from planner.doubt_numbers import Key, Values, line_of, numbers_of
from planner.doubt_vocabulary import AskedDoubt, Doubt, DoubtSource, DrawnLimit, DrawnNumber
from planner.limits import Limits
from planner.path import Path, trace
from planner.placement import PLACEMENTS
from planner.vocabulary import Assessment, ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Bone, Floats

DRAWS_FEWEST, DRAWS_MOST = 100, 100_000
"""Fewest and most draws taken. Our choice: below, a 5th percentile is nothing; above, seconds go by."""

ALONE_COUNT = 200
"""Draws of each source alone, to say which matters most. Our choice: its share is then good to a few
percent."""

OF_GEOMETRY: tuple[DoubtSource, ...] = ("placement", "surface", "calibration")
"""Sources for which a screw is measured anew; the others only multiply."""

UNKNOWN_AT_MOST_FRACTION = 0.1
"""A number that more draws than this leave unknown is not told. Our choice."""

LOW_FRACTION, HIGH_FRACTION = 0.05, 0.95
"""Ends of every interval (design decision)."""

ROUNDING_SQUARED = 1e-18
"""A squared spread below this is rounding, in any unit. Our choice."""


def with_doubt(
    bone: ReadyBone,
    assessment: Assessment,
    asked: AskedDoubt,
    limits: Limits,
    tip_apex_limit_mm: float | None = None,
) -> Assessment:
    """``assessment``, measured on ``bone`` with ``limits``, with the doubt of each screw.

    Raises InputError for a number of draws or a seed that cannot be taken.
    """
    screws = []
    for result in assessment.screws:
        path = trace(bone.prepared, result.placed)
        screws.append(doubted(result, doubt_of(bone, path, result, asked, limits, tip_apex_limit_mm)))
    return with_screws(assessment, screws, asked)


def with_screws(assessment: Assessment, screws: Sequence[ScrewResult], asked: AskedDoubt) -> Assessment:
    """``assessment`` with ``screws`` whose doubt was drawn as ``asked``, which its settings tell."""
    settings = {
        **assessment.made_with["settings"],
        "doubt": {**vars(asked), "source": PLACEMENTS[asked.placement].source},
    }
    return replace(assessment, screws=tuple(screws), made_with={**assessment.made_with, "settings": settings})


def doubted(result: ScrewResult, doubt: Doubt) -> ScrewResult:
    """``result`` with its doubt, and without the reason why there was none."""
    reasons = {field: why for field, why in result.reasons.items() if field != "doubt"}
    return replace(result, doubt=doubt, reasons=reasons)


def doubt_of(
    bone: ReadyBone,
    path: Path,
    result: ScrewResult,
    asked: AskedDoubt,
    limits: Limits,
    tip_apex_limit_mm: float | None = None,
) -> Doubt:
    """The doubt of one measured screw whose path is ``path``. The same seed gives the same numbers."""
    check(asked)
    placement = PLACEMENTS[asked.placement]
    correlation = getattr(bone.prepared.bone.calibration, "slope_intercept_correlation_ratio", 0.0)

    def drawn(count: int, only: Sequence[DoubtSource]) -> Draws:
        return draws_of(placement, count, asked.seed, only=only, line_correlation_ratio=correlation)

    every = drawn(asked.draws_count, SOURCES)
    around = surroundings(bone.prepared, path, every.placed, placement, has_no_data=bone.has_no_data)
    planned = _rows(bone.prepared.bone, around, drawn(1, ()))[0]
    rows = _rows(bone.prepared.bone, around, every)

    def numbers(of_rows: Floats, draws: Draws) -> dict[Key, Values]:
        own = bone.prepared.bone
        told = numbers_of(own, path, result, around.fragments, planned, of_rows, draws)
        gap = gap_values(own, path, result, told, planned, of_rows, draws, around.fragments, around.errors)
        return told | gap

    found = numbers(rows, every)
    alone_count = min(ALONE_COUNT, asked.draws_count)
    alone: dict[DoubtSource, dict[Key, Values]] = {}
    for source in SOURCES:
        draws = drawn(alone_count, (source,))
        moved = source in OF_GEOMETRY
        own = _rows(bone.prepared.bone, around, draws) if moved else np.tile(planned, (alone_count, 1))
        alone[source] = numbers(own, draws)
    told = tuple(_number(key, values, alone) for key, values in found.items() if _known(values))
    held = _limits(result, found, limits, tip_apex_limit_mm)
    return Doubt(
        placement=asked.placement,
        draws_count=asked.draws_count,
        seed=asked.seed,
        numbers=told,
        limits=held,
        breach_fraction=_breach_fraction(found, asked.draws_count),
        missed_fraction=float(np.isnan(rows[:, 0]).mean()),
        says=_says(told, held),
        gap_closes_fraction=gap_closes_fraction(found),
    )


def check(asked: AskedDoubt) -> None:
    """Raise InputError for what cannot be drawn."""
    if not DRAWS_FEWEST <= asked.draws_count <= DRAWS_MOST:
        raise InputError(
            f"draws must be {DRAWS_FEWEST} to {DRAWS_MOST} (got {asked.draws_count}); give fewer or more"
        )
    if not 0 <= asked.seed < 2**31:
        raise InputError(
            f"a seed must be a whole number from 0 to 2147483647 (got {asked.seed}); give another"
        )


def _rows(bone: Bone, around: Surroundings, draws: Draws) -> Floats:
    return np.asarray(
        measured(
            draws.placed.shift_mm,
            draws.placed.tilt_radian,
            draws.placed.depth_mm,
            draws.surface,
            draws.joint,
            line_of(bone, draws),
            around.fields,
            around.errors,
            around.scan,
            around.body,
        )
    )


def _known(values: Values) -> bool:
    return bool(np.isnan(values.drawn).mean() <= UNKNOWN_AT_MOST_FRACTION)


def _number(key: Key, values: Values, alone: Mapping[DoubtSource, Mapping[Key, Values]]) -> DrawnNumber:
    low, high = _ends(values.drawn)
    squares = {source: _breadth(own[key].drawn) ** 2 for source, own in alone.items() if key in own}
    total = sum(squares.values())
    if not total > ROUNDING_SQUARED:
        return DrawnNumber(key[0], key[1], values.estimate, low, high, None, None)
    most = max(squares, key=lambda source: squares[source])
    return DrawnNumber(key[0], key[1], values.estimate, low, high, most, squares[most] / total)


def _ends(drawn: Floats) -> tuple[float, float]:
    low, high = np.quantile(drawn[~np.isnan(drawn)], [LOW_FRACTION, HIGH_FRACTION])
    return float(low), float(high)


def _breadth(drawn: Floats) -> float:
    known = drawn[~np.isnan(drawn)]
    return float(np.subtract(*np.quantile(known, [HIGH_FRACTION, LOW_FRACTION]))) if len(known) else 0.0


def _limits(
    result: ScrewResult, found: Mapping[Key, Values], limits: Limits, tip_apex_limit_mm: float | None
) -> tuple[DrawnLimit, ...]:
    """How often each limit holds of which the screw has a number. An unknown draw keeps no limit."""
    headless = result.placed.screw.headless
    told: list[tuple[str, float, npt.NDArray[np.bool_]]] = []

    def drawn(*names: str) -> Floats | None:
        known = [found[name, None].drawn for name in names if (name, None) in found]
        return np.min(known, axis=0) if known else None

    parts = ("leading_end", "trailing_end", "body")
    at_least: list[tuple[str, Floats | None]] = [
        ("joint_clearance_mm", drawn(*(f"clearance_mm.{part}.joint" for part in parts))),
        ("body_clearance_mm", drawn("clearance_mm.body.outer")),
    ]
    if headless:
        at_least.append(("leading_end_clearance_mm", drawn("clearance_mm.leading_end.outer")))
        at_least.append(("trailing_end_buried_mm", drawn("clearance_mm.trailing_end.outer")))
    crossed = [fragment.fragment for fragment in result.fragments if fragment.axis_path_mm > 0]
    beyond = crossed[1:] if not headless and len(crossed) > 1 else crossed
    threads = [
        found["threads_engaged", number].drawn for number in beyond if ("threads_engaged", number) in found
    ]
    at_least.append(("threads_beyond_fracture_count", np.min(threads, axis=0) if threads else None))
    at_most: list[tuple[str, float, Floats | None]] = [
        ("fracture_angle_degree", limits.fracture_angle_degree, drawn("lag.angle_degree"))
    ]
    if not headless:
        at_most.append(
            ("tip_through_far_cortex_mm", limits.tip_through_far_cortex_mm, drawn("tip_beyond_exit_mm"))
        )
    at_most.append(("two_pitch_gap_mm", limits.two_pitch_gap_mm, drawn("two_pitch.gap_mm")))
    if tip_apex_limit_mm is not None:
        at_most.append(("tip_apex_mm", tip_apex_limit_mm, drawn("tip_apex.distance_mm")))
    told += [
        (name, getattr(limits, name), one >= getattr(limits, name))
        for name, one in at_least
        if one is not None
    ]
    told += [(name, asked, one <= asked) for name, asked, one in at_most if one is not None]
    return tuple(DrawnLimit(name, float(asked), float(holds.mean())) for name, asked, holds in told)


def _breach_fraction(found: Mapping[Key, Values], count: int) -> float:
    """Share of draws in which a part that is planned inside is not; an unknown draw counts as one."""
    outside = np.zeros(count, bool)
    for (name, _), values in found.items():
        if name.startswith("clearance_mm.") and values.estimate >= 0:
            outside |= ~(values.drawn >= 0)
    return float(outside.mean())


def _says(numbers: Sequence[DrawnNumber], limits: Sequence[DrawnLimit]) -> str:
    """Which source matters most, in one line: for keeping clear, and for the hold."""
    clear = [one for one in numbers if one.number.startswith("clearance_mm.") and one.most_from]
    hold = [one for one in numbers if one.number == "pullout_n" and one.most_from]
    words = []
    if clear:
        least = min(clear, key=lambda one: one.low)
        words.append(f"how clear it keeps hangs most on {_words(least)}")
    if hold:
        words.append(f"how hard it holds most on {_words(hold[0])}")
    if not words:
        return "No source of doubt stands out."
    weakest = min(limits, key=lambda one: one.holds_fraction, default=None)
    said = ", ".join(words)
    if weakest is not None and weakest.holds_fraction < 1:
        said += f"; least sure is {weakest.limit}, kept in {100 * weakest.holds_fraction:.0f} % of the draws"
    return f"{said[0].upper()}{said[1:]}."


def _words(number: DrawnNumber) -> str:
    names = {"law": "the law of strength", "geometry": "the screw's own geometry"}
    source, share = str(number.most_from), 100 * (number.most_from_fraction or 0.0)
    return f"{names.get(source, 'the ' + source)} ({share:.0f} % of its spread squared)"
