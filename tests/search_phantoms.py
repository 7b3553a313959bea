"""Bones from closed forms, made ready for a search without a segmentation: surfaces by marching cubes of the
formula, grey values by another."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from phantoms import CALIBRATION, grid_around, points_of
from skimage.measure import marching_cubes

from segmentation.vocabulary import Bone, CTVolume, Floats, FractureSurface, Fragment, Segmentation, Surface

Formula = Callable[[Floats, Floats, Floats], Floats]
SOFT_HU = 0


def surface_of(inside_mm: Formula, half_mm: Sequence[float], step_mm: float = 0.5) -> Surface:
    """Where a formula of (x, y, z) that is positive inside is zero."""
    ticks = [np.arange(-half - 1.03, half + 1.03 + step_mm, step_mm) for half in half_mm]
    values = inside_mm(*np.meshgrid(*ticks, indexing="ij"))
    vertices, faces, _, _ = marching_cubes(values, 0.0, spacing=(step_mm,) * 3, gradient_direction="ascent")
    return Surface(vertices + [tick[0] for tick in ticks], faces)


def bone_of(
    insides: Sequence[Formula],
    hu: Formula,
    half_mm: Sequence[float],
    *,
    turn: Floats | None = None,
    voxel_mm: float = 0.8,
    joint: Surface | None = None,
    calibrated: bool = True,
    fracture: tuple[Floats, Floats] | None = None,
    step_mm: float = 0.5,
) -> Bone:
    """One bone of a fragment per formula, HU by another everywhere, all turned by ``turn`` (3, 3).

    ``fracture`` is a point and a normal of a plane between the first two.
    """
    turn = np.eye(3) if turn is None else turn
    grid = grid_around(np.abs(turn) @ np.asarray(half_mm, float) + 7, (voxel_mm,) * 3)
    own = points_of(grid) @ turn
    labels = np.zeros(grid.shape, np.uint8)
    fragments = []
    for number, inside in enumerate(insides, start=1):
        labels[inside(*np.moveaxis(own, -1, 0)) > 0] = number
        surface = surface_of(inside, half_mm, step_mm)
        turned = Surface(surface.vertices_mm @ turn.T, surface.faces)
        fragments.append(Fragment(number, f"part {number}", "bone", turned.enclosed_mm3, turned))
    values = hu(*np.moveaxis(own, -1, 0)).astype(np.float32)
    return Bone(
        CTVolume(grid, np.asfortranarray(values), "phantom"),
        labels,
        tuple(fragments),
        "bone",
        Segmentation(100.0, "test"),
        CALIBRATION if calibrated else None,
        joint=None if joint is None else Surface(joint.vertices_mm @ turn.T, joint.faces),
        fractures=() if fracture is None else (_plane(*fracture, turn),),
    )


def _plane(point_mm: Floats, normal: Floats, turn: Floats) -> FractureSurface:
    """A square of 10 mm as a measured fracture."""
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    u = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    corners = np.array([point_mm + 5 * (a * u + b * v) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
    square = Surface(corners @ turn.T, np.array([[0, 1, 2], [0, 2, 3]]))
    return FractureSurface(
        between=(1, 2),
        surface=square,
        gap_mm=np.full(4, 0.5),
        at_rim=np.zeros(4, bool),
        seen=np.ones(4, bool),
        point_mm=turn @ np.asarray(point_mm, float),
        normal=turn @ normal,
        normal_uncertainty_degree=1.0,
        waviness_rms_mm=0.1,
        waviness_p95_mm=0.2,
        area_mm2=100.0,
        measured_area_mm2=100.0,
        contact_area_mm2=0.0,
        contact_below_mm=0.2,
        gap_median_mm=0.5,
        gap_p95_mm=0.5,
        gap_largest_mm=0.5,
        fill_hu=0.0,
        fill_measured=True,
    )


def block(low: Sequence[float], high: Sequence[float]) -> Formula:
    """Depth inside a box."""

    def inside(x: Floats, y: Floats, z: Floats) -> Floats:
        edges = [v - a for v, a in zip((x, y, z), low, strict=True)]
        edges += [b - v for v, b in zip((x, y, z), high, strict=True)]
        return np.min(edges, axis=0)

    return inside
