"""Read a laboratory's table of screw tests: comma-separated text, columns as in ``published_pullouts.csv``.

Every fault is collected, with its line and column, and told in one sentence. An empty cell is unknown; a cell
with words where a number was meant keeps its row from being predicted, and the row says so. A column nobody
here reads is named, so that a misspelt one does not pass in silence.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from planner.lab_row import LabRow
from planner.vocabulary import Interval
from segmentation.errors import InputError

NEEDED_COLUMNS = ("id", "screw_kind", "host", "quantity", "force_n")
"""Columns a table must have."""

NUMBER_COLUMNS = (
    "major_mm",
    "core_mm",
    "pitch_mm",
    "thread_depth_mm",
    "engaged_mm",
    "host_density_g_cm3",
    "cortex_mm",
    "pilot_mm",
)
"""Columns that hold a number above 0, or nothing; a table may lack them."""

OTHER_COLUMNS = ("source", "host_shear_mpa", "tapped", "read_or_memory", "note", "length_note", "n", "sd_n")
"""Further columns that are known; the last three are for a reader only."""

LARGEST_FILE_BYTES_COUNT = 5_000_000
"""Larger tables are refused unread. Our choice: some ten thousand rows."""

FAULTS_SHOWN_COUNT = 8
"""Faults named in one message. Our choice."""

SHORTEST_SHOWN_COUNT = 60
"""Letters of a cell shown in a message. Our choice."""


@dataclass(frozen=True)
class LabTable:
    """The rows in file order, and the names of the columns that were not read."""

    rows: tuple[LabRow, ...]
    not_read: tuple[str, ...]


def published_rows() -> tuple[LabRow, ...]:
    """The rows that come with the package, in file order."""
    path = Path(__file__).with_name("published_pullouts.csv")
    return lab_table(path.read_text(encoding="utf-8"), path.name).rows


def read_lab_table(path: Path) -> LabTable:
    """The table of a file. Raises InputError naming what is wrong, where, and what to do."""
    name = ascii(Path(path).name)[1:-1]
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES_COUNT:
            raise InputError(f"{name} exceeds {LARGEST_FILE_BYTES_COUNT} bytes: split the table")
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{name} cannot be read ({error.strerror or error}): give a table as comma-separated text"
        ) from error
    try:
        return lab_table(content.decode("utf-8-sig"), name)
    except UnicodeDecodeError as error:
        raise InputError(f"{name} is not UTF-8 text (byte {error.start}): save it as UTF-8") from error


def lab_table(text: str, name: str) -> LabTable:
    """The table in ``text``; ``name`` is what messages call it."""
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        header = [column or "" for column in reader.fieldnames or ()]
        _check_header(header, name)
        lines = [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise InputError(f"{name} is not comma-separated text ({error}): save it as CSV") from error
    faults: list[str] = []
    rows = [_row(cells, line, faults) for line, cells in lines if any(_texts(cells))]
    counts = Counter(row.key for row in rows)
    faults += [f"the id {_short(key)} stands {n} times" for key, n in counts.items() if n > 1]
    if faults:
        _refuse(name, faults)
    if not rows:
        raise InputError(f"{name} has no row below its header: give at least one test")
    known = {*NEEDED_COLUMNS, *NUMBER_COLUMNS, *OTHER_COLUMNS}
    return LabTable(tuple(rows), tuple(column for column in header if column not in known))


def _texts(cells: dict[str, str | None]) -> list[str]:
    return [value for key, value in cells.items() if key is not None and isinstance(value, str) and value]


def _check_header(header: list[str], name: str) -> None:
    missing = [column for column in NEEDED_COLUMNS if column not in header]
    if missing:
        raise InputError(
            f"{name} lacks the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}: the first line "
            f"must name the columns; needed are {', '.join(NEEDED_COLUMNS)}"
        )
    twice = [column for column, n in Counter(header).items() if n > 1]
    if twice:
        raise InputError(f"{name} names the column {_short(twice[0])} more than once: keep one")


def _row(cells: dict[str, str | None], line: int, faults: list[str]) -> LabRow:
    if None in cells:
        faults.append(f"line {line} has more cells than the header: quote cells that hold a comma")
    if any(value is None for value in cells.values()):
        faults.append(f"line {line} has fewer cells than the header: keep the commas of empty cells")

    def text(column: str) -> str:
        return (cells.get(column) or "").strip()

    def number(column: str) -> float | None:
        if not text(column):
            return None
        try:
            value = float(text(column))
        except ValueError:
            not_understood.append(f"{column} {_short(text(column))}")
            return None
        if not (math.isfinite(value) and value > 0):
            faults.append(f"line {line}, {column}: must be a number above 0 (got {_short(text(column))})")
            return None
        return value

    not_understood: list[str] = []
    faults += [
        f"line {line}, {column}: must not be empty"
        for column in ("id", "host", "quantity")
        if not text(column)
    ]
    numbers = {column: number(column) for column in NUMBER_COLUMNS}
    major_mm, core_mm = numbers["major_mm"], numbers["core_mm"]
    if major_mm and core_mm and core_mm >= major_mm:
        faults.append(f"line {line}, core_mm: must be below major_mm (got {core_mm:g}, {major_mm:g})")
    tapped = re.match(r"(yes|no)\b", text("tapped").lower())
    if text("tapped") and not tapped:
        not_understood.append(f"tapped {_short(text('tapped'))}")
    shear_mpa = _shear(text("host_shear_mpa"))
    if text("host_shear_mpa") and shear_mpa is None:
        not_understood.append(f"host_shear_mpa {_short(text('host_shear_mpa'))}")
    measured = number("force_n")
    return LabRow(
        key=text("id"),
        source=text("source"),
        screw_kind=text("screw_kind"),
        host_name=text("host"),
        quantity_words=text("quantity"),
        host_shear_mpa=shear_mpa,
        tapped=None if tapped is None else tapped[1] == "yes",
        measured=measured,
        read_or_memory=text("read_or_memory"),
        note=text("note"),
        not_understood=tuple(not_understood),
        **numbers,
    )


def _shear(text: str) -> Interval | None:
    """A shear strength as ``60``, or with its ends as ``60 (51.6-79)``, words allowed in the brackets; else
    None."""
    number = r"(\d+(?:\.\d+)?)"
    found = re.fullmatch(rf"{number}(?:\s*\([^\d]*{number}\s*[-–]\s*{number}[^\d]*\))?", text)
    if found is None:
        return None
    middle = float(found[1])
    low, high = (float(found[2]), float(found[3])) if found[2] else (middle, middle)
    return Interval(middle, low, high) if 0 < low <= middle <= high else None


def _short(text: str) -> str:
    told = ascii(text)
    return told if len(told) <= SHORTEST_SHOWN_COUNT else f"{told[:SHORTEST_SHOWN_COUNT]}…"


def _refuse(name: str, faults: list[str]) -> NoReturn:
    shown = "; ".join(faults[:FAULTS_SHOWN_COUNT])
    more = f"; and {len(faults) - FAULTS_SHOWN_COUNT} more" if len(faults) > FAULTS_SHOWN_COUNT else ""
    raise InputError(f"{name} cannot be used: {shown}{more}")
