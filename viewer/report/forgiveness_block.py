"""How far a screw's entry and direction may be off before a limit breaks: two round maps, and in words.

Both look along the screw from its head, as the end views do. The distance of the outline from the centre is
how far the entry may move that way, parallel to itself, or the axis turn that way about its entry; each of
the directions looked in has its figure at the rim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from planner.forgiveness import DIRECTIONS_COUNT, MOST_DEGREE, MOST_MM, Forgiveness
from planner.search import LIMIT_WORDS
from segmentation.vocabulary import Floats
from viewer.report.drawing import (
    BODY,
    PX_PER_MM,
    SMALL,
    between,
    element,
    outline,
    path,
    picture,
    text,
    written,
)
from viewer.report.sheet import SMALL_ROW_PX, WIDTH_PX, Block, text_height
from viewer.report.tokens import INK, INK_2, INK_3, PAPER
from viewer.report.view_frame import ScrewFrame, direction_words
from viewer.report.words import capital

MAP_PX, MAP_HEIGHT_PX = (WIDTH_PX - 7 * PX_PER_MM) / 2, 236.0
"""Size of a map with its words: half the page's width."""

RIM_PX, FIGURES_PX, WORDS_PX = 76.0, 85.0, 112.0
"""From the centre to the outer ring, to the figures and to the words of the directions."""

RINGS_MM, RINGS_DEGREE = (1.0, 2.0, 4.0), (5.0, 10.0, 15.0)
"""What the outer ring may stand for: the least that holds the outline. Our choice; the last is as far as is
looked."""

LINE_PX, ASIDE = 11.0, 0.3
"""Height of a line of small words; words farther to a side than this cosine do not stand in the middle."""

RINGS_COUNT = 4
"""Rings of the outer one's value, each a fourth of it (of degrees a fifth). Our choice."""

HALF_DEGREE = 0.5
"""Degrees are told in halves, rounded down: so well are they known."""

KNOWN_WITHIN = "within 0.2 mm and 0.5°"
"""What the maps differ from the exact measurement by at most (tests/test_forgiveness.py)."""


FOOT = (
    "Seen along the screw from its head. Distance from the centre: how far the entry may be off that way, "
    "the axis moved parallel, or the axis turned that way about its entry, before the first limit breaks; "
    f"at the rim the same in figures. Known {KNOWN_WITHIN}; degrees are rounded down to halves. All else as "
    "planned. Limits of clearance, tip, threads and other screws; not the angle to the fracture. Hollow "
    "dots: nothing broke as far as was looked."
)
"""What stands under the maps."""


@dataclass(frozen=True, eq=False)
class _Map:
    """One of the two maps: how far, (DIRECTIONS_COUNT,), in each direction, (DIRECTIONS_COUNT, 2) rightwards
    and up; ``most`` is as far as was looked, ``rim`` what the outer ring stands for."""

    title: str
    unit: str
    reach: Floats
    flat: Floats
    most: float
    rim: float
    ring: float

    @property
    def gap(self) -> str:
        """What stands between a figure and the unit."""
        return "" if self.unit == "°" else "\u00a0"

    def said(self, place: int) -> str:
        """How far in one direction, without the unit."""
        value = float(self.reach[place])
        if value >= self.most:
            return f"over {self.most:g}"
        return _written(value, self.unit)


def forgiveness_block(told: Forgiveness, frame: ScrewFrame) -> tuple[Block, float]:
    """The block of one screw, seen as ``frame`` looks at it, and its likely height in px."""
    turns = 2 * np.pi * np.arange(DIRECTIONS_COUNT) / DIRECTIONS_COUNT
    around = np.cos(turns)[:, None] * told.u + np.sin(turns)[:, None] * told.v
    flat = around @ np.stack([frame.toward, frame.up], axis=1)
    entry = _map("Entry off", "mm", told.entry_each_mm, flat, MOST_MM, RINGS_MM)
    direction = _map("Direction off", "°", told.direction_each_degree, flat, MOST_DEGREE, RINGS_DEGREE)
    said = [_words(one, around, limit) for one, limit in zip((entry, direction), told.breaks, strict=True)]
    maps = [entry, direction]
    if not (told.entry_each_mm.any() or told.direction_each_degree.any()):
        said = [f"As planned the screw breaks a limit: {_limit(told.breaks[0])}. Nothing is forgiven."]
        maps = []
    foot = FOOT if maps else ""
    block: Block = {
        "kind": "forgiving",
        "says": said,
        "maps": [Markup(_map_svg(one, frame)) for one in maps],
        "foot": foot,
    }
    height = 24 + sum(text_height(one, BODY, WIDTH_PX, 15.2) for one in said)
    height += MAP_HEIGHT_PX * bool(maps) + text_height(foot, SMALL, WIDTH_PX, SMALL_ROW_PX)
    return block, height


