"""How a screw on its path draws the fragments together: torque, lag and two pitches.

The formulas are in ``torque.py``, ``lag.py`` and ``two_pitch.py``; here they meet a placed screw and its
fracture. The thread's tension is held by all that bites: the sum over the fragments of a headed screw (a lag
screw bites beyond its fracture only), the weaker side of a two-pitch screw.
"""

from __future__ import annotations

from collections.abc import Sequence

from planner.demands import Demands
from planner.fracture_gaps import Gap
from planner.interval import Interval, least, product, scaled, through
from planner.lag import (
    BONE_FRICTION,
    LagGeometry,
    angle_interval_degree,
    lag_faults,
    lags_by,
    pressing_interval,
    shearing_fraction,
    sliding,
)
from planner.mechanics_vocabulary import Lag, Torque, TwoPitch, Verdict
from planner.path import Path
from planner.torque import (
    ADVISED_OF_STRIPPING_FRACTION,
    FRICTION,
    advised_n_m,
    compression_n,
    insertion_n_m,
    lever_mm,
    stripping_n_m,
    torque_for_n_m,
)
from planner.torque_floors import floors
from planner.two_pitch import (
    force_now_n,
    force_retained_n,
    gap_loss,
    travel_per_turn_mm,
    turns_both_count,
)
from planner.vocabulary import ScrewResult

NO_HOLD = "the hold of the thread is not known"
NO_TORQUE = "no torque was asked"
NO_COMPRESSION = "no compression was asked"
ABOVE_LINE = "it would take more torque than is advised"
NO_LIMIT = "the regulator's table has no row for this screw"
NOT_COMPRESSING = "a position or locking screw does not press the fragments together"
NOT_TWO_PITCH = "the screw has not two pitches"
NOT_MEASURED = "the fracture's surface was not measured where the screw is planned"
NO_FRACTURE = "the axis crosses no fracture"
OUTER_UNKNOWN = "how deep an end is buried is not known"


def hold_n(path: Path, result: ScrewResult) -> Interval | None:
    """What the thread holds before it strips; None where it is not known or nothing bites."""
    return result.pullout_n if path.placed.screw.headless else all_thread_n(result)


def all_thread_n(result: ScrewResult) -> Interval | None:
    """What all of the thread holds together; None where it is not known or nothing bites."""
    engaged = [fragment for fragment in result.fragments if fragment.thread_engagement_mm > 0]
    known = [fragment.pullout_n for fragment in engaged if fragment.pullout_n is not None]
    if not known or len(known) < len(engaged) or sum(hold.estimate for hold in known) == 0:
        return None
    # The errors of law and calibration are common to all of it: the ends add up.
    return Interval(*(sum(getattr(hold, end) for hold in known) for end in ("estimate", "low", "high")))


