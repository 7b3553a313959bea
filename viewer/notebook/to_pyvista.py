"""Our meshes and volumes as PyVista's, point for point in patient millimetres (RAS+).

PyVista (MIT licence) is loaded here and nowhere else: it is what researchers draw and measure meshes with,
and nothing of ours is computed by it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from segmentation.errors import InputError
from segmentation.vocabulary import Bone, CTVolume, Surface

if TYPE_CHECKING:
    import pyvista


def converted(thing: Any) -> pyvista.DataObject:
    """``thing`` as PyVista's type. Raises InputError where it has none."""
    if isinstance(thing, Surface):
        return polydata(thing)
    if isinstance(thing, CTVolume):
        return image(thing)
    if isinstance(thing, Bone):
        return blocks(thing)
    raise InputError(f"only a Surface, a CTVolume or a Bone has a PyVista form (got {type(thing).__name__})")


def polydata(surface: Surface) -> pyvista.PolyData:
    """A mesh with the same points and triangles, in the same order."""
    import pyvista

    mesh: pyvista.PolyData = pyvista.PolyData.from_regular_faces(
        np.array(surface.vertices_mm), np.array(surface.faces, dtype=int)
    )
    return mesh


def image(ct: CTVolume) -> pyvista.ImageData:
    """A volume whose points are the voxels' centres, with ``hu`` at each.

    An affine that is no turned box of right angles cannot be held by ImageData and raises InputError.
    """
    import pyvista

    affine = ct.grid.affine
    spacing_mm = np.linalg.norm(affine[:3, :3], axis=0)
    direction = affine[:3, :3] / spacing_mm
    if not np.allclose(direction.T @ direction, np.eye(3), atol=1e-6):
        raise InputError(
            "the scan's axes are not square to each other: resample it before drawing it as a volume"
        )
    grid = pyvista.ImageData(dimensions=ct.grid.shape, spacing=tuple(spacing_mm), origin=tuple(affine[:3, 3]))
    grid.direction_matrix = direction
    grid.point_data["hu"] = np.asarray(ct.hu).ravel(order="F")
    return grid


def blocks(bone: Bone) -> pyvista.MultiBlock:
    """The fragments by name, as scanned, each with its ``pose`` (4 × 4, to reduced mm), and the ``joint``."""
    import pyvista

    found = pyvista.MultiBlock()
    for fragment in bone.fragments:
        mesh = polydata(fragment.surface)
        mesh.field_data["pose"] = np.array(fragment.pose)
        found[fragment.name] = mesh
    if bone.joint is not None:
        found["joint"] = polydata(bone.joint)
    return found
