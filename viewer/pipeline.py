"""From the files and words a person gives on the command line to a bone, a plan and an assessment.

The steps of ``segment``, ``measure``, ``report`` and ``demo`` that are more than showing: each reads what is
named, checks that the parts fit, and hands plain values to the packages below. Nothing is written here but
the case itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from segmentation.errors import InputError
from viewer.asking import numbers_in
from viewer.console import Progress

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from planner.asked import Asked
    from planner.compare import Comparison
    from planner.entry_map import EntryMap
    from planner.forgiveness import Forgiveness
    from planner.vocabulary import Assessment, Plan, Screw
    from segmentation.asked import Name
    from segmentation.parts import Cut
    from segmentation.vocabulary import Bone, CTVolume, Host
    from viewer.report.fluoroscopy_page import Fluoroscopy

TUBE_VOLTAGES_KV = (40.0, 200.0)
"""Between these lies every X-ray tube of a CT (common practice: 70 to 150 kV)."""


@dataclass(frozen=True)
class SegmentOptions:
    """What a person says about a CT, in their words."""

    series: int | None = None
    threshold_hu: float | None = None
    calibration: str | None = None
    rods: Path | None = None
    by_tissues: bool = False
    tube_voltage_kv: float | None = None
    host: Host = "bone"
    cuts: Sequence[str] = ()
    edits: Path | None = None
    names: Sequence[str] = ()
    labels: Path | None = None
    seeds: Path | None = None
    joint: Path | None = None
    keep_small: bool = False
    refine: bool | None = None


def check_target(folder: Path, *, replace: bool) -> None:
    """Raise InputError unless a case may be written at ``folder`` from where the person stands."""
    from segmentation.case import check_place
    from segmentation.files import shown

    check_place(folder, replace=replace)
    if folder.exists() and Path.cwd().resolve().is_relative_to(folder.resolve()):
        # The new case takes the old folder's place; whoever stood in the old one would look at nothing.
        raise InputError(
            f"the case {shown(folder.resolve().name)} is the folder you are in; go out of it and try again"
        )


def bone_from_ct(
    path: Path, options: SegmentOptions, progress: Progress, scan: CTVolume | None = None
) -> Bone:
    """The bone in the CT at ``path``, taken as ``options`` say; ``scan`` is that CT if read before."""
    from segmentation.calibration import parse_calibration
    from segmentation.ct import load_ct
    from segmentation.edits import edits_from_file
    from segmentation.files import sha256_of_file
    from segmentation.recipe import segment
    from segmentation.rods_file import read_rods
    from segmentation.seeds import seeds_from_file
    from segmentation.surface_file import read_ply
    from viewer.calibrating import calibration_of, check_one_calibration, warned_of_kernel

    # What is cheap to check comes first: a slip of the pen must not cost a minute.
    cuts = [parse_cut(text) for text in options.cuts]
    edits = () if options.edits is None else edits_from_file(options.edits)
    names = [parse_name(text) for text in options.names]
    check_one_calibration(
        options.host,
        given=options.calibration is not None,
        rods=options.rods is not None,
        by_tissues=options.by_tissues,
    )
    given = None if options.calibration is None else parse_calibration(options.calibration)
    rods = None if options.rods is None else read_rods(options.rods)
    joint = None if options.joint is None else read_ply(options.joint)
    seeds = () if options.seeds is None else seeds_from_file(options.seeds)
    if options.seeds is not None and options.labels is not None:
        raise InputError("--seeds and --labels both say which bone is whose; give one of them")
    if options.threshold_hu is not None and not math.isfinite(options.threshold_hu):
        raise InputError(
            f"--threshold must be a finite number of HU (got {options.threshold_hu}); write for example 226"
        )
    progress("reading the CT")
    ct = load_ct(path, options.series) if scan is None else scan
    ct = _with_tube_voltage(ct, options.tube_voltage_kv)
    digests = {"ct": ct.digest}
    labels = None
    if options.labels is not None:
        labels, digests["labels"] = _labels(options.labels, ct)
    if options.joint is not None:
        digests["joint"] = sha256_of_file(options.joint)
    if options.rods is not None:
        digests["rods"] = sha256_of_file(options.rods)
    if options.seeds is not None:
        digests["seeds"] = sha256_of_file(options.seeds)
    if rods is not None or options.by_tissues:
        progress("calibrating")
    calibration, reason = calibration_of(ct, options.host, given, rods, by_tissues=options.by_tissues)
    bone = segment(
        ct,
        threshold_hu=options.threshold_hu,
        calibration=calibration,
        calibration_reason=reason,
        host=options.host,
        cuts=cuts,
        edits=edits,
        labels=labels,
        seeds=seeds,
        keep_small=options.keep_small,
        refine=options.refine,
        joint=joint,
        names=names,
        progress=progress,
    )
    return replace(warned_of_kernel(bone), digests=digests)


def screws_known(catalogue: Path | None) -> Mapping[str, Screw]:
    """The built-in screws and, before them, those of a person's own catalogue."""
    from planner.catalogue import built_in_screws, read_catalogue

    return built_in_screws() if catalogue is None else {**read_catalogue(catalogue), **built_in_screws()}


