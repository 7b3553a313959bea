"""Every finding fires in a case built to break its rule and stays silent just on the other side of the limit.

The cases are in finding_cases.py; here is what is asked of them, and what a sceptical surgeon would ask.
"""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from finding_cases import (
    HU,
    LARGE,
    SMALL,
    VOXEL_MM,
    Twins,
    bone_in,
    down,
    found,
    slab,
    two_bones,
    two_named,
)
from finding_cases import TWINS as OF_SLABS
from finding_cases_reduced import REDUCED_TWINS
from finding_doubt_cases import DOUBT_TWINS
from finding_joint_cases import JOINT_TWINS
from finding_mechanics_cases import MECHANICS_TWINS
from phantoms import as_ct, placed, rotation, slabs

from planner.assess import ReadyBone
from planner.collisions import gap_between_mm
from planner.findings import CODES
from planner.path import trace
from planner.vocabulary import PlacedScrew

TWINS = [*OF_SLABS, *DOUBT_TWINS, *JOINT_TWINS, *MECHANICS_TWINS, *REDUCED_TWINS]


@pytest.mark.parametrize("twins", TWINS, ids=lambda twins: f"{twins.code}: {twins.shows}")
def test_a_rule_fires_when_broken_and_only_then(twins: Twins) -> None:
    broken = [finding for finding in twins.breaks() if finding.code == twins.code]
    assert len(broken) == 1
    assert broken[0].severity == CODES[twins.code][0]
    assert twins.code not in [finding.code for finding in twins.keeps()]


def test_every_code_has_a_case() -> None:
    assert {twins.code for twins in TWINS} == set(CODES)


@pytest.mark.parametrize("twins", TWINS, ids=lambda twins: f"{twins.code}: {twins.shows}")
def test_a_message_is_one_sentence_with_its_number(twins: Twins) -> None:
    finding = next(finding for finding in twins.breaks() if finding.code == twins.code)
    assert re.fullmatch(r"[A-Z0-9][^\n]*[^.\s]\.", finding.message)
    assert not re.search(r"[a-z]\. ", finding.message)
    assert finding.source
    if finding.value:
        told = {
            f"{abs(finding.value):.1f}",
            f"{abs(finding.value):.2f}",
            f"{finding.value:g}",
            f"{100 * finding.value:.0f} %",
        }
        assert any(number in finding.message for number in told) or finding.code == "screw-short"


# What a sceptical surgeon would call wrong


def test_a_sound_bicortical_screw_is_told_nothing_but_notes() -> None:
    told = found(slab(), down(-10, 22, seat_depth_mm=-0.2))
    assert {finding.code for finding in told} == {"tip-through-far-cortex", "no-joint-surface"}


def test_a_sound_lag_screw_is_told_nothing_but_notes() -> None:
    told = found(two_named(), down(-12.6, 26, technique="lag"))
    assert {finding.severity for finding in told} == {"note"}


def test_a_sound_headless_screw_across_a_fracture_is_told_nothing_but_notes() -> None:
    told = found(two_named(), down(-12.6, 21, SMALL, seat_depth_mm=2.0))
    assert {finding.severity for finding in told} == {"note"}


def test_a_locked_unicortical_screw_standing_off_is_told_nothing_but_notes() -> None:
    told = found(slab(), down(-10, 16, "locking-3.5", technique="locking", seat_depth_mm=-3.0))
    assert {finding.severity for finding in told} == {"note"}


def test_a_longer_screw_is_not_praised_when_it_would_reach_another_bone() -> None:
    # Tip at 9.6 of 10 mm. Alone in 2 mm more: 12 would be let through; the other bone begins at 11.2.
    screw = down(-12.6, 9.4, "iso5835-ha-2.0")
    praised = {f.code: f.limit for f in found(two_bones(), screw)}
    assert praised["screw-short"] == 11.0


def test_a_screw_far_past_the_far_cortex_is_worse_than_a_warning() -> None:
    told = {finding.code: finding.severity for finding in found(slab(), down(-10, 34))}
    assert told["tip-outside"] == "warn"
    assert told["body-outside"] == "stop"


