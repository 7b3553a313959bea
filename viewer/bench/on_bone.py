"""Where a hand meets the bone: under a place of the picture, and where a pulled axis enters.

Places are shares of the picture's width and height; points are RAS+ mm in the plan's frame.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np

from planner.assess import ReadyBone, assess_screws
from planner.mesh import bundle_along, stretches_inside
from planner.prepared import FACING_MM
from planner.vocabulary import PlacedScrew, Plan, Screw, ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Floats
from viewer.bench.camera_hand import in_plane_mm
from viewer.report.camera import Camera

FROM_FAR_MM = 1000.0
"""Where a line of sight begins, before the picture's plane. Our choice: outside any scan."""

TIP_ROOM_MM = 2.0
"""A new screw ends at least this far before the far surface, and a headless one begins this far under the
near one. Common practice: 2 mm."""


def under_mm(
    bone: ReadyBone, camera: Camera, x_fraction: float, y_fraction: float, bone_name: str | None = None
) -> Floats:
    """(3,) where the line of sight over a place of the picture first meets bone. InputError beside it."""
    away = -camera.toward
    start = in_plane_mm(camera, x_fraction, y_fraction, camera.centre_mm) - FROM_FAR_MM * away
    line = bundle_along(start, away, np.zeros((1, 2)))
    met = [
        float(stretches.of_line(0)[:, 0].min())
        for number, mesh in bone.prepared.meshes.items()
        if bone_name is None or bone.prepared.bone.fragment(number).bone == bone_name
        for stretches in [stretches_inside(mesh, line)]
        if (stretches.line == 0).any()
    ]
    if not met:
        raise InputError("there is no bone under that place; click on the bone")
    return np.asarray(start + min(met) * away)


def entry_under(
    bone: ReadyBone, camera: Camera, x_fraction: float, y_fraction: float, in_hand: str, asked: str | None
) -> tuple[Floats, str]:
    """(3,) where a click puts a screw's entry, and on which bone: the one ``in_hand`` wherever the line of
    sight meets it, whatever lies pale before it; another only where it was ``asked`` for by the click before.
    InputError, in ``NeighbourError`` with its name, where it was not."""
    for name in (in_hand, asked):
        if name is not None:
            with suppress(InputError):
                return under_mm(bone, camera, x_fraction, y_fraction, name), name
    at_mm = under_mm(bone, camera, x_fraction, y_fraction)
    for name in sorted({one.bone for one in bone.prepared.bone.fragments} - {in_hand}):
        met_mm = None
        with suppress(InputError):
            met_mm = under_mm(bone, camera, x_fraction, y_fraction, name)
        if met_mm is not None and np.array_equal(at_mm, met_mm):
            raise NeighbourError(name, in_hand)
    raise InputError("there is no bone under that place; click on the bone")


class NeighbourError(InputError):
    """The click met another bone than the one in hand."""

    def __init__(self, name: str, in_hand: str) -> None:
        super().__init__(f"that is {name}, not {in_hand}: click it once more to put a screw there")
        self.name = name


def middle_mm(
    bone: ReadyBone, camera: Camera, x_fraction: float, y_fraction: float, bone_name: str
) -> Floats:
    """(3,) half-way through a bone along the line of sight, fracture gaps included. InputError beside it."""
    away = -camera.toward
    start = in_plane_mm(camera, x_fraction, y_fraction, camera.centre_mm) - FROM_FAR_MM * away
    line = bundle_along(start, away, np.zeros((1, 2)))
    inside = sorted(
        (float(first), float(last))
        for number in bone.prepared.fragments_of(bone_name)
        for first, last in stretches_inside(bone.prepared.meshes[number], line).of_line(0)
    )
    if not inside:
        raise InputError(f"there is no {bone_name} under that place; aim at the bone that was entered")
    first, last = inside[0]
    for from_mm, to_mm in inside[1:]:
        if from_mm - last <= FACING_MM:
            last = max(last, to_mm)
    return np.asarray(start + (first + last) / 2 * away)


def entered_mm(bone: ReadyBone, point_mm: Floats, result: ScrewResult) -> Floats:
    """(3,) where the line from ``point_mm`` to a screw's tip enters its bone, nearest to the point."""
    way = result.tip_mm - point_mm
    size_mm = float(np.linalg.norm(way))
    if size_mm == 0:
        return point_mm
    line = bundle_along(point_mm, way / size_mm, np.zeros((1, 2)))
    starts = [
        float(start)
        for number in bone.prepared.fragments_of(result.bone_name)
        for start in stretches_inside(bone.prepared.meshes[number], line).of_line(0)[:, 0]
    ]
    if not starts:
        raise InputError("from there the axis misses the bone")
    return np.asarray(point_mm + min(starts, key=abs) * way / size_mm)


def between_places(
    bone: ReadyBone, name: str, screw: Screw, entry_mm: Floats, aim_mm: Floats, plan: Plan
) -> PlacedScrew:
    """A screw from one place of the bone towards another: the longest stocked that stays inside."""
    if np.linalg.norm(aim_mm - entry_mm) < TIP_ROOM_MM:
        raise InputError("the two places lie too near to each other; click farther away")
    shortest_mm = min(screw.stocked_lengths_mm)
    seat_mm = TIP_ROOM_MM if screw.headless else 0.0
    placed = PlacedScrew(name, screw, shortest_mm, entry_mm, aim_mm, seat_depth_mm=seat_mm)
    trial = assess_screws(bone, Plan((placed,), plan.pose)).screws[0]
    room_mm = trial.bone_length_mm - TIP_ROOM_MM - seat_mm
    fitting = [length for length in screw.stocked_lengths_mm if length <= room_mm]
    return replace(
        placed,
        length_mm=max(fitting, default=shortest_mm),
        entry_mm=trial.entry_mm,
        target_mm=trial.exit_mm,
    )
