"""Which screws there are: the built-in generic families, and a user's own from a checked file.

A user's catalogue is JSON (``viewer/docs/screws.md`` describes it), read strictly: unknown keys, text for a
number, numbers that are not finite and geometry that cannot exist are refused, all faults of the file in one
sentence.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from planner.screw_families import all_families
from planner.solid import LONGEST_MM, runout_mm, shortest_length_mm
from planner.vocabulary import Head, HeadShape, LengthDatum, Material, Profile, Screw, Thread
from segmentation.errors import InputError

FORMAT = "pilothole-screws"
VERSION = 1

LARGEST_FILE_BYTES_COUNT = 1_000_000
"""Larger files are refused unread. Our choice: a thousand families take about half of it."""

LARGEST_DIAMETER_MM = 40.0
"""Largest diameter of anything on a screw. Our choice: hip-screw heads reach about 25 mm (common
practice)."""

FAULTS_SHOWN_COUNT = 12
"""Faults named in one message. Our choice: more than a person fixes before trying again."""

NAME_LENGTH_COUNT = 64
"""Longest name, by the contract on names: 1-64 printable characters."""

SENTENCE_LENGTH_COUNT = 300
"""Longest title or source. Our choice: two lines."""


def built_in_screws() -> dict[str, Screw]:
    """The built-in families by name, in the order a list shows them."""
    return {screw.name: screw for screw in all_families()}


def stocked_length_mm(screw: Screw, length_mm: float) -> float:
    """The stocked length nearest to ``length_mm``; of two equally near the shorter, which cannot reach too
    far."""
    return min(screw.stocked_lengths_mm, key=lambda stocked_mm: (abs(stocked_mm - length_mm), stocked_mm))


def read_catalogue(path: Path) -> dict[str, Screw]:
    """A user's own screws by name.

    Raises InputError, naming every fault found, when the file cannot be read or any screw in it cannot exist.
    """
    document = _read_json(Path(path))
    try:
        catalogue = _Catalogue.model_validate(document, strict=True)
    except ValidationError as error:
        _refuse(path, [_sentence(fault) for fault in error.errors(include_url=False, include_context=False)])
    screws = [entry.screw() for entry in catalogue.screws]
    faults = [fault for screw in screws for fault in _physical_faults(screw)]
    faults += [
        f"the name '{name}' is used {n} times: give each screw its own"
        for name, n in Counter(screw.name for screw in screws).items()
        if n > 1
    ]
    built_in = built_in_screws()
    faults += [
        f"'{screw.name}' is a built-in name: choose another" for screw in screws if screw.name in built_in
    ]
    if faults:
        _refuse(path, faults)
    return {screw.name: screw for screw in screws}


def catalogue_document(screws: Iterable[Screw]) -> dict[str, Any]:
    """The screws as a catalogue file holds them: what ``read_catalogue`` reads back."""
    return {"format": FORMAT, "version": VERSION, "screws": [_plain(asdict(screw)) for screw in screws]}


def catalogue_schema() -> dict[str, Any]:
    """JSON Schema of a catalogue file."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_Catalogue.model_json_schema()}


Size = Annotated[float, Field(gt=0, le=LARGEST_DIAMETER_MM, allow_inf_nan=False)]
"""A diameter or a pitch: positive, at most LARGEST_DIAMETER_MM."""

Stretch = Annotated[float, Field(gt=0, le=LONGEST_MM, allow_inf_nan=False)]
"""A length: positive, at most LONGEST_MM."""

