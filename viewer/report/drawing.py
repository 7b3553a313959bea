"""Lines, words and hatches as SVG text.

Coordinates are CSS pixels (96 to the inch) unless the name says otherwise. Every number is written with one
decimal and every word is escaped, so that the same drawing is always the same bytes and a name can never
become markup.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache
from html import escape

import numpy as np
import numpy.typing as npt

from viewer.report.tokens import (
    ALARM,
    CT_ALARM,
    CT_CASE,
    CT_INK,
    INK,
    INK_3,
    JOINT,
    PAPER,
    fragment_ink,
)

PX_PER_MM = 96 / 25.4
"""CSS pixels per millimetre of paper, by the definition of the CSS pixel."""

SMALL, BODY = 9.5, 11.0
"""Type sizes in px: 7 pt is the smallest that is read on paper (our choice)."""

LETTER_EM = {
    **dict.fromkeys("iljI|'", 0.24),
    **dict.fromkeys("ft.,:;!/\\ ()[]-·", 0.30),
    **dict.fromkeys("r", 0.34),
    **dict.fromkeys("ckvxyzsJ", 0.50),
    **dict.fromkeys("ABCDEFGHKLNOPQRSTUVXYZwΩ", 0.70),
    **dict.fromkeys("mMW%@—…", 0.88),
}
"""Widths of letters in em, those of Helvetica and its likes rounded up (from memory); all others are as
wide as a digit."""

MARKUP = re.compile("[&<>\"']")
"""What must not stand in an attribute as it is."""

DIGIT_WIDTH_RATIO = 0.56
"""Width of a digit as a share of the type size; from memory of the same faces."""


def written(value: float, digits: int = 1) -> str:
    """A number for people: fixed decimals, a real minus sign, never "−0.0".

    >>> written(-0.04), written(-1.25), written(3.0, 0)
    ('0.0', '−1.2', '3')
    """
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def px(value: float) -> str:
    """A coordinate as SVG text."""
    return f"{value:.1f}"


def text_width(text: str, size: float = SMALL, *, bold: bool = False) -> float:
    """Likely width of ``text`` in px: 2 to 7 % wider than Liberation Sans (seven strings measured)."""
    em_count = sum(LETTER_EM.get(letter, DIGIT_WIDTH_RATIO) for letter in text)
    return em_count * size * (1.07 if bold else 1.0)


def attributes(**named: object) -> str:
    """SVG attributes; underscores become hyphens, None is left out."""
    # A page is drawn many times a second: names are made once, and most values need no escape.
    return "".join(
        [
            f'{_attribute(key)}"{value:.1f}"'
            if isinstance(value, float)
            else f'{_attribute(key)}"{_safe(value)}"'
            for key, value in named.items()
            if value is not None
        ]
    )


@cache
def _attribute(key: str) -> str:
    """The name of an attribute from that of a Python argument, with what stands before and after it."""
    return f" {key.rstrip('_').replace('_', '-')}="


def _safe(value: object) -> str:
    """A value's words with nothing in them that is markup."""
    words = str(value)
    return words if MARKUP.search(words) is None else escape(words)


def element(tag: str, inside: str = "", /, **named: object) -> str:
    """One SVG element around ready markup."""
    head = f"<{tag}{attributes(**named)}"
    return f"{head}>{inside}</{tag}>" if inside else f"{head}/>"


def line(
    x1: float, y1: float, x2: float, y2: float, stroke: str = INK, width: float = 1.0, **named: object
) -> str:
    """A straight line."""
    return element(
        "line",
        x1=float(x1),
        y1=float(y1),
        x2=float(x2),
        y2=float(y2),
        stroke=stroke,
        stroke_width=f"{width:g}",
        **named,
    )


def between(
    start: npt.ArrayLike, end: npt.ArrayLike, stroke: str = INK, width: float = 1.0, **named: object
) -> str:
    """A straight line between two points (2,)."""
    (x1, y1), (x2, y2) = np.asarray([start, end], float).tolist()
    return line(x1, y1, x2, y2, stroke, width, **named)


def rect(x: float, y: float, width: float, height: float, fill: str = "none", **named: object) -> str:
    """A rectangle; nothing when it has no extent."""
    if width <= 0 or height <= 0:
        return ""
    return element(
        "rect", x=float(x), y=float(y), width=float(width), height=float(height), fill=fill, **named
    )


def outline(points: npt.ArrayLike | Sequence[tuple[float, float]], *, closed: bool) -> str:
    """The ``d`` of a path through (n, 2) points."""
    pairs = np.asarray(points, float)
    return (
        "M" + "L".join(["%.1f %.1f"] * len(pairs)) % tuple(pairs.ravel().tolist()) + ("Z" if closed else "")
    )


