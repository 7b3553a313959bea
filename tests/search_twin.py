"""The compiled measuring of one candidate again, in plain NumPy: no shortcut and no table."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from planner.mesh import bundle_along
from planner.search_kernels import CIRCLE_COUNT, ENOUGH_MM, FAR_MM, STEP_MM
from planner.search_measure import Measure
from planner.search_screws import ring_radii_mm
from planner.shear_laws import shear_strength_mpa
from planner.solid import solid_of
from segmentation.vocabulary import Calibration


def _on(field, grid, points, outside):
    ijk = grid.mm_to_ijk(points.reshape(-1, 3)).T
    return ndimage.map_coordinates(field, ijk, order=1, output=float, mode="constant", cval=outside).reshape(
        points.shape[:-1]
    )


def twin(measure: Measure, entry_mm, direction, variant, seat_mm, length_mm, calibration: Calibration | None):
    """Clearances, and per fragment engagement, turns, force and mean HU, of a candidate."""
    space, table = measure.space, measure.table
    screw = table.screws[table.screw_of[variant]]
    solid = solid_of(screw, float(table.lengths_mm[variant]))
    frame = bundle_along(entry_mm, direction, np.zeros((1, 2)))
    own = slice(table.station_first[variant], table.station_first[variant + 1])
    height, radius = table.station_mm[own].T
    depth = seat_mm + height
    turns = 2 * np.pi * np.arange(CIRCLE_COUNT) / CIRCLE_COUNT
    around = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ np.stack([frame.u, frame.v])
    axis = entry_mm + depth[:, None] * direction
    # On the axis the kernel interpolates between places a cell apart.
    cells = entry_mm + np.arange(int(length_mm / STEP_MM) + 14)[:, None] * STEP_MM * direction
    circles = axis[:, None] + radius[:, None, None] * around
    least = []
    portal, leading_from = table.screw_mm[table.screw_of[variant], 1], seat_mm + table.variant_mm[variant, 1]
    parts = (
        (1, np.ones(len(depth), bool)),
        (2, depth >= 0),
        (0, depth >= max(leading_from, 0) - 1e-9),
        (0, (depth >= portal) & (depth <= leading_from + 1e-9)),
    )
    for channel, of in parts:
        field, outside = space.distances_mm[..., channel], -FAR_MM if channel == 0 else FAR_MM
        on_axis = np.where(
            depth >= 0,
            np.interp(depth, np.arange(len(cells)) * STEP_MM, _on(field, space.grid, cells, outside)),
            _on(field, space.grid, axis, outside),
        )
        on_circle = _on(field, space.grid, circles, outside).min(axis=1)
        least.append(min(ENOUGH_MM, np.minimum(on_axis, on_circle)[of].min(initial=np.inf)))
    return least, [
        _zone(measure, screw, zone, seat_mm, entry_mm, direction, frame, calibration) for zone in solid.zones
    ]


def _zone(measure, screw, zone, seat_mm, entry_mm, direction, frame, calibration):
    """(fragments, 4): engagement in mm, turns, force, HU times length of one thread zone."""
    space, thread = measure.space, zone.thread
    low, high = seat_mm + zone.full_from_mm, seat_mm + zone.full_to_mm
    radii = np.repeat(ring_radii_mm(thread.core_mm, thread.major_mm), 8)
    lanes = np.arange(16)
    angle = 2 * np.pi * (lanes % 8 + 0.5 * (lanes // 8)) / 8
    offsets = radii[:, None] * (
        np.stack([np.cos(angle), np.sin(angle)], axis=1) @ np.stack([frame.u, frame.v])
    )
    edges = np.arange(int(high / STEP_MM) + 3) * STEP_MM
    points = entry_mm + edges[:, None, None] * direction + offsets
    hu = _on(space.matter[..., -1], space.grid, points, np.nan)
    tau = np.zeros_like(hu)
    if calibration is not None:
        tau = shear_strength_mpa(np.maximum(calibration.density_mg_cm3(hu), 0), "bone")
    in_zone = np.clip((high - edges[:-1]) / STEP_MM, 0, 1) - np.clip((low - edges[:-1]) / STEP_MM, 0, 1)
    shape = 0.5 + 0.57735 * thread.depth_mm / thread.pitch_mm
    rows = []
    for fragment in range(len(space.fragments)):
        inside = _on(space.matter[..., fragment], space.grid, points, -FAR_MM)
        before, after = inside[:-1], inside[1:]
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(
                before >= 0,
                np.where(after >= 0, 1.0, before / (before - after)),
                np.where(after > 0, after / (after - before), 0.0),
            )
        both, deeper = (before >= 0) & (after >= 0), after >= before
        mine = part * in_zone[:, None] * STEP_MM / 16

        def of_cell(values, both=both, deeper=deeper):
            return np.where(both, (values[:-1] + values[1:]) / 2, np.where(deeper, values[1:], values[:-1]))

        length, used = mine.sum(), mine > 0
        force = np.pi * thread.major_mm * shape * (mine[used] * of_cell(tau)[used]).sum()
        rows.append([length, length / thread.pitch_mm, force, (mine[used] * of_cell(hu)[used]).sum()])
    return np.array(rows)
