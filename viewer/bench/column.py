"""The column of numbers of the screw in hand: controls, limits, hold, mechanics, findings, drilling.

Each value has its field, its path in assessment.json, so that what is read on the page can be looked up
there.
"""

from __future__ import annotations

from typing import Any

from planner.asked import Asked
from planner.doubt_vocabulary import PlacementName
from planner.site_file import site_names
from planner.vocabulary import FragmentResult, Interval, Screw, ScrewResult, Technique
from viewer.bench.pointed import has_place
from viewer.bench.themes import themed
from viewer.drawn_words import LIMITS, limit_words, says_words, share_words
from viewer.report import words
from viewer.report.drawing import written
from viewer.report.drill_rows import WITHHELD, DrillRow, drill_rows
from viewer.report.figure_pages import hold_bar
from viewer.report.limit_rows import LimitRow, limit_rows, limit_svg
from viewer.report.mechanics_rows import (
    MechanicsRow,
    hold_row,
    insertion_limit_n_m,
    mechanics_rows,
    torque_svg,
)
from viewer.report.subject import Subject

PLACED_BY: dict[PlacementName, str] = {
    "freehand": "free hand",
    "guided": "a guide on the bone",
    "plate-guided": "a guide on a plate",
}
"""Ways of placing, in words."""

GLYPH_PX = 130.0
"""Width of a limit's glyph."""


def column(subject: Subject, families: list[str], asked: Asked) -> dict[str, Any]:
    """Everything the column shows of a screw; ``families`` are the screws that can be chosen, ``asked`` is
    what they are held against."""
    result, number = subject.result, subject.number - 1
    root = f"screws[{number}]"
    placed = result.placed
    return {
        "name": placed.name,
        "title": placed.screw.title,
        "stop": words.has_stop(result),
        "family": placed.screw.name,
        "families": families,
        "length_mm": placed.length_mm,
        "stocked_mm": list(placed.screw.stocked_lengths_mm),
        "technique": placed.technique,
        "techniques": list(techniques(placed.screw)),
        "techniques_words": {
            name: words.technique_words(placed.screw, name) for name in techniques(placed.screw)
        },
        "technique_words": words.technique_words(placed.screw, placed.technique),
        "seat_depth_mm": placed.seat_depth_mm,
        "seat_words": words.seat_words(result),
        "lengths": [
            _value(f"{root}.bone_length_mm", result.bone_length_mm, _bone_length_words(result)),
            _value(f"{root}.tip_depth_mm", result.tip_depth_mm, "tip depth"),
        ],
        "limits": [_limit(row) for row in limit_rows(result, number, asked.limits)],
        "site": None if asked.site is None else asked.site.name,
        "sites": list(site_names()),
        "site_length": _site_length(result, root),
        "placement": None if asked.doubt is None else asked.doubt.placement,
        "placements": [{"name": name, "words": said} for name, said in PLACED_BY.items()],
        "doubt": _doubt(result, root),
        "holds": _holds(subject, root),
        "hold": _whole_hold(subject, root),
        "mechanics": _mechanics(subject, root),
        "drilling": [_drill(row, root) for row in drill_rows(subject, GLYPH_PX)],
        "withheld": WITHHELD,
        "findings": [
            {
                "severity": finding.severity,
                "message": finding.message,
                "code": finding.code,
                "source": finding.source,
                "has_place": has_place(finding.code, result),
            }
            for finding in words.sorted_findings(result.findings)
        ],
        "counted": words.counted_words(result.findings),
        "check": words.check_words(result),
    }


def _bone_length_words(result: ScrewResult) -> str:
    """Where the scan ends in the bone, its length is known from below only."""
    return "bone length at least" if "bone_length_mm" in result.reasons else "bone length"


def _site_length(result: ScrewResult, root: str) -> dict[str, Any] | None:
    """The site's length rule beside the length in hand."""
    found = result.site_length
    if found is None:
        return None
    root = f"{root}.site_length"
    values = [
        _value(f"{root}.{name}", value, said)
        for name, value, said in (
            ("longest_mm", found.longest_mm, "longest"),
            ("shortest_mm", found.shortest_mm, "shortest"),
        )
        if value is not None
    ]
    return {"rule": found.rule, "values": values}


