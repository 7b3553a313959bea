"""A scan on its way to a bone: which series, where bone begins, how grey becomes density, its name.

The scan's grey values are read in the process for long steps and looked at here by way of a file of this run.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.documents import name_fault
from segmentation.errors import InputError
from segmentation.files import shown
from segmentation.how_found import Histogram
from segmentation.vocabulary import Grid, Host
from viewer.bench.level_histogram import histogram_drawn
from viewer.bench.listing import below
from viewer.bench.place import Kind, OnPicture, Place
from viewer.bench.scan_section import Cut, Planes, cut_svg
from viewer.bench.themes import themed
from viewer.bench.work import Work, WorkEvent
from viewer.report.overlay import VIEWS

CASE_ENDING = "-case"
"""Ends the name that is proposed for the case."""

SLOPES_MG_CM3_PER_HU = (0.01, 10.0)
"""Smallest and largest slope of a density line that is believed (common practice: 0.6 to 1.3)."""


class ScanPlace:
    """The scan at ``path``, ``steps`` below ``root``."""

    kind: Kind = "scan"

    def __init__(
        self,
        root: Path,
        steps: list[str],
        work: Work,
        open_case: Callable[[Path], Place],
        go_back: Callable[[], Place],
    ) -> None:
        self.root, self.steps, self.work = root, steps, work
        self.path = below(root, steps)
        self.title = self.path.name
        self._open_case, self._go_back = open_case, go_back
        self._next: Place | None = None
        self._found: dict[str, Any] | None = None
        self._series: int | None = None
        self._scan: dict[str, Any] | None = None
        self._hu: npt.NDArray[np.generic] | None = None
        self._planes: Planes | None = None
        self._histogram: Histogram | None = None
        self.cut = Cut()
        self.strip_px = (900.0, 240.0)
        self.level_hu: float | None = None
        self.host: Host = "bone"
        self.line: dict[str, Any] = {"kind": "usual"}
        self.tube_voltage_kv: float | None = None
        self._target: Path | None = None

    def begin(self, _loop: asyncio.AbstractEventLoop, _on_picture: OnPicture) -> None:
        """Look into what was chosen."""
        self.work.begin("look_into", f"Looking into {self.title}", {"path": self.path})

    def hello(self) -> dict[str, Any]:
        """Nothing more."""
        return {}

    def answer(self, message: Any) -> dict[str, Any]:
        """Choose series, level, density line and name; turn pages; make the bone."""
        match message.do:
            case "room":
                self.cut = _sized(self.cut, message.scene)
                self.strip_px = (float(message.strip[0]), float(message.strip[1]))
            case "series":
                self._choose(message.number)
            case "page":
                self._page(message)
            case "level":
                self._set_level(message.hu)
            case "line":
                self._set_line(message)
            case "make":
                self._make(message.name)
            case "back":
                self._next = self._go_back()
            case "cancel" | "look":
                pass
            case _:
                raise InputError("there is no bone yet; choose where it begins and make it")
        return {"scan": self._shown(), "said": ""}

    def report(self) -> None:
        """There is none."""

    def rest(self, _waiting: bool) -> dict[str, Any]:
        """Nothing: each answer is whole."""
        return {}

    def worked(self, event: WorkEvent) -> dict[str, Any]:
        """Go on from a step that ended."""
        if event.kind == "fault":
            return {"scan": self._shown(), "said": str(event.value)}
        if event.kind == "done" and event.task == "look_into":
            self._found = event.value
            loads = event.value["loads"]
            if loads is not None and sum(one["refusal"] is None for one in event.value["found"]) == 1:
                self._choose(loads)
        elif event.kind == "done" and event.task == "read_scan":
            self._take(event.value)
        elif event.kind == "done" and self._target is not None:
            self._next = self._open_case(self._target)
        return {"scan": self._shown()}

    def keep(self) -> dict[str, Any] | None:
        """Nothing is kept before the bone is made."""
        return None

    def left(self) -> None:
        """Nothing is held."""

    def close(self) -> None:
        """Give the scan's values back."""
        self._hu = None

    def goes_to(self) -> Place | None:
        """The case that was made, or the start."""
        following, self._next = self._next, None
        return following

    # Choosing

    def _choose(self, number: int) -> None:
        numbers = [one["number"] for one in (self._found or {"found": []})["found"]]
        if number not in numbers:
            raise InputError(f"there is no series {number}; choose one of the list")
        self._series = number if len(numbers) > 1 else None
        self._scan = self._hu = None
        self.work.begin("read_scan", "Reading the scan", {"path": self.path, "series": self._series})

    def _take(self, read: dict[str, Any]) -> None:
        file = Path(read["hu_file"])
        self._hu = np.load(file, mmap_mode="r")
        # What is mapped stays readable until it is given back; nothing of it stays on the disk.
        with contextlib.suppress(OSError):
            file.unlink()
        grid = Grid(tuple(self._hu.shape), np.array(read["affine"]))
        self._planes, self._histogram, self._scan = Planes(grid), read["histogram"], read
        self.tube_voltage_kv = read["told_voltage_kv"]
        self.level_hu = None

    def _page(self, page: Any) -> None:
        if self._planes is None:
            return
        cut = self.cut
        if page.view is not None:
            cut = Cut(page.view, size_px=cut.size_px)
        if page.turn is not None:
            at = cut.at_fraction + page.turn * self._planes.page_fraction(cut)
            cut = Cut(cut.view, min(max(at, 0.0), 1.0), cut.nearness_ratio, cut.centre_fraction, cut.size_px)
        if page.near is not None:
            cut = cut.nearer(page.near)
        if page.slide is not None:
            cut = self._planes.slid(cut, *page.slide)
        self.cut = cut

    def _set_level(self, level_hu: float | None) -> None:
        histogram = self._known_histogram()
        if level_hu is not None:
            edges = histogram.edges_hu
            level_hu = float(np.clip(round(level_hu), edges[0] + 1, edges[-1] - 1))
        self.level_hu = level_hu

    def _set_line(self, line: Any) -> None:
        if line.host is not None:
            self.host = line.host
        if line.tube_voltage_kv is not None:
            self.tube_voltage_kv = line.tube_voltage_kv
        if line.kind == "given":
            low, high = SLOPES_MG_CM3_PER_HU
            if line.slope is None or line.intercept is None or not low <= line.slope <= high:
                raise InputError(f"a density line needs a slope of {low:g} to {high:g} and an intercept")
            self.line = {"kind": "given", "slope": line.slope, "intercept": line.intercept}
        elif line.kind == "rods":
            file = below(self.root, [*self.steps[:-1], line.file or ""])
            self.line = {"kind": "rods", "file": file.name}
        elif line.kind is not None:
            self.line = {"kind": line.kind}

    def _make(self, name: str) -> None:
        self._known_histogram()
        if fault := name_fault(name):
            raise InputError(f"the case's name {fault}; choose another")
        if any(letter in name for letter in "/\\\0") or name in (".", ".."):
            raise InputError("the case's name must be a plain name; choose another")
        folder = below(self.root, self.steps[:-1]) / name
        if folder.exists():
            raise InputError(f"{shown(name)} exists already; choose another name")
        self._target = folder
        options: dict[str, Any] = {"threshold_hu": self.level_hu, "host": self.host}
        told_kv = (self._scan or {}).get("told_voltage_kv")
        if told_kv is None and self.tube_voltage_kv is not None:
            options["tube_voltage_kv"] = self.tube_voltage_kv
        match self.line["kind"]:
            case "given":
                options["calibration"] = f"{self.line['slope']!r},{self.line['intercept']!r}"
            case "tissues":
                options["by_tissues"] = True
            case "rods":
                options["rods"] = below(self.root, [*self.steps[:-1], self.line["file"]])
        arguments = {"path": self.path, "series": self._series, "folder": folder, "options": options}
        self.work.begin("make_bone", "Making the bone", arguments)

    def _known_histogram(self) -> Histogram:
        if self._histogram is None:
            raise InputError("the scan is not read yet; wait for it, or choose a series")
        return self._histogram

    # Shown

    def _shown(self) -> dict[str, Any]:
        shown_now: dict[str, Any] = {
            "found": self._found,
            "series": self._series,
            "read": None,
            "views": [name for name, *_ in VIEWS],
            "view": self.cut.view,
        }
        if self._scan is None or self._hu is None or self._planes is None or self._histogram is None:
            return shown_now
        level_hu = self._scan["level_hu"] if self.level_hu is None else self.level_hu
        svg, words = cut_svg(self._hu, self._planes, self.cut, level_hu, self.host)
        width, height = self.cut.size_px
        grid = self._planes.grid
        return shown_now | {
            "read": {
                "shape": list(grid.shape),
                "spacing_mm": [round(float(edge), 4) for edge in grid.spacing_mm],
                "tube_voltage_kv": self.tube_voltage_kv,
                "voltage_told": self._scan["told_voltage_kv"] is not None,
                "notes": self._scan["notes"],
                "reason": self._scan["level_reason"],
                "adapts": self.level_hu is None and self.host == "bone",
            },
            "level": {"hu": level_hu, "given": self.level_hu is not None, "found_hu": self._scan["level_hu"]},
            "histogram": histogram_drawn(self._histogram, level_hu, self.strip_px),
            "section": {"svg": themed(svg), "width": width, "height": height, "words": words},
            "host": self.host,
            "line": self.line,
            "rod_files": self._rod_files(),
            "name": _free_name(below(self.root, self.steps[:-1]), self.title),
        }

    def _rod_files(self) -> list[str]:
        folder = below(self.root, self.steps[:-1])
        with contextlib.suppress(OSError):
            return sorted(one.name for one in folder.glob("*.json"))[:50]
        return []


def _sized(cut: Cut, size: tuple[int, int]) -> Cut:
    return Cut(
        cut.view, cut.at_fraction, cut.nearness_ratio, cut.centre_fraction, (float(size[0]), float(size[1]))
    )


def _free_name(folder: Path, scan: str) -> str:
    stem = scan
    for ending in (".nii.gz", ".nii", ".zip", ".dcm"):
        if stem.lower().endswith(ending):
            stem = stem[: -len(ending)]
    name, number = stem + CASE_ENDING, 2
    while (folder / name).exists():
        name, number = f"{stem}{CASE_ENDING}-{number}", number + 1
    return name
