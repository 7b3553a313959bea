"""What lies below the folder the page was started for, by name: the only way from the page to the disk.

The page names steps from that folder downwards; a step that is no plain name, or leads out of the folder by a
link, is refused. Files are listed by their ending alone; nothing is opened.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from segmentation.errors import InputError
from segmentation.files import is_temporary, refusals_as_sentences, shown

SCAN_ENDINGS = (".nii", ".nii.gz", ".zip", ".dcm", ".ima")
"""Files that may be a scan (common practice)."""

DICOM_DIRECTORY = "dicomdir"
"""The index file of a DICOM medium (DICOM PS3.10), in any case."""

MOST_ENTRIES_COUNT = 400
"""More of a folder is not listed. Our choice: nobody reads on."""

Sort = Literal["case", "folder", "scan"]


@dataclass(frozen=True)
class Entry:
    """A case, a folder to look into, or a file that may be a scan."""

    name: str
    sort: Sort


@dataclass(frozen=True)
class Listing:
    """What is in a folder. ``scans_here``: files lie in it that may be slices of one scan."""

    entries: tuple[Entry, ...]
    scans_here: bool
    cut_short: bool


def below(root: Path, steps: Sequence[str]) -> Path:
    """The file or folder ``steps`` below ``root``. Raises InputError where it is not there, or not below."""
    place = root
    for step in steps:
        if step in ("", ".", "..") or any(letter in step for letter in "/\\\0"):
            raise InputError("a step to a file must be a plain name; choose one from the list")
        place = place / step
    with refusals_as_sentences("cannot look there"):
        real = place.resolve()
        inside = real == root.resolve() or real.is_relative_to(root.resolve())
        if not inside:
            raise InputError(f"{shown(place.name)} leads out of the folder this page was started for")
        if not real.exists():
            raise InputError(f"{shown(place.name)} is not there any more; list the folder again")
    return real


def listing(root: Path, steps: Sequence[str]) -> Listing:
    """The folder ``steps`` below ``root``: cases first, then folders, then files, each by name."""
    from segmentation.case import BONE

    folder = below(root, steps)
    if not folder.is_dir():
        raise InputError(f"{shown(folder.name)} is a file; open it instead")
    entries: list[Entry] = []
    plain_files_count = 0
    with refusals_as_sentences(f"cannot list {shown(folder.name)}"), os.scandir(folder) as found:
        for one in found:
            if one.name.startswith(".") or is_temporary(one.name):
                continue
            low = one.name.lower()
            if one.is_dir():
                is_case = (folder / one.name / BONE).is_file()
                entries.append(Entry(one.name, "case" if is_case else "folder"))
            elif low.endswith(SCAN_ENDINGS) or low == DICOM_DIRECTORY:
                entries.append(Entry(one.name, "scan"))
                plain_files_count += low.endswith((".dcm", ".ima"))
            elif "." not in one.name:
                plain_files_count += 1
    order: dict[Sort, int] = {"case": 0, "folder": 1, "scan": 2}
    entries.sort(key=lambda entry: (order[entry.sort], entry.name.lower()))
    # Slices are opened by their folder; a list of hundreds helps nobody.
    slices = [entry for entry in entries if entry.name.lower().endswith((".dcm", ".ima"))]
    if len(slices) > 1:
        entries = [entry for entry in entries if entry not in slices]
    return Listing(
        tuple(entries[:MOST_ENTRIES_COUNT]), plain_files_count > 1, len(entries) > MOST_ENTRIES_COUNT
    )
