"""The bone under the hand: marks in bones that touch, cuts, joins, the joint's brush, names, and reduction.

A tool gathers what it needs from clicks in the scene; what it has then is another state of the bone, or a
reduction, and a long step makes it so. Every state of the session can be gone back to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from segmentation.asked import Seed
from segmentation.documents import name_fault
from segmentation.edits import BRUSH_RADIUS_MAX_MM, JointBrush, Merge
from segmentation.errors import InputError
from segmentation.parts import Cut
from segmentation.sweep import Sweep
from segmentation.vocabulary import Bone, Floats
from viewer.bench.bone_state import BoneState, called, seed_words, state_of
from viewer.bench.camera_hand import in_plane_mm
from viewer.bench.desk import Desk
from viewer.bench.pick import Picked, picked
from viewer.bench.work import Work

Tool = Literal["mark", "cut", "line", "join", "add", "remove", "pair"]

MARK_DEPTH_MM = 1.5
"""A mark on a bone is set so far under its surface. Our choice: inside the cortex or just beyond it."""

SAMPLES_COUNT = 15
"""Places of a cut asked for how thick the fragment is there. Our choice."""

SAID: dict[Tool, str] = {
    "mark": "click on the bone that the mark's name is for, as often as you like; then tell apart",
    "cut": "click where the cut begins and where it ends; it goes straight in as you look",
    "line": "draw over the bone with the button held; the cut goes straight in as you look",
    "join": "click the two fragments that are to be one",
    "add": "click on the bone where the joint is to be",
    "remove": "click on the joint where there is none",
    "pair": "click on the fragment that moves, then where that place belongs on the other",
}
"""What a tool waits for."""


@dataclass
class Mending:
    """The state of ``desk``'s bone in ``folder``, the tool in hand, and the way back."""

    desk: Desk
    folder: Path
    work: Work
    tool: Tool | None = None
    name: str = ""
    bone_name: str = ""
    radius_mm: float = 5.0
    joint: str = ""
    move: int = 0
    onto: int = 0
    marks: list[Seed] = field(default_factory=list)
    clicks: list[Picked] = field(default_factory=list)
    places: list[tuple[float, float]] = field(default_factory=list)
    pairs: list[tuple[Floats, Floats]] = field(default_factory=list)
    told: tuple[str, ...] = ()
    refusal: str | None = None
    state: BoneState | None = field(init=False, default=None)
    _done: list[tuple[str, BoneState]] = field(default_factory=list)
    _undone: list[tuple[str, BoneState]] = field(default_factory=list)
    _aim: tuple[Literal["step", "undo", "redo"], str, BoneState] | None = None

    def __post_init__(self) -> None:
        self.took(self.desk.bone)

    def took(self, bone: Bone) -> None:
        """The bone is another now."""
        try:
            now = state_of(bone)
            self.refusal = None
        except InputError as fault:
            now, self.refusal = None, str(fault)
        if self._aim is not None and self.state is not None:
            way, words, _ = self._aim
            if way == "undo":
                self._done.pop()
                self._undone.append((words, self.state))
            else:
                if way == "redo":
                    self._undone.pop()
                else:
                    self._undone.clear()
                self._done.append((words, self.state))
        self.state, self._aim = now, None
        self.clicks.clear()
        self.marks.clear()
        self.pairs.clear()
        numbers = [fragment.number for fragment in bone.fragments]
        if self.move not in numbers or self.onto not in numbers:
            self.move, self.onto = (numbers[1], numbers[0]) if len(numbers) > 1 else (0, 0)

    def failed(self) -> None:
        """The step that was under way came to nothing."""
        self._aim = None

    @property
    def undo_words(self) -> str | None:
        """What undoing would take back."""
        return self._done[-1][0] if self._done else None

    @property
    def redo_words(self) -> str | None:
        """What redoing would bring back."""
        return self._undone[-1][0] if self._undone else None

    # What the page asks for

    def take(self, tool: Tool | None) -> None:
        """Another tool, or none; what the last one gathered is dropped, marks excepted."""
        self.tool = tool
        self.clicks.clear()
        self.places.clear()
        self.desk.said = "" if tool is None else SAID[tool]

    def set_to(self, told: Any) -> None:
        """Take ``told.tool`` where that is said, and set what else it says."""
        self.name = self.name if told.name is None else told.name
        self.bone_name = self.bone_name if told.bone is None else told.bone
        self.radius_mm = self.radius_mm if told.radius_mm is None else told.radius_mm
        self.joint = self.joint if told.joint is None else told.joint
        for key in ("move", "onto"):
            number = getattr(told, key)
            if number is not None:
                setattr(self, key, self._fragment(number).number)
                self.pairs.clear()
        if "tool" in told.model_fields_set:
            self.take(told.tool)

    def forget(self) -> None:
        """Drop what was clicked and not yet used."""
        self.marks.clear()
        self.pairs.clear()
        self.clicks.clear()
        self.places.clear()

    def unpair(self) -> None:
        """Take back the first click of a pair, or else the last pair."""
        if self.tool == "pair" and self.clicks:
            self.clicks.clear()
            self.places.clear()
        elif self.pairs:
            self.pairs.pop()
        self.desk.said = SAID["pair"] if self.tool == "pair" else ""

    def click(self, x_fraction: float, y_fraction: float) -> None:
        """A place of the scene was clicked with the tool in hand."""
        tool = self.tool
        if tool is None or tool == "line":
            return
        here = picked(self.desk.ready, self.desk.camera, x_fraction, y_fraction)
        self.told = ()
        if tool == "mark":
            self._mark(here)
            return
        if tool in ("add", "remove"):
            self._brush(here, tool)
            return
        if tool == "pair":
            asked = self.desk.bone.fragment(self.onto if self.clicks else self.move)
            if here.number != asked.number:
                other = self.desk.bone.fragment(here.number).name
                raise InputError(f"that is {other}; click on {asked.name}")
        self.clicks.append(here)
        self.places.append((x_fraction, y_fraction))
        if len(self.clicks) < 2:
            onto = self.desk.bone.fragment(self.onto).name
            self.desk.said = (
                f"now where that place belongs on {onto}" if tool == "pair" else "now the second place"
            )
            return
        (first, second), places = self.clicks, self.places
        self.clicks, self.places = [], []
        self.desk.said = SAID[tool]
        if tool == "cut":
            along = first.scan_way(second.point_mm - first.point_mm)
            normal = np.cross(along, first.scan_way(first.away))
            size = float(np.linalg.norm(normal))
            if size == 0:
                raise InputError("the two places are one as you look; click farther apart")
            self._edit("cut", Cut(self._inside(first, *places), normal / size))
        elif tool == "join":
            if first.number == second.number:
                raise InputError("both places are on one fragment; click two")
            low, high = sorted((first.number, second.number))
            self._join(low, high)
        else:
            self.pairs.append((first.scan_mm(), second.scan_mm()))

    def draw(self, line: Sequence[tuple[float, float]]) -> None:
        """A line was drawn over the scene: a cut by hand."""
        if self.tool != "line":
            return
        desk = self.desk
        on = None
        for x, y in line:
            try:
                on = picked(desk.ready, desk.camera, x, y)
                break
            except InputError:
                continue
        if on is None:
            raise InputError("the line meets no bone; draw it over the fragment to be cut")
        points = [on.scan_mm(in_plane_mm(desk.camera, x, y, on.point_mm)) for x, y in line]
        self._edit("cut by hand", Sweep(np.array(points), on.scan_way(on.away)))

    def tell_apart(self) -> None:
        """Make the bones that the marks name."""
        if not self.marks:
            raise InputError("there is no mark yet; name one and click on its bone")
        state = self._known()
        self._begin("telling apart", replace(state, seeds=(*state.seeds, *self.marks), names=()))

    def call(self, number: int, name: str, bone_name: str) -> None:
        """Give a fragment a name and a bone."""
        for word in (name, bone_name):
            if fault := name_fault(word):
                raise InputError(f"a name {fault}; choose another")
        fragment = self._fragment(number)
        if (fragment.name, fragment.bone) != (name, bone_name):
            self._begin(f"name {name}", called(self.desk.bone, self._known(), number, name, bone_name))

    def undo(self) -> None:
        """Back to the state before the last step."""
        if self._done:
            words, state = self._done[-1]
            self._begin(words, state, way="undo")

    def redo(self) -> None:
        """Forth again."""
        if self._undone:
            words, state = self._undone[-1]
            self._begin(words, state, way="redo")

    def reduce(self) -> None:
        """Bring fragment ``move`` back onto ``onto``, by their faces and the pairs."""
        move, onto = self._fragment(self.move), self._fragment(self.onto)
        if move.number == onto.number:
            raise InputError("choose two different fragments")
        self._aim = ("step", f"reduction of {move.name}", self._known())
        arguments = {
            "folder": self.folder,
            "move": move.number,
            "onto": onto.number,
            "pairs": list(self.pairs),
        }
        self._work("reduce", f"Bringing {move.name} onto {onto.name}", arguments)

    def as_scanned(self) -> None:
        """Put fragment ``move`` back where it was scanned."""
        move = self._fragment(self.move)
        state = self._known()
        poses = {**(state.poses or {}), move.number: np.eye(4)}
        self._begin(f"{move.name} as scanned", replace(state, poses=poses))

    # Parts

    def _mark(self, here: Picked) -> None:
        if fault := name_fault(self.name):
            raise InputError(f"the mark's name {fault}; type one first")
        self.marks.append(Seed(self.name, self.bone_name or self.name, here.within_mm(MARK_DEPTH_MM)))

    def _brush(self, here: Picked, action: Literal["add", "remove"]) -> None:
        own = self.desk.bone.fragment(here.number).bone
        names = [joint.name for joint in self.desk.bone.joints if joint.bone == own]
        name = self.joint or (names[0] if names else f"{own} / joint")
        if not 0 < self.radius_mm <= BRUSH_RADIUS_MAX_MM:
            raise InputError(f"the brush must be up to {BRUSH_RADIUS_MAX_MM:g} mm")
        words = "more joint" if action == "add" else "less joint"
        self._edit(words, JointBrush(action, here.scan_mm(), self.radius_mm, name))

    def _inside(self, first: Picked, begin: tuple[float, float], end: tuple[float, float]) -> Floats:
        """(3,) a point of the cut's plane, as scanned, half through the fragment where that is thickest."""
        thickest = first
        for share in np.linspace(0, 1, SAMPLES_COUNT):
            x, y = (a + share * (b - a) for a, b in zip(begin, end, strict=True))
            try:
                here = picked(self.desk.ready, self.desk.camera, x, y)
            except InputError:
                continue
            if here.number == first.number and here.thick_mm > thickest.thick_mm:
                thickest = here
        return thickest.within_mm(thickest.thick_mm)

    def _join(self, low: int, high: int) -> None:
        """The fragment with the lower number keeps its name; the other's goes with it."""
        state, gone = self._known(), self.desk.bone.fragment(high).name
        names = tuple(one for one in state.names if one[1] != gone)
        edits = (*state.edits, Merge(low, high))
        self._begin("join", replace(state, names=names, edits=edits, poses=None))

    def _edit(self, words: str, edit: Cut | Sweep | JointBrush) -> None:
        state = self._known()
        poses = state.poses if isinstance(edit, JointBrush) else None
        self._begin(words, replace(state, edits=(*state.edits, edit), poses=poses))

    def _known(self) -> BoneState:
        if self.state is None:
            raise InputError(self.refusal or "this bone cannot be changed here")
        return self.state

    def _fragment(self, number: int) -> Any:
        if not 1 <= number <= len(self.desk.bone.fragments):
            raise InputError("there is no such fragment")
        return self.desk.bone.fragment(number)

    def _begin(self, words: str, state: BoneState, way: Literal["step", "undo", "redo"] = "step") -> None:
        before = self._known()
        said = words if way == "step" else f"{way} of {words}"
        only_poses = state.changes == before.changes
        self._aim = (way, words, state)
        arguments: Mapping[str, Any] = {
            "folder": self.folder,
            "changes": None if only_poses else state.changes,
            "poses": state.poses,
        }
        self._work("mend", said[:1].upper() + said[1:], arguments)

    def _work(self, task: str, words: str, arguments: Mapping[str, Any]) -> None:
        try:
            self.work.begin(task, words, arguments)
        except InputError:
            self._aim = None
            raise

    def marked(self) -> list[tuple[str, Floats]]:
        """What was clicked and is not used yet, by name, where the plan sees it."""
        if self.tool is None and not self.marks:
            return []
        at = {one.number: one.to_scan for one in self.desk.posed}
        first = [("first", one.point_mm) for one in self.clicks]
        marks = [(one.name, one.point_mm) for one in self.marks]
        pairs = []
        for number, (move_mm, onto_mm) in enumerate(self.pairs, start=1):
            for fragment, point in ((self.move, move_mm), (self.onto, onto_mm)):
                to_plan = np.linalg.inv(at[fragment])
                pairs.append((f"{number}", to_plan[:3, :3] @ point + to_plan[:3, 3]))
        return first + marks + pairs

    def shown(self) -> dict[str, Any]:
        """What the page's column shows of it."""
        bone = self.desk.bone
        fragments = [
            {
                "number": one.number,
                "name": one.name,
                "bone": one.bone,
                "volume_mm3": float(one.volume_mm3),
                "reduced": not np.array_equal(one.pose, np.eye(4)),
            }
            for one in bone.fragments
        ]
        fractures = [
            {
                "between": [bone.fragment(number).name for number in one.between],
                "gap_mm": None if one.gap_median_mm is None else float(one.gap_median_mm),
            }
            for one in bone.fractures
        ]
        return {
            "fragments": fragments,
            "fractures": fractures,
            "joints": [{"name": one.name, "automatic": one.automatic} for one in bone.joints],
            "given_joint": bone.joint is not None and not bone.joints,
            "notes": list(bone.segmentation.notes),
            "level": bone.segmentation.threshold_reason,
            "level_hu": bone.segmentation.threshold_hu,
            "tool": self.tool,
            "name": self.name,
            "bone_name": self.bone_name,
            "radius_mm": self.radius_mm,
            "joint": self.joint,
            "marks": seed_words(self.marks),
            "seeds": seed_words(self.state.seeds if self.state else ()),
            "edits": len(self.state.edits) if self.state else 0,
            "move": self.move,
            "onto": self.onto,
            "pairs": len(self.pairs),
            "half_pair": self.tool == "pair" and bool(self.clicks),
            "told": list(self.told),
            "refusal": self.refusal,
        }
