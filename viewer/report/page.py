"""The whole report: one self-contained HTML file that prints on A4.

For each screw one page of pictures (summary, bone, depth strip, end views) and one of figures (fragments,
clearances, findings); after the first screw's figures, where they come from; then what fluoroscopy should
show; at the end how the bone was found, its labels with fractures and joints where there are any, what a
reduction moved, and its cortex where it was measured. No script, no request to anywhere: the same bone,
assessment and day give the same bytes. Every page carries the cautions at its foot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from planner.compare import Comparison
from planner.entry_map import EntryMap
from planner.forgiveness import Forgiveness
from planner.vocabulary import Assessment
from segmentation.vocabulary import Bone
from viewer.report.compare_page import compare_pages
from viewer.report.cortex_page import cortex_pages
from viewer.report.drawing import patterns
from viewer.report.entry_page import entry_pages
from viewer.report.figure_pages import figure_pages, provenance_pages
from viewer.report.fluoroscopy_page import Fluoroscopy, fluoroscopy_pages
from viewer.report.forgiveness_block import forgiveness_block
from viewer.report.found_page import found_pages
from viewer.report.fracture_page import fracture_pages
from viewer.report.reduction_page import reduction_pages
from viewer.report.sheet import Page
from viewer.report.strip_page import strip_page, unplanned_page
from viewer.report.subject import subject_of
from viewer.report.sure_page import sure_pages


def render_report(
    bone: Bone,
    assessment: Assessment,
    *,
    title: str,
    as_scanned: bool = False,
    made_on: date | None = None,
    fluoroscopy: Fluoroscopy | None = None,
    comparison: Comparison | None = None,
    forgiven: Sequence[Forgiveness] = (),
    mapped: Sequence[EntryMap] = (),
) -> str:
    """The report of ``assessment`` on ``bone`` as one HTML document.

    ``title`` heads the first page. ``as_scanned`` shows fragments where the scan saw them instead of at
    their reduced poses; give it when the plan was measured so. ``made_on`` is printed as the report's day.
    ``fluoroscopy`` says which projections are shown (default: frontal and lateral) and from which landmarks
    entries are told, ``comparison`` what is set side by side, its doubt drawn, ``forgiven`` how
    forgiving each screw is and ``mapped`` what each entry could reach, both in the plan's order. Takes one to
    two seconds a screw and as long for the bone.
    """
    pages: list[Page] = []
    for place, result in enumerate(assessment.screws):
        subject = subject_of(bone, assessment, result, as_scanned=as_scanned)
        pages.append(strip_page(subject, assessment, title))
        pages += figure_pages(subject, assessment, title, made_on)
        further = [forgiveness_block(one, subject.frame) for one in forgiven[place : place + 1]]
        pages += sure_pages(subject, assessment, title, further)
        for one in mapped[place : place + 1]:
            pages += entry_pages(subject, assessment, one, title)
    if not assessment.screws:
        pages.append(unplanned_page(bone, title, as_scanned=as_scanned))
        pages += provenance_pages(bone, assessment, title, made_on)
    if made_on is not None:
        pages[0] = replace(pages[0], sub=f"{pages[0].sub}, report made {made_on.isoformat()}")
    if comparison is not None:
        pages += compare_pages(comparison, title)
    asked = fluoroscopy or Fluoroscopy()
    pages += fluoroscopy_pages(bone, assessment, title, asked, as_scanned=as_scanned)
    pages += found_pages(bone, assessment, title)
    pages += fracture_pages(bone, assessment, title)
    pages += reduction_pages(bone, title)
    pages += cortex_pages(bone, assessment, title, as_scanned=as_scanned)
    return document(pages, bone, assessment, title)


def document(pages: list[Page], bone: Bone, assessment: Assessment, title: str) -> str:
    """These pages of a report as one HTML document."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    folder = files("viewer.report")
    template = environment.from_string(folder.joinpath("page.html").read_text(encoding="utf-8"))
    return template.render(
        title=title,
        css=Markup(folder.joinpath("page.css").read_text(encoding="utf-8")),  # our own file, no one's input
        patterns=Markup(patterns(range(1, len(bone.fragments) + 1))),
        pages=pages,
        caution=" ".join(assessment.cautions),
    )
