"""One flat cut through a scan that is not a bone yet, with the line at which bone would begin.

Seen as radiologists hang them (common practice), across the scan's whole width, and drawn nearer by hand.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy.ndimage import map_coordinates
from skimage.measure import find_contours

from segmentation.vocabulary import NO_DATA_BELOW_HU, Floats, Grid, Host
from viewer.report.drawing import element, line, outline, path, rect, text
from viewer.report.overlay import VIEWS, body_letters
from viewer.report.section import WINDOWS_HU
from viewer.report.tokens import CT_CASE, CT_INK

STEP_PX = 1.5
"""Screen pixels between samples of the picture. Our choice: a cut is answered within a frame or two."""

FEWEST_POINTS_COUNT = 12
"""Shorter lines are specks of noise and left out. Our choice."""

QUALITY = 88
"""Of the JPEG. Our choice."""

NEARNESS_RATIO = (1.0, 30.0)
"""Smallest and largest enlargement over the whole scan. Our choice."""

NICE_MM = (1, 2, 5, 10, 20, 50, 100, 200)
"""Lengths of the scale bar."""


@dataclass(frozen=True, eq=False)
class Cut:
    """Which plane is seen, how near, and in what size of picture. ``at_fraction`` goes through the scan."""

    view: int = 0
    at_fraction: float = 0.5
    nearness_ratio: float = 1.0
    centre_fraction: tuple[float, float] = (0.5, 0.5)
    size_px: tuple[float, float] = (900.0, 420.0)

    def nearer(self, by_ratio: float) -> Cut:
        """Enlarged by ``by_ratio``."""
        low, high = NEARNESS_RATIO
        return replace(self, nearness_ratio=float(np.clip(self.nearness_ratio * by_ratio, low, high)))


@dataclass(frozen=True, eq=False)
class Planes:
    """Where the cuts through a grid lie: its box along the body's directions."""

    grid: Grid
    low_mm: Floats = field(init=False)
    high_mm: Floats = field(init=False)

    def __post_init__(self) -> None:
        corners = np.array(np.meshgrid(*[(0, size - 1) for size in self.grid.shape])).reshape(3, -1).T
        points = self.grid.ijk_to_mm(corners)
        object.__setattr__(self, "low_mm", points.min(axis=0))
        object.__setattr__(self, "high_mm", points.max(axis=0))

    def axes(self, cut: Cut) -> tuple[Floats, Floats, Floats]:
        """Right, up, and the normal a turned page goes along."""
        _, _, right, up, _ = VIEWS[cut.view]
        normal = np.abs(np.cross(right, up))
        return right, up, normal

    def page_fraction(self, cut: Cut) -> float:
        """The share of the scan that one slice takes along the cut's normal."""
        _, _, normal = self.axes(cut)
        spacing_mm = float((np.abs(self.grid.affine[:3, :3]).T @ normal).max())
        return spacing_mm / max(float((self.high_mm - self.low_mm) @ normal), spacing_mm)

    def depth_mm(self, cut: Cut) -> float:
        """Where the cut lies along its normal, in RAS+ mm."""
        _, _, normal = self.axes(cut)
        return float((self.low_mm + cut.at_fraction * (self.high_mm - self.low_mm)) @ normal)

    def slid(self, cut: Cut, right_fraction: float, down_fraction: float) -> Cut:
        """The picture moved by shares of its width and height."""
        right, up, _ = self.axes(cut)
        size_mm = self.high_mm - self.low_mm
        width_mm, height_mm = (max(float(np.abs(way) @ size_mm), 1.0) for way in (right, up))
        scale = self.scale_px(cut)
        x, y = cut.centre_fraction
        x -= right_fraction * cut.size_px[0] / scale / width_mm
        y += down_fraction * cut.size_px[1] / scale / height_mm
        return replace(cut, centre_fraction=(min(max(x, 0.0), 1.0), min(max(y, 0.0), 1.0)))

    def scale_px(self, cut: Cut) -> float:
        """Pixels per mm."""
        right, up, _ = self.axes(cut)
        size_mm = self.high_mm - self.low_mm
        width_mm, height_mm = float(np.abs(right) @ size_mm), float(np.abs(up) @ size_mm)
        return cut.nearness_ratio * min(cut.size_px[0] / max(width_mm, 1), cut.size_px[1] / max(height_mm, 1))

    def points_mm(self, cut: Cut, step_px: float) -> Floats:
        """(rows, columns, 3) RAS+ mm of the picture's samples, row 0 at the top."""
        right, up, normal = self.axes(cut)
        scale = self.scale_px(cut)
        centre = self.low_mm + (self.high_mm - self.low_mm) / 2
        size_mm = self.high_mm - self.low_mm
        centre = centre + (cut.centre_fraction[0] - 0.5) * float(np.abs(right) @ size_mm) * right
        centre = centre + (cut.centre_fraction[1] - 0.5) * float(np.abs(up) @ size_mm) * up
        centre = centre + (self.depth_mm(cut) - centre @ normal) * normal
        across = (np.arange(step_px / 2, cut.size_px[0], step_px) - cut.size_px[0] / 2) / scale
        down = (np.arange(step_px / 2, cut.size_px[1], step_px) - cut.size_px[1] / 2) / scale
        X, Y = np.meshgrid(across, -down)
        return np.asarray(centre + X[..., None] * right + Y[..., None] * up)


