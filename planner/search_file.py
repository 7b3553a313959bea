"""What a search found as a JSON document: the published form, best governing hold first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from planner.assessment_file import RESULT_DECIMALS
from planner.findings import CAUTIONS
from planner.search import Found
from planner.search_choice import Candidate
from planner.search_set_finalists import ORDER_UNKNOWN, FoundSet
from planner.vocabulary import Plan, ScrewResult

FORMAT = "pilothole-search"

HU_REASON = "density is not calibrated: ranked by mean HU in the thread ring"


NO_DENSITY_THERE = "the density is not known along every screw's thread"
NOT_TWO = "no fracture is bridged by two screws of the plan"
NOT_THREE = "no fracture is bridged by three screws of the plan"

SET_REASONS = {
    "weakest_hold_n": HU_REASON,
    "hold_sum_n": HU_REASON,
    "weakest_ring_mean_hu": NO_DENSITY_THERE,
    "spread_mm": NOT_TWO,
    "triangle_area_mm2": NOT_THREE,
    "least_clearance_mm": "no clearance is known",
}
"""Why a criterion of a set is null."""


def search_document(found: Found) -> dict[str, Any]:
    """The document of a search. Points are RAS+ mm; ``excluded_fraction`` tells by limit the share of all
    evaluated candidates that it excluded first."""
    return {
        "format": FORMAT,
        "version": 1,
        "cautions": list(CAUTIONS),
        "bone": found.bone_name,
        "evaluated_count": found.evaluated_count,
        "feasible_count": found.feasible_count,
        "search_s": round(found.search_s, 3),
        "ranked_by": found.criteria[0].key,
        "placing": found.placing,
        "candidates": [_candidate(one) for one in found.candidates],
        "excluded_fraction": dict(found.excluded),
        "nearest": None if found.nearest is None else _nearest(found.nearest),
        "notes": list(found.notes),
        "sets": [_set(one) for one in found.sets],
        "sets_judged_count": found.judged_count,
        "sets_ranked_by": found.set_criteria[0].key if found.set_criteria else None,
    }


def best_plan(found: Found, kept: Plan | None, *, as_scanned: bool = False) -> Plan | None:
    """The best candidate, or where several were sought together the best set, beside what stays, as a plan;
    None where there is none."""
    if found.set_criteria:
        best = [result.placed for result in found.sets[0].results] if found.sets else []
    else:
        best = [one.result.placed for one in found.candidates[:1]]
    if not best:
        return None
    stays = () if kept is None else kept.screws
    return Plan((*stays, *best), "as-scanned" if as_scanned else "reduced")


def _set(found: FoundSet) -> dict[str, Any]:
    reasons = {}
    for key, why in SET_REASONS.items():
        if found.criteria[key] is None:
            reasons[f"criteria.{key}"] = why
    if found.drilling_order is None:
        reasons["drilling_order"] = ORDER_UNKNOWN
    screws = []
    for result, criteria in zip(found.results, found.each, strict=True):
        whole = _candidate(Candidate(result.placed, result, criteria))
        del whole["reason"], whole["breaks_most"]
        screws.append({"name": result.placed.name, **whole})
    return {
        "screws": screws,
        "criteria": _rounded(found.criteria),
        "drilling_order": None
        if found.drilling_order is None
        else [list(one) for one in found.drilling_order],
        "reason": found.reason,
        "reasons": reasons,
    }


def _rounded(criteria: Mapping[str, float | int | None]) -> dict[str, float | int | None]:
    return {
        key: round(value, RESULT_DECIMALS) if isinstance(value, float) else value
        for key, value in criteria.items()
    }


def _candidate(one: Candidate) -> dict[str, Any]:
    placed = one.placed
    document: dict[str, Any] = {
        "screw": placed.screw.name,
        "length_mm": placed.length_mm,
        "entry_mm": np.asarray(placed.entry_mm).tolist(),
        "target_mm": np.asarray(placed.target_mm).tolist(),
        "seat_depth_mm": placed.seat_depth_mm,
        "technique": placed.technique,
        "criteria": _rounded(one.criteria),
        "findings": [
            {"code": f.code, "severity": f.severity, "message": f.message} for f in one.result.findings
        ],
        "reason": one.reason,
        "breaks_most": one.breaks_most,
        "reasons": {},
    }
    if one.criteria["governing_hold_n"] is None:
        why = one.result.reasons.get("pullout_n", HU_REASON)
        for key in ("governing_hold_n", "governing_hold_low_n", "governing_hold_high_n"):
            document["reasons"][f"criteria.{key}"] = why
    if one.criteria["limits_hold_fraction"] is None:
        document["reasons"]["criteria.limits_hold_fraction"] = "asked of screws that are sought singly"
    if one.criteria["fracture_angle_degree"] is None:
        document["reasons"]["criteria.fracture_angle_degree"] = "no measured fracture is crossed"
    if one.criteria["joint_clearance_mm"] is None:
        document["reasons"]["criteria.joint_clearance_mm"] = "no joint surface is known on this bone"
    return document


def _nearest(result: ScrewResult) -> dict[str, Any]:
    placed = result.placed
    return {
        "screw": placed.screw.name,
        "length_mm": placed.length_mm,
        "entry_mm": np.asarray(placed.entry_mm).tolist(),
        "target_mm": np.asarray(placed.target_mm).tolist(),
        "seat_depth_mm": placed.seat_depth_mm,
        "breaks": [f.message for f in result.findings if f.severity != "note"],
    }
