"""A placed screw after a value was typed or chosen, or a handle moved by keys. Nothing is measured here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from planner.assess import ReadyBone
from planner.catalogue import stocked_length_mm
from planner.vocabulary import PlacedScrew, Screw, ScrewResult
from segmentation.errors import InputError
from viewer.bench.hand import with_entry, with_length, with_seat, with_tip
from viewer.bench.messages import Change, Nudge
from viewer.bench.on_bone import entered_mm
from viewer.report.view_frame import ScrewFrame


def changed(before: PlacedScrew, change: Change, screws: Mapping[str, Screw]) -> PlacedScrew:
    """``before`` with what ``change`` says. Raises InputError for a family that is not in ``screws``."""
    after = before
    if change.family is not None:
        if change.family not in screws:
            raise InputError(f"there is no screw {change.family!r}; choose one of the list")
        after = replace(after, screw=screws[change.family])
        after = replace(after, length_mm=stocked_length_mm(after.screw, after.length_mm))
        if after.screw.headless or after.screw.head is None or after.screw.head.shape != "locking":
            after = replace(after, technique="position")
    if change.name is not None:
        after = replace(after, name=change.name)
    if change.technique is not None:
        after = replace(after, technique=change.technique)
    if change.length_mm is not None:
        after = with_length(after, change.length_mm)
    if change.seat_depth_mm is not None:
        after = with_seat(after, change.seat_depth_mm)
    if change.entry_mm is not None:
        after = replace(after, entry_mm=np.array(change.entry_mm))
    if change.target_mm is not None:
        after = replace(after, target_mm=np.array(change.target_mm))
    return after


def nudged(bone: ReadyBone, nudge: Nudge, result: ScrewResult, frame: ScrewFrame) -> PlacedScrew:
    """The screw of ``result`` with length, seat, entry or tip moved. InputError where the axis misses the
    bone."""
    before = result.placed
    if nudge.handle == "length":
        lengths = sorted(before.screw.stocked_lengths_mm)
        at = lengths.index(stocked_length_mm(before.screw, before.length_mm))
        return with_length(before, lengths[int(np.clip(at + np.sign(nudge.along), 0, len(lengths) - 1))])
    if nudge.handle == "seat":
        return with_seat(before, before.seat_depth_mm + nudge.along)
    if nudge.handle == "entry":
        point = result.entry_mm + nudge.along * frame.along + nudge.across * frame.up
        after = with_entry(before, entered_mm(bone, point, result), result.tip_mm)
        return replace(after, length_mm=before.length_mm)
    tilt = np.deg2rad(nudge.across)
    way = np.cos(tilt) * frame.along + np.sin(tilt) * frame.up
    after = with_tip(before, result.entry_mm, result.entry_mm + way * result.tip_depth_mm)
    return replace(after, length_mm=before.length_mm)
