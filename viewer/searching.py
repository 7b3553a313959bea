"""A search on a case: the case's own cache of fields, the screws asked for, and what was found in words."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from segmentation.errors import InputError
from viewer.console import Progress

if TYPE_CHECKING:
    from planner.assess import ReadyBone
    from planner.doubt_vocabulary import PlacementName
    from planner.limits import Limits
    from planner.search import Found
    from planner.search_choice import Candidate
    from planner.search_lines import Approach
    from planner.search_space import SearchSpace
    from planner.vocabulary import PlacedScrew, Plan, Screw

CACHE_VERSION = "fields 3"
"""Changes with what a field is or how it is made: an older cache is then made anew."""


def space_of_case(folder: Path, bone: ReadyBone, bone_name: str) -> SearchSpace:
    """The search space of a bone, its fields read from the case or made and kept there.

    The cache belongs to bone.json, which has the digests of all it depends on. It is never needed: what
    cannot be read is made, what cannot be written is done without.
    """
    from planner.search_space import search_space
    from segmentation.case import BONE, FIELDS
    from segmentation.files import write_whole

    told = f"{CACHE_VERSION}\n{bone_name}\n{bone.as_scanned}\n".encode()
    digest = hashlib.sha256(told + (folder / BONE).read_bytes()).hexdigest()

    def keep(arrays: dict[str, Any]) -> None:
        import numpy as np

        packed = io.BytesIO()
        np.savez(packed, digest=np.array(digest), **arrays)
        try:
            write_whole(folder / FIELDS, packed.getvalue())
        except InputError:
            return

    return search_space(bone.prepared, bone_name, _kept(folder / FIELDS, digest), keep)


def _kept(path: Path, digest: str) -> dict[str, Any] | None:
    """The arrays of a cache that belongs to the case as it is; None otherwise."""
    import numpy as np

    try:
        with np.load(path, allow_pickle=False) as file:
            if str(file["digest"]) != digest:
                return None
            return {name: file[name] for name in file.files if name != "digest"}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def screws_asked(names: Sequence[str], catalogue: Path | None) -> tuple[Screw, ...]:
    """The screws of those names; by default every family but those for a plate."""
    from planner.catalogue import read_catalogue
    from segmentation.documents import nearest
    from segmentation.files import shown
    from viewer.pipeline import screws_known

    known = screws_known(catalogue)
    if names:
        for name in names:
            if name not in known:
                raise InputError(f"unknown screw {shown(name)} ({nearest(name, known)})")
        return tuple(known[name] for name in dict.fromkeys(names))
    own = known if catalogue is None else read_catalogue(catalogue)
    return tuple(one for one in own.values() if one.head is None or one.head.shape != "locking")


def approach_of(text: str) -> Approach:
    """The cone in ``"x,y,z,DEGREES"``: the direction from entry to tip and how far a screw may be off it."""
    import numpy as np

    from planner.search_lines import Approach

    try:
        x, y, z, within = (float(part) for part in text.split(","))
    except ValueError:
        x = y = z = within = float("nan")
    direction = np.array([x, y, z])
    if not (np.isfinite(direction).all() and np.linalg.norm(direction) > 0 and 0 < within <= 180):
        raise InputError(
            f"--approach must be a direction and an angle x,y,z,degrees (got {text[:60]!r}); for example "
            "0,1,0,30 for forwards within 30°"
        )
    return Approach(direction, within)


def found_in_case(
    folder: Path,
    names: Sequence[str],
    *,
    keep: Path | Plan | None,
    count: int,
    bone: str | None,
    fragments: Sequence[str],
    approach: str | None,
    catalogue: Path | None,
    as_scanned: bool,
    exhaustive: bool,
    limits: Limits | None,
    progress: Progress,
    any_angle: bool = False,
    together: int = 1,
    parallel_degree: float | None = None,
    placing: PlacementName = "freehand",
    lag: bool = False,
) -> tuple[Found, Any]:
    """What a search finds in a case, and the plan it keeps (None without). Cheap checks come first."""
    screws = screws_asked(names, catalogue)
    cone = None if approach is None else approach_of(approach)

    from dataclasses import replace

    from planner.assess import ready
    from planner.plan_file import read_plan
    from planner.search import Wish, search
    from planner.search_space import bone_to_search
    from segmentation.case import read_case
    from viewer.pipeline import screws_known
    from viewer.reducing import fragment_called

    kept = read_plan(keep, screws_known(catalogue)) if isinstance(keep, Path) else keep
    pose: Literal["reduced", "as-scanned"] = "as-scanned" if as_scanned else "reduced"
    if kept is not None:
        kept = replace(kept, pose=pose)
    progress("reading the case")
    read = read_case(folder)
    made = ready(read, as_scanned=as_scanned)
    bone_name = bone_to_search(made.prepared, bone, _planned_bone(folder, made, kept, catalogue))
    own = tuple(fragment_called(read, name).number for name in fragments) or None
    if own and not set(own) <= set(made.prepared.fragments_of(bone_name)):
        raise InputError(f"--from names a fragment that is not of {bone_name}; name its own, or give --bone")
    progress("measuring distances")
    space = space_of_case(folder, made, bone_name)
    wish = Wish(
        screws,
        count,
        own,
        cone,
        kept,
        exhaustive,
        any_angle=any_angle,
        together_count=together,
        parallel_degree=parallel_degree,
        placing=placing,
        lag=lag,
    )
    return search(made, space, wish, limits=limits, progress=progress), kept


def _planned_bone(folder: Path, made: ReadyBone, kept: Plan | None, catalogue: Path | None) -> str | None:
    """The bone that the first screw kept, or of the case's own plan, enters; None without one that does."""
    from planner.path import trace
    from planner.plan_file import read_plan
    from segmentation.case import PLAN
    from viewer.pipeline import screws_known

    try:
        plan = kept or read_plan(folder / PLAN, screws_known(catalogue))
        return trace(made.prepared, plan.screws[0]).bone_name if plan.screws else None
    except InputError:
        return None


