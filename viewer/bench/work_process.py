"""The process in which long steps are taken: scans read, bones made and changed, fragments reduced.

A step is a function here, called by name with plain arguments; it tells what it is at, and returns plain
values. What a step read stays for the next one on the same file.
"""

from __future__ import annotations

import contextlib
import signal
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from segmentation.errors import InputError
from viewer.bench import compare_steps, map_step
from viewer.console import Progress

if TYPE_CHECKING:
    from segmentation.bone_pieces import BonePieces
    from segmentation.vocabulary import Bone, CTVolume

_read: dict[tuple[str, int | None], CTVolume] = {}
"""The scan that was read last."""


_pieces: dict[tuple[Any, ...], BonePieces] = {}
"""What was found in the scan that was changed last."""


def run(connection: Connection) -> None:
    """Take the steps that come in until the other end of ``connection`` is closed."""
    # Ctrl-C in the terminal is for the server; this process ends by its pipe.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(EOFError, OSError):
        while True:
            task, arguments = connection.recv()
            try:
                value = TASKS[task](lambda step: connection.send(("step", step)), **arguments)
                connection.send(("done", value))
            except InputError as fault:
                connection.send(("fault", str(fault)))
            except MemoryError:
                connection.send(("fault", "there is not enough memory for this step; nothing was changed"))


def look_into(progress: Progress, path: Path) -> dict[str, Any]:
    """What volumes a file or folder holds, in words, and which would be loaded."""
    from segmentation.scan import scan_ct

    progress("reading headers")
    told = scan_ct(path)
    found = [
        {
            "number": one.number,
            "title": one.title,
            "shape": None if one.grid is None else list(one.grid.shape),
            "spacing_mm": None if one.grid is None else [float(edge) for edge in one.grid.spacing_mm],
            "refusal": one.refusal,
        }
        for one in told.found
    ]
    return {"kind": told.kind, "found": found, "loads": told.loads, "refusal": told.refusal}


def read_scan(progress: Progress, path: Path, series: int | None) -> dict[str, Any]:
    """Read a scan: where its grey values lie on the disk for this run, its grid, level and histogram."""
    from segmentation.kernel import sharp_note
    from segmentation.record import histogram_of
    from segmentation.threshold import choose_level

    ct = _scan(progress, path, series)
    progress("choosing the level")
    level_hu, reason = None, ""
    try:
        chosen = choose_level(ct)
        level_hu, reason = chosen.level_hu, chosen.reason
    except InputError as fault:
        reason = str(fault)
    progress("counting grey values")
    histogram = histogram_of(ct)
    # The page's process looks at the same values by way of a file that only this run knows.
    with tempfile.NamedTemporaryFile(prefix="pilothole-", suffix=".npy", delete=False) as file:
        np.save(file, ct.hu)
    return {
        "hu_file": file.name,
        "affine": np.asarray(ct.grid.affine).tolist(),
        "told_voltage_kv": ct.tube_voltage_kv,
        "level_hu": level_hu,
        "level_reason": reason,
        "histogram": histogram,
        "notes": [*sharp_note(ct)],
    }


def make_bone(
    progress: Progress, path: Path, series: int | None, folder: Path, options: Mapping[str, Any]
) -> None:
    """Make a case from a scan with ``SegmentOptions``, as ``pilothole segment`` does."""
    from segmentation.case import write_case
    from viewer.pipeline import SegmentOptions, bone_from_ct, check_target

    check_target(folder, replace=False)
    scan = _scan(progress, path, series)
    bone = bone_from_ct(path, SegmentOptions(series=series, **options), progress, scan=scan)
    progress("writing the case")
    write_case(folder, bone)


def make_demo(progress: Progress, name: str, folder: Path) -> Path:
    """Make a demo bone's files and its case; the case."""
    from segmentation.files import refusals_as_sentences
    from viewer.demo_case import write_demo_case

    with refusals_as_sentences("cannot make the demo's folder"):
        folder.parent.mkdir(exist_ok=True)
    return write_demo_case(folder, name, progress)


def mend(
    progress: Progress,
    folder: Path,
    changes: Mapping[str, Any] | None,
    poses: Mapping[int, npt.NDArray[np.float64]] | None,
) -> list[str]:
    """Make a case's bone anew with other seeds, edits or names, or set its ``poses`` alone.

    Without ``poses`` each stays with a fragment that is the same as before. Returns what there is to tell.
    """
    from segmentation.again import asked_of
    from segmentation.case import read_case, write_case, write_poses
    from segmentation.recipe import segment
    from viewer.bench.bone_state import carried_over

    told: list[str] = []
    progress("reading the case")
    bone = read_case(folder)
    if changes is not None:
        asked = {**asked_of(bone), **changes}
        ct, pieces = _pieces_of(bone, asked, progress)
        new = segment(ct, **asked, pieces=pieces, progress=progress)
        new = replace(new, digests=bone.digests)
        before = sum(1 for one in bone.fragments if not np.array_equal(one.pose, np.eye(4)))
        if poses is None:
            poses = carried_over(bone, new)
            if len(poses) < before:
                told.append("a reduced fragment was changed and stands where it was scanned; reduce it again")
        progress("writing the case")
        write_case(folder, new, replace=True)
        bone = new
    known = {number: pose for number, pose in (poses or {}).items() if number <= len(bone.fragments)}
    if known:
        write_poses(folder, known)
    return told


