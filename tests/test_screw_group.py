"""Several screws and the tip–apex distance against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from phantoms import rotation

from planner.screw_group import (
    angle_between_degree,
    axes_apart_mm,
    shares_fraction,
    shares_without,
    spread_mm,
    triangle_area_mm2,
)
from planner.tip_apex import ball_of, projected_mm, tip_apex_distance_mm, within_limit
from segmentation.errors import InputError


def test_the_tip_apex_distance_is_that_of_two_projections() -> None:
    """Definition: Baumgaertner et al. 1995. Derived: 10 mm short, 3 off on one picture and 4 on the other:
    √109 + √116 = 21.21 mm, not the straight 11.18."""
    apex, tip = np.zeros(3), np.array([3.0, 4.0, -10.0])
    told = tip_apex_distance_mm(tip, apex)
    assert told == pytest.approx(21.21, abs=0.005)
    assert told == pytest.approx(np.sqrt(109) + np.sqrt(116), rel=1e-12)
    assert np.linalg.norm(tip - apex) == pytest.approx(11.18, abs=0.005)
    away = np.array([50.0, -20, 30])
    assert tip_apex_distance_mm(tip + away, apex + away) == pytest.approx(told, rel=1e-9)
    # On axis both pictures show the same 10 mm.
    assert tip_apex_distance_mm(np.array([0, 0, -10.0]), apex) == pytest.approx(20)


def test_bone_and_views_turned_together_show_the_same() -> None:
    turn = rotation(3)
    tip, apex = np.array([3.0, 4.0, -10.0]), np.array([0.5, 0.2, 1.0])
    frontal, lateral = np.array([0.0, 1, 0]), np.array([1.0, 0, 0])
    turned = tip_apex_distance_mm(
        turn @ tip, turn @ apex, tuple(turn @ frontal * 3), tuple(turn @ lateral * 0.2)
    )
    assert turned == pytest.approx(tip_apex_distance_mm(tip, apex), rel=1e-9)


def test_the_limit_of_heads_lets_25_pass() -> None:
    """Baumgaertner et al. 1995: 0 of 120 at or below 25 mm."""
    assert within_limit(25.0)
    assert not within_limit(25.1)


def test_a_view_without_direction_is_refused() -> None:
    with pytest.raises(InputError, match="where the picture looks"):
        projected_mm(np.zeros(3), np.ones(3), (0.0, 0.0, 0.0))


def test_the_ball_of_a_cap() -> None:
    rng = np.random.default_rng(0)
    directions = rng.normal(size=(400, 3))
    directions[:, 2] = np.abs(directions[:, 2])
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    centre, radius, miss = ball_of(np.array([5.0, -3, 100]) + 24 * directions)
    assert centre == pytest.approx([5, -3, 100], abs=1e-9)
    assert (radius, miss) == pytest.approx((24, 0), abs=1e-9)
    small_centre, small_radius, _ = ball_of(np.array([5.0, -3, 100]) + 0.4 * directions)
    assert small_centre == pytest.approx([5, -3, 100], abs=1e-9)
    assert small_radius == pytest.approx(0.4)
    flat = np.column_stack([rng.uniform(-10, 10, (400, 2)), rng.normal(0, 2, 400)])
    assert ball_of(flat)[2] > 1


def test_an_angle_between_axes_has_no_direction() -> None:
    a = np.array([0.0, 0, 1])
    for degree in (0, 4, 30, 90):
        b = np.array([np.sin(np.radians(degree)), 0, np.cos(np.radians(degree))])
        assert angle_between_degree(a, b) == pytest.approx(degree, abs=1e-5)
        assert angle_between_degree(a, -2 * b) == pytest.approx(degree, abs=1e-5)


def test_spread_and_triangle_of_an_inverted_triangle() -> None:
    points = np.array([[0, 0, 0], [12, 0, 0], [6, 9, 0.0]])
    assert spread_mm(points) == 12
    assert triangle_area_mm2(points) == 54
    assert triangle_area_mm2(points + np.array([40.0, -7, 3])) == pytest.approx(54)
    assert triangle_area_mm2(points[:2]) == 0
    assert spread_mm(points[:1]) == 0
    four = np.vstack([points, [6, -9, 0]])
    assert triangle_area_mm2(four) == 54
    assert spread_mm(four) == 18


def _line(start, stop):
    return np.asarray(start, float), np.asarray(stop, float)


@pytest.mark.parametrize(
    ("first", "second", "apart"),
    [
        (_line([0, 0, 0], [10, 0, 0]), _line([5, -5, 3], [5, 5, 3]), 3),
        (_line([0, 0, 0], [10, 0, 0]), _line([0, 4, 0], [10, 4, 0]), 4),
        (_line([0, 0, 0], [10, 0, 0]), _line([13, 4, 0], [20, 4, 0]), 5),
        (_line([0, 0, 0], [10, 0, 0]), _line([5, 2, 0], [5, 9, 0]), 2),
        (_line([0, 0, 0], [10, 0, 0]), _line([5, -2, 0], [5, 9, 0]), 0),
        (_line([0, 0, 0], [10, 0, 0]), _line([2, -1, 2], [5, 5, 2]), 2),
        (_line([1, 2, 3], [4, 2, -1]), _line([1, 7, 3], [5, 7, 6]), 5),
    ],
)
def test_stretches_apart(first, second, apart) -> None:
    assert axes_apart_mm(first, second) == pytest.approx(apart, abs=1e-9)
    assert axes_apart_mm(second, first) == pytest.approx(apart, abs=1e-9)


def test_shares_go_by_stiffness_and_what_one_lets_go_the_others_take() -> None:
    stiffness = {"a": 1.0, "b": 1.0, "c": 2.0}
    assert shares_fraction(stiffness) == {"a": 0.25, "b": 0.25, "c": 0.5}
    assert shares_without(stiffness, ["c"]) == {"a": 0.5, "b": 0.5}
    assert shares_without(stiffness, ["a"]) == pytest.approx({"b": 1 / 3, "c": 2 / 3})
    assert shares_without({"a": 1.0}, ["a"]) == {}
    with pytest.raises(InputError):
        shares_fraction({"a": 0.0})
