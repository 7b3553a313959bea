"""What the hand holds, and where it takes the screw."""

from __future__ import annotations

from dataclasses import dataclass

from planner.assess import ReadyBone
from planner.vocabulary import PlacedScrew, Plan, ScrewResult
from viewer.bench.camera_hand import in_plane_mm
from viewer.bench.hand import with_entry, with_seat, with_tip
from viewer.bench.messages import Drag
from viewer.bench.on_bone import entered_mm, under_mm
from viewer.report.camera import Camera
from viewer.report.view_frame import ScrewFrame


@dataclass
class Held:
    """What the hand holds: the handle, and how things lay when it was taken."""

    drag: Drag
    before: PlacedScrew
    result: ScrewResult
    frame: ScrewFrame
    now: Plan


def moved(bone: ReadyBone, camera: Camera, held: Held, drag: Drag, cursor_mm: float) -> PlacedScrew:
    """The held screw where ``drag`` takes it; the end view lies at ``cursor_mm``."""
    result, before = held.result, held.before
    if drag.where == "scene":
        at = result.entry_mm if drag.handle == "entry" else result.tip_mm
        point = in_plane_mm(camera, drag.x, drag.y, at)
        if drag.handle == "entry":
            point = under_mm(bone, camera, drag.x, drag.y, result.bone_name)
    elif drag.where == "end":
        # The end view is looked at from the head: right is the strip's reader, up is up.
        away = drag.x * held.frame.toward + drag.y * held.frame.up
        at_cursor = held.frame.at_mm(cursor_mm) + away
        deep = max(result.tip_depth_mm, 1.0)
        # Pulling the section beside the axis turns the axis about the entry, or moves it at the entry.
        point = result.entry_mm + (at_cursor - result.entry_mm) * deep / max(cursor_mm, 1.0)
    else:
        point = held.frame.at_mm(drag.x) + drag.y * held.frame.up
    if drag.handle == "entry":
        return with_entry(before, entered_mm(bone, point, result), result.tip_mm, snap=drag.snap)
    if drag.handle == "tip":
        return with_tip(before, result.entry_mm, point, snap=drag.snap)
    return with_seat(before, drag.x)
