"""``pilothole threads``: every thread on one planned path."""

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from bench_rig import LAG, ball_desk, through_ball, write_ball_case

from planner.catalogue import built_in_screws
from planner.thread_comparison import density_along, thread_hold
from planner.threads_on_path import crossing_words, threads_csv, threads_on_path, unchanged_words
from segmentation.errors import InputError
from viewer.command_line import run

COARSE, FINE = "iso5835-hb-4.0", "iso5835-ha-4.0"


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    planned = through_ball("S2", LAG, length_mm=16.0)
    return write_ball_case(tmp_path_factory.mktemp("threads") / "ball", planned)


def test_the_best_first_with_its_reason_in_words_and_for_machines(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["threads", str(case), "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["version"], told["screw"]) == ("pilothole-threads", 1, "S2")
    forces_n = [one["force_n"] for one in told["holds"]]
    assert forces_n == sorted(forces_n, reverse=True)
    assert all(one["force_n"] == min(one["host_n"], one["screw_n"]) for one in told["holds"])
    assert {COARSE, "iso5835-ha-3.5"} <= {one["screw"] for one in told["holds"]}
    result = ball_desk(through_ball("S2", LAG, length_mm=16.0)).result
    assert result is not None
    along = density_along(result, "bone", fragment=result.governed_by)
    own = thread_hold(built_in_screws()[COARSE], 16.0, along)
    held_n = next(one["force_n"] for one in told["holds"] if one["screw"] == COARSE)
    assert held_n == pytest.approx(own.force_n, rel=1e-3)
    assert run(["threads", str(case), "--count", "2"]) == 0
    said = capsys.readouterr().out
    assert f"{told['holds'][0]['screw']} before {told['holds'][1]['screw']}: {told['why']}." in said
    assert said.count(" iso5835") + said.count("\niso5835") >= 1
    assert "not a medical device" in said


def test_coarse_and_fine_change_places_in_dense_bone() -> None:
    """A cancellous thread holds more in soft bone, a cortical one in dense, where the coarse thread's thinner
    core tears first (common practice). Along the whole ball: in one half neither core tears."""
    measured = ball_desk(through_ball("S2", COARSE, length_mm=20.0)).result
    assert measured is not None
    result = replace(measured, governed_by=None)
    screws = built_in_screws()
    pair = [screws[COARSE], screws["iso5835-ha-3.5"]]
    told = threads_on_path(result, "bone", pair, 20.0, named=True)
    assert told.holds[0].screw == COARSE
    (found,) = told.crossings
    assert (found.softer, found.denser) == (COARSE, "iso5835-ha-3.5")
    assert found.density_mg_cm3.estimate > told.mean_density_mg_cm3
    assert crossing_words(found).startswith(f"{COARSE} holds more up to ")
    assert unchanged_words(told) is None
    best, other = csv.DictReader(io.StringIO(threads_csv(told)))
    assert (best["screw"], best["crossing_density_mg_cm3"]) == (COARSE, "")
    assert float(best["force_n"]) == pytest.approx(told.holds[0].force_n, abs=1e-6)
    assert float(other["crossing_density_low_mg_cm3"]) == pytest.approx(found.density_mg_cm3.low, abs=1e-6)
    assert (other["holds_more_below"], other["holds_more_above"]) == (COARSE, "iso5835-ha-3.5")


def test_threads_that_never_change_places_say_so() -> None:
    """The larger of two cortical threads has the stronger core as well."""
    measured = ball_desk(through_ball("S2", COARSE, length_mm=20.0)).result
    assert measured is not None
    pair = [built_in_screws()[name] for name in ("iso5835-ha-4.5", "iso5835-ha-3.5")]
    told = threads_on_path(replace(measured, governed_by=None), "bone", pair, 20.0, named=True)
    assert told.crossings == ()
    assert str(unchanged_words(told)).startswith("iso5835-ha-4.5 changes places with none of iso5835-ha-3.5")
    assert [row["holds_more_above"] for row in csv.DictReader(io.StringIO(threads_csv(told)))] == ["", ""]
    assert unchanged_words(replace(told, holds=told.holds[:1])) is None


def test_what_cannot_be_is_told(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, says in (
        (["--screw", "iso5835-hb-4"], "unknown screw"),
        (["--path", "S3"], "no screw"),
        (["--length", "400"], "no screw is stocked within 1 mm of 400 mm"),
        (["--length", "0"], "no screw is stocked within 1 mm of 0 mm"),
        (["--length", "0", "--screw", COARSE], "none of these screws has room for its threads at 0 mm"),
    ):
        assert run(["threads", str(case), *words]) == 2
        err = capsys.readouterr().err
        assert says in err
        assert err.count("\n") == 1
    result = ball_desk(through_ball("S2", LAG, length_mm=16.0)).result
    assert result is not None
    with pytest.raises(InputError, match="no screw is stocked"):
        threads_on_path(result, "bone", [], 16.0)
