"""What the rules of the findings look at, and how a rule tells what it found."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from planner.finding_codes import CODES
from planner.limits import Limits
from planner.path import Path
from planner.prepared import PreparedBone
from planner.vocabulary import Finding, ScrewResult

COMMON, OURS = "common practice", "our choice"


@dataclass(frozen=True, eq=False)
class Case:
    """What the rules look at."""

    prepared: PreparedBone
    path: Path
    result: ScrewResult
    others: tuple[tuple[float, str], ...]
    limits: Limits


Rule = Callable[[Case], Iterator[Finding]]


def finding(
    code: str, message: str, source: str, value: float | None = None, limit: float | None = None
) -> Finding:
    """A finding with the severity of its code. ``value`` and ``limit`` are of whatever the code is about."""
    return Finding(code, CODES[code][0], message, value, limit, source)
