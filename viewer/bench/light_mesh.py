"""Surfaces made light enough to be drawn while a hand moves; no number ever comes from one.

Vertices within one small box become their mean, so the surface moves by less than a box's edge (the edge of
a triangle of the light surface). Sharper ways cost seconds for 300 000 triangles; this one costs hundredths.
"""

from __future__ import annotations

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkFiltersCore import vtkBinnedDecimation

from segmentation.vocabulary import Floats, Ints

TRIANGLES_PER_BOX_RATIO = 2.0
"""A surface through a grid of boxes leaves about two triangles a box (Euler's relation for triangles)."""


def poly_data(vertices_mm: Floats, faces: Ints) -> vtkPolyData:
    """The surface as VTK holds it; single precision is enough to draw."""
    points = vtkPoints()
    points.SetData(numpy_to_vtk(np.asarray(vertices_mm, np.float32), deep=1))
    cells = vtkCellArray()
    cells.SetData(3, numpy_to_vtk(np.ascontiguousarray(faces, np.int32).ravel(), deep=1))
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    return data


def lightened(vertices_mm: Floats, faces: Ints, triangles_count: int) -> tuple[Floats, Ints]:
    """The surface with about ``triangles_count`` triangles; the same where it has no more than that."""
    if len(faces) <= triangles_count:
        return vertices_mm, faces
    a, b, c = (vertices_mm[faces[:, corner]] for corner in range(3))
    area_mm2 = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)
    box_mm = float(np.sqrt(area_mm2 * TRIANGLES_PER_BOX_RATIO / triangles_count))
    decimation = vtkBinnedDecimation()
    decimation.SetInputData(poly_data(vertices_mm, faces))
    decimation.SetPointGenerationModeToBinAverages()
    decimation.AutoAdjustNumberOfDivisionsOff()
    decimation.SetNumberOfDivisions(
        *(max(int(extent_mm / box_mm), 1) for extent_mm in np.ptp(vertices_mm, axis=0))
    )
    decimation.Update()
    light = decimation.GetOutput()
    return (
        np.asarray(vtk_to_numpy(light.GetPoints().GetData()), np.float64),
        np.asarray(vtk_to_numpy(light.GetPolys().GetConnectivityArray()).reshape(-1, 3), np.int32),
    )