def test_the_worst_finding_comes_first() -> None:
    order = ["stop", "warn", "note"]
    severities = [finding.severity for finding in found(slab(), down(-10, 34))]
    assert severities == sorted(severities, key=order.index)


@pytest.mark.parametrize("beyond_mm", [-6.0, -4.0, -2.0, 3.1, 5.0, 12.0])
@pytest.mark.parametrize("screw", ["iso5835-ha-3.5", SMALL])
def test_tips_in_a_turned_slab(beyond_mm: float, screw: str) -> None:
    """The bar of the project: more than 3 mm outside is told by a code with "tip", 2 mm inside is not."""
    turn = rotation(5)
    bone = _turned()
    oblique = np.array([0.3, -0.2, 1.0]) / np.linalg.norm([0.3, -0.2, 1.0])
    thickness = 20.0 / oblique[2]
    entry, direction = turn @ np.array([-3.0, 2.0, -10.0]), turn @ oblique
    beyond = beyond_mm / oblique[2]
    told = found(bone, placed(entry, entry + 10 * direction, screw, thickness + beyond))
    tips = [finding for finding in told if "tip" in finding.code and finding.severity in ("warn", "stop")]
    assert bool(tips) == (beyond_mm > 0)
    if beyond_mm > 0:
        assert tips[0].value == pytest.approx(beyond, abs=0.15)


@cache
def _turned() -> ReadyBone:
    return bone_in(as_ct(*slabs(thicknesses_mm=(20.0,), hu=(HU,), voxel_mm=VOXEL_MM, turn=rotation(5))))


# Gaps between screws, closed forms


def _gap_mm(first: PlacedScrew, second: PlacedScrew) -> float:
    paths = [trace(slab().prepared, screw) for screw in (first, second)]
    assert gap_between_mm(paths[0], paths[1]) == pytest.approx(gap_between_mm(paths[1], paths[0]), abs=1e-9)
    return gap_between_mm(paths[0], paths[1])


def test_crossing_screws_are_apart_by_their_axes_less_both_radii() -> None:
    lower = placed(np.array([-14.0, 0, 0]), np.array([14.0, 0, 0]), "iso5835-ha-3.5", 26)
    for apart_mm in (3.0, 3.6, 5.0):
        crossing = placed(np.array([0, -14.0, apart_mm]), np.array([0, 14.0, apart_mm]), "iso5835-ha-3.5", 26)
        assert _gap_mm(lower, crossing) == pytest.approx(apart_mm - 3.5, abs=0.02)


def test_a_screw_passing_behind_a_flat_trailing_end_is_not_a_collision() -> None:
    """The end is a flat disc: the gap is along the axis, not the radius of a ball around the end's middle."""
    buried = down(-10, 14, LARGE, seat_depth_mm=5.0)
    crossing = placed(np.array([-14.0, 0.3, -7.5]), np.array([14.0, 0.3, -7.5]), "iso5835-ha-3.5", 26)
    assert _gap_mm(buried, crossing) == pytest.approx(2.5 - 1.75, abs=0.02)


def test_screws_tip_to_tip_are_apart_by_the_way_between() -> None:
    first = down(-10, 10)
    up = placed(np.array([0, 0.3, 10.0]), np.array([0, 0.3, 0.0]), "iso5835-ha-3.5", 9.2)
    assert _gap_mm(first, up) == pytest.approx(0.8, abs=0.12)


def test_every_screw_that_is_run_into_is_told_and_a_touch_is_no_length_of_zero() -> None:
    plan = [down(-10, 15, SMALL, x_mm=x_mm, seat_depth_mm=2.0) for x_mm in (0.0, 2.6, -2.0)]
    told = [one for one in found(slab(), *plan) if one.code == "screws-collide"]
    assert [one.message for one in told] == [
        "It runs into screw S2 by 0.8 mm.",
        "It runs into screw S1 by 0.2 mm.",
    ]
    touching = [down(-10, 15, SMALL, x_mm=x_mm, seat_depth_mm=2.0) for x_mm in (0.0, 2.77)]
    (touch,) = [one for one in found(slab(), *touching) if one.code == "screws-collide"]
    assert touch.message == "It touches screw S1."
