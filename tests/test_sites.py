"""A site's limits and length rule: from the files that come along and from a person's own copy."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bench_rig import ball_bone, through_ball

from planner.asked import Asked, assess_asked
from planner.assess import ready
from planner.assessment_file import assessment_document
from planner.limits import Limits
from planner.site_file import FOLDER, read_site, site_limits, site_names
from planner.site_lengths import site_length
from planner.vocabulary import Assessment, Plan, ScrewResult, TipApex
from segmentation.errors import InputError

NINE = {
    *("scaphoid", "radial-head", "distal-radius", "femoral-neck-and-head", "proximal-humerus"),
    *("tibial-plateau", "malleolus", "capitellum", "pelvis"),
}


@pytest.fixture(scope="module")
def measured() -> Assessment:
    return assess_asked(ready(ball_bone()), Plan((through_ball(),)), Asked(site=read_site("scaphoid")))


def of_length(measured: Assessment, bone_length_mm: float, **changed: Any) -> ScrewResult:
    return replace(measured.screws[0], bone_length_mm=bone_length_mm, **changed)


def test_the_nine_sites_are_there_and_every_number_has_mark_and_source() -> None:
    assert set(site_names()) == NINE
    for name in NINE:
        document = read_site(name).document
        assert document.name.replace(" ", "-") == name
        assert document.limits or document.facts
        for part in (*document.limits.values(), *document.length_definitions, *document.facts):
            assert part.mark in "RMCD"
            assert part.source


@pytest.mark.parametrize(
    ("site", "joint_mm"),
    [("scaphoid", 2.0), ("capitellum", 2.0), ("proximal-humerus", 5.0), ("femoral-neck-and-head", 5.0)],
)
def test_warning_limits_are_2_mm_at_wrist_and_elbow_and_5_mm_in_heads(site: str, joint_mm: float) -> None:
    # biomechanics reference §8: warn below 2 mm (wrist, elbow) and 5 mm (humeral and femoral head).
    assert site_limits(site).joint_clearance_mm == joint_mm
    assert site_limits(site).between_screws_mm == Limits().between_screws_mm


@pytest.mark.parametrize(("axis_mm", "longest_mm"), [(27.1, 23.1), (23.9, 19.9)])
def test_the_scaphoids_rule_takes_4_mm_off_the_axis(
    measured: Assessment, axis_mm: float, longest_mm: float
) -> None:
    # Slade's rule, worked: axis 27.1 → at most 23.1, the next stocked step below; 23.9 → 19.9.
    told = site_length(of_length(measured, axis_mm), read_site("scaphoid"))
    assert told is not None
    assert told.longest_mm == pytest.approx(longest_mm, abs=1e-9)
    stocked = measured.screws[0].placed.screw.stocked_lengths_mm
    assert told.longest_stocked_mm == max(one for one in stocked if one <= longest_mm)
    assert told.definition == "along the planned axis"


def test_the_two_published_definitions_of_the_scaphoids_length_stay_apart() -> None:
    said = {one.name: one for one in read_site("scaphoid").document.length_definitions}
    assert "27.14" in said["central axis"].says
    assert "4 mm longer" in said["pole to pole"].says
    assert "Not the definition used here" in said["pole to pole"].says


def test_three_quarters_of_the_radius_are_enough_and_through_it_is_too_long(measured: Assessment) -> None:
    # Baumbach et al. 2015: 75 % of the length is as stiff as all of it.
    site = read_site("distal-radius")
    length_mm = measured.screws[0].placed.length_mm
    verdicts = []
    for bone_mm in (length_mm - 0.1, length_mm, length_mm / 0.75, length_mm / 0.75 + 0.1):
        told = site_length(of_length(measured, bone_mm), site)
        verdicts.append(told and told.verdict)
    assert verdicts == ["longer", "within", "within", "shorter"]


@pytest.mark.parametrize(("distance_mm", "within"), [(25.0, True), (25.1, False)])
def test_the_tip_apex_gate(measured: Assessment, distance_mm: float, within: bool) -> None:
    # Baumgaertner et al. 1995: 0 of 120 at or below 25 mm cut out.
    apex = TipApex(distance_mm, 12.0, distance_mm - 12.0, 15.0, (0.0, 0.0, 0.0), 24.0, within)
    told = site_length(of_length(measured, 90.0, tip_apex=apex), read_site("femoral-neck-and-head"))
    assert told is not None
    assert told.tip_apex_within is within


def test_a_site_without_a_rule_says_why() -> None:
    bone = ready(ball_bone())
    result = assess_asked(bone, Plan((through_ball(),)), Asked(site=read_site("pelvis"))).screws[0]
    assert result.site_length is None
    assert "no rule" in result.reasons["site_length"]


def test_the_sites_limits_and_sources_are_in_the_results(measured: Assessment) -> None:
    settings = assessment_document(measured)["made_with"]["settings"]
    assert settings["site"]["name"] == "scaphoid"
    assert settings["limits"]["trailing_end_buried_mm"] == 2.0
    assert settings["site"]["sources"]["two_pitch_gap_mm"].endswith("(read)")
    plain = assess_asked(ready(ball_bone()), Plan((through_ball(),)), Asked())
    assert plain.screws[0].site_length is None
    assert plain.screws[0].reasons["site_length"] == "no site was named"
    assert "site" not in plain.made_with["settings"]


def test_a_copy_that_a_person_changed_is_taken(tmp_path: Path) -> None:
    own = tmp_path / "mine.json"
    document = json.loads((FOLDER / "scaphoid.json").read_text(encoding="utf-8"))
    document["limits"]["joint_clearance_mm"]["value"] = 3.5
    own.write_text(json.dumps(document), encoding="utf-8")
    assert site_limits(str(own)).joint_clearance_mm == 3.5


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d["limits"].update(joint_clearence_mm=d["limits"]["joint_clearance_mm"]), "did you mean"),
        (lambda d: d["limits"]["joint_clearance_mm"].update(value="2"), "joint_clearance_mm"),
        (lambda d: d["limits"]["joint_clearance_mm"].update(mark="X"), "mark"),
        (lambda d: d["length_rule"].update(definition="tip to toe"), "not among length_definitions"),
        (lambda d: d["length_rule"]["longest"].update(of_measured_fraction=1.2), "of_measured_fraction"),
        (lambda d: d.update(length_rule=None), "one of them must be null"),
        (lambda d: d.update(format="pilothole-plan"), "format"),
    ],
)
def test_a_file_that_is_wrong_is_refused_in_one_sentence(tmp_path: Path, change: Any, says: str) -> None:
    document = json.loads((FOLDER / "scaphoid.json").read_text(encoding="utf-8"))
    change(document)
    (tmp_path / "own.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(InputError, match=says) as refused:
        read_site(str(tmp_path / "own.json"))
    assert "\n" not in str(refused.value)


def test_a_name_or_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no site 'knee'; give one of capitellum"):
        read_site("knee")
    with pytest.raises(InputError, match=r"gone\.json"):
        read_site(str(tmp_path / "gone.json"))
    shutil.copy(FOLDER / "pelvis.json", tmp_path / "x.json")
    (tmp_path / "x.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="is not JSON"):
        read_site(str(tmp_path / "x.json"))
