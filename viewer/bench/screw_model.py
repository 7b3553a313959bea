"""A screw to be moved about: made once for its family and length, then only placed and coloured.

Steel, teeth in the ink of the fragment they bite in, and what is out of the bone in alarm, as in the report.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.solid import solid_of
from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats, Ints
from viewer.bench.light_bones import SeenScrew
from viewer.report.ray_target import vertex_normals
from viewer.report.scene_inks import SceneInks
from viewer.report.scene_render import BITE_STEP_MM
from viewer.report.screw_mesh import screw_mesh
from viewer.report.thread_teeth import radius_mm
from viewer.report.tokens import rgb_fraction
from viewer.report.view_frame import squared_up

UP = np.array([0.0, 0.0, 1.0])
"""The axis of a model, head to tip; its datum plane is at the origin."""

TOOTH_FROM_MM, TOOTH_OVER_MM = 0.05, 0.15
"""A tooth's ink begins this far above the core, and is full so much farther (as in the report)."""

MODELS_COUNT = 8
"""Models kept. Our choice: those of a plan; one of a long screw takes 7 MB."""


@dataclass(frozen=True, eq=False)
class ScrewModel:
    """(n, 3) vertices and normals, (m, 3) faces, and per vertex its height and how much of a tooth it is."""

    vertices_mm: Floats
    normals: Floats
    faces: Ints
    heights_mm: Floats
    tooth: Floats


def model_of(result: ScrewResult) -> ScrewModel:
    """The model of a placed screw."""
    key = (result.placed.screw, result.placed.length_mm)
    if key not in _models:
        if len(_models) >= MODELS_COUNT:
            _models.clear()
        _models[key] = _made(result)
    return _models[key]


_models: dict[object, ScrewModel] = {}


def _made(result: ScrewResult) -> ScrewModel:
    at_origin = replace(
        result,
        entry_mm=np.zeros(3),
        direction=UP,
        placed=replace(result.placed, seat_depth_mm=0.0),
    )
    vertices_mm, faces = screw_mesh(at_origin)
    solid = solid_of(result.placed.screw, result.placed.length_mm)
    heights_mm = vertices_mm[:, 2]
    above_core_mm = np.hypot(vertices_mm[:, 0], vertices_mm[:, 1]) - radius_mm(
        solid.core_outline_mm, heights_mm
    )
    tooth = np.clip((above_core_mm - TOOTH_FROM_MM) / TOOTH_OVER_MM, 0, 1)
    return ScrewModel(vertices_mm, vertex_normals(vertices_mm, faces), faces, heights_mm, tooth)


def placing(result: ScrewResult) -> Floats:
    """(4, 4) from the model to where the screw lies, so that its thread lies as ``screw_mesh`` puts it."""
    along = np.asarray(result.direction, float)
    there, here = _spokes(along), _spokes(UP)
    matrix = np.eye(4)
    matrix[:3, :3] = there @ here.T
    matrix[:3, 3] = result.entry_mm + result.placed.seat_depth_mm * along
    return matrix


def _spokes(along: Floats) -> Floats:
    up = squared_up(along)
    return np.column_stack([up, np.cross(along, up), along])


def colours(model: ScrewModel, seen: SeenScrew | None, inks: SceneInks) -> npt.NDArray[np.uint8]:
    """(n, 3) the vertices' colours; plain steel where the screw is not the one in hand."""
    steel = np.array(rgb_fraction(inks.steel))
    base = np.tile(steel, (len(model.heights_mm), 1))
    if seen is not None:
        place = ((model.heights_mm - seen.solid.top_mm) / BITE_STEP_MM).astype(int)
        bitten = seen.bites[np.clip(place, 0, len(seen.bites) - 1)]
        table = np.array([steel] + [rgb_fraction(inks.fragment(n)) for n in range(1, int(bitten.max()) + 1)])
        tint = (model.tooth * (bitten > 0))[:, None]
        base = base * (1 - tint) + np.clip(table[bitten] * 1.05, 0, 1) * tint
        if seen.alarm_past_exit:
            base[model.heights_mm + seen.seat_mm > seen.exit_depth_mm] = rgb_fraction(inks.alarm)
    return np.asarray(np.rint(base * 255), np.uint8)
