"""A locked screw as a beam bedded in bone, against Hetényi's closed forms and rigid limits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from planner.angular_stability import (
    PROOF_STRESS_MPA,
    SCREW_MODULUS_MPA,
    angular_stability,
    foundation_mpa,
    host_modulus_mpa,
)
from planner.beam_on_bone import bedded_beam
from planner.catalogue import built_in_screws
from planner.materials import METALS
from planner.thread_comparison import DensityAlong
from segmentation.errors import InputError

EI_N_MM2, K_MPA = 190_000 * math.pi * 2.8**4 / 64, 300.0
LAMBDA_PER_MM = (K_MPA / (4 * EI_N_MM2)) ** 0.25
SCREWS = built_in_screws()


def solved(length_mm: float, count: int, *, head_turns: bool, stiffness: float = EI_N_MM2):
    ones = np.ones(count)
    return bedded_beam(ones * length_mm / count, ones * stiffness, ones * K_MPA, head_turns=head_turns)


def test_a_long_beam_with_a_free_head():
    """y₀ = 2Fλ/k, greatest moment 0.3224 F/λ at λx = π/4 (Hetényi 1946, from memory)."""
    long_mm = 12 / LAMBDA_PER_MM
    found = solved(long_mm, 400, head_turns=True)
    assert found.deflection_mm[0] == pytest.approx(2 * LAMBDA_PER_MM / K_MPA, rel=1e-4)
    assert found.moment_n_mm.max() == pytest.approx(0.3224 / LAMBDA_PER_MM, rel=1e-3)
    place = np.argmax(found.moment_n_mm) * long_mm / 400
    assert place * LAMBDA_PER_MM == pytest.approx(math.pi / 4, abs=0.03)


def test_a_long_beam_whose_head_keeps_its_angle():
    """y₀ = Fλ/k, moment at the head F/2λ: exactly twice as stiff as the free head (Hetényi, from memory)."""
    found = solved(12 / LAMBDA_PER_MM, 400, head_turns=False)
    assert found.deflection_mm[0] == pytest.approx(LAMBDA_PER_MM / K_MPA, rel=1e-4)
    assert found.moment_n_mm[0] == pytest.approx(1 / (2 * LAMBDA_PER_MM), rel=1e-3)
    assert found.slope_radian[0] == 0


def test_the_whole_line_of_a_long_beam():
    """y = (2Fλ/k) e^(−λx) cos λx along the beam (Hetényi, from memory)."""
    x = np.linspace(0, 12 / LAMBDA_PER_MM, 401)
    closed = 2 * LAMBDA_PER_MM / K_MPA * np.exp(-LAMBDA_PER_MM * x) * np.cos(LAMBDA_PER_MM * x)
    found = solved(x[-1], 400, head_turns=True)
    assert found.deflection_mm == pytest.approx(closed, abs=1e-4 * closed[0])


@pytest.mark.parametrize(("head_turns", "times"), [(False, 1.0), (True, 4.0)])
def test_a_rigid_beam(head_turns: bool, times: float):
    """EI without limit: y₀ = F/kL held, 4F/kL turning (statics of a rigid bar on springs)."""
    found = solved(20.0, 10, head_turns=head_turns, stiffness=1e12)
    assert found.deflection_mm[0] == pytest.approx(times / (K_MPA * 20), rel=1e-4)


@pytest.mark.parametrize("head_turns", [False, True])
def test_convergence_is_of_fourth_order(head_turns: bool):
    """Each halving of the elements lowers the error near 16-fold."""
    length_mm = 8 / LAMBDA_PER_MM
    exact = solved(length_mm, 512, head_turns=head_turns).deflection_mm[0]
    errors = [abs(solved(length_mm, n, head_turns=head_turns).deflection_mm[0] - exact) for n in (8, 16, 32)]
    slopes = np.diff(np.log2(errors))
    assert (slopes < -3.5).all()


def test_forces_balance():
    """The foundation carries the whole load: Σ k·y·length = 1 N (statics)."""
    found = solved(20.0, 200, head_turns=True)
    middles = (found.deflection_mm[1:] + found.deflection_mm[:-1]) / 2
    assert (K_MPA * middles * 0.1).sum() == pytest.approx(1, rel=1e-3)


def test_moments_of_a_coarse_beam_keep_statics_exactly():
    """A free head and a free end bear no moment; at the node between, the load's lever less that of the bone
    beneath, y the cubic of its ends (statics; the cubic's moments by Gauss, exact to the seventh power)."""
    lengths_mm, bed = np.array([3.0, 2.0]), np.array([300.0, 80.0])
    found = bedded_beam(lengths_mm, np.array([5e4, 9e4]), bed, head_turns=True)
    at, weight = np.polynomial.legendre.leggauss(4)
    s, length = (at + 1) / 2, lengths_mm[0]
    y, turn = found.deflection_mm, found.slope_radian
    cubic = (1 - 3 * s**2 + 2 * s**3) * y[0] + length * (s - 2 * s**2 + s**3) * turn[0]
    cubic += (3 * s**2 - 2 * s**3) * y[1] + length * (s**3 - s**2) * turn[1]
    beneath = bed[0] * length**2 / 2 * float(weight @ (cubic * (1 - s)))
    assert found.moment_n_mm == pytest.approx([0, abs(length - beneath), 0], rel=1e-9, abs=1e-9)


def test_vesic_by_hand():
    """E 300, d 3.5, EI of a 2.8 mm steel core: 0.65·300/0.91·(300·150.06/573,269)^(1/12) = 173.4 MPa."""
    found = foundation_mpa(np.array([300.0]), 3.5, np.array([190_000 * math.pi * 2.8**4 / 64]))
    relative = 300 * 3.5**4 / (190_000 * math.pi * 2.8**4 / 64)
    assert found[0] == pytest.approx(0.65 * 300 / 0.91 * relative ** (1 / 12))


@pytest.mark.parametrize(
    ("grams", "mpa"),
    [(0.08, 16), (0.16, 58), (0.24, 123), (0.32, 210), (0.48, 445), (0.64, 759), (0.8, 1148)],
)
def test_the_modulus_of_foam(grams: float, mpa: float):
    """Nominal compressive moduli of ASTM F1839 foams (from memory), within 2 %."""
    assert host_modulus_mpa(np.array([grams * 1000]), "foam")[0] == pytest.approx(mpa, rel=0.02)


def test_the_foam_law_goes_through_the_sheets_ends():
    """1737 · 0.08^1.856 = 16.0, 1737 · 0.8^1.856 = 1148 (arithmetic)."""
    soft, dense = host_modulus_mpa(np.array([80.0, 800.0]), "foam")
    assert (soft, dense) == pytest.approx((16.0, 1148.0), rel=1e-3)
    assert host_modulus_mpa(np.array([1000.0]), "foam")[0] == pytest.approx(1737, abs=1e-6)


@pytest.mark.parametrize("name", METALS)
def test_metals_are_those_of_the_other_chapters(name):
    """One modulus and one proof stress of a metal, as ``materials.py`` has them from the standards."""
    assert SCREW_MODULUS_MPA[name] == METALS[name].elastic_mpa.estimate
    assert PROOF_STRESS_MPA[name] == METALS[name].yield_mpa


def along(density_mg_cm3: float, length_mm: float = 40.0, host: str = "bone") -> DensityAlong:
    return DensityAlong(np.array([0.0, length_mm]), np.array([density_mg_cm3]), host, np.zeros((0, 2)))


def test_locking_makes_stiffer_and_most_with_a_stand_off():
    """By the closed forms twice as stiff for a long screw, four times for a rigid one; a lever adds to it."""
    locking = SCREWS["locking-3.5"]
    flush = angular_stability(locking, 30.0, along(150))
    assert 2.0 <= flush.stiffness_ratio <= 4.0
    off = angular_stability(locking, 30.0, along(150), stand_off_mm=2.0)
    assert off.stiffness_ratio > flush.stiffness_ratio
    assert off.locked.stiffness_n_per_mm.estimate < flush.locked.stiffness_n_per_mm.estimate


def test_denser_bone_is_stiffer_and_its_interval_holds_it():
    soft, hard = (angular_stability(SCREWS["locking-3.5"], 30.0, along(one)) for one in (80, 300))
    for way in ("locked", "unlocked"):
        a, b = getattr(soft, way), getattr(hard, way)
        assert b.stiffness_n_per_mm.estimate > a.stiffness_n_per_mm.estimate
        assert b.yield_n.estimate > a.yield_n.estimate
        for told in (a.stiffness_n_per_mm, a.yield_n):
            assert told.low < told.estimate < told.high


def test_soft_bone_yields_before_the_screw_and_cortex_after_it():
    assert angular_stability(SCREWS["locking-3.5"], 30.0, along(80)).locked.yields == "bone"
    assert angular_stability(SCREWS["locking-3.5"], 30.0, along(1200)).locked.yields == "screw"


HOLLOW = replace(SCREWS["locking-3.5"], cannula_mm=1.6)
STEEL = replace(SCREWS["locking-3.5"], material="stainless steel")


@pytest.mark.parametrize(
    ("screw", "cannula_mm", "elastic_mpa", "proof_mpa"),
    [
        (SCREWS["locking-3.5"], 0.0, 110_000, 780),
        (HOLLOW, 1.6, 110_000, 780),
        (STEEL, 0.0, 190_000, 690),
    ],
    ids=["titanium", "hollow", "steel"],
)
@pytest.mark.parametrize("density_mg_cm3", [80, 400, 1200])
@pytest.mark.parametrize("stand_off_mm", [0.0, 5.0])
def test_a_long_screw_by_hand(screw, cannula_mm, elastic_mpa, proof_mpa, density_mg_cm3, stand_off_mm):
    """Core 2.8 mm, 60 mm long, in uniform bone, a its stand-off: Hetényi's half-endless beam under P and M at
    its end gives y = 2λ(P + λM)/k, θ = 2λ²(P + 2λM)/k there (from memory); the free stretch is a cantilever.
    Metals: ISO 5832-1 and -3; yield strain 0.77 %: Morgan & Keaveny 2001 (all from memory)."""
    bone_mpa = float(host_modulus_mpa(np.array([float(density_mg_cm3)]), "bone")[0])
    second_mm4 = math.pi / 64 * (2.8**4 - cannula_mm**4)
    bending, a = elastic_mpa * second_mm4, stand_off_mm

    def by_hand(modulus_mpa: float, *, head_turns: bool) -> tuple[float, float, float]:
        k = 0.65 * modulus_mpa / (1 - 0.3**2) * (modulus_mpa * 3.5**4 / bending) ** (1 / 12)
        lam = (k / (4 * bending)) ** 0.25
        # The head's moment keeps its slope at 0, or is none.
        slope = a**2 / (2 * bending) + 2 * lam**2 * (1 + 2 * lam * a) / k
        head = 0.0 if head_turns else slope / (a / bending + 4 * lam**3 / k)
        moment = a - head
        y, turn = 2 * lam * (1 + lam * moment) / k, 2 * lam**2 * (1 + 2 * lam * moment) / k
        deflection = y + turn * a + a**3 / (3 * bending) - head * a**2 / (2 * bending)
        x = np.linspace(0, 3 / lam, 3001)
        inside = np.exp(-lam * x) * (moment * (np.cos(lam * x) + np.sin(lam * x)) + np.sin(lam * x) / lam)
        most = max(abs(head), float(np.abs(inside).max()))
        # The first element's mean deflection, 0.125 mm deep.
        y -= 0.125 * turn
        return (
            1 / deflection,
            proof_mpa * second_mm4 / (most * 1.4),
            0.0077 * modulus_mpa * 3.5 / (k * y),
        )

    told = angular_stability(screw, 60.0, along(density_mg_cm3, 70), stand_off_mm=stand_off_mm)
    for load, head_turns in ((told.locked, False), (told.unlocked, True)):
        middle, soft, stiff = (
            by_hand(bone_mpa * math.exp(1.6448536 * 0.4 * way), head_turns=head_turns) for way in (0, -1, 1)
        )
        stiffness = load.stiffness_n_per_mm
        assert (stiffness.estimate, stiffness.low, stiffness.high) == pytest.approx(
            (middle[0], soft[0], stiff[0]), rel=1e-3
        )
        yields = [min(one[1:]) for one in (middle, soft, stiff)]
        assert (load.yield_n.estimate, load.yield_n.low, load.yield_n.high) == pytest.approx(
            (yields[0], min(yields), max(yields)), rel=5e-3
        )
        assert load.yields == ("screw" if middle[1] < middle[2] else "bone")
    locked, unlocked = told.locked, told.unlocked
    assert told.stiffness_ratio == locked.stiffness_n_per_mm.estimate / unlocked.stiffness_n_per_mm.estimate
    assert told.yield_ratio == locked.yield_n.estimate / unlocked.yield_n.estimate


@pytest.mark.parametrize("name", ["locking-2.7", "locking-3.5", "locking-5.0"])
def test_bone_in_many_cells_is_bone_in_one(name):
    many = DensityAlong(np.linspace(0, 40, 161), np.full(160, 150.0), "bone", np.zeros((0, 2)))
    for stand_off_mm in (0.0, 2.0):
        one, same = (
            angular_stability(SCREWS[name], 30.0, host, stand_off_mm=stand_off_mm)
            for host in (along(150), many)
        )
        assert same == one


def test_what_cannot_be_asked():
    with pytest.raises(InputError, match="no head"):
        angular_stability(SCREWS["headless-two-pitch-3.0-3.9"], 20.0, along(150))
    with pytest.raises(InputError, match="stand-off"):
        angular_stability(SCREWS["locking-3.5"], 30.0, along(150), stand_off_mm=-1.0)
    with pytest.raises(InputError, match="no bone holds"):
        angular_stability(SCREWS["locking-3.5"], 30.0, along(150), stand_off_mm=40.0)
    with pytest.raises(InputError, match="as many"):
        bedded_beam(np.ones(2), np.ones(3), np.ones(2), head_turns=True)
    with pytest.raises(InputError, match="above 0"):
        bedded_beam(np.ones(2), -np.ones(2), np.ones(2), head_turns=True)
    with pytest.raises(InputError, match="above 0"):
        bedded_beam(-np.ones(2), np.ones(2), np.ones(2), head_turns=True)
    with pytest.raises(InputError, match="above 0"):
        bedded_beam(np.ones(2), np.ones(2), -np.ones(2), head_turns=True)


def test_cortex_is_no_stiffer_than_across_its_axis():
    """11.5 GPa at most (Reilly & Burstein 1975, from memory); below it Morgan's pooled law (985.1 at 0.3)."""
    assert host_modulus_mpa(np.array([1500.0]), "bone")[0] == 11_500
    ha = (0.3 * 0.598 - 0.0789) / 0.877 * 1000
    assert host_modulus_mpa(np.array([ha]), "bone")[0] == pytest.approx(985.1, abs=0.1)


def test_a_coarse_beam_is_already_near():
    """Two elements over a short beam: within 1 % of many; a slip in any entry of the matrix would show."""
    for turns in (True, False):
        coarse, fine = (solved(4.0, n, head_turns=turns).deflection_mm for n in (2, 64))
        assert coarse[0] == pytest.approx(fine[0], rel=0.01)
        assert coarse[-1] == pytest.approx(fine[-1], rel=0.02)
