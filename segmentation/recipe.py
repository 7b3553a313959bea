"""From a CT to a bone: the steps in order.

A ball of 10 mm radius in voxels of 1 mm, whose volume should be 4/3 · π · 10³ mm³:

>>> from segmentation.vocabulary import Grid
>>> i, j, k = np.indices((33, 33, 33)) - 16
>>> hu = 500 * np.clip(10.5 - np.sqrt(i * i + j * j + k * k), 0, 1)
>>> ct = CTVolume(Grid((33, 33, 33), np.eye(4)), hu.astype(np.int16), digest="none: an example")
>>> bone = segment(ct, threshold_hu=250)
>>> print(f"{bone.fragments[0].volume_mm3 / (4 / 3 * np.pi * 10**3):.2f} of it")
0.99 of it
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from segmentation.asked import Asked, Name, Seed
from segmentation.bone_pieces import BonePieces, find_level, find_pieces
from segmentation.components import SPECK_MM3
from segmentation.edits import Edit, JointBrush, Merge, apply_to_parts, document_of
from segmentation.errors import InputError
from segmentation.fracture_surface import fracture_surfaces
from segmentation.how_found import SegmentationRecord, UsedLevel
from segmentation.joints import with_joints
from segmentation.kernel import sharp_note
from segmentation.level import Level
from segmentation.metal import metal_note
from segmentation.parts import NEAR_MM, Cut, Part, parts_from_labels, parts_from_pieces, still_between_parts
from segmentation.progress import Progress, silent
from segmentation.record import histogram_of
from segmentation.surface import iso_surface
from segmentation.vocabulary import (
    Bone,
    Calibration,
    CTVolume,
    Floats,
    Fragment,
    Host,
    Removed,
    Segmentation,
    Surface,
)


def segment(
    ct: CTVolume,
    *,
    threshold_hu: float | None = None,
    calibration: Calibration | None = None,
    calibration_reason: str | None = None,
    host: Host = "bone",
    cuts: Sequence[Cut] = (),
    edits: Sequence[Edit] = (),
    labels: npt.NDArray[Any] | None = None,
    seeds: Sequence[Seed] = (),
    pieces: BonePieces | None = None,
    keep_small: bool = False,
    joint: Surface | None = None,
    find_joints: bool = True,
    names: Sequence[Name] = (),
    refine: bool | None = None,
    progress: Progress | None = None,
) -> Bone:
    """The bone in ``ct``: its outer envelope at a grey level, as fragments with closed surfaces.

    ``threshold_hu`` is the level; without it the level adapts to its place (of foam and given labels: one is
    chosen), and how is kept. ``labels`` (integers of the CT's shape) say which voxel belongs to which
    fragment. ``seeds`` part bones that touch; without them and without a level the pieces are searched for
    such. ``pieces`` of the same ``ct`` and options (``find_pieces``) need not be found again. ``edits`` and
    then ``cuts`` change fragments, in order. The fracture between each two facing fragments is measured;
    without a given ``joint`` the joints between bones are found (``find_joints``). Fragments are numbered
    from the largest, after those that seeds name, or in the labels' order. ``refine`` takes the scanner's
    blur out of the surfaces (default: where the level is chosen and the host is bone).
    Raises InputError when nothing is bone.
    """
    progress = progress or silent
    if labels is not None:
        labels = _checked_labels(labels, ct)
    asked = Asked(
        threshold_hu, refine, keep_small, find_joints, joint is not None, tuple(names), tuple(seeds), labels
    )
    if labels is not None and seeds:
        raise InputError("labels and seeds both say which bone is whose: give one of them")
    seeded: tuple[tuple[str, str], ...] = ()
    told: tuple[str, ...] = ()
    guessed_mm = np.zeros((0, 3))
    if labels is not None:
        at = find_level(ct, threshold_hu, adapts=False, progress=progress)
        removed = () if at.metal is None else at.metal.pieces
        progress("finding pieces and hollows")
        parts = parts_from_labels(at.ct, labels, at.level)
    else:
        if pieces is None:
            pieces = find_pieces(
                ct, threshold_hu=threshold_hu, host=host, keep_small=keep_small, progress=progress
            )
        elif pieces.at.scan is not ct or pieces.asked != (threshold_hu, host, keep_small):
            raise InputError("the pieces are those of another scan or of other options: find them anew")
        at, removed = pieces.at, pieces.removed
        parts, seeded, told, guessed_mm = _taken_apart(pieces, seeds, progress)
        del pieces
    given, whole = threshold_hu is not None, ct
    ct, level, adapts, metal = at.ct, at.level, at.adapts, at.metal
    threshold_hu, reason = at.threshold_hu, at.reason
    parts = [part for part in parts if (part.field_hu > 0).any()]
    surfaces = [iso_surface(part.field_hu, ct.grid, part.offset_ijk) for part in parts]
    if labels is None:
        order = sorted(
            range(len(parts)),
            key=lambda index: (
                (index, 0) if index < len(seeded) else (len(seeded), -surfaces[index].enclosed_mm3)
            ),
        )
        if not keep_small:
            # A thin piece of many voxels may enclose next to nothing.
            specks = [
                index for index in order if surfaces[index].enclosed_mm3 < SPECK_MM3 and index >= len(seeded)
            ]
            removed += tuple(
                Removed("speck", surfaces[index].enclosed_mm3, surfaces[index].vertices_mm.mean(axis=0))
                for index in specks
            )
            order = [index for index in order if index not in specks] or order
        parts, surfaces = [parts[index] for index in order], [surfaces[index] for index in order]
    used: tuple[UsedLevel, ...] = (UsedLevel(threshold_hu, f"{host} begins"),)
    if adapts:
        threshold_hu, reason, used = _told(ct, surfaces, level)
    edits = (*edits, *cuts)
    for edit in edits:
        made = {id(part): surface for part, surface in zip(parts, surfaces, strict=True)}
        before = parts
        parts = apply_to_parts(before, edit, ct)
        surfaces = [
            made[id(part)] if id(part) in made else iso_surface(part.field_hu, ct.grid, part.offset_ijk)
            for part in parts
        ]
        if isinstance(edit, Merge):
            # The one that goes takes its name along; those behind it move up with theirs.
            gone = max(edit.first, edit.second) - 1
            seeded = (*seeded[:gone], *seeded[gone + 1 :])
    progress("naming fragments")
    fragments, notes, together = _named(parts, surfaces, names, ct, seeded)
    notes += told
    numbered = _label_volume(parts, ct)
    if adapts:
        notes += _closed_gaps(ct, numbered, fragments, level)
    if metal is not None:
        notes += (metal_note(metal.pieces),)
    notes += sharp_note(whole)
    blur = None
    if refine or (refine is None and not given and host == "bone"):
        # Brings compiled loops and a hundred megabytes with it, and only this needs them.
        from segmentation.faithful import faithful
        from segmentation.grey_edges import on_any_level, on_one_level

        progress("refining the surface")
        if adapts:
            on_edges = [
                on_any_level(part, surface, ct.grid) for part, surface in zip(parts, surfaces, strict=True)
            ]
        else:
            on_edges = [on_one_level(ct, surface, threshold_hu) for surface in surfaces]
        fragments, refined_notes, blur = faithful(ct, fragments, on_edges, everywhere=bool(refine))
        notes += refined_notes
    record = SegmentationRecord(
        histogram_of(whole, numbered), used, blur, still_between_parts(guessed_mm, numbered, ct.grid)
    )
    progress("measuring fractures and joints")
    bone = Bone(
        ct=whole,
        labels=numbered,
        fragments=fragments,
        host=host,
        segmentation=Segmentation(threshold_hu, reason, removed, notes, together, record, asked),
        calibration=calibration,
        calibration_reason=calibration_reason if calibration is None else None,
        joint=None if joint is None else _facing_out_of(joint, surfaces),
        edits=document_of(edits),
        fractures=fracture_surfaces(ct, numbered, fragments, None if blur is None else blur.point_spread),
    )
    brushes = [edit for edit in edits if isinstance(edit, JointBrush)]
    return with_joints(bone, brushes) if find_joints or brushes else bone


def _taken_apart(
    found: BonePieces, seeds: Sequence[Seed], progress: Progress
) -> tuple[list[Part], tuple[tuple[str, str], ...], tuple[str, ...], Floats]:
    """The parts of the pieces, those named by seeds first; name and bone of those; sentences about it; places
    (m, 3) at which their borders are guessed."""
    ct, level, numbered, pieces = found.at.ct, found.at.level, found.numbered, found.pieces
    # A given level is taken as it is, and foam has no bones.
    if not seeds and not found.at.adapts:
        return parts_from_pieces(ct, numbered, pieces, level), (), (), np.zeros((0, 3))
    apart = found.touching.taken_apart(seeds, progress)
    parts = parts_from_labels(ct, apart.labels, level, whole=False) if apart.pieces else []
    whole = tuple(piece for piece in pieces if piece.number not in apart.pieces)
    numbered = np.where(np.isin(numbered, list(apart.pieces)), np.uint8(0), numbered)
    parts += parts_from_pieces(ct, numbered, whole, level)
    return parts, apart.known, apart.notes, apart.guessed_mm


def _told(
    ct: CTVolume, surfaces: Sequence[Surface], level: Level
) -> tuple[float, str, tuple[UsedLevel, ...]]:
    """A level that adapts, at the middle of the surfaces' points, and how it ranges over them."""
    from segmentation.local_level import LocalLevel, told

    assert isinstance(level, LocalLevel)
    return told(ct, surfaces, level)


def _closed_gaps(
    ct: CTVolume, numbered: npt.NDArray[np.uint8], fragments: Sequence[Fragment], level: Level
) -> tuple[str, ...]:
    """Sentences about gaps that a level that adapts may have closed."""
    from segmentation.closed_gaps import closed_gap_notes
    from segmentation.local_level import LocalLevel

    assert isinstance(level, LocalLevel)
    names = [fragment.name for fragment in fragments]
    return closed_gap_notes(ct, numbered, names, level.tissue.soft_hu)


def _checked_labels(labels: npt.NDArray[Any], ct: CTVolume) -> npt.NDArray[np.uint8]:
    """``labels`` as uint8, or an InputError saying what is wrong with them."""
    if labels.shape != ct.grid.shape:
        raise InputError(f"the labels must have the CT's shape {ct.grid.shape} (got {labels.shape})")
    if not np.isfinite(labels).all() or (labels != np.round(labels)).any():
        raise InputError("the labels must be whole numbers: 0 outside, 1, 2, … for the fragments")
    if labels.min() < 0 or labels.max() > np.iinfo(np.uint8).max:
        raise InputError(f"the labels must lie in 0 … 255 (got {labels.min():g} … {labels.max():g})")
    return labels.astype(np.uint8)


def _label_volume(parts: Sequence[Part], ct: CTVolume) -> npt.NDArray[np.uint8]:
    """uint8 of the CT's shape: n where fragment n is."""
    volume = np.zeros(ct.grid.shape, np.uint8)
    for number, part in enumerate(parts, start=1):
        volume[part.box][part.field_hu > 0] = number
    return volume


def _named(
    parts: Sequence[Part],
    surfaces: Sequence[Surface],
    names: Sequence[Name],
    ct: CTVolume,
    seeded: Sequence[tuple[str, str]] = (),
) -> tuple[tuple[Fragment, ...], tuple[str, ...], tuple[str, ...]]:
    """Fragments with names and bones, sentences about how they were told apart, bones only taken together."""
    given: dict[int, tuple[str, str | None]] = dict(enumerate(seeded))
    for point_mm, name, bone in names:
        if not np.isfinite(point_mm).all():
            raise InputError(f"the name {name!r} needs three finite coordinates (got {point_mm})")
        point_ijk = np.round(ct.grid.mm_to_ijk(np.asarray(point_mm, float))).astype(int)
        number = next(
            (
                index
                for index, part in enumerate(parts)
                if all(s.start <= p < s.stop for s, p in zip(part.box, point_ijk, strict=True))
                and part.field_hu[tuple(point_ijk - part.offset_ijk)] > 0
            ),
            None,
        )
        if number is None:
            x, y, z = point_mm
            raise InputError(f"the name {name!r} points at {x:g}, {y:g}, {z:g}, which lies in no fragment")
        if number in given:
            raise InputError(f"fragment {number + 1} is named twice: {given[number][0]!r} and {name!r}")
        given[number] = (name, bone)
    by_nearness = _bones_by_nearness(
        surfaces, [index for index in range(len(parts)) if not given.get(index, ("", None))[1]]
    )
    taken = {bone for _, bone in given.values()}
    free = (name for name in (f"bone {number}" for number in count(1)) if name not in taken)
    by_number = {number: next(free) for number in sorted(set(by_nearness.values()))}
    fragments = tuple(
        Fragment(
            number=index + 1,
            name=given.get(index, (f"fragment {index + 1}", None))[0],
            bone=given.get(index, ("", None))[1] or by_number[by_nearness[index]],
            volume_mm3=surface.enclosed_mm3,
            surface=surface,
        )
        for index, surface in enumerate(surfaces)
    )
    _refuse_equal_names(fragments)
    together = tuple(
        bone for number, bone in by_number.items() if list(by_nearness.values()).count(number) > 1
    )
    notes = []
    if together:
        notes.append(
            f"pieces within {NEAR_MM:g} mm of each other were taken as fragments of one bone "
            f"({', '.join(together)}); name their bones if they are not"
        )
    cut_off = [fragment.name for fragment, part in zip(fragments, parts, strict=True) if part.cut_off_by_scan]
    if cut_off:
        notes.append(f"cut off by the border of the scan: {', '.join(cut_off)}")
    return fragments, tuple(notes), together


def _refuse_equal_names(fragments: Sequence[Fragment]) -> None:
    seen: set[str] = set()
    for fragment in fragments:
        if fragment.name in seen:
            raise InputError(f"two fragments are named {fragment.name!r}: names must differ")
        seen.add(fragment.name)


def _bones_by_nearness(surfaces: Sequence[Surface], indices: Sequence[int]) -> dict[int, int]:
    """Index of surface → bone number; surfaces within NEAR_MM of each other share one."""
    trees = {index: cKDTree(surfaces[index].vertices_mm) for index in indices}
    boxes = {index: (tree.mins - NEAR_MM, tree.maxes + NEAR_MM) for index, tree in trees.items()}
    group = {index: index for index in indices}
    for first in indices:
        for second in indices:
            if second <= first or group[first] == group[second]:
                continue
            (low, high), (other_low, other_high) = boxes[first], boxes[second]
            if (low > other_high).any() or (other_low > high).any():
                continue
            distance, _ = trees[first].query(trees[second].data, distance_upper_bound=NEAR_MM)
            if np.isfinite(distance).any():
                merged, gone = sorted((group[first], group[second]))
                group = {index: merged if of == gone else of for index, of in group.items()}
    order = {of: number for number, of in enumerate(sorted(set(group.values())), start=1)}
    return {index: order[of] for index, of in group.items()}


def _facing_out_of(joint: Surface, surfaces: Sequence[Surface]) -> Surface:
    """``joint`` with its triangles turned, if need be, to face the way the bone's surface does beneath it."""
    vertices = np.concatenate([surface.vertices_mm[surface.faces].mean(axis=1) for surface in surfaces])
    normals = np.concatenate([_face_normals(surface) for surface in surfaces])
    centres = joint.vertices_mm[joint.faces].mean(axis=1)
    _, nearest = cKDTree(vertices).query(centres)
    if np.einsum("ij,ij->i", _face_normals(joint), normals[nearest]).sum() >= 0:
        return joint
    return Surface(joint.vertices_mm, joint.faces[:, ::-1])


def _face_normals(surface: Surface) -> npt.NDArray[np.float64]:
    a, b, c = (surface.vertices_mm[surface.faces[:, corner]] for corner in range(3))
    return np.asarray(np.cross(b - a, c - a))
