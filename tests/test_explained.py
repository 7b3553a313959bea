"""Every value can be opened: each has its words, and each formula shown gives the value shown.

A judge of its own works the lines out: it reads the text alone, and allows what the rounding of the figures
shown allows and no more.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from copy import deepcopy
from functools import cache
from typing import Any

import numpy as np
import pytest
from bench_rig import LAG, SCREWS, ball_bone, through_ball

from demo_volumes.make import make_demo
from planner.asked import Asked
from planner.assess import assess
from planner.assessment_file import assessment_document, assessment_schema
from planner.catalogue import built_in_screws
from planner.cortex import MM_PER_CM_FACTOR
from planner.demands import Demands
from planner.explain import explain
from planner.explained import EXPLAINED, explained
from planner.plan_file import plan_of
from planner.vocabulary import PlacedScrew, Plan
from planner.worked_mechanics import FORMULAS
from segmentation.calibration import parse_calibration
from segmentation.errors import InputError
from segmentation.recipe import segment
from viewer.bench.column import column
from viewer.report.subject import subject_of


@cache
def document() -> dict[str, Any]:
    lag = through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0)
    return assessment_document(assess(ball_bone(), Plan((through_ball(), lag))))


def numeric_leaves(schema: dict[str, Any], part: Any, path: str = "") -> Iterator[str]:
    """Paths of all numbers below a part of a JSON Schema; lists add nothing to a path."""
    if "$ref" in part:
        yield from numeric_leaves(schema, schema["$defs"][part["$ref"].rsplit("/", 1)[1]], path)
    for one in part.get("anyOf", ()):
        yield from numeric_leaves(schema, one, path)
    for one in (
        *part.get("prefixItems", ()),
        *([part["items"]] if isinstance(part.get("items"), dict) else ()),
    ):
        yield from numeric_leaves(schema, one, path)
    for name, one in part.get("properties", {}).items():
        yield from numeric_leaves(schema, one, f"{path}.{name}".lstrip("."))
    if isinstance(part.get("additionalProperties"), dict):
        yield from numeric_leaves(schema, part["additionalProperties"], f"{path}.axial")
    if part.get("type") in ("number", "integer"):
        yield path


@cache
def foam_document() -> dict[str, Any]:
    """A foam's line has a large intercept: density is a small difference of large numbers."""
    demo = make_demo("foam-block", voxel_mm=1.0)
    line = parse_calibration("1.03,1030")
    bone = segment(demo.ct, threshold_hu=demo.truth["level_hu"], calibration=line, host="foam")
    return assessment_document(assess(bone, plan_of(demo.plan, built_in_screws())))


def with_cortex(mass_hu_mm: float) -> dict[str, Any]:
    """The ball's document with a cortex of that mass."""
    found = deepcopy(document())
    mineral = mass_hu_mm * found["bone"]["calibration"]["slope_mg_cm3_per_hu"] / MM_PER_CM_FACTOR
    found["screws"][0]["near_cortex"] = {
        **{"on_axis_mm": 1.4, "on_axis_below_mm": None},
        **{"mass_hu_mm": mass_hu_mm, "mass_mg_cm2": mineral},
    }
    return found


@cache
def asked_document() -> dict[str, Any]:
    """The ball with a lag screw and one locked in a plate, and all that can be asked of them."""
    lag = PlacedScrew(
        *("S3", SCREWS["iso5835-ha-3.5"], 20.0),
        *(np.array([-9.0, 3.0, 0.0]), np.array([9.0, 3.5, 1.0])),
        technique="lag",
        seat_depth_mm=0.5,
    )
    locked = PlacedScrew(
        *("S4", SCREWS["locking-2.7"], 18.0),
        *(np.array([-9.0, -3.0, 0.0]), np.array([9.0, -3.0, 0.0])),
        technique="locking",
        seat_depth_mm=-1.0,
    )
    asked = Demands(
        bending_n=100.0, bending_lever_mm=10.0, compression_n=40.0, torque_n_m=0.2, union_weeks=12
    )
    return assessment_document(assess(ball_bone(), Plan((lag, locked)), demands=asked))


def leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from leaves(one, f"{path}.{key}")
    elif isinstance(value, list):
        for count, one in enumerate(value):
            yield from leaves(one, f"{path}[{count}]")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, value


def nulls(value: Any, path: str) -> Iterator[str]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from nulls(one, f"{path}.{key}")
    elif isinstance(value, list):
        for count, one in enumerate(value):
            yield from nulls(one, f"{path}[{count}]")
    elif value is None:
        yield path


NUMBER = re.compile(r"(?<![a-z.\d])\d+(?:\.\d+)?")


def half_unit(value: float) -> float:
    """Half a unit of the fifth significant figure: what a number shown may be off by."""
    return 0.5 * 10.0 ** (math.floor(math.log10(abs(value))) - 4) if value else 0.0


def worked_out(expression: str, changed: int | None = None, by: int = 0) -> float:
    """What an expression as shown comes to, with half a unit of the fifth figure added to one number."""
    count = -1

    def figure(found: re.Match[str]) -> str:
        nonlocal count
        count += 1
        value = float(found[0])
        if count == changed:
            value += by * half_unit(value)
        return f"({value!r})"

    text = NUMBER.sub(figure, expression.replace("−", "-"))
    for shown, said in {"·": "*", "√": "sqrt", "π": "pi", "²": "**2", "³": "**3", "⁴": "**4"}.items():
        text = text.replace(shown, said)
    known = {name: getattr(math, name) for name in ("sqrt", "exp", "atan2", "cos", "sin", "pi")}
    known["min"] = min
    return float(eval(text, {"__builtins__": {}}, known))


def disagreement(line: str) -> float:
    """By how much a line is wrong, as a share of what rounding allows: above 1 it is false."""
    _, expression, result = line.split(" = ")
    shown = result.split()[0].replace("−", "-")
    value = worked_out(expression)
    allowed = half_unit(float(shown)) + 1e-9
    for count in range(len(NUMBER.findall(expression))):
        allowed += max(abs(worked_out(expression, count, by) - value) for by in (-1, 1))
    return abs(value - float(shown)) / allowed


def test_the_judge_sees_a_false_line() -> None:
    assert disagreement("x = 0.5 + 2 · 1.25 / (3 − 1) = 1.75 mm") <= 1
    assert disagreement("x = √(3² + 4²) = 5 mm") <= 1
    assert disagreement("F = π · 2.8 · 0.7694 = 6.9 N") > 1
    assert disagreement("F = min(283.34, 250.63) = 250.7 N") > 1


def test_every_number_of_a_screw_in_the_schema_has_its_words() -> None:
    schema = assessment_schema()
    paths = set(numeric_leaves(schema, schema["$defs"]["ScrewPart"]))
    assert len(paths) > 80
    assert sorted(path for path in paths if explained(path) is None) == []


def test_no_words_speak_of_a_number_that_is_not_there() -> None:
    schema = assessment_schema()
    paths = set(numeric_leaves(schema, schema["$defs"]["ScrewPart"]))
    known = {id(explained(path)) for path in paths}
    assert [path for path, entry in EXPLAINED.items() if id(entry) not in known] == []


@pytest.mark.parametrize("path", EXPLAINED)
def test_each_entry_is_whole(path: str) -> None:
    entry = EXPLAINED[path]
    assert entry.name
    assert entry.source
    assert entry.definition.endswith(".")
    unit = {"mm": "_mm", "N": "_n", "HU": "_hu", "mg/cm³": "_mg_cm3", "°": "_degree", "MPa": "_mpa"}
    unit |= {"N·m": "_n_m", "mm²": "_mm2", "mm³": "_mm3", "mm⁴": "_mm4", "N/mm": "_n_per_mm"}
    unit |= {"N·mm²": "_n_mm2", "weeks": "weeks"}
    if entry.unit in unit:
        assert unit[entry.unit].lstrip("_") in path


