"""Density against depth: what the thread has to hold in.

Full line: mean over the ring between core and major radius. Dotted: on the axis. Band: the calibration's
standard error. Thread zones are shaded with one notch a thread, and each stretch of full thread in one
fragment has its mean as a thick bar with its figure (the table's density is over the whole axis path).
Without calibration the lane shows HU and says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from planner.vocabulary import Profile1D
from segmentation.vocabulary import Floats
from viewer.report.drawing import line, outline, path, rect, text, text_width, written
from viewer.report.placing import clear_centre
from viewer.report.ruler import GUTTER_PX, Ruler
from viewer.report.strip_lanes import own_stretches
from viewer.report.subject import Subject
from viewer.report.tokens import HAIR, INK, INK_2, INK_3, PAPER, RULE

DENSITY_TOPS_MG_CM3, DENSITY_GRID_MG_CM3 = (900.0, 1600.0), (400.0, 800.0)
"""Fixed full scales, the second when a cortex exceeds the first, and their gridlines (as in the mock)."""

HU_TOPS_HU, HU_GRID_HU = (1200.0, 2400.0), (500.0, 1000.0)
"""The same for uncalibrated scans. Our choice."""

SHORTEST_MEAN_MM = 0.5
"""A stretch of thread shorter than this has no mean of its own. Our choice."""

BEYOND_MM = 0.4
"""The curves go on this far before the entry and past the exit (as in the mock)."""

ROOMY_PX = 50.0
"""A lower lane has one numbered gridline: figures and unit would touch. Our choice."""

OVERHANG_PX = 6.0
"""Words may overhang their bar by this much on either side. Our choice."""

NOTCH_PX = 5.0
"""Depth of the notch that stands for one thread."""


@dataclass(frozen=True, eq=False)
class Scale:
    """The lane's vertical scale and what it measures."""

    top_value: float
    grid_value: float
    unit: str
    top: float
    height: float

    def y(self, value: float) -> float:
        """Vertical place of a value; beyond the scale it stays at its end."""
        return self.top + self.height - min(max(value, 0.0), self.top_value) / self.top_value * self.height


def density_lane(subject: Subject, ruler: Ruler, top: float, height: float) -> str:
    """The lane with its gridlines, zones, curves, and means."""
    profile = subject.result.profile
    ring, axis = _values(profile.ring), _values(profile.axis)
    scale = _scale(subject, ring, axis, top, height)
    drawn = _zones(subject, ruler, scale) + _grid(subject, ruler, scale)
    drawn += _band(subject, ruler, scale, ring)
    drawn += _curve(subject, ruler, scale, axis, stroke=INK_3, stroke_width="1", stroke_dasharray="1.5 2.5")
    drawn += _curve(subject, ruler, scale, ring, stroke=INK, stroke_width="1.7", stroke_linejoin="round")
    for mean in _means(subject, ruler, ring):
        y = scale.y(mean.value)
        drawn += line(mean.left, y, mean.right, y, subject.ink(mean.number).dark, 2.4)
    return drawn


def density_words(
    subject: Subject, ruler: Ruler, top: float, height: float, lines_px: Sequence[float]
) -> str:
    """The figure of each mean, clear of the verticals ``lines_px``."""
    profile = subject.result.profile
    ring, axis = _values(profile.ring), _values(profile.axis)
    scale = _scale(subject, ring, axis, top, height)
    drawn = ""
    for mean in _means(subject, ruler, ring):
        y = scale.y(mean.value)
        words = f"thread {written(mean.value, 0)}"
        if text_width(words, bold=True) > mean.right - mean.left + 2 * OVERHANG_PX:
            words = written(mean.value, 0)
        half = text_width(words, bold=True) / 2
        reach = max((mean.right - mean.left) / 2, half) + OVERHANG_PX
        middle = (mean.left + mean.right) / 2
        around = (max(middle - reach, GUTTER_PX), min(middle + reach, ruler.right_px))
        # Above the bar where the lane has room there, else below it.
        baseline = y - 8 if y - 17 > scale.top + NOTCH_PX else y + 15
        at = clear_centre(middle, half, around, lines_px)
        drawn += text(at, baseline, words, anchor="middle", bold=True, halo=PAPER)
    return drawn


def _values(profile: Profile1D) -> Floats:
    return profile.hu if profile.density_mg_cm3 is None else profile.density_mg_cm3


def _scale(subject: Subject, ring: Floats, axis: Floats, top: float, height: float) -> Scale:
    calibrated = subject.result.profile.ring.density_mg_cm3 is not None
    tops, grids = (DENSITY_TOPS_MG_CM3, DENSITY_GRID_MG_CM3) if calibrated else (HU_TOPS_HU, HU_GRID_HU)
    unit = "HU" if not calibrated else "mg/cm³" if subject.bone.host == "foam" else "mg HA/cm³"
    inside = _drawn(subject)
    highest = max(
        (float(np.nanmax(v[inside])) for v in (ring, axis) if np.isfinite(v[inside]).any()), default=0.0
    )
    choice = int(highest > tops[0])
    return Scale(tops[choice], grids[choice], unit, top, height)