def _doubt(result: ScrewResult, root: str) -> dict[str, Any] | None:
    """How often each limit holds when all that is in doubt is drawn; None before that is known."""
    doubt = result.doubt
    if doubt is None:
        return None
    rows = [
        {
            "words": f"{words.capital(LIMITS[one.limit])} {limit_words(one.limit, one.asked)}",
            "field": f"{root}.doubt.limits[{place}].holds_fraction",
            "value": one.holds_fraction,
            "shown": share_words(one.holds_fraction),
            "unit": "",
        }
        for place, one in enumerate(doubt.limits)
    ]
    breach = {
        "words": "Leaves bone or joint",
        "field": f"{root}.doubt.breach_fraction",
        "value": doubt.breach_fraction,
        "shown": share_words(doubt.breach_fraction),
        "unit": "",
    }
    return {"rows": rows, "breach": breach, "says": says_words(doubt), "draws": doubt.draws_count}


def _limit(row: LimitRow) -> dict[str, Any]:
    return {
        "words": row.words,
        "field": row.field,
        "value": row.value,
        "shown": row.shown,
        "unit": row.unit,
        "limit": row.limit_words,
        "broken": row.broken,
        "reason": row.reason,
        "svg": themed(limit_svg(row, GLYPH_PX)),
    }


def _holds(subject: Subject, root: str) -> list[dict[str, Any]]:
    """One row per fragment on the axis; all bars share one scale."""
    result = subject.result
    holds = [words.bitten_hold(fragment) for fragment in result.fragments]
    longest_n = max((hold.high for hold in holds if hold is not None), default=0.0) or 1.0
    stop = words.has_stop(result)
    return [
        {
            "name": fragment.fragment_name,
            "governs": fragment.fragment == result.governed_by,
            "field": f"{root}.fragments[{place}].pullout_n.estimate",
            "value": None if hold is None else hold.estimate,
            "shown": "" if hold is None else written(hold.estimate, 0),
            "range": "" if hold is None else f"{written(hold.low, 0)}–{written(hold.high, 0)}",
            "reason": _why_no_hold(result, fragment, hold),
            "svg": ""
            if hold is None
            else themed(hold_bar(subject.rank(fragment.fragment), hold, longest_n, muted=stop)),
            "path": _value(f"{root}.fragments[{place}].axis_path_mm", fragment.axis_path_mm, "axis"),
        }
        for place, (fragment, hold) in enumerate(zip(result.fragments, holds, strict=True))
        if fragment.axis_path_mm > 0
    ]


def _whole_hold(subject: Subject, root: str) -> dict[str, Any] | None:
    hold = hold_row(subject.result, subject.bone.host)
    return None if hold is None else _mechanics_row(hold, root, "")


def _mechanics(subject: Subject, root: str) -> list[dict[str, Any]]:
    """Torque, pressing, closing and the weakest place; torques are drawn on one scale."""
    rows, limit_n_m = mechanics_rows(subject.result), insertion_limit_n_m(subject.result)
    return [
        _mechanics_row(
            row, root, torque_svg(row, rows, limit_n_m, GLYPH_PX) if row.torque and row.shown else ""
        )
        for row in rows
    ]


def _mechanics_row(row: MechanicsRow, root: str, svg: str) -> dict[str, Any]:
    return {
        "words": row.words,
        "field": f"{root}.{row.place}",
        "value": row.value,
        "shown": row.shown,
        "unit": row.unit,
        "told": row.told,
        "range": row.range,
        "broken": row.broken,
        "svg": themed(svg),
    }


def _drill(row: DrillRow, root: str) -> dict[str, Any]:
    place, step = f"{root}.{row.place}", row.step
    return {
        "words": row.words,
        "note": step.note,
        "svg": themed(row.svg),
        "diameter": {"field": f"{place}.diameter_mm", "value": step.diameter_mm, "shown": row.diameter},
        "reading": {"field": f"{place}.reading_mm", "value": step.reading_mm, "shown": row.reading},
    }


def _value(field: str, value_mm: float, said: str) -> dict[str, Any]:
    return {"field": field, "value": value_mm, "words": said, "shown": written(value_mm), "unit": "mm"}


def _why_no_hold(result: ScrewResult, fragment: FragmentResult, hold: Interval | None) -> str:
    if hold is not None:
        return ""
    if fragment.thread_engagement_mm <= 0:
        return words.HELD_BY_HEAD if words.held_by_head(result, fragment) else words.NO_THREAD
    return result.reasons.get(f"fragments.{fragment.fragment}.pullout_n", "not known")


def techniques(screw: Screw) -> tuple[Technique, ...]:
    """How a screw can be used, the usual way first."""
    if screw.headless:
        return ("position",)
    if screw.head is not None and screw.head.shape == "locking":
        return ("locking", "position")
    return ("position", "lag")
