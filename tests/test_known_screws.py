"""A screw that is not moved is not measured again, and its numbers are those of a fresh measurement."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from two_slabs import two_slabs

from planner import assess as module
from planner.assess import assess, assess_screws, ready
from planner.assessment_file import assessment_document
from planner.catalogue import built_in_screws
from planner.demands import Demands
from planner.vocabulary import PlacedScrew, Plan

SCREW = built_in_screws()["headless-two-pitch-3.0-3.9"]


def at(name: str, x: float) -> PlacedScrew:
    return PlacedScrew(
        name, SCREW, 16.0, np.array([x, 0.0, 12.0]), np.array([x, 0.0, -12.0]), "position", 1.0
    )


def test_only_the_moved_screw_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    bone = ready(two_slabs())
    still, moved, after = at("still", -5.0), at("moved", 2.0), at("moved", 3.5)
    assess_screws(bone, Plan((still, moved)))
    traced: list[str] = []
    trace = module.trace
    monkeypatch.setattr(
        module, "trace", lambda prepared, placed: traced.append(placed.name) or trace(prepared, placed)
    )
    found = assess_screws(bone, Plan((still, after)))
    assert traced == ["moved"]
    fresh = assess(two_slabs(), Plan((still, after)))
    assert assessment_document(found) == assessment_document(fresh)
    # What depends on the other screw follows it: the way between them, and their findings.
    near = assess_screws(bone, Plan((still, at("moved", -4.0))))
    assert {one.code for one in near.screws[0].findings} - {one.code for one in found.screws[0].findings}


def test_other_demands_and_an_equal_copy_are_measured_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    bone, screw = ready(two_slabs()), at("a", 0.0)
    assess_screws(bone, Plan((screw,)))
    traced: list[str] = []
    trace = module.trace
    monkeypatch.setattr(
        module, "trace", lambda prepared, placed: traced.append(placed.name) or trace(prepared, placed)
    )
    assess_screws(bone, Plan((screw,)))
    assert traced == []
    assess_screws(bone, Plan((screw,)), demands=Demands(torque_n_m=0.5))
    assess_screws(bone, Plan((replace(screw, length_mm=18.0),)))
    assert traced == ["a", "a"]
