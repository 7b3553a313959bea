"""Words for what a person asked for when a bone was taken from a CT: enough to take it so again.

What else ``segment`` is told stands in the bone itself: the CT, the host, the calibration, the edits and a
given joint surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Name = tuple[tuple[float, float, float], str, str | None]
"""A point inside a fragment (RAS+ mm), the fragment's name, and its bone's name or None."""


@dataclass(frozen=True, eq=False)
class Seed:
    """A point ``point_mm`` (3,) known to lie in the fragment ``name`` of ``bone``."""

    name: str
    bone: str
    point_mm: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        point = np.array(self.point_mm, np.float64)
        point.setflags(write=False)
        object.__setattr__(self, "point_mm", point)


@dataclass(frozen=True, eq=False)
class Asked:
    """What ``segment`` was asked for, each under the name of its argument; None where that was left open.

    ``labels`` are those given, uint8 of the CT's shape, before any edit. ``joint_given`` tells that the
    bone's joint surface was given and not found.
    """

    threshold_hu: float | None = None
    refine: bool | None = None
    keep_small: bool = False
    find_joints: bool = True
    joint_given: bool = False
    names: tuple[Name, ...] = ()
    seeds: tuple[Seed, ...] = ()
    labels: npt.NDArray[np.uint8] | None = None

    def __post_init__(self) -> None:
        plain = tuple(((float(x), float(y), float(z)), name, bone) for (x, y, z), name, bone in self.names)
        object.__setattr__(self, "names", plain)
        if self.labels is not None:
            self.labels.setflags(write=False)
