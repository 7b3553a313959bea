"""The inks of the report, and what each is allowed to mean.

Sand, slate, sage and umber are fragments, each with its own hatch so that a grey printer keeps them apart;
plum dots are joint surface; vermilion is a broken limit and nothing else; all the rest is ink. The ``ct``
inks lie over CT, which is dark, and always have a dark casing.
"""

from __future__ import annotations

from dataclasses import dataclass

INK, INK_2, INK_3 = "#16222B", "#43525C", "#5A6871"
RULE, HAIR = "#C6CED0", "#DDE2E2"
PAPER = "#FFFFFF"
JOINT, ALARM = "#93307D", "#AD2C0B"
CT_INK, CT_CASE, CT_JOINT, CT_ALARM = "#F4F7F8", "#0B1014", "#F2A3E0", "#FF8A66"


@dataclass(frozen=True)
class FragmentInk:
    """How one fragment is drawn: its word, three inks on paper, one over CT, and its hatch."""

    word: str
    line: str
    dark: str
    fill: str
    over_ct: str
    hatch_degree: float


FRAGMENT_INKS = (
    FragmentInk("sand", "#B98A3E", "#755015", "#EBDAB6", "#F0C879", 45.0),
    FragmentInk("slate", "#5F86AB", "#2B5177", "#CBDAE8", "#9CC6EE", -45.0),
    FragmentInk("sage", "#6E8B74", "#3E5B45", "#D3E0D5", "#B5D8BD", 0.0),
    FragmentInk("umber", "#8A6A5C", "#5C4034", "#E3D5CE", "#DDBBAB", 90.0),
)
"""The first four fragments. Their colours and hatches are our choice."""


def fragment_ink(rank: int) -> FragmentInk:
    """The ink of a bone's fragment by its rank, from 1; beyond four only hatch angle and name tell them
    apart."""
    if rank <= len(FRAGMENT_INKS):
        return FRAGMENT_INKS[rank - 1]
    return FragmentInk("grey", "#7C878D", "#3F4A51", "#E3E7E8", "#D5DCDF", (rank * 25.0) % 180 - 90)


def rgb_fraction(colour: str) -> tuple[float, float, float]:
    """``#RRGGBB`` as three fractions of full intensity.

    >>> rgb_fraction("#FF0033")
    (1.0, 0.0, 0.2)
    """
    red, green, blue = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    return red, green, blue
