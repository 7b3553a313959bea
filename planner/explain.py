"""One value of an assessment, opened: what it is, how it comes about with its numbers, how sure it is.

Words are those of ``explained.py``, numbers those of the document and no other. A path is as in
assessment.json: ``screws[0].fragments[1].pullout_n.estimate``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from planner.explained import explained, of_number
from planner.worked import worked
from planner.worked_line import figure
from segmentation.errors import InputError

INPUTS_MAX_COUNT = 40
"""More inputs than this are counted and not listed. Our choice: a series is no list to read."""


@dataclass(frozen=True)
class Input:
    """A value another is computed from, with its path in assessment.json."""

    field: str
    name: str
    shown: str
    unit: str


@dataclass(frozen=True)
class Explanation:
    """A value of a screw opened. ``value`` None has its ``reason``; ``low`` and ``high`` are the 5th and 95th
    percentile, None where it has none. ``steps`` are the formula with this screw's numbers."""

    field: str
    screw: str
    name: str
    of: str
    shown: str
    unit: str
    low: str
    high: str
    reason: str
    definition: str
    formula: str
    steps: tuple[str, ...]
    inputs: tuple[Input, ...]
    interval: str
    sources: tuple[str, ...]
    not_modelled: str


def explain(document: Mapping[str, Any], field: str) -> Explanation:
    """The value at ``field`` of an assessment.json ``document``. Raises InputError where there is none."""
    place = re.fullmatch(r"screws\[(\d{1,4})\]\.([\w.\[\] ]{1,200})", field)
    entry = explained(place[2]) if place else None
    if place is None or entry is None or int(place[1]) >= len(document["screws"]):
        raise _no_such(field)
    screw = document["screws"][int(place[1])]
    path = of_number(place[2])
    value = _walk(screw, path, field)
    low, high = _range(screw, path, value)
    value = _estimate(value)
    root = f"screws[{place[1]}]"
    return Explanation(
        field=f"{root}.{path}",
        screw=str(screw["name"]),
        name=entry.name,
        of=_of(screw, path),
        shown=_shown(value),
        unit=entry.unit,
        low=low,
        high=high,
        reason="" if value is not None else _reason(screw, path),
        definition=entry.definition,
        formula=entry.formula,
        steps=() if value is None else worked(path, screw, document),
        inputs=_inputs(entry.inputs, document, root, path),
        interval=entry.interval if low else "",
        sources=tuple(_sources(entry.source, path, screw, document)),
        not_modelled=_not_modelled(entry.not_modelled, path, screw),
    )


def _no_such(field: str) -> InputError:
    return InputError(
        f"there is no value {field[:80]!r} in this assessment; name one as assessment.json does, such as "
        "screws[0].bone_length_mm"
    )


def _walk(screw: Any, path: str, field: str) -> Any:
    """The value at ``path``; None where it or a part it belongs to is null."""
    for step in re.findall(r"[^.\[\]]+", path):
        if screw is None:
            return None
        try:
            screw = screw[int(step)] if isinstance(screw, list) else screw[step]
        except (IndexError, KeyError, TypeError, ValueError):
            raise _no_such(field) from None
    return screw


def _range(screw: Mapping[str, Any], path: str, value: Any) -> tuple[str, str]:
    """The 5th and 95th percentile: in the value, beside it, or under ``intervals`` of its part."""
    part, rest = screw, path
    if place := re.fullmatch(r"fragments\[(\d+)\]\.(.+)", path):
        part, rest = screw["fragments"][int(place[1])], place[2]
    low, high = "low", "high"
    if isinstance(value, Mapping):
        found: Any = value
    elif place := re.fullmatch(r"(drilling|pull_out\.factors)\[\d+\]\.(reading_mm|factor)", path):
        found = _walk(screw, path.rpartition(".")[0], path)
        low, high = ("low_mm", "high_mm") if place[1] == "drilling" else (low, high)
    else:
        found = part["intervals"]
        for step in rest.split("."):
            found = found.get(step) if isinstance(found, Mapping) else None
    if not isinstance(found, Mapping) or found.get(low) is None:
        return "", ""
    return figure(found[low]), figure(found[high])


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        known = [figure(_estimate(one)) for one in value if one is not None]
        return ", ".join(known) if len(value) <= INPUTS_MAX_COUNT else f"{len(value)} values"
    return figure(value)


def _estimate(value: Any) -> Any:
    """The number itself, of an interval its estimate."""
    return value.get("estimate") if isinstance(value, Mapping) else value


PARTS = {
    "fragments": "fragment_name",
    "layers": "layer",
    "pull_out.factors": "name",
    "strength.sections": "stretch",
    "drilling": "step",
    "lag.faults": "message",
    "resorbable.courses": "material",
}
"""Lists of a screw, and what each of their parts is called by."""


def _of(screw: Mapping[str, Any], path: str) -> str:
    """Which fragment, layer, fracture, plane, step, factor or week a value is of."""
    if place := re.match(r"fractures\[\d+\]", path):
        return "fracture between fragments " + " and ".join(map(str, _walk(screw, place[0], path)["between"]))
    if plane := re.fullmatch(r"angles_degree\.(\w+)", path):
        return f"{plane[1]} plane"
    place = re.match(r"([\w.]+)\[\d+\]", path)
    if place is None or place[1] not in PARTS:
        return ""
    part = _walk(screw, place[0], path)
    told = str(part[PARTS[place[1]]])
    if place[1] == "pull_out.factors" and part["factor"] is not None:
        told += f": {part['says']}"
    if week := re.search(r"\[(\d+)\]$", path):
        told += f", week {part['weeks'][int(week[1])]}"
    return told


