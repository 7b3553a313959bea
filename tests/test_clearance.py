"""Clearance beside cuts and fractures: a plane across which nothing changes is no surface, a gap beside the
screw is one."""

from functools import cache

import numpy as np
import pytest
from phantoms import as_ct, placed, slabs

from planner.assess import ReadyBone, assess_screws, ready
from planner.vocabulary import Plan, ScrewResult
from segmentation.parts import Cut
from segmentation.recipe import segment


@cache
def cube(normal: tuple[float, ...] | None = None) -> ReadyBone:
    """A cube of 20 mm, cut square to ``normal`` 3 mm from its middle."""
    grid, values = slabs(thicknesses_mm=(20.0,), hu=(400.0,), half_width_mm=10.0)
    cuts = []
    if normal is not None:
        direction = np.asarray(normal, float)
        cuts = [Cut(3.0 * direction / np.linalg.norm(direction), direction)]
    return ready(segment(as_ct(grid, values), threshold_hu=220.0, cuts=cuts))


def measured(bone: ReadyBone, at_x_mm: float, seat_mm: float = 0.0) -> ScrewResult:
    """A screw of 14 mm along z at x."""
    screw = placed(
        np.array([at_x_mm, 0.0, -10.0]), np.array([at_x_mm, 0.0, 0.0]), length_mm=14.0, seat_depth_mm=seat_mm
    )
    return assess_screws(bone, Plan((screw,))).screws[0]


@pytest.mark.parametrize("normal", [(1, 0.5, 0), (1, 0.1, 0), (1, 0.3, 0.2), (1, 0, 0.3), (1, 0, 0)])
@pytest.mark.parametrize("at_x_mm", [-2.0, 0.0, 1.0, 2.5, 5.0])
def test_a_cut_across_which_nothing_changes_is_no_surface(normal: tuple[float, ...], at_x_mm: float) -> None:
    whole, parts = measured(cube(), at_x_mm), measured(cube(normal), at_x_mm)
    for part in ("leading_end", "body"):
        expected, found = getattr(whole, part).outer, getattr(parts, part).outer
        # Where the cut meets the outside, its edge is rounded over a voxel: that counts, on the safe side.
        assert expected - 0.5 <= found <= expected + 0.05, part
    assert not {finding.code for finding in parts.findings} & {"body-outside", "leading-end-outside"}


def test_the_parts_own_ends_are_measured() -> None:
    # Seat 5 mm out: the leading end begins 3 mm deep, two pitches and the taper before the tip.
    result = measured(cube(), 0.0, seat_mm=-5.0)
    assert result.leading_end.outer == pytest.approx(3.0, abs=0.03)
