"""What a person has said about a bone: seeds, edits, names and poses. Enough to make it so again.

Each change gives another state; a long step makes the bone of it, the same way as the command line would.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import ndimage

from segmentation.again import asked_of
from segmentation.asked import Name, Seed
from segmentation.edits import Edit
from segmentation.vocabulary import Bone, Floats


@dataclass(frozen=True, eq=False)
class BoneState:
    """``poses`` (4, 4) by number of fragment; None where each is to stay with its fragment."""

    seeds: tuple[Seed, ...] = ()
    edits: tuple[Edit, ...] = ()
    names: tuple[Name, ...] = ()
    poses: Mapping[int, Floats] | None = field(default=None)

    @property
    def changes(self) -> dict[str, Any]:
        """The arguments of ``segment`` that it stands for."""
        return {"seeds": self.seeds, "edits": self.edits, "names": self.names}


def state_of(bone: Bone) -> BoneState:
    """The state ``bone`` is in. Raises InputError for a case that does not keep how it was made."""
    asked = asked_of(bone)
    poses = {one.number: np.asarray(one.pose) for one in bone.fragments}
    return BoneState(tuple(asked["seeds"]), tuple(asked["edits"]), tuple(asked["names"]), poses)


def called(bone: Bone, state: BoneState, number: int, name: str, bone_name: str) -> BoneState:
    """The state in which fragment ``number`` has another name and bone."""
    old = bone.fragment(number).name
    if any(seed.name == old for seed in state.seeds):
        seeds = tuple(
            Seed(name, bone_name, seed.point_mm) if seed.name == old else seed for seed in state.seeds
        )
        return replace(state, seeds=seeds)
    kept = tuple(one for one in state.names if one[1] != old)
    return replace(state, names=(*kept, (_deepest_mm(bone, number), name, bone_name)))


def carried_over(old: Bone, new: Bone) -> dict[int, Floats]:
    """The poses of fragments that are the same voxels in both, by their new number."""
    poses: dict[int, Floats] = {}
    for before in old.fragments:
        if np.array_equal(before.pose, np.eye(4)):
            continue
        was = old.labels == before.number
        found = np.unique(new.labels[was])
        if len(found) == 1 and found[0] > 0 and int((new.labels == found[0]).sum()) == int(was.sum()):
            poses[int(found[0])] = np.asarray(before.pose)
    return poses


def _deepest_mm(bone: Bone, number: int) -> tuple[float, float, float]:
    """The middle of a fragment's thickest place, RAS+ mm: it stays in the fragment under small changes."""
    inside = bone.labels == number
    box = ndimage.find_objects(inside.astype(np.uint8))[0]
    depth = ndimage.distance_transform_edt(np.pad(inside[box], 1), sampling=bone.ct.grid.spacing_mm)
    at = np.array(np.unravel_index(int(depth.argmax()), depth.shape)) - 1
    x, y, z = bone.ct.grid.ijk_to_mm((at + [side.start for side in box])[None])[0].tolist()
    return x, y, z


def seed_words(seeds: Sequence[Seed]) -> list[dict[str, Any]]:
    """Each name once with its bone and how many points it has."""
    counted: dict[str, dict[str, Any]] = {}
    for seed in seeds:
        one = counted.setdefault(seed.name, {"name": seed.name, "bone": seed.bone, "count": 0})
        one["count"] += 1
    return list(counted.values())
