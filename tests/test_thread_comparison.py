"""Which thread holds best along a path, and where a coarse and a fine one change places."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from finding_cases import down, slab, two_named
from scipy.optimize import brentq

from planner.assess import assess_screws
from planner.catalogue import built_in_screws
from planner.pullout import geometry_error_fraction, pullout_closed_form_n
from planner.screw_tension import weakest_tensile_limit_n
from planner.shear_laws import law_standard_error_fraction, shear_strength_mpa
from planner.thread_comparison import (
    DensityAlong,
    compare_threads,
    crossing,
    density_along,
    thread_hold,
    why_words,
)
from planner.vocabulary import Plan
from segmentation.errors import InputError

SCREWS = built_in_screws()
COARSE, FINE = SCREWS["iso5835-hb-4.0"], SCREWS["iso5835-ha-4.0"]


def uniform(
    density_mg_cm3: float, length_mm: float = 24.0, host: str = "bone", cells: int = 1
) -> DensityAlong:
    return DensityAlong(
        np.linspace(0, length_mm, cells + 1), np.full(cells, float(density_mg_cm3)), host, np.zeros((0, 2))
    )


def test_a_uniform_host_is_the_closed_form():
    """HA 4.0, 24 mm: 24 − 4 taper − 1.5 run-out = 18.5 mm of full thread."""
    told = thread_hold(FINE, 24.0, uniform(200, cells=7))
    shear = float(shear_strength_mpa(200.0, "bone"))
    assert told.engaged_mm == pytest.approx(18.5)
    assert told.host_n == pytest.approx(pullout_closed_form_n(shear, 18.5, 4.0, 2.9, 1.5))
    assert told.flank_mm2_per_mm == pytest.approx(math.pi / 4 * (16 - 2.9**2) / 1.5)


def test_layers_add_up():
    """6 mm of 800 mg/cm³, 18 mm of 100: each layer's own strength times the thread in it; 4.5 mm of cortex
    are three threads of 1.5 mm pitch."""
    along = DensityAlong(np.array([0.0, 6.0, 24.0]), np.array([800.0, 100.0]), "bone", np.array([[0.0, 6.0]]))
    told = thread_hold(FINE, 24.0, along)
    dense, soft = shear_strength_mpa([800.0, 100.0], "bone")
    expected = pullout_closed_form_n(float(dense), 4.5, 4.0, 2.9, 1.5)
    expected += pullout_closed_form_n(float(soft), 14.0, 4.0, 2.9, 1.5)
    assert told.host_n == pytest.approx(expected)
    assert told.threads_in_cortex_count == pytest.approx(3.0)


def test_cancellous_thread_in_soft_bone_and_cortical_thread_in_dense():
    """Published ordering: the deep thread holds more in a soft host, the shallow one in a dense host, because
    the deep thread's thin core tears."""
    soft, dense = (compare_threads([FINE, COARSE], 24.0, uniform(one)) for one in (150, 1000))
    assert [one.screw for one in soft] == [COARSE.name, FINE.name]
    assert [one.screw for one in dense] == [FINE.name, COARSE.name]
    assert "mm² of flank" in why_words(*soft)
    assert "core tears at" in why_words(*dense)


def test_long_threads_hold_more_than_short_ones():
    """Long (32-40 mm) over short (16-22 mm) always (Clin Orthop 1997;341:241)."""
    long, short = SCREWS["iso5835-hb-6.5-32"], SCREWS["iso5835-hb-6.5-16"]
    held = compare_threads([short, long], 60.0, uniform(150, 60.0))
    assert [one.screw for one in held] == [long.name, short.name]


def test_where_they_change_places_is_where_they_are_equal():
    """The root by another way: the density at which HA 4.0's host force is HB 4.0's tensile limit."""
    told = crossing(COARSE, FINE, 24.0, uniform(200), np.random.default_rng(1))
    cap = weakest_tensile_limit_n(COARSE).estimate

    def apart(density_mg_cm3: float) -> float:
        shear = float(shear_strength_mpa(density_mg_cm3, "bone"))
        return pullout_closed_form_n(shear, 18.5, 4.0, 2.9, 1.5) - cap

    assert told.density_mg_cm3.estimate == pytest.approx(brentq(apart, 100, 900), rel=1e-6)
    assert told.force_n == pytest.approx(cap, rel=1e-6)
    assert (told.softer, told.denser) == (COARSE.name, FINE.name)
    assert told.density_mg_cm3.low < told.density_mg_cm3.estimate < told.density_mg_cm3.high
    assert 0.5 < told.found_fraction <= 1


