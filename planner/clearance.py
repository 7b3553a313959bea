"""How far the screw's solid stays from a surface: positive inside the bone, negative where it comes out.

The solid's outline is turned around the axis in ANGLES_COUNT directions; the smallest signed distance of its
points counts. Since a signed distance changes by no more than the way walked, the distance on the axis less
the radius bounds a station from below, and stations that cannot hold the smallest distance are never turned.
Error: 0.5 % of the radius plus half of OUTLINE_STEP_MM².
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from planner.boundary import Boundary, joint_boundary, outer_boundary
from planner.path import Path, crossed_fragments
from planner.prepared import PreparedBone
from planner.vocabulary import Clearance
from segmentation.vocabulary import Floats

ANGLES_COUNT = 32
"""Directions around the axis. Our choice: a circle's polygon then lies within 0.5 % of its radius."""

OUTLINE_STEP_MM = 0.2
"""Distance of stations along the outline. Our choice: half a fine voxel."""

AXIS_STEP_MM = 1.0
"""Distance of points on the axis from which the bounds are taken. Our choice: the distance between varies by
half of it."""

PORTAL_BEYOND_RADIUS_MM = 3.0
"""The portal reaches this far beyond the largest radius of shaft and threads (design decision)."""

LAST_PITCHES_COUNT = 2
"""The leading end is the tip and so many pitches before it (design decision)."""

BATCH_COUNT = 8
"""Stations looked at together. Our choice: most screws are done after one or two batches."""


@dataclass(frozen=True, eq=False)
class _Part:
    """Stations of one part of the solid: depth and radius (n,)."""

    depth_mm: Floats
    radius_mm: Floats


@dataclass(frozen=True, eq=False)
class _Neighbour:
    """A surface and its signed distance from the axis at some depths, from which bounds follow."""

    boundary: Boundary
    depth_mm: Floats
    distance_mm: Floats

    @classmethod
    def on(cls, path: Path, boundary: Boundary) -> _Neighbour:
        """Measure along the whole solid's axis."""
        top, tip = path.placed.seat_depth_mm + path.solid.top_mm, path.tip_depth_mm
        depth = np.linspace(top, tip, max(2, int(np.ceil((tip - top) / AXIS_STEP_MM)) + 1))
        distance, _ = boundary.distance_mm(path.entry_mm + depth[:, None] * path.direction)
        return cls(boundary, depth, distance)

    def at_least_mm(self, depth_mm: Floats) -> Floats:
        """A lower bound of the signed distance on the axis at other depths."""
        nearest = np.clip(np.searchsorted(self.depth_mm, depth_mm), 1, len(self.depth_mm) - 1)
        bounds = [self.distance_mm[i] - np.abs(depth_mm - self.depth_mm[i]) for i in (nearest - 1, nearest)]
        return np.maximum(*bounds)


def clearances(prepared: PreparedBone, path: Path) -> tuple[dict[str, Clearance], dict[str, str]]:
    """Clearance of ``leading_end``, ``trailing_end`` and ``body``, and for each that is None the reason."""
    outer = _Neighbour.on(path, outer_boundary(prepared, path.bone_name, _reached(prepared, path)))
    joint = None if prepared.joint is None else _Neighbour.on(path, joint_boundary(prepared.joint))
    leading, trailing, body = _parts(path)
    found: dict[str, Clearance] = {}
    reasons: dict[str, str] = {}
    trailing_outer = None
    if path.placed.screw.headless:
        rim = _Part(np.array([path.placed.seat_depth_mm]), np.array([path.solid.outline_mm[0, 1]]))
        trailing_outer = _smallest(path, rim, outer)[0]
    else:
        reasons["clearance_mm.trailing_end.outer"] = "a head is meant to lie outside"
    body_outer = _past_portal(path, body, outer)
    if body_outer is None:
        reasons["clearance_mm.body.outer"] = (
            "no part of the screw lies between the portal and the leading end"
        )
    outers = {
        "leading_end": _smallest(path, leading, outer)[0],
        "trailing_end": trailing_outer,
        "body": body_outer,
    }
    for name, part in (("leading_end", leading), ("trailing_end", trailing), ("body", body)):
        to_joint = None if joint is None else _smallest(path, part, joint)[0]
        if to_joint is None:
            reasons[f"clearance_mm.{name}.joint"] = (
                "no joint surface was given" if joint is None else "the screw has no such part"
            )
        found[name] = Clearance(outers[name], to_joint)
    return found, reasons


