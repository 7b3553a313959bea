"""A bone and what was measured on it as HTML for a notebook: a static picture and tables, nothing loaded.

The drawings are the report's, on paper white whatever the notebook's theme; every number is the assessment's.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from planner.findings import CAUTIONS
from planner.limits import Limits
from planner.vocabulary import Assessment, ScrewResult
from segmentation.vocabulary import Bone
from viewer.report import words
from viewer.report.drawing import patterns, written
from viewer.report.limit_rows import limit_rows, limit_svg
from viewer.report.ruler import rulers
from viewer.report.scene import bare_scene_svg, scene_svg
from viewer.report.sheet import WIDTH_PX
from viewer.report.strip import strip_svg
from viewer.report.subject import subject_of
from viewer.report.view_frame import posed_fragments

SCENE_PX, DENSITY_PX, GLYPH_PX = 240.0, 62.0, 130.0
"""Height of the bone's picture, of the density lane, width of a limit's glyph. Our choice."""

SHEET = (
    "background:#fff;color:#16222B;font:13px/1.35 system-ui,sans-serif;padding:8px 12px;"
    "font-variant-numeric:tabular-nums;max-width:720px"
)
CELL = "padding:1px 10px 1px 0;text-align:left;border:0;background:#fff;color:#16222B"
CAUTION = "color:#43525C;font-size:11px;margin:8px 0 0"


class Shown:
    """HTML that a notebook shows as the value of a cell."""

    def __init__(self, html: str) -> None:
        self.html = html

    def _repr_html_(self) -> str:
        return self.html


def bone_html(bone: Bone) -> str:
    """The bone from the front, and its fragments."""
    return _sheet(bone, _bone_parts(bone), CAUTIONS)


def assessment_html(assessment: Assessment) -> str:
    """Each screw's limits, hold and findings."""
    limits = _limits(assessment)
    parts = [
        part for number, one in enumerate(assessment.screws) for part in _screw_parts(one, number, limits)
    ]
    return _sheet(None, parts or ["<p>The plan holds no screw.</p>"], assessment.cautions)


def result_html(result: ScrewResult) -> str:
    """One screw's limits, hold and findings. It does not tell what was asked, so the usual limits."""
    return _sheet(None, _screw_parts(result, 0, Limits()), CAUTIONS)


def _limits(assessment: Assessment) -> Limits:
    """What the screws were held against."""
    return Limits(**assessment.made_with["settings"]["limits"])


def pictured_html(bone: Bone, assessment: Assessment | None) -> str:
    """The bone alone, or each screw of ``assessment`` in it: scene, depth strip, and the tables."""
    if assessment is None or not assessment.screws:
        return bone_html(bone)
    as_scanned = assessment.bone["pose"] == "as-scanned"
    parts: list[str] = []
    for number, result in enumerate(assessment.screws):
        subject = subject_of(bone, assessment, result, as_scanned=as_scanned)
        scene, from_where = scene_svg(subject, width_px=WIDTH_PX, height_px=SCENE_PX)
        parts += [scene, f"<p>{escape(from_where)}</p>"]
        parts += [
            strip_svg(subject, ruler, [], density_px=DENSITY_PX, width_px=WIDTH_PX)
            for ruler in rulers(subject, WIDTH_PX)
        ]
        parts += _screw_parts(result, number, _limits(assessment))
    return _sheet(bone, parts, assessment.cautions)


def _sheet(bone: Bone | None, parts: Iterable[str], cautions: Sequence[str]) -> str:
    ranks = () if bone is None else range(1, len(bone.fragments) + 1)
    said = f'<p style="{CAUTION}">{escape(" ".join(cautions))}</p>'
    return f'<div class="pilothole" style="{SHEET}">{patterns(ranks)}{"".join(parts)}{said}</div>'


def _bone_parts(bone: Bone) -> list[str]:
    posed = posed_fragments(bone, as_scanned=False)
    scene, from_where = bare_scene_svg(bone, posed, width_px=WIDTH_PX, height_px=SCENE_PX)
    line = bone.calibration
    density = (
        f"density not known: {bone.calibration_reason}"
        if line is None
        else f"density = {line.slope_mg_cm3_per_hu:g} · HU + {line.intercept_mg_cm3:g} mg/cm³ ({line.kind})"
    )
    rows = [
        [str(one.number), one.name, one.bone, f"{written(one.volume_mm3 / 1000, 2)} cm³"]
        for one in bone.fragments
    ]
    level = f"Bone begins at {bone.segmentation.threshold_hu:g} HU ({bone.segmentation.threshold_reason});"
    return [
        scene,
        f"<p>{escape(from_where)} {escape(level)} {escape(density)}.</p>",
        _table(("", "fragment", "of", "volume"), [[escape(cell) for cell in row] for row in rows]),
    ]


def _screw_parts(result: ScrewResult, number: int, limits: Limits) -> list[str]:
    name = escape(f"{result.placed.name}: {words.title_words(result)}")
    rows = [
        [
            escape(row.words),
            escape(row.reason or "not known") if row.value is None else f"<b>{row.shown}</b> {row.unit}",
            "" if row.value is None else limit_svg(row, GLYPH_PX),
            row.limit_words,
        ]
        for row in limit_rows(result, number, limits)
    ]
    parts = [
        f"<p><b>{name}</b><br>{escape(words.summary_words(result))}</p>",
        _table(("against its limits", "", "right of the line keeps the limit", ""), rows),
        _table(("fragment", "axis path", "threads", "density", "pull-out (5–95 %)"), _held(result)),
    ]
    findings = [
        [f"<b>{one.severity}</b>", escape(one.message), escape(one.source)]
        for one in words.sorted_findings(result.findings)
    ]
    return [*parts, _table(("findings", "", "source"), findings)] if findings else parts


def _held(result: ScrewResult) -> list[list[str]]:
    """A row for each fragment on the axis; a force that does not count is not told."""
    rows = []
    for one in result.fragments:
        hold, density = words.bitten_hold(one), one.mean_density_mg_cm3
        force = "–"
        if hold is not None:
            force = f"{written(hold.estimate, 0)} N ({written(hold.low, 0)}–{written(hold.high, 0)})"
        if one.fragment == result.governed_by and not words.has_stop(result):
            force += " <b>governs</b>"
        if words.has_stop(result):
            force += " (not for comparison: a stop stands)" if hold is not None else ""
        rows.append(
            [
                escape(one.fragment_name),
                f"{written(one.axis_path_mm)} mm",
                written(one.threads_engaged),
                "–" if density is None else f"{written(density, 0)} mg/cm³",
                force,
            ]
        )
    return rows


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of ready markup."""
    top = "".join(f'<th style="{CELL}">{escape(one)}</th>' for one in head)
    body = "".join(
        "<tr>" + "".join(f'<td style="{CELL}">{cell}</td>' for cell in row) + "</tr>" for row in rows
    )
    return f'<table style="border-collapse:collapse;margin:4px 0"><tr>{top}</tr>{body}</table>'