@pytest.mark.parametrize(
    ("case", "fewest"),
    [(document, 250), (foam_document, 30), (lambda: with_cortex(900.0), 250), (asked_document, 250)],
)
def test_every_value_opens_and_every_line_is_true(case: Callable[[], dict[str, Any]], fewest: int) -> None:
    seen = 0
    for number, screw in enumerate(case()["screws"]):
        for field, value in leaves(screw, f"screws[{number}]"):
            if ".profile." in field and not field.endswith("[3]"):
                continue
            opened = explain(case(), field)
            assert opened.definition, field
            for line in opened.steps:
                assert disagreement(line) <= 1, (field, line)
            seen += len(opened.steps)
            if opened.steps and not re.search(r"\.(low|high)(_mm)?$", field):
                told = [line for line in opened.steps if not line.startswith(("low", "high", "σ", "TSF"))]
                shown = told[-1].rsplit(" = ", 1)[1].split()[0]
                assert float(shown.replace("−", "-")) == pytest.approx(value, rel=6e-5), field
    assert seen > fewest


def test_the_forces_lines_are_the_intervals_too() -> None:
    for number, screw in enumerate(document()["screws"]):
        for place, fragment in enumerate(screw["fragments"]):
            opened = explain(document(), f"screws[{number}].fragments[{place}].pullout_n.estimate")
            said = {line.split(" = ")[0]: float(line.rsplit(" = ", 1)[1].split()[0]) for line in opened.steps}
            for end in ("low", "high"):
                assert said[end] == pytest.approx(fragment["pullout_n"][end], rel=6e-5)
                assert float(getattr(opened, end)) == said[end]


def test_it_names_the_inputs_and_the_sources_of_this_case() -> None:
    opened = explain(document(), "screws[0].fragments[1].pullout_n.estimate")
    fields = [one.field for one in opened.inputs]
    assert "screws[0].fragments[1].threads[0].mean_shear_mpa" in fields
    assert "screws[0].fragments[1].pullout_errors.form_fraction" in fields
    assert opened.of == "far half"
    assert any("geometric mean of Stone" in source for source in opened.sources)
    assert any("given by the user" in source for source in opened.sources)
    for one in opened.inputs:
        found: Any = document()
        for step in re.findall(r"[^.\[\]]+", one.field):
            found = found[int(step)] if isinstance(found, list) else found[step]
        assert float(one.shown.replace("−", "-")) == pytest.approx(found, rel=6e-5)


def test_the_hold_names_what_is_not_modelled_of_this_screw() -> None:
    """Each circumstance a named factor or "not modelled" in words (the project's own bar): profile, taper and
    the head's limit of any screw, the rest of this one, its reason beside it."""
    for number, screw in enumerate(document()["screws"]):
        for field in ("force_n", "host_n.estimate", "host_n.low"):
            said = explain(document(), f"screws[{number}].pull_out.{field}").not_modelled
            for factor in screw["pull_out"]["factors"]:
                listed = f"{factor['name']} ({factor['says'].removeprefix('not modelled: ')})"
                assert (listed in said) == (factor["factor"] is None), (factor, said)
        assert "profile (" in said
        assert "head (" in said
        bare = explain(document(), f"screws[{number}].pullout_n").not_modelled
        for words in ("profile", "tapered cores", "head's own limit", "angle", "Tapping"):
            assert words in bare


def test_what_is_not_known_says_why() -> None:
    opened = explain(document(), "screws[1].clearance_mm.trailing_end.outer")
    assert (opened.shown, opened.reason) == ("", "a head is meant to lie outside")
    opened = explain(document(), "screws[0].near_cortex.on_axis_mm")
    assert "no cortex was measured" in opened.reason
    assert opened.steps == ()


