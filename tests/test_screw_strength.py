"""Sections, bending, floors of torque, fatigue ranking and pilot fit against closed forms and printed tables.

Check values are from the project's sources: ISO 5835 dimensions (from memory), the derived columns of its
core sections, FDA-2019-D-1652 (read), textbook beams.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from planner.bending import (
    deflection_interval_mm,
    deflection_mm,
    stress_interval_mpa,
    stress_mpa,
    yield_moment_n_m,
)
from planner.catalogue import built_in_screws
from planner.demands import Demands
from planner.fatigue import NOTCH_FACTOR, endured_ratio, poorest, ranking
from planner.fracture_gaps import Gap
from planner.interval import Interval, exactly, least, product, quotient, scaled, through
from planner.materials import METALS
from planner.pilot import pilot_fit
from planner.sections import Place, Section, away_mm, places_along, weakest
from planner.solid import solid_of
from planner.strength import strength_of
from planner.torque_floors import floors, yield_row
from planner.vocabulary import PlacedScrew
from segmentation.errors import InputError

SCREWS = built_in_screws()

CORES = [
    # core, area, I, Z, Wp: derived from ISO 5835 cores, three digits
    (1.1, 0.950, 0.072, 0.131, 0.261),
    (1.3, 1.327, 0.140, 0.216, 0.431),
    (1.9, 2.835, 0.640, 0.673, 1.347),
    (2.4, 4.524, 1.629, 1.357, 2.714),
    (2.9, 6.605, 3.472, 2.394, 4.789),
    (3.0, 7.069, 3.976, 2.651, 5.301),
    (3.5, 9.621, 7.366, 4.209, 8.418),
]


@pytest.mark.parametrize(("core_mm", "area", "second_moment", "modulus", "polar"), CORES)
def test_sections_of_the_standard_cores(core_mm, area, second_moment, modulus, polar) -> None:
    section = Section(core_mm)
    assert section.area_mm2 == pytest.approx(area, abs=0.0006)
    assert section.second_moment_mm4 == pytest.approx(second_moment, abs=0.0006)
    assert section.modulus_mm3 == pytest.approx(modulus, abs=0.0006)
    assert section.polar_modulus_mm3 == pytest.approx(polar, abs=0.0006)


def test_a_cannula_costs_its_fourth_power() -> None:
    """Derived: core 3.0, cannula 1.4: −4.7 %."""
    solid, hollow = Section(3.0), Section(3.0, 1.4)
    for name in ("second_moment_mm4", "modulus_mm3", "polar_modulus_mm3"):
        assert getattr(hollow, name) / getattr(solid, name) == pytest.approx(1 - (1.4 / 3.0) ** 4, rel=1e-12)
    assert 1 - hollow.modulus_mm3 / solid.modulus_mm3 == pytest.approx(0.047, abs=0.0005)
    assert hollow.area_mm2 == pytest.approx(math.pi / 4 * (9 - 1.96), rel=1e-12)


def test_the_larger_core_is_stiffer_by_the_fourth_and_stronger_by_the_third_power() -> None:
    """Derived: HA 4.5 over HA 3.5, I 2.441 and Z 1.953; half the core: stress × 8, deflection × 16."""
    large, small = Section(3.0), Section(2.4)
    assert large.second_moment_mm4 / small.second_moment_mm4 == pytest.approx(2.441, rel=1e-3)
    assert large.modulus_mm3 / small.modulus_mm3 == pytest.approx(1.953, rel=1e-3)
    assert stress_mpa(100, 10, Section(1.2)) / stress_mpa(100, 10, small) == pytest.approx(8, rel=1e-12)
    assert deflection_mm(100, 10, Section(1.2), 1.9e5) / deflection_mm(
        100, 10, small, 1.9e5
    ) == pytest.approx(16, rel=1e-12)


@pytest.mark.parametrize(
    ("core_mm", "elastic_mpa", "stress", "deflection"),
    [(2.4, 190_000, 736.9, 0.1077), (2.4, 110_000, 736.9, 0.1860), (3.0, 190_000, 377.2, 0.0441)],
)
def test_a_hundred_newtons_at_ten_millimetres(core_mm, elastic_mpa, stress, deflection) -> None:
    """Derived from the textbook cantilever; the printed 736.9 comes from a Z rounded to 1.357 (exactly:
    736.83)."""
    assert stress_mpa(100, 10, Section(core_mm)) == pytest.approx(stress, abs=0.1)
    assert deflection_mm(100, 10, Section(core_mm), elastic_mpa) == pytest.approx(deflection, abs=1e-4)


def test_the_tolerance_of_the_core_is_in_the_interval() -> None:
    told = stress_interval_mpa(100, 10, Section(2.4))
    for value, core_mm in ((told.low, 2.3925), (told.estimate, 2.325), (told.high, 2.2575)):
        assert value == pytest.approx(stress_mpa(100, 10, Section(core_mm)), rel=1e-9)
    moment = yield_moment_n_m(Section(2.4), METALS["stainless steel"])
    # Stress at the moment of yield is the yield strength: 690 MPa (ISO 5832-1 cold-worked, from memory).
    assert stress_mpa(moment.low * 100, 10, Section(2.2575)) == pytest.approx(690, rel=1e-9)


def test_the_metals_are_those_of_their_standards() -> None:
    """ISO 5832-1 cold-worked and 5832-3, fatigue limits 300-440 and 400-600 MPa (all from memory)."""
    steel, titanium = METALS["stainless steel"], METALS["titanium alloy"]
    assert (steel.yield_mpa, steel.ultimate_mpa, titanium.yield_mpa, titanium.ultimate_mpa) == (
        *(690, 860),
        *(780, 860),
    )
    assert steel.elastic_mpa == Interval(190_000, 186_000, 200_000)
    assert titanium.elastic_mpa == Interval(110_000, 105_000, 114_000)
    assert steel.fatigue_mpa == Interval(370, 300, 440)
    assert titanium.fatigue_mpa == Interval(500, 400, 600)


def test_a_deflection_has_core_and_stiffness_in_its_interval() -> None:
    told = deflection_interval_mm(100, 10, Section(2.4), METALS["stainless steel"])
    assert told.estimate == pytest.approx(deflection_mm(100, 10, Section(2.325), 190_000), rel=1e-9)
    softest = deflection_mm(100, 10, Section(2.2575), 190_000)
    assert told.high == pytest.approx(
        told.estimate * math.exp(math.hypot(math.log(softest / told.estimate), math.log(190_000 / 186_000))),
        rel=1e-9,
    )


@pytest.mark.parametrize(("diameter_mm", "cannula_mm"), [(0.0, 0.0), (2.0, 2.0), (2.0, -0.1), (math.inf, 0)])
def test_a_section_that_cannot_exist_is_refused(diameter_mm, cannula_mm) -> None:
    with pytest.raises(InputError, match="correct the screw"):
        Section(diameter_mm, cannula_mm)


# Where along the screw


def _places(name: str, length_mm: float):
    return places_along(SCREWS[name], solid_of(SCREWS[name], length_mm))


def test_the_stretches_of_a_partially_threaded_screw() -> None:
    """Thread 16 mm at the tip, run-out one pitch of 1.75, taper one major diameter: from the definitions."""
    places = _places("iso5835-hb-4.0-partial", 30)
    assert [(p.stretch, p.from_mm, p.to_mm) for p in places] == [
        ("shaft", 0, 14),
        ("run-out", 14, 15.75),
        ("thread", 15.75, 26),
    ]
    assert [p.section.diameter_mm for p in places] == [2.4, 1.9, 1.9]
    assert weakest(places).stretch == "run-out"
    assert weakest(places, near_mm=20).stretch == "thread"


def test_the_stretches_of_a_two_pitch_screw() -> None:
    places = _places("headless-two-pitch-3.0-3.9", 24)
    assert [(p.stretch, p.from_mm, p.to_mm) for p in places] == [
        ("thread", 0, 4),
        ("run-out", 4, 5),
        ("shaft", 5, 16),
        ("run-out", 16, 17.25),
        ("thread", 17.25, 22.5),
    ]
    assert {p.section.cannula_mm for p in places} == {1.1}


def test_a_screw_that_ends_in_its_bare_shaft() -> None:
    """Only the trailing thread of a two-pitch screw: 5 mm with a run-out of 1, the shaft from there on."""
    screw = SCREWS["headless-two-pitch-3.0-3.9"]
    bare = replace(screw, threads=tuple(t for t in screw.threads if t.at == "trailing_end"), tip_taper_mm=0.0)
    places = places_along(bare, solid_of(bare, 24))
    assert [(p.stretch, p.from_mm, p.to_mm) for p in places] == [
        ("thread", 0, 4),
        ("run-out", 4, 5),
        ("shaft", 5, 24),
    ]


def test_how_far_a_stretch_lies_from_a_fracture() -> None:
    (_, runout, _) = _places("iso5835-hb-4.0-partial", 30)
    assert away_mm(runout, 10, 12) == 2
    assert away_mm(runout, 20, 21.5) == 4.25
    assert away_mm(runout, 15, 15.2) == 0


# Floors of torque


def test_floors_of_the_standard_and_the_regulator_are_both_told_and_never_mixed() -> None:
    told = floors(SCREWS["iso5835-ha-3.5"])
    assert (told.breaking_n_m, told.breaking_rotation_degree) == (2.3, 180)  # ISO 6475 annex A, from memory
    assert (told.yield_n_m, told.yield_row_mm) == (2.1, 3.5)  # FDA-2019-D-1652, read
    assert told.insertion_n_m == pytest.approx(1.05)  # at most half of yield, same


def test_a_diameter_between_rows_takes_the_next_larger() -> None:
    """FDA-2019-D-1652 §III.1: nominal diameter not in the table, next larger row."""
    assert yield_row(2.2) == (2.5, 0.60)
    assert yield_row(2.5) == (2.5, 0.60)
    assert yield_row(4.01) == (4.5, 3.5)
    assert yield_row(6.5) is None


@pytest.mark.parametrize("name", ["cannulated-4.0-partial", "locking-3.5", "headless-two-pitch-2.2-2.8"])
def test_a_screw_without_a_row_of_the_standard_is_not_given_another(name) -> None:
    told = floors(SCREWS[name])
    assert told.breaking_n_m is None
    assert told.yield_n_m is not None


def test_the_standards_floor_is_for_its_solid_steel_screws_only() -> None:
    screw = SCREWS["iso5835-ha-3.5"]
    for other in (replace(screw, cannula_mm=1.0), replace(screw, material="titanium alloy")):
        assert floors(other).breaking_n_m is None
        assert floors(other).yield_n_m == 2.1


SHEAR_AT_FLOOR = {
    **{"ha-1.5": 765, "ha-2.0": 811, "ha-2.7": 743, "ha-3.5": 847, "ha-4.0": 835, "ha-4.5": 830},
    **{"ha-5.0": 653, "hb-4.0": 965, "hb-6.5": 1169},
}
"""Nominal shear on the bare core at the least breaking torque, 16T/πd³ in MPa (derived from ISO 6475 annex A
and ISO 5835, from memory). Those of HB exceed what steel bears in shear: deep threads have large fillets."""


@pytest.mark.parametrize(("code", "shear_mpa"), SHEAR_AT_FLOOR.items())
def test_the_standards_torque_on_the_bare_core(code, shear_mpa) -> None:
    screw = SCREWS[f"iso5835-{code}"]
    told = floors(screw)
    assert told.breaking_n_m is not None
    on_core = told.breaking_n_m * 1000 / Section(screw.largest_thread.core_mm).polar_modulus_mm3
    assert on_core == pytest.approx(shear_mpa, abs=1)
    assert told.breaking_rotation_degree == (
        90 if "hb" in code else 150 if screw.largest_thread.major_mm <= 2 else 180
    )


YIELDS = {
    1.5: 0.16,
    2.0: 0.35,
    2.5: 0.60,
    2.7: 1.0,
    3.0: 1.0,
    3.5: 2.1,
    4.0: 2.3,
    4.5: 3.5,
    5.0: 4.3,
    5.5: 5.9,
    6.0: 9.5,
}


@pytest.mark.parametrize(("diameter_mm", "torque_n_m"), YIELDS.items())
def test_the_regulators_rows(diameter_mm, torque_n_m) -> None:
    """FDA-2019-D-1652 §III.1 (read)."""
    assert yield_row(diameter_mm) == (diameter_mm, torque_n_m)
    assert yield_row(diameter_mm - 0.05) == (diameter_mm, torque_n_m)


# Fatigue and pilot


def test_fatigue_is_a_ratio_and_the_notch_of_one_design_cancels_in_its_middle() -> None:
    steel = "stainless steel"
    one = endured_ratio(_places("iso5835-ha-4.5", 30), steel, _places("iso5835-ha-3.5", 30), steel)
    assert one.estimate == pytest.approx(1.953, rel=1e-3)
    # Two notch factors, each 1.8-3.0 about 2.4.
    assert one.high / one.estimate == pytest.approx(
        math.exp(math.hypot(math.log(3.0 / 2.4), math.log(2.4 / 1.8)))
    )
    titanium = endured_ratio(
        _places("iso5835-ha-3.5", 30), "titanium alloy", _places("iso5835-ha-3.5", 30), steel
    )
    assert titanium.estimate == pytest.approx(500 / 370)
    turned = endured_ratio(
        _places("iso5835-ha-3.5", 30), steel, _places("iso5835-ha-3.5", 30), "titanium alloy"
    )
    assert turned.estimate == pytest.approx(370 / 500)


def test_the_poorest_place_is_notched_unless_the_shaft_is_far_thinner() -> None:
    assert poorest(_places("iso5835-hb-6.5-16", 60)).stretch == "run-out"
    assert Interval(2.4, 1.8, 3.0) == NOTCH_FACTOR


def test_a_notch_makes_a_thicker_thread_poorer_than_a_thin_smooth_shaft() -> None:
    """Z/notch: shaft 2.2, 1.05; thread 2.4, 1.36 over 2.4 = 0.57 (closed form; notch from memory)."""
    thin = Place("shaft", 0, 5, Section(2.2))
    thread = Place("thread", 5, 10, Section(2.4))
    assert poorest((thin, thread)) == thread
    far_thinner = Place("shaft", 0, 5, Section(1.7))
    assert poorest((far_thinner, thread)) == far_thinner
    smooth_against_notched = endured_ratio((thin,), "stainless steel", (thread,), "stainless steel")
    assert smooth_against_notched.estimate == pytest.approx(2.4 * (2.2 / 2.4) ** 3)
    assert smooth_against_notched.low == pytest.approx(1.8 * (2.2 / 2.4) ** 3)


def _strength(name: str, length_mm: float, seat_mm: float, *gaps: tuple[float, float]):
    """Of a screw with its datum plane ``seat_mm`` deep, gaps by their depths from the entry."""
    placed = PlacedScrew("S", SCREWS[name], length_mm, np.zeros(3), np.ones(3), seat_depth_mm=seat_mm)
    path = SimpleNamespace(placed=placed, solid=solid_of(placed.screw, length_mm))
    return strength_of(path, [Gap((1, 2), *gap, None) for gap in gaps], Demands())[0]


def test_stretches_on_a_path_are_told_from_the_entry() -> None:
    """24 mm, seated 1.5 mm deep: thread from 8 below the datum plane, its run-out 1.75, its taper 4 mm; the
    first gap, from 10 to 11.2 mm, has its middle in the run-out."""
    told = _strength("iso5835-hb-4.0-partial", 24, 1.5, (10, 11.2), (20, 20.4))
    places = [(one.stretch, one.from_mm, one.to_mm) for one in told.sections]
    assert places == [("shaft", 1.5, 9.5), ("run-out", 9.5, 11.25), ("thread", 11.25, 21.5)]
    assert told.at_fracture.stretch == told.weakest.stretch == "run-out"
    assert told.runout_to_fracture_mm == 0
    one_gap = _strength("iso5835-hb-4.0-partial", 24, 1.5, (10, 11.2)).sections
    assert [one.to_fracture_mm for one in one_gap] == pytest.approx([0.5, 0.0, 0.05])
    beyond = _strength("iso5835-hb-4.0-partial", 24, 1.5, (23, 23.5))
    assert beyond.at_fracture is None
    assert beyond.runout_to_fracture_mm == pytest.approx(11.75)
    above = _strength("iso5835-hb-4.0-partial", 24, 1.5, (0.2, 0.4))
    assert above.at_fracture is None


def test_fatigue_is_told_against_the_screw_most_used() -> None:
    assert _strength("iso5835-ha-3.5", 30, 0.0).fatigue.endured_factor.estimate == pytest.approx(1)
    told = _strength("iso5835-ha-4.5", 30, 0.0).fatigue.endured_factor
    assert told.estimate == pytest.approx(1.953, rel=1e-3)


def test_a_cannulated_screw_ranks_below_its_solid_twin_and_close_ones_are_not_told_apart() -> None:
    """Published ordering: cannula takes strength (§6, derived)."""
    cannulated = SCREWS["cannulated-4.5-partial"]
    hollow = Section(cannulated.largest_thread.core_mm, cannulated.cannula_mm)
    assert hollow.modulus_mm3 < Section(cannulated.largest_thread.core_mm).modulus_mm3
    assert ranking({"a": exactly(1), "b": exactly(2), "c": Interval(1.9, 1.5, 2.5)}) == (("b", "c"), ("a",))


def test_a_tier_is_what_overlaps_with_its_first() -> None:
    """b touches a; c overlaps with b only, d with c, e with none."""
    ratios = {"a": (10, 9, 11), "b": (8.5, 7, 9), "c": (8, 6, 8.5), "d": (6.5, 6, 7), "e": (1, 0.5, 2)}
    assert ranking({name: Interval(*ends) for name, ends in ratios.items()}) == (
        ("a", "b"),
        ("c", "d"),
        ("e",),
    )


@pytest.mark.parametrize(
    ("pilot_mm", "fit"), [(2.3, "too small"), (2.4, "matched"), (2.5, "matched"), (2.57, "too big")]
)
def test_pilot_of_a_cortical_screw(pilot_mm, fit) -> None:
    """Core 2.4, depth 0.55: 2.4 to 2.4 + 0.3 · 0.55 = 2.565 are matched (derived rule)."""
    told = pilot_fit(pilot_mm=pilot_mm, core_mm=2.4, major_mm=3.5)
    assert told.fit == fit
    assert told.widest_mm == pytest.approx(2.565)
    assert pilot_fit(pilot_mm=told.widest_mm, core_mm=2.4, major_mm=3.5).fit == "matched"


def test_a_wide_pilot_is_told_with_what_was_measured() -> None:
    """Heidemann 1998: flat to 79-91 % of the major diameter."""
    assert "no loss" in pilot_fit(pilot_mm=2.5, core_mm=1.9, major_mm=4.0).effect
    assert "begins to fall" in pilot_fit(pilot_mm=3.0, core_mm=2.4, major_mm=3.5).effect
    assert "falls off" in pilot_fit(pilot_mm=3.3, core_mm=2.4, major_mm=3.5).effect
    # Both ends belong to what lies below them.
    assert "no loss" in pilot_fit(pilot_mm=0.79, core_mm=0.7, major_mm=1.0).effect
    assert "begins to fall" in pilot_fit(pilot_mm=0.91, core_mm=0.7, major_mm=1.0).effect


# Intervals


def test_intervals_multiply_by_their_logarithms() -> None:
    twofold = Interval(10.0, 5.0, 20.0)
    both = product(twofold, twofold)
    assert both.estimate == 100
    assert both.high / both.estimate == pytest.approx(2 ** math.sqrt(2))
    assert both.estimate / both.low == pytest.approx(2 ** math.sqrt(2))
    ratio = quotient(twofold, twofold)
    assert (ratio.estimate, ratio.high) == (1, pytest.approx(2 ** math.sqrt(2)))
    assert product(Interval(0.0, 0.0, 2.0), twofold) == Interval(0.0, 0.0, 40.0)
    assert product(Interval(1.0, 0.0, 2.0), exactly(3.0)) == Interval(3.0, 0.0, 6.0)


def test_intervals_through_a_falling_function_and_the_least_of_two() -> None:
    assert through(lambda x: 1 / x, Interval(2, 1, 4)) == Interval(0.5, 0.25, 1)
    assert scaled(Interval(2, 1, 4), 10) == Interval(20, 10, 40)
    assert least(Interval(2, 1, 4), Interval(3, 0.5, 3)) == Interval(2, 0.5, 3)
