"""What is left of a resorbable screw, week by week, against what was published."""

from __future__ import annotations

from itertools import pairwise

import pytest

from planner.interval import exactly
from planner.materials import METALS
from planner.resorbable import (
    PUBLISHED_POLYMER_N,
    PUBLISHED_STEEL_N,
    RESORBABLES,
    WEEKS,
    half_strength_weeks,
    stiffness_against,
    stiffness_left,
    strength_against,
    strength_left,
)

BY_NAME = {material.name: material for material in RESORBABLES}
STEEL = METALS["stainless steel"]


def test_poly_lactide_keeps_half_to_four_fifths_at_twelve_weeks_and_nothing_in_a_year() -> None:
    """From memory: 50-80 % at 12 weeks, nil at 24-52."""
    for name in ("PLLA, moulded", "PLLA, self-reinforced"):
        at_12 = strength_left(BY_NAME[name], 12)
        assert at_12 is not None
        assert (at_12.low, at_12.high) == (0.5, 0.8)
        at_52 = strength_left(BY_NAME[name], 52)
        assert at_52 == exactly(0.0)
        at_24 = strength_left(BY_NAME[name], 24)
        assert at_24 is not None
        assert at_24.low == 0 < at_24.estimate < at_24.high


def test_magnesium_falls_to_a_third_in_eight_weeks_and_the_copolymer_to_half() -> None:
    """Kozakiewicz 2021 (read); PLGA from memory."""
    for name, share in (("magnesium alloy", 1 / 3), ("PLGA 82:18 to 85:15", 0.5)):
        at_8 = strength_left(BY_NAME[name], 8)
        assert at_8 is not None
        assert at_8.estimate == pytest.approx(share)
        assert (BY_NAME[name].told_to_week, strength_left(BY_NAME[name], 8.1)) == (8, None)
        # How far the middle is doubted is our choice: ± 0.1, ± 25 %.
        assert (at_8.low, at_8.high) == ((0.4, 0.6) if "PLGA" in name else (0.25, 0.42))
        assert stiffness_left(BY_NAME[name], 8.1) is None


@pytest.mark.parametrize("material", RESORBABLES, ids=lambda material: material.name)
def test_strength_only_falls_and_stiffness_lies_about_it(material) -> None:
    told = [strength_left(material, week) for week in WEEKS]
    known = [one for one in told if one is not None]
    assert known[0] == exactly(1.0)
    for earlier, later in pairwise(known):
        assert later.low <= earlier.low
        assert later.estimate <= earlier.estimate
        assert later.high <= earlier.high
    for week in WEEKS:
        stiffness, strength = stiffness_left(material, week), strength_left(material, week)
        if strength is not None and stiffness is not None:
            assert strength.low <= stiffness.low <= stiffness.estimate <= stiffness.high <= 1
    assert strength_left(material, -1) is None


def test_what_a_new_screw_has() -> None:
    """Ranges from memory, GPa and MPa; PLGA's strength is taken as moulded PLLA's (our choice)."""
    ranges = {name: (m.elastic_mpa, m.bending_mpa) for name, m in BY_NAME.items()}
    told = {name: (e.low, e.high, b.low, b.high) for name, (e, b) in ranges.items()}
    assert told == {
        "PLLA, moulded": (2_700, 4_000, 60, 140),
        "PLLA, self-reinforced": (6_000, 10_000, 180, 300),
        "PLGA 82:18 to 85:15": (2_000, 3_000, 60, 140),
        "magnesium alloy": (41_000, 45_000, 160, 260),
    }
    for elastic, bending in ranges.values():
        assert elastic.estimate == (elastic.low + elastic.high) / 2
        assert bending.estimate == (bending.low + bending.high) / 2
    # Every week something was published for (2, 4, 8, 12, 16: Kozakiewicz 2021), and the months between.
    assert WEEKS == (0, 2, 4, 6, 8, 12, 16, 24, 38, 52)


def test_every_course_begins_whole_at_the_start() -> None:
    for material in RESORBABLES:
        assert [course[0] for course in material.left] == [(0.0, 1.0)] * 3
        half_way = strength_left(material, 4)
        assert half_way is not None
        # A straight line from 1 to what is left at the first published week.
        for end, course in zip(("low", "estimate", "high"), material.left, strict=True):
            week, left = course[1]
            assert getattr(half_way, end) == pytest.approx(1 - 4 / week * (1 - left))


def test_when_half_is_left() -> None:
    weeks = half_strength_weeks(BY_NAME["PLLA, moulded"])
    assert weeks is not None
    # 1 → 0.8 at 12 weeks → 0 at 52 crosses a half at 27 weeks; 1 → 0.65 → 0 at 38 crosses it at 18.
    assert (weeks.low, weeks.estimate, weeks.high) == pytest.approx((12, 18, 27))
    assert half_strength_weeks(BY_NAME["PLGA 82:18 to 85:15"]) is None
    assert half_strength_weeks(BY_NAME["magnesium alloy"]) is not None


def test_polymer_against_steel_is_about_one_to_ten() -> None:
    """Pull-out of 4.5 mm screws in equine bone: 878 against 8513 N (read). On that core (3.0 mm) the polymer
    screw bore 124 MPa, which is a moulded polymer's strength; the steel one more than a bar's minimum."""
    assert pytest.approx(0.10, abs=0.005) == PUBLISHED_POLYMER_N / PUBLISHED_STEEL_N
    on_core = PUBLISHED_POLYMER_N / 7.069
    moulded = BY_NAME["PLLA, moulded"].bending_mpa
    assert moulded.low < on_core < moulded.high
    assert STEEL.ultimate_mpa < PUBLISHED_STEEL_N / 7.069
    fraction = moulded.estimate / STEEL.ultimate_mpa
    assert fraction == pytest.approx(0.10, abs=0.02)


def test_beside_the_metal_a_resorbable_is_weaker_and_far_less_stiff() -> None:
    for material in RESORBABLES:
        assert strength_against(material, STEEL, exactly(1.0)).high < 0.5
        assert stiffness_against(material, STEEL, exactly(1.0)).high < 0.3
    told = strength_against(BY_NAME["PLLA, self-reinforced"], STEEL, exactly(1.0))
    assert (told.low, told.estimate, told.high) == pytest.approx((180 / 690, 240 / 690, 300 / 690))
    assert stiffness_against(BY_NAME["PLLA, moulded"], STEEL, exactly(1.0)).estimate == pytest.approx(
        3350 / 190_000
    )
