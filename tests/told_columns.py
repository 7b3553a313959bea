"""The mechanics of a screw as columns, by another way than the product: from assessment.json itself."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

PARTS = ("pull_out", "angular_stability", "strength", "torque", "lag", "two_pitch", "tip_apex")

LISTS_AND_WORDS = (
    "strength.sections",
    "strength.material_source",
    "strength.pilot.effect",
    "tip_apex.apex_mm",
)
"""What has no column: lists, and sentences."""


def mechanics_told(screw: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Column and value of all mechanics of a screw of assessment.json."""
    for part in PARTS:
        if screw[part] is not None:
            yield from told(screw[part], part)


def told(part: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Column and value of everything under a part of assessment.json, spelt out anew."""
    if path in LISTS_AND_WORDS or path.startswith("pull_out.f"):
        return
    if path == "lag.faults":
        yield "lag_faults", " ".join(one["fault"] for one in part)
    elif isinstance(part, dict) and set(part) == {"estimate", "low", "high"}:
        name = path.replace(".", "_")
        words, unit = re.fullmatch(
            r"(\w+?)_(n_per_mm|n_m|n|mm|mpa|degree|fraction|ratio|factor)", name
        ).groups()
        yield name, part["estimate"]
        yield f"{words}_low_{unit}", part["low"]
        yield f"{words}_high_{unit}", part["high"]
    elif isinstance(part, dict):
        for key, value in part.items():
            yield from told(value, f"{path}.{key}")
    else:
        yield path.replace(".", "_"), part


def same(cell: str, value: Any) -> bool:
    if isinstance(value, bool):
        return cell == ("yes" if value else "no")
    if isinstance(value, (int, float)):
        return float(cell) == pytest.approx(value, abs=1e-6)
    return cell == (value or "")


def agrees(row: dict[str, str], column: str, value: Any) -> bool:
    """Whether a row tells the value; of what is not told all cells are empty."""
    if value is None:
        return not any(cell for name, cell in row.items() if name == column or name.startswith(column + "_"))
    return same(row[column], value)