def assess_case(
    folder: Path,
    plan: Path | None,
    catalogue: Path | None,
    progress: Progress,
    *,
    as_scanned: bool = False,
    asked: Asked | None = None,
) -> tuple[Bone, Assessment]:
    """The bone of a case and what was measured on it for ``plan`` (None: the case's own plan.json)."""
    from planner.asked import Asked, assess_asked
    from planner.assess import ready

    bone, read = bone_and_plan(folder, plan, catalogue, progress, as_scanned=as_scanned)
    progress("measuring")
    return bone, assess_asked(ready(bone, as_scanned=read.pose == "as-scanned"), read, asked or Asked())


def bone_and_plan(
    folder: Path, plan: Path | None, catalogue: Path | None, progress: Progress, *, as_scanned: bool
) -> tuple[Bone, Plan]:
    """The bone of a case, and ``plan`` or the case's own in the frame that is asked."""
    from planner.plan_file import read_plan
    from segmentation.case import BONE, PLAN, check_case, read_case
    from segmentation.files import sha256_of_file, shown

    progress("reading the plan")
    if plan is None:
        check_case(folder)
        plan = folder / PLAN
        if not plan.is_file():
            raise InputError(
                f"the case {shown(folder.name)} has no plan.json; write one there or give --plan"
            )
    read = read_plan(plan, screws_known(catalogue))
    progress("reading the case")
    bone = read_case(folder)
    bone = replace(bone, digests={**bone.digests, BONE: sha256_of_file(folder / BONE)})
    return bone, replace(read, pose="as-scanned") if as_scanned else read


def write_report(
    path: Path,
    bone: Bone,
    assessment: Assessment,
    fluoroscopy: Fluoroscopy | None = None,
    comparison: Comparison | None = None,
    forgiven: Sequence[Forgiveness] = (),
    mapped: Sequence[EntryMap] = (),
) -> None:
    """Write the report of a case to ``path``, whole or not at all, with today's date. Its title names the
    screws' bones; the rest is as in ``render_report``."""
    from datetime import date

    from segmentation.files import write_whole
    from viewer.report.page import render_report

    bones = ", ".join(dict.fromkeys(result.bone_name for result in assessment.screws))
    as_scanned = assessment.bone["pose"] == "as-scanned"
    page = render_report(
        bone,
        assessment,
        title=bones,
        as_scanned=as_scanned,
        made_on=date.today(),
        fluoroscopy=fluoroscopy,
        comparison=comparison,
        forgiven=forgiven,
        mapped=mapped,
    )
    write_whole(path, page.encode())


def parse_cut(text: str) -> Cut:
    """The plane in ``"x,y,z,nx,ny,nz"``: a point in the fragment to divide, the direction of the new one."""
    from segmentation.parts import Cut
    from segmentation.vocabulary import frozen_array

    values = numbers_in(text, 6)
    if values is None:
        raise InputError(
            f"--cut must be six finite numbers x,y,z,nx,ny,nz (got {text[:60]!r}); give a point and a normal"
        )
    if not any(values[3:]):
        raise InputError(
            f"the normal of --cut must not be 0,0,0 (got {text[:60]!r}); give the direction of the new piece"
        )
    return Cut(frozen_array(values[:3], float), frozen_array(values[3:], float))


def parse_name(text: str) -> Name:
    """The name in ``"x,y,z=FRAGMENT"`` or ``"x,y,z=FRAGMENT@BONE"``."""
    from segmentation.documents import name_fault

    place, equals, words = text.partition("=")
    values = numbers_in(place, 3)
    if values is None or not equals:
        raise InputError(
            f"--name must be x,y,z=FRAGMENT or x,y,z=FRAGMENT@BONE (got {text[:60]!r}); give a point in it"
        )
    fragment, at, bone = words.rpartition("@") if "@" in words else (words, "", "")
    for word in (fragment, bone) if at else (fragment,):
        if fault := name_fault(word):
            raise InputError(f"a name in --name {fault} (got {word[:80]!r}); choose another")
    return (values[0], values[1], values[2]), fragment, bone if at else None


def _with_tube_voltage(ct: CTVolume, given_kv: float | None) -> CTVolume:
    if given_kv is None:
        return ct
    low_kv, high_kv = TUBE_VOLTAGES_KV
    if not low_kv <= given_kv <= high_kv:
        raise InputError(
            f"--kvp must be {low_kv:g} to {high_kv:g} kV (got {given_kv:g}); look at the scan's protocol"
        )
    if ct.tube_voltage_kv is not None and ct.tube_voltage_kv != given_kv:
        raise InputError(
            f"--kvp {given_kv:g} contradicts the scan, which says {ct.tube_voltage_kv:g} kV; leave --kvp out"
        )
    return replace(ct, tube_voltage_kv=given_kv)


def _labels(path: Path, ct: CTVolume) -> tuple[npt.NDArray[np.generic], str]:
    from segmentation.files import shown
    from segmentation.nifti import load_nifti

    if path.is_dir() or not path.exists():
        raise InputError(f"--labels {shown(path.name)} is no file; give a NIfTI file on the CT's own grid")
    read = load_nifti(path)
    if read.grid.shape != ct.grid.shape:
        raise InputError(
            f"the labels must have the CT's shape {ct.grid.shape} (got {read.grid.shape}); export them again"
        )
    if not read.grid.same_place_as(ct.grid):
        raise InputError(
            "the labels do not lie where the CT lies (their affines differ); export them on its grid"
        )
    return read.hu, read.digest
