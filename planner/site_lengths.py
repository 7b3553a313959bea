"""What a site of the body says of a measured screw: its length rule beside the measured length.

A rule's ends are of the bone's length along the screw's axis, as ``bone_length_mm`` is; published lengths
measured otherwise stand in the site's file under their own name and are never mixed with it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from planner.site_file import TIP_APEX, LengthEnd, Site, source_with_mark
from planner.vocabulary import Assessment, LengthVerdict, ScrewResult, SiteLength

LENGTH_TOLERANCE_MM = 1e-6
"""Rounding allowed where a length is held against a rule."""

LIMIT_OF_CODE = {
    "clearance-joint": "joint_clearance_mm",
    "joint-penetrated": "joint_clearance_mm",
    "clearance-leading-end": "leading_end_clearance_mm",
    "clearance-trailing-end": "trailing_end_buried_mm",
    "clearance-body": "body_clearance_mm",
    "few-threads": "threads_beyond_fracture_count",
    "tip-outside": "tip_through_far_cortex_mm",
    "tip-through-far-cortex": "tip_through_far_cortex_mm",
    "fracture-oblique": "fracture_angle_degree",
    "gap-wide": "two_pitch_gap_mm",
    "runout-near-fracture": "runout_from_fracture_mm",
}
"""Which limit a finding is told against: a site that names it is then the finding's source."""


def with_site(assessment: Assessment, site: Site) -> Assessment:
    """``assessment``, measured with ``site.limits``, with what the site says of each screw's length, and the
    site's sources in the findings."""
    screws = tuple(_with_site(result, site) for result in assessment.screws)
    settings = {**assessment.made_with["settings"], "site": _told(site)}
    return replace(assessment, screws=screws, made_with={**assessment.made_with, "settings": settings})


def site_length(result: ScrewResult, site: Site) -> SiteLength | None:
    """The site's length rule for a measured screw; None where it has none or the bone is cut off."""
    rule = site.document.length_rule
    if rule is None or "bone_length_mm" in result.reasons:
        return None
    longest, shortest = (
        None if end is None else _end_mm(end, result.bone_length_mm) for end in (rule.longest, rule.shortest)
    )
    definition = next(one for one in site.document.length_definitions if one.name == rule.definition)
    return SiteLength(
        site=site.name,
        definition=rule.definition,
        definition_says=definition.says,
        rule=rule.says,
        measured_mm=result.bone_length_mm,
        longest_mm=longest,
        shortest_mm=shortest,
        longest_stocked_mm=_longest_stocked_mm(result, longest),
        usual_mm=None if rule.usual_mm is None else tuple(rule.usual_mm),
        verdict=_verdict(result.placed.length_mm, longest, shortest),
        tip_apex_limit_mm=site.tip_apex_mm,
        tip_apex_within=None
        if site.tip_apex_mm is None or result.tip_apex is None
        else result.tip_apex.distance_mm <= site.tip_apex_mm,
        source=source_with_mark(rule.source, rule.mark),
    )


def _with_site(result: ScrewResult, site: Site) -> ScrewResult:
    found = site_length(result, site)
    reasons = {field: why for field, why in result.reasons.items() if field != "site_length"}
    if found is None:
        reasons["site_length"] = site.document.length_rule_reason or result.reasons["bone_length_mm"]
    else:
        reasons.update(_unknown(found, result))
    limits = site.document.limits
    findings = tuple(
        replace(finding, source=source_with_mark(limits[name].source, limits[name].mark))
        if (name := LIMIT_OF_CODE.get(finding.code)) in limits and name is not None
        else finding
        for finding in result.findings
    )
    return replace(result, site_length=found, reasons=reasons, findings=findings)


def _unknown(found: SiteLength, result: ScrewResult) -> dict[str, str]:
    """Why what is null in a rule is null."""
    why = {
        "longest_mm": "the rule has no longest length",
        "shortest_mm": "the rule has no shortest length",
        "longest_stocked_mm": "the rule has no longest length"
        if found.longest_mm is None
        else "no stocked length is as short",
        "usual_mm": "no usual lengths are published for the site",
        "tip_apex_limit_mm": "the site has no limit of the tip–apex distance",
        "tip_apex_within": result.reasons.get("tip_apex", "")
        if found.tip_apex_limit_mm is not None
        else "the site has no limit of the tip–apex distance",
    }
    return {f"site_length.{field}": said for field, said in why.items() if getattr(found, field) is None}


def _end_mm(end: LengthEnd, measured_mm: float) -> float:
    return max(0.0, end.of_measured_fraction * measured_mm - end.less_mm)


def _longest_stocked_mm(result: ScrewResult, longest_mm: float | None) -> float | None:
    if longest_mm is None:
        return None
    stocked = result.placed.screw.stocked_lengths_mm
    return max((one for one in stocked if one <= longest_mm + LENGTH_TOLERANCE_MM), default=None)


def _verdict(length_mm: float, longest_mm: float | None, shortest_mm: float | None) -> LengthVerdict:
    if longest_mm is not None and length_mm > longest_mm + LENGTH_TOLERANCE_MM:
        return "longer"
    if shortest_mm is not None and length_mm < shortest_mm - LENGTH_TOLERANCE_MM:
        return "shorter"
    return "within"


def _told(site: Site) -> dict[str, Any]:
    """The site as results name it, with the source of each limit it names."""
    return {
        "name": site.name,
        "title": site.document.title,
        "sources": {
            name: source_with_mark(one.source, one.mark) for name, one in site.document.limits.items()
        },
        "tip_apex_mm": site.document.limits[TIP_APEX].value if TIP_APEX in site.document.limits else None,
    }
