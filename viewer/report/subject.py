"""One screw as its pictures need it: its solid in place, and what its axis and its thread meet at each
depth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.solid import Solid, solid_of
from planner.vocabulary import Assessment, ScrewResult, ThreadZone
from segmentation.vocabulary import Bone, Floats
from viewer.report.section import crossing_depths_mm, labels_at
from viewer.report.tokens import FragmentInk, fragment_ink
from viewer.report.view_frame import PosedFragment, ScrewFrame, posed_fragments, screw_frame

SNAP_MM = 0.4
"""A crossing this near to the measured entry or exit is that entry or exit: the mesh differs by less. Our
choice."""

RING_ANGLES_COUNT, RING_RADII_COUNT = 24, 3
"""Samples of the ring between core and major radius, only to colour a tooth. Our choice."""

BITES_FRACTION = 0.5
"""A tooth is drawn as biting where at least this share of its ring lies in one fragment (as in the mock)."""

ATTENTION = {"note": 0, "warn": 1, "stop": 2}
"""Severities, mildest first."""


@dataclass(frozen=True)
class Stretch:
    """A length of the axis inside one fragment."""

    from_mm: float
    to_mm: float
    number: int
    name: str
    bone: str


@dataclass(frozen=True, eq=False)
class Subject:
    """A screw, the bone it is in, and the frame of its pictures. ``others`` are the plan's other screws.

    ``number`` is the screw's place in the plan, from 1.
    """

    bone: Bone
    result: ScrewResult
    posed: tuple[PosedFragment, ...]
    frame: ScrewFrame
    solid: Solid
    stretches: tuple[Stretch, ...]
    others: tuple[ScrewResult, ...]
    number: int

    @property
    def seat_mm(self) -> float:
        """Depth of the datum plane: under the head, or the trailing end."""
        return self.result.placed.seat_depth_mm

    @property
    def top_depth_mm(self) -> float:
        """Depth of the screw's outermost end, negative when it stands out of the bone."""
        return self.seat_mm + self.solid.top_mm

    @property
    def exit_depth_mm(self) -> float:
        """Depth of the exit."""
        return self.result.bone_length_mm

    @property
    def zones(self) -> tuple[ThreadZone, ...]:
        """The thread zones, in mm from the datum plane."""
        return self.solid.zones

    @property
    def own(self) -> tuple[PosedFragment, ...]:
        """The fragments of the bone the screw enters."""
        return tuple(fragment for fragment in self.posed if fragment.bone == self.result.bone_name)

    def rank(self, number: int) -> int:
        """Rank of a fragment among its bone's, which chooses ink and hatch."""
        return next(fragment.rank for fragment in self.posed if fragment.number == number)

    def ink(self, number: int) -> FragmentInk:
        """The ink of a fragment."""
        return fragment_ink(self.rank(number))

    @property
    def worst(self) -> str | None:
        """The gravest severity among the findings, or None without any."""
        severities = [finding.severity for finding in self.result.findings]
        return max(severities, key=ATTENTION.__getitem__) if severities else None

    @property
    def alarm_past_exit(self) -> bool:
        """Whether leaving the far side is something to be warned of, and not a purchase in the far cortex."""
        return any("tip" in finding.code and finding.severity != "note" for finding in self.result.findings)

    def zone_at(self, depth_mm: float) -> ThreadZone | None:
        """The thread zone at a depth, or None on the shaft, the head and outside the screw."""
        z = depth_mm - self.seat_mm
        return next((zone for zone in self.zones if zone.from_mm <= z <= zone.to_mm), None)

    def bitten_at(self, depth_mm: float) -> int:
        """Number of the fragment that holds the thread at a depth; 0 in a gap, a gliding hole, or outside."""
        return self.bitten_by([depth_mm])[0]

    def bitten_by(self, depths_mm: Sequence[float]) -> list[int]:
        """The same at each of the depths."""
        glide_to_mm = self.result.gliding_hole_to_mm
        zones = [
            None if glide_to_mm is not None and depth_mm < glide_to_mm else self.zone_at(depth_mm)
            for depth_mm in depths_mm
        ]
        bites = [n for n, zone in enumerate(zones) if zone is not None]
        numbers = [0] * len(zones)
        if not bites:
            return numbers
        rings_mm = [self._ring_mm(zone, depths_mm[n]) for n, zone in enumerate(zones) if zone is not None]
        for n, labels in zip(
            bites, self._labels_at(np.concatenate(rings_mm)).reshape(len(bites), -1), strict=True
        ):
            number = int(np.bincount(labels).argmax())
            numbers[n] = number if np.mean(labels == number) >= BITES_FRACTION else 0
        return numbers

    def _ring_mm(self, zone: ThreadZone, depth_mm: float) -> Floats:
        """(n, 3) points of the ring between core and major diameter at a depth."""
        core_mm, major_mm = zone.thread.core_mm / 2, zone.thread.major_mm / 2
        rings = (np.arange(RING_RADII_COUNT) + 0.5) / RING_RADII_COUNT
        radii_mm = np.sqrt(core_mm**2 + rings * (major_mm**2 - core_mm**2))
        angles = np.arange(RING_ANGLES_COUNT) * 2 * np.pi / RING_ANGLES_COUNT
        spokes = np.cos(angles)[:, None] * self.frame.up + np.sin(angles)[:, None] * self.frame.toward
        return np.asarray((self.frame.at_mm(depth_mm) + radii_mm[:, None, None] * spokes).reshape(-1, 3))

    def _labels_at(self, points_mm: Floats) -> npt.NDArray[np.int_]:
        """(n,) number of the fragment that holds each point (n, 3), where the plan sees it; 0 for none."""
        labels = labels_at(self.bone, points_mm).astype(int)
        moved = [fragment for fragment in self.posed if fragment.moved]
        labels[np.isin(labels, [fragment.number for fragment in moved])] = 0
        for fragment in moved:
            scan_mm = points_mm @ fragment.to_scan[:3, :3].T + fragment.to_scan[:3, 3]
            labels[labels_at(self.bone, scan_mm) == fragment.number] = fragment.number
        return labels