def _map(title: str, unit: str, reach: Floats, flat: Floats, most: float, rings: Sequence[float]) -> _Map:
    rim = next((ring for ring in rings if reach.max() <= ring), rings[-1])
    return _Map(title, unit, reach, flat, most, rim, rim / (5 if unit == "°" else RINGS_COUNT))


def _words(one: _Map, around: Floats, limit: int) -> str:
    """The least that is forgiven, towards where, what breaks there, and how much is free elsewhere."""
    place, widest = int(np.argmin(one.reach)), int(np.argmax(one.reach))
    most = f"{one.most:g}{one.gap}{one.unit}"
    free_count = int((one.reach >= one.most).sum())
    if free_count == len(one.reach):
        return f"{one.title}: more than {most} is forgiven every way; no farther was looked."
    said = f"{one.title}: {one.said(place)}{one.gap}{one.unit} is forgiven every way. Least is towards "
    said += f"{direction_words(around[place])}, where this breaks first: {_limit(limit)}. "
    if free_count:
        return said + f"More than {most} is forgiven in {free_count} of {len(one.reach)} directions."
    at_most = f"{one.said(widest)}{one.gap}{one.unit}"
    return said + f"Most is towards {direction_words(around[widest])}: {at_most}."


def _written(value: float, unit: str) -> str:
    """As finely as it is known: tenths of mm, half degrees rounded down."""
    if unit == "°":
        return written(np.floor(value / HALF_DEGREE + 1e-9) * HALF_DEGREE)
    return written(value)


def _limit(limit: int) -> str:
    """What breaks, in the search's words."""
    return LIMIT_WORDS[limit] if limit >= 0 else "the axis leaves the bone"


def _map_svg(one: _Map, frame: ScrewFrame) -> str:
    middle_x, middle_y = MAP_PX / 2, MAP_HEIGHT_PX / 2
    scale = RIM_PX / one.rim
    centre = np.array([middle_x, middle_y])

    def at(flat: Floats, far_px: float) -> Floats:
        return centre + far_px * np.array([flat[0], -flat[1]])

    inside = ""
    for number in range(1, round(one.rim / one.ring) + 1):
        outer = number == round(one.rim / one.ring)
        inside += _circle(centre, number * one.ring * scale, INK_3, "1.0" if outer else "0.5")
    corners = np.array([at(flat, reach * scale) for flat, reach in zip(one.flat, one.reach, strict=True)])
    order = np.argsort(np.arctan2(one.flat[:, 1], one.flat[:, 0]))
    shape = outline(corners[order], closed=True)
    inside += path(shape, fill="url(#outside)", stroke=INK, stroke_width="1.4", stroke_linejoin="round")
    least = int(np.argmin(one.reach))
    inside += between(centre, corners[least], INK, 2.2)
    for place, corner in enumerate(corners):
        free = one.reach[place] >= one.most
        fill, size = (PAPER, "2.6") if free else (INK, "2.0")
        inside += element(
            "circle", cx=corner[0], cy=corner[1], r=size, fill=fill, stroke=INK, stroke_width="1"
        )
        x, y = at(one.flat[place], FIGURES_PX)
        figure = one.said(place).replace("over ", "> ")
        anchor = _anchor(float(one.flat[place, 0]))
        inside += text(x, y + SMALL / 3, figure, anchor=anchor, bold=place == least)
    inside += element("circle", cx=centre[0], cy=centre[1], r="2.0", fill=INK)
    for vector, x, y in (
        (frame.up, 0.0, 1.0),
        (-frame.up, 0.0, -1.0),
        (frame.toward, 1.0, 0.0),
        (-frame.toward, -1.0, 0.0),
    ):
        word_x, word_y = at(np.array([x, y]), WORDS_PX)
        lines = direction_words(vector).replace(" and ", " and\n").split("\n")
        for number, words in enumerate(lines):
            line_y = word_y + SMALL / 3 + (number - (len(lines) - 1) / 2) * LINE_PX
            inside += text(word_x, line_y, words, anchor=_anchor(x), fill=INK_2)
    inside += text(0, SMALL, f"{one.title}, {one.unit}", bold=True, size=BODY)
    inside += text(0, MAP_HEIGHT_PX - 3, f"rings every {one.ring:g}{one.gap}{one.unit}", fill=INK_2)
    return picture(MAP_PX, MAP_HEIGHT_PX, inside, capital(f"{one.title}: how far off each way"))


def _anchor(x: float) -> str:
    """Words right of a map begin at their place, left of it they end there."""
    return "middle" if abs(x) < ASIDE else "start" if x > 0 else "end"


def _circle(centre: Floats, radius_px: float, stroke: str, width: str) -> str:
    return element(
        "circle",
        cx=centre[0],
        cy=centre[1],
        r=float(radius_px),
        fill="none",
        stroke=stroke,
        stroke_width=width,
    )