def torque_of(path: Path, result: ScrewResult, demands: Demands) -> tuple[Torque, dict[str, str]]:
    """The torques of a placed screw, and why what is not known of them is not."""
    screw, hold = path.placed.screw, hold_n(path, result)
    lever, limit_n_m = lever_mm(screw), floors(screw).insertion_n_m
    reasons = {} if limit_n_m else {"torque.insertion_against_limit": NO_LIMIT}
    if demands.torque_n_m is None:
        reasons["torque.given_n_m"] = reasons["torque.compression_at_given_n"] = NO_TORQUE
    if demands.compression_n is None:
        for field in ("wanted_compression_n", "torque_for_wanted_n_m"):
            reasons[f"torque.{field}"] = NO_COMPRESSION
    insertion = stripping = advised = at_advised = at_given = for_wanted = None
    if hold is None:
        unknown = ("insertion_n_m", "insertion_against_limit", "stripping_n_m", "eighty_percent_n_m")
        for field in (*unknown, "advised_at_most_n_m", "compression_at_advised_n"):
            reasons[f"torque.{field}"] = NO_HOLD
        if demands.torque_n_m is not None:
            reasons["torque.compression_at_given_n"] = NO_HOLD
        if demands.compression_n is not None:
            reasons["torque.torque_for_wanted_n_m"] = NO_HOLD
    else:
        insertion = insertion_n_m(all_thread_n(result) or hold, screw.largest_thread.major_mm)
        stripping = stripping_n_m(hold, lever)
        advised = advised_n_m(stripping, limit_n_m)
        at_advised = _compression_n(advised, lever, hold)
        if demands.torque_n_m is not None:
            at_given = _compression_n(demands.torque_n_m, lever, hold)
        if demands.compression_n is not None:
            wanted = Interval(demands.compression_n, demands.compression_n, demands.compression_n)
            for_wanted = torque_for_n_m(wanted, lever)
            if for_wanted.estimate > advised:
                for_wanted = None
                reasons["torque.torque_for_wanted_n_m"] = ABOVE_LINE
    return Torque(
        friction_ratio=FRICTION,
        torque_per_force_mm=lever,
        insertion_n_m=insertion,
        insertion_against_limit=_verdict(insertion, limit_n_m),
        stripping_n_m=stripping,
        eighty_percent_n_m=None if stripping is None else scaled(stripping, ADVISED_OF_STRIPPING_FRACTION),
        advised_at_most_n_m=advised,
        compression_at_advised_n=at_advised,
        given_n_m=demands.torque_n_m,
        compression_at_given_n=at_given,
        wanted_compression_n=demands.compression_n,
        torque_for_wanted_n_m=for_wanted,
    ), reasons


def lag_of(
    path: Path, result: ScrewResult, gaps: Sequence[Gap], near_to_mm: float, force: Interval | None
) -> tuple[Lag | None, dict[str, str]]:
    """How a placed screw presses the first fracture it crosses together with its ``force``; ``near_to_mm`` is
    the depth where the whole thread has left the near fragment."""
    placed = path.placed
    by = lags_by(placed.screw, placed.technique)
    if by is None or not gaps:
        return None, {"lag": NOT_COMPRESSING if by is None else NO_FRACTURE}
    gap = gaps[0]
    reasons: dict[str, str] = {}
    angle = pressing = shearing = slides = pressed = None
    if gap.crossing is None:
        for field in ("angle_degree", "pressing_fraction", "shearing_fraction", "sliding", "pressing_n"):
            reasons[f"lag.{field}"] = NOT_MEASURED
    else:
        angle = angle_interval_degree(gap.crossing.angle_degree, gap.crossing.angle_uncertainty_degree)
        pressing, shearing = pressing_interval(angle), through(shearing_fraction, angle)
        slides = sliding(angle)
        if force is None:
            reasons["lag.pressing_n"] = NO_HOLD
        else:
            pressed = product(force, pressing)
    leading = max(path.solid.zones, key=lambda zone: zone.to_mm)
    thread_from_mm = max(path.zone_depths_mm(leading)[0], result.gliding_hole_to_mm or 0.0)
    geometry = LagGeometry(
        near_to_mm=near_to_mm,
        far_from_mm=gap.to_mm,
        far_to_mm=result.bone_length_mm,
        thread_from_mm=thread_from_mm,
        bridging_mm=result.threads_bridging_mm,
        gliding_to_mm=result.gliding_hole_to_mm,
        gliding_diameter_mm=placed.screw.gliding_mm,
        thread_major_mm=placed.screw.largest_thread.major_mm,
        gauge_mm=result.bone_length_mm - placed.seat_depth_mm,
        length_mm=path.solid.tip_mm,
        countersunk_mm=max(0.0, placed.seat_depth_mm),
    )
    faults = lag_faults(by, geometry)
    return Lag(by, angle, pressing, shearing, BONE_FRICTION, slides, pressed, faults), reasons


