"""What each entry of the bone could reach with the family of the screw in hand, drawn as in the report.

Looked for in the process for long steps, the plan's other screws where they stand; the plan is not changed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from planner.plan_file import plan_document
from segmentation.errors import InputError
from viewer.bench.desk import Desk
from viewer.bench.work import Work, WorkEvent

TASK = "map_entries"


class EntryMapping:
    """Maps the entries of ``desk``'s bone in ``folder`` and keeps what was drawn last."""

    def __init__(self, desk: Desk, folder: Path, work: Work) -> None:
        self.desk, self.folder, self.work = desk, folder, work
        self._drawn: dict[str, Any] | None = None
        self._count = 0

    def begin(self) -> None:
        """Begin to look. Raises InputError where no screw is in hand."""
        desk = self.desk
        if desk.result is None:
            raise InputError("take a screw in hand first: the map is of its family")
        self.work.begin(
            TASK,
            "looking what each entry could reach",
            {
                "folder": self.folder,
                "plan": plan_document(desk.history.plan),
                "number": desk.selected,
                "site": None if desk.asked.site is None else desk.asked.site.name,
                "as_scanned": desk.pose == "as-scanned",
            },
        )

    def worked(self, event: WorkEvent) -> None:
        """Take what was drawn, or say why nothing was."""
        if event.kind == "cancelled":
            self.desk.said = "cancelled; no map was drawn"
        elif event.kind == "fault":
            self.desk.said = str(event.value)
        elif event.kind == "done":
            self._count += 1
            self._drawn = event.value

    def shown(self) -> dict[str, Any] | None:
        """What was drawn last, with its number, for the page."""
        return None if self._drawn is None else {"number": self._count, **self._drawn}
