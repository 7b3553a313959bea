"""For every finding a case built to break its rule, and its twin just on the other side of the limit.

The truth is the closed form of flat slabs: entry at depth 0, exit at the thickness, side faces at known
distances. Limits are those of planner/limits.py; a case lies 0.1 to 0.3 mm from them, at least the expected
error of a surface.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from phantoms import CALIBRATION, SOFT_HU, as_ct, grid_around, placed, points_of, slabs, step

from planner.assess import ReadyBone, assess_screws, ready
from planner.vocabulary import Finding, PlacedScrew, Plan
from segmentation.recipe import segment
from segmentation.vocabulary import Calibration, Surface

HU, FWHM_MM, LEVEL_HU = 400.0, 0.6, (400.0 + SOFT_HU) / 2
VOXEL_MM = (0.5, 0.5, 0.5)
Z = np.array([0.0, 0.0, 1.0])
BY_DEFAULT = Calibration("default-for-tube-voltage", 0.77, 0.0, 0.15, "test")


def bone_in(ct, **options: object) -> ReadyBone:  # type: ignore[no-untyped-def]
    return ready(segment(ct, threshold_hu=LEVEL_HU, **{"calibration": CALIBRATION, **options}))  # type: ignore[arg-type]


@cache
def slab(voxel_mm: float = 0.5) -> ReadyBone:
    """20 mm thick, from z = −10 to 10, 28 mm wide."""
    return bone_in(as_ct(*slabs(thicknesses_mm=(20.0,), hu=(HU,), voxel_mm=(voxel_mm,) * 3)))


@cache
def slab_calibrated_by(calibration: Calibration | None) -> ReadyBone:
    return bone_in(
        as_ct(*slabs(thicknesses_mm=(20.0,), hu=(HU,), voxel_mm=VOXEL_MM)), calibration=calibration
    )


@cache
def slab_with_joint() -> ReadyBone:
    """The 20 mm slab with a joint surface across it at z = 8."""
    corners = np.array([[-9, -9, 8], [9, -9, 8], [9, 9, 8], [-9, 9, 8]], float)
    joint = Surface(corners, np.array([[0, 1, 2], [0, 2, 3]]))
    return bone_in(as_ct(*slabs(thicknesses_mm=(20.0,), hu=(HU,), voxel_mm=VOXEL_MM)), joint=joint)


@cache
def two(gap_mm: float = 1.2) -> ReadyBone:
    """10 mm and 14 mm; one bone up to a gap of 3 mm, two bones beyond. Depth from the 10 mm slab's bottom."""
    return bone_in(as_ct(*slabs(gap_mm=gap_mm, voxel_mm=VOXEL_MM)))


@cache
def two_named(gap_mm: float = 1.2) -> ReadyBone:
    """The same, named as fragments of one bone."""
    names = [((0.0, 0.0, z), name, "block") for z, name in ((5.0, "upper"), (-8.0, "lower"))]
    return bone_in(as_ct(*slabs(gap_mm=gap_mm, voxel_mm=VOXEL_MM)), names=names)


@cache
def two_bones(gap_mm: float = 1.2, find_joints: bool = False) -> ReadyBone:
    """The same, each named as a bone of its own."""
    names = [((0.0, 0.0, z), name, name) for z, name in ((5.0, "upper"), (-8.0, "lower"))]
    return bone_in(as_ct(*slabs(gap_mm=gap_mm, voxel_mm=VOXEL_MM)), names=names, find_joints=find_joints)


