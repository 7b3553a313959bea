"""Take a bone again from what its case keeps, and tell what a case loses when another takes its place.

``segment(bone.ct, **asked_of(bone))`` gives the bone's labels and names again, bit for bit; with one more
edit in ``edits`` it is what that edit makes of it. ``bone.ct`` is the scan as it was read: turned into
HU, of a DICOM series stacked on an even grid; so the original files are not needed.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from segmentation.bone_file import BoneDocument
from segmentation.case import BONE, read_document
from segmentation.edits import edits_of
from segmentation.errors import InputError
from segmentation.files import shown
from segmentation.seeds import BACKGROUND
from segmentation.vocabulary import Bone

LISTED_COUNT = 6
"""Names told one by one before only their number is. Our choice: one sentence has to stay readable."""


def asked_of(bone: Bone) -> dict[str, Any]:
    """The keyword arguments of ``segment`` that take ``bone`` from its CT again.

    Poses, and bones that a reduction put together, come after ``segment`` and are not among them. Raises
    InputError for a bone of a case from before this was kept.
    """
    asked = bone.segmentation.asked
    if asked is None:
        raise InputError("this case does not keep what was asked for when it was made; segment again")
    return {
        "threshold_hu": asked.threshold_hu,
        "calibration": bone.calibration,
        "calibration_reason": bone.calibration_reason,
        "host": bone.host,
        "edits": edits_of({"frame": "RAS-mm", "edits": [dict(edit) for edit in bone.edits]}, "the edits"),
        "labels": asked.labels,
        "seeds": asked.seeds,
        "keep_small": asked.keep_small,
        "joint": bone.joint if asked.joint_given else None,
        "find_joints": asked.find_joints,
        "names": asked.names,
        "refine": asked.refine,
    }


def lost_at(folder: Path, new: Bone) -> str | None:
    """What a person gave to the case at ``folder`` that ``new``, to take its place, does not have.

    Names, poses, edits, seeds, labels and a joint surface, in one sentence that says how to give them again;
    None where nothing is lost. To be asked before ``new`` is written.
    """
    if not (folder / BONE).is_file():
        return None
    try:
        old = read_document(folder)
    except InputError:
        return "the older case could not be read, so what a person gave to it and is gone is not told"
    lost = list(_lost_parts(old, new))
    if not lost:
        return None
    return f"of the older case is gone: {'; '.join(what for what, _ in lost)} (to give again: " + (
        f"{', '.join(dict.fromkeys(how for _, how in lost))})"
    )


def _lost_parts(old: BoneDocument, new: Bone) -> Iterator[tuple[str, str]]:
    """Each loss, and by what it is given again."""
    names = {fragment.name for fragment in new.fragments}
    given = [part.name for part in old.fragments if part.name != f"fragment {part.number}"]
    if gone := [name for name in given if name not in names]:
        yield f"the names {_listed(gone)}", "--name"
    if posed := [part.name for part in old.fragments if not np.array_equal(part.pose, np.eye(4))]:
        yield f"the pose of {_listed(posed)}", "pilothole reduce"
    kept = [dict(edit) for edit in new.edits]
    if count := sum(edit not in kept for edit in old.edits):
        yield f"{count} of {len(old.edits)} edits", "--edits or --cut"
    asked, now = old.segmentation.asked, new.segmentation.asked
    seeds = [] if asked is None else asked.seeds
    known = set() if now is None else {(seed.name, *seed.point_mm.tolist()) for seed in now.seeds}
    if missing := [part for part in seeds if (part.name, *part.point_mm) not in known]:
        called = dict.fromkeys(part.name for part in missing if part.name != BACKGROUND)
        yield (
            f"{len(missing)} of {len(seeds)} seeds" + (f" ({_listed(list(called))})" if called else ""),
            ("--seeds"),
        )
    if asked is not None and asked.labels and (now is None or now.labels is None):
        yield "the labels that were given", "--labels"
    if old.joint is not None and not old.joints and (now is None or not now.joint_given):
        yield "the joint surface that was given", "--joint"


def _listed(names: list[str]) -> str:
    told = ", ".join(shown(name) for name in names[:LISTED_COUNT])
    return told + (f" and {len(names) - LISTED_COUNT} more" if len(names) > LISTED_COUNT else "")
