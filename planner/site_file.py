"""The limits and the length rule of one site of the body, from a JSON file a person can copy and change.

The files of ``planner/sites`` are read like anyone's own. Each number stands with its source and a mark of
how well that is known: R read, M from memory, C common practice, D derived. Limits a file does not name stay
as they are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from planner.limits import Limits
from planner.solid import LONGEST_MM
from segmentation.documents import (
    FirstVersion,
    Name,
    StrictModel,
    checked,
    nearest,
    published_schema,
)
from segmentation.errors import InputError
from segmentation.files import read_json, shown

FOLDER = Path(__file__).with_name("sites")

Mark = Literal["R", "M", "C", "D"]
"""R read, M from memory, C common practice, D derived."""

MARK_WORDS: dict[Mark, str] = {"R": "read", "M": "from memory", "C": "common practice", "D": "derived"}
"""The marks in words."""

LIMIT_MAX = 1000.0
"""Largest limit of any unit. Our choice: beyond anything a screw is held against."""

TIP_APEX = "tip_apex_mm"
"""A limit that only a site with a ball-shaped joint names."""

Text = Annotated[str, Field(min_length=1, max_length=400)]
Millimetres = Annotated[float, Field(ge=-LONGEST_MM, le=LONGEST_MM)]


def source_with_mark(source: str, mark: Mark) -> str:
    """A source and how well it is known, in words.

    >>> source_with_mark("Doe 2020", "R"), source_with_mark("Doe (from memory): 2 mm", "M")
    ('Doe 2020 (read)', 'Doe (from memory): 2 mm')
    """
    words = MARK_WORDS[mark]
    return source if words in source.lower() else f"{source} ({words})"


class SiteLimit(StrictModel):
    """A limit with its mark and source."""

    value: Annotated[float, Field(ge=-LIMIT_MAX, le=LIMIT_MAX)]
    mark: Mark
    source: Text


class LengthEnd(StrictModel):
    """An end of a rule: this share of the measured length, less so many millimetres."""

    of_measured_fraction: Annotated[float, Field(gt=0, le=1)]
    less_mm: Millimetres


class LengthRule(StrictModel):
    """How long a screw should be for a measured length; ``definition`` names how that is measured."""

    definition: Text
    says: Text
    longest: LengthEnd | None
    shortest: LengthEnd | None
    usual_mm: (
        Annotated[list[Annotated[float, Field(gt=0, le=LONGEST_MM)]], Field(min_length=2, max_length=2)]
        | None
    )
    mark: Mark
    source: Text


class LengthDefinition(StrictModel):
    """One of the ways in which a length of this bone is published."""

    name: Text
    says: Text
    mark: Mark
    source: Text


class Fact(StrictModel):
    """What else is published of the site."""

    says: Text
    mark: Mark
    source: Text


class SiteDocument(StrictModel):
    """The limits of a site, its length rule (null with a reason) and what is published of it."""

    format: Literal["pilothole-site"]
    version: FirstVersion
    name: Name
    title: Text
    limits: dict[str, SiteLimit]
    length_rule: LengthRule | None
    length_rule_reason: Text | None
    length_definitions: list[LengthDefinition]
    facts: list[Fact]


@dataclass(frozen=True)
class Site:
    """A site as read: its document, and its limits in place of the usual ones."""

    document: SiteDocument
    limits: Limits

    @property
    def name(self) -> str:
        """What the site is called."""
        return self.document.name

    @property
    def tip_apex_mm(self) -> float | None:
        """The limit of the tip–apex distance; None where the site names none."""
        found = self.document.limits.get(TIP_APEX)
        return None if found is None else found.value


def site_names() -> tuple[str, ...]:
    """The sites that come with the program."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.json")))


def site_limits(name_or_path: str) -> Limits:
    """The limits of a site that comes with the program, or of a file whose name ends in ``.json``.

    Raises InputError as ``read_site`` does.

    >>> site_limits("proximal-humerus").joint_clearance_mm
    5.0
    """
    return read_site(name_or_path).limits


def read_site(name_or_path: str) -> Site:
    """A site by name, or from a file whose name ends in ``.json``.

    Raises InputError, in one sentence, for a name that is not known and a file that is not right.
    """
    if name_or_path.lower().endswith(".json"):
        return _read(Path(name_or_path))
    if name_or_path not in site_names():
        known = ", ".join(site_names())
        raise InputError(
            f"there is no site {shown(name_or_path)}; give one of {known}, or a file that ends in .json"
        )
    return _built_in(name_or_path)


def site_schema() -> dict[str, Any]:
    """The JSON Schema of a site's file."""
    return published_schema(SiteDocument, "Pilothole site")


@cache
def _built_in(name: str) -> Site:
    return _read(FOLDER / f"{name}.json")


def _read(path: Path) -> Site:
    document = checked(SiteDocument, read_json(path), shown(path.name), further=_faults)
    own = {name: limit.value for name, limit in document.limits.items() if name != TIP_APEX}
    return Site(document, replace(Limits(), **own))


def _faults(document: SiteDocument) -> Iterator[str]:
    known = [field.name for field in fields(Limits)] + [TIP_APEX]
    for name in document.limits:
        if name not in known:
            yield f"limits {shown(name)} is not a limit ({nearest(name, known)})"
    rule = document.length_rule
    if (rule is None) == (document.length_rule_reason is None):
        yield "length_rule and length_rule_reason: one of them must be null, and only one"
    names = [one.name for one in document.length_definitions]
    if rule is not None and rule.definition not in names:
        yield f"length_rule definition {shown(rule.definition)} is not among length_definitions"
    if rule is not None and rule.usual_mm is not None and rule.usual_mm[0] > rule.usual_mm[1]:
        yield "length_rule usual_mm must rise"
