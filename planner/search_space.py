"""The room a search moves in: one bone's distance fields, its grey values and whose bone each place is.

Everything lies on one lattice that continues the CT's voxels, so where no fragment was moved the grey values
are the scan's own. Where a reduction moved fragments each place holds what its fragment was scanned with,
interpolated once more.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.density import hu_at
from planner.distance_field import FAR_MM, NEAR_MM, Field, distance_field, grid_around
from planner.mesh import Mesh, joined, mesh_of
from planner.posed import back_of, carried, moves
from planner.prepared import PreparedBone
from segmentation.errors import InputError
from segmentation.vocabulary import METAL_ABOVE_HU, NO_DATA_BELOW_HU, CTVolume, Floats, Grid, Surface

MARGIN_MM = 5.0
"""The lattice reaches this far beyond the bone. Our choice: a tip through the far cortex and its radius."""

INSIDE_NEAR_MM, INSIDE_FAR_MM = 1.0, 4.0
"""A fragment's inside is told by a field that is exact this near its surface and ends this far. Our choice:
only where it changes sign is asked."""

WAY_MM = 1.0
"""Step of the coarse lattice that tells what lies in a screw's way from outside. Our choice."""

WAY_MARGIN_MM = 3.0
"""That lattice reaches this far beyond all bones. Our choice."""

UNNAMED = re.compile(r"bone \d+")
"""How a segmentation calls a bone that nobody named."""

NAMES = ("outer", "joint", "others", "inside", "way")
"""The arrays that take time to make: what a cache keeps."""


@dataclass(frozen=True, eq=False)
class SearchSpace:
    """One bone made ready for a search.

    On ``grid``: ``distances_mm`` (i, j, k, 3) to the outer surface with every fracture face passed, to the
    joint surface (FAR_MM where there is none) and to other bones (positive outside them); ``matter``
    (i, j, k, n + 1) depth inside each of the n ``fragments``, and HU, NaN unknown. ``way_mm`` on
    ``way_grid``: depth inside any bone of the scan.
    """

    bone_name: str
    fragments: tuple[int, ...]
    has_joint: bool
    grid: Grid
    distances_mm: Field
    matter: Field
    way_grid: Grid
    way_mm: Field


def bone_to_search(prepared: PreparedBone, asked: str | None = None, planned: str | None = None) -> str:
    """The bone that a search is about: as asked, else the one that screws are planned in, else of those that
    a person named the one in most pieces, the largest of these.

    Raises InputError when there is no bone of that name, or several and none is named.
    """
    names = list(dict.fromkeys(fragment.bone for fragment in prepared.bone.fragments))
    if asked is not None:
        if asked not in names:
            raise InputError(f"there is no bone {asked!r} (there are {', '.join(names)}); name one of them")
        return asked
    if planned in names:
        return planned
    # What nobody named may be several bones that lie close, taken as one.
    named = names if len(names) == 1 else [name for name in names if not UNNAMED.fullmatch(name)]
    if not named:
        raise InputError(f"which bone? There are {', '.join(names)}; give --bone with one of them")

    def size(name: str) -> tuple[int, float]:
        own = [fragment for fragment in prepared.bone.fragments if fragment.bone == name]
        return len(own), sum(fragment.volume_mm3 for fragment in own)

    return max(named, key=size)


def search_space(
    prepared: PreparedBone,
    bone_name: str,
    kept: Mapping[str, npt.NDArray[np.generic]] | None = None,
    keep: Callable[[dict[str, npt.NDArray[np.generic]]], None] = lambda _: None,
) -> SearchSpace:
    """The space of a bone: its arrays NAMES taken from ``kept`` if they fit, else made and given to ``keep``.

    Takes one to ten seconds to make, by the bone's size.
    """
    own = prepared.fragments_of(bone_name)
    meshes = [prepared.meshes[number] for number in own]
    low = np.min([mesh.low_mm for mesh in meshes], axis=0)
    high = np.max([mesh.high_mm for mesh in meshes], axis=0)
    grid = grid_around(prepared.bone.ct.grid, low, high, MARGIN_MM)
    every = list(prepared.meshes.values())
    all_low = np.min([mesh.low_mm for mesh in every], axis=0)
    all_high = np.max([mesh.high_mm for mesh in every], axis=0)
    way_grid = grid_around(Grid((2, 2, 2), np.diag([WAY_MM] * 3 + [1.0])), all_low, all_high, WAY_MARGIN_MM)
    arrays = dict(kept or {})
    if not _fits(arrays, grid, way_grid):
        arrays = _made(prepared, bone_name, grid, way_grid)
        keep(arrays)
    distances = np.stack([arrays[name] for name in ("outer", "joint", "others")], axis=-1)
    hu = _hu(prepared, grid, own, arrays["inside"])
    return SearchSpace(
        bone_name,
        own,
        prepared.joint_of(bone_name) is not None,
        grid,
        np.ascontiguousarray(distances, np.float32),
        np.ascontiguousarray(np.concatenate([arrays["inside"], hu[..., None]], axis=-1), np.float32),
        way_grid,
        np.ascontiguousarray(arrays["way"], np.float32),
    )


