"""What was done to a plan, in words, and the way back: without limit while the page runs.

A step holds the plan after it. While a handle is held nothing is a step; letting go makes one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from planner.vocabulary import Plan


@dataclass
class History:
    """Plans in the order they were made. ``plan`` is the one in force."""

    first: Plan
    _done: list[tuple[str, Plan]] = field(default_factory=list)
    _undone: list[tuple[str, Plan]] = field(default_factory=list)

    @property
    def plan(self) -> Plan:
        """The plan in force."""
        return self._done[-1][1] if self._done else self.first

    @property
    def undo_words(self) -> str | None:
        """What undoing would take back, or None where nothing was done."""
        return self._done[-1][0] if self._done else None

    @property
    def redo_words(self) -> str | None:
        """What redoing would bring back, or None where nothing was undone."""
        return self._undone[-1][0] if self._undone else None

    def add(self, words: str, plan: Plan) -> None:
        """Make a step; what was undone before is then gone."""
        self._done.append((words, plan))
        self._undone.clear()

    def undo(self) -> bool:
        """Take the last step back. False where there is none."""
        if not self._done:
            return False
        self._undone.append(self._done.pop())
        return True

    def redo(self) -> bool:
        """Make the last step that was taken back again. False where there is none."""
        if not self._undone:
            return False
        self._done.append(self._undone.pop())
        return True
