"""Screws, lengths and techniques on one path, or several paths with one screw, side by side.

Each variant is measured by itself, as if it were the only screw, with the same draws of all that is in doubt:
what differs between two rows is the screws. There is no total score: which limit matters is for a surgeon to
say.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, get_args

from planner.asked import Asked, assess_asked
from planner.assess import ReadyBone
from planner.solid import solid_of
from planner.vocabulary import PlacedScrew, Plan, Screw, ScrewResult, Technique
from segmentation.documents import nearest
from segmentation.errors import InputError
from segmentation.files import shown

VARIANTS_MOST_COUNT = 60
"""Most variants at once. Our choice: more is no table that a person reads."""


@dataclass(frozen=True)
class Wanted:
    """What is varied on each path: none of a kind keeps what the plan says."""

    screws: Sequence[str] = ()
    lengths_mm: Sequence[float] = ()
    techniques: Sequence[Technique] = ()
    path: str | None = None


@dataclass(frozen=True, eq=False)
class Row:
    """A variant: on the path of which planned screw, what is placed, and what was measured of it, or the
    sentence that says why it cannot be."""

    path: str
    placed: PlacedScrew
    result: ScrewResult | None
    fault: str | None

    @property
    def name(self) -> str:
        """The variant in words."""
        placed = self.placed
        return f"{self.path}: {placed.screw.name} {placed.length_mm:g} {placed.technique}"


@dataclass(frozen=True, eq=False)
class Comparison:
    """The rows in the order asked, and what they were made with."""

    rows: tuple[Row, ...]
    made_with: Mapping[str, Any]
    cautions: tuple[str, ...]


def compare(
    bone: ReadyBone, plan: Plan, known: Mapping[str, Screw], wanted: Wanted, asked: Asked
) -> Comparison:
    """Every variant of ``wanted`` on ``plan``'s paths, measured with what is ``asked``.

    Raises InputError for a path or a screw that is not there, for too many variants, and where not one can be
    measured.
    """
    return side_by_side(bone, plan, variants(plan, known, wanted), asked)


def side_by_side(
    bone: ReadyBone,
    plan: Plan,
    placed_on: Sequence[tuple[str, PlacedScrew]],
    asked: Asked,
    begins: Callable[[str], None] = lambda _variant: None,
) -> Comparison:
    """Each path's name and the screw placed on it, in ``plan``'s pose, measured with what is ``asked``.

    ``begins`` is told each variant in words before it is measured. Raises InputError where not one can be.
    """
    rows: list[Row] = []
    made_with: dict[str, Any] = {}
    cautions: tuple[str, ...] = ()
    for path, placed in placed_on:
        row = Row(path, placed, None, None)
        begins(row.name)
        try:
            check_placed(placed)
            assessment = assess_asked(bone, replace(plan, screws=(placed,)), asked)
        except InputError as fault:
            rows.append(replace(row, fault=str(fault)))
            continue
        rows.append(replace(row, result=assessment.screws[0]))
        made_with, cautions = dict(assessment.made_with), assessment.cautions
    if all(row.result is None for row in rows):
        raise InputError(f"not one variant can be measured; the first: {rows[0].fault}")
    return Comparison(tuple(rows), made_with, cautions)


def variants(plan: Plan, known: Mapping[str, Screw], wanted: Wanted) -> list[tuple[str, PlacedScrew]]:
    """Each path's name and the screw placed on it, paths first, then screws, lengths and techniques."""
    paths = [placed for placed in plan.screws if wanted.path in (None, placed.name)]
    if not plan.screws:
        raise InputError("the plan has no screw, so there is nothing to compare; place one first")
    if not paths:
        names = [placed.name for placed in plan.screws]
        raise InputError(
            f"the plan has no screw {shown(wanted.path)} ({nearest(str(wanted.path), names)}); "
            "name one of its screws"
        )
    for name in wanted.screws:
        if name not in known:
            raise InputError(f"unknown screw {shown(name)} ({nearest(name, known)}); see 'pilothole screws'")
    count = len(paths)
    for kind in (wanted.screws, wanted.lengths_mm, wanted.techniques):
        count *= max(1, len(kind))
    if count > VARIANTS_MOST_COUNT:
        raise InputError(
            f"at most {VARIANTS_MOST_COUNT} variants are compared (got {count}); name one path, or fewer"
        )
    found = []
    for placed in paths:
        own = (
            [known[name] for name in wanted.screws] or [placed.screw],
            list(wanted.lengths_mm) or [placed.length_mm],
            list(wanted.techniques) or [placed.technique],
        )
        for screw, length_mm, technique in product(*own):
            seat_mm = placed.seat_depth_mm if screw.headless == placed.screw.headless else 0.0
            varied = replace(
                placed, screw=screw, length_mm=length_mm, technique=technique, seat_depth_mm=seat_mm
            )
            found.append((placed.name, varied))
    return found


def techniques_of(words: Sequence[str]) -> tuple[Technique, ...]:
    """Techniques as a person names them. Raises InputError for another word."""
    known: dict[str, Technique] = {name: name for name in get_args(Technique)}
    for word in words:
        if word not in known:
            raise InputError(f"there is no technique {shown(word)}; give one of {', '.join(known)}")
    return tuple(known[word] for word in words)


def check_placed(placed: PlacedScrew) -> None:
    """Raise InputError for a screw that cannot be made so long, or a technique that is not one of its own."""
    screw = placed.screw
    solid_of(screw, placed.length_mm)
    if placed.technique == "lag" and screw.headless:
        raise InputError("technique 'lag' needs a head; a headless screw compresses by its own threads")
    if placed.technique == "locking" and (screw.head is None or screw.head.shape != "locking"):
        raise InputError(f"technique 'locking' needs a locking head, which {screw.name} has not")