def two_pitch_of(
    path: Path, result: ScrewResult, gaps: Sequence[Gap], near_to_mm: float, torque: Torque
) -> tuple[TwoPitch | None, dict[str, str]]:
    """What a two-pitch screw closes at the first fracture it crosses."""
    screw = path.placed.screw
    if not screw.headless or len(screw.threads) < 2:
        return None, {"two_pitch": NOT_TWO_PITCH}
    reasons: dict[str, str] = {}
    zones = {zone.thread.at: zone for zone in path.solid.zones}
    back_mm, front_mm = path.zone_depths_mm(zones["tip"])
    trailing = zones["trailing_end"].thread
    per_turn_mm = travel_per_turn_mm(
        leading_pitch_mm=zones["tip"].thread.pitch_mm, trailing_pitch_mm=trailing.pitch_mm
    )
    gap = gaps[0] if gaps else None
    turns = 0.0
    if gap is not None:
        both = turns_both_count(
            trailing_front_mm=path.zone_depths_mm(zones["trailing_end"])[1],
            leading_back_mm=back_mm,
            leading_front_mm=front_mm,
            near_to_mm=near_to_mm,
            far_from_mm=gap.to_mm,
            trailing_pitch_mm=trailing.pitch_mm,
        )
        turns = float(both)
    along_mm, across_mm = (None, None) if gap is None else _gap_mm(gap)
    if gap is None:
        for field in ("gap_along_axis_mm", "gap_mm", "closes", "gap_loss", "force_now_n", "force_retained_n"):
            reasons[f"two_pitch.{field}"] = NO_FRACTURE
    closes = None if along_mm is None else turns > 0 and turns * per_turn_mm >= along_mm
    buried = _buried(result)
    if buried is None:
        reasons["two_pitch.ends_buried"] = OUTER_UNKNOWN
    now = None
    hold = hold_n(path, result)
    if closes is False:
        now = Interval(0.0, 0.0, 0.0)
    elif closes and hold is not None:
        limit_n_m = floors(screw).insertion_n_m
        by_torque = None if limit_n_m is None else compression_n(limit_n_m, torque.torque_per_force_mm)
        now = force_now_n(hold, by_torque)
    elif closes:
        reasons["two_pitch.force_now_n"] = reasons["two_pitch.force_retained_n"] = NO_HOLD
    return TwoPitch(
        travel_per_turn_mm=per_turn_mm,
        turns_both_count=turns,
        travel_mm=turns * per_turn_mm,
        gap_along_axis_mm=along_mm,
        gap_mm=across_mm,
        closes=closes,
        gap_loss=None if across_mm is None else gap_loss(across_mm),
        ends_buried=buried,
        force_now_n=now,
        force_retained_n=None if now is None else force_retained_n(now),
    ), reasons


def _compression_n(torque_n_m: float, lever: Interval, hold: Interval) -> Interval:
    """Compression at a torque: by friction, and no more than 80 % of the hold."""
    return least(compression_n(torque_n_m, lever), scaled(hold, ADVISED_OF_STRIPPING_FRACTION))


def _verdict(torque: Interval | None, limit_n_m: float | None) -> Verdict | None:
    if torque is None or limit_n_m is None:
        return None
    return "within" if torque.high <= limit_n_m else "beyond" if torque.low > limit_n_m else "in doubt"


def _gap_mm(gap: Gap) -> tuple[float, float]:
    """The gap along the axis and square to the fracture: as its surface was measured where the axis crosses,
    else between the fragments' surfaces on the axis, taken as square."""
    measured = None if gap.crossing is None else gap.crossing.gap_mm
    along_mm = gap.to_mm - gap.from_mm
    if gap.crossing is None or measured is None:
        return along_mm, along_mm
    pressing = pressing_interval(angle_interval_degree(gap.crossing.angle_degree, 0.0)).estimate
    across_mm = measured.at_axis if measured.at_axis is not None else measured.median
    if across_mm is None:
        return along_mm, along_mm * pressing
    return across_mm / pressing, across_mm


def _buried(result: ScrewResult) -> bool | None:
    """Whether neither end of a headless screw stands out of the bone."""
    ends = (result.trailing_end.outer, result.leading_end.outer)
    if any(end is None for end in ends):
        return None
    return all(end is not None and end > 0 for end in ends) and result.tip_depth_mm < result.bone_length_mm
