"""The value that is open beside the column: what ``planner.explain`` says, in a form to be sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from planner.explain import explain
from segmentation.errors import InputError


def opened(document: Mapping[str, Any], field: str | None) -> dict[str, Any] | None:
    """The explanation of ``field``; None where none is open, or its screw or fragment is no longer there."""
    if field is None:
        return None
    try:
        return asdict(explain(document, field))
    except InputError:
        return None
