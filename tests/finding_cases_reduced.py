"""The same for findings about fragments and reductions: a case that breaks the rule, and its twin."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from finding_cases import HU, VOXEL_MM, Twins, bone_in, down, found, two
from phantoms import as_ct, slabs

from planner.assess import ReadyBone, ready


@cache
def thin(thickness_mm: float) -> ReadyBone:
    """A slab of this thickness, and one of 16 mm above it, 1.2 mm apart."""
    ct = as_ct(*slabs(thicknesses_mm=(thickness_mm, 16.0), hu=(HU, HU), voxel_mm=VOXEL_MM))
    return bone_in(ct, keep_small=True)


@cache
def pushed_together(into_mm: float) -> ReadyBone:
    """``two`` with its upper slab lowered until it lies so far in the other."""
    bone = two().prepared.bone
    pose = np.eye(4)
    pose[2, 3] = -1.2 - into_mm
    upper = max(bone.fragments, key=lambda one: one.surface.vertices_mm[:, 2].mean())
    moved = (replace(one, pose=pose) if one is upper else one for one in bone.fragments)
    return ready(replace(bone, fragments=tuple(moved)))


REDUCED_TWINS = [
    Twins(
        "fragment-too-small",
        # One turn is 1.25 mm.
        lambda: found(thin(1.0), down(-9.1, 18)),
        lambda: found(thin(1.6), down(-9.4, 18)),
        "a fragment thinner than one turn",
    ),
    Twins(
        "fragments-overlap",
        # A mean depth of 0.6 mm, less what the rounded edges take away.
        lambda: found(pushed_together(0.8), down(-12.6, 18.7)),
        lambda: found(pushed_together(0.5), down(-12.6, 18.7)),
        "reduced too far",
    ),
]
