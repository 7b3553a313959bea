"""Long steps of comparing, taken in the process for long steps: screws side by side, and one of them changed.

The bone that was made ready last stays, so that the next comparison on the same case begins at once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from viewer.console import Progress

if TYPE_CHECKING:
    from planner.asked import Asked
    from planner.assess import ReadyBone
    from planner.compare import Comparison
    from planner.vocabulary import PlacedScrew, Plan, Technique
    from planner.what_if import Move

_ready: dict[tuple[str, str, bool], ReadyBone] = {}
"""The bone that was made ready last, by its case, the digest of its bone.json, and its pose."""


def compare(
    progress: Progress,
    folder: Path,
    plan: Plan,
    placed_on: Sequence[tuple[str, PlacedScrew]],
    asked: Asked,
) -> Comparison:
    """Each path's name and the screw placed on it, measured in ``plan``'s pose on the case in ``folder``.

    Raises InputError where not one can be measured.
    """
    from planner.compare import side_by_side

    return side_by_side(_bone(progress, folder, plan), plan, placed_on, asked, progress)


def what_if(
    progress: Progress,
    folder: Path,
    plan: Plan,
    placed: PlacedScrew,
    asked: Asked,
    changes: Mapping[str, float],
    technique: Technique,
) -> tuple[Comparison, tuple[Move, ...]]:
    """``placed`` beside itself with ``changes`` and ``technique``, and what moved; doubt must be asked.

    Raises InputError for what cannot be changed or measured.
    """
    from planner.compare import side_by_side
    from planner.what_if import with_change

    bone = _bone(progress, folder, plan)
    before = side_by_side(bone, plan, [(placed.name, placed)], asked, progress)
    progress("the changed screw")
    return with_change(bone, plan, before, asked, changes, technique)


def _bone(progress: Progress, folder: Path, plan: Plan) -> ReadyBone:
    from planner.assess import ready
    from segmentation.case import BONE, read_case

    progress("reading the case")
    as_scanned = plan.pose == "as-scanned"
    # bone.json has the digests of all that the bone is read from.
    key = (str(folder), hashlib.sha256((folder / BONE).read_bytes()).hexdigest(), as_scanned)
    if key not in _ready:
        _ready.clear()
        _ready[key] = ready(read_case(folder), as_scanned=as_scanned)
    return _ready[key]