def _drawn(subject: Subject) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which samples of the profile lie between entry and exit, and a little beyond."""
    depth_mm = subject.result.profile.depth_mm
    return np.asarray((depth_mm >= -BEYOND_MM) & (depth_mm <= subject.exit_depth_mm + BEYOND_MM))


def _grid(subject: Subject, ruler: Ruler, scale: Scale) -> str:
    left, right = ruler.x(ruler.clipped_mm(0.0)), ruler.x(ruler.clipped_mm(subject.exit_depth_mm))
    drawn = ""
    for value in np.arange(0.0, scale.top_value, scale.grid_value):
        y = scale.y(float(value))
        drawn += line(left, y, right, y, HAIR if value else RULE)
        if value and (scale.height >= ROOMY_PX or value == scale.grid_value * 2):
            drawn += text(GUTTER_PX - 6, y + 3.4, written(float(value), 0), anchor="end", fill=INK_2)
    middle = scale.y(scale.grid_value * (1.5 if scale.top_value > 2 * scale.grid_value else 0.5))
    return drawn + text(GUTTER_PX - 6, middle + 3.4, scale.unit, anchor="end", fill=INK_3)


def _zones(subject: Subject, ruler: Ruler, scale: Scale) -> str:
    """Pale fill in the fragment's ink, one notch a thread; hatched where the thread lies past the exit."""
    drawn = ""
    exit_mm = subject.exit_depth_mm
    for zone in subject.zones:
        from_mm, to_mm = zone.from_mm + subject.seat_mm, zone.to_mm + subject.seat_mm
        cuts_mm = [from_mm, to_mm]
        cuts_mm += [z for s in own_stretches(subject) for z in (s.from_mm, s.to_mm) if from_mm < z < to_mm]
        cuts_mm.sort()
        for a_mm, b_mm in pairwise(cuts_mm):
            left, right = ruler.x(ruler.clipped_mm(a_mm)), ruler.x(ruler.clipped_mm(b_mm))
            number = _number_at(subject, (a_mm + b_mm) / 2)
            past = (a_mm + b_mm) / 2 > exit_mm
            fill = "url(#outside)" if past else subject.ink(number).fill if number else HAIR
            drawn += rect(left, scale.top, right - left, scale.height, fill, fill_opacity="0.55")
        pitch_mm = zone.thread.pitch_mm
        for at_mm in np.arange(from_mm + pitch_mm / 2, to_mm - 0.2 * pitch_mm, pitch_mm):
            if ruler.from_mm + pitch_mm < at_mm < ruler.to_mm - pitch_mm:
                x, wide = ruler.x(float(at_mm)), 0.28 * pitch_mm * ruler.scale_px
                notch = [(x - wide, scale.top), (x, scale.top + NOTCH_PX), (x + wide, scale.top)]
                drawn += path(outline(notch, closed=True), fill=INK_2)
    return drawn


def _number_at(subject: Subject, depth_mm: float) -> int:
    return next((s.number for s in own_stretches(subject) if s.from_mm <= depth_mm <= s.to_mm), 0)


def _runs(subject: Subject, ruler: Ruler, values: Floats) -> list[Floats]:
    """(n, 2) [depth, value] for each stretch without a hole in the data."""
    depth_mm = subject.result.profile.depth_mm
    known = _drawn(subject) & np.isfinite(values) & (depth_mm >= ruler.from_mm) & (depth_mm <= ruler.to_mm)
    places = np.flatnonzero(known)
    runs = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
    return [np.column_stack([depth_mm[run], values[run]]) for run in runs if len(run) > 1]


def _curve(subject: Subject, ruler: Ruler, scale: Scale, values: Floats, **named: object) -> str:
    return "".join(
        path(outline([(ruler.x(z), scale.y(v)) for z, v in run], closed=False), **named)
        for run in _runs(subject, ruler, values)
    )


def _band(subject: Subject, ruler: Ruler, scale: Scale, ring: Floats) -> str:
    """The calibration's standard error around the ring's curve."""
    calibration = subject.bone.calibration
    if calibration is None:
        return ""
    drawn = ""
    for run in _runs(subject, ruler, ring):
        spread = calibration.standard_error_mg_cm3(run[:, 1])
        upper = [(ruler.x(z), scale.y(v + error)) for (z, v), error in zip(run, spread, strict=True)]
        lower = [(ruler.x(z), scale.y(v - error)) for (z, v), error in zip(run, spread, strict=True)]
        drawn += path(outline(upper + lower[::-1], closed=True), fill=INK, fill_opacity="0.13")
    return drawn


@dataclass(frozen=True)
class _Mean:
    """The ring's mean over a stretch of full thread in one fragment, and where its bar lies, px."""

    value: float
    left: float
    right: float
    number: int


def _means(subject: Subject, ruler: Ruler, ring: Floats) -> list[_Mean]:
    """The ring's mean over each stretch of full thread in one fragment, outside a gliding hole."""
    depth_mm = subject.result.profile.depth_mm
    glide_to_mm = subject.result.gliding_hole_to_mm or 0.0
    found = []
    for zone in subject.zones:
        for stretch in own_stretches(subject):
            from_mm = max(zone.full_from_mm + subject.seat_mm, stretch.from_mm, glide_to_mm)
            to_mm = min(zone.full_to_mm + subject.seat_mm, stretch.to_mm)
            taken = (depth_mm >= from_mm) & (depth_mm <= to_mm) & np.isfinite(ring)
            if to_mm - from_mm < SHORTEST_MEAN_MM or not taken.any():
                continue
            left, right = ruler.x(ruler.clipped_mm(from_mm)), ruler.x(ruler.clipped_mm(to_mm))
            if right - left >= 1:
                found.append(_Mean(float(ring[taken].mean()), left, right, stretch.number))
    return found