def search_lines(found: Found) -> Iterator[str]:
    """What was found, in words."""
    from viewer.report.words import technique_words

    yield (
        f"{found.bone_name}: {found.evaluated_count:,} candidates in {found.search_s:.1f} s, "
        f"{found.feasible_count:,} keep every limit"
    )
    for note in found.notes:
        yield f"  note: {note}"
    if found.set_criteria:
        yield from set_lines(found)
        return
    for number, one in enumerate(found.candidates, start=1):
        placed, criteria = one.placed, one.criteria
        how = technique_words(placed.screw, placed.technique)
        yield f"{number}. {placed.screw.name}, {placed.length_mm:g} mm, {how}: {held_words(criteria)}"
        yield f"   {one.reason}"
        if (words := as_placed_words(one, found.placing)) is not None:
            yield f"   {words}"
        yield f"   {_where(placed)}"
        for told in one.result.findings:
            if told.severity != "note":
                yield f"   {told.severity}: {told.message}"
    yield from excluded_lines(found)


def set_lines(found: Found) -> Iterator[str]:
    """The screws that are best together, in words."""
    from planner.search_set_finalists import ORDER_PRESSING, ORDER_UNKNOWN

    yield f"{found.judged_count:,} sets judged"
    for number, one in enumerate(found.sets, start=1):
        hold, hu = one.criteria["weakest_hold_n"], one.criteria["weakest_ring_mean_hu"]
        held = (
            f"the weakest screw at mean {hu:.0f} HU in the thread ring"
            if hold is None
            else f"the weakest screw holds {hold:.0f} N, all together {one.criteria['hold_sum_n']:.0f} N"
        )
        yield f"{number}. {held}"
        yield f"   {one.reason}"
        for result, criteria in zip(one.results, one.each, strict=True):
            placed = result.placed
            yield f"   {placed.name}: {placed.screw.name}, {placed.length_mm:g} mm: {held_words(criteria)}"
            yield f"      {_where(placed)}"
            for told in result.findings:
                if told.severity != "note":
                    yield f"      {told.severity}: {told.message}"
        if one.drilling_order is None:
            yield f"   {ORDER_UNKNOWN}"
        else:
            first, rest = (" and ".join(names) for names in one.drilling_order)
            yield f"   {first} before {rest}. {ORDER_PRESSING}"
    if not found.sets:
        yield from excluded_lines(found)


def _where(placed: PlacedScrew) -> str:
    entry, target = (
        ", ".join(f"{value:.1f}" for value in point) for point in (placed.entry_mm, placed.target_mm)
    )
    return f"from ({entry}) to ({target}), seat {placed.seat_depth_mm:.2f} mm"


def held_words(criteria: Mapping[str, float | int | None]) -> str:
    """How well a candidate holds, or where density is not known what stands for it."""
    hold = criteria["governing_hold_n"]
    if hold is None:
        return f"mean {criteria['ring_mean_hu']:.0f} HU in the thread ring"
    low, high = criteria["governing_hold_low_n"], criteria["governing_hold_high_n"]
    return f"holds {hold:.0f} N ({low:.0f} to {high:.0f})"


def as_placed_words(one: Candidate, placing: PlacementName) -> str | None:
    """How often placing a candidate keeps every limit, and what breaks most; None where it is not known."""
    told = one.criteria["limits_hold_fraction"]
    if told is None:
        return None
    how = "by free hand" if placing == "freehand" else placing
    breaks = "" if one.breaks_most is None else f"; most of the others break: {one.breaks_most}"
    return f"placed {how}, every limit holds in {percent(told)}{breaks}"


def percent(told_fraction: float) -> str:
    """A share, in words where it rounds to nothing or all."""
    return (
        "under 1 %"
        if told_fraction < 0.01
        else "over 99 %"
        if told_fraction > 0.99
        else f"{100 * told_fraction:.0f} %"
    )


def excluded_lines(found: Found) -> Iterator[str]:
    """Where nothing keeps every limit: what excluded the candidates, and the nearest."""
    if found.candidates:
        return
    yield "Nothing keeps every limit. What excluded them:"
    for words, share in sorted(found.excluded.items(), key=lambda item: -item[1]):
        yield f"  {share:.1%}  {words}"
    if found.nearest is not None:
        placed = found.nearest.placed
        breaks = [told.message for told in found.nearest.findings if told.severity != "note"]
        yield f"Nearest: {placed.screw.name}, {placed.length_mm:g} mm. {' '.join(breaks)}"
