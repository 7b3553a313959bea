"""A screw of a chosen length against closed forms and the geometry it was asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.catalogue import built_in_screws
from planner.solid import LONGEST_MM, Solid, shortest_length_mm, solid_of
from planner.vocabulary import Screw, Thread
from segmentation.errors import InputError

SCREWS = built_in_screws()
ANY_SCREW = pytest.mark.parametrize("screw", SCREWS.values(), ids=SCREWS)


def revolved_mm3(outline_mm: np.ndarray) -> float:
    """Volume of revolution of a polyline: frustum by frustum, π·h·(r² + r·s + s²)/3 (textbook)."""
    height, r, s = np.diff(outline_mm[:, 0]), outline_mm[:-1, 1], outline_mm[1:, 1]
    return float(np.sum(np.pi * height * (r * r + r * s + s * s) / 3))


def volume_below_datum_mm3(solid: Solid) -> float:
    outline = solid.outline_mm
    return revolved_mm3(outline[np.flatnonzero(outline[:, 0] >= 0)])


def test_a_fully_threaded_cortical_screw_has_the_volume_of_its_parts():
    """HA 3.5 at 24 mm below the head: cylinder Ø3.5 × 20.5 and a frustum Ø3.5 → Ø1.2 × 3.5 (closed form)."""
    solid = solid_of(SCREWS["iso5835-ha-3.5"], 24)
    frustum = np.pi * 3.5 * (1.75**2 + 1.75 * 0.6 + 0.6**2) / 3
    assert volume_below_datum_mm3(solid) == pytest.approx(np.pi * 1.75**2 * 20.5 + frustum, rel=1e-12)
    assert (solid.top_mm, solid.tip_mm) == (-2.6, 24)


def test_full_thread_leaves_out_tip_taper_and_runout():
    """FDA-2019-D-1652 §III.3 (2024): length "exclude the tip"; taper 1 major diameter, run-out 1 pitch: the
    contract."""
    (zone,) = solid_of(SCREWS["iso5835-ha-3.5"], 24).zones
    assert (zone.from_mm, zone.to_mm) == (0, 24)
    assert (zone.full_from_mm, zone.full_to_mm) == pytest.approx((1.25, 20.5))
    (zone,) = solid_of(SCREWS["iso5835-hb-6.5-16"], 60).zones
    assert (zone.from_mm, zone.to_mm) == (44, 60)
    assert (zone.full_from_mm, zone.full_to_mm) == pytest.approx((46.75, 53.5))


def test_a_headless_screw_is_full_at_its_trailing_end_and_compresses():
    """Trailing zone full from 0, run-outs towards the shaft, pitch of the leading thread the larger (§7:
    C)."""
    solid = solid_of(SCREWS["headless-two-pitch-3.0-3.9"], 24)
    trailing, leading = solid.zones
    assert (trailing.from_mm, trailing.full_from_mm, trailing.full_to_mm, trailing.to_mm) == (0, 0, 4, 5)
    assert (leading.from_mm, leading.full_from_mm, leading.full_to_mm, leading.to_mm) == (16, 17.25, 22.5, 24)
    assert leading.thread.pitch_mm > trailing.thread.pitch_mm
    assert solid.top_mm == 0


def test_runout_and_taper_as_given_are_used():
    screw = replace(
        SCREWS["iso5835-ha-3.5"],
        threads=(Thread("tip", None, 3.5, 2.4, 1.25, "asymmetrical", runout_mm=0.0),),
        tip_taper_mm=1.0,
    )
    (zone,) = solid_of(screw, 20).zones
    assert (zone.full_from_mm, zone.full_to_mm) == (0, 19)


def test_overall_length_includes_the_head():
    screw = replace(SCREWS["iso5835-ha-3.5"], length_datum="overall")
    solid = solid_of(screw, 24)
    assert solid.tip_mm == pytest.approx(24 - 2.6)
    assert solid.tip_mm - solid.top_mm == pytest.approx(24)


@ANY_SCREW
def test_outlines_are_sound_at_every_stocked_length(screw: Screw):
    for length_mm in screw.stocked_lengths_mm:
        solid = solid_of(screw, length_mm)
        for outline in (solid.outline_mm, solid.core_outline_mm):
            assert np.all(np.diff(outline[:, 0]) >= 0)
            assert np.all(outline[:, 1] > screw.cannula_mm / 2)
            assert outline[0, 0] == solid.top_mm
            assert outline[-1, 0] == solid.tip_mm
            assert not outline.flags.writeable
        assert revolved_mm3(solid.core_outline_mm) < revolved_mm3(solid.outline_mm)
        for zone in solid.zones:
            assert zone.from_mm <= zone.full_from_mm < zone.full_to_mm <= zone.to_mm
        assert all(a.to_mm <= b.from_mm for a, b in zip(solid.zones, solid.zones[1:], strict=False))


@ANY_SCREW
def test_threads_stand_out_by_their_depth_and_the_head_is_as_wide_as_told(screw: Screw):
    solid = solid_of(screw, screw.stocked_lengths_mm[-1])
    for zone in solid.zones:
        middle_mm = (zone.full_from_mm + zone.full_to_mm) / 2
        envelope_mm = np.interp(middle_mm, *solid.outline_mm.T)
        core_mm = np.interp(middle_mm, *solid.core_outline_mm.T)
        assert envelope_mm - core_mm == pytest.approx(zone.thread.depth_mm)
    if screw.head:
        assert 2 * solid.outline_mm[:, 1].max() == pytest.approx(screw.head.diameter_mm)


@given(fraction=st.floats(0, 1), name=st.sampled_from(sorted(SCREWS)))
def test_a_longer_screw_only_gains_shaft_or_thread(fraction: float, name: str):
    """Below the datum one mm more adds one mm of the constant middle: volume grows linearly with length."""
    screw = SCREWS[name]
    first, last = screw.stocked_lengths_mm[0], screw.stocked_lengths_mm[-1]
    between = first + fraction * (last - first)
    a, b, c = (volume_below_datum_mm3(solid_of(screw, length)) for length in (first, between, last))
    assert b == pytest.approx(a + fraction * (c - a), rel=1e-9)


@pytest.mark.parametrize("length_mm", [0.0, -3.0, float("nan"), float("inf"), 1e9, LONGEST_MM + 0.1])
def test_what_is_not_a_length_is_refused(length_mm: float):
    with pytest.raises(InputError, match="must be above 0 and at most 200 mm"):
        solid_of(SCREWS["iso5835-ha-3.5"], length_mm)


@ANY_SCREW
def test_a_screw_too_short_for_its_threads_is_refused(screw: Screw):
    shortest_mm = shortest_length_mm(screw)
    solid_of(screw, shortest_mm)
    with pytest.raises(InputError, match="must be at least"):
        solid_of(screw, shortest_mm - 0.01)
