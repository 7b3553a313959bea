"""Makes a demo: a CT of a bone from formulas, a plan for it, and the exact truth beside them.

``make_demo("scaphoid-waist")`` is the whole of it. The same name, settings and seed give the same bytes.
``seed`` turns the patient in the scanner, and changes texture, bumps, fracture waves and noise;
``side="left"`` mirrors all but the noise.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from demo_volumes import ankle, displaced, foam, hip, shaft, shoulder, wrist
from demo_volumes.pieces import where_scanned
from demo_volumes.scanner import centred_grid, scan
from demo_volumes.scene import Scene
from demo_volumes.surface_points import joint_surface, onto_surface, outer_surface
from demo_volumes.truth_document import plan_document, truth_document
from segmentation.errors import InputError
from segmentation.vocabulary import CTVolume, Grid, Surface

TUBE_VOLTAGE_KV = 120.0
"""The voltage that the bones' calibration belongs to."""

MIRROR = np.diag([-1.0, 1.0, 1.0])
"""Left from right."""

LIMITS = {
    "voxel_mm": (0.15, 2.0),
    "fwhm_mm": (0.2, 4.0),
    "noise_hu": (0.0, 500.0),
    "gap_mm": (0.0, 5.0),
    "cortex_mm": (0.0, 8.0),
    "density_mg_cm3": (20.0, 1500.0),
}
"""Lowest and highest value of each setting. Our choice: beyond them no scanner or bone lies."""

WALL_DEPTH_MM = 0.6
"""Where the wall is looked at under the surface. Our choice: inside the thinnest default cortex."""

Bright = npt.NDArray[np.bool_]
"""Which voxels lie above the level."""

Builder = Callable[[np.random.Generator, float, float | None, float | None], Scene]


@dataclass(frozen=True)
class _Recipe:
    """How a demo is built, and its settings where none are given."""

    title: str
    build: Builder
    voxel_mm: float
    fwhm_mm: float
    noise_hu: float
    gap_mm: float
    tilt_degree: float
    """The patient's random tilt in the scanner, at most, about each axis."""
    has_fracture: bool = True
    refine: bool = False
    """Whether surfaces at the low level lie too far out for what is to be found, as those of displaced
    fragments do."""


RECIPES = {
    "scaphoid-waist": _Recipe(wrist.TITLE, wrist.scaphoid_waist, 0.4, 0.5, 14.0, 0.7, 14.0),
    "wrist-unequal-joints": _Recipe(
        wrist.UNEQUAL_TITLE, wrist.wrist_unequal_joints, 0.4, 0.5, 14.0, 0.7, 14.0
    ),
    "malleolus-oblique": _Recipe(ankle.TITLE, ankle.malleolus_oblique, 0.5, 0.6, 14.0, 1.2, 9.0),
    "diaphysis": _Recipe(shaft.TITLE, shaft.diaphysis, 0.5, 0.6, 14.0, 0.8, 10.0),
    "displaced-shaft-end": _Recipe(displaced.TITLE, displaced.displaced_shaft_end, 0.5, 0.6, 14.0, 2.0, 10.0),
    "ball-and-socket": _Recipe(
        hip.TITLE, hip.ball_and_socket, 0.7, 0.8, 14.0, hip.SPACE_MM, 8.0, refine=True
    ),
    "humerus-four-parts": _Recipe(shoulder.TITLE, shoulder.humerus_four_parts, 0.5, 0.6, 14.0, 1.3, 10.0),
    "foam-block": _Recipe(foam.TITLE, foam.foam_block, 0.5, 0.6, 12.0, 0.0, 12.0, has_fracture=False),
}
"""Every demo by name."""


@dataclass(frozen=True, eq=False)
class DemoCase:
    """A demo: the CT, documents of plan and truth, what the segmentation should be told, and the joint
    surface.

    ``labels`` is None: the pieces are apart in the grey values, unless a gap was asked for that is too narrow
    for the blur (then the broken bone is one piece, with one name). ``segment_options`` holds
    ``threshold_hu``, ``calibration`` (slope, intercept), ``host``, ``refine`` and ``names``: (point in mm,
    fragment, bone) for each piece. ``scene`` holds the formulas in anatomical mm, and ``placement`` (3, 3)
    turns those into patient mm: with both, any truth can be asked.
    """

    name: str
    ct: CTVolume
    plan: dict[str, Any]
    truth: dict[str, Any]
    segment_options: dict[str, Any]
    scene: Scene
    placement: npt.NDArray[np.float64]
    joint: Surface | None = None
    labels: npt.NDArray[np.uint8] | None = None
    names: tuple[str, ...] = ()


def demo_names() -> dict[str, str]:
    """Each demo's name and what it shows, in a sentence."""
    return {name: recipe.title for name, recipe in RECIPES.items()}