def _reason(screw: Mapping[str, Any], path: str) -> str:
    """Why a value is null, as its part or the screw's ``reasons`` say of it or of what it is a part of."""
    key = path
    if place := re.match(r"(fragments|layers|fractures|resorbable\.courses)\[\d+\]", path):
        part = _walk(screw, place[0], path)
        said = {"fragments": "fragment", "layers": "layer", "fractures": "between"}.get(place[1], "material")
        name = "-".join(map(str, part[said])) if said == "between" else part[said]
        key = f"{place[1]}.{name}{path[place.end() :]}"
    if path.startswith("findings["):
        return "this finding holds no number against a limit"
    if re.match(r"(pull_out\.factors|drilling)\[", path):
        part = _walk(screw, path.rpartition(".")[0], path)
        return str(part["says" if "says" in part else "note"])
    key = re.sub(r"\[\d+\]", "", key)
    # One reason for all that is null together: a profile's densities, the sections, what a twin has left.
    key = re.sub(r"^profile\.\w+\.", "profile.", key)
    key = re.sub(r"^strength\.weakest\.", "strength.sections.", key)
    key = re.sub(r"\.(stiffness_left|(strength|stiffness)_against_metal)$", ".strength_left", key)
    while key:
        if key in screw["reasons"]:
            return str(screw["reasons"][key])
        key = key.rpartition(".")[0]
    return "not known"


def _inputs(paths: tuple[str, ...], document: Mapping[str, Any], root: str, path: str) -> tuple[Input, ...]:
    """The values behind ``paths``: in the smallest part that holds the value and them, else anywhere."""
    places, part = [], f"{root}.{path}"
    while part != root:
        part = part.rpartition(".")[0]
        places.append(part)
    places.append("")
    found: list[Input] = []
    week = re.search(r"(\[\d+\])?$", path)
    for wanted in (one.replace("[]", week[0] if week else "") for one in paths):
        for base in places:
            leaves = list(_leaves(document, f"{base}.{wanted}".lstrip(".")))
            if leaves:
                found += [_input(field, value) for field, value in leaves]
                break
    return tuple(found[:INPUTS_MAX_COUNT])


def _input(field: str, value: Any) -> Input:
    entry = explained(field.split(".", 1)[1]) if field.startswith("screws[") else None
    name = entry.name if entry else field.rsplit(".", 1)[1].replace("_", " ")
    return Input(field, name, _shown(value), entry.unit if entry else "")


def _leaves(document: Mapping[str, Any], path: str) -> Iterator[tuple[str, Any]]:
    """Every number at ``path``, with its own path; lists on the way are gone through."""

    def follow(value: Any, steps: list[str], told: str) -> Iterator[tuple[str, Any]]:
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            if steps and steps[0].isdigit():
                count = int(steps[0])
                yield from follow(value[count], steps[1:], f"{told}[{count}]")
                return
            for count, one in enumerate(value):
                yield from follow(one, steps, f"{told}[{count}]")
        elif steps:
            if isinstance(value, Mapping) and steps[0] in value:
                yield from follow(value[steps[0]], steps[1:], f"{told}.{steps[0]}".lstrip("."))
        elif isinstance(value, Mapping):
            for key, one in value.items():
                yield from follow(one, [], f"{told}.{key}")
        elif isinstance(value, int | float) or (isinstance(value, list) and value):
            yield told, value

    yield from follow(document, re.findall(r"[^.\[\]]+", path), "")


def _not_modelled(general: str, path: str, screw: Mapping[str, Any]) -> str:
    """What is left out of a value: of the hold also each factor of this screw without a number, in words."""
    if not re.match(r"pull_out\.(host|force)_n", path) or screw["pull_out"] is None:
        return general
    left = [one for one in screw["pull_out"]["factors"] if one["factor"] is None]
    own = "; ".join(f"{one['name']} ({one['says'].removeprefix('not modelled: ')})" for one in left)
    return f"Of this screw: {own}. {general}" if own else general


def _sources(source: str, path: str, screw: Mapping[str, Any], document: Mapping[str, Any]) -> Iterator[str]:
    yield source
    if place := re.match(r"(pull_out\.factors|resorbable\.courses)\[\d+\]", path):
        part = _walk(screw, place[0], path)
        yield f"{part['name' if 'name' in part else 'material']}: {part['source']}"
    if path.startswith(("strength.bending.", "resorbable.metal_")):
        yield f"{screw['strength']['material']}: {screw['strength']['material_source']}"
    held = re.search(r"pullout|mean_shear|pull_out\.(host|force)_n", path)
    if held:
        law = document["made_with"]["settings"]
        yield f"shear law: {law['shear_law']} ({law['shear_law_source']})"
    line = document["bone"].get("calibration")
    if line is not None and (held or "density" in path or "mg_cm2" in path):
        yield f"calibration: {line['source']}"