StretchOrNone = Annotated[float, Field(ge=0, le=LONGEST_MM, allow_inf_nan=False)]
"""A length that may be zero."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Head(_Strict):
    diameter_mm: Size
    height_mm: Size
    shape: HeadShape


class _Thread(_Strict):
    at: Literal["tip", "trailing_end"]
    length_mm: Stretch | None
    major_mm: Size
    core_mm: Size
    pitch_mm: Size
    profile: Profile
    runout_mm: StretchOrNone | None = None


class _Screw(_Strict):
    name: Annotated[str, Field(min_length=1, max_length=NAME_LENGTH_COUNT)]
    title: Annotated[str, Field(min_length=1, max_length=SENTENCE_LENGTH_COUNT)]
    threads: Annotated[list[_Thread], Field(min_length=1, max_length=2)]
    shaft_mm: Size
    stocked_lengths_mm: Annotated[list[Stretch], Field(min_length=1, max_length=200)]
    length_datum: LengthDatum
    source: Annotated[str, Field(min_length=1, max_length=SENTENCE_LENGTH_COUNT)]
    head: _Head | None = None
    tip_taper_mm: StretchOrNone | None = None
    cannula_mm: Annotated[float, Field(ge=0, le=LARGEST_DIAMETER_MM, allow_inf_nan=False)] = 0.0
    material: Material = "stainless steel"
    pilot_mm: Size | None = None
    gliding_mm: Size | None = None

    def screw(self) -> Screw:
        """The entry as the value the planner works with."""
        plain = self.model_dump(exclude={"head", "threads", "stocked_lengths_mm"})
        return Screw(
            **plain,
            threads=tuple(Thread(**thread.model_dump()) for thread in self.threads),
            stocked_lengths_mm=tuple(float(stocked_mm) for stocked_mm in self.stocked_lengths_mm),
            head=Head(**self.head.model_dump()) if self.head else None,
        )


class _Catalogue(_Strict):
    """The screws of one user."""

    model_config = ConfigDict(title="Pilothole screw catalogue")

    format: Literal["pilothole-screws"]
    version: Literal[1]
    screws: Annotated[list[_Screw], Field(min_length=1, max_length=1000)]


def _read_json(path: Path) -> Any:
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES_COUNT:
            _refuse(path, [f"a catalogue must not exceed {LARGEST_FILE_BYTES_COUNT} bytes: split it"])
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"the screw catalogue '{path}' cannot be read ({error.strerror or error}): give a JSON file"
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"the screw catalogue '{path}' is not UTF-8 text (byte {error.start}): save it as UTF-8"
        ) from error
    try:
        return json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_repeated_key)
    except RecursionError as error:
        raise InputError(
            f"the screw catalogue '{path}' nests brackets too deep to be a catalogue: write it as documented"
        ) from error
    except ValueError as error:
        raise InputError(
            f"the screw catalogue '{path}' is not valid JSON ({error}): mend it there"
        ) from error


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"numbers must be finite, got {word}")


def _no_repeated_key(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    repeated = [key for key, n in Counter(key for key, _ in pairs).items() if n > 1]
    if repeated:
        raise ValueError(f"the key {repeated[0][:NAME_LENGTH_COUNT]!r} stands twice in one object")
    return dict(pairs)


def _sentence(fault: Mapping[str, Any]) -> str:
    """One fault of form: where, the rule, the value."""
    where = ""
    for part in fault["loc"]:
        where += f"[{part}]" if isinstance(part, int) else f".{part}" if where else str(part)
    value = "" if fault["type"] == "missing" else f" (got {_short(fault['input'])})"
    return f"{where or 'the file'}: {fault['msg'][:1].lower()}{fault['msg'][1:]}{value}"


def _short(value: Any) -> str:
    text = ascii(value) if isinstance(value, str | int | float) or value is None else type(value).__name__
    return text if len(text) <= NAME_LENGTH_COUNT else f"{text[:NAME_LENGTH_COUNT]}…"


def _physical_faults(screw: Screw) -> list[str]:
    """Why this screw cannot exist: one sentence a fault, none when it can."""
    faults = [rule for holds, rule in _rules(screw) if not holds]
    for thread in screw.threads:
        faults += [rule for holds, rule in _thread_rules(screw, thread) if not holds]
    if not faults:
        shortest_mm, first_mm = shortest_length_mm(screw), screw.stocked_lengths_mm[0]
        if first_mm < shortest_mm:
            faults.append(
                f"stocked_lengths_mm must hold threads and tip, at least {shortest_mm:g} (got {first_mm:g})"
            )
    return [f"screw {screw.name!a}: {fault}" for fault in faults]


def _rules(screw: Screw) -> list[tuple[bool, str]]:
    lengths_mm, ends = screw.stocked_lengths_mm, [thread.at for thread in screw.threads]
    over_all = any(thread.length_mm is None for thread in screw.threads)
    under_head_mm = max(
        [screw.shaft_mm]
        + [t.major_mm for t in screw.threads if t.at == "trailing_end" or t.length_mm is None]
    )
    words = (("name", screw.name), ("title", screw.title), ("source", screw.source))
    return [
        *(
            (
                text.isprintable() and text == text.strip(),
                f"{key} must be printable, without a space at its ends",
            )
            for key, text in words
        ),
        (
            all(a < b for a, b in pairwise(lengths_mm)),
            "stocked_lengths_mm must rise, each length once",
        ),
        (
            (screw.head is None) == (screw.length_datum == "trailing_end"),
            f"length_datum must be trailing_end without a head and under_head or overall with one "
            f"(got {screw.length_datum})",
        ),
        (
            screw.head is None or screw.head.diameter_mm > under_head_mm,
            f"the head must be wider than what lies under it, {under_head_mm:g}",
        ),
        (screw.cannula_mm < screw.shaft_mm, f"cannula_mm must be below shaft_mm (got {screw.cannula_mm:g})"),
        (len(set(ends)) == len(ends), "two threads must be tied to different ends"),
        (
            not over_all or len(ends) == 1,
            "a thread with length_mm null is over the whole shaft and must be the only one",
        ),
        (
            screw.gliding_mm is None or screw.gliding_mm >= screw.shaft_mm,
            "gliding_mm must let the shaft pass, so at least shaft_mm",
        ),
    ]


def _thread_rules(screw: Screw, thread: Thread) -> list[tuple[bool, str]]:
    core_mm, major_mm, cannula_mm = thread.core_mm, thread.major_mm, screw.cannula_mm
    length_mm = thread.length_mm if thread.length_mm is not None else math.inf
    taper_mm = screw.tip_taper_mm if screw.tip_taper_mm is not None else major_mm
    unfinished_mm = runout_mm(thread) + (taper_mm if thread.at == "tip" else 0.0)
    pilot_holds = screw.pilot_mm is None or thread.at != "tip" or screw.pilot_mm < major_mm
    return [
        (core_mm < major_mm, f"core_mm must be below major_mm (got {core_mm:g}, {major_mm:g})"),
        (thread.pitch_mm <= major_mm, f"pitch_mm must be at most major_mm (got {thread.pitch_mm:g})"),
        (cannula_mm < core_mm, f"cannula_mm must be below core_mm (got {cannula_mm:g}, {core_mm:g})"),
        (
            length_mm > unfinished_mm,
            f"length_mm must exceed run-out and taper, {unfinished_mm:g} (got {length_mm:g})",
        ),
        (pilot_holds, f"pilot_mm must be below major_mm, or nothing holds (got {screw.pilot_mm or 0:g})"),
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value


def _refuse(path: Path, faults: list[str]) -> NoReturn:
    shown = "; ".join(faults[:FAULTS_SHOWN_COUNT])
    more = f"; and {len(faults) - FAULTS_SHOWN_COUNT} more" if len(faults) > FAULTS_SHOWN_COUNT else ""
    raise InputError(f"the screw catalogue '{path}' cannot be used: {shown}{more}")
