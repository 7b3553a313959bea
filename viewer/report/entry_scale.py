"""The scale of the entry map: its colours, its ticks, and the key that says what they stand for."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from planner.entry_map import BARE, NEAR_JOINT, NOTHING, EntryMap
from segmentation.vocabulary import Floats
from viewer.report.drawing import BODY, element, hatch, line, picture, rect, text, text_width
from viewer.report.tokens import HAIR, INK, INK_2, JOINT, PAPER, rgb_fraction

RAMP = ("#F4EBD3", "#E3C48A", "#CB8F5A", "#A5584C", "#6C2F4A", "#2E1A38")
"""Little to much. Our choice: CIE lightness falls all the way (a test holds it to that), so that a grey
printer keeps it."""

MOST_STEPS_COUNT = 6
"""The scale has at most so many steps, each 1, 2 or 5 times a power of ten. Our choice."""

BAR_PX, BAR_HEIGHT_PX, SWATCH_PX, HEIGHT_PX = 230.0, 12.0, 26.0, 44.0
"""Sizes of the key."""

NOTHING_PITCH_PX, NOTHING_LINE_PX, JOINT_PITCH_PX, JOINT_LINE_PX = 5.0, 1.0, 8.0, 2.2
"""Hatches of the places that no screw may be entered at, as in the picture."""

WORDS = {
    NOTHING: "no screw keeps every limit",
    NEAR_JOINT: "nearer to the joint than the limit",
    BARE: "not an outer surface",
}
"""What the hatches, and the bare bone, stand for."""


@dataclass(frozen=True)
class EntryScale:
    """The scale runs from ``low`` to ``high``, in N or HU (``unit``), a tick every ``step``."""

    low: float
    high: float
    step: float
    unit: str

    @property
    def ticks(self) -> tuple[float, ...]:
        """Every tick, the ends too."""
        count = round((self.high - self.low) / self.step)
        return tuple(self.low + n * self.step for n in range(count + 1))


def scale_of(told: EntryMap) -> EntryScale | None:
    """The scale that spans every value of a map; None where nothing is reached."""
    values = told.best.value[told.reached]
    if not len(values):
        return None
    low, high = float(values.min()), float(values.max())
    step = _step(max((high - low) / MOST_STEPS_COUNT, 1.0))
    begin, end = math.floor(low / step), math.ceil(high / step)
    if end - begin > MOST_STEPS_COUNT:
        step = _step(step * 1.01)
        begin, end = math.floor(low / step), math.ceil(high / step)
    return EntryScale(begin * step, max(end, begin + 1) * step, step, "N" if told.in_n else "HU")


def colours(values: Floats, scale: EntryScale) -> Floats:
    """(n, 3) colours of values (n,)."""
    stops = np.array([rgb_fraction(colour) for colour in RAMP])
    place = np.clip((values - scale.low) / (scale.high - scale.low), 0, 1) * (len(RAMP) - 1)
    return np.column_stack([np.interp(place, np.arange(len(RAMP)), stops[:, i]) for i in range(3)])


def key_svg(scale: EntryScale | None, kinds: frozenset[int], width_px: float) -> str:
    """Bar with ticks in figures and their unit, then each of ``kinds`` with its hatch and words."""
    drawn = element("defs", _ramp() + _hatches())
    x, top = 0.5, 16.0
    if scale is not None:
        what = "best governing hold" if scale.unit == "N" else "best mean HU in the thread ring"
        drawn += text(0, 9, f"{what}, {scale.unit}", fill=INK_2)
        drawn += rect(x, top, BAR_PX, BAR_HEIGHT_PX, "url(#entry-scale)", stroke=INK, stroke_width="0.8")
        for tick in scale.ticks:
            at = x + BAR_PX * (tick - scale.low) / (scale.high - scale.low)
            drawn += line(at, top + BAR_HEIGHT_PX - 3, at, top + BAR_HEIGHT_PX + 3, INK)
            anchor = "start" if tick == scale.low else "middle"
            drawn += text(at, HEIGHT_PX - 4, f"{tick:g}", anchor=anchor)
        x += BAR_PX + 30
    for row, kind in enumerate(kind for kind in WORDS if kind in kinds):
        y = 2.0 + 15.0 * row
        fill = {NOTHING: "url(#entry-nothing)", NEAR_JOINT: "url(#entry-joint)", BARE: HAIR}[kind]
        drawn += rect(x, y, SWATCH_PX, BAR_HEIGHT_PX - 1, fill, stroke=INK, stroke_width="0.8")
        drawn += text(x + SWATCH_PX + 6, y + 9, WORDS[kind], size=BODY)
    x += SWATCH_PX + 6 + max((text_width(WORDS[kind], BODY) for kind in kinds & set(WORDS)), default=0.0) + 26
    for row, (mark, words) in enumerate(((best_mark, "best entry"), (screw_mark, "entry of a placed screw"))):
        drawn += mark(x, 7.5 + 18 * row) + text(x + 12, 11 + 18 * row, words, size=BODY)
    return picture(width_px, HEIGHT_PX, drawn, "Key of the entry map")


def best_mark(x: float, y: float) -> str:
    """A square standing on its corner, ringed: the best entry."""
    return element(
        "path",
        d=f"M{x:.1f} {y - 6.5:.1f}l6.5 6.5l-6.5 6.5l-6.5 -6.5Z",
        fill=PAPER,
        stroke=INK,
        stroke_width="1.6",
    ) + element("circle", cx=x, cy=y, r="2", fill=INK)


def screw_mark(x: float, y: float) -> str:
    """A ring: the entry of a screw of the plan."""
    return element("circle", cx=x, cy=y, r="4.2", fill=PAPER, stroke=INK, stroke_width="1.6")


def _step(least: float) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that is no less."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= least * (1 - 1e-9))


def _ramp() -> str:
    stops = "".join(
        element("stop", offset=f"{i / (len(RAMP) - 1):.4f}", stop_color=colour)
        for i, colour in enumerate(RAMP)
    )
    return element("linearGradient", stops, id="entry-scale")


def _hatches() -> str:
    """The hatches, drawn as in the picture."""
    return hatch(
        "entry-nothing", 45, PAPER, INK_2, pitch=NOTHING_PITCH_PX, width=2 * NOTHING_LINE_PX
    ) + hatch("entry-joint", -45, HAIR, JOINT, pitch=JOINT_PITCH_PX, width=2 * JOINT_LINE_PX)
