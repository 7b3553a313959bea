"""A demo bone's files and its case: from CT to report by the same files and steps as a person's own scan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from viewer.console import Progress

if TYPE_CHECKING:
    from demo_volumes.make import DemoCase
    from viewer.pipeline import SegmentOptions


def write_demo_case(folder: Path, name: str, progress: Progress) -> Path:
    """Make demo ``name`` in ``folder`` and its case in ``folder / "case"``, with a plan; the case."""
    from demo_volumes.make import make_demo
    from segmentation.case import PLAN, write_case
    from segmentation.files import canonical_json, write_whole
    from viewer.pipeline import bone_from_ct

    progress("making the bone")
    made = make_demo(name)
    write_demo_files(folder, made)
    bone = bone_from_ct(folder / "ct.nii.gz", demo_options(folder, made), progress)
    progress("writing the case")
    case = folder / "case"
    write_case(case, bone)
    write_whole(case / PLAN, canonical_json(made.plan))
    return case


def write_demo_report(case: Path, progress: Progress) -> Path:
    """Measure the case of a demo and write assessment and report into it; the report."""
    from planner.assessment_file import assessment_document
    from segmentation.case import ASSESSMENT, REPORT
    from segmentation.files import canonical_json, write_whole
    from viewer.pipeline import assess_case, write_report

    bone, assessment = assess_case(case, None, None, progress)
    write_whole(case / ASSESSMENT, canonical_json(assessment_document(assessment)))
    progress("drawing the report")
    write_report(case / REPORT, bone, assessment)
    return case / REPORT


def write_demo_files(folder: Path, made: DemoCase) -> None:
    """The demo's CT, plan, truth and joint surface as ``folder``, whole or not at all."""
    from segmentation.case import write_volume
    from segmentation.files import canonical_json, refusals_as_sentences, shown
    from segmentation.folder_swap import replace_folder
    from segmentation.surface_file import ply_bytes

    def build(new: Path) -> None:
        write_volume(new / "ct.nii.gz", made.ct.hu, made.ct.grid)
        (new / "plan.json").write_bytes(canonical_json(made.plan))
        (new / "truth.json").write_bytes(canonical_json(made.truth))
        if made.joint is not None:
            (new / "joint.ply").write_bytes(ply_bytes(made.joint))

    with refusals_as_sentences(f"cannot write {shown(folder.name)}"):
        replace_folder(folder, build, keep=lambda _: False)


def demo_options(folder: Path, made: DemoCase) -> SegmentOptions:
    """What ``pilothole segment`` is told about the demo's CT."""
    from viewer.pipeline import SegmentOptions

    told = made.segment_options
    return SegmentOptions(
        threshold_hu=told["threshold_hu"],
        calibration=",".join(f"{value:.10g}" for value in told["calibration"]),
        host=told["host"],
        refine=True if told["refine"] else None,
        names=[_name_text(*one) for one in told["names"]],
        joint=folder / "joint.ply" if made.joint is not None else None,
    )


def _name_text(point_mm: tuple[float, ...], fragment: str, bone: str | None) -> str:
    return ",".join(f"{value:.4f}" for value in point_mm) + f"={fragment}" + (f"@{bone}" if bone else "")
