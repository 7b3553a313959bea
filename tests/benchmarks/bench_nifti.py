"""How long reading a compressed NIfTI file takes, against nibabel's int16 array, the quickest usual way.

512 × 512 × 400 voxels of noise over a disc. Both sides run in one process in turns, on a warm page cache;
ours also hashes the file and compares its check sum. Run it alone:
``python tests/benchmarks/bench_nifti.py``.
"""

from __future__ import annotations

import gzip
import os
import platform
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

import nibabel
import numpy as np

from segmentation.ct import load_ct

SHAPE, REPEATS = (512, 512, 400), 5


def make_file(path: Path) -> None:
    """A disc of tissue in air with noise of 12 HU, compressed at gzip's level 6."""
    rng = np.random.default_rng(1)
    x, y = np.mgrid[: SHAPE[0], : SHAPE[1]] - 256
    disc = np.where(np.hypot(x, y) < 180, 40.0, -1000.0)
    hu = np.empty(SHAPE, np.int16, order="F")
    for k in range(SHAPE[2]):
        hu[:, :, k] = np.rint(disc + rng.normal(0, 12, disc.shape))
    image = nibabel.Nifti1Image(hu, np.diag([0.5, 0.5, 0.6, 1.0]))
    path.write_bytes(gzip.compress(image.to_bytes(), 6))


def by_nibabel(path: Path) -> Any:
    """The int16 array as nibabel gives it."""
    return np.asanyarray(nibabel.load(path).dataobj)


def main() -> None:
    """Make the file, take turns, print."""
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "ct.nii.gz"
        make_file(path)
        np.testing.assert_array_equal(load_ct(path).hu, by_nibabel(path))
        took_s: list[tuple[float, float]] = []
        for _ in range(REPEATS):
            began_s = time.perf_counter()
            by_nibabel(path)
            between_s = time.perf_counter()
            load_ct(path)
            took_s.append((between_s - began_s, time.perf_counter() - between_s))
        nibabel_s, own_s = (median(side) for side in zip(*took_s, strict=True))
        ratios = [theirs / ours for theirs, ours in took_s]
        print(f"nibabel, int16 {nibabel_s * 1000:6.0f} ms")
        print(f"load_ct        {own_s * 1000:6.0f} ms")
        print(f"ratio {median(ratios):.1f} (turn by turn {min(ratios):.1f} to {max(ratios):.1f})")


if __name__ == "__main__":
    main()