def portal_radius_mm(path: Path) -> float:
    """Radius around the entry within which the outer surface is the screw's own hole."""
    screw = path.placed.screw
    widest = max([screw.shaft_mm, *(thread.major_mm for thread in screw.threads)]) / 2
    return widest + PORTAL_BEYOND_RADIUS_MM


def _reached(prepared: PreparedBone, path: Path) -> list[int]:
    """Fragments that the screw itself, not only its axis, lies in."""
    top, tip = path.placed.seat_depth_mm + path.solid.top_mm, path.tip_depth_mm
    return [
        n for n in crossed_fragments(path, prepared) if len(path.axis[n].within(min(top, 0.0), tip).from_mm)
    ]


def _parts(path: Path) -> tuple[_Part, _Part, _Part]:
    """Leading end, trailing end and body: together the whole solid."""
    outline = path.solid.outline_mm + np.array([path.placed.seat_depth_mm, 0.0])
    top, tip = float(outline[0, 0]), float(outline[-1, 0])
    last = path.solid.zones[-1]
    taper = max(0.0, last.to_mm - last.full_to_mm)
    leading_from = max(tip - taper - LAST_PITCHES_COUNT * last.thread.pitch_mm, top)
    body_from = min(max(portal_radius_mm(path), top), leading_from)
    return (
        _stations(outline, leading_from, tip),
        _stations(outline, top, body_from),
        _stations(outline, body_from, leading_from),
    )


def _stations(outline_mm: Floats, from_mm: float, to_mm: float) -> _Part:
    """Points of the outline between two depths, OUTLINE_STEP_MM apart, flat ends to their middle."""
    depths, radii = [], []
    ends = [np.array([outline_mm[0, 0], 0.0]), *outline_mm, np.array([outline_mm[-1, 0], 0.0])]
    for start, stop in pairwise(ends):
        steps = max(1, int(np.ceil(np.linalg.norm(stop - start) / OUTLINE_STEP_MM)))
        share = np.linspace(0, 1, steps + 1)[:, None]
        points = start + share * (stop - start)
        kept = points[(points[:, 0] >= from_mm - 1e-9) & (points[:, 0] <= to_mm + 1e-9)]
        depths.append(kept[:, 0])
        radii.append(kept[:, 1])
    if to_mm <= from_mm:
        return _Part(np.empty(0), np.empty(0))
    return _Part(np.concatenate(depths), np.concatenate(radii))


def _smallest(path: Path, part: _Part, near: _Neighbour) -> tuple[float | None, Floats]:
    """Smallest signed distance of a part's points to a surface, and where on it; None without points."""
    where = path.entry_mm
    best = np.inf
    least = near.at_least_mm(part.depth_mm) - part.radius_mm
    turns = 2 * np.pi * np.arange(ANGLES_COUNT) / ANGLES_COUNT
    around = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ np.stack([path.u, path.v])
    order = np.argsort(least, kind="stable")
    for first in range(0, len(order), BATCH_COUNT):
        batch = order[first : first + BATCH_COUNT]
        batch = batch[least[batch] < best]
        if not len(batch):
            break
        on_axis = path.entry_mm + part.depth_mm[batch][:, None] * path.direction
        # The bound from the axis is loose between its points: measured on the spot it spares most stations.
        tight = near.boundary.distance_mm(on_axis)[0] - part.radius_mm[batch]
        likely = int(np.argmin(tight))
        for chosen in (np.arange(len(batch)) == likely, np.arange(len(batch)) != likely):
            turned = np.flatnonzero(chosen & (tight < best))
            if not len(turned):
                continue
            points = on_axis[turned][:, None, :] + part.radius_mm[batch[turned]][:, None, None] * around
            distance, closest = near.boundary.distance_mm(points.reshape(-1, 3))
            lowest = int(np.argmin(distance))
            if distance[lowest] < best:
                best, where = float(distance[lowest]), closest[lowest]
    return (best if np.isfinite(best) else None), where


def _past_portal(path: Path, part: _Part, near: _Neighbour) -> float | None:
    """The smallest distance of a part with the portal left out of the surface.

    Leaving it out can only lengthen distances, so it is done only when the smallest one ends in the portal.
    """
    found, where = _smallest(path, part, near)
    radius_mm = portal_radius_mm(path)
    if found is None or np.linalg.norm(where - path.entry_mm) > radius_mm:
        return found
    beyond = near.boundary.without_ball(path.entry_mm, radius_mm)
    return _smallest(path, part, _Neighbour.on(path, beyond))[0] if beyond.meshes else None
