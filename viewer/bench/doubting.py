"""The doubt of the screw in hand, drawn in a thread of its own once the hand has let go.

The page goes on meanwhile. What was drawn for a plan that is no longer in force is thrown away.
"""

from __future__ import annotations

import threading
from dataclasses import replace

from planner.asked import Asked
from planner.assess import ReadyBone
from planner.doubt import doubt_of
from planner.doubt_vocabulary import AskedDoubt, Doubt, PlacementName
from planner.path import trace
from planner.site_file import read_site, site_names
from planner.vocabulary import ScrewResult
from segmentation.errors import InputError
from viewer.bench.desk import Desk


def asked_of(site: str | None, placement: PlacementName | None) -> Asked:
    """What the page asks: one of the built-in sites by its name, never a file, and a way of placing.

    Raises InputError for another name.
    """
    if site is not None and site not in site_names():
        raise InputError(f"there is no site {site!r}; there are {', '.join(site_names())}")
    return Asked(
        site=None if site is None else read_site(site),
        doubt=None if placement is None else AskedDoubt(placement),
    )


class Doubting:
    """Draws for ``desk``'s screw in hand whenever a way of placing was chosen and nothing is held."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._thread: threading.Thread | None = None
        self._drawn: tuple[ScrewResult, Doubt] | None = None
        self._fault: str | None = None

    @property
    def busy(self) -> bool:
        """Whether draws are under way."""
        return self._thread is not None and self._thread.is_alive()

    def keep(self) -> bool:
        """Take what was drawn, begin what is to be drawn; whether the page has something new to show."""
        desk = self.desk
        if self.busy:
            return False
        self._thread = None
        if self._fault is not None:
            # Once told, it is not tried again and again.
            desk.said, self._fault = self._fault, None
            desk.asked = replace(desk.asked, doubt=None)
            return True
        drawn, self._drawn = self._drawn, None
        if drawn is not None and drawn[0] is desk.result:
            desk.take_doubt(drawn[1])
            return True
        result = desk.result
        if result is None or desk.held is not None or desk.asked.doubt is None or result.doubt is not None:
            return False
        # A daemon: the program need not wait for it in the end.
        self._thread = threading.Thread(
            target=self._draw, args=(desk.ready, result, desk.asked), daemon=True, name="doubt"
        )
        self._thread.start()
        return False

    def _draw(self, bone: ReadyBone, result: ScrewResult, asked: Asked) -> None:
        assert asked.doubt is not None
        tip_apex_mm = None if asked.site is None else asked.site.tip_apex_mm
        try:
            path = trace(bone.prepared, result.placed)
            self._drawn = result, doubt_of(bone, path, result, asked.doubt, asked.limits, tip_apex_mm)
        except Exception as fault:
            self._fault = f"the doubt cannot be drawn: {fault}"
