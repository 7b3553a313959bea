"""Check a JSON document against its published form, and say every fault in one sentence a person can act on.

A misspelt key is told with the nearest key there is; all faults of a file are told together, each with its
place. The same strict base serves the bone, the plan, the assessment and a user's screw catalogue.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from segmentation.errors import InputError
from segmentation.files import shown

NAME_CHARACTERS_MAX = 64
"""Longest name of a screw, fragment or bone. Our choice: it has to fit a label in a picture."""

FAULTS_TOLD_MAX = 8
"""Faults told before only their number is. Our choice: one sentence has to stay readable."""

JSON_SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"
"""The JSON Schema our documents follow (published: JSON Schema draft 2020-12)."""

Document = TypeVar("Document", bound="StrictModel")


class StrictModel(BaseModel):
    """A document part without unknown keys, without text for numbers and without NaN or infinity."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def name_fault(name: str) -> str | None:
    """What is wrong with a name of a screw, fragment or bone; None where it may stand.

    >>> name_fault("distal pole") is None, name_fault("../plan")
    (True, 'must not contain / or \\\\')
    """
    if not 1 <= len(name) <= NAME_CHARACTERS_MAX or not name.isprintable():
        return f"must have 1 to {NAME_CHARACTERS_MAX} printable characters"
    if name != name.strip():
        return "must not begin or end with a blank"
    if "/" in name or "\\" in name:
        return "must not contain / or \\"
    return None


def _checked_name(name: str) -> str:
    if fault := name_fault(name):
        raise ValueError(fault)
    return name


Name = Annotated[
    str,
    Field(min_length=1, max_length=NAME_CHARACTERS_MAX, pattern=r"^[^/\\]*$"),
    AfterValidator(_checked_name),
]
"""1–64 printable characters, no path separators: a name never becomes a file name."""


def _no_truth_value(version: object) -> object:
    # In Python True equals 1, in a file it does not.
    return "true" if version is True else version


FirstVersion = Annotated[Literal[1], BeforeValidator(_no_truth_value)]
"""The version of every format so far."""

COORDINATE_MAX_MM = 10_000.0
"""Farthest coordinate from the scanner's origin. Our choice: no scanner's table reaches 10 m."""

Coordinate = Annotated[float, Field(ge=-COORDINATE_MAX_MM, le=COORDINATE_MAX_MM)]
Point = Annotated[list[Coordinate], Field(min_length=3, max_length=3)]
"""x, y, z in patient mm, RAS+."""


def checked(
    model: type[Document],
    document: object,
    name: str,
    *,
    place_name: Callable[[Sequence[str | int], object], str] | None = None,
    further: Callable[[Document], Iterable[str]] = lambda _: (),
) -> Document:
    """``document`` as ``model``, or InputError with all its faults.

    ``name`` is what the sentence calls the file; ``place_name`` puts a place (keys and indices) into words;
    ``further`` tells the faults that show only once every value is of its kind.
    """
    in_words = place_name or _place_name
    try:
        read = model.model_validate(document)
    except ValidationError as error:
        raise faults_error(name, _faults(model, document, error, in_words)) from None
    if faults := list(further(read)):
        raise faults_error(name, faults)
    return read


def faults_error(name: str, faults: Sequence[str]) -> InputError:
    """One sentence for all ``faults`` of the file called ``name``."""
    told = "; ".join(faults[:FAULTS_TOLD_MAX])
    more = len(faults) - FAULTS_TOLD_MAX
    return InputError(
        f"{name}: {told}" + (f"; and {more} more" if more > 0 else "") + "; correct it and try again"
    )


def nearest(word: str, known: Iterable[str]) -> str:
    """The sentence part that names the known word nearest to ``word``, or all of them where they are few.

    >>> nearest("lenght_mm", ["length_mm", "entry_mm"])
    "did you mean 'length_mm'?"
    """
    words = list(known)
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    few = ", ".join(repr(one) for one in words[:12])
    return f"known: {few}" + (", …" if len(words) > 12 else "")