def test_every_formula_of_mechanics_is_worked_in_some_case() -> None:
    told = set()
    for case in (document(), asked_document()):
        for number, screw in enumerate(case["screws"]):
            opened = [explain(case, field) for field, _ in leaves(screw, f"screws[{number}]")]
            told |= {re.sub(r"\[\d+\]", "", one.field.split(".", 1)[1]) for one in opened if one.steps}
    assert set(FORMULAS) - told == set()
    assert {"strength.weakest.modulus_mm3", "drilling.reading_mm"} < told
    assert "resorbable.courses.strength_against_metal" in told


def test_every_null_of_a_number_says_why() -> None:
    seen = 0
    for case in (document(), foam_document(), asked_document()):
        for number, screw in enumerate(case["screws"]):
            for field in nulls(screw, f"screws[{number}]"):
                if explained(field.split(".", 1)[1]) is not None:
                    opened = explain(case, field)
                    assert opened.shown or opened.reason not in ("", "not known"), field
                    seen += 1
    assert seen > 100


def test_a_week_is_told_from_that_week() -> None:
    field = "screws[0].resorbable.courses[1].strength_against_metal[5].estimate"
    opened = explain(asked_document(), field)
    assert opened.of == "PLLA, self-reinforced, week 12"
    assert [one.field for one in opened.inputs] == [
        "screws[0].resorbable.courses[1].strength_left[5].estimate"
    ]
    assert any("Pohjonen" in source for source in opened.sources)


def test_ends_of_factors_and_readings_open_their_number() -> None:
    opened = explain(asked_document(), "screws[0].drilling[1].low_mm")
    assert opened.field == "screws[0].drilling[1].reading_mm"
    assert float(opened.low) < float(opened.shown) < float(opened.high)
    opened = explain(asked_document(), "screws[0].pull_out.factors[0].high")
    assert opened.field == "screws[0].pull_out.factors[0].factor"
    assert (opened.high, opened.of.split(":")[0]) == ("1", "ring to 0.5 mm beyond")
    assert any("Joffre" in source for source in opened.sources)


def test_intervals_open_the_number_they_belong_to() -> None:
    opened = explain(document(), "screws[0].intervals.clearance_mm.body.outer.low")
    assert opened.field == "screws[0].clearance_mm.body.outer"
    assert "deviations" in opened.interval or "sd" in opened.interval
    assert float(opened.low) < float(opened.shown) < float(opened.high)


@pytest.mark.parametrize(
    "field",
    [
        "",
        "screws",
        "screws[9].bone_length_mm",
        "screws[0].bone_length",
        "screws[0].fragments[7].pullout_n.estimate",
        "screws[0].name",
        "screws[-1].bone_length_mm",
        "screws[0].findings[99].value",
        "bone.host",
        "screws[0]." + "x" * 5000,
    ],
)
def test_a_value_that_is_not_there_is_told(field: str) -> None:
    with pytest.raises(InputError, match=r"no value .* such as screws\[0\]\.bone_length_mm"):
        explain(document(), field)


def test_every_value_of_the_pages_column_opens() -> None:
    lag = through_ball("S2", LAG, y_mm=-4.0, length_mm=16.0)
    assessment = assess(ball_bone(), Plan((through_ball(), lag)))
    for result in assessment.screws:
        shown = column(subject_of(ball_bone(), assessment, result, as_scanned=False), [], Asked())
        steps = [one[part] for one in shown["drilling"] for part in ("diameter", "reading")]
        assert (steps == []) == shown["stop"]
        rows = [*shown["lengths"], *shown["limits"], *shown["holds"], shown["hold"], *shown["mechanics"]]
        assert len(rows) > 15
        for one in [*rows, *steps]:
            opened = explain(document(), one["field"])
            if one["value"] is not None and opened.shown:
                assert float(opened.shown.replace("−", "-")) == pytest.approx(one["value"], rel=6e-5)
