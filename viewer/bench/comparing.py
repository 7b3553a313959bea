"""What stands beside the screw in hand, and what if it were another: measured beside the page.

What is compared differs from the screw in hand in one thing each: its length, its family at the stocked
length nearest, its technique; or is another screw of the plan. A click puts one into the plan; a supposed
screw never gets there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from planner.asked import Asked
from planner.catalogue import stocked_length_mm
from planner.compare import Comparison, Row, Wanted, check_placed, variants
from planner.doubt_vocabulary import AskedDoubt
from planner.vocabulary import PlacedScrew
from planner.what_if import CHANGES, Move, changed_screw, own_values
from segmentation.errors import InputError
from viewer.asking import COMPARED_HOW
from viewer.bench.column import PLACED_BY, techniques
from viewer.bench.compared import Column, compared_table
from viewer.bench.desk import Desk
from viewer.bench.messages import Compare, Suppose
from viewer.bench.moved import CHANGED, changed_words, moved_rows, value_of
from viewer.bench.step_words import alike, step_words
from viewer.bench.work import Work, WorkEvent
from viewer.report.words import length_words

COMPARE, WHAT_IF = "compare", "what-if"
"""Steps of the process."""

TASKS = (COMPARE, WHAT_IF)

SIDE_BY_SIDE_COUNT = 8
"""Screws side by side at most. Our choice: so many columns stand on a small screen without scrolling."""

LENGTHS_AROUND_COUNT = 4
"""Stocked lengths that are offered on either side of the one in hand. Our choice."""


@dataclass(frozen=True, eq=False)
class _Begun:
    """What is being measured: the screw in hand, what is placed, what is asked, and each change in words."""

    in_hand: PlacedScrew
    placed_on: list[tuple[str, PlacedScrew]]
    asked: Asked
    changes: list[str]


class Comparing:
    """Compares for ``desk`` on the case in ``folder`` and keeps what was measured last."""

    def __init__(self, desk: Desk, folder: Path, work: Work) -> None:
        self.desk, self.folder, self.work = desk, folder, work
        self._count = 0
        self._sent: object = None
        self._begun: _Begun | None = None
        self.forget()

    def forget(self) -> None:
        """The bone is another now: what was compared is of the old one."""
        self._rows: tuple[Row, ...] = ()
        self._compared: Comparison | None = None
        self._moved: tuple[Move, ...] | None = None
        self._base: PlacedScrew | None = None
        self._changes: list[str] = []
        self._asked, self._pose = Asked(), self.desk.pose

    def anew(self) -> None:
        """The page knows nothing yet."""
        self._sent = None

    def for_report(self) -> tuple[Comparison | None, str]:
        """What was compared; where a report cannot hold it, None and why. A supposed screw is of no plan."""
        if self._compared is None:
            return None, ""
        if self._pose != self.desk.pose or self._notes():
            return None, "what stands side by side is left out, as the plan or the site has changed since"
        if self._asked.doubt is None:
            return None, "what stands side by side is left out: choose “Placed by” and compare once more"
        return self._compared, ""

    # What is asked

    def begin(self, message: Compare) -> None:
        """Measure what stands beside the screw in hand. Raises InputError for what cannot."""
        placed_on = self._variants(message)
        desk = self.desk
        self._start(COMPARE, "comparing", placed_on, desk.asked, [], {"placed_on": placed_on})

    def suppose(self, message: Suppose) -> None:
        """Measure the screw in hand changed. Raises InputError for a screw that cannot be."""
        desk, placed = self.desk, self._in_hand()
        own = own_values(placed)
        given = {name: getattr(message, name) for name in CHANGES}
        changes = {name: value for name, value in given.items() if value is not None and value != own[name]}
        technique = message.technique or placed.technique
        if not changes and technique == placed.technique:
            raise InputError("nothing is changed; type another number, or choose another technique")
        after = replace(changed_screw(placed, changes), technique=technique)
        check_placed(after)
        said = changed_words(own, changes)
        if technique != placed.technique:
            said.append(f"technique: {placed.technique} to {technique}")
        asked = replace(desk.asked, doubt=desk.asked.doubt or AskedDoubt(COMPARED_HOW))
        step = {"placed": placed, "changes": changes, "technique": technique}
        placed_on = [(placed.name, placed), (after.name, after)]
        self._start(WHAT_IF, "measuring what if", placed_on, asked, said, step)

    def _start(
        self,
        task: str,
        said: str,
        placed_on: list[tuple[str, PlacedScrew]],
        asked: Asked,
        changes: list[str],
        step: dict[str, Any],
    ) -> None:
        plan, in_hand = self.desk.history.plan, self._in_hand()
        self.work.begin(task, said, {"folder": self.folder, "plan": plan, "asked": asked, **step})
        self._begun = _Begun(in_hand, placed_on, asked, changes)

    def worked(self, event: WorkEvent) -> None:
        """Take what was measured, or say why nothing was."""
        begun, self._begun = self._begun, None
        if event.kind == "cancelled":
            self.desk.said = "cancelled; the plan is as it was"
        elif event.kind == "fault":
            self.desk.said = str(event.value)
        elif event.kind == "done" and begun is not None:
            comparison: Comparison = event.value if event.task == COMPARE else event.value[0]
            # What came back is a copy; whether a screw is still in the plan is asked of our own.
            self._rows = tuple(
                replace(row, placed=placed)
                for row, (_, placed) in zip(comparison.rows, begun.placed_on, strict=True)
            )
            self._compared = replace(comparison, rows=self._rows) if event.task == COMPARE else None
            self._moved = None if event.task == COMPARE else event.value[1]
            self._base, self._changes, self._asked = begun.in_hand, begun.changes, begun.asked
            self._pose = self.desk.pose
            self._count += 1

    def put(self, number: int) -> None:
        """Put a compared screw in the place of the planned one whose path it is on, as a step.

        Raises InputError where there is none.
        """
        if number >= len(self._rows) or self._rows[number].result is None or self._moved is not None:
            raise InputError("that was not compared; compare once more")
        row, desk = self._rows[number], self.desk
        planned = {placed.name: n for n, placed in enumerate(desk.history.plan.screws)}
        if row.path not in planned or self._pose != desk.pose:
            raise InputError(f"{row.path} is no longer in the plan as it was compared; compare once more")
        desk.select(planned[row.path])
        words = step_words(desk.history.plan.screws[desk.selected], row.placed, None)
        desk.adopt(words, row.placed)

    def _variants(self, message: Compare) -> list[tuple[str, PlacedScrew]]:
        placed, plan, known = self._in_hand(), self.desk.history.plan, self.desk.screws
        lengths_mm = sorted({placed.length_mm, *message.lengths_mm})
        wanted = [Wanted(lengths_mm=lengths_mm, path=placed.name)]
        for family in message.families:
            if family not in known:
                raise InputError(f"there is no screw {family!r}; choose one of the list")
            screw = known[family]
            own = techniques(screw)
            technique = placed.technique if placed.technique in own else "position"
            nearest_mm = stocked_length_mm(screw, placed.length_mm)
            wanted.append(Wanted((family,), (nearest_mm,), (technique,), placed.name))
        wanted += [Wanted(techniques=(one,), path=placed.name) for one in message.techniques]
        wanted += [Wanted(path=other) for other in message.others]
        found: list[tuple[str, PlacedScrew]] = []
        for path, one in (pair for each in wanted for pair in variants(plan, known, each)):
            if not any(path == other and alike(one, before) for other, before in found):
                found.append((path, one))
        if len(found) < 2:
            raise InputError(f"nothing stands beside {placed.name}; choose a length, a screw or a technique")
        if len(found) > SIDE_BY_SIDE_COUNT:
            raise InputError(
                f"at most {SIDE_BY_SIDE_COUNT} screws stand side by side (got {len(found)}); choose fewer"
            )
        return found

    def _in_hand(self) -> PlacedScrew:
        screws = self.desk.history.plan.screws
        if self.desk.selected >= len(screws):
            raise InputError("the plan has no screw, so there is nothing to compare; place one first")
        return screws[self.desk.selected]

    # What is shown

    def choices(self) -> dict[str, Any] | None:
        """What can stand beside the screw in hand, and what of it can be changed; None without one."""
        plan = self.desk.history.plan
        if self.desk.selected >= len(plan.screws):
            return None
        placed = plan.screws[self.desk.selected]
        own = own_values(placed)
        return {
            "lengths": _lengths(placed),
            "techniques": [one for one in techniques(placed.screw) if one != placed.technique],
            "others": [one.name for n, one in enumerate(plan.screws) if n != self.desk.selected],
            "own": [
                {"name": name, "words": ", ".join(CHANGED[name]), "own": value_of(value) if value else ""}
                for name, value in own.items()
            ],
            "open": bool(self._rows),
        }

    def shown(self) -> dict[str, Any]:
        """The choices, and the table where it is another than the page has."""
        if self._rows and self._pose != self.desk.pose:
            self.forget()
        columns = self._columns()
        places = tuple((one.place, one.doubted) for one in columns)
        state = (self._count, len(self._rows), places, tuple(self._notes()))
        shown: dict[str, Any] = {"compare": self.choices()}
        if state != self._sent:
            self._sent = state
            shown["compared"] = self._table(columns) if columns else None
        return shown

    def _columns(self) -> list[Column]:
        found = []
        for number, row in enumerate(self._rows):
            if row.result is not None:
                place = self._place(row)
                found.append(Column(number, row, place, self._doubted(row, place)))
        return found

    def _place(self, row: Row) -> int | None:
        """Where a row's screw stands in the plan that was measured last; None where it does not."""
        measured = () if self.desk.assessment is None else self.desk.assessment.screws
        places = (
            place
            for place, one in enumerate(measured)
            if one.placed.name == row.path and alike(one.placed, row.placed)
        )
        return None if self._other_site else next(places, None)

    def _doubted(self, row: Row, place: int | None) -> bool:
        """Whether the plan's assessment tells the same doubt of it."""
        if place is None or self.desk.assessment is None or row.result is None:
            return False
        drawn = (self.desk.assessment.screws[place].doubt, row.result.doubt)
        return len({(one.placement, one.draws_count, one.seed) if one else None for one in drawn}) == 1

    @property
    def _other_site(self) -> bool:
        sites = (self._asked.site, self.desk.asked.site)
        return len({None if one is None else one.name for one in sites}) > 1

    def _notes(self) -> list[str]:
        """What has changed since the comparison was made."""
        screws = {one.name: one for one in self.desk.current.screws}
        told = []
        if self._rows and self._moved is None:
            paths = dict.fromkeys(row.path for row in self._rows)
            changed = [path for path in paths if path not in screws or not self._stands(path, screws[path])]
            if changed:
                told.append(f"{', '.join(changed)} changed since: this is how it was when it was compared.")
        if self._rows and self._other_site:
            told.append("Another site is chosen since; compare once more for its limits.")
        return told

    def _stands(self, path: str, placed: PlacedScrew) -> bool:
        return any(row.path == path and alike(row.placed, placed) for row in self._rows)

    def _table(self, columns: Sequence[Column]) -> dict[str, Any]:
        site = self._asked.site
        apex_mm = None if site is None else site.tip_apex_mm
        table = compared_table(columns, self.desk.bone.host, self._asked.limits, apex_mm)
        heads = [self._head(one) for one in columns]
        faults = [f"Not measured: {row.name}: {row.fault}." for row in self._rows if row.fault]
        moved = None
        if self._moved is not None:
            moved = {
                "changes": self._changes,
                "rows": moved_rows(self._moved, columns[0].result, columns[1].result),
            }
        return {
            "number": self._count,
            "heads": heads,
            "rows": table["rows"],
            "notes": [*self._notes(), *faults],
            "untold": table["untold"],
            "drawn": self._drawn(),
            "moved": moved,
        }

    def _head(self, column: Column) -> dict[str, Any]:
        row = column.row
        if self._moved is not None:
            varied = ["as planned" if column.number == 0 else "what if"]
        else:
            varied = _told_apart(row, self._base)
        return {
            "number": column.number,
            "name": row.path,
            "varied": varied,
            "in_plan": self._moved is None and column.place is not None,
            "put": self._moved is None and column.place is None,
        }

    def _drawn(self) -> str:
        doubt = self._asked.doubt
        if doubt is None:
            return "No doubt drawn: choose “Placed by” to see how often each limit is kept."
        how = PLACED_BY[doubt.placement]
        return f"Placed by {how}: the same {doubt.draws_count:,} draws for each (seed {doubt.seed})."


def _told_apart(row: Row, base: PlacedScrew | None) -> list[str]:
    """What sets a screw apart from the one in hand, with its length; of the one in hand its family."""
    placed, length = row.placed, length_words(row.placed.length_mm)
    if base is None or row.path != base.name:
        return [row.path, length, placed.screw.name]
    if alike(placed, base):
        return [length, placed.screw.name]
    screw = [] if placed.screw is base.screw else [placed.screw.name]
    technique = [] if placed.technique == base.technique else [placed.technique]
    return [length, *screw, *technique]


def _lengths(placed: PlacedScrew) -> list[dict[str, Any]]:
    """Stocked lengths around the one in hand, its neighbours marked."""
    stocked_mm = sorted(placed.screw.stocked_lengths_mm)
    below = [one for one in stocked_mm if one < placed.length_mm][-LENGTHS_AROUND_COUNT:]
    above = [one for one in stocked_mm if one > placed.length_mm][:LENGTHS_AROUND_COUNT]
    near = {*below[-1:], *above[:1]}
    return [{"mm": one, "near": one in near} for one in (*below, *above)]