def repeated(names: Iterable[str]) -> list[str]:
    """The names that stand more than once, each once, in order."""
    seen: dict[str, int] = {}
    for name in names:
        seen[name] = seen.get(name, 0) + 1
    return [name for name, count in seen.items() if count > 1]


def published_schema(model: type[BaseModel], title: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of ``model`` with every key that is written marked as such."""
    return {"$schema": JSON_SCHEMA_DIALECT, "title": title, **_without_titles(model.model_json_schema())}


def _without_titles(schema: Any) -> Any:
    """Pydantic repeats each key as a title; that tells a reader nothing."""
    if isinstance(schema, list):
        return [_without_titles(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: {inner: _without_titles(part) for inner, part in value.items()}
        if key in ("properties", "$defs")
        else _without_titles(value)
        for key, value in schema.items()
        if key != "title"
    }


def _faults(
    model: type[BaseModel],
    document: object,
    error: ValidationError,
    in_words: Callable[[Sequence[str | int], object], str],
) -> list[str]:
    found = error.errors(include_url=False)
    missing = [fault["loc"] for fault in found if fault["type"] == "missing"]
    sentences: list[str] = []
    explained: set[tuple[str | int, ...]] = set()
    for fault in found:
        if fault["type"] != "extra_forbidden":
            continue
        place, key = fault["loc"][:-1], str(fault["loc"][-1])
        known = list(_model_at(model, place).model_fields)
        close = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
        explained.update((*place, word) for word in close if (*place, word) in missing)
        sentences.append(
            _joined(in_words(place, document), f"unknown key {shown(key)} ({nearest(key, known)})")
        )
    for fault in found:
        if fault["type"] == "extra_forbidden" or fault["loc"] in explained:
            continue
        if fault["type"] == "missing":
            text = f"the key {fault['loc'][-1]!r} is missing"
            sentences.append(_joined(in_words(fault["loc"][:-1], document), text))
        else:
            sentences.append(_joined(in_words(fault["loc"], document), _rule(fault)))
    return sentences


def _joined(place: str, text: str) -> str:
    return f"{place} {text}" if place else text


_RULES = {
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "string_type": "must be text",
    "string_unicode": "must be printable text",
    "list_type": "must be a list in [ ]",
    "model_type": "must be an object in { }",
    "dict_type": "must be an object in { }",
    "bool_type": "must be true or false",
    "string_too_short": f"must have 1 to {NAME_CHARACTERS_MAX} printable characters",
    "string_too_long": f"must have 1 to {NAME_CHARACTERS_MAX} printable characters",
    "string_pattern_mismatch": "must not contain / or \\",
}


def _rule(fault: Mapping[str, Any]) -> str:
    kind, limits, value = fault["type"], fault.get("ctx", {}), fault["input"]
    if kind in ("too_short", "too_long"):
        bound, limit = ("at least", "min_length") if kind == "too_short" else ("at most", "max_length")
        return f"must hold {bound} {limits[limit]} values (got {limits['actual_length']})"
    if kind == "value_error":
        rule = str(limits.get("error", fault["msg"]))
    else:
        message = str(fault["msg"]).replace("Input should be", "must be")
        message = message.replace("greater than or equal to", "at least").replace(
            "less than or equal to", "at most"
        )
        rule = _RULES.get(kind, message[:1].lower() + message[1:])
    return f"{rule} (got {shown(value)})"


def _model_at(model: type[BaseModel], place: Sequence[str | int]) -> type[BaseModel]:
    """The model that describes what stands at ``place`` inside ``model``."""
    for step in place:
        if isinstance(step, str) and step in model.model_fields:
            model = next(iter(_models_in(model.model_fields[step].annotation)), model)
    return model


def _models_in(annotation: Any) -> Iterable[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _place_name(place: Sequence[str | int], document: object) -> str:  # noqa: ARG001
    """``fragments.0.name`` → ``fragments 1: name``, as people count."""
    words = re.sub(r"\.(\d+)\.?", lambda m: f" {int(m[1]) + 1}: ", ".".join(str(step) for step in place))
    return words.strip(" :")