def cut_svg(
    hu: npt.NDArray[np.generic], planes: Planes, cut: Cut, level_hu: float | None, host: Host
) -> tuple[str, str]:
    """The cut as SVG content, and the words under it."""
    values = _values(hu, planes, cut)
    width, height = cut.size_px
    drawn = rect(0, 0, width, height, CT_CASE)
    drawn += element(
        "image",
        href=_jpeg_uri(values, host),
        x=0.0,
        y=0.0,
        width=width,
        height=height,
        preserveAspectRatio="none",
    )
    if level_hu is not None:
        drawn += _contours(values, level_hu)
    name, seen, _, _, letters = VIEWS[cut.view]
    drawn += _letters(letters, width, height) + _scale_bar(planes.scale_px(cut), width, height)
    words = f"{name} cut at {planes.depth_mm(cut):.1f} mm, {seen}; the line is the level: bone lies inside it"
    return drawn, words


def _values(hu: npt.NDArray[np.generic], planes: Planes, cut: Cut) -> Floats:
    points = planes.points_mm(cut, STEP_PX)
    ijk = planes.grid.mm_to_ijk(points.reshape(-1, 3))
    inside = np.all((ijk >= -0.5) & (ijk <= np.array(hu.shape) - 0.5), axis=1)
    values = np.full(len(ijk), np.nan, np.float32)
    values[inside] = map_coordinates(
        hu, ijk[inside].T, output=np.float32, order=1, prefilter=False, mode="nearest"
    )
    values[values < NO_DATA_BELOW_HU] = np.nan
    return np.asarray(values.reshape(points.shape[:2]))


def _jpeg_uri(values: Floats, host: Host) -> str:
    low, high = WINDOWS_HU[host]
    grey = np.clip((np.where(np.isfinite(values), values, low) - low) / (high - low), 0, 1)
    file = io.BytesIO()
    Image.fromarray(np.rint(grey * 255).astype(np.uint8)).save(file, "JPEG", quality=QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode()


def _contours(values: Floats, level_hu: float) -> str:
    d = ""
    for found in find_contours(np.where(np.isfinite(values), values, NO_DATA_BELOW_HU), level_hu):
        if len(found) >= FEWEST_POINTS_COUNT:
            d += outline((found[:, ::-1] + 0.5) * STEP_PX, closed=False)
    if not d:
        return ""
    casing = path(d, fill="none", stroke=CT_CASE, stroke_width="2.6", stroke_opacity="0.6")
    return casing + path(d, fill="none", stroke=CT_INK, stroke_width="1.2")


def _letters(letters: str, width: float, height: float) -> str:
    if width == height:
        return body_letters(letters, width)
    places = (
        (8.0, height / 2, "start"),
        (width - 8.0, height / 2, "end"),
        (width / 2, 16.0, "middle"),
        (width / 2, height - 8.0, "middle"),
    )
    return "".join(
        text(x, y, letter, anchor=anchor, size=12, bold=True, fill=CT_INK, halo=CT_CASE)
        for letter, (x, y, anchor) in zip(letters, places, strict=True)
    )


def _scale_bar(scale_px: float, width: float, height: float) -> str:
    long_mm = max((one for one in NICE_MM if one * scale_px <= width / 5), default=NICE_MM[0])
    long_px = long_mm * scale_px
    right, y = width - 14, height - 14
    bar = "".join(
        line(right - long_px, y, right, y, ink, thick)
        + "".join(line(x, y - 4, x, y + 4, ink, thick) for x in (right - long_px, right))
        for ink, thick in ((CT_CASE, 4.0), (CT_INK, 1.5))
    )
    return bar + text(right - long_px / 2, y - 8, f"{long_mm} mm", anchor="middle", fill=CT_INK, halo=CT_CASE)
