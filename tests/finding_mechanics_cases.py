"""Findings about a screw's mechanics: the cases built to break their rules, as in finding_cases.py."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from finding_cases import (
    FWHM_MM,
    HU,
    PARTIAL,
    SMALL,
    VOXEL_MM,
    Twins,
    bone_in,
    down,
    found,
    slab,
    two_named,
)
from phantoms import SOFT_HU, as_ct, grid_around, placed, points_of, step

from planner.assess import ReadyBone, assess_screws
from planner.demands import Demands
from planner.vocabulary import Finding, PlacedScrew, Plan

# Two slabs 10 and 14 mm with a gap of 1.2: entry at z = −12.6, near fragment to 10, far from 11.2 to 25.2.


def tilted(degree: float, **options: object) -> PlacedScrew:
    """A lag screw at an angle to the slabs' normal."""
    direction = np.array([np.sin(np.radians(degree)), 0.0, np.cos(np.radians(degree))])
    entry = np.array([-2.0, 0.3, -12.6])
    return placed(entry, entry + 10 * direction, length_mm=26.0, technique="lag", **options)


def drilled(pilot_mm: float, core_mm: float = 2.4) -> PlacedScrew:
    """A 3.5 mm cortical screw with another pilot drill."""
    screw = down(-10, 18)
    (thread,) = screw.screw.threads
    own = replace(screw.screw, pilot_mm=pilot_mm, threads=(replace(thread, core_mm=core_mm),))
    return replace(screw, screw=own)


def asked(demands: Demands, screw: PlacedScrew) -> tuple[Finding, ...]:
    """The findings of a screw in the 20 mm slab of which something is asked."""
    return assess_screws(slab(), Plan((screw,)), demands=demands).screws[0].findings


@cache
def split_along(slope_ratio: float) -> ReadyBone:
    """A block 24 mm deep, split by a gap of 1.2 mm that crosses the z axis at z = −2 (depth 10) and leans
    from it by ``slope_ratio``: a step of 1 mm aside is so many mm of depth."""
    grid = grid_around((13, 13, 15), VOXEL_MM)
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    block = step(10 - np.abs(x), FWHM_MM) * step(10 - np.abs(y), FWHM_MM) * step(12 - np.abs(z), FWHM_MM)
    away = ((z + 2) - slope_ratio * x) / np.hypot(1, slope_ratio)
    gap = step(0.6 - np.abs(away), FWHM_MM)
    return bone_in(as_ct(grid, SOFT_HU + (HU - SOFT_HU) * block * (1 - gap)))


MECHANICS_TWINS = [
    Twins(
        "runout-near-fracture",
        # Thread 16 mm with a run-out of 1.75 at its back, 2.7 and 3.3 mm beyond the gap.
        lambda: found(two_named(), down(-12.6, 29.9, PARTIAL)),
        lambda: found(two_named(), down(-12.6, 30.5, PARTIAL)),
        "3 mm",
    ),
    Twins(
        "fracture-oblique",
        lambda: found(two_named(), tilted(11)),
        lambda: found(two_named(), tilted(9)),
        "10° off square",
    ),
    Twins(
        "gliding-hole-narrow",
        lambda: found(two_named(), down(-12.6, 30, "cannulated-7.0-16", technique="lag")),
        lambda: found(two_named(), down(-12.6, 30, "cannulated-4.0-partial", technique="lag")),
        "drill 5.0 for a thread of 7.0, 4.0 for 4.0",
    ),
    Twins(
        "gliding-hole-through",
        # The near face meets the thread's rim at 10 + (0.4 + 1.75) · s − 0.6 · √(1 + s²): 28.6 and 22.4 of
        # 24 mm.
        lambda: found(split_along(12.0), down(-12, 24, x_mm=0.4, technique="lag")),
        lambda: found(split_along(8.0), down(-12, 24, x_mm=0.4, technique="lag")),
        "a fracture that runs along the screw",
    ),
    Twins(
        "screw-short-countersunk",
        lambda: found(two_named(), down(-12.6, 23.9, technique="lag", seat_depth_mm=1.0)),
        lambda: found(two_named(), down(-12.6, 24.5, technique="lag", seat_depth_mm=1.0)),
        "gauge 24.2",
    ),
    Twins(
        "gap-not-closed",
        # Seven turns of 0.2 mm: 1.4 mm.
        lambda: found(two_named(1.7), down(-12.85, 21, SMALL, seat_depth_mm=2.0)),
        lambda: found(two_named(), down(-12.6, 21, SMALL, seat_depth_mm=2.0)),
        "1.4 mm of travel",
    ),
    Twins(
        "gap-wide",
        lambda: found(two_named(1.7), down(-12.85, 21, SMALL, seat_depth_mm=2.0)),
        lambda: found(two_named(1.3), down(-12.65, 21, SMALL, seat_depth_mm=2.0)),
        "1.5 mm",
    ),
    Twins(
        "insertion-torque",
        lambda: found(slab(), down(-10, 17, "iso5835-ha-2.0")),
        lambda: found(slab(), down(-10, 12, "iso5835-ha-2.0")),
        "half of 0.35 N·m",
    ),
    Twins(
        "torque-no-guide",
        # No head rubs: both threads of a two-pitch screw cut, and the lever that tightens is small.
        lambda: found(two_named(), down(-12.6, 21, SMALL, seat_depth_mm=2.0)),
        lambda: found(slab(), down(-10, 22)),
        "0.2 against 0.1 N·m",
    ),
    Twins(
        "torque-too-high",
        lambda: asked(Demands(torque_n_m=0.8), down(-10, 22)),
        lambda: asked(Demands(torque_n_m=0.65), down(-10, 22)),
        "0.73 N·m advised",
    ),
    Twins(
        "compression-too-high",
        lambda: asked(Demands(compression_n=620.0), down(-10, 22)),
        lambda: asked(Demands(compression_n=500.0), down(-10, 22)),
        "asked for",
    ),
    Twins(
        "bending-over-yield",
        # Core 2.4 less 0.1425, 690 MPa: 0.779 N·m.
        lambda: asked(Demands(bending_n=100.0, bending_lever_mm=7.9), down(-10, 22)),
        lambda: asked(Demands(bending_n=100.0, bending_lever_mm=7.7), down(-10, 22)),
        "a load of 100 N",
    ),
    Twins(
        "pilot-wide",
        lambda: found(slab(), down(-10, 18, "iso5835-hb-4.0")),
        lambda: found(slab(), down(-10, 18)),
        "2.5 for a core of 1.9, for one of 2.4",
    ),
    Twins(
        "pilot-wide",
        lambda: found(slab(), drilled(2.76)),
        lambda: found(slab(), drilled(2.77)),
        "3.5 mm: 0.79 of the major diameter is 2.765 mm",
    ),
    Twins(
        "pilot-overdrilled",
        lambda: found(slab(), drilled(2.8)),
        lambda: found(slab(), drilled(2.76)),
        "the 2.8 mm hole of a 3.5 mm screw that lost hold (Battula 2008)",
    ),
    Twins(
        "pilot-overdrilled",
        lambda: found(slab(), drilled(2.8)),
        # 0.8 of the major diameter too, but no wider than the core.
        lambda: found(slab(), drilled(2.8, core_mm=2.8)),
        "a thick core fills its hole",
    ),
]
