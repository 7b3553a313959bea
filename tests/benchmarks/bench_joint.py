"""How well the area of a found joint is measured: head and socket of the demo, caps with a closed form.

``2 π r² (1 - h / r)`` with the rim ``h`` of each, its rounding left aside (about 1 %). Three surfaces each:
the demo's own level, low enough for cancellous bone to count; half-way to the cortex; and refined. Run it
alone: ``python tests/benchmarks/bench_joint.py``.
"""

from __future__ import annotations

import numpy as np

from demo_volumes import hip
from demo_volumes.scanner import centred_grid, scan
from demo_volumes.scene import SOFT_TISSUE_HU
from segmentation.errors import InputError
from segmentation.recipe import segment
from segmentation.vocabulary import CTVolume, Grid

SIDE_MM = 72.0
SCANS = ((1.0, 0.8), (2.0, 0.8), (3.0, 0.8), (4.0, 0.8), (1.0, 1.2), (2.0, 1.2), (3.0, 1.2), (4.0, 1.2))
"""Joint space and voxel edge in mm; the blur is as wide as the voxel."""

TURN = np.linalg.qr(np.eye(3) + 0.12 * np.random.default_rng(4).normal(size=(3, 3)))[0]


def cap_mm2(bone_name: str, space_mm: float) -> float:
    """Area of the part of the bone's ball that faces the other one."""
    wide_mm = hip.RADIUS_MM + space_mm
    radius_mm = wide_mm if bone_name == "socket" else hip.RADIUS_MM
    return 2 * np.pi * radius_mm**2 * (1 - hip.RIM_MM / wide_mm)


def scanned(space_mm: float, voxel_mm: float) -> tuple[CTVolume, list, float, float]:
    """The scan around the head, the names' points, the demo's level and the half level."""
    scene = hip.ball_and_socket(np.random.default_rng(1), space_mm, None, None)
    turn = TURN * np.sign(np.linalg.det(TURN))
    affine = centred_grid((SIDE_MM,) * 3, (voxel_mm,) * 3).affine.copy()
    affine[:3, 3] += turn @ np.array(hip.HEAD_MM)
    grid = Grid((round(SIDE_MM / voxel_mm),) * 3, affine)
    hu = scan(scene, turn, grid, (voxel_mm,) * 3, 14.0, np.random.default_rng(2))
    names = [(tuple(turn @ np.array(point)), name, bone) for point, name, bone in scene.inside_points_mm]
    return CTVolume(grid, hu, "phantom"), names, scene.level_hu, (scene.surface_hu + SOFT_TISSUE_HU) / 2


def main() -> None:
    """Print the error of each area in per cent, head and socket."""
    print("space voxel | demo's level  | half level    | refined")
    for space_mm, voxel_mm in SCANS:
        ct, names, low_hu, half_hu = scanned(space_mm, voxel_mm)
        told = []
        for level_hu, refine in ((low_hu, False), (half_hu, False), (half_hu, True)):
            try:
                bone = segment(ct, threshold_hu=level_hu, names=names, refine=refine)
            except InputError:
                told.append("one piece    ")
                continue
            off = {
                joint.bone: 100 * (joint.area_mm2 / cap_mm2(joint.bone, space_mm) - 1)
                for joint in bone.joints
            }
            told.append(f"{off['femur']:+5.1f} {off['socket']:+5.1f} %")
        print(f"{space_mm:5.1f} {voxel_mm:5.1f} | " + " | ".join(told), flush=True)


if __name__ == "__main__":
    main()
