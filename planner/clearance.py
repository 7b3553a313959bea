"""How far the screw's solid stays from a surface: positive inside the bone, negative where it comes out.

The solid's outline is turned around the axis in ANGLES_COUNT directions; the smallest signed distance of its
points counts. Error: 0.5 % of the radius for the polygon, and less than 0.01 mm for the step along the
outline.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from planner.mesh import NO_BALL, Ball, Bundle, Mesh, Nearest, smallest_distance_mm
from planner.path import Path, touched_fragments
from planner.prepared import PreparedBone
from planner.solid import Solid
from planner.vocabulary import Clearance
from segmentation.vocabulary import Floats

ANGLES_COUNT = 32
"""Directions around the axis. Our choice: a circle's polygon then lies within 0.5 % of its radius."""

OUTLINE_STEP_MM = 0.2
"""Distance of stations along the outline. Our choice: half a fine voxel."""

PORTAL_BEYOND_RADIUS_MM = 3.0
"""The portal reaches this far beyond the largest radius of shaft and threads (design decision)."""

LAST_PITCHES_COUNT = 2
"""The leading end is the tip and so many pitches before it (design decision)."""


PARTS = ("leading_end", "trailing_end", "body")
"""The parts of a screw that have a clearance."""


@dataclass(frozen=True, eq=False)
class _Part:
    """Stations of one part of the solid: depth and radius (n,)."""

    depth_mm: Floats
    radius_mm: Floats


@dataclass(frozen=True, eq=False)
class NearestPlaces:
    """Where a part of the screw comes nearest to the outer and to the joint surface; None where nowhere."""

    outer: Nearest | None
    joint: Nearest | None

    @property
    def clearance(self) -> Clearance:
        """The distances alone."""
        return Clearance(*(None if one is None else one.distance_mm for one in (self.outer, self.joint)))


Clearances = tuple[dict[str, NearestPlaces], dict[str, str]]
"""By part where it comes nearest, and for each that has no such place the reason."""


def clearances(prepared: PreparedBone, path: Path) -> Clearances:
    """Where each of ``PARTS`` comes nearest, and for each that has no such place the reason."""
    outer = prepared.outer_surface(path.bone_name, reached(prepared, path))
    leading, trailing, body = _parts(path)
    portal = Ball(path.entry_mm, portal_radius_mm(path))
    outers = {
        "leading_end": _smallest(path, leading, outer),
        "trailing_end": None,
        "body": _smallest(path, body, outer, without=portal),
    }
    reasons: dict[str, str] = {}
    if path.placed.screw.headless:
        rim = _Part(np.array([path.placed.seat_depth_mm]), np.array([path.solid.outline_mm[0, 1]]))
        outers["trailing_end"] = _smallest(path, rim, outer)
    else:
        reasons["clearance_mm.trailing_end.outer"] = "a head is meant to lie outside"
    if outers["body"] is None:
        reasons["clearance_mm.body.outer"] = (
            "no part of the screw lies between the portal and the leading end"
        )
    found: dict[str, NearestPlaces] = {}
    for name, part in zip(PARTS, (leading, trailing, body), strict=True):
        joint = prepared.joint_of(path.bone_name)
        to_joint = None if joint is None else _smallest(path, part, joint, rim_is_free=True)
        if to_joint is None:
            reasons[f"clearance_mm.{name}.joint"] = (
                _no_joint(prepared) if joint is None else "the screw has no such part"
            )
        found[name] = NearestPlaces(outers[name], to_joint)
    return found, reasons


def _no_joint(prepared: PreparedBone) -> str:
    if prepared.joint is None:
        return "no joint surface was given"
    return "this bone has no joint surface: none was found facing another bone"


def portal_radius_mm(path: Path) -> float:
    """Radius around the entry within which the outer surface is the screw's own hole."""
    screw = path.placed.screw
    widest = max([screw.shaft_mm, *(thread.major_mm for thread in screw.threads)]) / 2
    return widest + PORTAL_BEYOND_RADIUS_MM


def reached(prepared: PreparedBone, path: Path) -> list[int]:
    """Fragments that the screw itself, not only its axis, lies in."""
    top, tip = path.placed.seat_depth_mm + path.solid.top_mm, path.tip_depth_mm
    low = min(top, 0.0)
    return [
        number
        for number in touched_fragments(path, prepared)
        if any(
            len(s.within(low, tip).from_mm) for s in (path.axis[number], path.rim[number], *path.ring[number])
        )
    ]


def _parts(path: Path) -> tuple[_Part, _Part, _Part]:
    """Leading end, trailing end and body: together the whole solid."""
    return _parts_of(path.solid, path.placed.seat_depth_mm, portal_radius_mm(path))


@lru_cache(maxsize=8)
def _parts_of(solid: Solid, seat_depth_mm: float, portal_mm: float) -> tuple[_Part, _Part, _Part]:
    outline = solid.outline_mm + np.array([seat_depth_mm, 0.0])
    top, tip = float(outline[0, 0]), float(outline[-1, 0])
    last = solid.zones[-1]
    taper = max(0.0, last.to_mm - last.full_to_mm)
    leading_from = max(tip - taper - LAST_PITCHES_COUNT * last.thread.pitch_mm, top)
    body_from = min(max(portal_mm, top), leading_from)
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
        share = np.linspace(0, 1, steps + 1)
        if stop[0] > start[0]:
            # The part's own ends are stations too.
            ends_share = (np.array([from_mm, to_mm]) - start[0]) / (stop[0] - start[0])
            share = np.union1d(share, ends_share[(ends_share > 0) & (ends_share < 1)])
        points = start + share[:, None] * (stop - start)
        kept = points[(points[:, 0] >= from_mm - 1e-9) & (points[:, 0] <= to_mm + 1e-9)]
        depths.append(kept[:, 0])
        radii.append(kept[:, 1])
    if to_mm <= from_mm:
        return _Part(np.empty(0), np.empty(0))
    return _Part(np.concatenate(depths), np.concatenate(radii))


def _smallest(
    path: Path, part: _Part, mesh: Mesh, *, without: Ball = NO_BALL, rim_is_free: bool = False
) -> Nearest | None:
    """Where a part comes nearest to a surface; None without points or surface."""
    smallest = smallest_distance_mm(
        mesh,
        Bundle(path.entry_mm, path.direction, path.u, path.v, np.empty((0, 2))),
        part.depth_mm,
        part.radius_mm,
        angles_count=ANGLES_COUNT,
        without=without,
        rim_is_free=rim_is_free,
    )
    return smallest if np.isfinite(smallest.distance_mm) else None
