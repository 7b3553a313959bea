"""The joints of all bones of a scan, named and edited: found from facing, then brushed by hand.

A joint is named "bone / neighbour". A brush adds or removes the bone's surface within a ball; one of an
unknown name makes a joint of that name. All joints are one surface, in stretches of triangles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.edits import JointBrush
from segmentation.errors import InputError
from segmentation.joint_surface import Skin, area_mm2, cut_out, joint_levels, skin_of, smooth
from segmentation.vocabulary import Bone, Floats, Fragment, Grid, Joint, Surface

NOT_CARTILAGE = "it is bone below the cartilage, whose thickness a CT does not show"
"""Said wherever a joint was found."""


@dataclass(frozen=True, eq=False)
class _Marked:
    """A joint in the making: per fragment number a level, above 0 in the joint."""

    name: str
    bone: str
    neighbour: str | None
    levels: dict[int, Floats]
    automatic: bool


def with_joints(bone: Bone, brushes: Sequence[JointBrush] = ()) -> Bone:
    """``bone`` with the joints found between its bones and the edits to them, unless a joint was given.

    Raises InputError where a brush meets no bone, or removes from a joint there is not.
    """
    if bone.joint is not None:
        if brushes:
            raise InputError(
                "edits of the joint belong to the one that is found: leave out the given joint surface or "
                "the edits of the joint"
            )
        return bone
    if len({fragment.bone for fragment in bone.fragments}) < 2 and not brushes:
        return bone
    skins = [skin_of(fragment) for fragment in bone.fragments]
    marked = _found(bone.labels, bone.ct.grid, skins)
    for brush in brushes:
        marked = _brushed(marked, brush, skins)
    joint, joints = _together(marked, bone.fragments)
    notes = bone.segmentation.notes + _notes(bone.fragments, joints)
    return replace(bone, joint=joint, joints=joints, segmentation=replace(bone.segmentation, notes=notes))


def _found(labels: npt.NDArray[Any], grid: Grid, skins: Sequence[Skin]) -> list[_Marked]:
    bone_of = {skin.fragment.number: skin.fragment.bone for skin in skins}
    by_pair: dict[tuple[str, str], dict[int, Floats]] = {}
    for (number, neighbour), level in joint_levels(labels, grid, skins).items():
        by_pair.setdefault((bone_of[number], neighbour), {})[number] = level
    return [
        _Marked(f"{own} / {neighbour}", own, neighbour, levels, automatic=True)
        for (own, neighbour), levels in by_pair.items()
    ]


def _brushed(marked: list[_Marked], brush: JointBrush, skins: Sequence[Skin]) -> list[_Marked]:
    """``marked`` after one brush."""
    if not np.isfinite(brush.point_mm).all() or not brush.radius_mm > 0:
        raise InputError("a joint's brush needs a finite point and a radius above 0; correct the edit")
    x, y, z = (float(value) for value in brush.point_mm)
    known = next((joint for joint in marked if joint.name == brush.name), None)
    if known is None and brush.action == "remove":
        names = ", ".join(repr(joint.name) for joint in marked) or "none"
        raise InputError(
            f"there is no joint {brush.name!r} to remove from (there are: {names}); correct its name"
        )
    allowed = [skin for skin in skins if known is None or skin.fragment.bone == known.bone]
    away = [float(skin.tree.query(brush.point_mm)[0]) for skin in allowed]
    if min(away) >= brush.radius_mm:
        where = "the bone" if known is None else known.bone
        raise InputError(
            f"the joint's brush at {x:g}, {y:g}, {z:g} does not reach {where}: move it or make it larger"
        )
    bone = allowed[int(np.argmin(away))].fragment.bone
    joint = known or _Marked(brush.name, bone, None, {}, automatic=False)
    levels = dict(joint.levels)
    for skin in (one for one in allowed if one.fragment.bone == bone):
        number = skin.fragment.number
        before = levels.get(number, np.full(len(skin.vertices_mm), -FAR_MM))
        ball = _in_ball(skin, brush)
        after = np.maximum(before, ball) if brush.action == "add" else np.minimum(before, -ball)
        if (after > 0).any():
            levels[number] = after
        else:
            levels.pop(number, None)
    changed = replace(joint, levels=levels)
    rest = [changed if one is joint else one for one in marked]
    if known is None:
        rest.append(changed)
    return [one for one in rest if one.levels]


FAR_MM = 1e3
"""A vertex of no joint is so far outside it. Our choice: farther than any brush reaches."""


def _in_ball(skin: Skin, brush: JointBrush) -> Floats:
    """Per vertex how deep it lies in the ball; the opposite wall of a thin bone is left out."""
    distance, nearest = skin.tree.query(brush.point_mm)
    depth = brush.radius_mm - np.linalg.norm(skin.vertices_mm - brush.point_mm, axis=1)
    turned_away = skin.normals @ skin.normals[int(nearest)] <= 0
    if distance >= brush.radius_mm:
        return np.full(len(depth), -FAR_MM)
    return np.asarray(np.where(turned_away, np.minimum(depth, -FAR_MM), depth))


def _together(
    marked: Sequence[_Marked], fragments: Sequence[Fragment]
) -> tuple[Surface | None, tuple[Joint, ...]]:
    """All joints as one surface, and which stretch of its triangles is whose."""
    vertices, faces, joints = [], [], []
    vertex_count = face_count = 0
    smoothed: dict[int, Surface] = {}
    for one in marked:
        for number in one.levels.keys() - smoothed.keys():
            smoothed[number] = smooth(fragments[number - 1].surface)
        parts = [cut_out(smoothed[number], level) for number, level in sorted(one.levels.items())]
        parts = [part for part in parts if len(part.faces)]
        if not parts:
            continue
        for part in parts:
            vertices.append(part.vertices_mm)
            faces.append(part.faces + vertex_count)
            vertex_count += len(part.vertices_mm)
        count = sum(len(part.faces) for part in parts)
        area = sum(area_mm2(part) for part in parts)
        joints.append(
            Joint(one.name, one.bone, one.neighbour, face_count, count, area, automatic=one.automatic)
        )
        face_count += count
    if not joints:
        return None, ()
    return Surface(np.concatenate(vertices), np.concatenate(faces).astype(np.int32)), tuple(joints)


def _notes(fragments: Sequence[Fragment], joints: Sequence[Joint]) -> tuple[str, ...]:
    found = ", ".join(joint.name for joint in joints if joint.automatic)
    notes = [f"joints found from how bones face each other: {found}; {NOT_CARTILAGE}"] if found else []
    bones = dict.fromkeys(fragment.bone for fragment in fragments)
    alone = [bone for bone in bones if bone not in {joint.bone for joint in joints}]
    if alone:
        notes.append(f"no joint surface on {', '.join(alone)}: no facing bone within 5 mm")
    return tuple(notes)