def test_a_crossing_is_the_same_for_the_same_seed_and_from_either_side():
    one = crossing(COARSE, FINE, 24.0, uniform(200), np.random.default_rng(1))
    same = crossing(COARSE, FINE, 24.0, uniform(200), np.random.default_rng(1))
    turned = crossing(FINE, COARSE, 24.0, uniform(300), np.random.default_rng(1))
    assert one == same
    assert (turned.softer, turned.denser) == (one.softer, one.denser)
    assert turned.density_mg_cm3.estimate == pytest.approx(one.density_mg_cm3.estimate, rel=1e-6)


def test_the_crossing_does_not_depend_on_the_path_it_is_sought_from():
    """Uniform bone, ten times softer or denser than where they change places, in one cell or in seven."""
    one = crossing(COARSE, FINE, 24.0, uniform(200), np.random.default_rng(1))
    for along in (uniform(30), uniform(1000), uniform(200, cells=7)):
        other = crossing(COARSE, FINE, 24.0, along, np.random.default_rng(1))
        assert other.density_mg_cm3.estimate == pytest.approx(one.density_mg_cm3.estimate, rel=1e-6)


def test_the_interval_of_a_crossing_against_a_plain_twin():
    """The same draws, each crossing found on a fine grid of densities: law common to both, form and tolerance
    (``pullout.py``) and tensile strength each screw's own; 5th and 95th percentile."""
    told = crossing(COARSE, FINE, 24.0, uniform(200), np.random.default_rng(7))
    rng, densities = np.random.default_rng(7), np.linspace(4, 1400, 27_921)
    shear = shear_strength_mpa(densities, "bone")
    # 24 − 4 taper − a run-out of one pitch; 1.6448536 deviations to the 95th percentile (mathematics).
    full_mm = {COARSE: 24 - 4 - 1.75, FINE: 24 - 4 - 1.5}
    limits = {screw: weakest_tensile_limit_n(screw) for screw in (COARSE, FINE)}
    found = []
    for _ in range(200):
        law = rng.normal(0, float(law_standard_error_fraction(200.0, "bone")))
        forces = []
        for screw in (COARSE, FINE):
            thread, limit = screw.threads[0], limits[screw]
            own = rng.normal(0, math.hypot(0.07, geometry_error_fraction(thread)))
            tears = rng.normal(0, math.log(limit.high / limit.low) / 2 / 1.6448536)
            per_mpa = pullout_closed_form_n(
                1.0, full_mm[screw], thread.major_mm, thread.core_mm, thread.pitch_mm
            )
            forces.append(np.minimum(math.exp(law + own) * per_mpa * shear, math.exp(tears) * limit.estimate))
        apart = forces[0] - forces[1]
        if (apart[0] > 0) != (apart > 0).all() or (apart > 0).any() != (apart > 0).all():
            found.append(densities[np.flatnonzero(np.sign(apart) != np.sign(apart[0]))[0]])
    assert told.found_fraction == len(found) / 200
    ends = (told.density_mg_cm3.low, told.density_mg_cm3.high)
    assert ends == pytest.approx(np.percentile(found, [5, 95]), abs=0.1)


@pytest.mark.parametrize("density_mg_cm3", [200, 1000])
def test_no_crossing_is_told_beyond_the_densest_host(density_mg_cm3):
    """Foam takes τ = 21.0 ρ^1.4 without limit. 18 mm: the fine thread holds what the coarse core bears at
    1.25 g/cm³ of it; 13 mm, with 7.5 mm of thread: only at 1.79 g/cm³, denser than any bone."""
    told = crossing(COARSE, FINE, 18.0, uniform(density_mg_cm3, 18, "foam"), np.random.default_rng(1))
    cap = weakest_tensile_limit_n(COARSE).estimate
    by_hand = 1000 * (cap / pullout_closed_form_n(21.0, 12.5, 4.0, 2.9, 1.5)) ** (1 / 1.4)
    assert told.density_mg_cm3.estimate == pytest.approx(by_hand, rel=1e-6)
    short = uniform(density_mg_cm3, 13, "foam")
    assert crossing(COARSE, FINE, 13.0, short, np.random.default_rng(1)) is None


