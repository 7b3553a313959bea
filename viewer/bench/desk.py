"""One case on the bench: its bone, its plan, what is in the hand, and every number as the plan stands.

Everything the page can ask for is a method here and nothing here knows of a page or a server. A change makes
a step of the history when the hand lets go; the plan in force is measured after each, and while a handle is
held the plan under the hand is measured instead. Numbers are the planner's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Any, Literal

import numpy as np

from planner.asked import Asked, assess_asked
from planner.assess import ReadyBone, ready
from planner.doubt import doubted, with_screws
from planner.doubt_vocabulary import Doubt
from planner.mesh import bundle_along, stretches_inside
from planner.plan_file import SCREWS_MAX_COUNT, plan_document, plan_of
from planner.posed import moves
from planner.vocabulary import Assessment, PlacedScrew, Plan, Screw, ScrewResult
from segmentation.errors import InputError
from segmentation.vocabulary import Bone, Floats
from viewer.bench.camera_hand import Standing, nearer, resized, slid, standing, turned
from viewer.bench.hand import dial_degree, dialled, frame_of
from viewer.bench.held import Held, moved
from viewer.bench.history import History
from viewer.bench.messages import Change, Drag, Look, Nudge, Show
from viewer.bench.on_bone import NeighbourError, between_places, entry_under, middle_mm
from viewer.bench.placed import changed, nudged
from viewer.bench.step_words import alike, step_words
from viewer.report.camera import Camera
from viewer.report.subject import Subject, subject_of
from viewer.report.view_frame import PosedFragment, ScrewFrame, posed_fragments

Pose = Literal["reduced", "as-scanned"]
"""In which frame a plan's points are."""

FIRST_FAMILY = "headless-two-pitch-3.0-3.9"
"""Family of the first screw of a plan, where the catalogue has it. Our choice."""

CURSOR_BEYOND_MM = 3.0
"""The depth cursor walks this far beyond entry, exit and tip (design of the page)."""


