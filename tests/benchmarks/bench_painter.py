"""How long a picture of the bench's scene takes: by the graphics library and by rays, moving and still.

Two balls as one broken bone of 41 000 and of 655 000 triangles, and a neighbour, one screw, 1060 × 460 CSS px
at one and at two device pixels. Prints ms on the clock and of the processor (all its threads), medians of
ROUNDS_COUNT, and the memory of the process at the end.
"""

from __future__ import annotations

import os
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from typing import cast

import numpy as np
import trimesh

from planner.catalogue import built_in_screws
from planner.vocabulary import Clearance, PathProfile, PlacedScrew, ScrewResult
from viewer.bench.camera_hand import turned
from viewer.bench.light_bones import LightBones
from viewer.bench.painter_process import Drawing, gl_works
from viewer.bench.ray_scene import RayScene
from viewer.bench.shot import Bones, Shot
from viewer.report.camera import Camera
from viewer.report.view_frame import PosedFragment

ROUNDS_COUNT = 7
SIZE_PX = (1060.0, 460.0)


def main() -> None:
    """Print the table."""
    drawings: list[tuple[str, Callable[[LightBones], Drawing]]] = [("rays", RayScene)]
    if gl_works():
        from viewer.bench.gl_scene import GLScene

        drawings.insert(0, ("graphics library", GLScene))
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    for subdivisions in (5, 7):
        bones = _bones(subdivisions)
        count = sum(len(one.faces) for one in bones.fragments if one.bone == "bone")
        light = LightBones(bones)
        for name, make in drawings:
            drawing = make(light)
            for ratio in (1.0, 2.0):
                shot = replace(_shot(), pixel_ratio=ratio)
                fine = ratio if name != "rays" else 0.35
                _tell(
                    f"{count} triangles, {name}, ratio {ratio:g}, moving",
                    lambda n, s=shot, d=drawing, f=fine: d.picture(_turned(s, n), f),
                )
                _tell(
                    f"{count} triangles, {name}, ratio {ratio:g}, still",
                    lambda n, s=shot, d=drawing: d.still(_turned(s, n), 1.0, lambda: None),
                )
    print(f"memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at most")


def _bones(subdivisions: int) -> Bones:
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=10.0)
    places = (("left", "bone", 1, -10.5), ("right", "bone", 2, 10.5), ("beside", "beside", 1, 32.0))
    return Bones(
        tuple(
            PosedFragment(
                number,
                rank,
                name,
                bone,
                ball.vertices + np.array([x, 0, 0]),
                np.asarray(ball.faces, np.int32),
                np.eye(4),
            )
            for number, (name, bone, rank, x) in enumerate(places, 1)
        ),
        None,
    )


def _shot() -> Shot:
    entry_mm, along = np.array([-20.0, 0, 0]), np.array([1.0, 0, 0])
    screw = built_in_screws()["headless-two-pitch-3.0-3.9"]
    placed = PlacedScrew("S1", screw, 28.0, entry_mm, entry_mm + 30 * along, seat_depth_mm=2.0)
    tip_mm, exit_mm = entry_mm + 30 * along, entry_mm + 41 * along
    nowhere, unasked = Clearance(None, None), cast(PathProfile, None)
    result = ScrewResult(
        *(placed, 28.0, "bone", 41.0, entry_mm, exit_mm, along, tip_mm, 30.0, None, {}, (), ()),
        *(nowhere, nowhere, nowhere, unasked, None, None, 0.0),
    )
    camera = Camera(np.zeros(3), along, np.array([0.0, 0, 1]), 16.0, *SIZE_PX)
    nothing: frozenset[str] = frozenset()
    screws = (result,)
    return Shot(1, camera, screws, 0, "bone", nothing, frozenset(), True, 1.0, False, True)


def _turned(shot: Shot, place: int) -> Shot:
    return replace(shot, camera=turned(shot.camera, 2.0 * place, 1.0))


def _tell(what: str, draw: Callable[[int], object]) -> None:
    draw(0)
    clock, processor = [], []
    for place in range(ROUNDS_COUNT):
        began, began_cpu = time.perf_counter(), time.process_time()
        draw(place)
        clock.append(time.perf_counter() - began)
        processor.append(time.process_time() - began_cpu)
    print(f"{what:<60} {1e3 * np.median(clock):6.0f} ms   processor {1e3 * np.median(processor):6.0f} ms")


if __name__ == "__main__":
    main()