def _fits(arrays: Mapping[str, npt.NDArray[np.generic]], grid: Grid, way_grid: Grid) -> bool:
    shapes = {name: way_grid.shape if name == "way" else grid.shape for name in NAMES}
    return all(name in arrays and arrays[name].shape[:3] == shape for name, shape in shapes.items())


def _made(
    prepared: PreparedBone, bone_name: str, grid: Grid, way_grid: Grid
) -> dict[str, npt.NDArray[np.generic]]:
    own = prepared.fragments_of(bone_name)
    each = np.stack(
        [distance_field(prepared.meshes[n], grid, near_mm=INSIDE_NEAR_MM, far_mm=INSIDE_FAR_MM) for n in own],
        axis=-1,
    )
    joint = prepared.joint_of(bone_name)
    others = _cropped([mesh for n, mesh in prepared.meshes.items() if n not in own], grid)
    return {
        "outer": distance_field(prepared.outer_surface(bone_name, own), grid),
        "joint": _constant(grid) if joint is None else distance_field(joint, grid, is_open=True),
        "others": _constant(grid)
        if others is None
        else -distance_field(others, grid, near_mm=NEAR_MM, far_mm=2 * NEAR_MM),
        "inside": each,
        "way": distance_field(
            joined(list(prepared.meshes.values()), _none_passed(prepared.meshes.values())),
            way_grid,
            near_mm=WAY_MM,
            far_mm=2 * WAY_MM,
        ),
    }


def _none_passed(meshes: Iterable[Mesh]) -> npt.NDArray[np.bool_]:
    return np.zeros(sum(len(mesh.faces) for mesh in meshes), np.bool_)


def _constant(grid: Grid) -> Field:
    return np.full(grid.shape, FAR_MM, np.float32)


def _cropped(meshes: list[Mesh], grid: Grid) -> Mesh | None:
    """The bones that reach into the lattice, as one surface; None where none does."""
    corners = grid.ijk_to_mm(np.array(list(np.ndindex(2, 2, 2))) * (np.array(grid.shape) - 1))
    low, high = corners.min(axis=0), corners.max(axis=0)
    near = [mesh for mesh in meshes if (mesh.high_mm > low).all() and (mesh.low_mm < high).all()]
    return joined(near, _none_passed(near)) if near else None


def _hu(prepared: PreparedBone, grid: Grid, own: tuple[int, ...], inside: npt.NDArray[np.generic]) -> Field:
    """HU at lattice points, as their fragment was scanned; NaN outside the scan, in metal, without data."""
    ct = prepared.bone.ct
    metal = any(removed.what == "metal" for removed in prepared.bone.segmentation.removed)
    if not any(moves(prepared.poses[number]) for number in own):
        hu = _window(ct, grid)
    else:
        hu = np.full(grid.shape, np.nan, np.float32)
        for index, number in enumerate(own):
            places = np.argwhere(np.argmax(inside, axis=-1) == index)
            points = carried(back_of(prepared.poses[number]), grid.ijk_to_mm(places))
            hu[tuple(places.T)] = hu_at(ct, points)
    hu[hu < NO_DATA_BELOW_HU] = np.nan
    if metal:
        hu[hu >= METAL_ABOVE_HU] = np.nan
    return hu


def _window(ct: CTVolume, grid: Grid) -> Field:
    """The CT's own voxels where the lattice meets them."""
    first = np.rint(ct.grid.mm_to_ijk(grid.ijk_to_mm([[0, 0, 0]]))[0]).astype(int)
    hu = np.full(grid.shape, np.nan, np.float32)
    low = np.maximum(first, 0)
    high = np.minimum(first + grid.shape, ct.grid.shape)
    if (high > low).all():
        into = tuple(slice(a, b) for a, b in zip(low - first, high - first, strict=True))
        hu[into] = ct.hu[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    return hu


def centre_mm(prepared: PreparedBone, bone_name: str) -> Floats:
    """(3,) centroid of the bone's volume, all fragments together (divergence theorem)."""
    total, moment = 0.0, np.zeros(3)
    for number in prepared.fragments_of(bone_name):
        mesh = prepared.meshes[number]
        a, b, c = (mesh.vertices_mm[mesh.faces[:, corner]] for corner in range(3))
        volume = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
        total += float(volume.sum())
        moment += (volume[:, None] * (a + b + c) / 4).sum(axis=0)
    return np.asarray(moment / total)


def surface_centre_mm(surface: Surface) -> Floats:
    """(3,) centroid of an open surface by area."""
    mesh = mesh_of(surface)
    corners = surface.vertices_mm[surface.faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return np.asarray((mesh.middles_mm * area[:, None]).sum(axis=0) / area.sum())