def reduce(progress: Progress, folder: Path, move: int, onto: int, pairs: list[Any]) -> list[str]:
    """Bring a fragment back onto another and keep the pose; what there is to tell of it."""
    from segmentation.case import read_case, write_poses
    from segmentation.reduction import reduce_fragment
    from segmentation.reduction_starts import NO_PAIRS, Pairs
    from viewer.reducing import check_accepted, check_pairs, reduction_lines

    progress("reading the case")
    bone = read_case(folder)
    given = NO_PAIRS
    if pairs:
        given = Pairs(np.array([one for one, _ in pairs]), np.array([other for _, other in pairs]))
    check_pairs(given, bone.fragment(move), bone.fragment(onto))
    found = reduce_fragment(bone, move, onto, pairs=given, progress=progress)
    check_accepted(bone, found)
    progress("writing the pose")
    write_poses(folder, {found.move: found.pose}, {found.move: bone.fragment(found.onto).bone})
    return [line.strip() for line in reduction_lines(bone, found)]


def search(
    progress: Progress,
    folder: Path,
    names: Sequence[str],
    site: str | None,
    stays: Mapping[str, Any] | None,
    as_scanned: bool,
    bone_name: str | None,
    any_angle: bool,
    count: int,
) -> dict[str, Any]:
    """The best screws for a bone of a case: in words, as parts of a plan, and what else is told."""
    from planner.catalogue import built_in_screws
    from planner.plan_file import plan_document, plan_of
    from planner.site_file import site_limits
    from planner.vocabulary import Plan
    from viewer.report.words import sorted_findings, technique_words
    from viewer.searching import as_placed_words, excluded_lines, found_in_case, held_words

    found, _ = found_in_case(
        folder,
        names,
        keep=None if stays is None else plan_of(dict(stays), built_in_screws()),
        count=count,
        bone=bone_name,
        any_angle=any_angle,
        fragments=(),
        approach=None,
        catalogue=None,
        as_scanned=as_scanned,
        exhaustive=False,
        limits=None if site is None else site_limits(site),
        progress=progress,
    )
    placed = tuple(replace(one.placed, name=f"found {n}") for n, one in enumerate(found.candidates, start=1))
    rows = [
        {
            "screw": one.placed.screw.name,
            "length_mm": one.placed.length_mm,
            "how": technique_words(one.placed.screw, one.placed.technique),
            "held": held_words(one.criteria),
            "reason": one.reason,
            "as_placed": as_placed_words(one, found.placing),
            "warns": [
                told.message for told in sorted_findings(one.result.findings) if told.severity != "note"
            ],
        }
        for one in found.candidates
    ]
    counted = f"{found.evaluated_count:,} candidates, {found.feasible_count:,} keep every limit"
    return {
        "rows": rows,
        "screws": plan_document(Plan(placed))["screws"] if placed else [],
        "notes": [counted, *found.notes, *excluded_lines(found)],
    }


def _pieces_of(
    bone: Bone, asked: Mapping[str, Any], progress: Progress
) -> tuple[CTVolume, BonePieces | None]:
    """The bone's scan and its pieces, which no change of seeds, edits or names touches: found once."""
    from segmentation.bone_pieces import find_pieces

    if asked["labels"] is not None:
        return bone.ct, None
    key = (bone.ct.digest, asked["threshold_hu"], asked["host"], asked["keep_small"])
    if key not in _pieces:
        _pieces.clear()
        options = {name: asked[name] for name in ("threshold_hu", "host", "keep_small")}
        _pieces[key] = find_pieces(bone.ct, **options, progress=progress)
    return _pieces[key].at.scan, _pieces[key]


def _scan(progress: Progress, path: Path, series: int | None) -> CTVolume:
    from segmentation.ct import load_ct

    key = (str(path), series)
    if key not in _read:
        progress("reading the scan")
        _read.clear()
        _read[key] = load_ct(path, series)
    return _read[key]


TASKS: Mapping[str, Callable[..., Any]] = {
    "look_into": look_into,
    "read_scan": read_scan,
    "make_bone": make_bone,
    "make_demo": make_demo,
    "mend": mend,
    "reduce": reduce,
    "search": search,
    "map_entries": map_step.map_entries,
    "compare": compare_steps.compare,
    "what-if": compare_steps.what_if,
}
"""Every step by name."""