def test_screws_are_compared_at_the_seat_they_are_measured_at():
    along = DensityAlong(np.array([0.0, 6.0, 24.0]), np.array([800.0, 100.0]), "bone", np.zeros((0, 2)))
    assert compare_threads([FINE], 24.0, along) == [thread_hold(FINE, 24.0, along)]
    deeper = thread_hold(FINE, 24.0, along, seat_depth_mm=2.0)
    assert compare_threads([FINE], 24.0, along, seat_depth_mm=2.0) == [deeper]
    # Two millimetres less of the dense layer.
    shear = float(shear_strength_mpa(800.0, "bone") - shear_strength_mpa(100.0, "bone"))
    less = thread_hold(FINE, 24.0, along).host_n - deeper.host_n
    assert less == pytest.approx(pullout_closed_form_n(shear, 2.0, 4.0, 2.9, 1.5))


def test_screws_that_never_change_places():
    """HB 6.5 over HA 4.5: a larger thread and a stronger core at every density."""
    pair = SCREWS["iso5835-hb-6.5"], SCREWS["iso5835-ha-4.5"]
    assert crossing(*pair, 40.0, uniform(200, 40.0), np.random.default_rng(1)) is None
    assert crossing(COARSE, FINE, 24.0, uniform(0.0), np.random.default_rng(1)) is None


def test_a_screw_too_short_for_its_thread_is_left_out():
    names = [one.screw for one in compare_threads([FINE, SCREWS["iso5835-hb-6.5-32"]], 24.0, uniform(200))]
    assert names == [FINE.name]


def test_along_a_measured_path():
    """The slab of 400 HU at 0.77 mg/cm³ a HU: 308 mg/cm³ in its middle, and the hold of the assessment."""
    result = assess_screws(slab(), Plan((down(-10, 18),))).screws[0]
    along = density_along(result, "bone")
    assert along.edges_mm[-1] == pytest.approx(result.tip_depth_mm)
    assert along.density_mg_cm3[len(along.density_mg_cm3) // 2] == pytest.approx(308, abs=4)
    held = thread_hold(SCREWS["iso5835-ha-3.5"], 18.0, along)
    assert held.engaged_mm == pytest.approx(result.fragments[0].thread_engagement_mm, abs=0.05)
    assert held.host_n == pytest.approx(result.pullout_n.estimate, rel=0.02)


def test_only_the_governing_fragment_counts_where_asked():
    """Through both slabs, the far one governs: in it the hold is the assessment's."""
    screw = replace(down(-13, 24), entry_mm=np.array([0.5, -0.3, -13.0]))
    result = assess_screws(two_named(), Plan((screw,))).screws[0]
    whole = thread_hold(screw.screw, 24.0, density_along(result, "bone"))
    far = thread_hold(screw.screw, 24.0, density_along(result, "bone", fragment=result.governed_by))
    assert density_along(result, "bone", fragment=result.governed_by).density_mg_cm3.min() == 0
    assert far.host_n < whole.host_n
    assert far.host_n == pytest.approx(result.pullout_n.estimate, rel=0.03)


def test_an_unknown_density_is_refused():
    result = assess_screws(slab(), Plan((down(-10, 18),))).screws[0]
    bare = replace(result.profile, ring=replace(result.profile.ring, density_mg_cm3=None))
    with pytest.raises(InputError, match="not calibrated"):
        density_along(replace(result, profile=bare), "bone")
    with pytest.raises(InputError, match="cells' borders"):
        DensityAlong(np.array([0.0, 1.0]), np.array([1.0, 2.0]), "bone", np.zeros((0, 2)))
    with pytest.raises(InputError, match="not negative"):
        DensityAlong(np.array([0.0, 1.0]), np.array([-1.0]), "bone", np.zeros((0, 2)))