def path(d: str, **named: object) -> str:
    """A path with its ``d`` given."""
    named.setdefault("fill", "none")
    return element("path", d=d, **named)


def text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    size: float = SMALL,
    bold: bool = False,
    fill: str = INK,
    halo: str | None = None,
    **named: object,
) -> str:
    """Words at a baseline, with a halo where they lie over a picture."""
    if halo is not None:
        named.update(paint_order="stroke", stroke=halo, stroke_width="3.2", stroke_linejoin="round")
    return element(
        "text",
        escape(words),
        x=float(x),
        y=float(y),
        text_anchor=anchor,
        font_size=f"{size:g}",
        font_weight=600 if bold else None,
        fill=fill,
        **named,
    )


def cased(d: str, stroke: str, width: float = 1.4, **named: object) -> str:
    """A line over CT with its dark casing."""
    casing = path(
        d, stroke=CT_CASE, stroke_width=f"{width + 1.8:g}", stroke_opacity="0.55", stroke_linejoin="round"
    )
    return casing + path(d, stroke=stroke, stroke_width=f"{width:g}", stroke_linejoin="round", **named)


def dimension(x1: float, x2: float, y: float, *, stroke: str = CT_INK) -> str:
    """A dimension line with two arrowheads where there is room for them."""
    head = 2.2
    arrows = "".join(
        f"M{px(x)} {px(y)}l{s * 2 * head:g} {-head:g}v{2 * head:g}z" for x, s in ((x1, 1), (x2, -1))
    )
    room = abs(x2 - x1) > 6 * head
    casing = line(x1, y, x2, y, CT_CASE, 3, stroke_opacity="0.5")
    return casing + line(x1, y, x2, y, stroke, 1) + (path(arrows, fill=stroke) if room else "")


def chain_line(x1: float, y1: float, x2: float, y2: float) -> str:
    """An axis or a cutting plane over CT: a chain line with its casing."""
    casing = line(x1, y1, x2, y2, CT_CASE, 2.4, stroke_opacity="0.4")
    return casing + line(x1, y1, x2, y2, CT_INK, 0.9, stroke_dasharray="14 3 2.5 3")


def hatch(
    name: str, degree: float, fill: str | None, stroke: str, *, pitch: float = 6, width: float = 1.6
) -> str:
    """A line hatch as an SVG pattern called ``name``."""
    ground = rect(0, 0, pitch, pitch, fill) if fill else ""
    return element(
        "pattern",
        ground + line(0, 0, 0, pitch, stroke, width),
        id=name,
        width=f"{pitch:g}",
        height=f"{pitch:g}",
        patternUnits="userSpaceOnUse",
        patternTransform=f"rotate({degree:g})",
    )


def patterns(ranks: Iterable[int]) -> str:
    """Every hatch a page may use, in one invisible drawing."""
    inside = pattern_definitions(ranks)
    return (
        f'<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>{inside}</defs></svg>'
    )


def pattern_definitions(ranks: Iterable[int]) -> str:
    """Every hatch a page may use; neighbouring fragments are hatched in opposite ways."""
    inside = "".join(
        hatch(f"fragment-{n}", ink.hatch_degree, ink.fill, ink.line)
        for n in ranks
        for ink in [fragment_ink(n)]
    )
    dots = "".join(element("circle", cx=c, cy=c, r="1.1", fill=JOINT) for c in ("1.5", "4.5"))
    inside += element("pattern", dots, id="joint", width="6", height="6", patternUnits="userSpaceOnUse")
    inside += hatch("outside", 45, None, INK_3, pitch=5, width=1)
    inside += hatch("no-scan", 45, CT_CASE, "#3C474F", pitch=5, width=1)
    inside += hatch("past-exit", 45, CT_CASE, CT_INK, pitch=5, width=2)
    inside += hatch("past-exit-alarm", 45, CT_CASE, CT_ALARM, pitch=5, width=2.6)
    return inside + hatch("muted", 45, PAPER, ALARM, pitch=5, width=1)


def picture(width: float, height: float, inside: str, label: str) -> str:
    """A whole drawing; ``label`` is read out by a screen reader."""
    return (
        f'<svg role="img" aria-label="{escape(label)}" xmlns="http://www.w3.org/2000/svg" '
        f'viewBox="0 0 {px(width)} {px(height)}" width="{px(width)}" height="{px(height)}">{inside}</svg>'
    )
