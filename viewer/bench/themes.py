"""The report's inks as the page's variables, so that one drawing serves light and dark.

Inks over CT stay as they are: CT is dark in both.
"""

from __future__ import annotations

import re

from viewer.report.tokens import (
    ALARM,
    FRAGMENT_INKS,
    HAIR,
    INK,
    INK_2,
    INK_3,
    JOINT,
    PAPER,
    RULE,
)

VARIABLES = {
    INK: "ink",
    INK_2: "ink-2",
    INK_3: "ink-3",
    RULE: "rule",
    HAIR: "hair",
    PAPER: "sheet",
    JOINT: "joint",
    ALARM: "alarm",
    **{
        colour: f"{ink.word}{part}"
        for ink in FRAGMENT_INKS
        for part, colour in (("", ink.line), ("-ink", ink.dark), ("-fill", ink.fill))
    },
}
"""Ink of the report → name of the page's variable."""

_COLOUR = re.compile("|".join(re.escape(colour) for colour in VARIABLES))


def themed(svg: str) -> str:
    """A drawing of the report with its inks as variables."""
    return _COLOUR.sub(lambda found: f"var(--{VARIABLES[found[0]]})", svg)
