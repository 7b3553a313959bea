"""The step that looks what each entry of a bone could reach, and draws it as the report does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from viewer.console import Progress


def map_entries(
    progress: Progress,
    folder: Path,
    plan: Mapping[str, Any],
    number: int,
    site: str | None,
    as_scanned: bool,
) -> dict[str, Any]:
    """The sheet of screw ``number`` of ``plan``, from 0: its parts in order, drawings as SVG."""
    from planner.assess import assess_screws, ready
    from planner.catalogue import built_in_screws
    from planner.entry_map import entry_map
    from planner.limits import Limits
    from planner.plan_file import plan_of
    from planner.site_file import site_limits
    from segmentation.case import read_case
    from viewer.report.entry_page import entry_pages
    from viewer.report.subject import subject_of
    from viewer.searching import space_of_case

    limits = Limits() if site is None else site_limits(site)
    progress("reading the case")
    bone = read_case(folder)
    made, planned = ready(bone, as_scanned=as_scanned), plan_of(dict(plan), built_in_screws())
    assessment = assess_screws(made, planned, limits=limits)
    result = assessment.screws[number]
    progress("measuring distances")
    space = space_of_case(folder, made, result.bone_name)
    progress("looking what each entry could reach")
    others = tuple(screw for n, screw in enumerate(planned.screws) if n != number)
    told = entry_map(made, space, [result.placed.screw], limits=limits, kept=replace(planned, screws=others))
    progress("drawing it")
    subject = subject_of(bone, assessment, result, as_scanned=as_scanned)
    blocks = [block for page in entry_pages(subject, assessment, told, "") for block in page.blocks]
    return {
        "screw": result.placed.name,
        "blocks": [
            {"svg": str(block["svg"])}
            if "svg" in block
            else {"bold": str(block["bold"]), "words": str(block["words"])}
            for block in blocks
        ],
    }