@dataclass
class Desk:
    """A case on the bench."""

    bone: Bone
    screws: Mapping[str, Screw]
    plan: Plan
    size_px: tuple[float, float] = (900.0, 420.0)
    asked: Asked = field(default_factory=Asked)
    ready: ReadyBone = field(init=False)
    history: History = field(init=False)
    selected: int = 0
    hidden: set[str] = field(default_factory=set)
    faint: set[int] = field(default_factory=set)
    neighbours: bool = True
    cursor_mm: float | None = None
    held: Held | None = None
    assessment: Assessment | None = None
    said: str = ""
    first_click_mm: Floats | None = None
    camera: Camera = field(init=False)
    pose: Pose = field(init=False)
    posed: tuple[PosedFragment, ...] = field(init=False)
    _ups: dict[str, Floats] = field(default_factory=dict)
    _clicked: str | None = None

    def __post_init__(self) -> None:
        self._take_pose(self.plan.pose)
        self.history = History(self.plan)
        self._measure(self.plan)
        self.look_from("whole")

    def _take_pose(self, pose: Pose) -> None:
        """Make the bone ready as scanned or reduced; that takes about a second."""
        self.pose = pose
        self.ready = ready(self.bone, as_scanned=pose == "as-scanned")
        self.posed = posed_fragments(self.bone, as_scanned=pose == "as-scanned")

    def take_bone(self, bone: Bone) -> None:
        """The case's bone is another now; the plan and its history stay."""
        self.bone, self.held, self.first_click_mm = bone, None, None
        self.faint = set()
        self._take_pose(self.pose)
        self._measure_if_it_can()

    def pose_as(self, pose: Pose) -> None:
        """Bones and the plan's points as scanned or reduced, as a step."""
        if pose == self.pose:
            return
        plan = replace(self.history.plan, pose=pose)
        self._step("as scanned" if pose == "as-scanned" else "reduced", plan)
        self._take_pose(pose)
        self._measure_if_it_can()

    def _measure_if_it_can(self) -> None:
        """Measure the plan in force; where an axis misses the bone say so, with no numbers."""
        try:
            self._measure(self.history.plan)
        except InputError as fault:
            self.assessment, self.said = None, str(fault)

    # What is there now

    @property
    def current(self) -> Plan:
        """The plan under the hand, or the one in force."""
        return self.held.now if self.held else self.history.plan

    @property
    def result(self) -> ScrewResult | None:
        """What was measured for the screw in hand."""
        screws = self.assessment.screws if self.assessment else ()
        return screws[self.selected] if self.selected < len(screws) else None

    @property
    def reduced(self) -> bool:
        """Whether a fragment has a pose other than the scan's."""
        return any(moves(fragment.pose) for fragment in self.bone.fragments)

    @property
    def document(self) -> dict[str, Any]:
        """plan.json of the plan in force."""
        return plan_document(self.history.plan)

    def frame(self, result: ScrewResult | None = None) -> ScrewFrame | None:
        """The frame of the pictures of a screw (the one in hand), its dial as the person left it."""
        result = result or self.result
        if result is None:
            return None
        return frame_of(result.entry_mm, result.direction, self._ups.get(result.placed.name))

    def subject(self) -> Subject | None:
        """The screw in hand as its drawings need it."""
        if self.assessment is None or self.result is None:
            return None
        return subject_of(
            self.bone,
            self.assessment,
            self.result,
            as_scanned=self.current.pose == "as-scanned",
            posed=self.posed,
            frame=self.frame(),
            crossings=self._crossings_mm,
        )

    def _crossings_mm(self, fragment: PosedFragment, frame: ScrewFrame) -> Floats:
        mesh = self.ready.prepared.meshes[fragment.number]
        line = bundle_along(frame.origin_mm, frame.along, np.zeros((1, 2)))
        return np.asarray(stretches_inside(mesh, line).of_line(0).ravel())

    # The hand

    def drag(self, drag: Drag) -> None:
        """Move the held handle; the first call takes it. Where it cannot go it stays, and says why."""
        if drag.handle == "cursor":
            self.cursor_mm = float(drag.x)
            return
        held = self.held
        if held is None or held.drag.handle != drag.handle or held.drag.screw != drag.screw:
            held = self._take(drag)
        if drag.handle == "dial":
            frame = dialled(held.frame, drag.x)
            self._ups[held.before.name] = frame.up
            return
        self._try(lambda: self._moved(held, drag))

    def drop(self) -> None:
        """Let go: what the hand did becomes a step."""
        held, self.held = self.held, None
        if held is None or held.drag.handle in ("dial", "cursor"):
            return
        after = held.now.screws[held.drag.screw]
        if alike(held.before, after):
            return
        self._step(step_words(held.before, after, held.drag.handle), held.now)

    def cancel(self) -> None:
        """Let go and leave everything as before."""
        held, self.held = self.held, None
        self.first_click_mm = None
        if held is not None:
            self._ups[held.before.name] = held.frame.up
            self._measure(self.history.plan)

    def _take(self, drag: Drag) -> Held:
        if self.assessment is None or drag.screw >= len(self.assessment.screws):
            raise InputError("there is no such screw")
        self.selected = drag.screw
        result = self.assessment.screws[drag.screw]
        frame = self.frame(result)
        assert frame is not None
        self.held = Held(drag, result.placed, result, frame, self.history.plan)
        return self.held

    def _moved(self, held: Held, drag: Drag) -> Plan:
        cursor_mm = self._cursor_mm(held.result)
        return self._with(drag.screw, moved(self.ready, self.camera, held, drag, cursor_mm))

    def _cursor_mm(self, result: ScrewResult) -> float:
        wanted = result.tip_depth_mm / 2 if self.cursor_mm is None else self.cursor_mm
        return float(np.clip(wanted, *self.cursor_ends_mm(result)))

    @staticmethod
    def cursor_ends_mm(result: ScrewResult) -> tuple[float, float]:
        """Between which depths the cursor walks."""
        return -CURSOR_BEYOND_MM, max(result.bone_length_mm, result.tip_depth_mm) + CURSOR_BEYOND_MM

    @property
    def cursor_depth_mm(self) -> float:
        """Where the depth cursor stands."""
        return 0.0 if self.result is None else self._cursor_mm(self.result)

    # Steps

    def undo(self) -> None:
        """One step back."""
        self._again(self.history.undo())

    def redo(self) -> None:
        """One step forth."""
        self._again(self.history.redo())

    def _again(self, moved: bool) -> None:
        self.held = None
        if moved:
            self.selected = min(self.selected, max(len(self.history.plan.screws) - 1, 0))
            if self.history.plan.pose != self.pose:
                self._take_pose(self.history.plan.pose)
            self._measure_if_it_can()

    def change(self, change: Change) -> None:
        """A value typed or chosen. Raises InputError where it does not suit."""
        before = self._placed(change.screw)
        after = changed(before, change, self.screws)
        if alike(before, after) and before.name == after.name:
            return
        plan = self._with(change.screw, after)
        # The file's own rules hold here too: what could not be read back must not be made.
        plan_of(plan_document(plan), self.screws, "the plan")
        if after.name != before.name:
            self._ups[after.name] = self._ups.pop(before.name, np.zeros(3))
            if not self._ups[after.name].any():
                del self._ups[after.name]
            if before.name in self.hidden:
                self.hidden = self.hidden - {before.name} | {after.name}
        self.selected = change.screw
        self._measure(plan)
        self._step(step_words(before, after, None), plan)

    def nudge(self, nudge: Nudge) -> None:
        """A handle moved by keys, as one step."""
        result = self._result_of(nudge.screw)
        frame = self.frame(result)
        assert frame is not None
        if nudge.handle == "cursor":
            self.cursor_mm = self._cursor_mm(result) + nudge.along
            return
        if nudge.handle == "dial":
            self._ups[result.placed.name] = dialled(frame, dial_degree(frame) + nudge.along).up
            return
        before = result.placed
        after = nudged(self.ready, nudge, result, frame)
        plan = self._with(nudge.screw, after)
        self.selected = nudge.screw
        self._measure(plan)
        self._step(step_words(before, after, nudge.handle if nudge.handle != "length" else None), plan)

    def put(self, x_fraction: float, y_fraction: float) -> None:
        """The first call marks the entry on the bone, the second the place to aim at: a new screw."""
        if self.first_click_mm is None:
            place, asked = (x_fraction, y_fraction), self._clicked
            self._clicked = None
            try:
                found = entry_under(self.ready, self.camera, *place, self._bone_in_hand(), asked)
            except NeighbourError as other:
                self._clicked = other.name
                raise
            self.first_click_mm, self._clicked = found
            self.said = (
                f"entry on {self._clicked}; now click where the screw should aim: it goes half-way through "
                "the bone there; turn the bone first if you need to"
            )
            return
        entry_mm, self.first_click_mm = self.first_click_mm, None
        bone_name, self._clicked = self._clicked or self._bone_in_hand(), None
        aim_mm = middle_mm(self.ready, self.camera, x_fraction, y_fraction, bone_name)
        plan = self.history.plan
        if len(plan.screws) >= SCREWS_MAX_COUNT:
            raise InputError(f"a plan holds at most {SCREWS_MAX_COUNT} screws")
        screw = plan.screws[self.selected].screw if plan.screws else self._first_family()
        name = self._free_name()
        placed = between_places(self.ready, name, screw, entry_mm, aim_mm, plan)
        after = Plan((*plan.screws, placed), plan.pose)
        self.selected = len(plan.screws)
        self.cursor_mm = None
        self._measure(after)
        self._step(f"new screw {name}", after)

    def copy(self, index: int) -> None:
        """A copy of a screw beside it, with a name of its own."""
        placed = self._placed(index)
        plan = self.history.plan
        twin = replace(placed, name=self._free_name())
        after = Plan((*plan.screws, twin), plan.pose)
        self.selected = len(plan.screws)
        self._measure(after)
        self._step(f"copy of {placed.name}", after)

    def remove(self, index: int) -> None:
        """Take a screw out of the plan; undo brings it back."""
        placed = self._placed(index)
        plan = self.history.plan
        after = Plan(tuple(p for n, p in enumerate(plan.screws) if n != index), plan.pose)
        self.selected = max(min(self.selected, len(after.screws) - 1), 0)
        self._measure(after)
        self._step(f"removal of {placed.name}", after)

    def hide(self, index: int) -> None:
        """Draw a screw no more, or again; it stays in the plan."""
        self.hidden ^= {self._placed(index).name}

    def select(self, index: int) -> None:
        """Take another screw in hand."""
        self._placed(index)
        self.selected, self.cursor_mm, self.held = index, None, None

    def turn_to(self, toward: Floats) -> None:
        """Turn the dial of the screw in hand to a direction (3,) across it."""
        self._ups[self._placed(self.selected).name] = toward

    def show(self, show: Show) -> None:
        """Draw a fragment or the neighbours or not."""
        if show.fragment is not None:
            self.faint ^= {show.fragment}
        if show.neighbours is not None:
            self.neighbours = show.neighbours

    # The camera

    def look(self, look: Look) -> None:
        """Turn, move and draw near, or go to a standing view."""
        if look.view is not None:
            self.look_from(look.view)
        if look.turn is not None:
            self.camera = turned(self.camera, *look.turn)
        if look.slide is not None:
            self.camera = slid(self.camera, *look.slide)
        if look.near is not None:
            self.camera = nearer(self.camera, look.near)

    def look_from(self, view: Standing) -> None:
        """The camera of a standing view."""
        result = self.result
        own = [one for one in self.posed if result is not None and one.bone == result.bone_name]
        self.camera = standing(view, self.frame(), result, own or self._most_broken(), self.size_px)

    def resize(self, size_px: tuple[float, float]) -> None:
        """The scene's picture has another size."""
        self.size_px = size_px
        self.camera = resized(self.camera, size_px)

    # Parts

    def _bone_in_hand(self) -> str:
        """The bone that is drawn in colour."""
        return self._most_broken()[0].bone if self.result is None else self.result.bone_name

    def _most_broken(self) -> list[PosedFragment]:
        broken = max(self.posed, key=lambda one: (one.rank, -one.number)).bone
        return [one for one in self.posed if one.bone == broken]

    def _placed(self, index: int) -> PlacedScrew:
        screws = self.history.plan.screws
        if index >= len(screws):
            raise InputError("there is no such screw")
        return screws[index]

    def _result_of(self, index: int) -> ScrewResult:
        self._placed(index)
        if self.assessment is None or index >= len(self.assessment.screws):
            raise InputError("this screw could not be measured; undo the last step")
        return self.assessment.screws[index]

    def _first_family(self) -> Screw:
        return self.screws.get(FIRST_FAMILY) or next(iter(self.screws.values()))

    def _free_name(self) -> str:
        taken = {placed.name for placed in self.history.plan.screws}
        return next(name for name in (f"S{number}" for number in count(1)) if name not in taken)

    def _with(self, index: int, placed: PlacedScrew) -> Plan:
        plan = self.history.plan
        return replace(plan, screws=tuple(placed if n == index else p for n, p in enumerate(plan.screws)))

    def _try(self, make: Any) -> None:
        """Measure the plan that ``make`` gives; where that cannot be, keep the last one and say why."""
        try:
            plan = make()
            self._measure(plan)
        except InputError as fault:
            self.said = str(fault)
            return
        if self.held:
            self.held.now = plan

    def _measure(self, plan: Plan) -> None:
        """Assess ``plan``. Raises InputError, leaving the last assessment, where an axis misses the bone."""
        asked = replace(self.asked, doubt=None)
        self.assessment = assess_asked(self.ready, plan, asked) if plan.screws else None
        self.said = ""
        for result in self.assessment.screws if self.assessment else ():
            frame = self.frame(result)
            if frame is not None:
                self._ups[result.placed.name] = frame.up

    def adopt(self, words: str, placed: PlacedScrew) -> None:
        """Put a screw that was found in the place of the one in hand; a first one where there is none."""
        plan = self.history.plan
        if self.selected < len(plan.screws):
            after = self._with(self.selected, replace(placed, name=plan.screws[self.selected].name))
        else:
            after = Plan((*plan.screws, replace(placed, name=self._free_name())), plan.pose)
        self.cursor_mm = None
        self._measure(after)
        self._step(words, after)

    def ask(self, asked: Asked) -> None:
        """Hold the screws against another site, or draw their doubt otherwise."""
        self.asked = asked
        self._measure_if_it_can()

    def take_doubt(self, doubt: Doubt) -> None:
        """The doubt of the screw in hand, drawn meanwhile (``doubting.py``)."""
        assert self.assessment is not None
        assert self.asked.doubt is not None
        screws = list(self.assessment.screws)
        screws[self.selected] = doubted(screws[self.selected], doubt)
        self.assessment = with_screws(self.assessment, screws, self.asked.doubt)

    def _step(self, words: str, plan: Plan) -> None:
        self.history.add(words, plan)