@cache
def hollowed() -> ReadyBone:
    """A block 24 mm deep whose side has a slot of 8 mm across the axis, from depth 8 to 16: one piece."""
    grid = grid_around((13, 13, 15), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    block = step(10 - np.abs(x), FWHM_MM) * step(10 - np.abs(y), FWHM_MM) * step(12 - np.abs(z), FWHM_MM)
    slot = step(4 - np.abs(z), FWHM_MM) * step(5 - x, FWHM_MM)
    return bone_in(as_ct(grid, SOFT_HU + (HU - SOFT_HU) * block * (1 - slot)))


@cache
def beside_another_bone(beside_mm: float) -> ReadyBone:
    """A 10 mm slab, and 5 mm above it another bone whose edge runs so far beside the axis."""
    grid = grid_around((14, 14, 16), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    across = step(11 - np.abs(x), FWHM_MM) * step(11 - np.abs(y), FWHM_MM)
    lower = step(z + 12, FWHM_MM) * step(-2 - z, FWHM_MM)
    upper = step(z - 3, FWHM_MM) * step(13 - z, FWHM_MM) * step(x - beside_mm, FWHM_MM)
    return bone_in(as_ct(grid, SOFT_HU + (HU - SOFT_HU) * across * (lower + upper)))


@cache
def cropped(*, top_mm: float = 13.0, bottom_mm: float = -13.0, right_mm: float = 17.0) -> ReadyBone:
    """The 20 mm slab in a scan that ends at these places."""
    grid, values = slabs(thicknesses_mm=(20.0,), hu=(HU,), voxel_mm=VOXEL_MM)
    z, x = points_of(grid)[0, 0, :, 2], points_of(grid)[:, 0, 0, 0]
    low = int(np.searchsorted(z, bottom_mm - 1e-6))
    high, right = int(np.searchsorted(z, top_mm + 1e-6)), int(np.searchsorted(x, right_mm + 1e-6))
    affine = grid.affine.copy()
    affine[2, 3] = z[low]
    values = values[:right, :, low:high]
    return bone_in(as_ct(replace(grid, shape=values.shape, affine=affine), values))


@cache
def beside_metal(away_mm: float = 16.0, *, above_mm: float = 0.0) -> ReadyBone:
    """The 20 mm slab, and a steel pin along z beside it: saturated, 3 mm in radius, 12 mm long."""
    grid = grid_around((26, 18, 26), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    across = step(10 - np.abs(x), FWHM_MM) * step(10 - np.abs(y), FWHM_MM)
    values = SOFT_HU + (HU - SOFT_HU) * across * step(10 - np.abs(z), FWHM_MM)
    pin = step(3 - np.hypot(x - away_mm, y), FWHM_MM) * step(6 - np.abs(z - above_mm), FWHM_MM)
    return bone_in(as_ct(grid, np.minimum(values + 7000 * pin, 3071)))


def down(
    z_mm: float, length_mm: float, screw: str = "iso5835-ha-3.5", *, x_mm: float = 0.0, **options: object
) -> PlacedScrew:
    """A screw along +z, entering at (x, 0, z)."""
    entry = np.array([x_mm, 0.3, z_mm])
    return placed(entry, entry + 10 * Z, screw, length_mm, **options)


def found(bone: ReadyBone, *screws: PlacedScrew) -> tuple[Finding, ...]:
    """The findings of the first of the screws."""
    named = tuple(replace(screw, name=f"S{index}") for index, screw in enumerate(screws))
    return assess_screws(bone, Plan(named)).screws[0].findings


SMALL, LARGE = "headless-two-pitch-2.2-2.8", "headless-two-pitch-3.0-3.9"
PARTIAL = "iso5835-hb-4.0-partial"


@dataclass(frozen=True)
class Twins:
    """A code, a case that breaks its rule and one that does not, and what the pair shows."""

    code: str
    breaks: Callable[[], tuple[Finding, ...]]
    keeps: Callable[[], tuple[Finding, ...]]
    shows: str


TWINS = [
    # 20 mm slab, entry at z = −10, tip depth = length; limit 2 mm.
    Twins(
        "tip-outside",
        lambda: found(slab(), down(-10, 22.3)),
        lambda: found(slab(), down(-10, 21.7)),
        "headed",
    ),
    Twins(
        "tip-outside",
        lambda: found(slab(), down(-10, 18.2, SMALL, seat_depth_mm=2.0)),
        lambda: found(slab(), down(-10, 17.8, SMALL, seat_depth_mm=2.0)),
        "headless, not at all",
    ),
    Twins(
        "tip-outside",
        lambda: found(slab(), down(-10, 10, "locking-3.5", technique="locking", seat_depth_mm=-10.3)),
        lambda: found(slab(), down(-10, 10, "locking-3.5", technique="locking", seat_depth_mm=-9.7)),
        "the screw does not reach the bone",
    ),
    Twins(
        "tip-outside",
        lambda: found(hollowed(), down(-12, 12)),
        lambda: found(hollowed(), down(-12, 20)),
        "in a hollow of the outside, before the last exit",
    ),
    Twins(
        "tip-through-far-cortex",
        lambda: found(slab(), down(-10, 20.3)),
        lambda: found(slab(), down(-10, 19.7)),
        "headed, within the limit",
    ),
    Twins(
        "ends-in-fracture",
        lambda: found(two(), down(-12.6, 10.6)),
        lambda: found(two(), down(-12.6, 9.7)),
        "before",
    ),
    Twins(
        "ends-in-fracture",
        lambda: found(two(), down(-12.6, 10.6)),
        lambda: found(two(), down(-12.6, 11.5)),
        "past it",
    ),
    Twins(
        "tip-in-other-bone",
        lambda: found(two(5.0), down(-14.5, 15.3)),
        lambda: found(two(5.0), down(-14.5, 14.7)),
        "the tip",
    ),
    Twins(
        "tip-in-other-bone",
        # Thread of major radius 1.75 and core radius 1.2, its full profile 3.5 mm short of the tip.
        lambda: found(beside_another_bone(1.3), down(-12, 24)),
        lambda: found(beside_another_bone(1.9), down(-12, 24)),
        "the thread, beside the axis",
    ),
    Twins(
        "pieces-taken-together",
        lambda: found(two(), down(-12.6, 26)),
        lambda: found(two_named(), down(-12.6, 26)),
        "named as one bone",
    ),
    Twins(
        "way-blocked",
        # Behind the entry lies the screw, 10 mm and a head of 2.6 mm; 0.5 mm are let through.
        lambda: found(two(11.8), down(3.9, 10)),
        lambda: found(two(12.4), down(4.2, 10)),
        "another bone behind the entry",
    ),
    Twins(
        "way-blocked",
        lambda: found(two(), down(-1.5, 12)),
        lambda: found(two(), down(-12.6, 12)),
        "an entry given beside the fracture is taken into the far fragment",
    ),
    Twins(
        "joint-penetrated",
        lambda: found(slab_with_joint(), down(-10, 18.2)),
        lambda: found(slab_with_joint(), down(-10, 17.8)),
        "tip beyond the joint",
    ),
    Twins(
        "clearance-joint",
        lambda: found(slab_with_joint(), down(-10, 16.2)),
        lambda: found(slab_with_joint(), down(-10, 15.8)),
        "2 mm",
    ),
    Twins(
        "clearance-leading-end",
        lambda: found(slab(), down(-10, 16.2, SMALL, seat_depth_mm=2.0)),
        lambda: found(slab(), down(-10, 15.8, SMALL, seat_depth_mm=2.0)),
        "2 mm",
    ),
    Twins(
        "leading-end-outside",
        # The side face is 14 mm from the middle; the thread's radius is 1.75.
        lambda: found(slab(), down(-10, 10, x_mm=14 - 1.5)),
        lambda: found(slab(), down(-10, 10, x_mm=14 - 2.0)),
        "a short screw beside the side face",
    ),
    Twins(
        "body-outside",
        lambda: found(slab(), down(-10, 18, x_mm=14 - 1.5)),
        lambda: found(slab(), down(-10, 18, x_mm=14 - 2.0)),
        "thread beside the side face",
    ),
    Twins(
        "clearance-body",
        lambda: found(slab(), down(-10, 18, x_mm=14 - 2.5)),
        lambda: found(slab(), down(-10, 18, x_mm=14 - 3.0)),
        "1 mm",
    ),
    Twins(
        "trailing-end-proud",
        lambda: found(slab(), down(-10, 15, SMALL, seat_depth_mm=-0.2)),
        lambda: found(slab(), down(-10, 15, SMALL, seat_depth_mm=0.2)),
        "headless",
    ),
    Twins(
        "clearance-trailing-end",
        lambda: found(slab(), down(-10, 15, SMALL, seat_depth_mm=0.8)),
        lambda: found(slab(), down(-10, 15, SMALL, seat_depth_mm=1.2)),
        "1 mm",
    ),
    Twins(
        "head-proud",
        lambda: found(slab(), down(-10, 16, seat_depth_mm=-0.6)),
        lambda: found(slab(), down(-10, 16, seat_depth_mm=-0.4)),
        "0.5 mm",
    ),
    Twins(
        "head-proud",
        lambda: found(slab(), down(-10, 16, "locking-3.5", seat_depth_mm=-4.0)),
        lambda: found(slab(), down(-10, 16, "locking-3.5", seat_depth_mm=-4.0, technique="locking")),
        "locked in a plate it may stand off",
    ),
    Twins(
        "few-threads",
        # Far fragment from 11.2; 3 threads of 1.25 mm and a taper of 3.5 mm end at 18.45.
        lambda: found(two(), down(-12.6, 18.2)),
        lambda: found(two(), down(-12.6, 18.7)),
        "3 threads beyond the fracture",
    ),
    Twins(
        "few-threads",
        # Trailing thread full over 3.25 mm, pitch 0.75: 2.25 mm are 3 threads; the near fragment ends at 10.
        lambda: found(two(), down(-12.6, 14, SMALL, seat_depth_mm=8.0)),
        lambda: found(two(), down(-12.6, 14, SMALL, seat_depth_mm=7.5)),
        "headless: in the near fragment too",
    ),
    Twins(
        "few-threads",
        # Full thread ends 3.5 mm before the tip, begins one pitch under the head: 1.25 + 3.75 + 3.5.
        lambda: found(slab(), down(-10, 8.3)),
        lambda: found(slab(), down(-10, 8.7)),
        "a short screw in one cortex",
    ),
    Twins(
        "no-engagement",
        lambda: found(two(), down(-12.6, 14.5)),
        lambda: found(two(), down(-12.6, 14.9)),
        "only the tapering tip is in the far fragment",
    ),
    Twins(
        "no-engagement",
        lambda: found(two(), down(-12.6, 9.5)),
        lambda: found(two(), down(-12.6, 18.7)),
        "the far fragment is not reached",
    ),
    Twins(
        "no-engagement",
        # The thread's full profile begins 16 − 1.75 mm before the tip; the slab ends at 20.
        lambda: found(slab(), down(-10, 34.5, PARTIAL)),
        lambda: found(slab(), down(-10, 34.0, PARTIAL)),
        "all thread past the only fragment",
    ),
    Twins(
        "threads-bridging",
        # Full thread from length − 16 + 1.75; the near fragment ends at 10.
        lambda: found(two(), down(-12.6, 24.0, PARTIAL)),
        lambda: found(two(), down(-12.6, 24.5, PARTIAL)),
        "partially threaded with thread on both sides",
    ),
    Twins(
        "threads-bridging",
        # Leading thread 8 mm, run-out 1.25: full from tip − 6.75.
        lambda: found(two(), down(-12.6, 14.5, LARGE, seat_depth_mm=2.0)),
        lambda: found(two(), down(-12.6, 15.0, LARGE, seat_depth_mm=2.0)),
        "headless with its leading thread across the fracture",
    ),
    Twins(
        "threads-bridging-position",
        lambda: found(two(), down(-12.6, 22)),
        lambda: found(two(), down(-12.6, 22, technique="lag")),
        "a gliding hole keeps the thread from biting",
    ),
    Twins(
        "screw-short",
        # One size more is 16: at a seat of 2 mm it leaves 2 mm before the exit at 20.
        lambda: found(slab(), down(-10, 15, SMALL, seat_depth_mm=1.8)),
        lambda: found(slab(), down(-10, 15, SMALL, seat_depth_mm=2.2)),
        "a headless screw keeps 2 mm",
    ),
    Twins(
        "screw-short",
        lambda: found(slab(), down(-10, 18)),
        lambda: found(slab(), down(-10, 20.3)),
        "a tip that is through the far cortex is not short",
    ),
    Twins(
        "seat-too-deep",
        # One pitch and one major diameter: 4.75 mm before the exit at 20.
        lambda: found(slab(), down(-10, 16, seat_depth_mm=15.5)),
        lambda: found(slab(), down(-10, 16, seat_depth_mm=15.0)),
        "4.75 mm are needed",
    ),
    Twins(
        "length-not-stocked",
        lambda: found(slab(), down(-10, 17)),
        lambda: found(slab(), down(-10, 18)),
        "2 mm steps",
    ),
    Twins(
        "axis-leaves-scan",
        lambda: found(cropped(top_mm=9.0), down(-10, 14)),
        lambda: found(cropped(top_mm=11.0), down(-10, 14)),
        "the exit is where the scan ends",
    ),
    Twins(
        "axis-leaves-scan",
        lambda: found(cropped(bottom_mm=-9.0), down(-9, 14)),
        lambda: found(cropped(bottom_mm=-11.0), down(-10, 14)),
        "the entry is where the scan begins",
    ),
    Twins(
        "axis-leaves-scan",
        lambda: found(cropped(right_mm=1.5), down(-10, 14)),
        lambda: found(cropped(right_mm=2.0), down(-10, 14)),
        "thread of radius 1.75 beside the scan's border",
    ),
    Twins(
        "near-metal",
        # The pin's axis 16 mm from the screw's, its radius 3: within 20 mm.
        lambda: found(beside_metal(), down(-10, 14)),
        lambda: found(slab(), down(-10, 14)),
        "a steel pin beside the bone",
    ),
    Twins(
        "near-metal",
        # The pin lies from 18 to 30 mm of depth, its slices begin 2 mm and the screw's radius before.
        lambda: found(beside_metal(16.0, above_mm=14.0), down(-10, 18)),
        lambda: found(beside_metal(16.0, above_mm=14.0), down(-10, 12)),
        "metal in other slices does not count",
    ),
    Twins(
        "screws-collide",
        lambda: found(
            slab(), down(-10, 15, SMALL, seat_depth_mm=2.0), down(-10, 15, SMALL, x_mm=2.6, seat_depth_mm=2.0)
        ),
        lambda: found(
            slab(), down(-10, 15, SMALL, seat_depth_mm=2.0), down(-10, 15, SMALL, x_mm=3.0, seat_depth_mm=2.0)
        ),
        "side by side, 2.8 mm in diameter",
    ),
    Twins(
        "screws-close",
        lambda: found(
            slab(), down(-10, 15, SMALL, seat_depth_mm=2.0), down(-10, 15, SMALL, x_mm=3.7, seat_depth_mm=2.0)
        ),
        lambda: found(
            slab(), down(-10, 15, SMALL, seat_depth_mm=2.0), down(-10, 15, SMALL, x_mm=3.9, seat_depth_mm=2.0)
        ),
        "1 mm",
    ),
    Twins(
        "density-uncalibrated",
        lambda: found(slab_calibrated_by(None), down(-10, 14)),
        lambda: found(slab(), down(-10, 14)),
        "no calibration",
    ),
    Twins(
        "density-by-default",
        lambda: found(slab_calibrated_by(BY_DEFAULT), down(-10, 14)),
        lambda: found(slab(), down(-10, 14)),
        "default slope",
    ),
    Twins(
        "scan-too-coarse",
        lambda: found(slab(0.55), down(-10, 14)),
        lambda: found(slab(0.5), down(-10, 14)),
        "half of 1 mm",
    ),
    Twins(
        "entry-moved", lambda: found(slab(), down(-11.2, 14)), lambda: found(slab(), down(-10.8, 14)), "1 mm"
    ),
    Twins(
        "no-joint-surface",
        lambda: found(slab(), down(-10, 14)),
        lambda: found(slab_with_joint(), down(-10, 14)),
        "no joint given",
    ),
]
