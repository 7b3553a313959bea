"""The process that draws the scene: reads shots, draws the newest, sends pictures back.

While shots keep coming each is drawn quickly, the newest at a time and at most MOVING_RATE_COUNT a second;
when none has come for STILL_AFTER_S the last is drawn once more, finer. All drawing is done by the one
thread there is. The process ends when its pipe does, so it cannot outlive the server, however that ends.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt
from PIL import Image

from viewer.bench.shot import LARGEST_PIXELS_COUNT, Bones, Shot

MOVING_RATE_COUNT = 12
"""Pictures a second while moving, at most: more would take the cores from the numbers. Our choice, from the
measured 10 to 15."""

STILL_AFTER_S, SETTLED_S = 0.25, 0.1
"""The still picture is made when no shot has come for so long (the page's design); sooner when the last one
was of a hand that has let go."""

MOVING_S, STILL_S = 0.12, 0.6
"""A picture should take no longer; where it would, it is drawn coarser and enlarged by the page. Our choice:
8 pictures a second, and a hand that begins to move again waits no longer than that."""

RAYS_STILL_S = 2.0
"""The same for a still picture cast by rays, which can be broken off. Our choice."""

MOVING_FRACTION = (1.0, 0.75, 0.5)
"""How coarse a moving picture may be: its pixels per device pixel along each edge. Our choice."""

STILL_RATIO = (2.0, 1.5, 1.0)
"""How fine a still picture may be drawn before it is brought down to the device's pixels."""

RAYS_MOVING_FRACTION = (0.5, 0.35, 0.25)
"""Pixels per CSS px of a moving picture cast by rays. Our choice, by measured times."""

RAYS_STILL_FRACTION = (1.0, 0.75, 0.5, 0.35)
"""How fine a still picture cast by rays may be: its pixels per device pixel."""

QUALITY_MOVING, QUALITY_STILL = 78, 90
"""JPEG qualities. Our choice."""

NICENESS = 3
"""The numbers come first where cores are few. Our choice: about half their share."""

Kind = Literal["moving", "still"]

NEWEST_FRACTION = 0.5
"""Weight of the newest picture in what the next one is expected to take. Our choice."""

REMEMBERED_FRACTION: dict[Kind, float] = {"moving": 0.99, "still": 0.8}
"""What a picture of another fineness took counts so much less with each picture, so that a fineness given up
while the machine was busy is tried again. Our choice: after seconds of moving, after a few still ones."""

KIND_SCENE = b"\x01"
"""First byte of a message to the page: a JPEG of the scene. Seven bytes of the shot's number follow."""

Told = tuple[Literal["gl"], bool] | tuple[Literal["picture"], bytes]
"""What the process sends: whether the graphics library works; a picture."""


class Overtaken(Exception):  # noqa: N818  (nothing went wrong)
    """A newer shot has come."""


class Drawing(Protocol):
    """A way to draw; ``viewer.bench.gl_scene`` and ``viewer.bench.ray_scene`` have one each."""

    def picture(self, shot: Shot, fineness_ratio: float) -> npt.NDArray[np.uint8]:
        """(rows, columns, 3) the shot, with so many pixels per CSS px along each edge."""

    def still(self, shot: Shot, finer_ratio: float, between: Callable[[], None]) -> npt.NDArray[np.uint8]:
        """(rows, columns, 3) in the device's pixels, ``finer_ratio`` as fine; ``between`` may end it."""

    def close(self) -> None:
        """Give everything back."""


def run(connection: Connection, gl: bool) -> None:
    """Draw until the other end of ``connection`` is closed. ``gl``: try the graphics library."""
    # Ctrl-C in the terminal is for the server; this process ends by its pipe.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(AttributeError, OSError):
        os.nice(NICENESS)
    with contextlib.suppress(EOFError, OSError):
        works = gl and gl_works()
        connection.send(("gl", works))
        _Painting(connection, works).go_on()


def gl_works() -> bool:
    """Whether the graphics library draws. Where it is broken, asking may end the process."""
    if not os.environ.get("DISPLAY"):
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    try:
        from vtkmodules.vtkCommonCore import vtkObject

        from viewer.bench.gl_scene import works
    except ImportError:
        return False
    # What the library has to complain about is not for the terminal; the picture is looked at instead.
    vtkObject.GlobalWarningDisplayOff()
    return works()


@dataclass
class _Painting:
    connection: Connection
    gl: bool
    drawing: Drawing | None = None
    waiting: Shot | None = None
    still: Shot | None = None
    moving_at_s: float = 0.0
    still_at_s: float = 0.0
    fresh: bool = True
    took_s: dict[tuple[Kind, float], float] = field(default_factory=dict)

    def go_on(self) -> None:
        """Read and draw until told to end."""
        while True:
            if self.connection.poll(self._pause_s()):
                self._read()
            if self._pause_s() != 0:
                continue
            if self.waiting is not None:
                self._draw_moving(self.waiting)
            elif self.still is not None:
                self._draw_still(self.still)

    def _pause_s(self) -> float | None:
        """How long there is nothing to draw; None for ever."""
        if self.drawing is None or (self.waiting is None and self.still is None):
            return None
        due_s = self.still_at_s if self.waiting is None else self.moving_at_s
        return max(due_s - time.monotonic(), 0.0)

    def _read(self) -> None:
        """Take all that has come; of shots the newest."""
        while self.connection.poll(0):
            message = self.connection.recv()
            if message is None:
                raise EOFError
            if isinstance(message, Bones):
                self._make(message)
            else:
                self.waiting = self.still = message
                self.still_at_s = time.monotonic() + (STILL_AFTER_S if message.moving else SETTLED_S)

    def _make(self, bones: Bones) -> None:
        from viewer.bench.light_bones import LightBones

        if self.drawing is not None:
            self.drawing.close()
        self.fresh = True
        light = LightBones(bones)
        if self.gl:
            from viewer.bench.gl_scene import GLScene

            self.drawing = GLScene(light)
        else:
            from viewer.bench.ray_scene import RayScene

            self.drawing = RayScene(light)

    def _draw_moving(self, shot: Shot) -> None:
        self.waiting = None
        began_s = time.monotonic()
        self.moving_at_s = began_s + 1 / MOVING_RATE_COUNT
        shares: tuple[float, ...] = MOVING_FRACTION
        if not self.gl:
            shares = tuple(share / shot.pixel_ratio for share in RAYS_MOVING_FRACTION)
        share = self._share(shot, "moving", shares, MOVING_S)
        assert self.drawing is not None
        pixels = self.drawing.picture(shot, shot.pixel_ratio * share)
        self._learn("moving", share, began_s)
        self._send(shot, pixels, QUALITY_MOVING)

    def _draw_still(self, shot: Shot) -> None:
        shares, longest_s = (STILL_RATIO, STILL_S) if self.gl else (RAYS_STILL_FRACTION, RAYS_STILL_S)
        share = self._share(shot, "still", shares, longest_s)
        began_s = time.monotonic()
        assert self.drawing is not None
        try:
            pixels = self.drawing.still(shot, share, self._check)
        except Overtaken:
            return
        self.still = None
        self._learn("still", share, began_s)
        self._send(shot, pixels, QUALITY_STILL)

    def _learn(self, kind: Kind, finer_ratio: float, began_s: float) -> None:
        """Remember what a picture took at its fineness, and trust less what is known of the others."""
        if self.fresh:
            # The first one also made ready what all use.
            self.fresh = False
            return
        for place in self.took_s:
            if place[0] == kind:
                self.took_s[place] *= REMEMBERED_FRACTION[kind]
        took_s = time.monotonic() - began_s
        before_s = self.took_s.get((kind, finer_ratio), took_s)
        self.took_s[kind, finer_ratio] = before_s + NEWEST_FRACTION * (took_s - before_s)

    def _check(self) -> None:
        if self.connection.poll(0):
            raise Overtaken

    def _share(self, shot: Shot, kind: Kind, shares: tuple[float, ...], longest_s: float) -> float:
        """The finest share that does not take longer, by what the last pictures took.

        One not tried for long is tried again: a finer picture takes longer, but nobody knows how much.
        """
        columns, rows = shot.size_px
        for share in shares[:-1]:
            took_s = self.took_s.get((kind, share), 0.0)
            if took_s <= longest_s and columns * rows * share**2 <= LARGEST_PIXELS_COUNT:
                return share
        return shares[-1]

    def _send(self, shot: Shot, pixels: npt.NDArray[np.uint8], quality: int) -> None:
        file = io.BytesIO()
        # Thin lines in colour lose theirs when colour is kept at half the fineness.
        subsampling = 0 if quality == QUALITY_STILL else 2
        image = Image.fromarray(np.ascontiguousarray(pixels))
        image.save(file, "JPEG", quality=quality, subsampling=subsampling)
        self.connection.send(("picture", KIND_SCENE + shot.number.to_bytes(7, "big") + file.getvalue()))
