"""What a person may set of a demo: side, seed, gap and the limits of every setting."""

from __future__ import annotations

import json
import math
from functools import cache

import numpy as np
import pytest

from demo_volumes.make import DemoCase, make_demo
from segmentation.errors import InputError

COARSE: dict[str, object] = {"voxel_mm": 1.0, "fwhm_mm": 1.2}
"""For what holds in voxels of any size: a tenth of the work."""


@cache
def demo(name: str, **settings: object) -> DemoCase:
    return make_demo(name, **settings)  # type: ignore[arg-type]


def test_left_is_the_mirror_image_of_right() -> None:
    right, left = (demo("diaphysis", side=side, noise_hu=0.0, **COARSE) for side in ("right", "left"))
    np.testing.assert_allclose(left.ct.hu, right.ct.hu[::-1], atol=1)
    for mine, theirs in zip(left.truth["screws"], right.truth["screws"], strict=True):
        assert mine["bone_length_mm"] == pytest.approx(theirs["bone_length_mm"], abs=1e-3)
        assert mine["entry_mm"] == pytest.approx([-theirs["entry_mm"][0], *theirs["entry_mm"][1:]], abs=1e-3)


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    first, again, other = (
        make_demo("diaphysis", seed=seed, **COARSE)  # type: ignore[arg-type]
        for seed in (7, 7, 8)
    )
    assert first.ct.digest == again.ct.digest
    assert json.dumps(first.truth) == json.dumps(again.truth)
    assert first.ct.digest != other.ct.digest


def test_a_wider_gap_takes_its_width_from_the_path() -> None:
    """A flat-ish fracture: bone length stays, the two paths lose the gap over the cosine to the axis between
    them."""
    narrow, wide = (demo("diaphysis", gap_mm=gap, **COARSE).truth["screws"][0] for gap in (0.8, 1.8))
    lost = [
        screw["bone_length_mm"] - sum(fragment["axis_path_mm"] for fragment in screw["fragments"])
        for screw in (narrow, wide)
    ]
    assert narrow["bone_length_mm"] == pytest.approx(wide["bone_length_mm"], abs=1e-3)
    assert lost[1] / lost[0] == pytest.approx(1.8 / 0.8, rel=0.1)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"name": "femur"}, "no demo named"),
        ({"side": "up"}, "side must be"),
        ({"seed": -1}, "seed must be"),
        ({"voxel_mm": 0.0}, "voxel_mm must be"),
        ({"noise_hu": math.nan}, "noise_hu must be"),
        ({"fwhm_mm": math.inf}, "fwhm_mm must be"),
        ({"gap_mm": -1.0}, "gap_mm must be"),
        ({"name": "foam-block", "gap_mm": 1.0}, "no fracture"),
        ({"cortex_mm": 50.0}, "cortex_mm must be"),
        ({"density_mg_cm3": 5.0}, "density_mg_cm3 must be"),
    ],
)
def test_settings_out_of_reach_are_refused(settings: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        make_demo(**{"name": "diaphysis", **settings})  # type: ignore[arg-type]
