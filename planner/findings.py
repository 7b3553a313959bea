"""What a person should know about a screw: all rules together; their codes are in ``finding_codes.py``.

A *stop* says the plan as it stands harms or cannot be done; a *warn* that a limit of practice is broken; a
*note* that the reader should know. The rules, by theme in the ``finding_*.py`` beside this, read the numbers
of the result; they measure nothing themselves.
"""

from __future__ import annotations

from planner import finding_clearance, finding_hold, finding_mechanics, finding_place, finding_scan
from planner.finding_case import Case
from planner.finding_codes import CODES as CODES
from planner.limits import Limits
from planner.path import Path
from planner.prepared import PreparedBone
from planner.vocabulary import Finding, ScrewResult

CAUTIONS = (
    "For planning discussion, research and teaching; not a medical device.",
    "Numbers are estimates with the stated intervals (5th to 95th percentile); verify by imaging in theatre.",
    "The decision belongs to a licensed surgeon, local protocols and the implant's own instructions.",
)
"""Said on every screen, report and result."""

RULES = (
    *finding_place.RULES,
    *finding_clearance.RULES,
    *finding_hold.RULES,
    *finding_mechanics.RULES,
    *finding_scan.RULES,
)


def findings_of(
    prepared: PreparedBone,
    path: Path,
    result: ScrewResult,
    others: tuple[tuple[float, str], ...],
    limits: Limits,
) -> tuple[Finding, ...]:
    """All findings of one screw, the worst first, otherwise in the order of the rules.

    ``others`` are the gaps to the plan's other screws and their names.
    """
    case = Case(prepared, path, result, others, limits)
    found = [finding for rule in RULES for finding in rule(case)]
    rank = {"stop": 0, "warn": 1, "note": 2}
    return tuple(sorted(found, key=lambda finding: rank[finding.severity]))
