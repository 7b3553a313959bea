"""The best screws for the bone in hand, searched in the process for long steps, to be put in by a click.

The plan's other screws stay; what is found takes the place of the screw in hand, or is the first.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from planner.plan_file import plan_document, plan_of
from planner.vocabulary import PlacedScrew, Plan
from segmentation.errors import InputError
from viewer.bench.desk import Desk
from viewer.bench.work import Work, WorkEvent

TASK = "search"

ANSWERS_COUNT = 4
"""Answers at most. Our choice: so many are compared without scrolling."""


class Searching:
    """Searches for ``desk``'s bone in ``folder`` and keeps what was found last."""

    def __init__(self, desk: Desk, folder: Path, work: Work) -> None:
        self.desk, self.folder, self.work = desk, folder, work
        self._rows: list[dict[str, Any]] = []
        self._placed: list[PlacedScrew] = []
        self._notes: list[str] = []

    def begin(self, family: str | None, *, any_angle: bool = False) -> None:
        """Search with one family of screws, or all. Raises InputError for a family that is not known."""
        desk = self.desk
        if family is not None and family not in desk.screws:
            raise InputError(f"there is no screw {family!r}")
        plan = desk.history.plan
        stays = tuple(one for n, one in enumerate(plan.screws) if n != desk.selected)
        bone_name = None if desk.result is None else desk.result.bone_name
        self.work.begin(
            TASK,
            "searching the best screws",
            {
                "folder": self.folder,
                "names": () if family is None else (family,),
                "site": None if desk.asked.site is None else desk.asked.site.name,
                "stays": plan_document(replace(plan, screws=stays)) if stays else None,
                "as_scanned": desk.pose == "as-scanned",
                "bone_name": bone_name,
                "count": ANSWERS_COUNT,
                "any_angle": any_angle,
            },
        )
        self.forget()

    def worked(self, event: WorkEvent) -> None:
        """Take what was found, or say why nothing was."""
        desk = self.desk
        if event.kind == "cancelled":
            desk.said = "cancelled; the plan is as it was"
        elif event.kind == "fault":
            desk.said = str(event.value)
        elif event.kind == "done":
            self._rows, self._notes = event.value["rows"], event.value["notes"]
            plan = {**plan_document(Plan((), desk.pose)), "screws": event.value["screws"]}
            self._placed = list(plan_of(plan, desk.screws).screws) if event.value["screws"] else []

    def forget(self) -> None:
        """The bone is another now: what was found is of the old one."""
        self._rows, self._placed, self._notes = [], [], []

    def put(self, number: int) -> None:
        """Put the screw of row ``number``, from 0, into the plan. Raises InputError where there is none."""
        if number >= len(self._placed):
            raise InputError("that was not found; search once more")
        placed = self._placed[number]
        self.desk.adopt(f"found: {placed.screw.name}, {placed.length_mm:g} mm", placed)

    def shown(self) -> dict[str, Any]:
        """What was found, for the page."""
        screws = self.desk.history.plan.screws
        inside = screws[self.desk.selected].name if self.desk.selected < len(screws) else None
        return {"rows": self._rows, "notes": self._notes, "instead_of": inside, "busy": self.work.busy}
