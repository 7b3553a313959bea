"""How long ``pilothole segment`` takes on a large scan, and how much memory it holds at most.

The scan is a knee made from formulas, 512 × 512 × 400 voxels with noise: a femur broken in its shaft, tibia,
fibula, kneecap, soft tissue, a table and a cable, in air. The whole command runs in a process of its own,
from compressed file to case. Run it alone: ``python tests/benchmarks/bench_segment.py``.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import numpy.typing as npt

from segmentation.case import write_volume
from segmentation.vocabulary import Grid

SHAPE, SPACING_MM = (512, 512, 400), (0.5, 0.5, 0.6)
NOISE_HU = 12.0
AIR_HU, SOFT_HU, MARROW_HU, SPONGY_HU, CORTEX_HU, TABLE_HU = -1000, 40, -40, 280, 1100, 350
MIB = 2**20

Floats = npt.NDArray[np.float32]


def knee_hu() -> npt.NDArray[np.int16]:
    """(512, 512, 400) int16, made slice by slice."""
    hu = np.empty(SHAPE, np.int16, order="F")
    x = ((np.arange(SHAPE[0]) - SHAPE[0] / 2) * SPACING_MM[0]).astype(np.float32)[:, None]
    y = ((np.arange(SHAPE[1]) - SHAPE[1] / 2) * SPACING_MM[1]).astype(np.float32)[None, :]
    rng = np.random.default_rng(1)
    for k in range(SHAPE[2]):
        z = np.float32((k - SHAPE[2] / 2) * SPACING_MM[2])
        values = _slice_hu(x, y, z) + NOISE_HU * rng.standard_normal(SHAPE[:2], dtype=np.float32)
        hu[:, :, k] = np.rint(np.clip(values, -1024, 3071))
    return hu


def _slice_hu(x: Floats, y: Floats, z: np.float32) -> Floats:
    hu = np.full(np.broadcast_shapes(x.shape, y.shape), AIR_HU, np.float32)
    _put(hu, np.hypot(x, y + 5) - 85, SOFT_HU)
    _put(hu, np.maximum(np.abs(y + 110) - 3, np.abs(x) - 110), TABLE_HU)
    _put(hu, np.hypot(x - 95, y + 60) - 2, TABLE_HU)
    shaft, flare = max(float(z) - 40, 0.0), max(1 - float(z) / 40, 0.0)
    if z > 3:
        # Condyles that narrow into a shaft with a marrow cavity, broken obliquely 1 mm wide.
        radius = 13 + 22 * min(flare, 1.0) ** 1.5 if z < 40 else 13.0
        cortex = 1.5 if z < 40 else min(1.5 + shaft / 10, 4.5)
        gap = np.abs((z - 80) * np.float32(0.8) + x * np.float32(0.6)) - np.float32(0.5)
        edge = np.maximum(np.hypot(x, y) - radius, 3 - z)
        _put(hu, np.maximum(edge, -gap), CORTEX_HU)
        _put(hu, np.maximum(edge + cortex, -gap), SPONGY_HU if z < 60 else MARROW_HU)
    if z < -1:
        radius = 13 + 23 * max(1 + float(z) / 40, 0.0) ** 1.5
        edge = np.maximum(np.hypot(x, y) - radius, z + 1)
        _put(hu, edge, CORTEX_HU)
        _put(hu, edge + (1.5 if z > -40 else 4.0), SPONGY_HU if z > -50 else MARROW_HU)
        if z < -14:
            fibula = np.maximum(np.hypot(x - 45, y + 12) - 7, z + 14)
            _put(hu, fibula, CORTEX_HU)
            _put(hu, fibula + 2, MARROW_HU)
    patella = np.sqrt((x / 20) ** 2 + ((y - 58) / 10) ** 2 + ((z - 18) / 18) ** 2) * 12 - 12
    _put(hu, patella, CORTEX_HU)
    _put(hu, patella + 1.2, SPONGY_HU)
    return hu


def _put(hu: Floats, distance_mm: Floats, value_hu: float) -> None:
    """Fill where ``distance_mm`` is below 0, with an edge a voxel wide."""
    share = np.clip(np.float32(0.5) - distance_mm / SPACING_MM[0], 0, 1)
    hu += (value_hu - hu) * share


def run_measured(command: list[str], folder: Path) -> tuple[float, float]:
    """Seconds and largest resident memory in MiB of a command."""
    began = time.perf_counter()
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"the command failed with {process.returncode}")
    return time.perf_counter() - began, usage.ru_maxrss / 1024


def main() -> None:
    """Make the scan, run the command, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        affine = np.diag([*SPACING_MM, 1.0])
        write_volume(folder / "ct.nii.gz", knee_hu(), Grid(SHAPE, affine))
        load = os.getloadavg()[0]
        pilothole = [sys.executable, "-m", "viewer.command_line"]
        took_s, peak_mib = run_measured(
            [*pilothole, "segment", "ct.nii.gz", "--out", "case", "--threshold", "200"], folder
        )
        bone = json.loads((folder / "case/bone.json").read_text())
    bytes_mib = np.prod(SHAPE) * 2 / MIB
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}; Python {platform.python_version()}"
    )
    print(f"{' x '.join(map(str, SHAPE))} voxels, {bytes_mib:.0f} MiB as int16")
    print(f"pilothole segment, file to case: {took_s:.1f} s, at most {peak_mib:.0f} MiB resident")
    print(f"that is {(peak_mib - 300) / bytes_mib:.1f} times the scan and 300 MiB")
    for fragment in bone["fragments"]:
        print(f"  {fragment['name']} of {fragment['bone']}: {fragment['volume_mm3'] / 1000:.1f} cm³")
    for what, count in Counter(removed["what"] for removed in bone["segmentation"]["removed"]).items():
        print(f"  left out: {count} × {what}")


if __name__ == "__main__":
    main()