def make_demo(
    name: str,
    *,
    seed: int = 1,
    side: Literal["right", "left"] = "right",
    voxel_mm: float | None = None,
    fwhm_mm: float | None = None,
    noise_hu: float | None = None,
    gap_mm: float | None = None,
    cortex_mm: float | None = None,
    density_mg_cm3: float | None = None,
) -> DemoCase:
    """The demo of that name. A setting left out takes the demo's own.

    ``gap_mm`` 0 leaves the bone whole; of a displaced fracture it is the least distance as scanned, of
    ``ball-and-socket`` the joint space. ``density_mg_cm3`` is that of what the screw holds in: cortex
    (diaphysis), cancellous bone or foam. Raises InputError for an unknown name or a setting out of its
    limits.
    """
    recipe = _checked(name, seed, side)
    settings = _settings(
        recipe,
        {
            "voxel_mm": voxel_mm,
            "fwhm_mm": fwhm_mm,
            "noise_hu": noise_hu,
            "gap_mm": gap_mm,
            "cortex_mm": cortex_mm,
            "density_mg_cm3": density_mg_cm3,
        },
    )
    anatomy, pose, grain = (np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(3))
    scene = recipe.build(
        anatomy, settings["gap_mm"] or 0.0, settings["cortex_mm"], settings["density_mg_cm3"]
    )
    placement = _turn(pose.uniform(-recipe.tilt_degree, recipe.tilt_degree, 3))
    if side == "left":
        placement = MIRROR @ placement
    grid = centred_grid(scene.size_mm, (settings["voxel_mm"],) * 3)
    hu = scan(scene, placement, grid, (settings["fwhm_mm"],) * 3, settings["noise_hu"], grain)
    joint = joint_surface(scene)
    told = {"demo": name, "seed": seed, "side": side, **settings}
    truth = truth_document(scene, placement, joint, told)
    return DemoCase(
        name=name,
        ct=CTVolume(grid, hu, hashlib.sha256(hu.tobytes()).hexdigest(), TUBE_VOLTAGE_KV),
        plan=plan_document(scene, placement),
        truth=truth,
        segment_options={
            "threshold_hu": scene.level_hu,
            "calibration": (scene.slope_mg_cm3_per_hu, scene.intercept_mg_cm3),
            "host": scene.host,
            "refine": recipe.refine or scene.displaced is not None,
            "names": _names(scene, placement, truth["fragments"], grid, hu > scene.level_hu),
        },
        scene=scene,
        placement=placement,
        joint=None if joint is None else _placed(joint, placement),
        names=tuple(f["name"] for f in truth["fragments"]),
    )


def _checked(name: str, seed: int, side: str) -> _Recipe:
    if name not in RECIPES:
        raise InputError(f"there is no demo named '{name}': take one of {', '.join(RECIPES)}")
    if side not in ("right", "left"):
        raise InputError(f"side must be right or left (got '{side}')")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise InputError(f"seed must be a whole number from 0 up (got {seed}): any will do")
    return RECIPES[name]


def _settings(recipe: _Recipe, given: dict[str, float | None]) -> dict[str, Any]:
    """Every setting, checked, the recipe's own where none was given."""
    faults = []
    for key, value in given.items():
        low, high = LIMITS[key]
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            faults.append(f"{key} must be from {low:g} to {high:g} (got {value:g})")
    if given["gap_mm"] and not recipe.has_fracture:
        faults.append(f"gap_mm must be left out: this demo has no fracture (got {given['gap_mm']:g})")
    if faults:
        raise InputError("; ".join(faults))
    own = {
        "voxel_mm": recipe.voxel_mm,
        "fwhm_mm": recipe.fwhm_mm,
        "noise_hu": recipe.noise_hu,
        "gap_mm": recipe.gap_mm,
    }
    return {key: own.get(key) if value is None else float(value) for key, value in given.items()}


def _names(
    scene: Scene,
    placement: npt.NDArray[np.float64],
    fragments: list[dict[str, Any]],
    grid: Grid,
    bright: Bright,
) -> list[tuple[tuple[float, ...], str, str]]:
    """(point in mm, fragment, bone) for each piece that is one at the level.

    A gap too narrow for the blur closes: its bone is then one piece, named after the bone.
    """
    names = [(tuple(one["inside_mm"]), one["name"], one["bone"]) for one in fragments]
    if _is_open(scene, placement, grid, bright):
        return names
    broken = scene.bones[0].name
    own = next(point for point, _, bone in names if bone == broken)
    return [(own, broken, broken), *(one for one in names if one[2] != broken)]


def _is_open(scene: Scene, placement: npt.NDArray[np.float64], grid: Grid, bright: Bright) -> bool:
    """Whether most of the wall of each fragment is another component than that of every other one."""
    bone = scene.bones[0]
    if bone.fracture is None:
        return True
    half = np.array(scene.size_mm) / 2
    on_surface, outward = onto_surface(bone.outside, outer_surface(bone, -half, half).vertices_mm)
    wall = on_surface - WALL_DEPTH_MM * outward
    components, _ = ndimage.label(bright)
    found = []
    for number, name in enumerate(bone.fragment_names):
        own = wall[bone.between_faces(number)(*wall.T) < -bone.fracture.gap_mm / 2]
        index = grid.mm_to_ijk(where_scanned(scene, name, own) @ placement.T).round().astype(int)
        seen = ((index >= 0) & (index < grid.shape)).all(axis=1)
        pieces = components[tuple(index[seen].T)]
        found.append(int(np.bincount(pieces[pieces > 0], minlength=1).argmax()))
    return len(set(found)) == len(found)


def _turn(angles_degree: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """(3, 3) turn about x, then y, then z."""
    (cx, cy, cz), (sx, sy, sz) = np.cos(np.radians(angles_degree)), np.sin(np.radians(angles_degree))
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
    return np.asarray(about_z @ about_y @ about_x)


def _placed(surface: Surface, placement: npt.NDArray[np.float64]) -> Surface:
    """The surface in patient mm, still facing outward when mirrored."""
    faces = surface.faces if np.linalg.det(placement) > 0 else surface.faces[:, ::-1]
    return Surface(surface.vertices_mm @ placement.T, faces)