Crossings = Callable[[PosedFragment, ScrewFrame], Floats]
"""Depths, ascending, at which a screw's axis crosses a fragment's surface."""


def subject_of(
    bone: Bone,
    assessment: Assessment,
    result: ScrewResult,
    *,
    as_scanned: bool,
    posed: tuple[PosedFragment, ...] | None = None,
    frame: ScrewFrame | None = None,
    crossings: Crossings | None = None,
) -> Subject:
    """The subject for one of the assessment's screws.

    ``posed``, ``frame`` and ``crossings`` are for a caller who has them: the fragments where the plan sees
    them, the frame to draw in, and a quicker way to cross a surface.
    """
    if posed is None:
        posed = posed_fragments(bone, as_scanned=as_scanned)
    if frame is None:
        frame = screw_frame(result)
    return Subject(
        bone=bone,
        result=result,
        posed=posed,
        frame=frame,
        solid=solid_of(result.placed.screw, result.placed.length_mm),
        stretches=_stretches(result, frame, posed, crossings or _through_all_triangles),
        others=tuple(other for other in assessment.screws if other is not result),
        number=[other is result for other in assessment.screws].index(True) + 1,
    )


def _through_all_triangles(fragment: PosedFragment, frame: ScrewFrame) -> Floats:
    return crossing_depths_mm(frame.origin_mm, frame.along, fragment.vertices_mm, fragment.faces)


def _stretches(
    result: ScrewResult, frame: ScrewFrame, posed: Sequence[PosedFragment], crossings: Crossings
) -> tuple[Stretch, ...]:
    """Stretches of the axis in bone, from where the surfaces cross it; own bone from entry to exit, others
    anywhere."""
    found = []
    for fragment in posed:
        depths_mm = crossings(fragment, frame)
        own = fragment.bone == result.bone_name
        for from_mm, to_mm in zip(depths_mm[::2].tolist(), depths_mm[1::2].tolist(), strict=False):
            if own:
                from_mm = 0.0 if abs(from_mm) < SNAP_MM else from_mm
                to_mm = result.bone_length_mm if abs(to_mm - result.bone_length_mm) < SNAP_MM else to_mm
                if to_mm <= 0 or from_mm >= result.bone_length_mm:
                    continue
            found.append(Stretch(from_mm, to_mm, fragment.number, fragment.name, fragment.bone))
    return tuple(sorted(found, key=lambda stretch: stretch.from_mm))
