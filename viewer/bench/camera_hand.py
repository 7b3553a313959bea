"""How the scene is looked at: turned, moved and drawn near by hand, or from a standing view.

The view is parallel, so that the scale bar holds everywhere in the picture's plane.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from planner.vocabulary import ScrewResult
from segmentation.vocabulary import Floats
from viewer.report.camera import Camera, camera_on, view_axes
from viewer.report.view_frame import PosedFragment, ScrewFrame

Standing = Literal["whole", "along", "across", "front"]

LARGEST_SCALE_PX = 60.0
"""A standing view is drawn no larger than this, px per mm: a small bone fills the scene (our choice)."""

SCALES_PX_PER_MM = (0.5, 400.0)
"""Farthest and nearest the scene may be drawn. Our choice."""


def standing(
    view: Standing,
    frame: ScrewFrame | None,
    screw: ScrewResult | None,
    fragments: Sequence[PosedFragment],
    size_px: tuple[float, float],
    fracture_normal: Floats | None = None,
) -> Camera:
    """The camera of a standing view; without a screw every view is from the front."""
    up, front = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    right = np.cross(up, front)
    if frame is not None and view == "whole":
        right, up = view_axes(frame)
    elif frame is not None and view == "along":
        right, up = frame.toward, frame.up
    elif frame is not None and view == "across":
        right, up = _across(frame, fracture_normal)
    shown = screw if view == "whole" else None
    return camera_on(right, up, fragments, shown, *size_px, largest_scale_px=LARGEST_SCALE_PX)


def _across(frame: ScrewFrame, normal: Floats | None) -> tuple[Floats, Floats]:
    """Looking along the fracture's plane, the screw from left to right; without a fracture, square to the
    screw."""
    if normal is None:
        return frame.along, frame.up
    toward = np.cross(normal, frame.up)
    size = np.linalg.norm(toward)
    toward = frame.toward if size == 0 else toward / size
    toward = toward * (1 if toward @ frame.toward >= 0 else -1)
    right = frame.along - (frame.along @ toward) * toward
    right = right / np.linalg.norm(right)
    return right, np.asarray(np.cross(toward, right))


def turned(camera: Camera, yaw_degree: float, pitch_degree: float) -> Camera:
    """The camera carried around its centre: to the right and upwards as a hand pulls the bone."""
    yaw, pitch = np.radians([yaw_degree, pitch_degree])
    toward = np.cos(yaw) * camera.toward - np.sin(yaw) * camera.right
    right = np.cos(yaw) * camera.right + np.sin(yaw) * camera.toward
    up = np.cos(pitch) * camera.up - np.sin(pitch) * toward
    right = right / np.linalg.norm(right)
    up = up - (up @ right) * right
    return replace(camera, right=right, up=up / np.linalg.norm(up))


def slid(camera: Camera, right_fraction: float, down_fraction: float) -> Camera:
    """The bone moved by shares of the picture's width and height."""
    step_mm = (
        np.array([right_fraction * camera.width_px, -down_fraction * camera.height_px]) / camera.scale_px
    )
    return replace(camera, centre_mm=camera.centre_mm - step_mm[0] * camera.right - step_mm[1] * camera.up)


def nearer(camera: Camera, by_ratio: float) -> Camera:
    """The scene drawn larger by ``by_ratio``."""
    low, high = SCALES_PX_PER_MM
    return replace(camera, scale_px=float(np.clip(camera.scale_px * by_ratio, low, high)))


def resized(camera: Camera, size_px: tuple[float, float]) -> Camera:
    """The same view in a picture of another size."""
    ratio = min(size_px[0] / camera.width_px, size_px[1] / camera.height_px)
    return replace(camera, width_px=size_px[0], height_px=size_px[1], scale_px=camera.scale_px * ratio)


def in_plane_mm(camera: Camera, x_fraction: float, y_fraction: float, at_mm: Floats) -> Floats:
    """(3,) the point over a place of the picture, in the plane through ``at_mm`` that faces the camera."""
    x = (x_fraction - 1 / 2) * camera.width_px / camera.scale_px
    y = (1 / 2 - y_fraction) * camera.height_px / camera.scale_px
    over = camera.centre_mm + x * camera.right + y * camera.up
    return np.asarray(over + ((at_mm - over) @ camera.toward) * camera.toward)
