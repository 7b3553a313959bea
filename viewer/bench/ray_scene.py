"""The scene cast by rays on the CPU, as the report's picture is: for a machine without a graphics library."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from PIL import Image

from viewer.bench.light_bones import LightBones
from viewer.bench.shot import Shot
from viewer.report.scene_render import Scene, render


class RayScene:
    """Draws shots of one set of bones."""

    def __init__(self, bones: LightBones) -> None:
        self.bones = bones

    def picture(self, shot: Shot, fineness_ratio: float) -> npt.NDArray[np.uint8]:
        """(rows, columns, 3) the shot with so many pixels per CSS px along each edge, each cast once."""
        return render(self._scene(shot, fineness_ratio), quick=True).rgb

    def still(self, shot: Shot, finer_ratio: float, between: Callable[[], None]) -> npt.NDArray[np.uint8]:
        """(rows, columns, 3) in the device's pixels, cast with ``finer_ratio`` of them along each edge.

        ``between`` is called between the steps; what it raises ends the picture.
        """
        scene = self._scene(shot, shot.pixel_ratio * finer_ratio)
        between()
        image = Image.fromarray(render(scene, between).rgb)
        return np.asarray(image.resize(shot.size_px, Image.Resampling.BICUBIC))

    def _scene(self, shot: Shot, fineness_ratio: float) -> Scene:
        bones, hand = self.bones, shot.in_hand
        return Scene(
            None if hand is None else bones.seen(hand),
            shot.camera,
            bones.own_target(shot),
            bones.neighbour_target(shot),
            bones.joint_target(),
            others=[other for other in shot.shown if other is not hand],
            inks=shot.inks,
            pixels_per_px=fineness_ratio,
        )

    def close(self) -> None:
        """Nothing to give back."""
