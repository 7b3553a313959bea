"""From many feasible candidates to a handful that differ: what is dominated goes, then the best by each
criterion stay, each with its reason in a sentence."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from planner.vocabulary import PlacedScrew, ScrewResult
from segmentation.vocabulary import Floats

APART_MM, APART_DEGREE = 1.5, 5.0
"""Two candidates of one screw and length differ when entry or direction do by more than this. Our choice:
about what a guide holds."""

EQUAL_FRACTION = 0.01
"""Holds within this are equal. Our choice: far below what a pull-out is known by."""


@dataclass(frozen=True)
class Criterion:
    """What a candidate is good for: its key, what it is called, its unit, and whether more is better."""

    key: str
    words: str
    unit: str
    more: bool


CRITERIA = (
    Criterion("governing_hold_n", "hold", "N", more=True),
    Criterion("ring_mean_hu", "mean HU in the thread ring", "HU", more=True),
    Criterion("least_clearance_mm", "clearance", "mm", more=True),
    Criterion("fracture_angle_degree", "angle off square to the fracture", "°", more=False),
    Criterion("off_centre_mm", "distance from the centre", "mm", more=False),
    Criterion("length_mm", "length", "mm", more=True),
)
"""What candidates are compared by; of the first two only one, by whether density is known."""


AS_PLACED = Criterion("limits_hold_fraction", "chance that every limit holds as placed", "%", more=True)
"""What measured candidates are compared by besides: how often placing keeps every limit."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """A screw that keeps every limit, as ``assess`` measured it, its criteria by key (None: with a reason
    elsewhere), why it is told, and the limit that most placements of it break, in words."""

    placed: PlacedScrew
    result: ScrewResult
    criteria: dict[str, float | int | None]
    reason: str = ""
    breaks_most: str | None = None


class Compared(Protocol):
    """Whatever has criteria: a screw, or several together."""

    @property
    def criteria(self) -> Mapping[str, float | int | None]:
        """Its criteria by key; None where one is not known."""


def used_criteria(calibrated: bool, has_fracture: bool) -> tuple[Criterion, ...]:
    """The criteria that mean something: hold where density is known, else HU; the angle where one is."""
    left_out = {"ring_mean_hu" if calibrated else "governing_hold_n"}
    if not has_fracture:
        left_out.add("fracture_angle_degree")
    return tuple(criterion for criterion in CRITERIA if criterion.key not in left_out)


def goodness(candidates: Sequence[Compared], criteria: Sequence[Criterion]) -> Floats:
    """(n, criteria) values with more always better; what is not known is worst."""
    table = np.full((len(candidates), len(criteria)), -np.inf)
    for row, candidate in enumerate(candidates):
        for column, criterion in enumerate(criteria):
            value = candidate.criteria[criterion.key]
            if value is not None:
                table[row, column] = value if criterion.more else -value
    return table


def not_dominated(values: Floats) -> npt.NDArray[np.bool_]:
    """(n,) whether no other row is at least as good in every column and better in one."""
    kept = np.ones(len(values), bool)
    for row, own in enumerate(values):
        as_good = (values >= own).all(axis=1)
        better = (values > own).any(axis=1)
        kept[row] = not (as_good & better).any()
    return kept


def differ(
    one: PlacedScrew, other: PlacedScrew, *, by_mm: float = APART_MM, by_degree: float = APART_DEGREE
) -> bool:
    """Whether two placed screws are not nearly the same."""
    if one.screw.name != other.screw.name or one.length_mm != other.length_mm:
        return True
    ways = [(s.target_mm - s.entry_mm) / np.linalg.norm(s.target_mm - s.entry_mm) for s in (one, other)]
    turn_degree = np.degrees(np.arccos(np.clip(ways[0] @ ways[1], -1, 1)))
    return bool(np.linalg.norm(one.entry_mm - other.entry_mm) > by_mm or turn_degree > by_degree)


def spread_order(values: Floats) -> list[int]:
    """Rows in the order they should be tried: the best by each criterion and by all together, then the second
    best of each, and so on."""
    known = np.isfinite(values)
    finite = np.where(known, values, np.nan)
    low = np.where(known, values, np.inf).min(axis=0)
    high = np.where(known, values, -np.inf).max(axis=0)
    share = np.where(high > low, (finite - low) / np.where(high > low, high - low, 1), 1.0)
    balance = np.nan_to_num(share).min(axis=1) + np.nan_to_num(share).mean(axis=1)
    columns = [*values.T, balance]
    places = np.stack([np.argsort(-column, kind="stable") for column in columns], axis=1)
    return list(dict.fromkeys(int(row) for row in places.ravel()))


def screws_differ(one: Candidate, other: Candidate) -> bool:
    """Whether two candidates are not nearly the same."""
    return differ(one.placed, other.placed)


def handful(
    candidates: Sequence[Any],
    criteria: Sequence[Criterion],
    count: int,
    differs: Callable[[Any, Any], bool] = screws_differ,
) -> list[Any]:
    """At most ``count`` candidates, or sets of them, that differ, none dominated, best by the first criterion
    first, each with its reason.

    Holds within EQUAL_FRACTION are equal: then the clearer one comes first.
    """
    if not candidates:
        return []
    values = goodness(candidates, criteria)
    free = [candidate for candidate, kept in zip(candidates, not_dominated(values), strict=True) if kept]
    chosen: list[Any] = []
    for row in spread_order(goodness(free, criteria)):
        if len(chosen) < count and all(differs(free[row], one) for one in chosen):
            chosen.append(free[row])
    first, clear = criteria[0].key, "least_clearance_mm"
    best = max((one.criteria[first] or 0.0 for one in chosen), default=0.0)

    def place(one: Compared) -> tuple[float, float]:
        value = one.criteria[first] or 0.0
        equal = value >= best * (1 - EQUAL_FRACTION)
        return (-best if equal else -value, -(one.criteria[clear] or 0.0) if equal else 0.0)

    chosen.sort(key=place)
    return [replace(one, reason=reason_of(one, chosen, criteria)) for one in chosen]


def reason_of(one: Compared, of: Sequence[Compared], criteria: Sequence[Criterion]) -> str:
    """Why a candidate is told, and what is given up by taking it, in a sentence."""
    values = goodness(of, criteria)
    own = values[[candidate is one for candidate in of]][0]
    best = values.max(axis=0)
    # What all have alike tells nothing of one of them.
    if len(of) > 1:
        spread = [
            bool((values[:, column] < best[column] - _slack(criterion, best[column])).any())
            for column, criterion in enumerate(criteria)
        ]
        criteria = [criterion for criterion, told in zip(criteria, spread, strict=True) if told]
        own, best = own[spread], best[spread]
    leads = [
        criterion
        for criterion, mine, top in zip(criteria, own, best, strict=True)
        if np.isfinite(mine) and mine >= top - _slack(criterion, top)
    ]
    gives = [
        f"{_difference(criterion, abs(top - mine))} {'less' if criterion.more else 'more'} {criterion.words}"
        for criterion, mine, top in zip(criteria, own, best, strict=True)
        if np.isfinite(mine) and mine < top - _slack(criterion, top)
    ]
    if criteria and not leads:
        told = "A balance: best by no single criterion, near the best by all"
    elif len(leads) == len(criteria) or not criteria:
        return "Best by every criterion."
    else:
        told = f"Best {_listed([_told(c, one.criteria[c.key]) for c in leads])}"
    return f"{told}; it has {_listed(gives)} than the best of the others." if gives else f"{told}."


def _told(criterion: Criterion, value: float | int | None) -> str:
    return f"{criterion.words} ({_amount(criterion, float(value or 0))})"


def _slack(criterion: Criterion, top: float) -> float:
    """Differences smaller than this are none: what is shown would look the same."""
    return {"N": EQUAL_FRACTION * abs(top), "HU": 2.0, "°": 0.5, "mm²": 0.5, "%": 0.02}.get(
        criterion.unit, 0.05
    )


def _difference(criterion: Criterion, value: float) -> str:
    """An amount by which two differ: of shares in points, as "per cent less" could mean another thing."""
    return f"{100 * value:.0f} points" if criterion.unit == "%" else _amount(criterion, value)


def _amount(criterion: Criterion, value: float) -> str:
    if criterion.unit == "%":
        return f"{100 * value:.0f} %"
    digits = 0 if criterion.unit in ("N", "HU") else 1
    gap = "" if criterion.unit == "°" else " "
    return f"{value:.{digits}f}{gap}{criterion.unit}"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
