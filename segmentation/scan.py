"""Tells what a file or folder holds and what would be loaded from it, from headers, before anything is.

With ``look`` some slices of a DICOM series that would load are read too: a sharp kernel is told.

The words come from geometry and scan settings; neither a patient's name, number, dates nor the names of files
and folders are in them, so the result may be shown or sent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from segmentation.ct import kind_of
from segmentation.errors import InputError
from segmentation.vocabulary import Grid

FORMAT, VERSION = "pilothole-scan", 1


@dataclass(frozen=True, eq=False)
class Found:
    """One volume that is there: what it is, where it would lie, what to know about it, or why not."""

    number: int
    title: str
    grid: Grid | None
    tube_voltage_kv: float | None
    notes: tuple[str, ...]
    refusal: str | None


@dataclass(frozen=True, eq=False)
class Scan:
    """What a path holds; ``loads`` is the number of what would be loaded, or ``refusal`` says why none is."""

    kind: str
    found: tuple[Found, ...]
    left_out: Mapping[str, int]
    notes: tuple[str, ...]
    loads: int | None
    refusal: str | None


def scan_ct(path: Path, series: int | None = None, *, look: bool = False) -> Scan:
    """What is at ``path``, and what ``load_ct`` would take from it; InputError where nothing can be told."""
    path = Path(path)
    if kind_of(path) == "NIfTI":
        return _scan_nifti(path, series)
    from segmentation.dicom import scan_dicom
    from segmentation.dicom_series import chosen
    from segmentation.dicom_source import is_zip
    from segmentation.kernel import sharp_note

    kind = "DICOM folder" if path.is_dir() else "zip file" if is_zip(path) else "DICOM file"
    where = f"the {kind}"
    contents, slices = scan_dicom(path, where, series, look=look)
    found = tuple(
        Found(one.number, one.title, one.grid, one.tube_voltage_kv, tuple(one.notes), one.refusal)
        for one in contents.series
    )
    loads, refusal, notes = None, None, list(contents.notes)
    try:
        one, chosen_notes = chosen(contents.series, series, where, contents.left_out)
        loads, notes = one.number, [*notes, *chosen_notes]
        if slices is not None:
            notes += sharp_note(slices)
    except InputError as fault:
        refusal = str(fault)
    return Scan(kind, found, dict(sorted(contents.left_out.items())), tuple(notes), loads, refusal)


def _scan_nifti(path: Path, series: int | None) -> Scan:
    from segmentation.nifti import nifti_grid

    if series is not None:
        raise InputError("a NIfTI file holds one volume; leave --series out")
    grid, notes = nifti_grid(path)
    found = Found(1, f"{'×'.join(map(str, grid.shape))} voxels", grid, None, tuple(notes), None)
    return Scan("NIfTI file", (found,), {}, (), 1, None)


def scan_document(scan: Scan) -> dict[str, Any]:
    """The scan as it is published in JSON."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "kind": scan.kind,
        "series": [_found_document(one) for one in scan.found],
        "left_out": dict(scan.left_out),
        "notes": list(scan.notes),
        "loads": scan.loads,
        "refusal": scan.refusal,
    }


def _found_document(one: Found) -> dict[str, Any]:
    return {
        "number": one.number,
        "title": one.title,
        "shape": None if one.grid is None else list(one.grid.shape),
        "spacing_mm": None if one.grid is None else [float(edge_mm) for edge_mm in one.grid.spacing_mm],
        "tube_voltage_kv": one.tube_voltage_kv,
        "notes": list(one.notes),
        "refusal": one.refusal,
    }
