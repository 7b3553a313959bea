"""What a hand does to a screw: each handle has one freedom, and gives back the screw as it then lies.

Points are in the frame the plan is made in, RAS+ mm. A screw is moved by what was pulled: the entry slides
on the bone and the tip stays; the tip turns the axis about the entry and draws out the length; the seat
slides along the axis. A length snaps to the nearest stocked one unless it is held off.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.catalogue import stocked_length_mm
from planner.plan_file import APART_MIN_MM, LENGTH_MAX_MM, SEAT_MIN_MM
from planner.solid import solid_of
from planner.vocabulary import PlacedScrew
from segmentation.errors import InputError
from segmentation.vocabulary import Floats
from viewer.report.view_frame import ScrewFrame, squared_up

STEP_MM = 0.1
"""Seat depths and free lengths are whole tenths: finer than a hand (our choice)."""

AHEAD_MM = 10.0
"""The target of a screw lies at least this far along its axis, so that rounding does not turn it."""


def with_entry(placed: PlacedScrew, entry_mm: Floats, tip_mm: Floats, *, snap: bool = True) -> PlacedScrew:
    """The screw from another entry point to the same tip; its length follows."""
    return _reaching(placed, np.asarray(entry_mm, float), np.asarray(tip_mm, float), snap=snap)


def with_tip(placed: PlacedScrew, entry_mm: Floats, tip_mm: Floats, *, snap: bool = True) -> PlacedScrew:
    """The screw turned about its entry so that its axis runs through ``tip_mm``, as long as it reaches."""
    return _reaching(placed, np.asarray(entry_mm, float), np.asarray(tip_mm, float), snap=snap)


def with_seat(placed: PlacedScrew, depth_mm: float) -> PlacedScrew:
    """The whole screw moved along its axis, to tenths of a millimetre."""
    seat_mm = float(np.clip(np.round(depth_mm / STEP_MM) * STEP_MM, SEAT_MIN_MM, LENGTH_MAX_MM))
    return replace(placed, seat_depth_mm=round(seat_mm, 1))


def with_length(placed: PlacedScrew, length_mm: float) -> PlacedScrew:
    """The screw at another marked length. Raises InputError where its threads do not fit."""
    solid_of(placed.screw, length_mm)
    return replace(placed, length_mm=float(length_mm))


def _reaching(placed: PlacedScrew, entry_mm: Floats, tip_mm: Floats, *, snap: bool) -> PlacedScrew:
    way = tip_mm - entry_mm
    deep_mm = float(np.linalg.norm(way))
    if deep_mm < APART_MIN_MM:
        raise InputError(f"entry and tip must be at least {APART_MIN_MM:g} mm apart (got {deep_mm:.1f})")
    direction = way / deep_mm
    # The tip lies at seat + length below the datum plane; for a length that counts the head, more.
    below_mm = solid_of(placed.screw, placed.length_mm).tip_mm - placed.length_mm
    wanted_mm = deep_mm - placed.seat_depth_mm - below_mm
    length_mm = stocked_length_mm(placed.screw, wanted_mm) if snap else round(wanted_mm / STEP_MM) * STEP_MM
    length_mm = float(np.clip(round(length_mm, 1), min(placed.screw.stocked_lengths_mm), LENGTH_MAX_MM))
    try:
        solid_of(placed.screw, length_mm)
    except InputError:
        length_mm = placed.length_mm
    return replace(
        placed,
        entry_mm=entry_mm,
        target_mm=entry_mm + direction * max(deep_mm, AHEAD_MM),
        length_mm=length_mm,
    )


def frame_of(origin_mm: Floats, along: Floats, up: Floats | None) -> ScrewFrame:
    """The frame of a screw's pictures. ``up`` is carried along from before, so that no picture jumps."""
    if up is None:
        return ScrewFrame(origin_mm, along, squared_up(along))
    squared = up - (up @ along) * along
    size = float(np.linalg.norm(squared))
    return ScrewFrame(origin_mm, along, squared_up(along) if size < STEP_MM else squared / size)


def dialled(frame: ScrewFrame, at_degree: float) -> ScrewFrame:
    """The frame turned about the axis so that its dial stands at ``at_degree``; 0 is the body's up."""
    up = squared_up(frame.along)
    side = np.cross(frame.along, up)
    angle = np.deg2rad(at_degree)
    return ScrewFrame(frame.origin_mm, frame.along, np.cos(angle) * up + np.sin(angle) * side)


def dial_degree(frame: ScrewFrame) -> float:
    """Where the dial stands, in −180 … 180."""
    up = squared_up(frame.along)
    side = np.cross(frame.along, up)
    return float(np.degrees(np.arctan2(frame.up @ side, frame.up @ up)))
