"""The process in which long steps are taken: scans read, bones made and changed, fragments reduced.

A step is a function here, called by name with plain arguments; it tells what it is at, and returns plain
values. What a step read stays for the next one on the same file.
"""

from __future__ import annotations

import contextlib
import signal
import tempfile
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from segmentation.errors import InputError
from viewer.console import Progress

if TYPE_CHECKING:
    from segmentation.vocabulary import CTVolume

_read: dict[tuple[str, int | None], CTVolume] = {}
"""The scan that was read last."""


def run(connection: Connection) -> None:
    """Take the steps that come in until the other end of ``connection`` is closed."""
    # Ctrl-C in the terminal is for the server; this process ends by its pipe.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(EOFError, OSError):
        while True:
            task, arguments = connection.recv()
            try:
                value = TASKS[task](lambda step: connection.send(("step", step)), **arguments)
                connection.send(("done", value))
            except InputError as fault:
                connection.send(("fault", str(fault)))
            except MemoryError:
                connection.send(("fault", "there is not enough memory for this step; nothing was changed"))


def look_into(progress: Progress, path: Path) -> dict[str, Any]:
    """What volumes a file or folder holds, in words, and which would be loaded."""
    from segmentation.scan import scan_ct

    progress("reading headers")
    told = scan_ct(path)
    found = [
        {
            "number": one.number,
            "title": one.title,
            "shape": None if one.grid is None else list(one.grid.shape),
            "spacing_mm": None if one.grid is None else [float(edge) for edge in one.grid.spacing_mm],
            "refusal": one.refusal,
        }
        for one in told.found
    ]
    return {"kind": told.kind, "found": found, "loads": told.loads, "refusal": told.refusal}


def read_scan(progress: Progress, path: Path, series: int | None) -> dict[str, Any]:
    """Read a scan: where its grey values lie on the disk for this run, its grid, level and histogram."""
    import numpy as np

    from segmentation.kernel import sharp_note
    from segmentation.record import histogram_of
    from segmentation.threshold import choose_level

    ct = _scan(progress, path, series)
    progress("choosing the level")
    level_hu, reason = None, ""
    try:
        chosen = choose_level(ct)
        level_hu, reason = chosen.level_hu, chosen.reason
    except InputError as fault:
        reason = str(fault)
    progress("counting grey values")
    histogram = histogram_of(ct)
    # The page's process looks at the same values by way of a file that only this run knows.
    with tempfile.NamedTemporaryFile(prefix="pilothole-", suffix=".npy", delete=False) as file:
        np.save(file, ct.hu)
    return {
        "hu_file": file.name,
        "affine": np.asarray(ct.grid.affine).tolist(),
        "told_voltage_kv": ct.tube_voltage_kv,
        "level_hu": level_hu,
        "level_reason": reason,
        "histogram": histogram,
        "notes": [*sharp_note(ct)],
    }


def make_bone(
    progress: Progress, path: Path, series: int | None, folder: Path, options: Mapping[str, Any]
) -> None:
    """Make a case from a scan with ``SegmentOptions``, as ``pilothole segment`` does."""
    from segmentation.case import write_case
    from viewer.pipeline import SegmentOptions, bone_from_ct, check_target

    check_target(folder, replace=False)
    scan = _scan(progress, path, series)
    bone = bone_from_ct(path, SegmentOptions(series=series, **options), progress, scan=scan)
    progress("writing the case")
    write_case(folder, bone)


def make_demo(progress: Progress, name: str, folder: Path) -> Path:
    """Make a demo bone's files and its case; the case."""
    from segmentation.files import refusals_as_sentences
    from viewer.demo_case import write_demo_case

    with refusals_as_sentences("cannot make the demo's folder"):
        folder.parent.mkdir(exist_ok=True)
    return write_demo_case(folder, name, progress)


def _scan(progress: Progress, path: Path, series: int | None) -> CTVolume:
    from segmentation.ct import load_ct

    key = (str(path), series)
    if key not in _read:
        progress("reading the scan")
        _read.clear()
        _read[key] = load_ct(path, series)
    return _read[key]


TASKS: Mapping[str, Callable[..., Any]] = {
    "look_into": look_into,
    "read_scan": read_scan,
    "make_bone": make_bone,
    "make_demo": make_demo,
}
"""Every step by name."""
