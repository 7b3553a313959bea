"""A scan small enough for a test of the command line: a ball of bone, and a plan for it."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import nibabel
import numpy as np

from segmentation.files import canonical_json

AFFINE = np.diag([1.0, 1.0, 1.0, 1.0])
AFFINE[:3, 3] = -16.0

PLAN: dict[str, Any] = {
    "format": "pilothole-plan",
    "version": 1,
    "frame": "RAS-mm",
    "screws": [
        {
            "name": "S1",
            "screw": "iso5835-ha-3.5",
            "length_mm": 16.0,
            "entry_mm": [-10.0, 0.0, 0.0],
            "target_mm": [10.0, 0.0, 0.0],
            "technique": "position",
        }
    ],
}
"""A screw through the middle of the ball, which is 20 mm wide: 16 mm end 4 mm inside."""


def ball_hu() -> np.ndarray[Any, np.dtype[np.int16]]:
    """(33, 33, 33) int16: 500 HU within 10 mm of the middle, 0 outside, a linear edge of one voxel."""
    along = np.arange(33) - 16.0
    x, y, z = np.meshgrid(along, along, along, indexing="ij")
    inside = np.clip(10.5 - np.sqrt(x * x + y * y + z * z), 0.0, 1.0)
    return np.asfortranarray(np.round(500 * inside).astype(np.int16))


def write_nifti(path: Path, values: Any, affine: Any = AFFINE) -> Path:
    """``values`` as NIfTI, compressed as the name says."""
    content = nibabel.Nifti1Image(values, affine).to_bytes()
    path.write_bytes(gzip.compress(content, mtime=0) if path.name.endswith(".gz") else content)
    return path


def write_plan(path: Path, plan: dict[str, Any] = PLAN) -> Path:
    """A plan.json."""
    path.write_bytes(canonical_json(plan))
    return path
