"""Each number over its draws, worked by hand from the same draws: forces, torques, density, angles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from bench_rig import LAG, ball_bone, through_ball

from planner.assess import ReadyBone, assess_screws, ready
from planner.doubt import _rows
from planner.doubt_draws import Draws, draws_of
from planner.doubt_grid import surroundings
from planner.doubt_numbers import Key, Values, line_of, numbers_of
from planner.doubt_vocabulary import DoubtSource
from planner.path import trace
from planner.placement import PLACEMENTS
from planner.torque import torque_per_force_mm
from planner.vocabulary import HoldFactor, Interval, PlacedScrew, Plan, PullOut, ScrewResult
from segmentation.vocabulary import Calibration, Floats

LAW_TERMS = ("shear_law_fraction", "ash_fraction", "form_fraction")
TO_95 = 1.6448536
"""Standard deviations to the 95th percentile (mathematics)."""


@cache
def ball() -> ReadyBone:
    return ready(ball_bone())


def measured(bone: ReadyBone, placed: PlacedScrew) -> ScrewResult:
    return assess_screws(bone, Plan((placed,))).screws[0]


def _same(result: ScrewResult) -> ScrewResult:
    return result


def over_the_draws(
    *only: DoubtSource,
    placed: PlacedScrew | None = None,
    changed: Callable[[ScrewResult], ScrewResult] = _same,
) -> tuple[ScrewResult, Draws, dict[Key, Values]]:
    """A screw through the ball, 4000 draws of these sources alone, and its numbers over them; ``changed`` is
    what is told of it beforehand."""
    bone, placed = ball(), placed or through_ball()
    path, result = trace(bone.prepared, placed), changed(measured(bone, placed))
    way = PLACEMENTS["guided"]
    draws = draws_of(way, 4000, 2, only=only)
    around = surroundings(bone.prepared, path, draws.placed, way, has_no_data=False)
    planned = _rows(bone.prepared.bone, around, draws_of(way, 1, 1, only=()))[0]
    rows = _rows(bone.prepared.bone, around, draws)
    found = numbers_of(bone.prepared.bone, path, result, around.fragments, planned, rows, draws)
    return result, draws, found


def drawn_alone(*only: DoubtSource) -> tuple[ScrewResult, dict[Key, Values]]:
    result, _, found = over_the_draws(*only)
    return result, found


def test_law_and_geometry_alone_spread_as_the_formulas_interval() -> None:
    result, found = drawn_alone("law", "geometry")
    for fragment in result.fragments:
        errors, force = fragment.pullout_errors, fragment.pullout_n
        assert errors is not None
        assert force is not None
        left_out = ("engaged_length_fraction", "density_fraction")
        own = np.sqrt(sum(v**2 for name, v in vars(errors).items() if name not in left_out))
        low, high = np.percentile(found["fragments.pullout_n", fragment.fragment].drawn, [5, 95])
        assert low == pytest.approx(force.estimate * np.exp(-1.645 * own), rel=0.03)
        assert high == pytest.approx(force.estimate * np.exp(1.645 * own), rel=0.03)


def two_sided(middle: float, low: float, high: float, normal: Floats) -> Floats:
    """Lognormal on either side of the middle, from its percentiles."""
    return middle * np.where(normal > 0, high / middle, middle / low) ** (normal / TO_95)


@pytest.mark.parametrize("family", ["headless-two-pitch-2.2-2.8", LAG])
def test_torques_over_the_draws_of_friction_by_hand(family: str) -> None:
    """Friction 0.2-0.4 about 0.3, no lower than 0.05; insertion 0.20-0.32 about 0.25 (from memory, derived);
    nothing is pressed above 80 % of the hold (Fletcher et al. 2019)."""
    screw = through_ball("S1", family, 0.0 if family != LAG else -4.0, 14.0 if family != LAG else 16.0)
    result, draws, found = over_the_draws("friction", placed=screw)
    assert result.torque is not None
    assert result.torque.insertion_n_m is not None
    assert result.torque.advised_at_most_n_m is not None
    parts = [part.pullout_n.estimate for part in result.fragments if part.pullout_n is not None]
    hold_n = result.pullout_n.estimate if screw.screw.headless else sum(parts)  # type: ignore[union-attr]
    assert found["pullout_n", None].drawn == pytest.approx(result.pullout_n.estimate)  # type: ignore[union-attr]
    friction = np.maximum(0.3 + 0.1 / TO_95 * draws.friction[:, 0], 0.05)
    lever_mm = np.array([torque_per_force_mm(screw.screw, float(one)) for one in friction])
    stripping = found["torque.stripping_n_m", None]
    assert stripping.drawn == pytest.approx(hold_n * lever_mm / 1000)
    pressed = found["torque.compression_at_advised_n", None]
    advised_n = 1000 * result.torque.advised_at_most_n_m / lever_mm
    assert pressed.drawn == pytest.approx(np.minimum(advised_n, 0.8 * hold_n))
    driven = found["torque.insertion_n_m", None]
    by_hand = result.torque.insertion_n_m.estimate * two_sided(
        1.0, 0.20 / 0.25, 0.32 / 0.25, draws.friction[:, 1]
    )
    assert driven.drawn == pytest.approx(by_hand)


def test_the_whole_hold_over_the_draws_by_hand() -> None:
    """Two factors that are known and one that is not; a core that tears at less than the host may hold."""
    ends = ((0.9, 0.8, 1.2), (None, None, None), (1.1, 0.0, 1.3))
    known = tuple(HoldFactor("test", *one, "test", "") for one in ends)

    def changed(result: ScrewResult) -> ScrewResult:
        assert result.pull_out is not None
        assert result.pullout_n is not None
        host = Interval(result.pullout_n.estimate * 0.99, 1.0, 1e6)
        tears = Interval(host.estimate * 1.1, host.estimate, host.estimate * 1.3)
        return replace(result, pull_out=PullOut(host, tears, host, "host", known))

    result, draws, found = over_the_draws("law", "geometry", changed=changed)
    assert result.pull_out is not None
    assert result.pull_out.screw_n is not None
    middle, low, high = vars(result.pull_out.screw_n).values()
    screw_n = two_sided(middle, low, high, draws.tears)
    # A factor that may be nothing falls to a millionth at its 5th percentile.
    factors = two_sided(0.9, 0.8, 1.2, draws.factors[:, 0]) * two_sided(1.1, 1.1e-6, 1.3, draws.factors[:, 2])
    host_n = found["pullout_n", None].drawn * factors
    for part in result.fragments:
        law, ash, form = draws.law.T * [[getattr(part.pullout_errors, name)] for name in LAW_TERMS]
        own = law + ash + form + part.pullout_errors.diameters_fraction * draws.diameters  # type: ignore[union-attr]
        force = found["fragments.pullout_n", part.fragment].drawn
        assert force == pytest.approx(part.pullout_n.estimate * np.exp(own))  # type: ignore[union-attr]
    told = found["pull_out.force_n", None].drawn
    assert told == pytest.approx(np.minimum(host_n, screw_n))
    assert 0.1 < np.mean(screw_n < host_n) < 0.9


def test_lengths_over_the_draws_are_never_negative_and_threads_are_lengths_over_pitch() -> None:
    _, _, found = over_the_draws("placement", "surface", placed=through_ball("S2", LAG, -4.0, 16.0))
    for fragment in (1, 2):
        long_mm = found["thread_engagement_mm", fragment].drawn
        assert found["threads_engaged", fragment].drawn == pytest.approx(long_mm / 1.75, abs=0.01)
        assert min(long_mm.min(), found["axis_path_mm", fragment].drawn.min()) >= 0


def test_a_fitted_line_over_the_draws_by_hand() -> None:
    """Slope 0.8 ± 0.02, intercept 5 ± 3 and 8 % of the whole."""
    line = Calibration("given", 0.8, 5.0, 0.08, "test", 0.02, 3.0)
    draws = draws_of(PLACEMENTS["guided"], 500, 3)
    slope, intercept = line_of(replace(ball().prepared.bone, calibration=line), draws).T
    whole = 1 + 0.08 * draws.line[:, 2]
    assert slope == pytest.approx((0.8 + 0.02 * draws.line[:, 0]) * whole)
    assert intercept == pytest.approx((5 + 3 * draws.line[:, 1]) * whole)
    assert np.isnan(line_of(replace(ball().prepared.bone, calibration=None), draws)).shape == (500, 2)


def test_angle_and_tip_apex_over_the_draws_by_hand() -> None:
    """A moved axis meets the plane x = 0 at its own tilt; its tip is seen on two pictures, along y and x."""
    result, draws, found = over_the_draws("placement")
    tilt = np.linalg.norm(draws.placed.tilt_radian, axis=1)
    assert found["lag.angle_degree", None].drawn == pytest.approx(np.degrees(tilt), abs=1e-3)
    path = trace(ball().prepared, through_ball())
    assert result.tip_apex is not None
    away = []
    for n in range(50):
        across = np.stack([path.u, path.v])
        way = np.cos(tilt[n]) * path.direction
        way = way + np.sin(tilt[n]) / tilt[n] * draws.placed.tilt_radian[n] @ across
        start = path.entry_mm + draws.placed.shift_mm[n] @ across
        # Depth counts from where the moved axis enters the ball of 10 mm about the origin (to its facets).
        enters = -(start @ way) - np.sqrt((start @ way) ** 2 - start @ start + 100)
        tip = start + (enters + path.tip_depth_mm + draws.placed.depth_mm[n]) * way
        x, y, z = np.array(result.tip_apex.apex_mm) - tip
        away.append(np.hypot(x, z) + np.hypot(y, z))
    assert found["tip_apex.distance_mm", None].drawn[:50] == pytest.approx(away, abs=0.1)


def test_a_fracture_known_within_some_degrees_spreads_the_angle() -> None:
    """The axis square to it: tilted about two axes by sd ε / 1.645, the angle is a Rayleigh variable, whose
    95th percentile is 2.4477 sd (mathematics)."""
    result, _, found = over_the_draws("surface")
    sd = result.fractures[0].angle_uncertainty_degree / TO_95
    drawn = found["lag.angle_degree", None].drawn
    assert np.percentile(drawn, [50, 95]) == pytest.approx([1.1774 * sd, 2.4477 * sd], rel=0.04)


def test_the_calibration_alone_spreads_the_density_as_its_own_interval() -> None:
    result, found = drawn_alone("calibration")
    for fragment in result.fragments:
        interval = fragment.intervals.mean_density_mg_cm3
        assert interval is not None
        drawn = found["mean_density_mg_cm3", fragment.fragment].drawn
        assert np.percentile(drawn, [5, 95]) == pytest.approx([interval.low, interval.high], rel=0.02)
