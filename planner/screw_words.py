"""The thread of a laboratory's screw: as the table gives it, else as the standard family its words name.

"3.5 cortical" is ISO 5835 HA 3.5, "6.5 cancellous" HB 6.5, "2.7 locking" our generic locking screw. A screw
that only its family tells is less sure.
"""

from __future__ import annotations

import re
from dataclasses import replace

from planner.lab_row import LabRow
from planner.screw_families import all_families
from planner.vocabulary import Material, Screw, Thread

FAMILY_ERROR_FRACTION = 0.07
"""Standard error of a pull-out whose thread was taken from its family. Our choice: as large as that of the
equation's form (Weidling et al. 2022)."""

PREFIXES = {"cortical": "iso5835-ha-", "cancellous": "iso5835-hb-", "locking": "locking-"}


def family_of(row: LabRow) -> Screw | None:
    """The standard family a row's words name: a size and one kind; None where they name none or several."""
    words = row.screw_kind.lower()
    kinds = [kind for kind in PREFIXES if kind in words]
    sizes = set(re.findall(r"(?<![\d.])(\d\.\d)(?![\d.])", words))
    if row.major_mm is not None:
        sizes = {f"{row.major_mm:.1f}"}
    if len(kinds) != 1 or len(sizes) != 1:
        return None
    name = PREFIXES[kinds[0]] + sizes.pop()
    return next((screw for screw in all_families() if screw.name == name), None)


def thread_of(row: LabRow) -> tuple[Thread, list[str]] | list[str]:
    """The row's thread and what was assumed of it; or the parts that are missing."""
    family = family_of(row)
    standard = None if family is None else family.threads[0]
    major_mm, core_mm, pitch_mm = row.major_mm, row.core_mm, row.pitch_mm
    assumed = []
    if core_mm is None and major_mm is not None and row.thread_depth_mm is not None:
        core_mm = major_mm - 2 * row.thread_depth_mm
    if standard is not None and family is not None:
        given = {"major": major_mm, "core": core_mm, "pitch": pitch_mm}
        absent = [name for name, value in given.items() if value is None]
        if absent:
            assumed.append(f"{' and '.join(absent)} of {family.name}")
        major_mm = standard.major_mm if major_mm is None else major_mm
        core_mm = standard.core_mm if core_mm is None else core_mm
        pitch_mm = standard.pitch_mm if pitch_mm is None else pitch_mm
    missing = [
        words
        for words, value in (
            ("the major diameter", major_mm),
            ("the core diameter", core_mm),
            ("the pitch", pitch_mm),
        )
        if value is None
    ]
    if len(missing) == 3:
        return ["the screw's diameters and pitch"]
    if missing or major_mm is None or core_mm is None or pitch_mm is None:
        return missing
    if not 0 < core_mm < major_mm:
        return ["a core diameter below the major diameter"]
    plain = standard or Thread("tip", None, major_mm, core_mm, pitch_mm, "symmetrical")
    return replace(plain, major_mm=major_mm, core_mm=core_mm, pitch_mm=pitch_mm), assumed


def material_of(row: LabRow) -> Material | None:
    """Titanium alloy or stainless steel where the words say so, else None."""
    words = row.screw_kind.lower()
    return "titanium alloy" if "titanium" in words else "stainless steel" if "steel" in words else None


def is_tapered(row: LabRow) -> bool:
    """Whether the words speak of a tapered or conical core."""
    return any(word in row.screw_kind.lower() for word in ("taper", "conical"))


def is_headless(row: LabRow) -> bool:
    """Whether the words speak of a headless screw."""
    return "headless" in row.screw_kind.lower()


def head_radius_mm(row: LabRow) -> float | None:
    """Radius of the head of the family the words name."""
    family = family_of(row)
    return None if family is None or family.head is None else family.head.diameter_mm / 2
